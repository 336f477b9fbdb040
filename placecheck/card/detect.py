"""Find the scale card in a photo, coarse to fine, or say why it cannot be used.

1. ArUco markers at reduced size, then full size, then enlarged, until enough of them agree; where too bright a paper
   has flooded them, again with what is bright shrunk.
2. The largest set of markers that one homography of this board explains (pairs of markers
   vote); markers left over that agree among themselves are a second card, never averaged in.
3. All 24 inner corners are predicted and fitted at full size by laying the drawn card over
   the photo (align.py), also where the marker beside them was not read; what does not look
   like the card there is dropped.
4. The corners must fit a flat card through a lens: homography plus one radial term, since
   a phone's k1 of up to 0.1 is no bend. What does not fit is a bent card.
The same is done for the small card; limits in mm are those of the large one, whose squares are 20 mm, and go with
the square. Failures are RetakeNeeded with the codes card-missing, card-cut-off, card-covered, two-cards,
card-bent, wrong-card (the other of the two), other-board, card-too-small and mirrored-photo, and with too-dark,
too-bright or too-blurred where that is why nothing was found.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from placecheck import light_and_sharpness, vision
from placecheck.card.align import Alignment, align, scales_px_per_mm
from placecheck.card.board import CARD, CARDS, Board
from placecheck.errors import Problem, RetakeNeeded

FloatArray = npt.NDArray[np.float64]

COARSE_LONG_SIDE_PX = 2100
MIN_PERIMETER_PX = 24
"""Smallest marker perimeter looked for, in pixels of the reduced photo: markers of 6 px; decoding gives up first."""
ENOUGH_MARKERS = 6
LEAST_CORNER_U_PX = 0.15
FEW_MARKERS = 3
"""With fewer than these, paper that is white beyond the picture's range may have flooded the markers."""
FLOODED_LEVEL, FLOODED_PLACES, FLOODED_LEAST_PX = 250, 3, 60
FLOODED_LOOKS = ((2.0, 3), (3.0, 5), (3.0, 7))
"""How much such a place is enlarged, and by how many pixels then shrunk."""
MIN_MATCH = 0.85
MIN_CORNERS = 6
FEWER = 3  # the first round at full size looks at each so many-th corner
MIN_SPREAD_MM = 8.0
"""Least standard deviation of the corners across their narrow direction: two full rows of three have 10 mm, a row
of five with one beside it 7.5 mm (no pose to speak of)."""
MIN_PX_PER_MM = 0.75
"""Markers of 10 px: in drawn photos at most two of the 17 could still be read below this."""
MAX_K1 = 0.15
BENT_PX, BENT_MM = 0.3, 0.1
"""Rms distance from flat that means bent, the greater of the two. Drawn flat cards stay below 0.04 px with k1 up to
+-0.1; ends that stand up by 1 mm give 0.11 mm, by 2 mm 0.22 mm in a view that leans 40 degrees (hardly anything from
straight above, where a bend does no harm either)."""
NEARLY_BLURRED = 1.15  # so much more blur would be too much: the card is called blurred then, not bent
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


def find_card(gray: vision.Image, board: Board = CARD) -> CardSighting:
    """The one card in a grey photo (h, w) uint8. Raises RetakeNeeded where there is none, two, or too little of it."""
    seen = _read_markers(gray, board)
    own = _largest_agreeing(seen, board)
    _refuse_second_card(seen, own, board)
    _refuse_other_layout(seen, own, board)
    if not len(own):
        raise _why_nothing(gray, board)
    homography = _marker_homography(seen, own, board)
    alignment, homography = _fit_corners(gray, homography, board)
    good = _good_corners(alignment, homography, board)
    outline = vision.apply_homography(homography, board.outline_mm)
    if len(own) == 1 and not len(good):  # a single marker misread in clutter, no card around it
        raise _why_nothing(gray, board)
    if not _enough(good, board):
        raise _too_little(gray, good, outline, board)
    corners, points = alignment.corners_px[good], board.corners_mm[good]
    try:
        kept, residual = _flat_card(corners, points, alignment.u_px[good], gray.shape, board)
    except RetakeNeeded as bent:
        # the corners of a card that is out of focus need not fit a flat one
        blur_px = NEARLY_BLURRED * float(np.median(alignment.blur_px[good]))
        blurred = light_and_sharpness.blur_problem(blur_px, float(scales_px_per_mm(homography, board.middle_mm)[0]))
        if blurred is None:
            raise
        raise RetakeNeeded(blurred.code, blurred.message) from bent
    good, corners, points = good[kept], corners[kept], points[kept]
    if not _enough(good, board):
        raise _too_little(gray, good, outline, board)
    final = vision.find_homography(points, corners)
    if final is None:
        raise _too_little(gray, good, outline, board)
    scale = float(scales_px_per_mm(final, board.middle_mm)[0])
    if scale * _size(board) < MIN_PX_PER_MM:
        raise _too_small(board)
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


# ----------------------------------------------------------------------------- markers


def _size(board: Board) -> float:
    """How large the board is beside the scale card, 1 for that itself."""
    return board.square_mm / CARD.square_mm


def _read_markers(
    gray: vision.Image, board: Board = CARD, dictionary: str | None = None, enough: int = ENOUGH_MARKERS
) -> vision.Markers:
    """The board's markers, ids counted from its first, at the first size that shows enough of them.

    With a `dictionary`: all of that one's markers instead, whatever their ids.
    """
    height, width = gray.shape
    long_side = max(height, width)
    big = long_side > 1.2 * COARSE_LONG_SIDE_PX
    sizes = [1.0, 2.0]
    if big:
        part = round(long_side / COARSE_LONG_SIDE_PX)  # a half, a third: to halve a picture takes next to no time
        sizes = [1.0 / part if part > 1 else COARSE_LONG_SIDE_PX / long_side, 1.0]
    if dictionary is not None:
        sizes = sizes[:1]
    best = vision.Markers(np.zeros((0, 4, 2)), np.zeros(0, np.int64))
    for size in sizes:
        found = _markers_at(gray, size, dictionary or board.dictionary)
        if dictionary is None:
            found = _ours(found, board)
        if len(found.ids) > len(best.ids):
            best = found
        if len(best.ids) >= enough:
            break
    if dictionary is None and len(best.ids) < FEW_MARKERS:
        flooded = _flooded_markers(gray, board)
        best = flooded if len(flooded.ids) > len(best.ids) else best
    return best


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
    """The board's markers where bright paper floods their dark modules: in the largest places of pure white, enlarged,
    with what is bright shrunk."""
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
    return np.asarray(np.isfinite(away) & (away < 0.3 * _sides(seen.corners_px)))


def _sides(corners_px: FloatArray) -> FloatArray:
    """Mean side of each marker, px."""
    return np.asarray(np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=1), axis=2).mean(axis=1))


def _largest_agreeing(seen: vision.Markers, board: Board) -> npt.NDArray[np.int64]:
    """Indices of the largest set of markers that one homography of this board explains; empty if none was read."""
    n = len(seen.ids)
    if n <= 1:
        return np.arange(n)
    pairs = [p for p in combinations(range(n), 2) if seen.ids[p[0]] != seen.ids[p[1]]]
    best = np.array([int(np.argmax(_sides(seen.corners_px)))])
    for pair in pairs[:: max(1, len(pairs) // 200)]:
        index = np.array(pair)
        homography = _marker_homography(seen, index, board)
        for _ in range(2):
            agreeing = np.flatnonzero(_agreement(homography, seen, board))
            if len(agreeing) < 2:
                break
            homography = _marker_homography(seen, agreeing, board)
        if len(agreeing) > len(best):
            best = agreeing
        if len(best) == n:
            break
    return best


def _marker_homography(seen: vision.Markers, index: npt.NDArray[np.int64], board: Board) -> FloatArray:
    points = board.markers_mm[seen.ids[index]].reshape(-1, 2)
    homography = vision.find_homography(points, seen.corners_px[index].reshape(-1, 2))
    return np.full((3, 3), np.nan) if homography is None else homography


def _refuse_second_card(seen: vision.Markers, own: npt.NDArray[np.int64], board: Board) -> None:
    """Raise two-cards if markers that are not the card's own form a card themselves."""
    rest = np.setdiff1d(np.arange(len(seen.ids)), own)
    if len(own) < 2 or len(rest) < 2:
        return
    others = vision.Markers(seen.corners_px[rest], seen.ids[rest])
    away = np.linalg.norm(
        vision.apply_homography(_marker_homography(seen, own, board), board.markers_mm[others.ids]).mean(axis=1)
        - others.corners_px.mean(axis=1),
        axis=1,
    )
    far = away > 1.5 * _sides(others.corners_px)
    elsewhere = vision.Markers(others.corners_px[far], others.ids[far])
    repeated = np.isin(elsewhere.ids, seen.ids[own])
    if len(_largest_agreeing(elsewhere, board)) >= 2 and repeated.sum() >= 2:
        raise RetakeNeeded("two-cards", f"Two {board.name}s are in the photo: leave one and retake.")


def _refuse_other_layout(seen: vision.Markers, own: npt.NDArray[np.int64], board: Board) -> None:
    """Raise other-board if markers of the card's dictionary lie in another order than on the card."""
    stray = len(seen.ids) - len(own)
    if stray >= max(STRAY_LEAST, STRAY_FRACTION * len(seen.ids)):
        raise _other_board("its squares are laid out differently", board)


# ----------------------------------------------------------------------------- corners


def _fit_corners(gray: vision.Image, homography: FloatArray, board: Board) -> tuple[Alignment, FloatArray]:
    """Corners at full size in a few rounds, each starting from the last one's homography and blur, the first on a few.

    The first round may be done at reduced size: the markers' corners are good to about a pixel of the size they
    were read at.
    """
    scale = (
        float(scales_px_per_mm(homography, board.middle_mm)[0]) * _size(board)
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
    if not _enough(good, board, 4):
        return alignment, None
    return alignment, vision.find_homography(board.corners_mm[good], alignment.corners_px[good])


def _good_corners(alignment: Alignment, homography: FloatArray, board: Board) -> npt.NDArray[np.int64]:
    """Ids of the corners that look like the card there and did not wander off by more than a quarter square."""
    near = np.linalg.norm(alignment.corners_px - vision.apply_homography(homography, board.corners_mm), axis=1)
    limit = 0.25 * board.square_mm * np.maximum(scales_px_per_mm(homography, board.corners_mm), 0.1)
    return np.flatnonzero((alignment.match >= MIN_MATCH) & (near < limit))


def _enough(ids: npt.NDArray[np.int64], board: Board, least: int = MIN_CORNERS) -> bool:
    """Whether these corners are enough for a pose: at least `least`, and spread in two directions."""
    if len(ids) < least:
        return False
    points = board.corners_mm[ids]
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[-1] / np.sqrt(len(ids))
    return bool(spread >= MIN_SPREAD_MM * _size(board))


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


def _flat_card(
    corners: FloatArray, points: FloatArray, u_px: FloatArray, shape: tuple[int, ...], board: Board
) -> tuple[npt.NDArray[np.int64], float]:
    """Indices of the corners that fit a flat card, and their rms; a few may be dropped, many mean a bent card."""
    kept = np.arange(len(corners))
    may_drop = len(corners) // 8
    scale = float(np.sqrt(np.abs(np.linalg.det(np.cov(corners.T)) / np.linalg.det(np.cov(points.T)))) ** 0.5)
    limit = max(BENT_PX, BENT_MM * _size(board) * scale, 3 * float(np.median(u_px)))
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


# ----------------------------------------------------------------------------- reasons


def _too_little(gray: vision.Image, good: npt.NDArray[np.int64], outline_px: FloatArray, board: Board) -> RetakeNeeded:
    """Why a card that was seen cannot be used: it leaves the photo, is blurred, or something lies on it."""
    height, width = gray.shape
    inside = _fraction_inside(width, height, outline_px)
    if inside < 1 - CUT_OFF_FRACTION:
        return RetakeNeeded(
            "card-cut-off",
            f"The {board.name} is partly outside the photo: move it or step back until the whole card is in, and "
            "retake.",
        )
    problem = light_and_sharpness.hopeless_picture(gray)
    if problem is not None:
        return RetakeNeeded(problem.code, problem.message)
    return RetakeNeeded(
        "card-covered",
        f"Too much of the {board.name} is covered ({len(good)} of {board.n_corners} corners can be seen): "
        "clear it and retake.",
    )


def _fraction_inside(width: int, height: int, outline_px: FloatArray) -> float:
    """The part of a quadrilateral's area that lies in the picture, by sampling 40 x 40 points of it."""
    square = np.array([[0.0, 0.0], [1, 0], [1, 1], [0, 1]])
    homography = vision.find_homography(square, outline_px)
    if homography is None:
        return 0.0
    s = (np.arange(40) + 0.5) / 40
    points = vision.apply_homography(homography, np.stack(np.meshgrid(s, s), axis=-1).reshape(-1, 2))
    return float(np.mean(np.all((points >= 0) & (points <= [width - 1, height - 1]), axis=1)))


def _why_nothing(gray: vision.Image, board: Board) -> RetakeNeeded:
    """Why no marker of the card was read: another card, a mirrored photo, the light, the blur, or no card at all."""
    for other in CARDS:
        if other != board and len(set(_read_markers(gray, other, enough=4).ids.tolist())) >= 4:
            return RetakeNeeded(
                "wrong-card",
                f"The card in the photo is the {other.name}, and this photo needs the {board.name} "
                f"(`{board.command}` prints it): lay it {board.place} and retake.",
            )
    for name in OTHER_DICTIONARIES:
        found = _read_markers(gray, board, name, enough=4)
        if len(set(found.ids.tolist())) >= 4:
            return _other_board(f"it carries markers of {name.removeprefix('DICT_')}", board)
    if len(_read_markers(np.ascontiguousarray(gray[:, ::-1]), board, enough=4).ids) >= 4:
        return RetakeNeeded(
            "mirrored-photo",
            "The photo is mirrored, left and right are swapped: use the back camera, without mirroring, and retake.",
        )
    problem = light_and_sharpness.hopeless_picture(gray)
    if problem is not None:
        return RetakeNeeded(problem.code, problem.message)
    return RetakeNeeded(
        "card-missing",
        f"No {board.name} was found: lay the printed card {board.place}, all of it in the photo, and retake.",
    )


def _other_board(how: str, board: Board) -> RetakeNeeded:
    return RetakeNeeded(
        "other-board",
        f"The board in the photo is not placecheck's {board.name} ({how}): print it with `{board.command}` and retake.",
    )


def _too_small(board: Board) -> RetakeNeeded:
    return RetakeNeeded(
        "card-too-small",
        f"The {board.name} is too small in the photo to measure with: move closer or use the camera's full resolution.",
    )
