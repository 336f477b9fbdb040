"""Finding the block: where it stands in the photo, its rough outline, and which way the face is.

The card tells how many photo pixels a millimetre has on the table, and so, within a tenth,
how large a block is in the photo. At that scale the network looks at the whole photo
(with the card painted over by its surroundings) and the place where silhouette and size
agree best is taken; a window about it is looked at upside down, since the mean of the two is
steadier than one look (of four turned copies it was no better, and a third look nearer by no better).
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
ROUGH = 4  # cells to a side of those in which the block's place is looked for
RAYS = 144
OUTLINE_U_MM = 2.0
TOO_LARGE, STAND_BACK = 0.8, 0.55
"""Share of the window that a silhouette may fill, and by how much a second look is farther away where it fills more."""
LEAST_BELIEF = 0.4  # 374 generated scenes with a block had 0.75 or more


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


@dataclass(frozen=True)
class Look:
    """Of a picture (h, w): the silhouette's probability (h/2, w/2), and the face's direction (2, h/2, w/2).

    `weight` (h/2, w/2) is what the look is worth in a mean: 0 where the picture was painted over.
    """

    probability: FloatArray
    face: FloatArray
    weight: FloatArray

    def window(self, x: int, y: int, size: int) -> Look:
        """The cells [y, y + size) x [x, x + size); no silhouette outside what was looked at."""
        h, w = self.probability.shape
        out = Look(np.zeros((size, size)), np.zeros((2, size, size)), np.ones((size, size)))
        there = np.s_[max(y, 0) : min(y + size, h), max(x, 0) : min(x + size, w)]
        here = np.s_[max(-y, 0) : min(h - y, size), max(-x, 0) : min(w - x, size)]
        for whole, part in zip(
            (self.probability, self.face, self.weight), (out.probability, out.face, out.weight), strict=True
        ):
            part[..., *here] = whole[..., *there]
        return out


def _look(picture: Image, upside_down: bool = False) -> Look:
    """One look at a picture (h, w, 3), h and w multiples of 64; `upside_down` it is turned by 180 degrees for that."""
    sign = -1 if upside_down else 1
    maps, _ = run("block", np.ascontiguousarray(picture[::sign, ::sign]))
    field = sign * maps[1:3, ::sign, ::sign]
    face = field / (np.sqrt((field**2).sum(0)) + 1e-6)
    return Look(sigmoid(maps[0])[::sign, ::sign].astype(float), face, np.ones(face.shape[1:]))


def _mean(a: Look, b: Look) -> Look:
    weight = a.weight + b.weight
    share = a.weight / weight
    return Look(share * a.probability + (1 - share) * b.probability, share * a.face + (1 - share) * b.face, weight)


def _look_at_all(small: Image, card_px: FloatArray) -> Look:
    """A look at the whole photo, of which `small` is a copy with the card at `card_px`, painted over."""
    middle = card_px.mean(0)
    painted = fill_polygon_from_around(small, middle + (card_px - middle) * 1.08)
    h, w = small.shape[:2]
    seen = _look(np.pad(painted, ((0, -h % 64), (0, -w % 64), (0, 0)), mode="reflect"))
    # a block may stand before the card: that part of it is not seen here
    kept = (painted == small).all(-1)[: 2 * (h // 2) : 2, : 2 * (w // 2) : 2].astype(float)
    return Look(seen.probability[: h // 2, : w // 2], seen.face[:, : h // 2, : w // 2], kept)


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

    def blob(look: Look) -> npt.NDArray[np.bool_]:
        mask = largest_blob(look.probability > 0.5)
        if mask is None or mask.sum() < 900:
            raise missing
        return mask

    def window_about(cell: FloatArray) -> tuple[int, int]:
        """The first cell (column, row) of the window that has `cell` in its middle."""
        x, y = np.round(cell - SIZE / 4).astype(int)
        return int(x), int(y)

    scale = PX_PER_MM / (card_px_per_mm * CROWN_OVER_TABLE)
    for stand_back in (1.0, STAND_BACK):
        scale *= stand_back
        small = resize(image, max(64, round(w * scale)), max(64, round(h * scale)))
        shrunk = np.array([small.shape[1] / w, small.shape[0] / h])
        whole = _look_at_all(small, (card_px + 0.5) * shrunk - 0.5)
        rough = [max(1, n // ROUGH) for n in whole.probability.shape]
        blocklike = gaussian_blur(resize(whole.probability**2, rough[1], rough[0]), 35.0 * PX_PER_MM / 2 / ROUGH)
        y, x = ROUGH * np.array(np.unravel_index(int(np.argmax(blocklike)), blocklike.shape)) + ROUGH // 2
        belief = float(blocklike.max())
        if belief < LEAST_BELIEF:
            raise missing
        corner = window_about(np.array([x, y]))
        ys, xs = np.nonzero(blob(whole.window(*corner, SIZE // 2)))
        # the phone may be nearer to the block than the card tells
        if 2 * max(np.ptp(ys), np.ptp(xs)) <= TOO_LARGE * SIZE:
            break
    corner = window_about(corner + np.array([xs.min() + xs.max(), ys.min() + ys.max()]) / 2)
    window = affine_crop(small, np.array([[1.0, 0, -2 * corner[0]], [0, 1, -2 * corner[1]]]), SIZE, SIZE)
    look = _mean(whole.window(*corner, SIZE // 2), _look(window, upside_down=True))
    mask, probability = blob(look), look.probability
    half, offset = shrunk / 2, shrunk / 4 - 0.5 - corner  # photo px -> cells of the window
    ys, xs = np.nonzero(mask)
    cells = _crossings(np.where(mask | (probability < 0.5), probability, 0.0), np.array([xs.mean(), ys.mean()]))

    def to_photo(cells: FloatArray) -> FloatArray:
        out: FloatArray = (cells - offset) / half
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
    mean = look.face[:, mask].mean(1)
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
        np.column_stack([np.diag(half), offset]),
    )
