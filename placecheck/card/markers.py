"""The card's markers in a photo, coarse to fine, and the largest set of them that belongs together.

ArUco markers are read at reduced size, then full size, then enlarged, until enough of them are
seen. Where too bright a paper has flooded their dark modules, the largest places of pure white are
looked at again, enlarged and with what is bright shrunk. Of what was read, pairs of markers vote
for a homography of the board, and the largest set that one homography explains is the card: a
misread marker or a second card never enters it by averaging. Corners come in pixels of the
photo, pixel centres at integers, good to about a pixel of the size they were read at; corners.py
makes them better. Ids count from the board's first.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import numpy.typing as npt

from placecheck import vision
from placecheck.card.board import CARD, Board

FloatArray = npt.NDArray[np.float64]

COARSE_LONG_SIDE_PX = 2100
MIN_PERIMETER_PX = 24
"""Smallest marker perimeter looked for, in pixels of the reduced photo: markers of 6 px; decoding gives up first."""
ENOUGH_MARKERS = 6
FEW_MARKERS = 3
"""With fewer than these, paper that is white beyond the picture's range may have flooded the markers."""
FLOODED_LEVEL, FLOODED_PLACES, FLOODED_LEAST_PX = 250, 3, 60
FLOODED_LOOKS = ((2.0, 3), (3.0, 5), (3.0, 7))
"""How much such a place is enlarged, and by how many pixels then shrunk."""


def read_markers(
    gray: vision.Image, board: Board = CARD, dictionary: str | None = None, enough: int = ENOUGH_MARKERS
) -> vision.Markers:
    """The board's markers, ids counted from its first, at the first size that shows enough of them.

    Where one is read twice there may be two cards, of which the next size shows more. With a `dictionary`: all of that
    one's markers instead, whatever their ids.
    """
    sizes = looked_at(gray)
    if dictionary is not None:
        sizes = sizes[:1]
    best = vision.Markers(np.zeros((0, 4, 2)), np.zeros(0, np.int64))
    for size in sizes:
        found = _markers_at(gray, size, dictionary or board.dictionary)
        if dictionary is None:
            found = _ours(found, board)
        if len(found.ids) > len(best.ids):
            best = found
        if len(best.ids) >= enough and len(set(best.ids.tolist())) == len(best.ids):
            break
    if dictionary is None and len(best.ids) < FEW_MARKERS:
        flooded = _flooded_markers(gray, board)
        best = flooded if len(flooded.ids) > len(best.ids) else best
    return best


def looked_at(gray: vision.Image) -> list[float]:
    """The sizes at which a grey photo (h, w) is looked at for a card, coarse to fine; 1 is its own."""
    long_side = max(gray.shape)
    if long_side <= 1.2 * COARSE_LONG_SIDE_PX:
        return [1.0, 2.0]
    part = round(long_side / COARSE_LONG_SIDE_PX)  # a half, a third: to halve a picture takes next to no time
    return [1.0 / part if part > 1 else COARSE_LONG_SIDE_PX / long_side, 1.0]


def _markers_at(gray: vision.Image, size: float, dictionary: str, shrink_px: int = 0) -> vision.Markers:
    """Markers of a dictionary in the picture at `size`, in its own pixels; what is bright shrunk by `shrink_px`."""
    height, width = gray.shape
    w, h = round(width * size), round(height * size)
    scaled = gray if size == 1.0 else vision.resize(gray, w, h)
    scaled = vision.least_around(scaled, shrink_px) if shrink_px else scaled
    found = vision.detect_markers(scaled, dictionary, MIN_PERIMETER_PX / max(w, h))
    return vision.Markers((found.corners_px + 0.5) * np.array([width / w, height / h]) - 0.5, found.ids)


def _ours(found: vision.Markers, board: Board) -> vision.Markers:
    """Those of this board, their ids counted from its first."""
    rows = found.ids - board.first_id
    ours = (rows >= 0) & (rows < board.n_markers)
    return vision.Markers(found.corners_px[ours], rows[ours])


def _flooded_markers(gray: vision.Image, board: Board) -> vision.Markers:
    """The board's markers where bright paper floods their dark modules.

    They are looked for in the largest places of pure white, enlarged, with what is bright shrunk.
    """
    best = vision.Markers(np.zeros((0, 4, 2)), np.zeros(0, np.int64))
    for x0, y0, x1, y1 in vision.boxes_of(gray >= FLOODED_LEVEL)[:FLOODED_PLACES]:
        if min(x1 - x0, y1 - y0) < FLOODED_LEAST_PX or max(x1 - x0, y1 - y0) > COARSE_LONG_SIDE_PX:
            continue
        left, top = max(0, x0 - 8), max(0, y0 - 8)
        part = gray[top : y1 + 8, left : x1 + 8]
        for size, shrink_px in FLOODED_LOOKS:
            found = _ours(_markers_at(part, size, board.dictionary, shrink_px), board)
            if len(found.ids) > len(best.ids):
                best = vision.Markers(found.corners_px + np.array([left, top]), found.ids)
            if len(best.ids) >= FEW_MARKERS:
                return best
    return best


def _agreement(homography: FloatArray, seen: vision.Markers, board: Board) -> npt.NDArray[np.bool_]:
    """Which markers lie where the homography (mm -> px) says, each corner within 0.3 of the marker's side."""
    with np.errstate(all="ignore"):
        expected = vision.apply_homography(homography, board.markers_mm[seen.ids])
        away = np.linalg.norm(expected - seen.corners_px, axis=2).max(axis=1)
    return np.asarray(np.isfinite(away) & (away < 0.3 * sides(seen.corners_px)))


def sides(corners_px: FloatArray) -> FloatArray:
    """Mean side of each marker, px."""
    return np.asarray(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=1), axis=2).mean(axis=1))


def largest_agreeing(seen: vision.Markers, board: Board) -> npt.NDArray[np.int64]:
    """Indices of the largest set of markers that one homography of this board explains; empty if none was read."""
    n = len(seen.ids)
    if n <= 1:
        return np.arange(n)
    pairs = [p for p in combinations(range(n), 2) if seen.ids[p[0]] != seen.ids[p[1]]]
    best = np.array([int(np.argmax(sides(seen.corners_px)))])
    for pair in pairs[:: max(1, len(pairs) // 200)]:
        index = np.array(pair)
        homography = marker_homography(seen, index, board)
        for _ in range(2):
            agreeing = np.flatnonzero(_agreement(homography, seen, board))
            if len(agreeing) < 2:
                break
            homography = marker_homography(seen, agreeing, board)
        if len(agreeing) > len(best):
            best = agreeing
        if len(best) == n:
            break
    return best


def marker_homography(seen: vision.Markers, index: npt.NDArray[np.int64], board: Board) -> FloatArray:
    """The homography (3, 3), mm to px, of the markers at `index` (N,), by all corners; NaN where there is none."""
    points = board.markers_mm[seen.ids[index]].reshape(-1, 2)
    homography = vision.find_homography(points, seen.corners_px[index].reshape(-1, 2))
    return np.full((3, 3), np.nan) if homography is None else homography
