"""The card's inner corners at full size, and whether they lie on a flat card.

All 24 are predicted from the markers' homography and fitted by laying the drawn card over the
photo (align.py), in a few rounds, each from the last one's homography and blur; also where the
marker beside a corner was not read. What does not look like the card there, or wandered off,
is dropped; what is left must be enough for a pose, in number and in both directions. The corners
must fit a flat card through a lens: homography plus one radial term, since a phone's k1 of up
to 0.1 is no bend; what does not is a bent card. Limits in mm are those of the large card,
whose squares are 20 mm, and go with the square.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from placecheck import vision
from placecheck.card.align import Alignment, align, scales_px_per_mm
from placecheck.card.board import CARD, Board
from placecheck.errors import RetakeNeeded

FloatArray = npt.NDArray[np.float64]

MIN_MATCH = 0.85
MIN_CORNERS = 6
FEWER = 3  # the first round at full size looks at each so many-th corner
MIN_SPREAD_MM = 8.0
"""Least standard deviation of the corners across their narrow direction: two full rows of three have 10 mm, a row
of five with one beside it 7.5 mm (no pose to speak of)."""
MAX_K1 = 0.15
BENT_PX, BENT_MM = 0.3, 0.1
"""Rms distance from flat that means bent, the greater of the two. Drawn flat cards stay below 0.04 px with k1 up to
+-0.1; ends that stand up by 1 mm give 0.11 mm, by 2 mm 0.22 mm in a view that leans 40 degrees (hardly anything from
straight above, where a bend does no harm either)."""


def size_of(board: Board) -> float:
    """How large the board is beside the scale card, 1 for that itself."""
    return board.square_mm / CARD.square_mm


def fit_corners(gray: vision.Image, homography: FloatArray, board: Board) -> tuple[Alignment, FloatArray]:
    """Corners at full size in a few rounds, each starting from the last one's homography and blur, the first on a few.

    The first round may be done at reduced size: the markers' corners are good to about a pixel of the size they
    were read at.
    """
    scale = (
        float(scales_px_per_mm(homography, board.middle_mm)[0]) * size_of(board)
        if np.all(np.isfinite(homography))
        else 0.0
    )
    sigma = 0.7
    if scale > 4:
        size = 2.5 / scale
        h, w = gray.shape
        small = vision.resize(gray, round(w * size), round(h * size))
        fx, fy = small.shape[1] / w, small.shape[0] / h
        to_small = np.array([[fx, 0, 0.5 * fx - 0.5], [0, fy, 0.5 * fy - 0.5], [0, 0, 1]])
        coarse, reduced = _round(small, to_small @ homography, sigma, board)
        if reduced is not None:
            homography = np.linalg.inv(to_small) @ reduced
            matched = coarse.match >= MIN_MATCH
            sigma = float(np.clip(np.median(coarse.blur_px[matched]) / fx, 0.3, 8))
    for every in (FEWER, 1, 1, 1):
        alignment, refined = _round(gray, homography, sigma, board, every)
        if refined is None:
            if every > 1:  # too many of those are covered
                continue
            return alignment, homography
        was, now = (vision.apply_homography(h, board.corners_mm) for h in (homography, refined))
        moved = now - was
        homography = refined
        blur = float(np.median(alignment.blur_px[alignment.match >= MIN_MATCH]))
        settled = float(np.abs(moved).max()) < 0.3 and abs(blur - sigma) < max(0.3, 0.2 * sigma)
        sigma = float(np.clip(blur, 0.1, 12))
        if settled and every == 1:
            break
    return alignment, homography


def _round(
    gray: vision.Image, homography: FloatArray, sigma: float, board: Board, every: int = 1
) -> tuple[Alignment, FloatArray | None]:
    alignment = align(gray, homography, sigma, board, every)
    good = np.flatnonzero(alignment.match >= MIN_MATCH)
    if not enough_corners(good, board, 4):
        return alignment, None
    refined = vision.find_homography(board.corners_mm[good], alignment.corners_px[good])
    if refined is None or len(good) >= MIN_CORNERS:
        return alignment, refined
    # four corners, three of them in a line, fit a homography that folds the rest of the card onto that line
    was, now = (scales_px_per_mm(h, board.corners_mm) for h in (homography, refined))
    return alignment, refined if bool(np.all((now > 0.5 * was) & (now < 2.0 * was))) else None


def good_corners(alignment: Alignment, homography: FloatArray, board: Board) -> npt.NDArray[np.int64]:
    """Ids of the corners that look like the card there and did not wander off by more than a quarter square."""
    near = np.linalg.norm(alignment.corners_px - vision.apply_homography(homography, board.corners_mm), axis=1)
    limit = 0.25 * board.square_mm * np.maximum(scales_px_per_mm(homography, board.corners_mm), 0.1)
    return np.flatnonzero((alignment.match >= MIN_MATCH) & (near < limit))


def enough_corners(ids: npt.NDArray[np.int64], board: Board, least: int = MIN_CORNERS) -> bool:
    """Whether these corners are enough for a pose: at least `least`, and spread in two directions."""
    if len(ids) < least:
        return False
    points = board.corners_mm[ids]
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[-1] / np.sqrt(len(ids))
    return bool(spread >= MIN_SPREAD_MM * size_of(board))


def flatness_residuals(corners_px: FloatArray, points_mm: FloatArray, shape: tuple[int, ...]) -> FloatArray:
    """Distances (N, 2) px of corners from a flat card seen through a lens with one radial term about the middle.

    The term is x_u = c + (x - c) (1 + kappa r^2) with kappa = -k1 / f^2, bounded by |k1| <= MAX_K1 at f = 0.75 of the
    long side (a 67 degree view, the widest ordinary phone camera); a golden-section search over kappa.
    """
    height, width = shape[:2]
    centre = np.array([(width - 1) / 2, (height - 1) / 2])
    offset = corners_px - centre
    r2 = np.sum(offset**2, axis=1, keepdims=True)
    bound = MAX_K1 / (0.75 * max(width, height)) ** 2

    def residuals(kappa: float) -> FloatArray:
        straight = centre + offset * (1 + kappa * r2)
        homography = vision.find_homography(points_mm, straight)
        if homography is None:
            return np.full_like(corners_px, np.inf)
        return straight - vision.apply_homography(homography, points_mm)

    low, high = -bound, bound
    ratio = (np.sqrt(5) - 1) / 2
    for _ in range(12):
        a, b = high - ratio * (high - low), low + ratio * (high - low)
        if np.sum(residuals(a) ** 2) < np.sum(residuals(b) ** 2):
            high = b
        else:
            low = a
    return residuals((low + high) / 2)


def flat_card(
    corners: FloatArray, points: FloatArray, u_px: FloatArray, shape: tuple[int, ...], board: Board
) -> tuple[npt.NDArray[np.int64], float]:
    """Indices of the corners that fit a flat card, and their rms; a few may be dropped, many mean a bent card."""
    kept = np.arange(len(corners))
    may_drop = len(corners) // 8
    scale = float(np.sqrt(np.abs(np.linalg.det(np.cov(corners.T)) / np.linalg.det(np.cov(points.T)))) ** 0.5)
    limit = max(BENT_PX, BENT_MM * size_of(board) * scale, 3 * float(np.median(u_px)))
    while True:
        away = np.linalg.norm(flatness_residuals(corners[kept], points[kept], shape), axis=1)
        rms = float(np.sqrt(np.mean(away**2)))
        worst = int(np.argmax(away))
        typical = float(np.median(away))
        if may_drop and away[worst] > max(4 * typical, 0.3):
            kept = np.delete(kept, worst)
            may_drop -= 1
            continue
        if rms > limit:
            raise RetakeNeeded(
                "card-bent",
                f"The {board.name} is not flat: glue it to stiff board, lay it {board.place} and retake.",
            )
        return kept, rms
