"""Keeps a network's weights as half-precision numbers, which takes half the room.

    python -m calibration.training.half NETWORK.onnx ...

Each weight is stored as an IEEE 754 binary16 number with a Cast to binary32 before its use, which OpenCV
does once when it reads the file: the computation stays in single precision and takes as long as before. A
weight loses at most one part in 2048 (below 6e-5 in size, 3e-8), a thousandth of what one step of training
moves it by; short vectors, the biases, stay as they are.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

LEAST = 256  # numbers in a tensor that is worth it


def as_half(path: Path) -> None:
    """Rewrite the ONNX file at `path`; one that is so already stays as it is."""
    model = onnx.load(str(path))
    kept, casts = [], []
    for tensor in model.graph.initializer:
        values = numpy_helper.to_array(tensor)
        if values.dtype == np.float32 and values.size >= LEAST:
            short = f"{tensor.name}.half"
            casts.append(helper.make_node("Cast", [short], [tensor.name], to=TensorProto.FLOAT))
            kept.append(numpy_helper.from_array(values.astype(np.float16), short))
        else:
            kept.append(tensor)
    nodes = [*casts, *model.graph.node]
    del model.graph.initializer[:], model.graph.node[:]
    model.graph.initializer.extend(kept)
    model.graph.node.extend(nodes)
    onnx.save(model, str(path))


if __name__ == "__main__":
    for name in sys.argv[1:]:
        as_half(Path(name))
