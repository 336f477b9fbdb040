"""Finding the block: its outline in the photo and which way the face is.

Twice the same network looks: at the whole photo made small, then at a crop in which the
block found first fills a little more than half of the picture. The second look gives the
silhouette of the bare block (hair, pins and the stand left out). Rays from its centroid
meet the silhouette's half-probability line once each, because a block is convex seen from
above: those crossings, interpolated between cells, are the outline points. Points on the
photo's own border are dropped. The face's direction is the mean of a unit vector field over
the silhouette; its resultant length says how much the picture agrees with itself (directional
statistics, Mardia & Jupp). A photo in which no block is found raises RetakeNeeded.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.errors import RetakeNeeded
from placecheck.find.network import run, sigmoid
from placecheck.vision import Image, affine_crop, largest_blob, resize

FloatArray = npt.NDArray[np.float64]

SIZE = 384
FILL = 0.57
RAYS = 144


@dataclass(frozen=True)
class BlockSighting:
    """Outline pixels (N, 2), their uncertainty across the outline in px, centroid (2,), face direction (2,) unit.

    `agreement` is the resultant length of the face direction, 1 when every part of the picture agrees;
    `cut_share` the share of the outline that lies outside the photo; `presence` the network's belief in a block.
    """

    outline_px: FloatArray
    u_px: float
    centroid_px: FloatArray
    face_px: FloatArray
    agreement: float
    cut_share: float
    presence: float
    size_px: float


def _look(image: Image, matrix: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Silhouette probability (SIZE/2, SIZE/2), face field (2, ., .) and presence for the crop through `matrix`."""
    scale = float(np.sqrt(abs(np.linalg.det(matrix[:, :2]))))
    if scale < 0.7:  # average before sampling, so that nothing aliases
        h, w = image.shape[:2]
        small_w, small_h = max(1, round(w * scale)), max(1, round(h * scale))
        small = resize(image, small_w, small_h)
        sx, sy = small_w / w, small_h / h
        back = np.array([[1 / sx, 0, 0.5 / sx - 0.5], [0, 1 / sy, 0.5 / sy - 0.5], [0, 0, 1]])
        matrix = matrix @ back
        image = small
    maps, flags = run("block", affine_crop(image, matrix, SIZE, SIZE))
    return sigmoid(maps[0]).astype(float), maps[1:3].astype(float), float(sigmoid(flags)[0])


def _blob(probability: FloatArray) -> tuple[npt.NDArray[np.bool_], FloatArray, float] | None:
    """The largest silhouette: mask, centre of its box and size of its box, in crop pixels (x, y)."""
    mask = largest_blob(probability > 0.5)
    if mask is None or mask.sum() < 60:
        return None
    ys, xs = np.nonzero(mask)
    low, high = np.array([xs.min(), ys.min()]), np.array([xs.max(), ys.max()])
    return mask, (low + high) + 0.5, float(2 * (high - low + 1).max())


def _crossings(p: FloatArray, centroid: FloatArray) -> FloatArray:
    """Where rays from `centroid` (cells) leave the silhouette for good: (RAYS, 2) cells."""
    angle = np.arange(RAYS) * (2 * np.pi / RAYS)
    d = np.stack([np.cos(angle), np.sin(angle)], -1)
    r = np.arange(0.0, p.shape[0] * 0.75, 0.5)
    at = centroid + r[:, None, None] * d
    h, w = p.shape
    x, y = np.clip(at[..., 0], 0, w - 1.001), np.clip(at[..., 1], 0, h - 1.001)
    i, j = x.astype(int), y.astype(int)
    a, b = x - i, y - j
    value = (p[j, i] * (1 - a) + p[j, i + 1] * a) * (1 - b) + (p[j + 1, i] * (1 - a) + p[j + 1, i + 1] * a) * b
    inside = value > 0.5
    last = inside.shape[0] - 1 - np.argmax(inside[::-1], axis=0)
    last = np.clip(last, 0, len(r) - 2)
    k = np.arange(RAYS)
    hi, lo = value[last, k], value[last + 1, k]
    t = np.clip((hi - 0.5) / np.maximum(hi - lo, 1e-6), 0, 1)
    out: FloatArray = centroid + ((r[last] + 0.5 * t)[:, None]) * d
    return out


def find_block(image: Image) -> BlockSighting:
    """The block in an upright BGR photo (h, w, 3). Raises RetakeNeeded (block-missing, block-cut-off)."""
    h, w = image.shape[:2]
    missing = RetakeNeeded(
        "block-missing",
        "No block was found in the photo: take it again with the whole block and the card in the frame.",
    )
    scale = SIZE / max(w, h)
    matrix = np.array([[scale, 0, (SIZE - scale * w) / 2], [0, scale, (SIZE - scale * h) / 2]])
    found = None
    for attempt in range(3):
        probability, face, presence = _look(image, matrix)
        blob = _blob(probability)
        if blob is None:
            raise missing
        mask, middle, size = blob
        scale = float(np.hypot(*matrix[0, :2]))
        centre = (middle - matrix[:, 2]) / scale
        fill = size / SIZE
        found = (probability, face, presence, mask, matrix, scale)
        if attempt and 0.45 <= fill <= 0.72:
            break
        if attempt == 2:
            break
        scale = FILL * SIZE / (size / scale)
        matrix = np.array([[scale, 0, SIZE / 2 - scale * centre[0]], [0, scale, SIZE / 2 - scale * centre[1]]])
    assert found is not None
    probability, face, presence, mask, matrix, scale = found
    ys, xs = np.nonzero(mask)
    centroid = np.array([xs.mean(), ys.mean()])
    cells = _crossings(np.where(mask | (probability < 0.5), probability, 0.0), centroid)

    def to_photo(c: FloatArray) -> FloatArray:
        out: FloatArray = (2 * c + 0.5 - matrix[:, 2]) / scale
        return out

    outline = to_photo(cells)
    cell_px = 2.0 / scale
    inside = (
        (outline[:, 0] > cell_px)
        & (outline[:, 1] > cell_px)
        & (outline[:, 0] < w - 1 - cell_px)
        & (outline[:, 1] < h - 1 - cell_px)
    )
    unit = face / np.maximum(np.hypot(face[0], face[1]), 1e-6)
    mean = np.array([unit[0][mask].mean(), unit[1][mask].mean()])
    agreement = float(np.hypot(*mean))
    if inside.mean() < 0.6:
        raise RetakeNeeded(
            "block-cut-off",
            "The block is cut off by the edge of the photo: step back until its whole outline is in the frame.",
        )
    extent = float(np.ptp(outline, axis=0).max())
    if extent < 110:
        raise RetakeNeeded(
            "block-too-small",
            f"The block is only {extent:.0f} pixels across: come closer, or send the photo in full size.",
        )
    return BlockSighting(
        outline[inside],
        max(0.35 * cell_px, 0.4),
        to_photo(centroid),
        mean / max(agreement, 1e-6),
        agreement,
        float(1 - inside.mean()),
        presence,
        extent,
    )
