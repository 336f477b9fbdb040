"""Finding the block: where it stands in the photo, its rough outline, and which way the face is.

The card tells how many photo pixels a millimetre has on the table, and so, within a tenth,
how large a block is in the photo. At half of that scale one network looks at the whole photo,
and the place where silhouette and size agree best is taken; a window about it is looked at by
another, upright and upside down, since the mean of the two is steadier than one look.
Rays from the silhouette's middle meet its half-probability line once each, because a block is
convex seen from above: those crossings are the rough outline, a start for the edge search in
the photo itself (edge.py). The face's direction is the mean of a unit vector field over the
silhouette; its resultant length says how much the picture agrees with itself (directional
statistics, Mardia & Jupp).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.colours import Colours
from placecheck.errors import RetakeNeeded
from placecheck.find.network import run, sigmoid
from placecheck.vision import Image, gaussian_blur, largest_blob, resize

FloatArray = npt.NDArray[np.float64]

SIZE = 384
PX_PER_MM = 1.07
CROWN_OVER_TABLE = 1.42  # px per mm at the crown over that at the card, for a phone held 0.4 to 0.8 m above
FAR = 0.5  # of the window's scale, at which its place is looked for
STRIDE = 64  # the networks take pictures of a multiple of this
ROUGH = 2  # cells to a side of those in which the block's place is looked for
LEAST_CELLS = 900  # of a silhouette in the window
RAYS = 144
OUTLINE_U_MM = 2.0
TOO_LARGE, STAND_BACK = 0.8, 0.55
"""Share of the window that a silhouette may fill, and by how much a second look is farther away where it fills more."""
LEAST_BELIEF = 0.6  # 434 scenes with a block had 0.75 or more; of 227 other things taken for one 7 % had less


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
    """Of a picture (h, w): the silhouette's probability (h/2, w/2), and the face's direction (2, h/2, w/2)."""

    probability: FloatArray
    face: FloatArray


def _look(picture: Image, upside_down: bool) -> Look:
    """One look at a picture (h, w, 3) of a size the network takes; `upside_down` it is turned by 180 degrees."""
    sign = -1 if upside_down else 1
    maps, _ = run("block", np.ascontiguousarray(picture[::sign, ::sign]))
    field = sign * maps[1:3, ::sign, ::sign]
    face = field / (np.sqrt((field**2).sum(0)) + 1e-6)
    return Look(sigmoid(maps[0])[::sign, ::sign].astype(float), face)


def _silhouette(name: str, photo: Image) -> FloatArray:
    """The silhouette's probability (h/2, w/2) in a whole photo (h, w, 3), by one of the two networks."""
    h, w = photo.shape[:2]
    padded = np.pad(photo, ((0, -h % STRIDE), (0, -w % STRIDE), (0, 0)), mode="reflect")
    return sigmoid(run(name, padded)[0][0])[: h // 2, : w // 2].astype(float)


def _largest(probability: FloatArray, least: float) -> npt.NDArray[np.bool_] | None:
    """The largest part of a silhouette, None where it has fewer than `least` cells."""
    mask = largest_blob(probability > 0.5)
    return mask if mask is not None and mask.sum() >= least else None


def _window(picture: Any, x: int, y: int, size: int, outside: int = 0) -> Any:
    """What lies in [y, y + size) x [x, x + size) of a picture or of values (h, w, ...), `outside` beyond its edges."""
    h, w = picture.shape[:2]
    out = np.full((size, size, *picture.shape[2:]), outside, picture.dtype)
    there = np.s_[max(y, 0) : min(y + size, h), max(x, 0) : min(x + size, w)]
    out[max(-y, 0) : min(h - y, size), max(-x, 0) : min(w - x, size)] = picture[there]
    return out


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


def _window_about_block(
    image: Image, scale: float, name: str, share: float
) -> tuple[npt.NDArray[np.int_], int, float] | None:
    """A square window with the block in its middle, first pixel (column, row) and size, and the belief in a block.

    At `scale` times the photo's size (h, w, 3), or less, the window has SIZE pixels to a side; the network `name` looks
    at `share` of that size. None where no block is seen.
    """
    h, w = image.shape[:2]
    rough_cells = round(ROUGH * share / FAR)
    for stand_back in (1.0, STAND_BACK):
        scale *= stand_back
        far = resize(image, max(32, round(w * scale * share)), max(32, round(h * scale * share)))
        silhouette = _silhouette(name, far)
        rough = [max(1, n // rough_cells) for n in silhouette.shape]
        blocklike = gaussian_blur(resize(silhouette**2, rough[1], rough[0]), 35.0 * share * PX_PER_MM / 2 / rough_cells)
        y, x = rough_cells * np.array(np.unravel_index(int(np.argmax(blocklike)), blocklike.shape)) + rough_cells // 2
        size = round(share * SIZE / 2)
        corner = np.array([x, y]) - size // 2
        mask = _largest(_window(silhouette, int(corner[0]), int(corner[1]), size), LEAST_CELLS * share**2)
        if mask is None or float(blocklike.max()) < LEAST_BELIEF:
            return None
        ys, xs = np.nonzero(mask)
        # the phone may be nearer to the block than the card tells
        if 2 * max(np.ptp(ys), np.ptp(xs)) <= TOO_LARGE * SIZE * share:
            break
    middle = (corner + np.array([xs.min() + xs.max() + 1, ys.min() + ys.max() + 1]) / 2) * 2  # in pixels of `far`
    side = round(SIZE / scale)
    first = np.round(middle * np.array([w / far.shape[1], h / far.shape[0]]) - side / 2).astype(int)
    return first, side, float(blocklike.max())


def find_block(colours: Colours, card_px_per_mm: float) -> BlockSighting:
    """The block in an upright photo whose card has `card_px_per_mm`.

    Raises RetakeNeeded (block-missing, block-cut-off, block-too-small).
    """
    image = colours.pixels
    missing = RetakeNeeded(
        "block-missing",
        "No block was found in the photo: take it again with the whole block and the card in the frame.",
    )
    scale = PX_PER_MM / (card_px_per_mm / colours.shrink * CROWN_OVER_TABLE)
    # the slower network is asked where the quick one sees nothing
    found = _window_about_block(image, scale, "place", FAR) or _window_about_block(image, scale, "block", 1.0)
    if found is None:
        raise missing
    first, side, belief = found
    window = resize(_window(image, first[0], first[1], side, outside=128), SIZE, SIZE)
    looks = [_look(window, upside_down) for upside_down in (False, True)]
    probability = np.mean([look.probability for look in looks], axis=0)
    face = np.mean([look.face for look in looks], axis=0)
    mask = _largest(probability, LEAST_CELLS)
    if mask is None:
        raise missing
    h, w = colours.photo_shape
    half = SIZE / (2.0 * side * colours.shrink)  # cells of the window in a photo pixel
    offset = half / 2 - 0.5 - first * half * colours.shrink  # photo px -> cells
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
    mean = face[:, mask].mean(1)
    agreement = float(np.hypot(*mean))
    return BlockSighting(
        outline_px=outline[inside],
        u_px=OUTLINE_U_MM * card_px_per_mm * CROWN_OVER_TABLE,
        centroid_px=to_photo(np.array([xs.mean(), ys.mean()])),
        face_px=mean / max(agreement, 1e-6),
        agreement=agreement,
        presence=belief,
        size_px=extent,
        votes=probability,
        vote_grid=np.column_stack([half * np.eye(2), offset]),
    )
