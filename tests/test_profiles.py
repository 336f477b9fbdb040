"""Camera profiles on disk, which of them a photo gets, turned and resized photos; the card's measured bars."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from placecheck import vision
from placecheck.card_bars import forget_bars, load_bars, parse_bars, save_bars, saved_bars_mm, warnings_for
from placecheck.cli import run
from placecheck.colours import Colours
from placecheck.errors import UnusableFile, UsageProblem
from placecheck.page import camera_photos
from placecheck.photo import Photo, upright
from placecheck.printout import with_option
from placecheck.profiles.kept import PROFILES, Profile, profiles_folder
from placecheck.profiles.match import (
    TURNED,
    Picked,
    camera_in,
    focus_u_rel,
    misfit,
    pick_camera,
    pick_profile,
    single_radial,
    to_stored,
    to_upright,
)
from placecheck.request import CheckRequest

W, H = 4032, 3024
U = np.array([3.0, 3.0, 2.5, 2.5, 0.003, 0.01, 0.0, 0.0, 0.0])


def profile(name="shop", values=(3000.0, 3004.0, 2030.0, 1500.0, 0.08, -0.05, 0.0, 0.0, 0.0), **changes) -> Profile:
    entries = {
        "width": W,
        "height": H,
        "covariance": tuple(map(tuple, np.diag(U**2))),
        "rms_px": 0.21,
        "photos": (("a.jpg", 0.2), ("b.jpg", 0.22)),
        "reach_px": 2300.0,
        "distance_mm": 450.0,
        "date": "2026-03-01",
        "make": "Lumora",
        "model": "L5",
        "focal_35mm": 26.0,
    }
    return Profile(name=name, values=tuple(values), **(entries | changes))


def photo(width=W, height=H, orientation=1, make="Lumora", model="L5", focal=26.0, zoom=1.0, kind="jpeg") -> Photo:
    """An upright photo of that size; its pixels are never looked at."""
    image = np.zeros((2, 2, 3), np.uint8)
    pixels = image[..., 0], Colours(image), lambda: image
    facts = "0" * 64, focal, zoom, make, model, orientation != 1, orientation, kind, "p.jpg"
    return Photo(*pixels, width, height, *facts)


# ----------------------------------------------------------------------------- turned and resized


@pytest.mark.parametrize("orientation", TURNED)
def test_turning_points_follows_turning_pictures(orientation):
    # placecheck.photo.upright turns the pixels by the EXIF rule; a marked pixel must land where to_upright says
    stored = np.zeros((30, 40), np.uint8)
    stored[7, 31] = 255
    picture = upright(stored, orientation)
    y, x = np.argwhere(picture == 255)[0]
    assert to_upright(np.array([31.0, 7.0]), orientation, 40, 30) == pytest.approx([x, y])


@given(
    x=st.floats(-50, 5000),
    y=st.floats(-50, 5000),
    orientation=st.sampled_from(TURNED),
    w=st.integers(1, 9000),
    h=st.integers(1, 9000),
)
def test_turning_back_is_the_inverse(x, y, orientation, w, h):
    p = np.array([x, y])
    assert to_stored(to_upright(p, orientation, w, h), orientation, w, h) == pytest.approx(p)


def test_one_radial_camera_follows_the_full_model():
    simple = profile(values=(3000.0, 3000.0, 2030.0, 1500.0, 0.06, 0.0, 0.0, 0.0, 0.0))
    camera = single_radial(simple)
    assert (camera.f_px, camera.cx_px, camera.cy_px) == pytest.approx((3000, 2030, 1500), abs=1e-3)
    assert camera.k1 == pytest.approx(0.06, abs=1e-6)
    # a camera that is one already loses nothing: its uncertainties are the calibration's, with the focus share
    assert camera.u_centre_px == pytest.approx(2.5, rel=0.02)
    assert camera.u_f_rel > focus_u_rel(450.0)
    rich = single_radial(profile(values=(3000.0, 3020.0, 2030.0, 1500.0, 0.12, -0.3, 0.001, -0.001, 0.1)))
    assert rich.u_k1 > 2 * camera.u_k1
    assert rich.u_centre_px > camera.u_centre_px + 0.5


def test_one_radial_camera_is_the_best_one():
    # against scipy's general least squares over the same pixels
    optimize = pytest.importorskip("scipy.optimize")
    p = profile(values=(3000.0, 3010.0, 2030.0, 1500.0, 0.1, -0.2, 0.0005, -0.0005, 0.05), reach_px=9999.0)
    x, y = np.linspace(0, W - 1, 25), np.linspace(0, H - 1, 25)
    px = np.stack(np.meshgrid(x, y), -1).reshape(-1, 2)
    fx, fy, cx, cy = p.values[:4]
    xy = vision.undistort_points(px, np.array([[fx, 0, cx], [0, fy, cy], [0, 0, 1]]), np.array(p.values[4:]))
    r2 = (xy**2).sum(-1, keepdims=True)

    def residual(q):
        return (xy * (1 + q[3] * r2) * q[0] + q[1:3] - px).ravel()

    best = optimize.least_squares(residual, [3000, 2000, 1500, 0.0], x_scale=[1000, 1000, 1000, 0.1]).x
    camera = single_radial(p)
    assert [camera.f_px, camera.cx_px, camera.cy_px] == pytest.approx(best[:3], abs=0.01)
    assert camera.k1 == pytest.approx(best[3], abs=1e-5)


def test_upright_photo_of_a_lying_profile():
    p = profile()
    lying, standing = camera_in(p, photo()), camera_in(p, photo(H, W, orientation=6))
    assert (standing.width, standing.height) == (H, W)
    assert standing.f_px == lying.f_px
    # the sensor's x is the standing photo's y; its y counts from the right
    assert standing.cy_px == pytest.approx(lying.cx_px)
    assert standing.cx_px == pytest.approx(H - 1 - lying.cy_px)
    other = camera_in(p, photo(H, W, orientation=8))
    assert other.cx_px == pytest.approx(lying.cy_px)
    half_turn = camera_in(p, photo(orientation=3))
    assert half_turn.cx_px == pytest.approx(W - 1 - lying.cx_px)


def test_turned_by_a_program_the_principal_point_is_doubted():
    p = profile()
    lying = camera_in(p, photo())
    turned = camera_in(p, photo(H, W, orientation=1))
    assert (turned.cx_px, turned.cy_px) == ((H - 1) / 2, (W - 1) / 2)
    away = np.hypot(lying.cx_px - (W - 1) / 2, lying.cy_px - (H - 1) / 2)
    assert turned.u_centre_px == pytest.approx(np.hypot(lying.u_centre_px, away / np.sqrt(2)))
    heic = camera_in(p, photo(kind="heic"))
    assert heic.u_centre_px == pytest.approx(turned.u_centre_px)


def test_resized_photo_is_the_same_camera_smaller():
    p = profile()
    whole, half = camera_in(p, photo()), camera_in(p, photo(W // 2, H // 2))
    assert half.f_px == pytest.approx(whole.f_px / 2)
    # pixel centres at integers: a point x goes to (x + 1/2) s - 1/2, as in vision.resize
    assert half.cx_px == pytest.approx((whole.cx_px + 0.5) / 2 - 0.5)
    assert half.k1 == whole.k1
    odd = camera_in(p, photo(1600, 1200))
    assert odd.f_px == pytest.approx(whole.f_px * 1600 / 4032)
    assert camera_in(p, photo(1001, 751)).f_px == pytest.approx(whole.f_px * 1001 / 4032, rel=1e-3)


def test_focus_share_is_the_thin_lens():
    # f (1 + f/d): from 400 to 750 mm a 6 mm lens changes by 6/400 - 6/750 = 0.7 %
    assert focus_u_rel(400.0) > 6 / 400 - 6 / 600
    assert focus_u_rel(666.0) < 0.002


# ----------------------------------------------------------------------------- choosing


@pytest.fixture
def folder(tmp_path):
    PROFILES.save(profile(), tmp_path)
    return tmp_path


def test_photo_of_the_phone_gets_its_profile(folder):
    picked = pick_profile(photo(make="LUMORA "), folder)
    assert picked.name == "shop"
    assert picked.camera.source == "profile shop"
    assert picked.notes == ()
    assert picked.camera.f_px == pytest.approx(3005, abs=20)


def test_no_profile_no_notes(tmp_path):
    picked = pick_profile(photo(), tmp_path / "none")
    assert (picked.camera, picked.name, picked.notes) == (None, None, ())


@pytest.mark.parametrize(
    ("changed", "code", "word"),
    [
        ({"zoom": 2.0}, "profile-zoom", "zoomed 2 times"),
        ({"focal": 52.0}, "profile-lens", "52 mm against 26 mm"),
        ({"focal": None}, "profile-lens-unknown", "which lens"),
        ({"width": 3024}, "profile-crop", "3024 x 3024"),
        ({"width": 4032, "height": 2268}, "profile-crop", "cropped"),
    ],
)
def test_profile_that_does_not_fit_is_said_and_not_used(folder, changed, code, word):
    picked = pick_profile(photo(**changed), folder)
    assert picked.camera is None
    assert [n.code for n in picked.notes] == [code]
    assert word in picked.notes[0].message
    assert picked.notes[0].message.endswith(".")
    assert "--" not in picked.notes[0].message  # the page shows the same words


def test_resized_photo_is_used_with_a_warning(folder):
    picked = pick_profile(photo(2016, 1512), folder)
    assert picked.name == "shop"
    assert [n.code for n in picked.notes] == ["profile-size"]
    assert "made smaller" in picked.notes[0].message
    (larger,) = pick_profile(photo(8064, 6048), folder).notes
    assert "made larger" in larger.message
    assert "not as large" not in larger.message


def test_other_phone_gets_none_by_itself_and_a_sentence_by_name(folder):
    assert pick_profile(photo(model="L6"), folder).camera is None
    with pytest.raises(UsageProblem, match=r"Lumora L5.*Lumora L6") as caught:
        pick_profile(photo(model="L6"), folder, "shop")
    assert caught.value.problem.code == "profile-other-phone"
    assert "--" not in caught.value.problem.message
    assert with_option(caught.value.problem).endswith("(--camera NAME)")


def test_photo_without_exif_needs_the_name(folder):
    stripped = photo(make=None, model=None, focal=None)
    (note,) = pick_profile(stripped, folder).notes
    assert note.code == "profile-unknown-phone"
    assert "name" not in note.message  # the page has no field for it
    assert with_option(note).endswith("give the photo as the phone saved it. (or --camera NAME)")
    named = pick_profile(stripped, folder, "SHOP")
    assert named.name == "shop"
    assert [n.code for n in named.notes] == ["profile-unchecked"]


def test_the_lens_that_is_not_known_is_told_of_the_photo_or_of_the_profile(folder, tmp_path):
    (note,) = pick_profile(photo(focal=None), folder).notes
    assert "the photo does not say which lens took it; give the photo as the phone saved it." in note.message
    PROFILES.save(profile(focal_35mm=None), tmp_path / "without")
    (note,) = pick_profile(photo(), tmp_path / "without").notes
    assert "its own photos do not say which lens took them; calibrate" in note.message


@pytest.mark.parametrize("changed", [{"zoom": 2.0}, {"focal": 52.0}])
def test_a_close_up_may_be_zoomed(tmp_path, monkeypatch, changed):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    PROFILES.save(profile(), profiles_folder(tmp_path))
    close_up = CheckRequest(None, 0.0, stage="stitches")
    assert pick_camera(photo(**changed), close_up) == Picked(None)
    assert pick_camera(photo(**changed), dataclasses.replace(close_up, stage="pinned")).notes
    assert pick_camera(photo(), close_up).name == "shop"


def test_named_profile_of_another_zoom_is_not_used(folder):
    picked = pick_profile(photo(zoom=3.0), folder, "shop")
    assert picked.camera is None
    assert picked.notes[0].code == "profile-zoom"


def test_the_same_size_comes_first_then_the_newest(folder):
    PROFILES.save(profile("small", width=2016, height=1512, date="2026-06-01"), folder)
    assert pick_profile(photo(), folder).name == "shop"
    assert pick_profile(photo(2016, 1512), folder).name == "small"
    PROFILES.save(profile("newer", date="2026-05-01"), folder)
    assert pick_profile(photo(), folder).name == "newer"
    # the other lens of the same phone has its own profile and does not disturb
    PROFILES.save(profile("wide", focal_35mm=13.0, date="2027-01-01"), folder)
    assert pick_profile(photo(), folder).name == "newer"
    assert pick_profile(photo(focal=13.0), folder).name == "wide"


@given(s=st.floats(0.2, 1.5), stand=st.booleans())
def test_any_uniform_size_fits_and_any_crop_does_not(s, stand):
    w, h = round(W * s), round(H * s)
    size = (h, w) if stand else (w, h)
    assert misfit(profile(), photo(*size)) is None
    assert misfit(profile(), photo(size[0], round(size[1] * 0.93))).code == "profile-crop"


# ----------------------------------------------------------------------------- files


def test_profile_round_trip(tmp_path):
    p = profile(turn_known=False, focal_35mm=None, digital_zoom=1.5)
    path = PROFILES.save(p, tmp_path / "cameras")
    assert PROFILES.load(tmp_path / "cameras", "shop") == p
    assert [f.name for f in path.parent.iterdir()] == ["shop.json"]


def test_nothing_is_overwritten_unasked(folder):
    before = (folder / "shop.json").read_bytes()
    for name in ("shop", "SHOP"):  # also not by other capitals, which some file systems do not tell apart
        with pytest.raises(UsageProblem, match="already"):
            PROFILES.save(profile(name, rms_px=0.5), folder)
    assert (folder / "shop.json").read_bytes() == before
    PROFILES.save(profile(rms_px=0.5), folder, replace=True)
    assert PROFILES.load(folder, "shop").rms_px == 0.5


def test_failed_write_leaves_the_old_file(folder, monkeypatch):
    import os

    before = (folder / "shop.json").read_bytes()

    def full(_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(UnusableFile, match="No space left"):
        PROFILES.save(profile(rms_px=0.5), folder, replace=True)
    assert (folder / "shop.json").read_bytes() == before
    assert [p.name for p in folder.iterdir()] == ["shop.json"]


@pytest.mark.parametrize(
    "damage",
    [
        lambda d: "{",
        lambda d: "[]",
        lambda d: json.dumps(d | {"schema": 2}),
        lambda d: json.dumps(d | {"camera_matrix": [[-5, 0, 1], [0, 1, 1], [0, 0, 1]]}),
        lambda d: json.dumps(d | {"covariance": [[1]]}),
        lambda d: json.dumps({k: v for k, v in d.items() if k != "phone"}),
        lambda d: json.dumps(d | {"rms_px": float("nan")}),
        lambda d: json.dumps(d | {"image_size": "large"}),
        lambda d: json.dumps(d | {"phone": d["phone"] | {"make": 5}}),
    ],
)
def test_damaged_profile_is_one_sentence_and_no_guess(folder, damage):
    path = folder / "shop.json"
    path.write_text(damage(json.loads(path.read_text())))
    with pytest.raises(UsageProblem, match="damaged"):
        PROFILES.load(folder, "shop")
    profiles, problems = PROFILES.load_all(folder)
    assert profiles == []
    assert len(problems) == 1
    picked = pick_profile(photo(), folder)
    assert picked.camera is None
    assert "damaged" in picked.notes[0].message


def test_blanks_do_not_tell_two_profiles_apart(folder):
    """A list shows “shop  phone” and “shop phone” nearly alike."""
    assert PROFILES.save(profile("Shop  phone"), folder).name == "Shop phone.json"
    with pytest.raises(UsageProblem, match="already"):
        PROFILES.save(profile("shop   phone"), folder)
    (folder / "Shop phone.json").rename(folder / "Shop  phone.json")  # as an earlier version kept it
    assert PROFILES.load(folder, "shop phone").name == "Shop  phone"


def test_removed_profiles_are_set_aside(folder):
    first = PROFILES.set_aside(folder, "shop")
    PROFILES.save(profile(), folder)
    second = PROFILES.set_aside(folder, "shop")
    assert first.exists()
    assert second.exists()
    assert first != second
    assert PROFILES.load_all(folder) == ([], ())
    with pytest.raises(UsageProblem, match="no camera profile"):
        PROFILES.set_aside(folder, "shop")


@pytest.mark.parametrize("name", ["", "  ", "../x", "a/b", "a\\b", ".x", "-x", "x" * 60, "x\n", "c:x"])
def test_names_that_are_no_file_names(tmp_path, name):
    if name == "x\n":
        assert PROFILES.save(profile(name), tmp_path).name == "x.json"
        return
    with pytest.raises(UsageProblem, match="cannot be a name"):
        PROFILES.save(profile(name), tmp_path)


def test_profile_refuses_nonsense():
    for change in ({"width": 0}, {"rms_px": 0.0}, {"covariance": ((1.0,),)}):
        with pytest.raises(ValueError, match=r"must|needs"):
            dataclasses.replace(profile(), **change)


# ----------------------------------------------------------------------------- the card's bars


def test_bars_are_kept_and_never_overwritten_unasked(tmp_path):
    assert saved_bars_mm(tmp_path) is None
    save_bars(tmp_path, 99.2, 99.5, date="2026-01-02")
    assert saved_bars_mm(tmp_path) == (99.2, 99.5)
    save_bars(tmp_path, 99.2, 99.5)  # the same again is no change of mind
    with pytest.raises(UsageProblem, match=r"99.2 x 99.5 mm are kept already"):
        save_bars(tmp_path, 100.1, 100.0)
    assert saved_bars_mm(tmp_path) == (99.2, 99.5)
    save_bars(tmp_path, 100.1, 100.0, replace=True)
    assert saved_bars_mm(tmp_path) == (100.1, 100.0)
    assert json.loads((tmp_path / "card.json").read_text())["earlier"][0]["bars_mm"] == [99.2, 99.5]


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("10x10", "card-bars-beyond"),
        ("99", "card-bars-unreadable"),
        ("96x100", "card-bars-apart"),
        ("99x120", "card-bars-beyond"),
    ],
)
def test_absurd_bars_are_refused(text, code):
    with pytest.raises(UsageProblem) as caught:
        parse_bars(text)
    assert caught.value.problem.code == code


@pytest.mark.parametrize(
    ("text", "small", "words"),
    [
        ("10x9.95", False, "write cm"),
        ("3.9x3.92", False, "write in "),
        ("49.8x49.9", False, "those of the small card"),
        ("99.2x99.5", True, "those of the scale card"),
        ("1.96x1.96", True, "write in "),
        ("99x120", False, "measure the two long bars again"),
    ],
)
def test_bars_of_another_unit_or_card_are_told_as_such(text, small, words):
    with pytest.raises(UsageProblem, match=words):
        parse_bars(text, small)


@pytest.mark.parametrize(
    "kept",
    [
        {"schema": 1, "bars_mm": [99.0, 102.0], "date": "2026-01-01"},
        {"schema": 1, "bars_mm": None, "date": None, "earlier": 5},
        {"schema": 1, "bars_mm": [99.0, 99.0], "date": "2026-01-01", "earlier": "abc"},
    ],
)
def test_an_edited_card_file_is_one_sentence(tmp_path, kept):
    (tmp_path / "card.json").write_text(json.dumps(kept))
    with pytest.raises(UsageProblem, match=r"card\.json is damaged"):
        save_bars(tmp_path, 99.2, 99.5, replace=True)


def test_fit_to_page_is_named():
    # A4 printed "fit to page" on Letter: 279.4 / 297 (ISO 216, ANSI Y14.1) = 94.07 %
    size = 100 * 279.4 / 297
    assert "94.1 %" in warnings_for(size, size)[0].message
    assert warnings_for(99.4, 100.3) == ()


@pytest.mark.parametrize(
    "text", ["{", "[1]", '{"schema": 1}', '{"schema": 1, "bars_mm": [1, 2], "date": "x"}', "[" * 100_000]
)
def test_damaged_card_is_one_sentence(tmp_path, text):
    (tmp_path / "card.json").write_text(text)
    with pytest.raises(UsageProblem, match="damaged"):
        load_bars(tmp_path)


def test_bars_in_the_settings_outrank_those_entered_once_wherever_the_card_is_used(tmp_path, monkeypatch):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    assert run(["card-bars", "99.2x99.5"]) == 0
    (tmp_path / "settings.toml").write_text('[check]\ncard_bars = "98.1x98.3"\n')
    used = []

    def seen(*arguments):
        used.append(next(a for a in arguments if isinstance(a, tuple)))
        raise UsageProblem("enough", "Enough was seen.")

    monkeypatch.setattr("placecheck.bare_block.photos.measure_block", seen)
    monkeypatch.setattr("placecheck.profiles.views.assess", seen)
    photos = [str(tmp_path / f"{k}.jpg") for k in range(8)]
    for command in (["block", "photos", "Ash", "--card-at", "left"], ["camera", "guide"], ["camera", "add", "phone"]):
        assert run([*command, *photos]) == 2
    used.append(camera_photos.message(tmp_path, "")["bars_mm"])
    assert used == [(98.1, 98.3)] * 4


def test_command_card_bars(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "new"))
    assert run(["card-bars"]) == 0
    assert run(["card-bars", "99.2x99.5"]) == 0
    assert run(["card-bars", "100x100"]) == 2
    assert run(["card-bars", "50x99"]) == 2
    assert saved_bars_mm(tmp_path / "new") == (99.2, 99.5)
    assert run(["card-bars", "--forget", "99x99"]) == 2
    assert run(["card-bars", "--forget"]) == 0
    assert saved_bars_mm(tmp_path / "new") is None
    assert run(["card-bars", "94x94.2"]) == 0
    said = capsys.readouterr()
    assert "Traceback" not in said.err
    assert "fit to page" in said.err


def test_each_card_has_bars_of_its_own(tmp_path):
    save_bars(tmp_path, 49.8, 49.9, small=True, date="2026-01-02")
    assert saved_bars_mm(tmp_path) is None
    save_bars(tmp_path, 99.2, 99.5)
    assert saved_bars_mm(tmp_path, small=True) == (49.8, 49.9)
    with pytest.raises(UsageProblem, match=r"49.8 x 49.9 mm are kept already, entered 2026-01-02"):
        save_bars(tmp_path, 50.1, 50.0, small=True)
    save_bars(tmp_path, 50.1, 50.0, replace=True, small=True)
    assert forget_bars(tmp_path)
    assert saved_bars_mm(tmp_path) is None
    assert saved_bars_mm(tmp_path, small=True) == (50.1, 50.0)
    kept = json.loads((tmp_path / "card.json").read_text())
    assert [e["bars_mm"] for e in kept["earlier"]] == [[99.2, 99.5]]
    assert [e["bars_mm"] for e in kept["small"]["earlier"]] == [[49.8, 49.9]]
    assert forget_bars(tmp_path, small=True)
    assert not forget_bars(tmp_path, small=True)
    # A4 on Letter again, of 50 mm
    assert "94.1 %" in warnings_for(47.03, 47.03, small=True)[0].message
    assert warnings_for(49.7, 50.2, small=True) == ()


@pytest.mark.parametrize(
    ("text", "code"),
    [("99.2x99.5", "card-bars-beyond"), ("10x10", "card-bars-beyond"), ("49x51", "card-bars-apart")],
)
def test_absurd_bars_of_the_small_card_are_refused(text, code):
    with pytest.raises(UsageProblem) as caught:
        parse_bars(text, small=True)
    assert caught.value.problem.code == code


@pytest.mark.parametrize("small", ["[1]", '"x"', "{}", '{"bars_mm": [100, 100], "date": "x"}'])
def test_a_damaged_small_card_is_one_sentence(tmp_path, small):
    (tmp_path / "card.json").write_text(f'{{"schema": 1, "bars_mm": null, "date": null, "small": {small}}}')
    assert load_bars(tmp_path) is None
    with pytest.raises(UsageProblem, match="damaged"):
        load_bars(tmp_path, small=True)


def test_command_card_bars_of_the_small_card(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    assert run(["card-bars", "--small"]) == 0
    assert "measure both 50 mm bars of your small card and enter them, such as 49.2x49.5" in capsys.readouterr().out
    assert run(["card-bars", "--small", "99.2x99.5"]) == 2
    said = capsys.readouterr().err
    assert "too far from 50" in said
    assert len(said.strip().splitlines()) == 1
    assert run(["card-bars", "--small", "4.98x4.99cm"]) == 0
    assert run(["card-bars", "99.2x99.5"]) == 0
    capsys.readouterr()
    assert run(["card-bars"]) == 0
    assert [line.split(" mm")[0] for line in capsys.readouterr().out.splitlines()] == [
        "99.2 x 99.5",
        "small card: 49.8 x 49.9",
    ]
    assert run(["card-bars", "--small", "--forget"]) == 0
    assert saved_bars_mm(tmp_path, small=True) is None
    assert saved_bars_mm(tmp_path) == (99.2, 99.5)


# ----------------------------------------------------------------------------- commands


def test_commands_of_the_camera(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    PROFILES.save(profile(), tmp_path / "cameras")
    assert run(["camera", "list"]) == 0
    assert "shop: Lumora L5, 26 mm lens, 4032 x 3024, 2 photos" in capsys.readouterr().out
    assert run(["camera", "show", "shop", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["camera_matrix"][0][0] == 3000
    assert run(["camera", "show", "shop"]) == 0
    assert "In a check: f" in capsys.readouterr().out
    assert run(["camera", "show", "nobody"]) == 2
    assert "there is shop" in capsys.readouterr().err
    assert run(["camera", "add", "shop", str(tmp_path / "no.jpg")]) == 2
    assert "already" in capsys.readouterr().err
    assert run(["camera", "add", "new", str(tmp_path / "no.jpg")]) == 3
    assert "does not exist" in capsys.readouterr().err
    assert run(["camera", "match", str(tmp_path / "no.jpg")]) == 4
    assert run(["camera", "remove", "shop"]) == 0
    assert run(["camera", "list"]) == 0
    assert "No camera profile" in capsys.readouterr().out
    assert run(["camera", "match", str(Path(__file__).parents[1] / "fixtures" / "photos" / "demo.jpg")]) == 0
    assert "demo.jpg: no profile, since none of its phone is saved" in capsys.readouterr().out
