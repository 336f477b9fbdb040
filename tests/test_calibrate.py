"""Calibration: OpenCV's published chessboard camera, rendered card photos of a known camera, and what is refused."""

from __future__ import annotations

import io
import json
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest
from card_scenes import charuco_corners, chessboard_px, projected
from PIL import Image

from placecheck import vision
from placecheck.camera import rotation
from placecheck.card.board import CARD, PICTURE_PX_PER_MM
from placecheck.card.detect import find_card
from placecheck.cli import run
from placecheck.errors import RetakeNeeded
from placecheck.photo import load_photo
from placecheck.profiles.calibrate import calibrate, covariance_of, fit_intrinsics
from placecheck.profiles.kept import PROFILES, Profile
from placecheck.profiles.match import pick_profile, single_radial, to_stored
from placecheck.profiles.views import Sighting, assess, judge_poses

PUBLISHED = Path(__file__).parent.parent / "fixtures" / "opencv_doc"

# ----------------------------------------------------------------------------- the published chessboard photos


@pytest.fixture(scope="module")
def chessboards() -> list[Sighting]:
    """opencv/opencv samples/data/left*.jpg (Apache-2.0): 13 photos, 640 x 480, of 9 x 6 inner corners, 25 mm apart."""
    board = np.stack(np.meshgrid(np.arange(9), np.arange(6)), -1).reshape(-1, 2) * 25.0
    views = []
    for path in sorted(PUBLISHED.glob("left*.png")):
        gray = vision.to_gray(vision.decode_color(path.read_bytes())[0])
        views.append(Sighting(path.name, board, chessboard_px(gray, 9, 6)))
    assert len(views) == 13
    return views


def test_published_chessboard_camera(chessboards):
    # opencv/opencv samples/data/left_intrinsics.yml: fx = fy = 535.916, cx = 342.283, cy = 235.571, k1 = -0.26637,
    # average reprojection error 0.393 px, of which one view (left02) alone has 1.18 for a too large corner window
    found = fit_intrinsics(chessboards, 640, 480)
    fx, fy, cx, cy, k1 = found.values[:5]
    assert fx == pytest.approx(535.916, rel=0.01)
    assert fy == pytest.approx(535.916, rel=0.01)
    assert abs(cx - 342.283) < 2
    assert abs(cy - 235.571) < 3
    assert k1 == pytest.approx(-0.266, abs=0.05)
    assert found.rms_px < 0.25
    assert max(found.view_rms_px) < 0.30
    u = np.sqrt(np.diag(found.covariance))
    # the published camera, itself uncertain by 0.9 to 1.1 px, lies within the joint uncertainty of both
    assert np.all(np.abs(found.values[:4] - [535.916, 535.916, 342.283, 235.571]) < 2.5 * np.hypot(u[:4], 1.0))


def test_covariance_agrees_with_opencv(chessboards):
    # calibrateCameraExtended's own standard deviations of the intrinsics, computed by OpenCV's solver
    terms = ("k1", "k2", "p", "k3")
    points = [np.concatenate([v.points_mm, np.zeros((54, 1))], 1) for v in chessboards]
    found = vision.calibrate_extended(points, [v.corners_px for v in chessboards], 640, 480, terms)
    u = np.sqrt(np.diag(covariance_of(found, chessboards, terms)))
    assert u == pytest.approx(found.u, rel=0.02)


def test_rms_per_photo_agrees_with_reprojection(chessboards):
    found = fit_intrinsics(chessboards, 640, 480, jackknife=False)
    whole = np.sqrt(np.mean(np.square(found.view_rms_px)))  # all views have 54 corners
    assert found.rms_px == pytest.approx(whole, rel=1e-6)


def test_one_radial_term_over_the_chessboard_camera(chessboards):
    # the photos' lens has k1 = -0.27 and more: the single-k1 camera must say how far it is from the full model
    found = fit_intrinsics(chessboards, 640, 480)
    profile = Profile(
        "left",
        640,
        480,
        tuple(found.values),
        tuple(map(tuple, found.covariance)),
        found.rms_px,
        (),
        380.0,
        350.0,
        "2026-01-01",
    )
    camera = single_radial(profile)
    assert camera.f_px == pytest.approx(535.9, rel=2.5 * camera.u_f_rel)
    assert 0.001 < camera.u_f_rel < 0.03
    x, y = np.meshgrid(np.linspace(60, 580, 14), np.linspace(60, 420, 10))
    px = np.stack([x, y], -1).reshape(-1, 2)
    fx, fy, cx, cy = found.values[:4]
    xy = vision.undistort_points(px, np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1]]), found.values[4:])
    r2 = (xy**2).sum(-1, keepdims=True)
    again = xy * (1 + camera.k1 * r2) * camera.f_px + [camera.cx_px, camera.cy_px]
    away = np.sqrt(((again - px) ** 2).sum(-1).mean() / 2)
    assert away < 2 * camera.u_centre_px + 0.05


# ----------------------------------------------------------------------------- rendered photos of the card

W, H = 1632, 1224
TRUE = {"f": 1180.0, "cx": 822.0, "cy": 604.0, "k1": 0.055, "k2": -0.03}


@lru_cache(maxsize=1)
def sight_lines():
    """Normalised directions (h n, w n, 2) of all sub-pixels through the camera TRUE, n = 2 a side; float32."""
    n = 2
    x, y = np.meshgrid((np.arange(W * n) + 0.5) / n - 0.5, (np.arange(H * n) + 0.5) / n - 0.5)
    d = np.stack([(x - TRUE["cx"]) / TRUE["f"], (y - TRUE["cy"]) / TRUE["f"]], -1)
    xy = d
    for _ in range(10):
        r2 = (xy**2).sum(-1, keepdims=True)
        xy = d / (1 + TRUE["k1"] * r2 + TRUE["k2"] * r2**2)
    return xy.astype(np.float32)


def render(turn_deg: tuple[float, float, float], at_px: tuple[float, float], distance_mm: float, seed: int, bend=0):
    """A photo (h, w) of the card through the known camera TRUE, drawn twice as fine and averaged; noise sd 2 levels."""
    rng = np.random.default_rng(seed)
    n = 2
    tilt_x, tilt_y, turn = np.radians(turn_deg)
    r = rotation(np.array([tilt_x, 0, 0])) @ rotation(np.array([0, tilt_y, 0])) @ rotation(np.array([0, 0, turn]))
    ray = np.array([(at_px[0] - TRUE["cx"]) / TRUE["f"], (at_px[1] - TRUE["cy"]) / TRUE["f"], 1.0])
    t = ray * distance_mm - r @ np.array([70.0, 50.0, 0.0])
    outline = CARD.outline_mm @ r[:, :2].T + t
    corner = outline[:, :2] / outline[:, 2:] * TRUE["f"] * 1.05 + [TRUE["cx"], TRUE["cy"]]
    x0, y0 = np.clip(np.floor(corner.min(0)).astype(int) - 20, 0, None)
    x1, y1 = np.ceil(corner.max(0)).astype(int) + 20
    xy = sight_lines()[y0 * n : y1 * n, x0 * n : x1 * n]
    to_board = np.linalg.inv(np.stack([r[:, 0], r[:, 1], t], -1))
    mm = vision.apply_homography(to_board, xy)
    if bend:
        mm = mm + np.stack([bend * np.sin(mm[..., 1] / 30), bend * np.cos(mm[..., 0] / 25)], -1)
    at = (mm + CARD.margin_mm) * PICTURE_PX_PER_MM - 0.5
    high, wide = CARD.picture.shape
    drawn = vision.sample(CARD.picture, at[..., 0], at[..., 1]).astype(float)
    inside = (at[..., 0] > 0) & (at[..., 1] > 0) & (at[..., 0] < wide) & (at[..., 1] < high)
    light = np.where(inside, 40 + drawn * 0.72, 95.0)
    rows, columns = light.shape
    photo = np.full((H, W), 95.0)
    photo[y0:y1, x0:x1] = light.reshape(rows // n, n, columns // n, n).mean((1, 3))
    photo = vision.gaussian_blur(photo, 0.7) + rng.normal(0, 2.0, (H, W))
    return np.clip(np.round(photo), 0, 255).astype(np.uint8)


POSES = [  # tilts about the picture's x and y, turn; where the card's middle lies; distance
    ((0, 0, 0), (816, 612), 420),
    ((32, 0, 5), (450, 350), 470),
    ((-32, 0, -5), (1180, 350), 470),
    ((0, 32, 90), (430, 870), 470),
    ((0, -32, 85), (1200, 870), 470),
    ((25, 25, 180), (816, 300), 450),
    ((-25, 25, 0), (816, 930), 450),
    ((25, -25, 40), (380, 612), 450),
    ((-20, -25, -60), (1250, 612), 450),
    ((15, 5, 95), (330, 300), 560),
    ((10, -15, 100), (1300, 930), 560),
    ((-12, 15, 170), (1300, 290), 560),
]


def write_jpeg(path: Path, gray, orientation=1, make="Lumora", model="L5", f35=25, zoom=None):
    """A JPEG with EXIF; `gray` is the stored picture."""
    image = Image.fromarray(np.stack([gray] * 3, -1))
    exif = Image.Exif()
    exif[271], exif[272], exif[274] = make, model, orientation
    folder = exif.get_ifd(0x8769)
    if f35:
        folder[0xA405] = f35
    if zoom:
        folder[0xA404] = zoom
    data = io.BytesIO()
    image.save(data, "JPEG", quality=93, exif=exif)
    path.write_bytes(data.getvalue())
    return path


@pytest.fixture(scope="module")
def rendered():
    return [render(turn, at, z, seed) for seed, (turn, at, z) in enumerate(POSES)]


@pytest.fixture(scope="module")
def photos(rendered, tmp_path_factory):
    folder = tmp_path_factory.mktemp("card")
    # the pictures as a sensor stores them; the phone was held upright for some: same pixels, EXIF orientation 6
    return [
        write_jpeg(folder / f"p{i:02d}.jpg", gray, orientation=6 if i % 5 == 1 else 1)
        for i, gray in enumerate(rendered)
    ]


@pytest.fixture(scope="module")
def calibration(photos):
    return calibrate(assess(photos), "shop phone", date="2026-03-01")


def test_recovers_the_known_camera_within_its_uncertainty(calibration):
    profile = calibration.profile
    values, u = np.array(profile.values), profile.u
    truth = [TRUE["f"], TRUE["f"], TRUE["cx"], TRUE["cy"], TRUE["k1"]]
    for name, found, true, sd in zip(("fx", "fy", "cx", "cy", "k1"), values, truth, u, strict=False):
        assert abs(found - true) < 3 * sd, f"{name}: {found} for {true}, u {sd}"
    assert values[0] == pytest.approx(TRUE["f"], rel=0.003)
    assert u[0] / values[0] < 0.003
    assert profile.rms_px < 0.15
    assert (profile.width, profile.height) == (W, H)
    assert len(profile.photos) == len(POSES)
    assert all(0 < rms < 0.3 for _, rms in profile.photos)
    assert profile.distance_mm == pytest.approx(470, abs=60)
    assert (profile.make, profile.model, profile.focal_35mm) == ("Lumora", "L5", 25)


def test_measuring_camera_of_the_profile(calibration):
    camera = single_radial(calibration.profile)
    assert camera.f_px == pytest.approx(TRUE["f"], rel=2 * camera.u_f_rel)
    assert abs(camera.cx_px - TRUE["cx"]) < 2.5 * camera.u_centre_px
    assert abs(camera.cy_px - TRUE["cy"]) < 2.5 * camera.u_centre_px
    # a whole millimetre of EXIF leaves 1.7 %; a profile must be worth having
    assert camera.u_f_rel < 0.008
    assert camera.u_centre_px < 4
    # over the picture the single-k1 camera and the true one differ by no more than it admits
    r = np.linspace(0.05, 0.6, 12)
    true = TRUE["f"] * r * (1 + TRUE["k1"] * r**2 + TRUE["k2"] * r**4)
    single = camera.f_px * r * (1 + camera.k1 * r**2)
    allowed = np.sqrt((camera.u_f_rel * camera.f_px * r) ** 2 + (camera.u_k1 * camera.f_px * r**3) ** 2)
    assert np.all(np.abs(single - true) < 2 * allowed + 2 * camera.u_centre_px)


def test_nothing_is_missing_in_a_full_set(calibration):
    assert calibration.assessment.missing == ()
    assert all(r.reason is None for r in calibration.assessment.reports)


def test_measured_bars_stretch_the_card(photos, calibration):
    # a card printed 2 % large everywhere is the same card farther away: same camera, larger distances
    stretched = calibrate(assess(photos, (102.0, 102.0)), "x")
    assert stretched.profile.values[0] == pytest.approx(calibration.profile.values[0], rel=1e-4)
    assert stretched.profile.distance_mm / calibration.profile.distance_mm == pytest.approx(1.02, rel=1e-3)


def test_photo_that_does_not_fit_is_named(photos, tmp_path):
    # the card of this photo is warped by up to 0.35 mm: seen by find_card as bent, or set aside by its residual
    bent = write_jpeg(tmp_path / "bent.jpg", render((20, 10, 30), (900, 600), 430, 99, bend=0.35))
    result = calibrate(assess([*photos, bent]), "x")
    reasons = {r.name: r.reason for r in result.assessment.reports if r.reason}
    assert list(reasons) == ["bent.jpg"]
    assert "fit the others" in reasons["bent.jpg"] or "not flat" in reasons["bent.jpg"]
    assert len(result.profile.photos) == len(photos)


def test_outlier_by_residual_is_set_aside(rendered):
    from placecheck.profiles.calibrate import calibrate

    sightings = []
    for i, gray in enumerate(rendered):
        card = find_card(gray)
        corners = card.corners_px
        if i == 4:  # this card moved while the shutter was open, differently at its two ends
            corners = corners + np.stack([0.04 * (card.board_mm[:, 0] - 60), 0 * card.board_mm[:, 0]], -1) ** 2 * 0.5
        sightings.append(Sighting(f"p{i}", card.board_mm, corners))
    result = calibrate(judge_poses(sightings, W, H), "x")
    bad = [r for r in result.assessment.reports if r.reason]
    assert [r.name for r in bad] == ["p4"]
    assert "does not fit the others" in bad[0].reason
    assert result.profile.values[0] == pytest.approx(TRUE["f"], rel=0.004)


@pytest.mark.parametrize("index", [1, 4, 6])
def test_photo_to_place_in_space_through_the_saved_profile(calibration, photos, tmp_path, index):
    # file -> EXIF -> profile -> card -> pose: where the card stands before the camera, lying (4) or upright (1 and
    # 6: the stored picture turned clockwise, so that x is the stored -y), against where it was drawn
    PROFILES.save(calibration.profile, tmp_path)
    photo = load_photo(photos[index])
    picked = pick_profile(photo, tmp_path)
    assert picked.name == "shop phone"
    camera = picked.camera
    assert (camera.width, camera.height) == (photo.width, photo.height)
    card = find_card(photo.gray)
    points = np.concatenate([card.board_mm, np.zeros((len(card.board_mm), 1))], 1)
    r, t = vision.solve_pnp(points, card.corners_px, camera.matrix, np.array([camera.k1, 0, 0, 0, 0]))
    found = r @ [70.0, 50.0, 0.0] + t
    _, at, distance = POSES[index]
    x, y = (at[0] - TRUE["cx"]) / TRUE["f"] * distance, (at[1] - TRUE["cy"]) / TRUE["f"] * distance
    true = (-y, x, distance) if photo.orientation == 6 else (x, y, distance)
    assert found[:2] == pytest.approx(true[:2], abs=1.2)
    assert found[2] == pytest.approx(distance, rel=2 * camera.u_f_rel)


# ----------------------------------------------------------------------------- refused


def message_of(call) -> tuple[str, str]:
    with pytest.raises(RetakeNeeded) as caught:
        call()
    message = caught.value.problem.message
    assert message.endswith(".")
    assert len(message) < 420
    assert "\n" not in message
    return caught.value.problem.code, message


def test_too_few_photos(photos):
    code, message = message_of(lambda: calibrate(assess(photos[:5]), "x"))
    assert code == "calibration-too-few"
    assert "5 of 5 photos" in message
    assert "at least 8" in message


def test_all_alike(tmp_path):
    poses = [((1.5 * i, 0, 0), (816, 612), 430) for i in range(4)]
    poses += [((0, 0, 30 * i), (700 + 60 * i, 612), 460) for i in range(4)]
    paths = [write_jpeg(tmp_path / f"{i}.jpg", render(t, a, z, i)) for i, (t, a, z) in enumerate(poses)]
    code, message = message_of(lambda: calibrate(assess(paths), "x"))
    assert code == "calibration-alike"
    assert "same side" in message


def test_same_pose_twice_counts_once(photos, tmp_path):
    again = write_jpeg(tmp_path / "again.jpg", render((32, 0.5, 5), (455, 352), 470, 77))
    result = assess([*photos[:3], again])
    reasons = {r.name: r.reason for r in result.reports if r.reason}
    assert reasons == {"again.jpg": "It is too much like p01.jpg: take it in another pose."}
    assert len(result.usable) == 3


def test_mixed_sizes_and_phones_and_zooms(photos, rendered, tmp_path):
    """As many of one as of another: which is meant nobody knows. Where most are alike, the others are set aside."""
    first = photos[0]
    small = write_jpeg(tmp_path / "small.jpg", vision.resize(rendered[0], 1400, 1050))
    assert message_of(lambda: assess([first, small]))[0] == "calibration-sizes"
    other = write_jpeg(tmp_path / "other.jpg", rendered[0], model="L6")
    code, message = message_of(lambda: assess([first, other]))
    assert code == "calibration-phones"
    assert "L5" in message
    assert "L6" in message
    tele = write_jpeg(tmp_path / "tele.jpg", rendered[0], f35=52)
    assert message_of(lambda: assess([first, tele]))[0] == "calibration-lenses"
    zoomed = write_jpeg(tmp_path / "zoomed.jpg", rendered[0], zoom=2.0)
    assert "zoomed 2 times" in message_of(lambda: assess([first, zoomed]))[1]
    bare = tmp_path / "bare.jpg"
    Image.fromarray(rendered[0]).save(bare, quality=95)  # no EXIF, and the first of all
    alone = assess(photos[:7])
    found = assess([bare, *photos[:7], small, other, tele, zoomed])
    reasons = {r.name: r.reason for r in found.reports if r.reason}
    assert set(reasons) == {"bare.jpg", "small.jpg", "other.jpg", "tele.jpg", "zoomed.jpg"}
    for name, word in (("bare", "unknown phone"), ("small", "1400 x 1050"), ("other", "L6"), ("zoomed", "zoomed 2")):
        assert word in reasons[f"{name}.jpg"]
    assert [s.name for s in found.usable] == [s.name for s in alone.usable]
    assert (found.model, found.missing) == (alone.model, alone.missing)


def test_a_photo_is_set_aside_that_is_far_more_blurred_than_the_others(photos, rendered, tmp_path):
    """All are blurred by 0.7 px; twice as much is no matter, three times and a third is."""
    for name, pose, blur_px in (("twice", 7, 1.4), ("thrice", 8, 2.35)):
        more = vision.gaussian_blur(rendered[pose].astype(np.float32), float(np.sqrt(blur_px**2 - 0.7**2)))
        write_jpeg(tmp_path / f"{name}.jpg", np.asarray(more).round().astype(np.uint8))
    result = assess([*photos[:4], tmp_path / "twice.jpg", tmp_path / "thrice.jpg"])
    assert {r.name: r.reason for r in result.reports if r.reason} == {
        "thrice.jpg": "It is much more blurred than the others: hold still and take it again."
    }
    assert len(result.usable) == 5


def test_photos_without_card_or_blurred_are_named(photos, rendered, tmp_path):
    rng = np.random.default_rng(5)
    empty = write_jpeg(tmp_path / "empty.jpg", rng.integers(60, 160, (H, W)).astype(np.uint8))
    soft = write_jpeg(
        tmp_path / "soft.jpg", np.asarray(vision.gaussian_blur(rendered[0].astype(np.float32), 5)).astype(np.uint8)
    )
    notes = tmp_path / "notes.jpg"
    notes.write_text("no photo")
    result = assess([*photos, empty, soft, notes])
    reasons = {r.name: r.reason for r in result.reports if r.reason}
    assert set(reasons) == {"empty.jpg", "soft.jpg", "notes.jpg"}
    assert "card" in reasons["empty.jpg"].lower()
    assert "blur" in reasons["soft.jpg"].lower()
    assert "not a JPEG" in reasons["notes.jpg"]
    code, message = message_of(lambda: assess([empty, notes]))
    assert code == "calibration-no-card"
    assert "2 photos" in message


def test_same_photo_twice(photos, tmp_path, monkeypatch, capsys):
    """A slip in what was typed, which no further photo mends: 2, as where `block photos` is given one twice."""
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    for command in (["add", "phone"], ["guide"]):
        assert run(["camera", *command, str(photos[0]), str(photos[0])]) == 2
        assert f"The photo {photos[0]} was given twice" in capsys.readouterr().err


def test_missing_poses_are_named_as_the_user_sees_them(rendered):
    def sighting(i, gray):
        card = find_card(gray)
        return Sighting(f"p{i}", card.board_mm, card.corners_px)

    few = [sighting(i, rendered[i]) for i in (0, 1, 2)]
    missing = " | ".join(judge_poses(few, W, H).missing)
    assert "left / right of the picture" in missing or "top / bottom of the picture" in missing
    assert "bottom left" in missing
    assert "bottom right" in missing
    assert "top left" not in missing
    assert "quarter turn" in missing
    # the same photos with the phone held upright (EXIF 6 turns the picture clockwise): the stored bottom is the left
    turned = " | ".join(judge_poses(few, W, H, orientation=6).missing)
    for place in ("top left", "bottom left"):
        assert place in turned
    for place in ("top right", "bottom right"):
        assert place not in turned


def test_far_side_is_the_far_side(rendered):
    # POSES[1] turns the card about the picture's x axis by +32 degrees: by the rotation matrix, y of the card goes to
    # +z, so that the bottom of the card lies farther away
    card = find_card(rendered[1])
    missing = judge_poses([Sighting("p", card.board_mm, card.corners_px)], W, H).missing
    assert "left / right / top of the picture" in missing[0]


def test_profile_of_a_calibration_is_saved_as_plain_json(calibration, tmp_path):
    path = PROFILES.save(calibration.profile, tmp_path)
    data = json.loads(path.read_text())
    assert data["camera_matrix"][0][0] == pytest.approx(TRUE["f"], rel=0.003)
    assert data["image_size"] == [W, H]
    assert data["date"] == "2026-03-01"
    assert len(data["photos"]) == len(POSES)
    assert data["standard_uncertainties"]["fx"] > 0


def test_upright_photos_and_lying_photos_are_one_set(rendered, photos):
    result = assess(photos)
    upright = {s.name: s.corners_px for s in result.usable}
    for i in (1, 6, 11):
        direct = find_card(rendered[i]).corners_px
        assert np.abs(upright[f"p{i:02d}.jpg"] - direct).max() < 0.1
    assert to_stored(np.array([[3.0, 5.0]]), 6, W, H) == pytest.approx(np.array([[5.0, H - 1 - 3.0]]))


def test_uncertainty_covers_what_it_should():
    # 25 simulated calibrations of 10 photos, 0.12 px corner noise, f differing by 0.3 % from photo to photo (focus):
    # of the 125 errors of fx fy cx cy k1 95 % should lie within 2 u; a binomial count leaves 0.88..1.00 at 3 sigma
    rng = np.random.default_rng(11)
    z = []
    for _ in range(25):
        views = []
        for i in rng.permutation(len(POSES))[:10]:
            turn, at, distance = POSES[i]
            a, b, c = np.radians(np.array(turn) + rng.normal(0, 4, 3))
            r = rotation(np.array([a, 0, 0])) @ rotation(np.array([0, b, 0])) @ rotation(np.array([0, 0, c]))
            f = TRUE["f"] * (1 + rng.normal(0, 0.003))
            ray = np.array([(at[0] - TRUE["cx"]) / f, (at[1] - TRUE["cy"]) / f, 1.0])
            points = np.concatenate([CARD.corners_mm, np.zeros((24, 1))], 1)
            matrix = np.array([[f, 0, TRUE["cx"]], [0, f, TRUE["cy"]], [0, 0, 1.0]])
            distortion = np.array([TRUE["k1"], 0, 0, 0, 0])
            px = projected(points, r, ray * distance - r @ [70.0, 50.0, 0.0], matrix, distortion)
            views.append(Sighting(str(i), CARD.corners_mm, px + rng.normal(0, 0.12, px.shape)))
        found = fit_intrinsics(views, W, H)
        truth = [TRUE["f"], TRUE["f"], TRUE["cx"], TRUE["cy"], TRUE["k1"]]
        z.append((found.values[:5] - truth) / np.sqrt(np.diag(found.covariance))[:5])
    z = np.abs(np.array(z))
    assert 0.88 <= (z < 2).mean() <= 1.0
    assert 0.6 < np.sqrt(np.mean(z**2)) < 1.3


def test_command_add_guide_and_match(photos, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    names = [str(p) for p in photos]
    assert run(["camera", "guide", *names[:3]]) == 3
    said = capsys.readouterr().out
    assert "Still missing" in said
    assert not (tmp_path / "cameras").exists()
    assert run(["camera", "add", "shop phone", *names]) == 0
    assert "Saved" in capsys.readouterr().out
    assert run(["camera", "add", "shop phone", *names]) == 2
    assert run(["camera", "match", names[1]]) == 0
    assert "p01.jpg: shop phone" in capsys.readouterr().out


# ----------------------------------------------------------------------------- the published ChArUco photo


def test_published_charuco_photo_through_its_published_camera():
    # opencv/opencv doc/tutorials/objdetect/charuco_detection/images/choriginal.jpg, board 5 x 7 of 40 mm squares with
    # 20 mm markers of DICT_6X6_250, and its camera, samples/data/aruco/tutorial_camera_charuco.yml (both Apache-2.0)
    data = (PUBLISHED / "choriginal.jpg").read_bytes()
    board = vision.charuco_board(5, 7, 40.0, 20.0, "DICT_6X6_250")
    corners, ids = charuco_corners(vision.to_gray(vision.decode_color(data)[0]), board)
    assert len(ids) == 24
    values = (452.51072219637672, 456.76707935146891, 317.70297317353277, 277.75155919135995)
    distortion = (0.12136925618707872, -1.0854664722560681, 1.1786843796670e-04, -4.6240686046486e-04, 2.954258940681)
    points = np.concatenate([vision.board_points(board)[ids], np.zeros((24, 1))], 1)
    fx, fy, cx, cy = values
    full = np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1.0]])
    r, t = vision.solve_pnp(points, corners, full, np.array(distortion))
    rms = np.sqrt(((projected(points, r, t, full, np.array(distortion)) - corners) ** 2).sum(1).mean())
    assert rms < 0.25  # the camera's published mean error is 0.182 px
    # the same photo through the one-k1 camera of a profile with these numbers, over the part that the board fills
    reach = np.linalg.norm(corners - [cx, cy], axis=1).max()
    covariance = np.diag([1.0, 1.0, 1.0, 1.0, 0.01, 0.1, 1e-4, 1e-4, 0.5]) ** 2
    profile = Profile(
        "p", 640, 480, values + distortion, tuple(map(tuple, covariance)), 0.18, (), float(reach), 430.0, "2026-01-01"
    )
    camera = single_radial(profile)
    single = np.array([camera.k1, 0, 0, 0, 0])
    r1, t1 = vision.solve_pnp(points, corners, camera.matrix, single)
    rms1 = np.sqrt(((projected(points, r1, t1, camera.matrix, single) - corners) ** 2).sum(1).mean())
    assert rms1 < 0.8
    # the pose moves by no more than the one-k1 camera's own uncertainty allows
    assert np.linalg.norm(t1) == pytest.approx(np.linalg.norm(t), rel=2 * camera.u_f_rel)
    assert camera.f_px == pytest.approx((fx + fy) / 2, rel=2 * camera.u_f_rel)
