"""The scale cards: their numbers, and the board object OpenCV knows each by.

A ChArUco board of 7 x 5 squares of 20 mm with 14 mm markers of DICT_5X5_50, 140 x 100 mm, centred
on a white card of 160 x 120 mm. The board's frame is OpenCV's: origin at the outer corner of the
first square, x along the seven columns, y along the five rows, z into the card, lengths in mm.
Markers sit in the white squares, ids ascend row by row from 0; the inner corners are numbered row
by row from 0, six in a row, four rows. An odd number of rows keeps OpenCV's old and new board
patterns the same (opencv/opencv issue 23152). The small card, for close-ups of the seam, is the
same board at four tenths of the size, its markers' ids from 30 on, so that no marker of one card is
ever read as the other's. `Board` is general so that the corner fit can be tested on published
photos of other boards.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from placecheck import vision

FloatArray = npt.NDArray[np.float64]

PICTURE_PX_PER_MM = 10


@dataclass(frozen=True)
class Board:
    """A ChArUco board on a white card: squares across and down, lengths in mm, OpenCV's name of its dictionary.

    Its markers have the ids `first_id` and up; rows of `markers_mm` count from 0 all the same. `name` and `place`
    are the card's words for people.
    """

    columns: int
    rows: int
    square_mm: float
    marker_mm: float
    dictionary: str
    margin_mm: float
    first_id: int = 0
    picture_px_per_mm: int = PICTURE_PX_PER_MM
    name: str = "scale card"
    place: str = "flat on the table beside the block"

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height of the board without the card's white margin."""
        return self.columns * self.square_mm, self.rows * self.square_mm

    @property
    def n_markers(self) -> int:
        return (self.columns * self.rows) // 2

    @property
    def n_corners(self) -> int:
        return (self.columns - 1) * (self.rows - 1)

    @cached_property
    def middle_mm(self) -> FloatArray:
        """The board's middle, (1, 2) mm."""
        return np.array([self.size_mm]) / 2

    @cached_property
    def opencv(self) -> Any:
        """OpenCV's board object, its points in mm."""
        ids = np.arange(self.first_id, self.first_id + self.n_markers)
        return vision.charuco_board(self.columns, self.rows, self.square_mm, self.marker_mm, self.dictionary, ids)

    @cached_property
    def corners_mm(self) -> FloatArray:
        """The inner corners, (n_corners, 2) mm in the board's frame; the row number is the corner's id."""
        return vision.board_points(self.opencv)

    @cached_property
    def markers_mm(self) -> FloatArray:
        """The markers' corners, (n_markers, 4, 2) mm; the row number is the marker's id less `first_id`."""
        markers = vision.board_markers(self.opencv)
        return markers.corners_px[np.argsort(markers.ids)]

    @cached_property
    def outline_mm(self) -> FloatArray:
        """The card's own outline in the board's frame, (4, 2) mm, clockwise as seen from above."""
        (w, h), m = self.size_mm, self.margin_mm
        return np.array([[-m, -m], [w + m, -m], [w + m, h + m], [-m, h + m]])

    @cached_property
    def picture(self) -> vision.Image:
        """The whole card as OpenCV draws its board, on white, 0 and 255, picture_px_per_mm fine; read-only.

        Pixel (row i, column j) shows the board's point ((j + 0.5) / n - margin, (i + 0.5) / n - margin) mm.
        """
        n, m = self.picture_px_per_mm, self.margin_mm
        w, h = self.size_mm
        card = np.full((round((h + 2 * m) * n), round((w + 2 * m) * n)), 255, np.uint8)
        drawn = vision.board_image(self.opencv, round(w * n), round(h * n))
        at = round(m * n)
        card[at : at + drawn.shape[0], at : at + drawn.shape[1]] = drawn
        card.flags.writeable = False
        return card


CARD = Board(columns=7, rows=5, square_mm=20.0, marker_mm=14.0, dictionary="DICT_5X5_50", margin_mm=10.0)
SMALL_CARD = Board(
    columns=7,
    rows=5,
    square_mm=8.0,
    marker_mm=5.6,
    dictionary="DICT_5X5_50",
    margin_mm=2.0,
    first_id=30,
    picture_px_per_mm=25,
    name="small card",
    place="flat on the lace or the cap beside the seam",
)
"""56 x 40 mm on a card of 60 x 44 mm."""
CARDS = (CARD, SMALL_CARD)
