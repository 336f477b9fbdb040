"""Where and how the block stands, roughly: many drawn outlines tried on the photo at once.

The rough silhouette may be half of the truth (a dark cap on a dark table), but the block's
size is known from the tape and the camera's height from the card, so its outline is known
up to place, turn and a little in scale. Outlines of average blocks at a dozen turns and a
few heights are computed exactly once and then slid over the photo in steps of some
millimetres. Each is scored by how much the photo's colour changes across it, capped so that no
single strong edge decides, and by how well it parts the network's silhouette votes. The best
few, well apart from each other, are handed on: the edge search decides among them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck.block import AT, Frame, outline_px, unpack, unpack_many
from placecheck.find.edge import normals_of
from placecheck.vision import Image, affine_crop, gaussian_blur, sample

FloatArray = npt.NDArray[np.float64]

TURNS_DEG = tuple(range(0, 360, 30))
HEIGHTS_MM = (148.0, 165.0, 182.0)
RATIOS = (1.2, 1.34)
REACH_MM = 60.0
STEP_MM = 10.0
POINTS = 48


@dataclass(frozen=True)
class Standing:
    """One guess: all unknowns of the block fit, and its score."""

    theta: FloatArray
    score: float


def stand_candidates(
    image: Image,
    frame: Frame,
    theta: FloatArray,
    face_yaw_deg: float,
    votes: FloatArray,
    vote_grid: FloatArray,
    keep: int = 4,
) -> list[Standing]:
    """The most likely standings about the start `theta` (camera, card and place set), best first."""
    start = unpack(theta, frame)
    distance = float(np.linalg.norm(start.translation))
    mm_per_px = distance / start.f_px
    # a small picture of the neighbourhood, about 1 px a millimetre
    scale = min(1.0, mm_per_px * 1.0)
    middle = start.to_px(np.array([0.0, 0.0, 40.0]))
    half = 230.0 / mm_per_px * scale
    matrix = np.array([[scale, 0, half - scale * middle[0]], [0, scale, half - scale * middle[1]]])
    side = int(2 * half)
    x0, y0 = np.maximum(np.floor(middle - half / scale).astype(int), 0)
    x1, y1 = np.ceil(middle + half / scale).astype(int)
    part = image[y0 : min(y1, image.shape[0]), x0 : min(x1, image.shape[1])]
    softened = gaussian_blur(part, 0.6 / scale) if scale < 0.8 else part
    local = matrix.copy()
    local[:, 2] += matrix[:, :2] @ np.array([x0, y0])
    small = np.log(affine_crop(softened, local, side, side).astype(np.float32) + 12.0)
    grid = np.arange(-REACH_MM, REACH_MM + 1, STEP_MM) / mm_per_px * scale
    shifts = np.stack(np.meshgrid(grid, grid), -1).reshape(-1, 2)
    to_votes = vote_grid @ np.concatenate([_inverse(matrix), [[0, 0, 1]]])
    vote_picture = votes.astype(np.float32)
    guesses = np.repeat(theta[None], len(HEIGHTS_MM) * len(RATIOS) * len(TURNS_DEG), axis=0)
    height, ratio, turn = np.array(list(product(HEIGHTS_MM, RATIOS, TURNS_DEG))).T
    guesses[:, AT["block height"]] = height
    guesses[:, AT["log ratio"]] = np.log(ratio)
    guesses[:, AT["block yaw"]] = face_yaw_deg + turn
    rings = outline_px(unpack_many(guesses, frame), POINTS) @ matrix[:, :2].T + matrix[:, 2]
    found: list[tuple[float, FloatArray]] = []
    for guess, ring, mm in zip(guesses, rings, _mm_per_px(frame, guesses), strict=True):
        n = normals_of(ring) * (3.0 / mm_per_px * scale)
        across = ring + np.array([-1.0, 1.0, 1.3, 6.0])[:, None, None] * n
        inside, outside, near, far = _slid(small, across, shifts)
        edge, other = _change(inside - outside), _change(near - far)
        centre = ring.mean(0)
        sizes = centre + np.array([0.55, 0.88, 1.14, 1.3])[:, None, None] * (ring - centre)
        cells = sizes @ to_votes[:, :2].T + to_votes[:, 2]
        share = _slid(vote_picture, cells, shifts @ to_votes[:, :2].T).mean(2)
        vote = 0.5 * (share[0] + share[1]) - 0.5 * (share[2] + share[3])
        score = edge + 0.8 * vote - 0.7 * other
        for i in np.argsort(-score)[:3]:
            moved = guess.copy()
            moved[AT["block x"] : AT["block y"] + 1] += mm @ shifts[i] / scale
            found.append((float(score[i]), moved))
    found.sort(key=lambda item: -item[0])
    out: list[Standing] = []
    for score_, guess in found:
        apart = all(
            np.hypot(*(guess[10:12] - other.theta[10:12])) > 16
            or abs((guess[12] - other.theta[12] + 90) % 180 - 90) > 25
            for other in out
        )
        if apart:
            out.append(Standing(guess, score_))
        if len(out) == keep:
            break
    return out


def _change(difference: FloatArray) -> FloatArray:
    """Mean size (S,) of a difference of colours (S, P, 3), no single one counting more than a clear edge."""
    out: FloatArray = np.minimum(np.sqrt(np.einsum("...i,...i", difference, difference)), 0.35).mean(1) / 0.35
    return out


def _slid(picture: Any, rings: FloatArray, shifts: FloatArray) -> FloatArray:
    """What `picture` (h, w[, 3]) shows along rings (K, P, 2) moved by shifts (S, 2): (K, S, P[, 3])."""
    x, y = (rings[:, None, :, i].astype(np.float32) + shifts[:, None, i].astype(np.float32) for i in range(2))
    seen: FloatArray = sample(picture, x.reshape(-1, x.shape[-1]), y.reshape(-1, x.shape[-1]))
    return seen.reshape(*x.shape, *picture.shape[2:])


def _inverse(matrix: FloatArray) -> FloatArray:
    a = np.linalg.inv(matrix[:, :2])
    return np.concatenate([a, -(a @ matrix[:, 2])[:, None]], axis=1)


def _mm_per_px(frame: Frame, guesses: FloatArray) -> FloatArray:
    """How far (B, 2, 2) each block of `guesses` (B, n) moves on the table when its picture moves by a pixel."""
    origin = np.zeros((1, 3))
    at = []
    for name in ("", "block x", "block y"):
        moved = guesses.copy()
        if name:
            moved[:, AT[name]] += 1.0
        at.append(unpack_many(moved, frame).to_px(origin)[:, 0])
    return np.linalg.inv(np.stack([at[1] - at[0], at[2] - at[0]], -1))
