"""The card by its squares, where its markers are too small or too flooded with light to be read.

A marker's modules are a tenth of a square wide, so a chessboard's inner corners are still seen where
no marker is. OpenCV finds them all or none (Duda and Frese 2018, "Accurate Detection and Localization
of Checkerboard Corners for Calibration"), but not which way round the board lies: a half turn of it
has the same squares. That is told by its markers all together: the drawn card is laid over the photo
either way round and correlated with it where markers are, each about its own mean. The right way must
agree well and far better than any other, so a plain chessboard, a chequered cloth, another card or a
mirrored photo is not taken for the card. Corners to about a pixel come from here, corners.py makes
them better.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from placecheck import vision
from placecheck.card.board import Board
from placecheck.card.markers import looked_at

FloatArray = npt.NDArray[np.float64]

MOST_LONG_SIDE_PX = 3000  # a picture without a card takes up to a second there, and time grows with the area
MODULES = 7  # a marker of DICT_5X5 with its border
LEAST_AGREEMENT, LEAST_LEAD = 0.22, 0.30
"""Of the correlation, and of how far it is before that of any other way round. Of 77 drawn cards whose markers could
not be read the right way had 0.15 to 0.85, the other -0.23 to 0.21: dark borders are common to all markers."""


def homography_by_squares(gray: vision.Image, board: Board) -> FloatArray | None:
    """The homography (3, 3), mm to px, of a board all of whose inner corners are in sight; None where it is not."""
    columns, rows = board.columns - 1, board.rows - 1
    height, width = gray.shape
    for size in looked_at(gray):
        if size * max(gray.shape) > MOST_LONG_SIDE_PX:
            continue
        w, h = round(width * size), round(height * size)
        seen = vision.chessboard_corners(vision.resize(gray, w, h), columns, rows)
        if seen is None:
            continue
        grid = ((seen + 0.5) * np.array([width / w, height / h]) - 0.5).reshape(rows, columns, 2)
        ways = [vision.find_homography(board.corners_mm, way.reshape(-1, 2)) for way in _ways_round(grid)]
        known = [way for way in ways if way is not None]
        agreement = np.array([_agreement(gray, way, board) for way in known])
        order = np.argsort(-agreement)
        if len(order) > 1 and agreement[order[0]] > max(LEAST_AGREEMENT, agreement[order[1]] + LEAST_LEAD):
            return known[order[0]]
    return None


def _ways_round(grid: FloatArray) -> list[FloatArray]:
    """A grid of corners (rows, columns, 2) as it is, turned by half, and both mirrored."""
    return [grid, grid[::-1, ::-1], grid[:, ::-1], grid[::-1]]


def _agreement(gray: vision.Image, homography: FloatArray, board: Board) -> float:
    """Correlation of the photo with the drawn card at the middles of all markers' modules, each marker about its mean.

    0 for a way that shows the card from behind.
    """
    corners = vision.apply_homography(homography, board.outline_mm)
    if float(np.cross(np.append(corners[1] - corners[0], 0), np.append(corners[3] - corners[0], 0))[2]) <= 0:
        return 0.0
    at = (np.arange(MODULES) + 0.5) / MODULES
    first, last = board.markers_mm.min(axis=1), board.markers_mm.max(axis=1)
    x = first[:, :1] + at * (last - first)[:, :1]
    y = first[:, 1:] + at * (last - first)[:, 1:]
    places = np.stack(np.broadcast_arrays(x[:, None, :], y[:, :, None]), -1).reshape(-1, 2)
    px = vision.apply_homography(homography, places)
    drawn_px = (places + board.margin_mm) * board.picture_px_per_mm - 0.5
    shown = vision.sample(gray, px[:, 0], px[:, 1]).astype(float).reshape(len(first), -1)
    drawn = vision.sample(board.picture, drawn_px[:, 0], drawn_px[:, 1]).astype(float).reshape(len(first), -1)
    shown, drawn = (values - values.mean(axis=1, keepdims=True) for values in (shown, drawn))
    norm = float(np.sqrt((shown**2).sum() * (drawn**2).sum()))
    return float((shown * drawn).sum()) / norm if norm > 0 else 0.0
