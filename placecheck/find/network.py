"""The small networks, loaded once and run by OpenCV.

"block" finds the block in the photo (silhouette of the bare block, image direction of the face),
"closure" finds closure and cap in the unrolled picture (a heat map for every landmark and line);
"place" and "first_look" are the same for pictures of half the scale, where a rough answer is wanted
soon. How they were trained, on which scenes, and how they compare with other ways is told in
calibration/networks.md. They only say where to look: what a finding is worth is settled by its
spread here, by the geometry it must agree with, and by the judging scenes. Weights are data
(`networks/*.onnx`); nothing is fetched. Pictures go in as BGR, 0..1; maps come out at half the
input's resolution, so that cell (i, j) is centred at input pixel (2 i + 0.5, 2 j + 0.5); those of
"closure" are four to a cell of twice the size and are laid side by side here.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from placecheck.vision import Network

FOLDER = Path(__file__).parent / "networks"
CLOSURE_CHANNELS = (
    "fold_front",
    "fold_back",
    "front_left",
    "front_right",
    "back_left",
    "back_right",
    "cap_rim",
    "hairline",
    "centre_line",
    "ventilated",
)


@lru_cache(maxsize=4)
def network(name: str) -> Network:
    """The network `name`, read once in a process."""
    return Network(str(FOLDER / f"{name}.onnx"))


def run(name: str, picture: npt.NDArray[np.uint8]) -> tuple[npt.NDArray[np.float32], npt.NDArray[np.float32]]:
    """Maps (n, h/2, w/2) and flag logits (m,) for a uint8 picture (h, w, c)."""
    planes = np.empty((picture.shape[2], *picture.shape[:2]), np.float32)
    for k, plane in enumerate(planes):
        np.divide(picture[..., k], np.float32(255.0), out=plane)
    maps, flags = network(name)(planes)
    return side_by_side(maps, planes.shape[1] // (2 * maps.shape[1])), flags


def side_by_side(maps: npt.NDArray[np.float32], parts: int) -> npt.NDArray[np.float32]:
    """Maps (n, parts h, parts w) out of (n parts^2, h, w), where each cell says parts by parts values of every map."""
    if parts == 1:
        return maps
    n, (h, w) = len(maps) // parts**2, maps.shape[1:]
    out = np.empty((n, h, parts, w, parts), np.float32)
    out[:] = maps.reshape(n, parts, parts, h, w).transpose(0, 3, 1, 4, 2)
    return out.reshape(n, parts * h, parts * w)


def sigmoid(x: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Logistic function, safe for large arguments."""
    return (1.0 / (1.0 + np.exp(-np.clip(x, -30, 30)))).astype(np.float32)
