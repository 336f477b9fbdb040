"""From a photo's file to its record: which camera measures it, what is said about it, what is kept.

Everything here is real (JPEG bytes with EXIF, profile files, card file, SQLite) but the finding of landmarks,
whose place a stand-in takes: it keeps the camera it is given and hands back fixed values.
"""

from __future__ import annotations

import json
import sys
import types

import pytest
from PIL import Image
from test_profiles import profile

from placecheck import cli
from placecheck.answer import MEASURES, Estimate, Measured
from placecheck.card_bars import save_bars
from placecheck.errors import RetakeNeeded, UnusableFile
from placecheck.one_photo import check_file
from placecheck.page.checking import Checker
from placecheck.page.codec import measured_from_dict, measured_to_dict
from placecheck.photo import load_photo
from placecheck.profiles.kept import PROFILES, as_json, profiles_folder
from placecheck.profiles.match import camera_in
from placecheck.records.model import Filter
from placecheck.records.recheck import recheck
from placecheck.records.request_json import from_json
from placecheck.records.store import open_store
from placecheck.request import CheckRequest
from placecheck.same_block.several import check_together
from placecheck.units import ClosureSize

OPTIONS = ["--closure", "5x5", "--block-circumference", "22.75in"]
GOOD = {"clearance_centre_mm": 10.0, "clearance_left_mm": 10.0, "clearance_right_mm": 10.0}


class Bench:
    """The stand-in's own notes: the requests and cameras it was given. What it finds shifts with the camera's f."""

    def __init__(self) -> None:
        self.requests: list = []
        self.cameras: list = []

    def measure_photo(self, photo, request, explain=None, camera=None) -> Measured:
        self.requests.append(request)
        self.cameras.append(camera)
        shift = 0.0 if camera is None else camera.f_px / 1e5
        return Measured({s.name: Estimate(GOOD.get(s.name, 0.0) + shift, 0.3) for s in MEASURES})


@pytest.fixture
def bench(monkeypatch) -> Bench:
    fake = Bench()
    module = types.ModuleType("placecheck.measuring")
    module.measure_photo = fake.measure_photo  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "placecheck.measuring", module)
    return fake


@pytest.fixture
def home(tmp_path, monkeypatch):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "home"))
    return tmp_path / "home"


@pytest.fixture
def photo(tmp_path):
    """A JPEG that says which phone and lens took it."""
    path, exif = tmp_path / "photo.jpg", Image.Exif()
    exif[0x010F], exif[0x0110] = "Lumora", "L5"
    exif.get_ifd(0x8769)[0xA405] = 26
    Image.effect_noise((1200, 900), 60).convert("RGB").save(path, exif=exif)
    return path


def small(**changes):
    return profile(width=1200, height=900, values=(893.0, 894.0, 604.5, 446.0, 0.08, -0.05, 0, 0, 0), **changes)


def check(photo, capfd, *more):
    status = cli.run(["check", str(photo), *OPTIONS, "--json", *more])
    out, err = capfd.readouterr()
    return status, json.loads(out), err


def test_the_saved_profile_of_the_phone_measures(home, bench, photo, capfd):
    PROFILES.save(small(), profiles_folder(home))
    status, answer, _ = check(photo, capfd, "--no-save")
    assert (status, answer["problems"]) == (0, [])
    assert bench.cameras == [camera_in(small(), load_photo(photo))]
    assert bench.cameras[0].source == "profile shop"


def test_without_a_profile_exif_tells(home, bench, photo, capfd):
    status, answer, _ = check(photo, capfd, "--no-save")
    assert (status, answer["problems"], bench.cameras) == (0, [], [None])


def test_a_profile_that_does_not_fit_is_said_and_changes_no_verdict(home, bench, photo, capfd):
    PROFILES.save(small(focal_35mm=13.0), profiles_folder(home))
    status, answer, _ = check(photo, capfd, "--no-save")
    assert (status, answer["verdict"]) == (0, "pass")
    assert [p["code"] for p in answer["problems"]] == ["profile-lens"]
    assert bench.cameras == [None]


def test_a_damaged_profile_costs_a_sentence_and_no_check(home, bench, photo, capfd):
    profiles_folder(home).mkdir(parents=True)
    (profiles_folder(home) / "shop.json").write_text("{")
    status, answer, _ = check(photo, capfd, "--no-save")
    assert (status, answer["verdict"], bench.cameras) == (0, "pass", [None])
    assert "shop.json" in answer["problems"][0]["message"]


def test_a_named_profile_that_is_not_there_is_refused(home, bench, photo, capfd):
    status = cli.run(["check", str(photo), *OPTIONS, "--json", "--no-save", "--camera", "attic"])
    out, err = capfd.readouterr()
    assert (status, out, bench.cameras) == (2, "", [])  # as every option that makes no sense, before a photo is opened
    assert "There is no camera profile “attic”" in err


def test_bars_entered_once_are_used_until_an_option_or_the_settings_say_otherwise(home, bench, photo, capfd):
    check(photo, capfd, "--no-save")
    save_bars(home, 99.2, 99.5)
    check(photo, capfd, "--no-save")
    (home / "settings.toml").write_text('[check]\ncard_bars = "99.4x99.6"\n')
    check(photo, capfd, "--no-save")
    check(photo, capfd, "--no-save", "--card-bars", "99.8x99.9")
    assert [r.card_bars_mm for r in bench.requests] == [None, (99.2, 99.5), (99.4, 99.6), (99.8, 99.9)]


def test_the_record_keeps_the_profile_and_a_recheck_uses_that_one(home, bench, photo, capfd):
    PROFILES.save(small(), profiles_folder(home))
    status, answer, err = check(photo, capfd)
    assert (status, err) == (0, "")
    PROFILES.set_aside(profiles_folder(home), "shop")
    assert check(photo, capfd)[1] != answer
    PROFILES.save(small(date="2026-05-01", focal_35mm=13.0), profiles_folder(home))
    with open_store(home) as store:
        first, second = sorted(store.each(Filter()), key=lambda r: r.id)
        assert first.profile == json.loads(json.dumps(as_json(small())))
        assert second.profile is None
        assert [r.reproduced for r in recheck(store, Filter())] == [True, True]


def test_the_page_measures_with_the_same_profile(home, bench, photo):
    PROFILES.save(small(), profiles_folder(home))
    request = from_json(
        CheckRequest,
        {"closure": {"width_mm": 127.0, "length_mm": 127.0, "label": "5x5"}, "block_circumference_mm": 578.0},
    )
    measured = Checker().check(photo, request).measured
    assert bench.cameras[0].source == "profile shop"
    assert measured.camera_profile == as_json(small())
    told = json.loads(json.dumps(measured_to_dict(measured)))
    assert measured_from_dict(told).camera_profile == json.loads(json.dumps(as_json(small())))
    told["camera_profile"]["covariance"] = "?"
    with pytest.raises(ValueError, match="damaged"):
        measured_from_dict(told)


# ----------------------------------------------------------------------------- what stops a check


@pytest.mark.parametrize(
    ("error", "code", "status", "words"),
    [
        (RetakeNeeded("card-missing", "no card was found."), "card-missing", 3, "card was found"),
        (UnusableFile("empty-file", "it is empty."), "empty-file", 4, "is empty"),
        (ImportError("No module named 'cv2'"), "package-missing", 4, "install placecheck again"),
        (MemoryError(), "out-of-memory", 4, "There is not enough memory for th"),
        (ZeroDivisionError("by zero"), "internal-error", 4, "(ZeroDivisionError: by zero)"),
    ],
)
def test_one_photo_a_set_and_the_page_are_stopped_alike(tmp_path, monkeypatch, error, code, status, words):
    """One ladder for all three; only the sentence that helps against too little memory differs."""

    def refuse(*_, **__):
        raise error

    monkeypatch.setattr("placecheck.photo.load_photo", refuse)
    paths = [tmp_path / "a.jpg", tmp_path / "b.jpg"]
    for path in paths:
        path.write_bytes(b"x")
    request = CheckRequest(ClosureSize(127.0, 127.0, "5x5"), 578.0)
    answers = [check_file(paths[0], request).answer, check_together(paths, request).answer]
    told = [(a.problems[0].code, a.problems[0].message, a.exit_status) for a in answers]
    told.append(Checker().check(paths[0], request).failure)
    for found, message, exit_status in told:
        assert (found, exit_status) == (code, status)
        assert words in message
    assert told[2][1][0].isupper()
    assert {a.verdict for a in answers} == {"retake"}
    assert [a.as_json()["measures"] for a in answers] == [dict.fromkeys((s.name for s in MEASURES), None)] * 2
    if code == "out-of-memory":
        assert len({message for _, message, _ in told}) == 3
