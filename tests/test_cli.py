"""The command line: the answer's contract, exit statuses, settings, files written, and every kind of bad input.

Measuring itself is replaced by known values here (the vision has its own tests); photos are real JPEG files.
"""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import time
import types
from pathlib import Path

import cv2
import numpy as np
import pytest
from test_profiles import profile

from placecheck import cli
from placecheck.answer import JUDGED, MEASURES, Estimate, Findings, Measured
from placecheck.commands.worker_processes import _in_processes
from placecheck.errors import RetakeNeeded, UsageProblem
from placecheck.marks import Marks, load_marks
from placecheck.profiles.kept import PROFILES, profiles_folder
from placecheck.records.photos import sha256_of
from placecheck.request import CheckRequest
from placecheck.units import parse_closure

OPTIONS = ["--closure", "5x5", "--block-circumference", "22.75in", "--no-save"]
GOOD = dict.fromkeys(JUDGED, 0.0) | dict.fromkeys([n for n in JUDGED if "clearance" in n], 10.0)


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch) -> Path:
    folder = tmp_path / "home"
    folder.mkdir()
    monkeypatch.setenv("PLACECHECK_HOME", str(folder))
    monkeypatch.delenv("PLACECHECK_DEBUG", raising=False)
    return folder


@pytest.fixture
def photo(tmp_path) -> Path:
    noise = np.random.default_rng(1).integers(0, 255, (900, 1200, 3), dtype=np.uint8)
    path = tmp_path / "photo.jpg"
    path.write_bytes(cv2.imencode(".jpg", cv2.GaussianBlur(noise, (0, 0), 4))[1].tobytes())
    return path


class Measuring:
    """Stands in for placecheck.measuring: gives the values it is told, keeps the requests it was asked."""

    def __init__(self) -> None:
        self.values: dict[str, float] = dict(GOOD)
        self.u = 0.3
        self.error: BaseException | None = None
        self.requests: list = []
        self.cameras: list = []

    def measure_photo(self, photo, request, explain=None, camera=None) -> Measured:
        self.requests.append(request)
        self.cameras.append(camera)
        if self.error is not None:
            raise self.error
        if explain is not None:
            explain("card", np.zeros((50, 80), np.uint8))
            explain("surface map/1", np.zeros((50, 80, 3), np.uint8))
        marks = {"fold_front": (600.0, 700.0), "fold_back": (600.0, 300.0)}
        return Measured({n: Estimate(v, self.u) for n, v in self.values.items()}, findings=Findings(marks))


@pytest.fixture
def measuring(monkeypatch) -> Measuring:
    fake = Measuring()
    module = types.ModuleType("placecheck.measuring")
    module.measure_photo = fake.measure_photo  # type: ignore[attr-defined]
    monkeypatch.setitem(sys.modules, "placecheck.measuring", module)
    return fake


@pytest.fixture
def run(capfd):
    """Run the command in this process: (status, standard output, standard error)."""

    def go(*arguments: object) -> tuple[int, str, str]:
        capfd.readouterr()
        status = cli.run([str(a) for a in arguments])
        out, err = capfd.readouterr()
        assert "Traceback" not in out + err or os.environ.get("PLACECHECK_DEBUG")
        return status, out, err

    return go


def one_sentence(err: str, *words: str) -> None:
    assert err.startswith("placecheck: ")
    assert err.count("\n") == 1
    for word in words:
        assert word in err, err


# ---------------------------------------------------------------------------------------------- the answer


def test_json_contract(run, photo, measuring):
    measuring.values["offset_mm"] = -1.234
    status, out, err = run("check", photo, *OPTIONS, "--json")
    answer = json.loads(out)
    assert (status, err) == (0, "")
    assert set(answer) == {"schema", "verdict", "measures", "landmarks_px", "problems", "fixes"}
    assert answer["schema"] == 1
    assert answer["verdict"] == "pass"
    assert set(answer["measures"]) == {spec.name for spec in MEASURES}
    offset = answer["measures"]["offset_mm"]
    assert offset["value"] == -1.234
    assert offset["U95"] == 0.6
    assert (offset["unit"], offset["low"], offset["high"], offset["state"]) == ("mm", -3, 3, "in")
    assert 0.99 < offset["p_conform"] <= 1
    assert answer["measures"]["width_front_mm"] is None
    assert any(p["code"] == "not-measured" for p in answer["problems"])
    assert answer["landmarks_px"]["fold_front"] == [600.0, 700.0]


@pytest.mark.parametrize(
    ("change", "verdict", "expected"),
    [
        ({}, "pass", 0),
        ({"offset_mm": 8.0}, "fix", 1),
        ({"offset_mm": 3.1}, "retake", 3),
        ({"skew_deg": None}, "retake", 3),
    ],
)
def test_verdicts_and_exit_statuses(run, photo, measuring, change, verdict, expected):
    measuring.values = {n: v for n, v in (GOOD | change).items() if v is not None}
    status, out, _ = run("check", photo, *OPTIONS, "--json")
    answer = json.loads(out)
    assert answer["verdict"] == verdict
    assert status == expected
    assert bool(answer["fixes"]) == (verdict == "fix")


def test_table_and_advice(run, photo, measuring):
    measuring.values["offset_mm"] = 8.0
    status, out, err = run("check", photo, *OPTIONS)
    assert status == 1
    assert err == ""
    assert out.startswith("FIX")
    assert "8.00 ± 0.60 mm right" in out
    assert "✗ OUT" in out
    assert "not measured" not in out


def test_who_stops_reading_still_has_a_record(photo, home):
    from placecheck.records.store import open_store

    read, write = os.pipe()
    os.close(read)  # whoever was to read the answer has gone
    command = [sys.executable, "-m", "placecheck", "check", str(photo), "--closure", "5x5"]
    with os.fdopen(write, "wb") as out:
        done = subprocess.run(
            [*command, "--block-circumference", "22.75in", "--json"],
            stdout=out,
            stderr=subprocess.PIPE,
            timeout=120,
            text=True,
        )
    assert done.returncode == 3  # noise is no photo of a block
    assert "Traceback" not in done.stderr
    with open_store(home) as store:
        assert store.count() == 1


def test_a_step_that_cannot_go_on(run, photo, measuring):
    measuring.error = RetakeNeeded("card-missing", "No card was found: lay the printed card beside the block.")
    status, out, err = run("check", photo, *OPTIONS, "--json")
    answer = json.loads(out)
    assert (status, err) == (3, "")
    assert answer["verdict"] == "retake"
    assert set(answer["measures"].values()) == {None}
    assert answer["problems"][0]["code"] == "card-missing"
    status, out, _ = run("check", photo, *OPTIONS)
    assert status == 3
    assert "No card was found" in out


# ---------------------------------------------------------------------------------------------- unusable files


def unusable(name: str, tmp_path: Path, photo: Path) -> Path:
    path = tmp_path / f"{name}.jpg"
    if name == "text":
        path.write_text("a cat")
    elif name == "empty":
        path.write_bytes(b"")
    elif name == "folder":
        path.mkdir()
    elif name == "truncated":
        path.write_bytes(photo.read_bytes()[:20_000])
    return path


@pytest.mark.parametrize("name", ["text", "empty", "folder", "truncated", "absent"])
def test_unusable_files(run, tmp_path, photo, name):
    path = unusable(name, tmp_path, photo)
    status, out, err = run("check", path, *OPTIONS, "--json")
    answer = json.loads(out)
    assert (status, err) == (4, "")
    assert answer["verdict"] == "retake"
    assert set(answer["measures"].values()) == {None}
    (problem,) = answer["problems"]
    assert path.name in problem["message"]
    status, out, _ = run("check", path, *OPTIONS)
    assert status == 4
    assert out.startswith("NOT CHECKED: nothing was measured\n")


def test_what_no_photo_helps_is_no_retake(run, photo):
    """A frontal is too wide for any photo: another photo was asked for, and the status was that of a wrong option."""
    status, out, _ = run("check", photo, "--closure", "13x4", *OPTIONS[2:])
    assert status == 2
    assert out.startswith("NOT CHECKED: nothing was measured\n")
    assert "no photo shows both its ends" in " ".join(out.split())


def test_no_read_permission(run, photo, monkeypatch):
    def refuse(self: Path) -> bytes:
        raise PermissionError(13, "Permission denied", str(self))

    monkeypatch.setattr(Path, "read_bytes", refuse)
    status, out, _ = run("check", photo, *OPTIONS, "--json")
    assert status == 4
    assert json.loads(out)["problems"][0]["code"] == "no-permission"


def test_one_photo_that_may_not_be_read_does_not_stop_the_others(run, photo, measuring, tmp_path):
    barred = tmp_path / "barred.jpg"
    barred.write_bytes(photo.read_bytes())
    barred.chmod(0)
    arguments = ["check", str(barred), str(photo), *OPTIONS, "--json"]
    if os.geteuid() == 0:  # root reads it all the same, unless it gives that power away
        code = f"import sys; from placecheck.cli import main; sys.argv[1:] = {arguments!r}; main()"
        done = unprivileged("-c", code)
        status, out = done.returncode, done.stdout.decode()
        assert done.stderr == b""
    else:
        status, out, _ = run(*arguments)
    answers = [json.loads(line) for line in out.splitlines()]
    assert status == 4
    assert answers[0]["problems"][0]["code"] == "no-permission"
    assert answers[1]["problems"][0]["code"] != "no-permission"


def test_a_damaged_jpeg_is_named_and_nothing_leaks(run, photo, measuring, tmp_path):
    data = bytearray(photo.read_bytes())
    data[40_000:40_512] = bytes(512)
    damaged = tmp_path / "damaged.jpg"
    damaged.write_bytes(data)
    status, out, err = run("check", damaged, *OPTIONS, "--json")
    assert (status, err) == (4, "")
    assert "damaged" in json.loads(out)["problems"][0]["message"]


# ---------------------------------------------------------------------------------------------- faults


def test_internal_error_is_an_answer(run, photo, measuring, monkeypatch):
    measuring.error = ValueError("shapes do not match\nsecond line")
    status, out, err = run("check", photo, *OPTIONS, "--json")
    (problem,) = json.loads(out)["problems"]
    assert (status, err) == (4, "")
    assert problem["code"] == "internal-error"
    assert "\n" not in problem["message"]
    assert "report" in problem["message"]
    monkeypatch.setenv("PLACECHECK_DEBUG", "1")
    status, out, err = run("check", photo, *OPTIONS, "--json")
    assert status == 4
    assert json.loads(out)["verdict"] == "retake"
    assert "Traceback" in err
    assert "shapes do not match" in err


@pytest.mark.parametrize("more", [[], ["--same-block"]])
def test_what_was_not_checked_is_no_record(run, photo, measuring, tmp_path, monkeypatch, more):
    """In a list of records it would read as a photo to take again."""
    from placecheck.records.store import open_store

    second = tmp_path / "second.jpg"
    second.write_bytes(cv2.imencode(".jpg", 255 - cv2.imread(str(photo)))[1].tobytes())

    def broken(*given):
        raise ValueError("shapes do not match")

    measuring.error = ValueError("shapes do not match")
    monkeypatch.setattr("placecheck.same_block.several._answer", broken)
    status, out, err = run("check", photo, second, *OPTIONS[:-1], *more)
    assert (status, err) == (4, "")
    assert "NOT CHECKED" in out
    with open_store() as store:
        assert store.count() == 0


def test_no_number_is_ever_nan_in_the_answer(run, photo, measuring, monkeypatch):
    def nan(photo, request, explain=None, camera=None):
        return Measured({}, findings=Findings({"fold_front": (float("nan"), 1.0)}))

    monkeypatch.setattr(sys.modules["placecheck.measuring"], "measure_photo", nan)
    status, out, _ = run("check", photo, *OPTIONS, "--json")
    assert status == 4
    assert "NaN" not in out
    assert json.loads(out)["problems"][0]["code"] == "internal-error"


def test_out_of_memory(run, photo, measuring):
    opencvs = cv2.error("Failed to allocate 37748736 bytes")
    opencvs.code = cv2.Error.StsNoMem
    for measuring.error in (MemoryError(), opencvs):
        status, out, _ = run("check", photo, *OPTIONS, "--json")
        assert status == 4
        assert json.loads(out)["problems"][0]["code"] == "out-of-memory"


def test_missing_system_library_names_the_packages(run, photo, measuring):
    # the loader's message as Debian 12 without libgl1 prints it
    measuring.error = ImportError("libGL.so.1: cannot open shared object file: No such file or directory")
    status, out, _ = run("check", photo, *OPTIONS, "--json")
    (problem,) = json.loads(out)["problems"]
    assert status == 4
    assert problem["code"] == "system-library-missing"
    assert "libGL.so.1" in problem["message"]
    assert "apt-get install -y libgl1 libglib2.0-0" in problem["message"]


# ---------------------------------------------------------------------------------------------- usage


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--closure", "5x5", "--block-circumference", "57"], ["did you mean 57cm?"]),
        (["--closure", "5x5", "--block-circumference", "57in"], ["57cm"]),
        (["--closure", "five", "--block-circumference", "57cm"], ["closure size"]),
        (["--block-circumference", "57cm"], ["--closure 5x5"]),
        (["--closure", "5x5"], ["--block-circumference"]),
        ([*OPTIONS, "--card-bars", "100"], ["card bars"]),
        ([*OPTIONS, "--card-bars", "97x100"], ["97", "100", "3% apart"]),
        ([*OPTIONS, "--overlay", "picture.gif"], [".jpg or .png"]),
        ([*OPTIONS, "--tolerances", "none.toml"], ["There is no tolerances file"]),
        ([*OPTIONS, "--marks", "none.json"], ["There is no marks file"]),
    ],
)
def test_usage_problems(run, photo, measuring, arguments, words):
    status, out, err = run("check", photo, *arguments, "--json")
    assert (status, out) == (2, "")
    one_sentence(err, *words)
    assert not measuring.requests


@pytest.mark.parametrize(
    "arguments",
    [["check"], ["check", "--jobs", "0", "a.jpg"], ["chekc"], ["check", "a.jpg", "--front", "up"], ["--what"]],
)
def test_usage_errors_of_the_command_line(run, arguments):
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    assert err


def test_what_is_wrong_names_the_option_that_helps_on_the_command_line_only(run):
    from placecheck.contradictions import other_block
    from placecheck.errors import Problem
    from placecheck.printout import OPTIONS as HELPING
    from placecheck.printout import with_option

    for code, option in HELPING.items():
        # an option of check, or a whole command
        command, dashes, rest = option.partition("--")
        words = [word for word in command.split()[1:] if word.islower()]
        status, out, _ = run(*(words or ["check"]), "--help")
        assert status == 0, option
        assert f"{dashes}{rest}".split(" ")[0] in out
        assert with_option(Problem(code, "It is so.")) == f"It is so. ({option})"
    assert with_option(Problem("card-missing", "It is so.")) == "It is so."
    told = other_block("Oak", "photo.jpg").problem
    assert "--" not in told.message  # the page shows the same words
    assert "--block-circumference" in with_option(told)
    unseen = Problem("closure-missing", "It is so.")  # photos of one block are pinned ones, with one of the cap beside
    assert "--stage cap" in with_option(unseen)
    assert with_option(unseen, 2) == "It is so. (--cap-photo FILE, if it is of the cap alone)"


def test_marks_belong_to_one_photo(run, photo, measuring, tmp_path):
    status, _, err = run("check", photo, photo, *OPTIONS, "--marks", tmp_path / "m.json")
    assert status == 2
    one_sentence(err, "one photo")


# ---------------------------------------------------------------------------------------------- settings


def test_settings_fill_what_is_not_given(run, photo, measuring, home):
    (home / "settings.toml").write_text(
        '[check]\nclosure = "4x4"\nblock_circumference = "57.8cm"\ncard_bars = "99.2x99.5"\ncamera = "mine"\n'
        "[tolerances]\noffset_mm = [-10, 10]\n"
    )
    PROFILES.save(profile("mine", width=1200, height=900), profiles_folder(home))
    measuring.values["offset_mm"] = 8.0
    status, *_ = run("check", photo, "--no-save")
    (request,) = measuring.requests
    assert status == 0
    assert request.closure.width_mm == pytest.approx(101.6)
    assert request.block_circumference_mm == pytest.approx(578)
    assert request.card_bars_mm == (99.2, 99.5)
    assert request.camera_name == "mine"
    run("check", photo, "--no-save", "--closure", "5x5", "--front", "left")
    assert measuring.requests[-1].closure.label == "5x5"
    assert measuring.requests[-1].front == "left"


def test_tolerances_option_outranks_settings(run, photo, measuring, home, tmp_path):
    (home / "settings.toml").write_text("[tolerances]\noffset_mm = [-10, 10]\n")
    own = tmp_path / "own.toml"
    own.write_text("[tolerances]\noffset_mm = [-1, 1]\n")
    measuring.values["offset_mm"] = 8.0
    assert run("check", photo, *OPTIONS)[0] == 0
    assert run("check", photo, *OPTIONS, "--tolerances", own)[0] == 1


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("[chek]\n", "chek"),
        ("[check]\nclosures = '5x5'", "closures"),
        ("[check]\nclosure = 5", "in quotes"),
        ("check = 1", "[check]"),
        ("[tolerances]\noffset_mm = 1", "two numbers"),
        ("[", "not valid TOML"),
        ("[check]\nclosure = “5x5”", "in line 2: write a text in straight quotes"),
    ],
)
def test_faulty_settings(run, photo, measuring, home, text, word):
    (home / "settings.toml").write_text(text)
    status, out, err = run("check", photo, *OPTIONS)
    assert (status, out) == (2, "")
    one_sentence(err, word, "settings.toml")


# ---------------------------------------------------------------------------------------------- as it was typed


@pytest.mark.parametrize(
    ("typed", "whole"),
    [
        ("check p.jpg --closure 5x5 --block-circumference 22 3/4 in", '--block-circumference "22 3/4 in"'),
        ("check --block-circumference=22 3/4″ p.jpg --closure 5x5", '--block-circumference "22 3/4″"'),
        ("check p.jpg --closure 4 x 4 --block-circumference 23in", '--closure "4 x 4"'),
        ("check p.jpg --closure 4 by 4 in --block-circumference 23in", '--closure "4 by 4 in"'),
        ("check p.jpg --closure 5x5 --block-circumference 57,8 cm", '--block-circumference "57,8 cm"'),
        ("order new Willow --circumference 22 1/2 --closure 5x5", '--circumference "22 1/2"'),
        ("card-bars 99.2 x 99.5", 'card-bars "99.2 x 99.5"'),
    ],
)
def test_what_blanks_tore_apart_is_to_be_put_in_quotes(run, measuring, typed, whole):
    """Of `22 3/4 in` it said that 22 has no unit, and to write 22in."""
    status, out, err = run(*typed.split())
    assert (status, out) == (2, "")
    one_sentence(err, "needs quotes round it", whole)


def test_what_is_no_torn_length_is_left_alone(run, photo, measuring, home):
    assert run("check", *OPTIONS[:-1], "--jobs", "2", photo)[0] == 0
    assert run("check", photo, *OPTIONS[:-1])[0] == 0
    assert run("records", "note", "1", "x") == (0, "", "The note is written to record 1.\n")
    assert run("records", "note", "2", "—torn")[0] == 0
    assert run("records", "list", "--limit", "1")[0] == 0


def test_a_long_dash_is_no_photo(run, photo, measuring):
    status, out, err = run("check", photo, "—closure", "5x5")
    assert (status, out) == (2, "")
    one_sentence(err, "“—closure” begins with a long dash", "--closure.")


def test_capitals_choose_as_small_letters_do(run, photo, measuring, tmp_path):
    assert run("card", tmp_path / "card.pdf", "--paper", "A4")[0] == 0
    assert run("check", photo, *OPTIONS[:-1], "--stage", "Pinned", "--front", "Top")[0] == 0
    for options in (("--verdict", "PASS"), ("--stage", "Pinned")):
        status, out, _ = run("records", "list", *options)
        assert (status, "5x5" in out) == (0, True)


@pytest.mark.parametrize("typed", ["23in", "22 3/4", "57.5"])
def test_a_length_is_no_saved_block(run, photo, measuring, typed):
    status, out, err = run("check", photo, "--closure", "5x5", "--block", typed)
    assert (status, out) == (2, "")
    one_sentence(err, f"“{typed}”", "--block-circumference")


def test_a_name_that_blanks_tore_apart(run, measuring, tmp_path):
    out = run("check", tmp_path / "my", tmp_path / "photos.jpg", *OPTIONS, "--json")[1]
    torn, whole = (json.loads(line)["problems"][0]["message"] for line in out.splitlines())
    assert "quotes round a name with blanks" in torn
    assert "quotes" not in whole


def test_centimetres_without_their_unit_are_no_frontal(run, photo):
    for closure, unit in (("12.7x12.7", True), ("10x10", True), ("13x4", False), ("25x25cm", False)):
        out = run("check", photo, "--closure", closure, "--block-circumference", "23in", "--no-save", "--json")[1]
        (problem,) = json.loads(out)["problems"]
        assert problem["code"] == "closure-too-wide"
        assert (f"write {closure}cm" in problem["message"]) == unit
        assert ("soft tape" in problem["message"]) != unit


# ---------------------------------------------------------------------------------------------- marks by hand


def marks_file(tmp_path: Path, data: object) -> Path:
    path = tmp_path / "marks.json"
    path.write_text(data if isinstance(data, str) else json.dumps(data))
    return path


def test_marks_reach_the_measuring(run, photo, measuring, tmp_path):
    path = marks_file(tmp_path, {"landmarks_px": {"fold_front": [600, 700]}, "lines_px": {"fold": [[1, 2], [3, 4]]}})
    assert run("check", photo, *OPTIONS, "--marks", path)[0] == 0
    marks = measuring.requests[0].marks
    assert marks == Marks({"fold_front": (600.0, 700.0)}, {"fold": ((1.0, 2.0), (3.0, 4.0))}, 1.5)


def test_an_answer_can_be_handed_back_as_marks(run, photo, measuring, tmp_path):
    _, out, _ = run("check", photo, *OPTIONS, "--json")
    marks = load_marks(marks_file(tmp_path, out))
    assert marks.landmarks_px == {"fold_front": (600.0, 700.0), "fold_back": (600.0, 300.0)}


def test_marks_outside_the_photo(run, photo, measuring, tmp_path):
    path = marks_file(tmp_path, {"landmarks_px": {"fold_front": [1200, 700]}})
    status, out, _ = run("check", photo, *OPTIONS, "--marks", path, "--json")
    (problem,) = json.loads(out)["problems"]
    assert status == 2
    assert problem["code"] == "marks-outside"
    assert "1200 x 900" in problem["message"]


def test_marks_a_stage_has_no_use_for(run, photo, measuring, tmp_path):
    path = marks_file(tmp_path, {"landmarks_px": {"front_left": [1, 2]}})
    for stage, word in (("stitches", "seam close up"), ("cap", "front_left")):
        status, out, err = run("check", photo, *OPTIONS[2:], "--stage", stage, "--marks", path)
        assert (status, out) == (2, "")
        one_sentence(err, word)
    path = marks_file(tmp_path, {"lines_px": {"hairline": [[1, 2], [3, 4], [5, 6]]}})
    one_sentence(run("check", photo, *OPTIONS[2:], "--stage", "cap", "--marks", path)[2], "hairline")


@pytest.mark.parametrize(
    ("data", "word"),
    [
        ("{", "not valid JSON"),
        ("[" * 100_000, "not valid JSON"),
        ([1], "no object"),
        ({}, "no mark"),
        ({"landmarks_px": {"fold": [1, 2]}}, "fold"),
        ({"landmarks_px": {"fold_front": [1]}}, "two numbers"),
        ({"landmarks_px": {"fold_front": [True, 2]}}, "two numbers"),
        ({"landmarks_px": {"fold_front": [1e999, 2]}}, "two numbers"),
        ({"landmarks_px": {"fold_front": [10**400, 2]}}, "two numbers"),
        ({"lines_px": {"centre_line": [[600, 500], [600, 500]]}}, "all in one place"),
        ({"lines_px": {"outline": [[600, 500]] * 8}}, "all in one place"),
        ({"lines_px": {"outline": [[1, 2]]}}, "at least 8"),
        ({"lines_px": {"hairline": [[1, 2], [3, 4], "x"]}}, "points"),
        ({"landmarks_px": []}, "object of names"),
        ({"landmarks_px": {"fold_front": [1, 2]}, "u_px": 0}, "u_px"),
    ],
)
def test_faulty_marks(run, photo, measuring, tmp_path, data, word):
    status, out, err = run("check", photo, *OPTIONS, "--marks", marks_file(tmp_path, data))
    assert (status, out) == (2, "")
    one_sentence(err, word, "marks.json")


@pytest.mark.parametrize("coded", ["utf-8-sig", "utf-16"])
def test_marks_are_read_as_other_systems_write_them(tmp_path, coded):
    path = tmp_path / "marks.json"
    path.write_bytes('{"landmarks_px": {"fold_front": [3, 4]}}'.encode(coded))
    assert load_marks(path).landmarks_px == {"fold_front": (3.0, 4.0)}


@pytest.mark.parametrize("option", ["--marks", "--tolerances"])
def test_a_file_without_end_is_not_read_to_its_end(run, photo, measuring, option):
    status, out, err = run("check", photo, *OPTIONS, option, "/dev/zero")
    assert (status, out) == (2, "")
    one_sentence(err, "/dev/zero cannot be read")


# ---------------------------------------------------------------------------------------------- files written


def test_overlay_and_explain_are_written(run, photo, measuring, tmp_path):
    overlay, explain = tmp_path / "out" / "o.png", tmp_path / "stages"
    status, _, err = run("check", photo, *OPTIONS, "--overlay", overlay, "--explain", explain)
    assert (status, err) == (0, "")
    assert cv2.imread(str(overlay)).shape[1] > 1000
    assert sorted(p.name for p in explain.iterdir()) == ["01-card.jpg", "02-surface-map-1.jpg"]
    measuring.error = RetakeNeeded("closure-missing", "No closure was found.")
    status, _, err = run("check", photo, *OPTIONS, "--explain", tmp_path / "none")
    assert status == 3
    one_sentence(err, "No pictures of the stages were made", "first do what the answer says")


@pytest.mark.parametrize(
    ("code", "option"),
    [
        ("wrong-card", "or name with --stage what the photo shows"),
        ("closure-missing", "--stage cap, if it is of the cap"),
    ],
)
def test_a_photo_of_another_stage_is_led_to_its_own(run, photo, measuring, code, option):
    measuring.error = RetakeNeeded(code, "It is not there.")
    status, out, _ = run("check", photo, *OPTIONS)
    assert status == 3
    assert option in " ".join(out.split())


def test_an_order_tells_closure_and_block(run, photo, measuring, home):
    """Unless they are given, which is told where it is another one's; the settings come after both."""
    (home / "settings.toml").write_text('[check]\nclosure = "2x6"\nblock_circumference = "20in"\n')
    tape = ("--circumference", "22 1/2", "--block", "22 1/2", "--closure", "5x5", "--yes")
    assert run("order", "new", "Willow", *tape)[0] == 0
    assert run("order", "new", "Elm", "--circumference", "22 1/2", "--yes")[0] == 0
    birch = ("--round", "24in", "--over", "14in", "--across", "13in")
    assert run("block", "measure", "Birch", *birch)[0] == 0
    for order, options, closure, round_in, told in (
        ("willow", (), "5x5", 22.5, ()),
        ("1", ("--closure", "12.7x12.7cm", "--block-circumference", "57cm"), "12.7x12.7cm", 57 / 2.54, ()),
        ("1", ("--closure", "4x4"), "4x4", 22.5, ("is for a 5x5 closure", "checked as 4x4")),
        ("1", ("--block-circumference", "23in"), "5x5", 23, ("a block 571.5 mm (22 1/2 in) round", "584.2 mm (23 in)")),
        ("1", ("--block", "Birch"), "5x5", 24, ("a block 571.5 mm (22 1/2 in) round", "one of 609.6 mm (24 in)")),
        ("elm", (), "2x6", 20, ()),
        ("a shop's own", (), "2x6", 20, ()),
    ):
        status, _, err = run("check", photo, "--order", order, *options, "--no-save")
        assert status == 0, err
        request = measuring.requests[-1]
        assert (request.closure.label, request.block_circumference_mm) == (
            closure,
            pytest.approx(round_in * 25.4, abs=0.05),
        )
        assert bool(err) is bool(told)
        assert all(word in err for word in told), err


def test_a_client_is_an_alias_as_in_an_order(run, photo, measuring):
    for client in ("030 1234567", "me@home.example"):
        status, _, err = run("check", photo, *OPTIONS[:-1], "--client", client)
        assert status == 2
        one_sentence(err, "looks like an e-mail address or a telephone number")
    assert run("check", photo, *OPTIONS[:-1], "--client", "blue  coat")[0] == 0
    assert json.loads(run("records", "list", "--json")[1])["client"] == "blue coat"


def test_what_cannot_be_written_has_one_status(run, tmp_path, monkeypatch):
    """A folder that cannot be made, whatever was to be kept in it."""
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "file" / "x"))
    for arguments in (
        ("card-bars", "99.2x99.5"),
        ("block", "measure", "Elm", "--round", "22.75in", "--over", "13.25in"),
        ("order", "new", "Fern", "--circumference", "22 1/2"),
        ("records", "demo"),
    ):
        status, _, err = run(*arguments)
        assert (status, err.count("\n")) == (4, 1), arguments


@pytest.mark.parametrize(("option", "name"), [("--overlay", "o.png"), ("--explain", "stages")])
def test_a_picture_that_cannot_be_written_keeps_the_verdict(run, photo, measuring, tmp_path, option, name):
    (tmp_path / "file").write_text("")
    status, out, err = run("check", photo, *OPTIONS, option, tmp_path / "file" / name, "--json")
    assert status == 0
    assert json.loads(out)["verdict"] == "pass"
    one_sentence(err, "cannot be written")


@pytest.mark.parametrize("there", ["folder", "pipe", "old picture"])
@pytest.mark.parametrize("together", [False, True])
def test_a_record_has_the_picture_that_was_drawn_or_none(run, photo, measuring, tmp_path, monkeypatch, there, together):
    """Never what was there before, and a picture that cannot be written costs no record."""
    from placecheck.records.store import open_store
    from placecheck.same_block import several

    overlay = tmp_path / "pictures" / "photo-overlay.jpg" if together else tmp_path / "o.jpg"
    overlay.parent.mkdir(exist_ok=True)
    if there == "folder":
        overlay.mkdir()
    elif there == "pipe":
        os.mkfifo(overlay)
    else:
        overlay.write_bytes(b"an old picture")
        monkeypatch.setattr("placecheck.drawing.writing", lambda *a, **k: (_ for _ in ()).throw(OSError(28, "full")))
    arguments = ["check", photo, *OPTIONS[:-1], "--overlay", overlay]
    if together:
        second = tmp_path / "second.jpg"
        second.write_bytes(cv2.imencode(".jpg", 255 - cv2.imread(str(photo)))[1].tobytes())
        measured = measuring.measure_photo(None, None)

        def answered(paths, photos, request, alone):
            from placecheck.one_photo import answer_for

            answer = answer_for(measured, request)
            return answer, (measured, measured), [None, answer]

        monkeypatch.setattr(several, "_answer", answered)
        arguments = ["check", photo, second, "--same-block", *OPTIONS[:-1], "--overlay", overlay.parent]
    status, _, err = run(*arguments)
    assert status == 0
    assert "cannot be written" in err
    assert "not saved" not in err
    with open_store() as store:
        assert store.get(2 if together else 1).overlay is None


def test_a_photo_that_changed_since_it_was_checked_is_not_kept_with_its_answer(run, photo, measuring, monkeypatch):
    measure = measuring.measure_photo

    def meanwhile(*given, **named):
        photo.write_bytes(cv2.imencode(".jpg", np.zeros((900, 1200, 3), np.uint8))[1].tobytes())
        return measure(*given, **named)

    monkeypatch.setattr(sys.modules["placecheck.measuring"], "measure_photo", meanwhile)
    status, _, err = run("check", photo, *OPTIONS[:-1])
    assert status == 0
    one_sentence(err, "not saved", "has changed since it was checked")


def test_what_a_name_holds_moves_no_cursor(run, tmp_path):
    paths = [tmp_path / "a\x1b[2Jb.jpg", tmp_path / "c\nd.jpg"]
    status, out, err = run("check", *paths, *OPTIONS, "--overlay", tmp_path / "out")
    assert status == 4
    assert "\x1b" not in out + err
    assert "a?[2Jb.jpg" in "".join(out.split())  # long paths are broken anywhere
    assert "c?d.jpgdoesnotexist" in "".join(out.split())
    answers = [json.loads(line) for line in run("check", *paths, *OPTIONS, "--json")[1].splitlines()]
    assert [answer["photo"] for answer in answers] == [str(path) for path in paths]


@pytest.mark.parametrize("spelling", ["same", "dotted", "symbolic", "hard"])
def test_no_picture_is_written_over_the_photo(run, photo, measuring, tmp_path, spelling):
    before = photo.read_bytes()
    target = {
        "same": photo,
        "dotted": tmp_path / "home" / ".." / photo.name,
        "symbolic": tmp_path / "link.jpg",
        "hard": tmp_path / "link.jpg",
    }[spelling]
    if spelling == "symbolic":
        target.symlink_to(photo)
    elif spelling == "hard":
        target.hardlink_to(photo)
    status, out, err = run("check", photo, *OPTIONS, "--overlay", target)
    assert (status, out) == (2, "")
    one_sentence(err, "write to another name")
    assert photo.read_bytes() == before


def test_no_output_is_written_over_another_input(run, photo, measuring, tmp_path):
    second = tmp_path / "photo-overlay.jpg"
    second.write_bytes(photo.read_bytes())
    asked = ["check", photo, second, *OPTIONS, "--overlay", tmp_path]
    assert run(*asked)[0] == run(*asked, "--same-block")[0] == 2
    stage = tmp_path / "01-card.jpg"
    stage.write_bytes(photo.read_bytes())
    assert run("check", stage, *OPTIONS, "--explain", tmp_path)[0] == 2
    assert run("check", photo, *OPTIONS, "--cap-photo", second, "--overlay", second)[0] == 2
    assert second.read_bytes() == stage.read_bytes() == photo.read_bytes()
    assert not measuring.requests


def test_overlay_of_no_photo(run, tmp_path):
    status, out, err = run("check", tmp_path / "none.jpg", *OPTIONS, "--overlay", tmp_path / "o.png", "--json")
    assert status == 4
    assert json.loads(out)["problems"][0]["code"] == "missing-file"
    one_sentence(err, "No picture")


# ---------------------------------------------------------------------------------------------- several photos


def test_several_photos_are_json_lines_in_order_with_the_worst_status(run, photo, measuring, tmp_path):
    bad = unusable("text", tmp_path, photo)
    measuring.values["offset_mm"] = 8.0
    status, out, err = run("check", photo, bad, photo, *OPTIONS, "--json", "--overlay", tmp_path / "pictures")
    lines = [json.loads(line) for line in out.splitlines()]
    assert status == 4
    assert [line["photo"] for line in lines] == [str(photo), str(bad), str(photo)]
    assert [line["verdict"] for line in lines] == ["fix", "retake", "fix"]
    assert sorted(p.name for p in (tmp_path / "pictures").iterdir()) == ["1-photo-overlay.jpg", "3-photo-overlay.jpg"]
    assert "No picture" in err


@pytest.mark.parametrize("folder_asked", [True, False])
def test_photos_of_one_name_each_have_their_own_pictures(run, photo, measuring, tmp_path, folder_asked):
    """Kept in real records: every record has the picture of its own photo, asked for or not."""
    from placecheck.records.store import Filter, open_store

    paths, shades = [], (40, 120, 200)
    for shade in shades:
        folder = tmp_path / f"phone{shade}"
        folder.mkdir()
        paths.append(folder / "IMG_0001.jpg")
        cv2.imwrite(str(paths[-1]), np.full((900, 1200, 3), shade, np.uint8))
    pictures, stages = tmp_path / "pictures", tmp_path / "stages"
    asked = ("--overlay", pictures) if folder_asked else ()
    assert run("check", *paths, *OPTIONS[:-1], *asked, "--explain", stages)[::2] == (0, "")
    if folder_asked:
        for number, shade in enumerate(shades, 1):
            corner = cv2.imread(str(pictures / f"{number}-IMG_0001-overlay.jpg"))[:40, :40]
            assert abs(np.median(corner) - shade) < 4
    assert sorted(p.name for p in stages.iterdir()) == [f"{n}-IMG_0001" for n in (1, 2, 3)]
    with open_store() as store:
        kept = [store.overlay(record) for record in store.each(Filter())]
    corners = [cv2.imdecode(np.frombuffer(picture, np.uint8), cv2.IMREAD_COLOR)[:40, :40] for picture in kept]
    assert [abs(np.median(c) - shade) < 4 for c, shade in zip(corners, shades, strict=True)] == [True] * 3


@pytest.mark.parametrize("stems", [["a", "b"], ["x", "x"], ["1-x", "x", "x"], ["x", "x", "1-x"], ["IMG", "img"]])
def test_no_two_photos_have_one_name_for_their_pictures(stems):
    from placecheck.commands.picture_names import names_apart

    names = names_apart([Path(f"folder{i}") / f"{stem}.jpg" for i, stem in enumerate(stems)])
    assert len({name.casefold() for name in names}) == len(stems)
    assert all(name.endswith(stem) for name, stem in zip(names, stems, strict=True))


def test_one_picture_name_for_several_photos(run, photo, measuring, tmp_path):
    status, _, err = run("check", photo, photo, *OPTIONS, "--overlay", tmp_path / "o.jpg")
    assert status == 2
    one_sentence(err, "folder")


def test_jobs_in_processes(run, tmp_path, photo):
    names = ["text", "empty", "truncated", "absent"]
    paths = [unusable(name, tmp_path, photo) for name in names]
    status, out, err = run("check", *paths, *OPTIONS, "--json", "--jobs", 2)
    lines = [json.loads(line) for line in out.splitlines()]
    assert (status, err) == (4, "")
    assert [Path(line["photo"]).stem for line in lines] == names
    codes = [line["problems"][0]["code"] for line in lines]
    assert codes[1] == "empty-file"
    assert codes[3] == "missing-file"


@pytest.mark.parametrize(("times", "codes"), [(1, ["missing-file"] * 3), (2, ["worker-lost", *["missing-file"] * 2])])
def test_a_killed_worker_costs_no_other_photo(tmp_path, times, codes):
    """Killed once, its photo is checked again; killed again with that photo alone, the photo is lost, the rest not."""
    import threading
    from multiprocessing import active_children

    known = {worker.pid for worker in active_children()}

    def kill() -> None:
        for _ in range(times):
            while not (fresh := [worker.pid for worker in active_children() if worker.pid not in known]):
                time.sleep(0.005)
            known.add(fresh[0])
            os.kill(fresh[0], signal.SIGKILL)

    request = CheckRequest(parse_closure("5x5"), 570.0)
    threading.Thread(target=kill, daemon=True).start()
    came = list(_in_processes([(tmp_path / f"{i}.jpg", request, None, None) for i in range(3)], 1))
    assert [c.path.name for c in came] == ["0.jpg", "1.jpg", "2.jpg"]
    assert [c.answer.problems[0].code for c in came] == codes


# ---------------------------------------------------------------------------------------------- records


@pytest.fixture
def saved(monkeypatch) -> list:
    import placecheck.records.saving

    calls: list = []
    monkeypatch.setattr(placecheck.records.saving, "save_check", lambda *given, **names: calls.append((*given, names)))
    return calls


def test_saving_and_not_saving(run, photo, measuring, saved, tmp_path):
    given = OPTIONS[:-1]
    assert run("check", photo, *given, "--order", "A17", "--client", "blue coat", "--maker", "Ada")[0] == 0
    ((_, path, answer, request, overlay, names),) = saved
    assert path == photo
    assert request["closure"]["label"] == "5x5"
    assert answer["verdict"] == "pass"
    assert overlay.startswith(b"\xff\xd8\xff")
    assert names == {"order": "A17", "client": "blue coat", "maker": "Ada", "profile": None} | {
        "checked_sha256": sha256_of(photo)
    }
    run("check", photo, *given, "--no-save")
    run("check", unusable("text", tmp_path, photo), *given)
    assert len(saved) == 1


def test_a_failure_to_save_never_hides_the_verdict(run, photo, measuring, saved, monkeypatch):
    def full(*given, **names):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(sys.modules["placecheck.records.saving"], "save_check", full)
    status, out, err = run("check", photo, *OPTIONS[:-1], "--json")
    assert status == 0
    assert json.loads(out)["verdict"] == "pass"
    one_sentence(err, "not saved", "No space left")


# ---------------------------------------------------------------------------------------------- other commands


def test_card_is_written_and_not_overwritten(run, tmp_path):
    path = tmp_path / "card.pdf"
    status, out, err = run("card", path, "--paper", "letter")
    assert (status, err) == (0, "")
    assert str(path) in out
    assert path.read_bytes().startswith(b"%PDF")
    before = path.read_bytes()
    status, _, err = run("card", path)
    assert status == 2
    one_sentence(err, "--force")
    assert path.read_bytes() == before
    assert run("card", path, "--force")[0] == 0
    svg = tmp_path / "card.svg"
    assert run("card", svg, "--svg")[0] == 0
    assert "<svg" in svg.read_text()
    assert run("card", tmp_path / "x", "--svg", "--png")[0] == 2
    status, _, err = run("card", tmp_path / "none" / "card.pdf")
    assert status == 4
    one_sentence(err, "cannot be written")


@pytest.mark.parametrize(
    "arguments",
    [
        ["card", "c.jpg"],
        ["card", "c.pdf", "--svg"],
        ["card", "c.svg", "--png"],
        ["order", "sheet", "1", "s.jpg"],
        ["order", "guidelines", "1", "s.svg"],
        ["records", "chart", "offset_mm", "--svg", "c.png"],
        ["records", "quality", "--html", "q.pdf"],
        ["study", "analyse", "x.csv", "--svg", "c.png"],
    ],
)
def test_a_name_that_says_another_kind_of_file(run, tmp_path, monkeypatch, arguments):
    monkeypatch.chdir(tmp_path)
    assert run("order", "new", "oak", "--circumference", "22in", "--yes")[0] == 0
    status, out, err = run(*arguments)
    assert (status, out) == (2, "")
    one_sentence(err, "must end in")
    assert [p.name for p in tmp_path.iterdir()] == ["home"]


def test_the_card_is_what_its_name_says(run, tmp_path):
    for ending, starts in (("svg", b"<"), ("png", b"\x89PNG"), ("pdf", b"%PDF-")):
        path = tmp_path / f"card.{ending}"
        assert run("card", path)[0] == 0
        assert path.read_bytes().startswith(starts)


def test_doctor(run, home, monkeypatch):
    status, out, _ = run("doctor")
    assert status == 0, out
    assert str(home) in out
    assert "opencv-python" in out
    (home / "file").write_text("")
    monkeypatch.setenv("PLACECHECK_HOME", str(home / "file" / "x"))
    status, out, _ = run("doctor")
    assert status == 1
    assert f"FAIL  folder for records and settings: {home / 'file'} is a file" in out


@pytest.mark.parametrize("below", ["", "shop"])
@pytest.mark.parametrize(
    "arguments",
    [
        ["records", "list"],
        ["order", "list"],
        ["block", "list"],
        ["card-bars", "99x99"],
        ["check", "x.jpg", "--closure", "5x5", "--block-circumference", "22in"],
    ],
)
def test_a_file_in_place_of_the_folder_is_named(run, tmp_path, monkeypatch, arguments, below):
    (tmp_path / "file").write_text("kept")
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "file" / below))
    status, out, err = run(*arguments)
    assert (status, out) == (4, "")
    one_sentence(err, f"{tmp_path / 'file'} is a file", "name a folder in PLACECHECK_HOME")
    assert (tmp_path / "file").read_text() == "kept"


def test_a_shelf_that_cannot_be_looked_into_is_not_called_empty(run, home):
    (home / "blocks").write_text("in the way")
    status, out, err = run("block", "show", "Willow")
    assert (status, out) == (4, "")
    one_sentence(err, f"{home / 'blocks'} cannot be looked into", "make it a folder")
    _, out, err = run("block", "list")
    assert "No block is saved" not in out
    assert f"{home / 'blocks'} cannot be looked into" in err


def test_doctor_has_a_row_for_a_folder_out_of_reach(run, monkeypatch, tmp_path):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / ("a" * 300)))  # longer than a name may be
    status, out, err = run("doctor")
    assert (status, err) == (1, "")
    assert "FAIL  folder for records and settings" in out
    assert "FAIL  settings" in out


def test_doctor_names_broken_settings_and_records_out_of_reach(run, home):
    (home / "settings.toml").write_text("[check\n")
    status, out, _ = run("doctor")
    assert status == 1
    assert f"FAIL  settings: The settings file {home / 'settings.toml'} is not valid TOML" in out
    (home / "settings.toml").write_text('[records]\naddress = "postgresql://127.0.0.1:1/none"\n')
    status, out, _ = run("doctor")
    assert status == 1
    assert "ok    settings" in out
    assert "FAIL  records: The shared records" in out
    (home / "settings.toml").unlink()
    (home / "records.sqlite3").write_bytes(b"no database" * 200)
    status, out, _ = run("doctor")
    assert status == 1
    assert "FAIL  records: The records file" in out


@pytest.mark.parametrize(
    ("entry", "word"),
    [
        ('closure = "55"', "is not two numbers"),
        ('block_circumference = "57"', "has no unit"),
        ('block = "Elm"', "Elm"),
        ('card_bars = "50x50"', "too far from 100"),
        ('camera = "bench phone"', "no camera profile “bench phone”"),
    ],
)
def test_doctor_names_settings_that_a_check_would_refuse(run, home, entry, word):
    (home / "settings.toml").write_text(f"[check]\n{entry}\n")
    status, out, _ = run("doctor")
    assert status == 1
    (line,) = (line for line in out.splitlines() if line.startswith("FAIL"))
    assert word in line
    assert "settings.toml" in line


def test_a_fault_in_the_settings_is_told_as_theirs(run, home, photo):
    given = {"closure": "5x5", "block_circumference": "57.8cm"}
    for entry, value, word in (
        ("closure", "55", "is not two numbers"),
        ("block_circumference", "57", "has no unit"),
        ("block", "a/b", "cannot be a name"),
        ("card_bars", "97x100", "apart"),
        ("camera", "bench phone", "no camera profile"),
    ):
        lines = [f'{name} = "{text}"' for name, text in {**given, entry: value}.items()]
        (home / "settings.toml").write_text("\n".join(["[check]", *lines]))
        status, out, err = run("check", str(photo))
        assert (status, out) == (2, "")
        assert err.startswith(f"placecheck: In settings.toml, {entry}: ")
        assert word in err
        assert run("doctor")[1].count(word) == 1


def test_a_mistyped_camera_is_no_check_on_record(run, home, photo):
    options = ("--closure", "5x5", "--block-circumference", "57.8cm")
    status, out, err = run("check", str(photo), str(photo), *options, "--camera", "nobody's")
    assert (status, out) == (2, "")
    assert len(err.strip().splitlines()) == 1
    assert not (home / "records.sqlite3").exists()


def test_what_a_photo_shows_to_make_no_sense_is_no_check_on_record(run, photo, measuring, saved):
    measuring.error = UsageProblem("profile-other-phone", "The profile “mine” is of another phone: name none.")
    assert run("check", photo, *OPTIONS[:-1])[0] == 2
    assert saved == []


def test_card_bars_tells_of_bars_in_the_settings(run, home):
    (home / "settings.toml").write_text('[check]\ncard_bars = "99x99.3"\n')
    status, out, err = run("card-bars", "99.9x99.8")
    assert status == 0
    assert "Kept: 99.9 x 99.8 mm" in out
    assert "“99x99.3” of settings.toml, which outranks" in err
    assert "settings.toml" not in run("card-bars", "49.9x49.8", "--small")[2]


def test_doctor_finds_two_opencvs(run, monkeypatch):
    from importlib import metadata

    real = metadata.version
    monkeypatch.setattr(metadata, "version", lambda n: "5.0.0.93" if n == "opencv-python-headless" else real(n))
    status, out, _ = run("doctor")
    assert status == 1
    assert "uninstall" in out


def python(*arguments: str, **environment: str) -> subprocess.CompletedProcess:
    env = {**os.environ, **environment}
    return subprocess.run([sys.executable, *arguments], capture_output=True, env=env, timeout=60)


def unprivileged(*arguments: str) -> subprocess.CompletedProcess:
    """As `python`, but without root's power over files that may not be read."""
    dropped = "-dac_override,-dac_read_search"
    command = ["setpriv", "--bounding-set", dropped, sys.executable, *arguments]
    return subprocess.run(command, capture_output=True, timeout=60)


def test_help_version_and_module(home):
    for arguments in (["--help"], ["-h"], ["check", "--help"], ["card", "--help"], ["doctor", "--help"]):
        done = python("-m", "placecheck", *arguments)
        assert done.returncode == 0
        assert b"Usage: placecheck" in done.stdout
    assert python("-m", "placecheck", "--version").stdout.startswith(b"placecheck 0.")


@pytest.mark.skipif(not Path("/proc/self/task").is_dir(), reason="no /proc to count threads in")
def test_small_matrices_take_one_thread_unless_the_user_says_otherwise():
    """Threads are counted in /proc (proc(5)): NumPy's matrices add none to what a photo is checked with."""
    multiply = (
        "import os, placecheck, numpy as np; a = np.ones((600, 600)); a @ a; "
        "print(os.environ['OPENBLAS_NUM_THREADS'], len(os.listdir('/proc/self/task')))"
    )
    environment = {k: v for k, v in os.environ.items() if not k.endswith("_NUM_THREADS")}
    for said in ({}, {"OPENBLAS_NUM_THREADS": "2"}):
        command = [sys.executable, "-c", multiply]
        out = subprocess.run(command, capture_output=True, env={**environment, **said}, timeout=60, text=True).stdout
        threads = said.get("OPENBLAS_NUM_THREADS", "1")
        assert out.split() == [threads, str(min(int(threads), os.cpu_count() or 1))]


def test_terminal_without_unicode(tmp_path):
    photo, wide = str(tmp_path / "ä.jpg"), "1000"  # wider than any folder's name, else the sentence is wrapped in it
    done = python("-m", "placecheck", "check", photo, *OPTIONS, PYTHONIOENCODING="ascii", COLUMNS=wide)
    assert done.returncode == 4
    assert b"?.jpg does not" in done.stdout
    assert b"Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [(["check", "x.jpg", *OPTIONS], 4), (["records", "list"], 0), (["--help"], 0), (["check", "x.jpg"], 2)],
)
def test_the_status_is_the_true_one_whoever_stops_reading(tmp_path, arguments, expected):
    read, write = os.pipe()
    os.close(read)
    with os.fdopen(write, "wb") as gone:
        command = [sys.executable, "-m", "placecheck", *arguments]
        done = subprocess.run(command, stdout=gone, stderr=gone, cwd=tmp_path, timeout=60)
    assert done.returncode == expected


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no device that is always full")
@pytest.mark.parametrize("arguments", [["check", "x.jpg", *OPTIONS, "--json"], ["--help"], ["card", "c.pdf"]])
def test_output_that_cannot_be_written_is_one_sentence(tmp_path, arguments):
    with open("/dev/full", "wb") as full:
        command = [sys.executable, "-m", "placecheck", *arguments]
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, cwd=tmp_path, timeout=60, text=True)
    assert done.returncode == 4
    one_sentence(done.stderr, "No space left")
    assert "internal error" not in done.stderr


def test_a_width_of_nothing_is_no_width(tmp_path):
    done = python("-m", "placecheck", "check", "x.jpg", *OPTIONS, COLUMNS="0")
    assert b"x.jpg does not exist" in done.stdout


def test_what_the_system_refuses_is_one_sentence(tmp_path, home):
    gone = tmp_path / "gone"
    gone.mkdir()
    code = f"import os; os.chdir({str(gone)!r}); os.rmdir({str(gone)!r}); from placecheck.cli import run; run(['card'])"
    one_sentence(python("-c", code).stderr.decode(), "not there any more")
    home.chmod(0)
    try:
        asked = ("-m", "placecheck", "records", "list")
        done = unprivileged(*asked) if os.geteuid() == 0 else python(*asked)
    finally:
        home.chmod(0o700)
    assert done.returncode == 2
    one_sentence(done.stderr.decode(), "PLACECHECK_HOME")


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="processes are looked for in /proc")
@pytest.mark.parametrize(("number", "expected"), [(15, -15), (2, 130), (9, -9)])
def test_no_worker_outlives_its_command(number, expected):
    """SIGTERM, Ctrl-C (which goes to all) and SIGKILL while photos are being checked."""

    def living(session: int) -> int:
        count = 0
        for stat in Path("/proc").glob("[0-9]*/stat"):
            try:
                state, _, _, of = stat.read_text().rsplit(")", 1)[1].split()[:4]
            except OSError:
                continue
            count += int(of) == session and state != "Z"
        return count

    photos = [str(Path(__file__).parent.parent / "fixtures" / "photos" / "demo.jpg")] * 60
    command = [sys.executable, "-m", "placecheck", "check", *photos, *OPTIONS, "--json", "--jobs", "4"]
    started = subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a shell's background ignores it
    )
    try:
        assert started.stdout.readline().startswith(b"{")  # the workers are at work
        (os.killpg if number == 2 else os.kill)(started.pid, number)
        before = time.monotonic()
        assert started.wait(20) == expected
        while living(started.pid) and time.monotonic() - before < 20:
            time.sleep(0.05)
        assert time.monotonic() - before < 3
        assert b"Traceback" not in started.stderr.read()
    finally:
        if living(started.pid):
            os.killpg(started.pid, 9)


def test_reader_that_goes_away(tmp_path):
    command = (
        f"'{sys.executable}' -m placecheck check x.jpg x.jpg {' '.join(OPTIONS)} --json | true; echo ${{PIPESTATUS[0]}}"
    )
    done = subprocess.run(["bash", "-c", command], capture_output=True, cwd=tmp_path, timeout=60, text=True)
    assert "Traceback" not in done.stderr
    assert "Exception" not in done.stderr


def test_help_starts_as_fast_as_typer():
    def seconds(*arguments: str) -> float:
        start = time.perf_counter()
        python(*arguments)
        return time.perf_counter() - start

    # the quickest of several, in turns, so that other work on the machine weighs on neither
    pairs = [(seconds("-m", "placecheck", "--help"), seconds("-c", "import typer")) for _ in range(9)]
    ours, typers = (min(times) for times in zip(*pairs, strict=True))
    assert ours < 3 * typers


def test_help_imports_nothing_slow():
    code = (
        "import sys; from placecheck.cli import run; run(['--help']);"
        "print([m for m in ('numpy', 'cv2', 'PIL', 'scipy', 'skimage', 'reportlab') if m in sys.modules])"
    )
    assert python("-c", code).stdout.decode().strip().endswith("[]")


def _answered(home: Path, typed: bytes, *arguments: str) -> tuple[int, str]:
    """Exit status and everything printed where `typed` is what a terminal's user types at the question, if at all."""
    pid, terminal = pty.fork()
    if pid == 0:
        signal.signal(signal.SIGINT, signal.SIG_DFL)  # what runs in the background of a script has it ignored
        os.environ["PLACECHECK_HOME"] = str(home)
        os.execv(sys.executable, [sys.executable, "-m", "placecheck", *arguments])
    said, asked = b"", False
    while select.select([terminal], [], [], 60.0)[0]:
        try:
            part = os.read(terminal, 4096)
        except OSError:  # Linux says so where the other end is closed
            break
        if not part:
            break
        said += part
        if not asked and b"[y/N]" in said:
            asked = True
            os.write(terminal, typed)
    else:
        os.kill(pid, signal.SIGKILL)  # it waits for ever
    os.close(terminal)
    assert asked or not typed, said
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), said.decode()


@pytest.mark.parametrize(("typed", "status"), [(b"\x03", 130), (b"\x04", 2), (b"n\n", 2)])
def test_a_question_that_is_not_answered_keeps_nothing_and_says_so(tmp_path, typed, status):
    """Ctrl-C, Ctrl-D and no at a question of `order new`: 1, the status of a fix, is none of theirs."""
    ended, said = _answered(tmp_path, typed, "order", "new", "Ash", "--circumference", "57")
    assert ended == status
    assert "Aborted" not in said
    assert status == 130 or "placecheck: " in said.split("[y/N]")[1]
    assert not list(tmp_path.rglob("*.json"))


@pytest.mark.parametrize("arguments", ["order new Ash --circumference 57", "records purge --demo"])
def test_a_question_to_a_closed_input_is_one_sentence(tmp_path, arguments):
    """No standard input at all, as `<&-` and some programs that start others leave it."""
    environment = os.environ | {"PLACECHECK_HOME": str(tmp_path)}
    program = [sys.executable, "-m", "placecheck"]
    if arguments.startswith("records"):
        assert subprocess.run([*program, "records", "demo"], env=environment, capture_output=True).returncode == 0
    line = ["sh", "-c", 'exec "$@" <&-', "sh", *program, *arguments.split()]
    done = subprocess.run(line, env=environment, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2, done.stderr
    assert "internal error" not in done.stderr
    assert done.stderr.count("placecheck: ") == 1


def test_a_purge_that_nobody_answers_says_how_to_do_without(tmp_path):
    """As from a script, whose input is closed."""
    environment = os.environ | {"PLACECHECK_HOME": str(tmp_path)}
    program = [sys.executable, "-m", "placecheck"]
    order = [*program, "order", "new", "Ash", "--circumference", "57cm"]
    assert subprocess.run(order, env=environment, capture_output=True, timeout=60).returncode == 0
    purge = [*program, "records", "purge", "--client", "Ash"]
    done = subprocess.run(purge, env=environment, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert "Nothing was removed" in done.stderr
    assert "--yes" in done.stderr
    assert "Aborted" not in done.stderr
    assert list((tmp_path / "orders").glob("0001.*"))


HOSTILE = "a\x1b[2Jb\x1b]0;c\x07d\re\x9b1m\x7f\u202ef"
READABLE = "a\\u001b[2Jb\\u001b]0;c\\u0007d\\u000de\\u009b1m\\u007f\\u202ef"


@pytest.fixture
def hostile(home) -> Path:
    """An order and a record whose texts hold what a terminal obeys, as a file from elsewhere may."""
    from records_shop import REQUEST, answer, jpeg

    from placecheck.records.saving import save_check
    from placecheck.records.store import Store

    assert cli.run(["order", "new", "Ash", "--circumference", "57cm", "--note", "n", "--maker", "m"]) == 0
    path = home / "orders" / "0001.r001.json"
    kept = json.loads(path.read_text()) | {"alias": HOSTILE, "note": HOSTILE, "maker": HOSTILE}
    path.write_text(json.dumps(kept))
    save_check(home, jpeg(1), answer("fix", offset_mm=0.5) | {"fixes": [HOSTILE]}, REQUEST, order="x", maker="m")
    with Store(home) as store:
        store.set_note(1, HOSTILE)
    return home


SHOWN = [
    ["order", "show", "1"],
    ["order", "list"],
    ["records", "show", "1"],
    ["order", "change", "1", "--cap", HOSTILE],
]
ESCAPES = ("\x1b[2J", "\x1b]", "\x07", "\x9b", "\x7f", "\u202e", "d\re")


@pytest.mark.parametrize("arguments", SHOWN)
def test_nothing_that_a_terminal_obeys_is_printed(hostile, arguments):
    environment = {"COLUMNS": "1000", "TERM": "xterm"}
    piped = python("-m", "placecheck", *arguments, **environment)
    for shown in ((piped.stdout + piped.stderr).decode(), _answered(hostile, b"", *arguments)[1]):
        assert not [sign for sign in ESCAPES if sign in shown]
        assert "a\\u001b[2Jb" in shown or "a?[2Jb" in shown
    assert b"\x1b" not in piped.stdout + piped.stderr


def test_json_says_what_is_kept_whatever_it_holds(hostile):
    printed = python("-m", "placecheck", "order", "list", "--json").stdout
    assert json.loads(printed)[0]["note"] == HOSTILE
    assert READABLE.encode() in printed.replace(b"\\r", b"\\u000d")
    assert json.loads(python("-m", "placecheck", "records", "show", "1", "--json").stdout)["note"] == HOSTILE
    lines = python("-m", "placecheck", "records", "export").stdout
    assert lines.count(b"\r") in (0, lines.count(b"\r\n"))
    assert b"\\u000d" not in lines


def test_answers_go_where_standard_output_goes_though_a_bar_shows_the_progress(tmp_path):
    """As in `check *.jpg --json > answers.jsonl`, typed on a terminal."""
    shown, terminal = pty.openpty()
    command = [sys.executable, "-m", "placecheck", "check", "x.jpg", "y.jpg", *OPTIONS, "--json"]
    done = subprocess.run(
        command, stdout=subprocess.PIPE, stderr=terminal, cwd=tmp_path, timeout=60, env={**os.environ, "TERM": "xterm"}
    )
    assert [json.loads(line)["photo"] for line in done.stdout.splitlines()] == ["x.jpg", "y.jpg"]
    bar = os.read(shown, 65536)
    os.close(terminal)
    os.close(shown)
    assert b"checking" in bar
    assert b"x.jpg" not in bar
