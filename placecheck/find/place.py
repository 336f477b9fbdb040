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

import numpy as np
import numpy.typing as npt

from placecheck.block import AT, Frame, outline_px, unpack
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
    found: list[tuple[float, FloatArray]] = []
    for height in HEIGHTS_MM:
        for ratio in RATIOS:
            for turn in TURNS_DEG:
                guess = theta.copy()
                guess[AT["block height"]] = height
                guess[AT["log ratio"]] = np.log(ratio)
                guess[AT["block yaw"]] = face_yaw_deg + turn
                ring = outline_px(unpack(guess, frame), POINTS, 14) @ matrix[:, :2].T + matrix[:, 2]
                n = normals_of(ring) * (3.0 / mm_per_px * scale)
                at = ring[None] + shifts[:, None]
                change = np.zeros(at.shape[:2])
                for k in range(3):
                    a = sample(small[..., k], (at - n)[..., 0], (at - n)[..., 1])
                    b = sample(small[..., k], (at + n)[..., 0], (at + n)[..., 1])
                    change += (a - b) ** 2
                edge = np.minimum(np.sqrt(change), 0.35).mean(1) / 0.35
                centre = ring.mean(0)
                share = []
                for size in (0.55, 0.88, 1.14, 1.3):
                    p = ((centre + size * (ring - centre))[None] + shifts[:, None]) @ to_votes[:, :2].T + to_votes[:, 2]
                    share.append(sample(vote_picture, p[..., 0], p[..., 1]).mean(1))
                vote = 0.5 * (share[0] + share[1]) - 0.5 * (share[2] + share[3])
                other = np.zeros(at.shape[:2])
                for k in range(3):
                    a = sample(small[..., k], (at + 1.3 * n)[..., 0], (at + 1.3 * n)[..., 1])
                    b = sample(small[..., k], (at + 6.0 * n)[..., 0], (at + 6.0 * n)[..., 1])
                    other += (a - b) ** 2
                score = edge + 0.8 * vote - 0.7 * (np.minimum(np.sqrt(other), 0.35).mean(1) / 0.35)
                best = np.argsort(-score)[:3]
                for i in best:
                    moved = guess.copy()
                    moved[AT["block x"] : AT["block y"] + 1] += _on_table(frame, guess, shifts[i] / scale)
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


def _inverse(matrix: FloatArray) -> FloatArray:
    a = np.linalg.inv(matrix[:, :2])
    return np.concatenate([a, -(a @ matrix[:, 2])[:, None]], axis=1)


def _on_table(frame: Frame, guess: FloatArray, shift_px: FloatArray) -> FloatArray:
    """How far the block moves on the table (2,) when its picture moves by `shift_px` (2,)."""
    base = unpack(guess, frame)
    p0 = base.to_px(np.array([0.0, 0.0, 0.0]))
    jac = np.empty((2, 2))
    for j in range(2):
        moved = guess.copy()
        moved[AT["block x"] + j] += 1.0
        jac[:, j] = unpack(moved, frame).to_px(np.array([0.0, 0.0, 0.0])) - p0
    return np.asarray(np.linalg.solve(jac, shift_px), float)
