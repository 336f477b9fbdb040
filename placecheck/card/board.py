"""The scale card: its numbers, and the board object OpenCV knows it by.

A ChArUco board of 7 x 5 squares of 20 mm with 14 mm markers of DICT_5X5_50, 140 x 100 mm,
centred on a white card of 160 x 120 mm. The board's frame is OpenCV's: origin at the outer
corner of the first square, x along the seven columns, y along the five rows, z into the
card, lengths in mm. Markers sit in the white squares, ids ascend row by row from 0; the
inner corners are numbered row by row from 0, six in a row, four rows. An odd number of
rows keeps OpenCV's old and new board patterns the same (opencv/opencv issue 23152).
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

COLUMNS, ROWS = 7, 5
SQUARE_MM, MARKER_MM = 20.0, 14.0
DICTIONARY = "DICT_5X5_50"
BOARD_MM = (COLUMNS * SQUARE_MM, ROWS * SQUARE_MM)
CARD_MM = (160.0, 120.0)
MARGIN_MM = ((CARD_MM[0] - BOARD_MM[0]) / 2, (CARD_MM[1] - BOARD_MM[1]) / 2)
N_MARKERS = (COLUMNS * ROWS) // 2
N_CORNERS = (COLUMNS - 1) * (ROWS - 1)
MODULE_MM = MARKER_MM / 7
"""A 5 x 5 marker has a border of one module all round: 7 modules across."""

FloatArray = npt.NDArray[np.float64]


@cache
def board() -> Any:
    """OpenCV's board object, its points in mm."""
    from placecheck import vision

    return vision.charuco_board(COLUMNS, ROWS, SQUARE_MM, MARKER_MM, DICTIONARY)


@cache
def corners_mm() -> FloatArray:
    """The inner corners, (24, 2) mm in the board's frame; the row number is the corner's id."""
    from placecheck import vision

    return vision.board_points(board())


@cache
def markers_mm() -> FloatArray:
    """The markers' corners, (17, 4, 2) mm; the row number is the marker's id."""
    from placecheck import vision

    markers = vision.board_markers(board())
    return markers.corners_px[np.argsort(markers.ids)]


def outline_mm() -> FloatArray:
    """The card's own outline in the board's frame, (4, 2) mm, clockwise as seen from above."""
    (w, h), (mx, my) = CARD_MM, MARGIN_MM
    return np.array([[-mx, -my], [w - mx, -my], [w - mx, h - my], [-mx, h - my]])


def is_black(x_mm: FloatArray, y_mm: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether the chessboard (without its markers) is black at points of the board's frame."""
    column, row = np.floor(x_mm / SQUARE_MM).astype(int), np.floor(y_mm / SQUARE_MM).astype(int)
    inside = (column >= 0) & (column < COLUMNS) & (row >= 0) & (row < ROWS)
    return np.asarray(inside & ((column + row) % 2 == 0))


@cache
def picture(px_per_mm: int) -> npt.NDArray[np.uint8]:
    """The whole card as OpenCV draws its board, on white: (120 n, 160 n), 0 and 255; read-only.

    Pixel (i, j) shows the board's point ((j + 0.5) / n - 10, (i + 0.5) / n - 10) mm.
    """
    from placecheck import vision

    n = px_per_mm
    card = np.full((int(CARD_MM[1] * n), int(CARD_MM[0] * n)), 255, np.uint8)
    drawn = vision.board_image(board(), int(BOARD_MM[0] * n), int(BOARD_MM[1] * n))
    top, left = int(MARGIN_MM[1] * n), int(MARGIN_MM[0] * n)
    card[top : top + drawn.shape[0], left : left + drawn.shape[1]] = drawn
    card.flags.writeable = False
    return card
