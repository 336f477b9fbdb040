"""Makes a state to train on from the shipped networks, whose batch normalisation is folded into their convolutions.

    python -m calibration.training.unfold state.pt [--scenes 40]

A folded convolution y = w x + b is the same as one without bias followed by a batch normalisation whose
running mean and variance are those of its output m, v, with gain sqrt(v + eps) and offset b + m: equal in
evaluation whatever the statistics, and nearly so in training if they are those of real samples. So the samples of
some scenes go through the network, block after block, and each block takes the statistics that it meets. Filters
are scaled to the size of fresh ones, and their gains by the inverse, so that a learning rate means what it
meant before. The result is held against the ONNX file run by OpenCV. Needs PyTorch and onnx; the optimiser's
own memory is lost, which the rise of the learning rate over the first hundred steps allows for.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import nn

from calibration.training import crew, model, views
from calibration.training.model import Pyramid
from calibration.training.train import KINDS
from fixtures import scenes
from placecheck.find.network import FOLDER
from placecheck.vision import Network

FIRST_SCENE = 400_000


def pictures(count: int) -> dict[str, torch.Tensor]:
    """Input pictures of the networks "c" and "b", (N, channels, h, w) in 0..1, from `count` scenes."""
    found: dict[str, list[np.ndarray]] = {"c": [], "b": []}
    for i in range(count):
        scene = scenes.sample_scene(FIRST_SCENE + i)
        for which, values in crew.samples(scene, np.random.default_rng([i, 5]), np, views.drawn, "cb"):
            found[which].append(values[0])
    edge = (crew.BLOCK_DRAWN - crew.BLOCK_SIZE) // 2
    found["b"] = [image[edge : edge + crew.BLOCK_SIZE, edge : edge + crew.BLOCK_SIZE] for image in found["b"]]
    return {k: torch.tensor(np.stack(v)).permute(0, 3, 1, 2).float() / 255 for k, v in found.items()}


def in_order(net: Pyramid) -> list[nn.Sequential]:
    """The network's blocks of convolution and normalisation in the order in which a picture meets them."""
    down = [block for pair in net.down for block in pair]  # type: ignore[union-attr]
    return [net.stem, net.first, *down, *net.context, *net.up, net.last]  # type: ignore[list-item]


def unfold(path: Path, net: Pyramid, x: torch.Tensor) -> Pyramid:
    """`net` with the weights of the ONNX file and the statistics of the pictures `x`."""
    graph = onnx.load(str(path)).graph
    # weights kept in half precision (half.py) go by their name with .half behind it
    values = {i.name.removesuffix(".half"): numpy_helper.to_array(i).astype(np.float32) for i in graph.initializer}
    pooled = {o for n in graph.node if n.op_type == "GlobalAveragePool" for o in n.output}
    flags = [n for n in graph.node if n.op_type == "Conv" and n.input[0] in pooled]
    convolutions = [n for n in graph.node if n.op_type == "Conv" and n.input[0] not in pooled]
    blocks = in_order(net)
    if len(convolutions) != len(blocks) + 1 or len(flags) != 1:
        raise SystemExit(f"{path} is not of the shape that model.py builds")

    def take(module: Any, node: Any) -> None:
        module.weight.data = torch.tensor(values[node.input[1]])
        module.bias.data = torch.tensor(values[node.input[2]])

    def meets(block: nn.Sequential, node: Any) -> Any:
        conv, norm = block[0], block[1]
        weight, bias = (torch.tensor(values[name]) for name in node.input[1:3])
        size = weight.flatten(1).pow(2).mean(1).sqrt().clamp_min(1e-6)
        scale = (1 / (3 * weight[0].numel())) ** 0.5 / size
        conv.weight.data = weight * scale[:, None, None, None]

        def hook(_module: Any, _inputs: Any, out: torch.Tensor) -> None:
            mean, variance = out.mean((0, 2, 3)), out.var((0, 2, 3), unbiased=False)
            norm.running_mean.copy_(mean)  # type: ignore[operator, union-attr]
            norm.running_var.copy_(variance)  # type: ignore[operator, union-attr]
            norm.weight.data = (variance + norm.eps).sqrt() / scale
            norm.bias.data = bias + mean / scale

        return conv.register_forward_hook(hook)

    net.eval()
    hooks = [meets(block, node) for block, node in zip(blocks, convolutions, strict=False)]
    take(net.maps, convolutions[-1])
    take(net.flags, flags[0])
    with torch.no_grad():
        net(x)
    for hook in hooks:
        hook.remove()
    return net


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--scenes", type=int, default=40)
    args = parser.parse_args()
    seen = pictures(args.scenes)
    state: dict[str, Any] = {}
    for kind, what in KINDS.items():
        path, net = FOLDER / f"{what.name}.onnx", getattr(model, what.make)()
        if not path.exists():  # one that only teaches
            continue
        x = nn.functional.avg_pool2d(seen[what.samples], what.part)
        unfold(path, net, x)
        maps, _ = Network(str(path))(x[0].numpy())
        net.apart = True
        with torch.no_grad():
            again = net(x[:1])[0][0].numpy()
        apart = float(np.abs(maps - again).max())
        print(f"{what.name}: differs by {apart:.1e} from the shipped network (largest value {np.abs(maps).max():.0f})")
        if apart > 1e-2:
            raise SystemExit(f"{what.name} could not be unfolded")
        state |= {kind: net.state_dict(), f"ema_{kind}": net.state_dict()}
    torch.save(state, args.out)


if __name__ == "__main__":
    main()
