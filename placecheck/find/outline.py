"""Finding the block: where it stands in the photo, its rough outline, and which way the face is.

The card tells how many photo pixels a millimetre has on the table, and so, within a tenth,
how large a block is in the photo. At that scale the network looks at the whole photo once
(with the card painted over by its surroundings) and the place where silhouette and size
agree best is taken; then it looks closer at that place, twice, the second time both ways up,
since the mean of the two is steadier than one look (of four turned copies it was no better).
Rays from the silhouette's middle meet its half-probability line once each, because a block is
convex seen from above: those crossings are the rough outline, a start for the edge search in
the photo itself (edge.py). The face's direction is the mean of a unit vector field over the
silhouette; its resultant length says how much the picture agrees with itself (directional
statistics, Mardia & Jupp).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.errors import RetakeNeeded
from placecheck.find.network import run, sigmoid
from placecheck.vision import Image, affine_crop, fill_polygon_from_around, gaussian_blur, largest_blob, resize

FloatArray = npt.NDArray[np.float64]

SIZE = 384
PX_PER_MM = 1.07
CROWN_OVER_TABLE = 1.42  # px per mm at the crown over that at the card, for a phone held 0.4 to 0.8 m above
RAYS = 144
OUTLINE_U_MM = 2.0
TOO_LARGE, STAND_BACK = 0.8, 0.55
"""Share of the window that a silhouette may fill, and by how much a second look is farther away where it fills more."""
LEAST_BELIEF = 0.4  # 99 generated scenes with a block had 0.79 or more


@dataclass(frozen=True)
class BlockSighting:
    """Rough outline pixels (N, 2), their uncertainty across the outline in px, centroid (2,), face direction (2,) unit.

    `agreement` is the resultant length of the face direction, 1 when every part of the picture agrees; `presence`
    the network's belief in a block; `size_px` the outline's extent. `votes` (h, w) is the silhouette's probability,
    `vote_grid` (2, 3) takes photo pixels to its cells.
    """

    outline_px: FloatArray
    u_px: float
    centroid_px: FloatArray
    face_px: FloatArray
    agreement: float
    presence: float
    size_px: float
    votes: FloatArray
    vote_grid: FloatArray


def _steady(picture: Image, both: bool) -> tuple[FloatArray, FloatArray]:
    """Silhouette probability (h/2, w/2) and face field (2, ., .), where asked the mean of both ways up."""
    total = np.zeros((picture.shape[0] // 2, picture.shape[1] // 2))
    face = np.zeros((2, *total.shape))
    for sign in (1, -1) if both else (1,):
        maps, _ = run("block", np.ascontiguousarray(picture[::sign, ::sign]))
        p, field = sigmoid(maps[0])[::sign, ::sign], sign * maps[1:3, ::sign, ::sign]
        total += p
        face += field / (np.sqrt((field**2).sum(0)) + 1e-6)
    looks = 2 if both else 1
    return total / looks, face / looks


def _where(small: Image, card_px: FloatArray, scale: float) -> tuple[FloatArray, float]:
    """The most block-like place (2,) in the photo, of which `small` is the copy at `scale`, and the belief there."""
    middle = card_px.mean(0)
    small = fill_polygon_from_around(small, (middle + (card_px - middle) * 1.08) * scale)
    sh, sw = small.shape[:2]
    padded = np.pad(small, ((0, -sh % 64), (0, -sw % 64), (0, 0)), mode="reflect")
    maps, _ = run("block", padded)
    p = sigmoid(maps[0])[: sh // 2, : sw // 2]
    blurred = gaussian_blur(p * p, 35.0 * PX_PER_MM / 2)
    y, x = np.unravel_index(int(np.argmax(blurred)), blurred.shape)
    return (np.array([2 * x + 0.5, 2 * y + 0.5]) + 0.5) / scale - 0.5, float(blurred[y, x])


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


def find_block(image: Image, card_px: FloatArray, card_px_per_mm: float) -> BlockSighting:
    """The block in an upright BGR photo (h, w, 3) whose card lies at `card_px` (4, 2).

    Raises RetakeNeeded (block-missing, block-cut-off, block-too-small).
    """
    h, w = image.shape[:2]
    missing = RetakeNeeded(
        "block-missing",
        "No block was found in the photo: take it again with the whole block and the card in the frame.",
    )
    scale = PX_PER_MM / (card_px_per_mm * CROWN_OVER_TABLE)
    small = resize(image, max(64, round(w * scale)), max(64, round(h * scale)))
    centre, belief = _where(small, card_px, scale)
    if belief < LEAST_BELIEF:
        raise missing
    shrunk = small if scale < 0.7 else image
    sx = shrunk.shape[1] / w

    def look(
        centre: FloatArray, scale: float, both: bool = False
    ) -> tuple[npt.NDArray[np.bool_], FloatArray, FloatArray, FloatArray]:
        """Silhouette, its probability, face field and the window's matrix, about `centre` at `scale`."""
        local = scale / sx
        at = (centre + 0.5) * sx - 0.5
        matrix = np.array([[local, 0, SIZE / 2 - local * at[0]], [0, local, SIZE / 2 - local * at[1]]])
        probability, face = _steady(affine_crop(shrunk, matrix, SIZE, SIZE), both)
        mask = largest_blob(probability > 0.5)
        if mask is None or mask.sum() < 900:
            raise missing
        return mask, probability, face, matrix

    def middle_of(mask: npt.NDArray[np.bool_], matrix: FloatArray) -> FloatArray:
        """The middle of the silhouette's box, photo px."""
        ys, xs = np.nonzero(mask)
        middle = np.array([xs.min() + xs.max(), ys.min() + ys.max()]) + 0.5
        out: FloatArray = ((middle - matrix[:, 2]) / matrix[0, 0] + 0.5) / sx - 0.5
        return out

    mask, probability, face, matrix = look(centre, scale)
    centre = middle_of(mask, matrix)
    if 2 * max(np.ptp(at) for at in np.nonzero(mask)) > TOO_LARGE * SIZE:
        # the phone is nearer to the block than the card tells: stand back, and look once more
        scale *= STAND_BACK
        mask, probability, face, matrix = look(centre, scale)
        centre = middle_of(mask, matrix)
    mask, probability, face, matrix = look(centre, scale, both=True)
    # photo px -> crop px -> cells
    full = matrix @ np.array([[sx, 0, 0.5 * sx - 0.5], [0, sx, 0.5 * sx - 0.5], [0, 0, 1]])
    vote_grid = full * 0.5 - np.array([[0, 0, 0.25], [0, 0, 0.25]])
    zoom = float(full[0, 0])
    ys, xs = np.nonzero(mask)
    cells = _crossings(np.where(mask | (probability < 0.5), probability, 0.0), np.array([xs.mean(), ys.mean()]))

    def to_photo(c: FloatArray) -> FloatArray:
        out: FloatArray = (2 * c + 0.5 - full[:, 2]) / zoom
        return out

    outline = to_photo(cells)
    extent = float(np.ptp(outline, axis=0).max())
    inside = (outline > 1).all(-1) & (outline[:, 0] < w - 2) & (outline[:, 1] < h - 2)
    if inside.mean() < 0.7:
        raise RetakeNeeded(
            "block-cut-off",
            "The block is cut off by the edge of the photo: step back until its whole outline is in the frame.",
        )
    if extent < 90:
        raise RetakeNeeded(
            "block-too-small",
            f"The block is only {extent:.0f} pixels across: come closer, or send the photo in full size.",
        )
    mean = face[:, mask].mean(1)
    agreement = float(np.hypot(*mean))
    return BlockSighting(
        outline[inside],
        OUTLINE_U_MM * card_px_per_mm * CROWN_OVER_TABLE,
        to_photo(np.array([xs.mean(), ys.mean()])),
        mean / max(agreement, 1e-6),
        agreement,
        belief,
        extent,
        probability,
        vote_grid,
    )
