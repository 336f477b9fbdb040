"""Why a card cannot be used: another card, two of them, a mirrored photo, or too little of it in sight.

Where markers were read, those that disagree with the card's own are judged: if they form a card
themselves there are two, if they are many it is another board's layout. Where none was read, the
other of our two cards is looked for, then the other dictionaries, then the mirrored picture, and
only then light and blur of the whole picture (light_and_sharpness.py), since a card that can be
read tells more than they do. Where some corners were found but not enough, the card leaves
the photo, or light and blur spoil it, or something lies on it. All are RetakeNeeded with one
sentence that says what to do: two-cards, other-board, wrong-card, mirrored-photo, card-missing,
card-cut-off, card-covered, card-too-small, or one of the picture's.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from placecheck import light_and_sharpness, vision
from placecheck.card.board import CARDS, Board
from placecheck.card.markers import largest_agreeing, marker_homography, read_markers, sides
from placecheck.errors import RetakeNeeded

FloatArray = npt.NDArray[np.float64]

CUT_OFF_FRACTION = 0.02
STRAY_FRACTION, STRAY_LEAST = 0.3, 3
"""So many markers in places where this board has others mean another board; misread ones come singly."""
OTHER_DICTIONARIES = (
    "DICT_4X4_1000",
    "DICT_5X5_1000",
    "DICT_6X6_1000",
    "DICT_7X7_1000",
    "DICT_ARUCO_ORIGINAL",
    "DICT_ARUCO_MIP_36h12",
    "DICT_APRILTAG_36h11",
)


def refuse_second_card(seen: vision.Markers, own: npt.NDArray[np.int64], board: Board) -> None:
    """Raise two-cards if markers that are not the card's own form a card themselves."""
    rest = np.setdiff1d(np.arange(len(seen.ids)), own)
    if len(own) < 2 or len(rest) < 2:
        return
    others = vision.Markers(seen.corners_px[rest], seen.ids[rest])
    away = np.linalg.norm(
        vision.apply_homography(marker_homography(seen, own, board), board.markers_mm[others.ids]).mean(axis=1)
        - others.corners_px.mean(axis=1),
        axis=1,
    )
    far = away > 1.5 * sides(others.corners_px)
    elsewhere = vision.Markers(others.corners_px[far], others.ids[far])
    repeated = np.isin(elsewhere.ids, seen.ids[own])
    if len(largest_agreeing(elsewhere, board)) >= 2 and repeated.sum() >= 2:
        raise RetakeNeeded("two-cards", f"Two {board.name}s are in the photo: leave one and retake.")


def refuse_other_layout(seen: vision.Markers, own: npt.NDArray[np.int64], board: Board) -> None:
    """Raise other-board if markers of the card's dictionary lie in another order than on the card."""
    stray = len(seen.ids) - len(own)
    if stray >= max(STRAY_LEAST, STRAY_FRACTION * len(seen.ids)):
        raise _other_board("its squares are laid out differently", board)


def why_nothing(gray: vision.Image, board: Board) -> RetakeNeeded:
    """Why no marker of the card was read: another card, a mirrored photo, the light, the blur, or no card at all."""
    for other in CARDS:
        if other != board and len(set(read_markers(gray, other, enough=4).ids.tolist())) >= 4:
            return RetakeNeeded(
                "wrong-card",
                f"The card in the photo is the {other.name}, and this photo needs the {board.name}: "
                f"print it, lay it {board.place} and retake.",
            )
    for name in OTHER_DICTIONARIES:
        found = read_markers(gray, board, name, enough=4)
        if len(set(found.ids.tolist())) >= 4:
            return _other_board(f"it carries markers of {name.removeprefix('DICT_')}", board)
    if len(read_markers(np.ascontiguousarray(gray[:, ::-1]), board, enough=4).ids) >= 4:
        return RetakeNeeded(
            "mirrored-photo",
            "The photo is mirrored, left and right are swapped: use the back camera, without mirroring, and retake.",
        )
    problem = light_and_sharpness.hopeless_picture(gray)
    if problem is not None:
        return RetakeNeeded.of(problem)
    return RetakeNeeded(
        "card-missing",
        f"No {board.name} was found: lay the printed card {board.place}, all of it in the photo, and retake.",
    )


def too_little(gray: vision.Image, good: npt.NDArray[np.int64], outline_px: FloatArray, board: Board) -> RetakeNeeded:
    """Why a card that was seen cannot be used: it leaves the photo, is dark or blurred, or something lies on it."""
    height, width = gray.shape
    on_card = _places_on(outline_px)
    inside = np.all((on_card >= 0) & (on_card <= [width - 1, height - 1]), axis=1)
    if np.mean(inside) < 1 - CUT_OFF_FRACTION:
        return RetakeNeeded(
            "card-cut-off",
            f"The {board.name} is partly outside the photo: move it or step back until the whole card is in, and "
            "retake.",
        )
    x, y = np.round(on_card[inside]).astype(int).T
    problem = light_and_sharpness.dark_card(gray[y, x]) or light_and_sharpness.hopeless_picture(gray)
    if problem is not None:
        return RetakeNeeded.of(problem)
    return RetakeNeeded(
        "card-covered",
        f"Too much of the {board.name} is covered ({len(good)} of {board.n_corners} corners can be seen): "
        "clear it and retake.",
    )


def _places_on(outline_px: FloatArray) -> FloatArray:
    """40 x 40 points (1600, 2) spread evenly over a quadrilateral; far outside every photo where it is none."""
    square = np.array([[0.0, 0.0], [1, 0], [1, 1], [0, 1]])
    homography = vision.find_homography(square, outline_px)
    if homography is None:
        return np.full((1600, 2), -1e6)
    s = (np.arange(40) + 0.5) / 40
    return vision.apply_homography(homography, np.stack(np.meshgrid(s, s), axis=-1).reshape(-1, 2))


def too_small(board: Board) -> RetakeNeeded:
    """What to say of a card that was found, with too few pixels to measure by."""
    return RetakeNeeded(
        "card-too-small",
        f"The {board.name} is too small in the photo to measure with: move closer or use the camera's full resolution.",
    )


def _other_board(how: str, board: Board) -> RetakeNeeded:
    return RetakeNeeded(
        "other-board",
        f"The board in the photo is not placecheck's {board.name} ({how}): print that card and retake.",
    )
