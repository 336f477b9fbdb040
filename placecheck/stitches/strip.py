"""The seam straightened: a strip along a line, its rows at equal distances from it.

What a whip stitch, a back stitch or a running stitch looks like depends on where it lies against the lace's edge, so
the network that finds stitches sees the seam as a straight strip: columns at equal lengths along the line,
GRID_PX_PER_MM fine, rows from HALF_MM to one side of it to as much to the other, read by bilinear interpolation from
the flat picture in which the line was found. Training straightens its drawn patches by the same function.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck import vision
from placecheck.stitches.unroll import GRID_PX_PER_MM

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

HALF_MM = 4.5
ROWS = round(2 * HALF_MM * GRID_PX_PER_MM)


@dataclass(frozen=True, eq=False)
class Strip:
    """`image` (4, ROWS, m) as the network sees it; column j lies `along_mm[j]` from the line's start.

    path_px (m, 2) the line in the flat picture's pixels (column, row), normal (m, 2) its unit normal there.
    """

    image: Float32Array
    path_px: FloatArray
    normal: FloatArray
    along_mm: FloatArray

    def places_px(self, along_mm: FloatArray, across_mm: FloatArray) -> FloatArray:
        """Flat picture pixels (..., 2) of places along and across the line."""
        foot = np.stack([np.interp(along_mm, self.along_mm, self.path_px[:, k]) for k in (0, 1)], axis=-1)
        normal = np.stack([np.interp(along_mm, self.along_mm, self.normal[:, k]) for k in (0, 1)], axis=-1)
        out: FloatArray = foot + np.asarray(across_mm)[..., None] * GRID_PX_PER_MM * normal
        return out


def straighten(image: Float32Array, columns_px: FloatArray, rows_px: FloatArray, length: int) -> Strip:
    """The strip of `length` columns along a line given by finely spaced points in a flat picture (4, h, w).

    What lies beyond the line's end is blank (0, not valid).
    """
    step = 1 / GRID_PX_PER_MM
    dense = np.stack([columns_px, rows_px], axis=1)
    at = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(dense, axis=0), axis=1))]) / GRID_PX_PER_MM
    along = np.arange(length, dtype=float) * step
    path = np.stack([np.interp(along, at, dense[:, k]) for k in (0, 1)], axis=1)
    tangent = np.gradient(path, axis=0)
    size = np.linalg.norm(tangent, axis=1, keepdims=True)
    tangent = np.where(size > 1e-9, tangent / np.maximum(size, 1e-9), [1.0, 0.0])
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    across = (np.arange(ROWS) - (ROWS - 1) / 2)[:, None, None]
    px = path[None] + across * normal[None]
    source: Any = np.ascontiguousarray(image.transpose(1, 2, 0), np.float32)
    out = np.asarray(vision.resample(source, px.astype(np.float32))).transpose(2, 0, 1)
    h, w = image.shape[1:]
    inside = (px[..., 0] >= 0) & (px[..., 0] <= w - 1) & (px[..., 1] >= 0) & (px[..., 1] <= h - 1) & (along <= at[-1])
    valid = (out[3] > 0.99) & inside
    return Strip(
        np.concatenate([out[:3] * valid, valid[None]]).astype(np.float32), path, normal, np.asarray(along, float)
    )
