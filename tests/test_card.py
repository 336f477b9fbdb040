"""The card: where it is to hundredths of a pixel, and by name what is wrong with it.

Outside values: OpenCV's own drawing of the board seen through a camera of known numbers
(card_scenes), OpenCV's published chessboard photos and ChArUco photo with their published
cameras (fixtures/opencv_doc, from Debian's opencv-doc).
"""

from __future__ import annotations

import os
import re
from pathlib import Path

import cv2
import numpy as np
import pytest
from card_scenes import (
    camera_above,
    card_photo,
    charuco_corners,
    chessboard_px,
    corners_px,
    drawn_card,
    lay_card,
    projected,
    table,
    take,
)
from hypothesis import HealthCheck, Phase, assume, given, settings
from hypothesis import strategies as st

from placecheck import vision
from placecheck.card import CardSighting, card_problems, find_card
from placecheck.card.align import align, linear_to_srgb, srgb_to_linear
from placecheck.card.board import CARD, Board
from placecheck.card.markers import read_markers
from placecheck.card.squares import homography_by_squares
from placecheck.errors import RetakeNeeded

DOC = Path(__file__).parent.parent / "fixtures" / "opencv_doc"


def errors_px(card: CardSighting, camera, radius_mm=None) -> np.ndarray:
    return np.linalg.norm(card.corners_px - corners_px(camera, card.board_mm, radius_mm), axis=1)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.asarray(values) ** 2)))


def code_of(gray: np.ndarray) -> str:
    with pytest.raises(RetakeNeeded) as caught:
        find_card(gray)
    message = caught.value.problem.message
    assert message.endswith("retake.") or "resolution" in message
    assert "\n" not in message
    return caught.value.problem.code


# ----------------------------------------------------------------------------- accuracy


@pytest.mark.parametrize(
    ("distance", "most_rms"), [(300, 0.03), (500, 0.03), (850, 0.03), (1100, 0.03), (1400, 0.03), (1800, 0.04)]
)
def test_corners_near_and_far(distance: float, most_rms: float) -> None:
    """5 px/mm down to 0.8 px/mm (markers of 11 px), all 24 corners."""
    camera = camera_above(25, 37, distance)
    card = find_card(card_photo(camera))
    error = errors_px(card, camera)
    assert len(card.ids) == 24
    assert rms(error) < most_rms
    assert error.max() < 0.1
    assert np.abs((card.corners_px - corners_px(camera, card.board_mm)).mean(axis=0)).max() < 0.03
    assert card.residual_px < 0.05
    assert rms(error) < 2 * np.sqrt(2) * rms(card.u_px)
    assert card.u_px.min() >= 0.02  # what all corners have in common no fit of a single one shows (calibration/card.md)


def test_twelve_megapixels() -> None:
    camera = camera_above(40, 200, 600, w=4032, h=3024)
    card = find_card(card_photo(camera, blur_px=1.2))
    assert len(card.ids) == 24
    assert rms(errors_px(card, camera)) < 0.04
    assert card.blur_px == pytest.approx(1.2, abs=0.2)


@settings(
    max_examples=15, deadline=None, phases=[Phase.explicit, Phase.generate], suppress_health_check=list(HealthCheck)
)
@given(
    lean=st.floats(0, 55), turn=st.floats(0, 360), distance=st.floats(350, 1100), x=st.floats(-120, 120),
    y=st.floats(-80, 80), k1=st.floats(-0.1, 0.1), gain=st.floats(0.1, 1.2), blur=st.floats(0.3, 0.9),
)  # fmt: skip
def test_any_view_any_lens_any_light(lean, turn, distance, x, y, k1, gain, blur) -> None:
    """No view or lens within reason is called bent, cut off or covered, and the corners are right."""
    camera = camera_above(lean, turn, distance, (x, y), k1=k1)
    true = corners_px(camera, CARD.outline_mm)
    assume(np.all(true > 5) and np.all(true < [camera.w - 6, camera.h - 6]))
    assume(blur / (camera.f / distance * np.cos(np.radians(lean))) < 0.5)
    card = find_card(card_photo(camera, gain=gain, blur_px=blur))
    assert len(card.ids) >= 22
    assert rms(errors_px(card, camera)) < 0.08
    assert card.residual_px < 0.12
    # the outline comes from the homography alone, which knows no distortion
    assert np.linalg.norm(card.outline_px - true, axis=1).max() < 1 + 0.25 * abs(k1) * 160 * card.px_per_mm


def test_what_the_sighting_says() -> None:
    camera = camera_above(0, 0, 800, (0, 0))
    card = find_card(card_photo(camera, blur_px=0.8))
    assert card.px_per_mm == pytest.approx(0.78 * 2016 / 800, rel=1e-3)
    assert card.homography[2, 2] == 1
    mapped = vision.apply_homography(card.homography, card.board_mm)
    assert rms(np.linalg.norm(mapped - card.corners_px, axis=1)) < 0.05
    assert card.blur_px == pytest.approx(0.8, abs=0.15)
    # reflectances 3 % and 80 % through the sRGB curve of IEC 61966-2-1
    assert card.black_level == pytest.approx(float(linear_to_srgb(np.array(0.03))), abs=6)
    assert card.white_level == pytest.approx(float(linear_to_srgb(np.array(0.8))), abs=4)
    assert card.n_markers == 17
    assert card_problems(card) == ()


def test_better_than_opencvs_own_corners_in_a_photo_of_the_whole_block() -> None:
    camera = camera_above(35, 20, 850)
    gray = card_photo(camera)
    card = find_card(gray)
    corners, ids = charuco_corners(gray, CARD.opencv)
    assert len(ids) >= 12
    theirs = rms(np.linalg.norm(corners - corners_px(camera, CARD.corners_mm[ids]), axis=1))
    assert rms(errors_px(card, camera)) < 0.5 * theirs


def test_opencvs_charuco_corners_are_not_half_a_pixel_off() -> None:
    """opencv/opencv pull request 28380: up to 4.13 all ChArUco corners were shifted by (0.5, 0.5) px."""
    camera = camera_above(15, 10, 250)
    corners, ids = charuco_corners(card_photo(camera), CARD.opencv)
    assert len(ids) == 24
    assert np.abs((corners - corners_px(camera, CARD.corners_mm[ids])).mean(axis=0)).max() < 0.1


def test_a_round_on_a_few_corners_finds_them_as_the_whole_one_does() -> None:
    camera = camera_above(15, 10, 250)
    gray, seen = card_photo(camera), corners_px(camera, CARD.corners_mm)
    homography = vision.find_homography(CARD.corners_mm, seen + np.array([0.8, -0.6]))
    assert homography is not None
    whole, few = (align(gray, homography, 0.7, every=every) for every in (1, 3))
    assert np.flatnonzero(few.match).tolist() == list(range(0, 24, 3))
    assert np.array_equal(few.corners_px[::3], whole.corners_px[::3])
    assert np.abs(few.corners_px[::3] - seen[::3]).max() < 0.1
    assert (few.u_px[1::3] == np.inf).all()


def test_srgb_curve() -> None:
    """IEC 61966-2-1: level 188 is half of full light to a part in 200 (a well known pair), and the curve inverts."""
    assert float(srgb_to_linear(np.array(188.0))) == pytest.approx(0.5, abs=0.005)
    levels = np.arange(256.0)
    assert np.allclose(linear_to_srgb(srgb_to_linear(levels)), levels, atol=1e-9)


# ----------------------------------------------------------------------------- real photos, published cameras


def published(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Camera matrix and distortion of one of OpenCV's yml files."""
    text = (DOC / name).read_text()

    def numbers(key: str) -> np.ndarray:
        block = re.search(key + r":.*?data:\s*\[(.*?)\]", text, re.S)
        assert block is not None
        return np.array([float(v) for v in block.group(1).split(",")])

    return numbers("camera_matrix").reshape(3, 3), numbers("distortion_coefficients")


def test_real_charuco_photo_against_its_published_camera() -> None:
    """OpenCV's tutorial photo, board 5 x 7 of 40 and 20 mm; OpenCV's own corners fit the published camera to 0.216 px.

    The tutorial's pose is not printed; OpenCV's detector with the published camera gives t = (-91.2, -189.1, 398.7) mm.
    """
    board = Board(5, 7, 40, 20, "DICT_6X6_250", 20)
    gray = cv2.imread(str(DOC / "choriginal.jpg"), cv2.IMREAD_GRAYSCALE)
    k, d = published("tutorial_camera_charuco.yml")
    markers = vision.detect_markers(gray, board.dictionary, 0.03)
    assert sorted(markers.ids.tolist()) == list(range(17))
    homography = vision.find_homography(board.markers_mm[markers.ids].reshape(-1, 2), markers.corners_px.reshape(-1, 2))
    sigma = 0.7
    for _ in range(3):
        fitted = align(gray, homography, sigma, board)
        assert fitted.match.min() > 0.95
        homography = vision.find_homography(board.corners_mm, fitted.corners_px)
        sigma = float(np.median(fitted.blur_px))

    def reprojection(corners: np.ndarray, ids: np.ndarray) -> tuple[float, np.ndarray]:
        points = np.c_[board.corners_mm[ids], np.zeros(len(ids))]
        rotation, t = vision.solve_pnp(points, corners, k, d)
        return rms(np.linalg.norm(projected(points, rotation, t, k, d) - corners, axis=1)), t

    theirs, their_t = reprojection(*charuco_corners(gray, board.opencv))
    ours, t = reprojection(fitted.corners_px, np.arange(24))
    assert theirs == pytest.approx(0.216, abs=0.01)
    assert ours < 0.15
    assert np.abs(t - their_t).max() < 0.3
    assert np.allclose(t, (-91.2, -189.1, 398.7), atol=0.5)


def test_published_chessboard_camera_is_reproduced() -> None:
    """OpenCV's left01..14 and left_intrinsics.yml; bounds from the published rms and the intrinsics' spread.

    The published file was made with a window of 11 px, too large for the smallest squares: one view of 1.18 px.
    """
    k, d = published("left_intrinsics.yml")
    points, corners = [], []
    grid = np.array([[x, y, 0] for y in range(6) for x in range(9)], float) * 25
    for path in sorted(DOC.glob("left*.png")):
        gray = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        corners.append(chessboard_px(gray, 9, 6))
        points.append(grid)
    assert len(corners) == 13
    camera = vision.calibrate_extended(points, corners, 640, 480)
    found, distortion = camera.matrix, camera.distortion
    assert camera.rms_px < 0.25
    assert found[0, 0] == pytest.approx(k[0, 0], rel=0.01)
    assert found[1, 1] == pytest.approx(k[1, 1], rel=0.01)
    assert found[0, 2] == pytest.approx(k[0, 2], abs=2)
    assert found[1, 2] == pytest.approx(k[1, 2], abs=3)
    assert distortion[0] == pytest.approx(d[0], abs=0.03)


@pytest.mark.skipif(
    not Path(os.environ.get("PLACECHECK_OPENCV_DOC", "/usr/share/doc/opencv-doc")).is_dir(),
    reason="Debian's opencv-doc is not unpacked (set PLACECHECK_OPENCV_DOC)",
)
def test_fixtures_are_the_published_photos() -> None:
    source = Path(os.environ.get("PLACECHECK_OPENCV_DOC", "/usr/share/doc/opencv-doc"))
    assert (source / "opencv4/html/choriginal.jpg").read_bytes() == (DOC / "choriginal.jpg").read_bytes()
    for path in sorted(DOC.glob("left*.png")):
        ours = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        theirs = cv2.imread(str(source / f"examples/data/{path.stem}.jpg"), cv2.IMREAD_GRAYSCALE)
        shown = ours != 128
        assert shown.mean() > 0.1
        assert np.array_equal(ours[shown], theirs[shown])


def test_real_photo_of_another_board_is_named() -> None:
    assert code_of(cv2.imread(str(DOC / "choriginal.jpg"), cv2.IMREAD_GRAYSCALE)) == "other-board"


# ----------------------------------------------------------------------------- covered, cut off, bent, two, another


@pytest.mark.parametrize(
    ("name", "cover", "least"),
    [
        ("right half", lambda mm: mm[..., 0] > 70, 12),
        ("right two thirds", lambda mm: mm[..., 0] > 45, 8),
        ("a strap", lambda mm: np.abs(mm[..., 1] - 50) < 12, 12),
        ("a hand", lambda mm: (mm[..., 0] - 100) ** 2 + (mm[..., 1] - 40) ** 2 < 45**2, 8),
        ("lower half", lambda mm: mm[..., 1] > 45, 12),
    ],
)
def test_partly_covered_card_is_used_where_it_shows(name: str, cover, least: int) -> None:
    camera = camera_above(distance_mm=700)
    card = find_card(card_photo(camera, cover=cover))
    assert least <= len(card.ids) < 24, name
    assert errors_px(card, camera).max() < 0.15


def test_a_pin_head_on_a_corner_costs_at_most_that_corner() -> None:
    camera = camera_above(distance_mm=700)
    card = find_card(card_photo(camera, cover=lambda mm: np.hypot(mm[..., 0] - 60.8, mm[..., 1] - 40.7) < 2.5))
    assert len(card.ids) >= 23
    assert errors_px(card, camera).max() < 0.15


def test_too_much_covered() -> None:
    photo = card_photo(camera_above(distance_mm=700), cover=lambda mm: mm[..., 1] > 30)
    assert code_of(photo) == "card-covered"  # one row of corners is left: all in a line


def test_cut_off_by_the_photos_edge() -> None:
    camera = camera_above(30, 10, 850, (520, -30))
    card = find_card(card_photo(camera))
    assert 6 <= len(card.ids) < 24  # what is left is enough
    assert errors_px(card, camera).max() < 0.1
    assert code_of(card_photo(camera_above(30, 10, 850, (580, -30)))) == "card-cut-off"


@pytest.mark.parametrize("heading", [10, 127, 200])
def test_half_a_card_is_enough_wherever_it_is_cut(heading: float) -> None:
    """As long as ten of its inner corners lie well inside the photo, whichever they are."""
    for x_mm in range(430, 620, 12):
        camera = camera_above(30, heading, 850, (x_mm, -30))
        true = corners_px(camera, CARD.corners_mm)
        inside = np.all((true > 20) & (true < [camera.w - 21, camera.h - 21]), axis=1)
        if inside.sum() < 10 or inside.all():
            continue
        card = find_card(card_photo(camera))
        assert len(card.ids) >= inside.sum() - 1, x_mm
        assert errors_px(card, camera).max() < 0.1, x_mm


def test_no_card() -> None:
    assert code_of(take(table(2016, 1512))) == "card-missing"
    noise = np.random.default_rng(3).integers(0, 256, (1200, 1600)).astype(np.uint8)
    assert code_of(noise) == "card-missing"


def test_a_card_flooded_with_light_is_not_called_missing() -> None:
    camera = camera_above(30, 10, 850)
    flooded = card_photo(camera)
    around = np.round(corners_px(camera, np.array([[0.0, 0.0], [140, 0], [140, 100], [0, 100]]))).astype(int)
    (x0, y0), (x1, y1) = around.min(0) - 40, around.max(0) + 40
    flooded[max(0, y0) : y1, max(0, x0) : x1] = 255
    assert code_of(flooded) == "too-bright"


@pytest.mark.parametrize(("distance", "gain", "blur"), [(850, 3, 0.9), (850, 5, 0.9), (1000, 5, 0.6), (1100, 5, 0.6)])
def test_markers_flooded_by_a_bright_paper_are_read_all_the_same(distance: float, gain: float, blur: float) -> None:
    """Light that bleeds from clipped paper into dark modules of 2.7 to 3.5 px: the corners are where they were."""
    camera = camera_above(25, 10, distance)
    gray = take(lay_card(table(camera.w, camera.h, level=0.03), camera), gain=gain, blur_px=blur)
    assert len(vision.detect_markers(gray, CARD.dictionary, 24 / max(gray.shape)).ids) == 0
    card = find_card(gray)
    assert len(card.ids) == 24
    assert rms(errors_px(card, camera)) < 0.05


@pytest.mark.parametrize("heading", [37, 217])
@pytest.mark.parametrize(("distance", "gain", "blur"), [(1350, 3, 1.1), (1350, 4, 1.1), (1500, 1, 1.1)])
def test_a_card_whose_markers_cannot_be_read_is_found_by_its_squares(
    distance: float, gain: float, blur: float, heading: float
) -> None:
    """Markers of 9 to 12 px, blurred or flooded; which way round it lies is told by all of them together."""
    camera = camera_above(25, heading, distance)
    gray = take(lay_card(table(camera.w, camera.h, level=0.03), camera), gain=gain, blur_px=blur)
    assert len(read_markers(gray).ids) == 0
    card = find_card(gray)
    assert len(card.ids) == 24
    assert card.n_markers == 0
    assert rms(errors_px(card, camera)) < 0.06


@pytest.mark.parametrize("mirrored", [False, True])
def test_squares_alone_are_no_card(mirrored: bool) -> None:
    """A plain chessboard of the card's size, and the card's own mirror image: no way round has its markers."""
    camera = camera_above(25, 37, 1500)
    plain = drawn_card()
    fine = plain.shape[1] / (CARD.size_mm[0] + 2 * CARD.margin_mm)
    for corners in CARD.markers_mm:
        (x0, y0), (x1, y1) = (np.round((corners[k] + CARD.margin_mm) * fine).astype(int) for k in (0, 2))
        plain[y0:y1, x0:x1] = plain.max()
    gray = card_photo(camera, blur_px=1.1) if mirrored else card_photo(camera, blur_px=1.1, card=plain)
    gray = np.ascontiguousarray(gray[:, ::-1]) if mirrored else gray
    assert vision.chessboard_corners(gray, 6, 4) is not None
    assert homography_by_squares(gray, CARD) is None
    assert code_of(gray) == "card-missing"


def test_mirrored_photo() -> None:
    """As front cameras save them; left and right would be swapped without a word."""
    assert code_of(np.ascontiguousarray(card_photo(camera_above())[:, ::-1])) == "mirrored-photo"


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_turning_the_photo_turns_the_corners(turns: int) -> None:
    gray = card_photo(camera_above())
    first, turned = find_card(gray), find_card(np.ascontiguousarray(np.rot90(gray, turns)))
    assert np.array_equal(first.ids, turned.ids)
    h, w = gray.shape
    x, y = first.corners_px.T
    for _ in range(turns):
        x, y, w, h = y, w - 1 - x, h, w
    assert np.abs(turned.corners_px - np.c_[x, y]).max() < 0.03


def test_two_cards_are_named_not_averaged() -> None:
    light = lay_card(table(2016, 1512), camera_above(30, 100, 900, (-170, 60)))
    assert code_of(take(lay_card(light, camera_above(30, 10, 850, (120, -60))))) == "two-cards"


def test_a_second_card_of_which_one_marker_is_read_at_first_is_looked_at_enlarged() -> None:
    light = lay_card(table(2016, 1512), camera_above(0, 0, 850, (-120, 60)))
    gray = take(lay_card(light, camera_above(30, 10, 1800, (120, -60))))
    assert len(vision.detect_markers(gray, "DICT_5X5_50", 24 / 2016).ids) == 18  # 17 of the first, one of the other
    assert code_of(gray) == "two-cards"


@pytest.mark.parametrize(
    "other",
    [
        ((7, 5), 20, 14, cv2.aruco.DICT_4X4_50),
        ((7, 5), 20, 14, cv2.aruco.DICT_6X6_250),
        ((7, 5), 20, 14, cv2.aruco.DICT_APRILTAG_36h11),
        ((5, 7), 20, 14, cv2.aruco.DICT_5X5_50),
        ((9, 7), 15, 11, cv2.aruco.DICT_5X5_50),
        ((6, 4), 20, 14, cv2.aruco.DICT_5X5_50),
    ],
    ids=["4x4", "6x6", "apriltag", "5x7", "9x7", "6x4"],
)
def test_another_board(other: tuple) -> None:
    assert code_of(card_photo(camera_above(distance_mm=700), card=drawn_card(*other))) == "other-board"


def radius_of(sag_mm: float) -> float:
    """Radius of a card whose ends, 80 mm from its middle, stand `sag_mm` above the table (80^2 / 2 sag)."""
    return 80**2 / (2 * sag_mm)


@pytest.mark.parametrize("distance", [450, 850])
def test_bent_card(distance: float) -> None:
    camera = camera_above(40, 60, distance, (40, 30))
    assert code_of(card_photo(camera, radius_mm=radius_of(4))) == "card-bent"
    find_card(card_photo(camera, radius_mm=radius_of(0.3)))  # as flat as glued board


@pytest.mark.parametrize("k1", [-0.1, 0.1])
@pytest.mark.parametrize(("distance", "at"), [(850, (250, 200)), (450, (90, 60))])
def test_a_phones_distortion_is_no_bend(k1: float, distance: float, at: tuple[float, float]) -> None:
    camera = camera_above(35, 37, distance, at, k1=k1)
    card = find_card(card_photo(camera))
    assert len(card.ids) >= 20
    assert card.residual_px < 0.05
    assert errors_px(card, camera).max() < 0.15


def test_card_too_small() -> None:
    assert code_of(card_photo(camera_above(25, 37, 2000))) == "card-too-small"


# ----------------------------------------------------------------------------- light and focus


def test_dark_bright_and_blurred_photos_say_so() -> None:
    camera = camera_above(distance_mm=850)
    light = lay_card(table(camera.w, camera.h), camera)
    assert code_of(take(light, gain=0.005)) == "too-dark"
    assert code_of(take(light, gain=60)) == "too-bright"
    assert code_of(take(light, blur_px=4)) == "too-blurred"


def test_problems_of_light_and_focus_at_a_card_that_was_found() -> None:
    camera = camera_above(distance_mm=850)
    light = lay_card(table(camera.w, camera.h), camera)
    assert [p.code for p in card_problems(find_card(take(light, gain=0.03)))] == ["too-dark"]
    # a flooded or soft card whose corners are found all the same is no reason to refuse the photo
    assert card_problems(find_card(take(light, gain=4))) == ()
    near = camera_above(35, 37, 450, w=4032, h=3024)
    light = lay_card(table(near.w, near.h), near)
    assert card_problems(find_card(take(light, blur_px=5))) == ()
    assert code_of(take(light, blur_px=6.8)) == "too-blurred"  # not card-bent, though its soft corners do not fit
    assert code_of(take(light, blur_px=8)) == "too-blurred"


# ----------------------------------------------------------------------------- OpenCV's wrappers


def test_undistortion_inverts_projection() -> None:
    k, d = published("left_intrinsics.yml")
    rng = np.random.default_rng(1)
    points = np.c_[rng.uniform(-0.4, 0.4, (200, 2)), np.ones(200)]
    px = projected(points, np.eye(3), np.zeros(3), k, d)
    assert np.abs(vision.undistort_points(px, k, d) - points[:, :2]).max() < 1e-7


def test_nothing_found_is_empty_not_none() -> None:
    blank = np.full((300, 400), 200, np.uint8)
    assert vision.detect_markers(blank, CARD.dictionary, 0.01).corners_px.shape == (0, 4, 2)
    assert vision.chessboard_corners(blank, 9, 6) is None
    assert vision.decode_color(b"no picture") == (None, "")
