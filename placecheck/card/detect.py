"""Find the scale card in a photo, coarse to fine, or say why it cannot be used.

1. Markers are read until enough of them agree, and the largest set that one homography of this board explains is the
   card (markers.py); markers left over that agree among themselves are a second card, never averaged in.
2. All 24 inner corners are fitted at full size, also where the marker beside them was not read, and must fit a flat
   card through a lens (corners.py).
3. The homography of what is left gives the scale; a card too small in the photo is refused.
The same is done for the small card; limits in mm are those of the large one, whose squares are 20 mm, and go with the
square. Failures are RetakeNeeded with the codes card-missing, card-cut-off, card-covered, two-cards, card-bent,
wrong-card (the other of the two), other-board, card-too-small and mirrored-photo (refusals.py), and with too-dark,
too-bright or too-blurred where that is why nothing was found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck import light_and_sharpness, vision
from placecheck.card.align import Alignment, scales_px_per_mm
from placecheck.card.board import CARD, Board
from placecheck.card.corners import enough_corners, fit_corners, flat_card, good_corners, size_of
from placecheck.card.markers import largest_agreeing, marker_homography, read_markers
from placecheck.card.refusals import refuse_other_layout, refuse_second_card, too_little, too_small, why_nothing
from placecheck.card.squares import homography_by_squares
from placecheck.errors import Problem, RetakeNeeded

FloatArray = npt.NDArray[np.float64]

LEAST_CORNER_U_PX = 0.15
MIN_PX_PER_MM = 0.75
"""Markers of 10 px: in drawn photos at most two of the 17 could still be read below this."""
NEARLY_BLURRED = 1.15  # so much more blur would be too much: the card is called blurred then, not bent


@dataclass(frozen=True, eq=False)
class CardSighting:
    """The card as seen in one upright photo; pixels with pixel centres at integers, mm in the board's frame.

    corners_px (N, 2), ids (N,) and board_mm (N, 2) belong together, N of the board's 24 inner corners; u_px (N,) is
    the standard uncertainty of each corner, per axis. homography (3, 3) maps mm to px (least squares, lens distortion
    not taken out). residual_px is the rms distance of the corners from a flat card seen with one radial distortion
    term. px_per_mm is the photo's scale at the card's middle (the least over directions), outline_px (4, 2) the
    160 x 120 mm card's corners, partly outside the photo perhaps. blur_px is the standard deviation of the blur
    (a Gaussian's, beyond the pixel's own area), black_level and white_level the card's ink and paper, 0..255.
    """

    corners_px: FloatArray
    ids: npt.NDArray[np.int64]
    board_mm: FloatArray
    homography: FloatArray
    residual_px: float
    n_markers: int
    px_per_mm: float
    outline_px: FloatArray
    u_px: FloatArray
    blur_px: float
    black_level: float
    white_level: float

    @property
    def corner_u_px(self) -> float:
        """Standard uncertainty of one corner, per axis, as every fit weighs it."""
        return max(LEAST_CORNER_U_PX, float(np.median(self.u_px)))

    @property
    def flooded(self) -> bool:
        """Whether its paper is so bright that its edges say nothing of the photo's sharpness, but maybe only its."""
        return light_and_sharpness.only_card_flooded(self.black_level, self.white_level)


def _fitted(
    gray: vision.Image, homography: FloatArray, board: Board
) -> tuple[Alignment, FloatArray, npt.NDArray[np.int64]]:
    """All corners as fitted from a first homography, the homography they have, and which of them are good."""
    alignment, homography = fit_corners(gray, homography, board)
    return alignment, homography, good_corners(alignment, homography, board)


def find_card(gray: vision.Image, board: Board = CARD) -> CardSighting:
    """The one card in a grey photo (h, w) uint8. Raises RetakeNeeded where there is none, two, or too little of it."""
    seen = read_markers(gray, board)
    own = largest_agreeing(seen, board)
    refuse_second_card(seen, own, board)
    refuse_other_layout(seen, own, board)
    homography = marker_homography(seen, own, board) if len(own) else None
    fitted = None if homography is None else _fitted(gray, homography, board)
    if fitted is None or not enough_corners(fitted[2], board):
        homography = homography_by_squares(gray, board)
        fitted = fitted if homography is None else _fitted(gray, homography, board)
    if fitted is None:
        raise why_nothing(gray, board)
    alignment, homography, good = fitted
    outline = vision.apply_homography(homography, board.outline_mm)
    if len(own) == 1 and not len(good):  # a single marker misread in clutter, no card around it
        raise why_nothing(gray, board)
    if not enough_corners(good, board):
        raise too_little(gray, good, outline, board)
    corners, points = alignment.corners_px[good], board.corners_mm[good]
    try:
        kept, residual = flat_card(corners, points, alignment.u_px[good], gray.shape, board)
    except RetakeNeeded as bent:
        # the corners of a card that is out of focus need not fit a flat one
        blur_px = NEARLY_BLURRED * float(np.median(alignment.blur_px[good]))
        blurred = light_and_sharpness.blur_problem(blur_px, float(scales_px_per_mm(homography, board.middle_mm)[0]))
        if blurred is None:
            raise
        raise RetakeNeeded.of(blurred) from bent
    good, corners, points = good[kept], corners[kept], points[kept]
    if not enough_corners(good, board):
        raise too_little(gray, good, outline, board)
    final = vision.find_homography(points, corners)
    if final is None:
        raise too_little(gray, good, outline, board)
    scale = float(scales_px_per_mm(final, board.middle_mm)[0])
    if scale * size_of(board) < MIN_PX_PER_MM:
        raise too_small(board)
    return CardSighting(
        corners_px=corners,
        ids=good.astype(np.int64),
        board_mm=points,
        homography=final / final[2, 2],
        residual_px=residual,
        n_markers=len(set(seen.ids[own].tolist())),
        px_per_mm=scale,
        outline_px=vision.apply_homography(final, board.outline_mm),
        u_px=alignment.u_px[good],
        blur_px=float(np.median(alignment.blur_px[good])),
        black_level=float(np.median(alignment.black[good])),
        white_level=float(np.median(alignment.white[good])),
    )


def card_problems(card: CardSighting) -> tuple[Problem, ...]:
    """What is wrong with light and focus at the card: too-dark, too-bright, too-blurred; empty if all is well."""
    problem = light_and_sharpness.card_problem(card.black_level, card.white_level, card.blur_px, card.px_per_mm)
    return () if problem is None else (problem,)


def edges_doubted(card: CardSighting) -> bool:
    """Whether the card's edges are wide, and only its flooded paper may be why: then the block tells how sharp it is.

    Raises RetakeNeeded with what is wrong with light and focus at a card that is not flooded.
    """
    problems = card_problems(card)
    if problems and not card.flooded:
        raise RetakeNeeded.of(problems[0])
    return bool(problems)
