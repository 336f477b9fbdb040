"""The bench page's parts without a server: codes, sessions, files, what a worker may say, limits, drawn bands.

Outside references: Python's own tomllib reads the settings that are written; NIST SP 800-63B-4 asks at least
64 bits of a session's secret and limits on guessing (from memory), which the figures here are held against.
"""

from __future__ import annotations

import asyncio
import contextlib
import io
import json
import math
import os
import sys
import threading
import time
import tomllib
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from starlette.exceptions import HTTPException

sys.path.insert(0, str(Path(__file__).parent.parent))
from placecheck.answer import Contribution, Estimate, Findings, Grounds, Judged, Measured, View
from placecheck.errors import Problem, UsageProblem
from placecheck.page import camera_photos, limits
from placecheck.page.asked import block_words, marks_of, request_of, spec_from
from placecheck.page.bench import PageConfig
from placecheck.page.codec import measured_from_dict, measured_to_dict
from placecheck.page.guard import Guard, _bare, _check, _own_origin
from placecheck.page.inbox import KEEP_S, Inbox
from placecheck.page.pairing import ALPHABET, CODE_LENGTH, GUESSES_PER_MINUTE, PairingCodes
from placecheck.page.rows import WIDE, badness, band_of, can_be_shown, moved_since, next_step
from placecheck.page.sessions import IDLE_S, LIFETIME_S, Sessions, form_token
from placecheck.page.views_class import student_of
from placecheck.page.views_take import spec_of
from placecheck.records.export import safe_text
from placecheck.settings import Settings
from placecheck.whole_files import copy_whole, write_whole
from tests.page_bench import MM_PER_WIDTH, PLACES, photo_bytes


class Clock:
    def __init__(self) -> None:
        self.now = 1_000_000.0

    def __call__(self) -> float:
        return self.now


# ----------------------------------------------------------------------------- pairing


def test_a_code_works_once():
    codes = PairingCodes()
    code = codes.new()
    assert codes.redeem(code.lower().replace("-", " "), "a")
    assert not codes.redeem(code, "a")


def test_a_code_expires_after_ten_minutes():
    clock = Clock()
    codes = PairingCodes(clock)
    first, second = codes.new(), codes.new()
    clock.now += 599
    assert codes.redeem(first, "a")
    clock.now += 2
    assert not codes.redeem(second, "a")


def test_guessing_is_hopeless():
    clock = Clock()
    codes = PairingCodes(clock)
    code = codes.new()
    for _ in range(GUESSES_PER_MINUTE):
        assert not codes.redeem("AAAA-AAAA", "guesser")
    assert not codes.redeem(code, "guesser")  # not even the right one, for a minute
    assert codes.redeem(code, "somebody else")
    bits = CODE_LENGTH * math.log2(len(ALPHABET))
    assert bits > 39
    years_for_half = 2**bits / 2 / 60 / 60 / 24 / 365.25  # one open code, 60 guesses a minute in all
    assert years_for_half > 5_000


def test_guesses_are_counted_for_a_minute_and_for_all_together():
    clock = Clock()
    codes = PairingCodes(clock)
    code = codes.new()
    for i in range(GUESSES_PER_MINUTE):
        assert not codes.redeem(f"AAAA-AAA{i}", "guesser")
    clock.now += 59
    assert not codes.may_guess("guesser")
    clock.now += 2
    assert codes.may_guess("guesser")
    for i in range(60):  # from as many addresses, as one that has a whole network may
        assert not codes.redeem("AAAA-AAAA", f"address {i}")
    assert not codes.redeem(code, "somebody else")
    clock.now += 61
    assert codes.redeem(code, "somebody else")


def test_the_oldest_code_makes_way():
    clock = Clock()
    codes = PairingCodes(clock)
    made = []
    for _ in range(41):
        made.append(codes.new())
        clock.now += 1
    assert not codes.redeem(made[0], "a")
    assert codes.redeem(made[1], "b")
    assert codes.redeem(made[-1], "c")


# ----------------------------------------------------------------------------- sessions


def test_the_device_that_was_not_seen_longest_makes_way(tmp_path, monkeypatch):
    monkeypatch.setattr("placecheck.page.sessions.MAX_SESSIONS", 3)
    clock = Clock()
    sessions = Sessions(tmp_path / "sessions.json", clock)
    tokens = []
    for _ in range(3):
        tokens.append(sessions.pair(""))
        clock.now += 4000
    assert sessions.of(tokens[0]) is not None  # seen just now
    tokens.append(sessions.pair(""))
    assert [sessions.of(token) is not None for token in tokens] == [True, False, True, True]


def test_no_session_has_no_form_token():
    _check("right", "right")
    for right, given_token in (("", ""), ("right", ""), ("right", "wrong")):
        with pytest.raises(HTTPException) as refused:
            _check(right, given_token)
        assert refused.value.status_code == 403


def test_sessions_outlive_a_restart_and_the_file_opens_nothing(tmp_path):
    path = tmp_path / "sessions.json"
    token = Sessions(path).pair("Mozilla/5.0 (iPhone; ...)")
    again = Sessions(path)
    session = again.of(token)
    assert session is not None
    assert session.device == "iPhone"
    assert token not in path.read_text()
    assert form_token(token) not in path.read_text()
    assert len(token) * 6 >= 256
    assert path.stat().st_mode & 0o077 == 0
    assert again.of(session.digest) is None
    again.unpair(session.key)
    assert Sessions(path).of(token) is None


def test_sessions_end():
    clock = Clock()
    from pathlib import Path

    sessions = Sessions(Path("/nonexistent/sessions.json"), clock)  # a disk that fails costs nothing now
    token = sessions.pair("")
    clock.now += IDLE_S - 1
    assert sessions.of(token) is not None
    clock.now += IDLE_S - 1
    assert sessions.of(token) is not None  # was seen in between
    clock.now += IDLE_S + 1
    assert sessions.of(token) is None
    token = sessions.pair("")
    for _ in range(int(LIFETIME_S / IDLE_S) + 1):
        clock.now += IDLE_S - 3700
        sessions.of(token)
    clock.now += IDLE_S - 3700
    assert sessions.of(token) is None


@given(st.text(max_size=200))
def test_no_text_is_a_session(text):
    from pathlib import Path

    sessions = Sessions(Path("/nonexistent/sessions.json"))
    sessions.pair("")
    assert sessions.of(text) is None


# ----------------------------------------------------------------------------- files and inbox


def test_a_failed_write_leaves_what_was_there(tmp_path):
    path = tmp_path / "file"
    write_whole(path, b"first")
    with pytest.raises(ValueError, match="bytes"):
        copy_whole(io.BytesIO(b"x" * 3000), path, 2000)
    assert path.read_bytes() == b"first"
    assert list(tmp_path.iterdir()) == [path]


SPEC = spec_from({"closure": "5x5", "block": "22.75in"}, Settings())


def test_the_inbox_forgets_nothing_that_was_acknowledged(tmp_path):
    inbox = Inbox(tmp_path)
    job = inbox.add(io.BytesIO(b"\xff\xd8\xffphoto"), 1000, "me", SPEC, once="form")
    (tmp_path / "0123456789abcdef.photo").write_bytes(b"never acknowledged: its job is not there")
    (tmp_path / ".writing-something").write_bytes(b"half")
    again = Inbox(tmp_path)
    assert [j.id for j in again.unfinished()] == [job.id]
    assert again.photo(again.get(job.id)).read_bytes() == b"\xff\xd8\xffphoto"
    assert again.known("me", "form").id == job.id
    assert again.known("you", "form") is None
    assert sorted(p.suffix for p in tmp_path.iterdir()) == [".json", ".photo"]


@pytest.mark.parametrize("text", ["[" * 100_000, "[1]", "null", "{", ""])
def test_what_the_page_keeps_for_itself_may_be_damaged(tmp_path, text):
    (tmp_path / "sessions.json").write_text(text)
    assert Sessions(tmp_path / "sessions.json").all() == []
    (tmp_path / "page" / "camera").mkdir(parents=True)
    (tmp_path / "page" / "camera" / "report.json").write_text(text)
    assert camera_photos.shown(tmp_path)["report"]["photos"] == []


def test_the_same_form_at_the_same_moment_is_one_job(tmp_path):
    from concurrent.futures import ThreadPoolExecutor

    inbox = Inbox(tmp_path)
    with ThreadPoolExecutor(8) as pool:
        jobs = list(pool.map(lambda _: inbox.add(io.BytesIO(b"photo"), 1000, "me", SPEC, once="form"), range(8)))
    assert {job.id for job in jobs} == {inbox.known("me", "form").id}
    assert len(list(tmp_path.iterdir())) == 2


def test_what_was_thrown_away_is_not_written_again(tmp_path):
    """As when the answer comes only then, and what an earlier version left so is removed at the start."""
    inbox = Inbox(tmp_path)
    job = inbox.add(io.BytesIO(b"photo"), 1000, "me", SPEC)
    inbox.keep_picture(job, "view", b"picture")
    assert len(list(tmp_path.iterdir())) == 3
    inbox.remove(job)
    inbox.keep_picture(job, "overlay", b"picture")
    inbox.save(job)
    assert list(tmp_path.iterdir()) == []
    kept = inbox.add(io.BytesIO(b"photo"), 1000, "me", SPEC)
    inbox.keep_picture(kept, "view", b"picture")
    for name in (f"{job.id}.json", f"{job.id}.overlay.jpg", f"{job.id}.view.jpg"):
        (tmp_path / name).write_bytes(b"{}")
    Inbox(tmp_path)
    assert sorted(p.name for p in tmp_path.iterdir()) == [f"{kept.id}.{end}" for end in ("json", "photo", "view.jpg")]


def said(name: str, value: Any):
    """A job's text with another value in its place, or none (...)."""

    def spoilt(text: str) -> str:
        job = json.loads(text)
        there = job if name in job else job["spec"]
        there[name] = value
        if value is ...:
            del there[name]
        return json.dumps(job)

    return spoilt


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text[:40],
        lambda text: text.replace('"label"', '"title"'),
        lambda text: "[" * 100_000,
        said("spec", {}),
        said("created", "yesterday"),
        said("created", math.nan),
        said("owner", []),
        said("once", {}),
        said("marks", 5),
        said("order", ...),
        said("maker", 7),
        said("stage", "zz"),
        said("tolerances", None),
        lambda text: said("state", "done")(said("measured", "{}")(text)),
        lambda text: said("state", "done")(said("failure", ["x"])(text)),
    ],
)
def test_a_job_that_cannot_be_read_is_left_as_it_is(tmp_path, spoil):
    """Cut short, or written by another version: its photo was acknowledged, and may be read after the next start."""
    inbox = Inbox(tmp_path)
    job = inbox.add(io.BytesIO(b"photo"), 1000, "me", SPEC)
    inbox.keep_picture(job, "view", b"picture")
    path = tmp_path / f"{job.id}.json"
    text = path.read_text()
    path.write_text(spoil(text))
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    assert Inbox(tmp_path, can_be_shown=can_be_shown).all() == []
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before
    path.write_text(text)
    assert [j.id for j in Inbox(tmp_path, can_be_shown=can_be_shown).unfinished()] == [job.id]
    path.write_text(spoil(text))
    for name in before:
        os.utime(tmp_path / name, (time.time() - KEEP_S - 60,) * 2)
    assert Inbox(tmp_path, can_be_shown=can_be_shown).all() == []
    assert list(tmp_path.iterdir()) == []  # after a week as any other


def test_a_photo_stays_as_long_as_one_that_is_measured_together_with_it(tmp_path):
    clock = Clock()
    inbox = Inbox(tmp_path, clock)
    first = inbox.add(io.BytesIO(b"first"), 1000, "me", SPEC)
    clock.now += 3600
    second = inbox.add(io.BytesIO(b"second"), 1000, "me", {**SPEC, "others": [first.id]})
    first.state = second.state = "done"
    clock.now += KEEP_S - 1800
    inbox.forget_old()
    assert inbox.get(first.id) is first
    clock.now += 3600
    inbox.forget_old()
    assert inbox.all() == []


def test_the_inbox_refuses_and_keeps_nothing_of_it(tmp_path):
    inbox = Inbox(tmp_path)
    with pytest.raises(UsageProblem, match="larger than"):
        inbox.add(io.BytesIO(b"x" * 2_000_001), 2_000_000, "me", SPEC)
    with pytest.raises(UsageProblem, match="empty"):
        inbox.add(io.BytesIO(b""), 1000, "me", SPEC)
    assert list(tmp_path.iterdir()) == []
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=200_000_000))
        with pytest.raises(UsageProblem, match="nearly full"):
            inbox.add(io.BytesIO(b"photo"), 1000, "me", SPEC)
    assert list(tmp_path.iterdir()) == []


def test_the_inbox_forgets_after_a_week(tmp_path):
    clock = Clock()
    inbox = Inbox(tmp_path, clock)
    job = inbox.add(io.BytesIO(b"photo"), 1000, "me", SPEC)
    clock.now += KEEP_S + 1
    inbox.forget_old()
    assert inbox.get(job.id) is not None  # without an answer it stays
    job.state = "done"
    inbox.forget_old()
    assert inbox.get(job.id) is None
    assert list(tmp_path.iterdir()) == []


def test_the_photo_of_the_cap_is_the_last_one_before_the_closures(tmp_path):
    clock = Clock()
    inbox = Inbox(tmp_path, clock)

    def add(stage, order="0007"):
        clock.now += 60
        job = inbox.add(io.BytesIO(b"photo"), 1000, "me", {**SPEC, "stage": stage, "order": order})
        job.state, job.measured = "done", "{}"
        return job

    early, cap, _ = add("cap"), add("cap"), add("cap", "0008")
    pinned = add("pinned")
    after = add("cap")
    assert inbox.unsaved_cap(pinned) is cap
    assert inbox.unsaved_cap(add("stitched")) is after
    cap.record = 1  # the last one is saved: the earlier one is not offered in its place
    assert inbox.unsaved_cap(pinned) is None
    inbox.remove(cap)
    assert inbox.unsaved_cap(pinned) is early


@pytest.mark.parametrize("number", ["../../etc/passwd", "..", "", "a/b", "%2e%2e", "x" * 4000, "\0"])
def test_a_number_that_is_none_reaches_no_file(tmp_path, number):
    inbox = Inbox(tmp_path / "inbox")
    (tmp_path / "secret.json").write_text("{}")
    assert inbox.get(number) is None


# ----------------------------------------------------------------------------- what a worker may say


finite = st.floats(-1e4, 1e4)
names = st.sampled_from(["offset_mm", "skew_deg", "clearance_left_mm", "width_front_mm"])
estimates = st.builds(
    Estimate,
    finite,
    st.floats(1e-6, 100),
    st.lists(st.builds(Contribution, st.text(max_size=20), st.floats(0, 10)), max_size=3).map(tuple),
    st.lists(st.text(max_size=20), max_size=2).map(tuple),
)


@given(
    st.dictionaries(names, estimates),
    st.dictionaries(st.sampled_from(["fold_front", "back_left"]), st.tuples(finite, finite)),
    st.builds(Grounds, *[st.booleans()] * 5),
)
def test_a_measured_photo_survives_the_pipe(measures, marks, grounds):
    line = np.array([[1.25, 2.5], [math.nan, math.nan], [3.0, 4.0]])
    measured = Measured(
        measures,
        {"skew_deg": Problem("gone", "It is gone.")},
        Findings(marks, {"fold": line}, frozenset({"fold"}), frozenset(marks), {"fold": ("crease",)}, line[:1]),
        (Problem("dark", "Too dark."),),
        View(40.0, 600.0, 3.0),
        grounds=grounds,
    )
    back = measured_from_dict(json.loads(json.dumps(measured_to_dict(measured))))
    assert back.estimates == measured.estimates
    assert back.missing == measured.missing
    assert back.problems == measured.problems
    assert back.view == measured.view
    assert back.grounds == grounds
    assert back.findings.landmarks_px == measured.findings.landmarks_px
    assert back.findings.by_hand == measured.findings.by_hand
    np.testing.assert_array_equal(back.findings.lines_px["fold"], line)


json_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=8,
)


@given(json_values)
def test_nonsense_from_a_worker_is_a_value_error(data):
    with pytest.raises((ValueError, OverflowError)):
        measured_from_dict(data)


@given(
    st.dictionaries(
        st.sampled_from(["estimates", "missing", "landmarks_px", "lines_px", "problems", "view"]), json_values
    )
)
def test_spoilt_replies_are_value_errors_or_harmless(spoilt):
    good = measured_to_dict(Measured({"offset_mm": Estimate(1.0, 0.1)}))
    try:
        back = measured_from_dict(good | spoilt)
    except ValueError:
        return
    assert all(math.isfinite(e.value) for e in back.estimates.values())


# ----------------------------------------------------------------------------- what is asked


def test_a_form_becomes_the_command_lines_request():
    spec = spec_from(
        {"closure": "4x4", "closure_other": "12.7x12.7cm", "block": "57.8cm", "front": "left"}, Settings(), (99.2, 99.6)
    )
    request = request_of(json.loads(json.dumps(spec)), {"points": {"fold_front": [10, 20]}})
    assert request.closure.width_mm == pytest.approx(127.0)
    assert request.block_circumference_mm == pytest.approx(578.0)
    assert request.card_bars_mm == pytest.approx((99.2, 99.6))
    assert request.front == "left"
    assert request.marks.landmarks_px == {"fold_front": (10.0, 20.0)}
    assert request.tolerances == Settings().tolerances


def test_the_bars_are_those_that_the_command_line_takes(tmp_path, monkeypatch):
    """For the scale card those of the settings before those entered; a close-up has the small card beside it."""
    from placecheck.card_bars import save_bars
    from placecheck.commands.check_request import AsTyped, request_for

    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    bench = SimpleNamespace(config=PageConfig(tmp_path))

    def bars(stage: str) -> tuple[float, float] | None:
        asked = request_of(spec_of(bench, {"stage": stage, "block": "57cm"}))
        typed = AsTyped(stage=stage, block_circumference=None if stage == "stitches" else "57cm")
        assert asked.card_bars_mm == pytest.approx(request_for(typed).card_bars_mm)
        return asked.card_bars_mm

    assert (bars("cap"), bars("stitches")) == (None, None)
    save_bars(tmp_path, 99.0, 99.1)
    assert (bars("cap"), bars("stitches")) == ((99.0, 99.1), None)
    save_bars(tmp_path, 51.0, 50.5, small=True)
    (tmp_path / "settings.toml").write_text('[check]\ncard_bars = "3.9x3.92in"\n')
    assert bars("cap") == pytest.approx((99.06, 99.568))
    assert bars("stitches") == (51.0, 50.5)
    (tmp_path / "settings.toml").write_text('[check]\ncard_bars = "wide"\n')
    with pytest.raises(UsageProblem, match=r"In settings\.toml, card_bars"):
        bars("cap")


def test_a_saved_block_takes_the_tapes_place_and_is_kept_with_the_photo(tmp_path, monkeypatch):
    from placecheck import cli
    from placecheck.bare_block.saved import BLOCKS, blocks_folder
    from placecheck.commands.check_request import AsTyped, request_for

    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    tapes = ["--round", "22.75in", "--over", "13.25in", "--across", "12.25in"]
    assert cli.run(["block", "measure", "Willow", *tapes]) == 0
    willow = BLOCKS.load(blocks_folder(tmp_path), "Willow")
    spec = json.loads(json.dumps(spec_from({"closure": "5x5", "block": "60cm"}, Settings(), saved=willow)))
    assert block_words(spec) == "Willow"
    of_the_command_line = request_for(AsTyped(closure="5x5", block="Willow"))
    assert cli.run(["block", "forget", "Willow"]) == 0  # what was asked stays
    assert request_of(spec) == of_the_command_line
    assert request_of(spec).block_circumference_mm == pytest.approx(578.0, abs=0.1)
    taped = spec_from({"closure": "5x5", "block": "60cm"}, Settings())
    assert (block_words(taped), request_of(taped).block) == ("60cm", None)
    older = {name: value for name, value in taped.items() if name != "saved_block"}
    assert request_of(older) == request_of(taped)


@pytest.mark.parametrize(
    ("form", "words"),
    [
        ({}, "Which closure"),
        ({"closure": "5x5"}, "How large"),
        ({"closure": "5x5", "block": "57"}, "no unit"),
        ({"closure": "5x5", "block": "57in"}, "57cm"),
        ({"closure": "<script>", "block": "57cm"}, "not two numbers"),
        ({"closure": "5x5", "block": "57cm", "front": "up"}, "top, bottom"),
        ({"closure": "5x5", "block": "57cm", "stage": "sewn"}, "stage"),
    ],
)
def test_a_bad_form_is_one_sentence(form, words):
    with pytest.raises(UsageProblem, match=words):
        spec_from(form, Settings())


@given(st.dictionaries(st.text(max_size=12) | st.just("fold_front"), json_values, max_size=3))
def test_points_from_a_browser_are_points_or_refused(points):
    try:
        marks = marks_of({"points": points}, 1000, 800)
    except UsageProblem:
        return
    for x, y in marks.landmarks_px.values():
        assert -0.5 <= x <= 999.5
        assert -0.5 <= y <= 799.5


def measured_job(tmp_path) -> object:
    from placecheck.page.hands import keep_found

    job = Inbox(tmp_path).add(io.BytesIO(b"photo"), 1000, "me", SPEC)
    arc = np.stack([np.linspace(100, 500, 41), 300 + 0.001 * np.linspace(-200, 200, 41) ** 2], -1)
    measured = Measured({"offset_mm": Estimate(1, 0.1)}, {}, Findings({"fold_front": (300.0, 320.0)}, {"cap_rim": arc}))
    job.width, job.height, job.state, job.measured = 1000, 800, "done", json.dumps(measured_to_dict(measured))
    keep_found(job, measured_to_dict(measured))
    return job


def test_a_set_is_saved_whole_or_not_yet(tmp_path):
    """Also the photo that cannot be measured any more since it was corrected: the other one's answer rests on that."""
    from types import SimpleNamespace

    from placecheck.page.bench import PageConfig
    from placecheck.page.rows import answer_of
    from placecheck.page.views_photo import _keep
    from placecheck.records.store import open_store

    inbox = Inbox(tmp_path / "inbox")
    photo = (Path(__file__).parent.parent / "fixtures" / "photos" / "demo.jpg").read_bytes()
    first = inbox.add(io.BytesIO(photo), len(photo), "me", SPEC)
    second = inbox.add(io.BytesIO(photo), len(photo), "me", {**SPEC, "others": [first.id]})
    second.state, second.measured = "done", json.dumps(measured_to_dict(Measured({"offset_mm": Estimate(1, 0.1)})))
    bench = SimpleNamespace(config=PageConfig(tmp_path), inbox=inbox)
    with pytest.raises(UsageProblem, match="save it in a moment"):
        _keep(bench, second, answer_of(second))
    assert second.record is None
    first.state, first.failure = "done", ["marks-wrong", "The corners set by hand are no rectangle.", 3]
    number = _keep(bench, second, answer_of(second))
    with open_store(tmp_path) as store:
        kept, part = store.get(number), store.get(first.record)
    assert [other["photo"] for other in kept.request["others"]] == [part.id]
    assert (part.summary.origin, part.summary.verdict, part.overlay) == ("part", "retake", None)


def test_a_correction_while_the_pictures_are_written_counts(tmp_path):
    """The other photo of the set is then still "measuring", so that it falls to the pool to look at it again."""
    from types import SimpleNamespace

    from placecheck.page.pool import Pool
    from placecheck.page.views_photo import _measure_again

    writing, corrected = threading.Event(), threading.Event()

    class SlowDisk(Inbox):
        def keep_picture(self, job, name, data):
            if job.spec.get("others") and not corrected.is_set():
                writing.set()
                corrected.wait(30)
            super().keep_picture(job, name, data)

    async def run():
        inbox = SlowDisk(tmp_path)
        photo = photo_bytes("pass")
        first = inbox.add(io.BytesIO(photo), len(photo), "me", SPEC)
        second = inbox.add(io.BytesIO(photo), len(photo), "me", SPEC | {"others": [first.id]})
        pool = Pool(inbox, workers=1, checker="tests.page_bench:StandIn")
        await pool.start()
        try:
            assert await asyncio.to_thread(writing.wait, 60)
            assert (first.state, second.state) == ("done", "measuring")
            first.marks = {"points": {"fold_front": [500.0, 700.0]}}
            await _measure_again(SimpleNamespace(inbox=inbox, pool=pool), [first, second])
            corrected.set()
            for job in (first, second):
                for _ in range(600):
                    if job.state == "done":
                        break
                    await pool.wait(job, 0.1)
            return [measured_from_dict(json.loads(job.measured)) for job in (first, second)]
        finally:
            corrected.set()
            await pool.stop()

    there, moved = asyncio.run(run())
    assert there.findings.landmarks_px["fold_front"] == (500.0, 700.0)
    usual = PLACES["fold_front"][0] * 1600 + 0.4 / (MM_PER_WIDTH / 1600)
    assert moved.findings.landmarks_px["fold_front"][0] == pytest.approx(usual + 500.0 / 100)


def test_a_dragged_line_keeps_its_shape(tmp_path):
    from placecheck.page.hands import bent, corrections

    job = measured_job(tmp_path)
    arc = np.array(job.found_lines["cap_rim"])
    assert corrections({"points": {}, "bends": {}}, job) == ({}, {})
    marks, _ = corrections({"bends": {"cap_rim": [[0, 7.5]] * 5}}, job)
    np.testing.assert_allclose(marks["lines"]["cap_rim"], arc + np.array([0, 7.5]), atol=0.006)
    middle = bent(arc, np.array([[0, 0], [0, 0], [0, 8.0], [0, 0], [0, 0]]))
    np.testing.assert_allclose(middle[20], arc[20] + np.array([0, 8]), atol=1e-9)  # the handle itself
    np.testing.assert_allclose(middle[[0, -1]], arc[[0, -1]])
    assert 3.5 < middle[15, 1] - arc[15, 1] < 4.5  # half way between two handles
    far, _ = corrections({"bends": {"cap_rim": [[-9000, 9000]] * 5}}, job)
    assert np.all(np.array(far["lines"]["cap_rim"]) == [0, 799])  # held inside the photo


@given(json_values)
def test_corrections_from_a_browser_are_read_or_refused(tmp_path_factory, data):
    from placecheck.page.hands import corrections

    job = measured_job(tmp_path_factory.mktemp("job"))
    for given_ in (
        data,
        {"points": data},
        {"bends": data},
        {"bends": {"cap_rim": data}},
        {"points": {"fold_front": data}},
    ):
        with contextlib.suppress(UsageProblem):  # anything else fails
            marks, _ = corrections(given_, job)
            request_of(SPEC, marks)


# ----------------------------------------------------------------------------- orders


def test_a_block_changed_at_the_command_line_is_the_one_the_photo_form_offers(tmp_path, monkeypatch):
    from placecheck import cli
    from placecheck.page import shop
    from placecheck.units import parse_circumference_mm, parse_closure

    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path))
    texts = {"alias": "Willow", "circumference": "57cm", "block": "22.75in", "closure": "12.7 x 12.7 cm", "accept": "1"}
    number = shop.keep_order(texts).number
    assert [order.block for order in shop.all_orders(tmp_path)] == ["22.75in"]
    assert cli.run(["order", "change", number, "--maker", "Ada"]) == 0
    assert [order.block for order in shop.all_orders(tmp_path)] == ["22.75in"]  # as it was typed
    assert cli.run(["order", "change", number, "--block", "22in", "--closure", "4x4", "--yes"]) == 0
    (order,) = shop.all_orders(tmp_path)
    assert parse_circumference_mm(order.block) == pytest.approx(22 * 25.4, abs=0.05)
    assert parse_closure(order.closure).width_mm == pytest.approx(4 * 25.4)
    assert shop.order_texts(number)["block"] == order.block
    assert not {"block", "closure"} & set(shop._order(number).written)


# ----------------------------------------------------------------------------- limits


def test_limits_are_kept_where_the_command_line_reads_them(tmp_path):
    from placecheck.settings import load_settings

    path = tmp_path / "settings.toml"
    path.write_text('# ours\n[check]\nclosure = "5x5"\nblock_circumference = "22 \\"3/4\\" in"\n')
    before = tomllib.loads(path.read_text())["check"]
    shown = limits.shown(tmp_path)
    assert shown["default"]
    texts = {f"{n}_{s}": v for n, pair in shown["limits"].items() for s, v in zip(("low", "high"), pair, strict=True)}
    limits.keep(tmp_path, texts | {"aim": "9", "risk": "2,5", "offset_mm_low": "-2.5"})
    assert tomllib.loads(path.read_text())["check"] == before
    kept = load_settings(tmp_path).tolerances
    assert kept.limits["offset_mm"] == (-2.5, 3.0)
    assert kept.clearance_aim_mm == 9.0
    assert kept.risk == pytest.approx(0.025)
    assert (tmp_path / "settings.toml.before").read_text().startswith("# ours")
    limits.keep(tmp_path, {"defaults": "1"})
    assert limits.shown(tmp_path)["default"]
    assert tomllib.loads(path.read_text()) == {"check": before}


def test_limits_of_what_the_form_does_not_show_stay(tmp_path):
    from placecheck.settings import load_settings

    text = "[tolerances]\ncap_shift_mm = [-2, 2]\nstitch_spacing_mm = [2, 8]\nclearance_mm = [7, 12]\n"
    (tmp_path / "settings.toml").write_text(text)
    shown = limits.shown(tmp_path)
    texts = {f"{n}_{s}": v for n, pair in shown["limits"].items() for s, v in zip(("low", "high"), pair, strict=True)}
    for form in (texts | {"aim": "10", "risk": "5", "offset_mm_low": "-2.5"}, {"defaults": "1"}):
        limits.keep(tmp_path, form)
        kept = load_settings(tmp_path).tolerances
        assert kept.stage_limits["cap_shift_mm"] == (-2.0, 2.0)
        assert kept.stage_limits["stitch_spacing_largest_mm"] == (2.0, 8.0)
        assert kept.limits["offset_mm"] == ((-2.5, 3.0) if "aim" in form else (-3.0, 3.0))
        assert kept.limits["clearance_left_mm"] == ((7.0, 12.0) if "aim" in form else (6.0, 13.0))
    assert limits.shown(tmp_path)["default"]  # of what it shows


def test_bad_limits_change_nothing(tmp_path):
    for bad in ({}, {"offset_mm_low": "nan"}):
        with pytest.raises(UsageProblem, match="not a number"):
            limits.keep(tmp_path, bad)
    texts = {
        f"{n}_{s}": v
        for n, p in limits.shown(tmp_path)["limits"].items()
        for s, v in zip(("low", "high"), p, strict=True)
    }
    good = texts | {"aim": "9", "risk": "5"}
    for bad, words in (
        ({"skew_deg_low": "7"}, "^Skew: 7 to 2° is the wrong way round"),
        ({"skew_deg_low": "2"}, "^Skew: 2 to 2° is the wrong way round"),
        ({"skew_deg_low": "-46"}, "^Skew: -46 to 2° is wider than any closure"),
        ({"aim": "13.1"}, "lies outside the hairline's own limits, 6 to 13 mm"),
        ({"risk": "51"}, "Write 0.01 to 50 %"),
    ):
        with pytest.raises(UsageProblem, match=words):
            limits.keep(tmp_path, good | bad)
    assert list(tmp_path.iterdir()) == []
    limits.keep(tmp_path, good | {"aim": "13", "risk": "50", "skew_deg_low": "-45"})  # the last that are possible


simple = st.text(max_size=30) | st.floats(-1e6, 1e6) | st.lists(st.floats(-100, 100), min_size=2, max_size=2)
keys = st.from_regex(r"[a-z_]{1,12}", fullmatch=True)


@given(st.dictionaries(keys, st.dictionaries(keys, simple, max_size=4), max_size=3))
def test_what_is_written_is_what_tomllib_reads(data):
    assert tomllib.loads(limits.toml(data)) == data


# ----------------------------------------------------------------------------- rows


def judged(value: float, u: float, low: float, high: float, state: str = "in") -> Judged:
    return Judged(Estimate(value, u), low, high, state, 0.5)


def test_the_band_is_to_scale():
    """24 mm across 1000 units: 41.667 units a millimetre, worked by hand."""
    band = band_of(judged(1.5, 0.25, -3, 3), "mm", 2.0)
    assert (band.low, band.high) == (375.0, 625.0)
    assert (band.sure_low, band.sure_high) == (395.8, 604.2)
    assert band.value == 562.5
    assert band.u_high - band.u_low == pytest.approx(1000 / 24, abs=0.1)
    assert band_of(judged(9.5, 0.25, 6, 13), "mm", 2.0).value == 500.0
    assert band_of(judged(1.0, 0.1, -2, 2), "deg", 2.0).value == 625.0


@given(finite, st.floats(1e-3, 50), st.floats(-90, 0), st.floats(0.1, 90))
def test_nothing_is_drawn_outside(value, u, low, width):
    band = band_of(judged(value, u, low, low + width), "mm", 1.645)
    for x in (band.low, band.high, band.sure_low, band.sure_high, band.value, band.u_low, band.u_high):
        assert 0 <= x <= WIDE
    assert band.low <= band.sure_low <= band.sure_high <= band.high
    assert (band.beyond != 0) == (abs(value - (low + width / 2)) > 12)


def answered(offset: float, u: float = 0.2):
    from placecheck.one_photo import answer_for

    values = {"offset_mm": offset, "skew_deg": 0.1, "fold_offset_front_mm": offset, "fold_offset_back_mm": offset}
    values |= dict.fromkeys(("clearance_centre_mm", "clearance_left_mm", "clearance_right_mm"), 10.0)
    values |= dict.fromkeys(("front_corner_asymmetry_mm", "back_corner_asymmetry_mm"), 0.0)
    return answer_for(Measured({n: Estimate(v, u) for n, v in values.items()}), request_of(SPEC))


def test_worst_first():
    near, far, good, poor = answered(4.0), answered(9.0), answered(0.0), answered(2.9)
    order = sorted([good, near, poor, far], key=badness, reverse=True)
    assert order == [far, near, poor, good]
    assert [a.verdict for a in order] == ["fix", "fix", "retake", "pass"]


def test_what_changed_is_only_what_can_be_told():
    assert [c.label for c in moved_since(answered(5.0), answered(1.0), 10.0)] == ["Off centre"]
    assert moved_since(answered(5.0), answered(1.0), 10.0)[0].word == "4.0 mm (3/16 in) better"
    assert "worse" in moved_since(answered(1.0), answered(-5.0), 10.0)[0].word
    assert moved_since(answered(2.0), answered(-2.0), 10.0)[0].word == "moved to the other side"
    assert moved_since(answered(1.0, 0.5), answered(1.6, 0.5), 10.0) == []


def test_what_changed_of_a_cap_alone():
    from placecheck.one_photo import answer_for

    request = request_of(spec_from({"stage": "cap", "block": "57cm"}, Settings()))

    def cap(shift: float):
        return answer_for(Measured({"cap_shift_mm": Estimate(shift, 0.5)}, stage="cap"), request)

    assert [c.word for c in moved_since(cap(12.5), cap(0.5), 10.0)] == ["12.0 mm (1/2 in) better"]
    assert moved_since(cap(0.9), cap(0.5), 10.0) == []


@pytest.mark.parametrize(("closure", "status"), [("13x4", 2), ("8x7", 3), ("4x4", 1)])
def test_an_answer_is_headed_as_on_the_terminal(tmp_path, closure, status):
    """No photo shows both ends of a frontal, and none is asked for again."""
    from placecheck.page.checking import Checker
    from placecheck.page.rows import VERDICT_SHORT, answer_of, kind_of, listed
    from placecheck.printout import headline

    demo = Path(__file__).parent.parent / "fixtures" / "photos" / "demo.jpg"
    spec = spec_from({"stage": "pinned", "closure": closure, "block": "23in"}, Settings())
    outcome = Checker().check(demo, request_of(spec))
    job = Inbox(tmp_path).add(io.BytesIO(b"photo"), 1000, "me", spec)
    job.state, job.failure = "done", list(outcome.failure) if outcome.failure else None
    job.measured = json.dumps(measured_to_dict(outcome.measured)) if outcome.measured else None
    answer = answer_of(job)
    assert answer.exit_status == status
    short = VERDICT_SHORT[kind_of(answer)]
    assert headline(answer).startswith(f"{short.upper()}: ")
    assert [line["short"] for line in listed([job])] == [short]


def test_the_next_step_is_the_first_move():
    assert next_step(answered(5.0)).startswith("Slide the whole closure 5.0 mm")
    assert next_step(answered(0.0)).startswith("Save it")


# ----------------------------------------------------------------------------- small texts


@pytest.mark.parametrize(
    ("file", "student"),
    [
        ("Amara 2.jpg", "Amara 2"),
        ("..\\..\\Bea.JPG", "Bea"),
        ("../../etc/passwd", "passwd"),
        ("", "without a name"),
        ("a\nb\0c.jpg", "abc"),
    ],
)
def test_students_by_file_name(file, student):
    assert student_of(file) == student


def test_no_cell_is_a_formula():
    """The starts that CSV injection uses (OWASP, from memory)."""
    assert [safe_text(t)[0] for t in ("=1+1", "+1", "-1", "@x", "\tx", "\rx")] == ["'"] * 6
    assert safe_text("Amara") == "Amara"


@pytest.mark.parametrize(
    ("host", "bare"),
    [("a:80", "a"), ("[::1]:80", "::1"), ("[::1]", "::1"), ("::1", "::1"), ("Bench.local", "bench.local"), ("", "")],
)
def test_hosts_without_ports(host, bare):
    assert _bare(host) == bare


def test_a_body_that_does_not_come_is_not_waited_for(tmp_path):
    """It is answered with 408 Request Timeout (RFC 9110, 15.5.9), not as a fault of the program."""
    sent = []

    async def app(scope, receive, send):
        await receive()

    async def receive():
        await asyncio.sleep(5)

    async def send(message):
        sent.append(message)

    guard = Guard(app, Sessions(tmp_path / "sessions.json"), ["here"], {}, chunk_s=0.05)
    scope = {"type": "http", "method": "POST", "path": "/pair", "scheme": "http", "headers": [(b"host", b"here")]}
    asyncio.run(asyncio.wait_for(guard(scope, receive, send), 2.0))
    assert sent[0]["status"] == 408
    assert b"stopped coming" in sent[1]["body"]


@pytest.mark.parametrize(
    ("headers", "own"),
    [
        ({"sec-fetch-site": "same-origin", "origin": "http://a:1"}, True),
        ({"origin": "http://a:1"}, True),
        ({}, True),  # no browser; the form token decides
        ({"sec-fetch-site": "cross-site"}, False),
        ({"sec-fetch-site": "same-site", "origin": "http://a:1"}, False),
        ({"sec-fetch-site": "none"}, False),
        ({"origin": "http://evil.example"}, False),
        ({"origin": "null"}, False),
        ({"origin": "https://a:1"}, False),
    ],
)
def test_only_this_pages_own_forms(headers, own):
    from starlette.datastructures import Headers

    assert _own_origin(Headers(headers), "http", "a:1") is own


# ----------------------------------------------------------------------------- corrections


def test_marks_at_rest_are_measured_as_they_will_be_used():
    """What is seen already, measured anew, is quick and near, but not what a check with the mark gives, or refuses."""
    from placecheck.page.checking import Checker
    from placecheck.page.worker import answer_message

    demo = Path(__file__).parent.parent / "fixtures" / "photos" / "demo.jpg"
    spec = spec_from({"stage": "pinned", "closure": "4x4", "block": "23in"}, Settings())
    checker = Checker()
    x, y = checker.check(demo, request_of(spec)).measured.findings.landmarks_px["fold_front"]

    def told(do: str, at: list[float]) -> dict[str, Any]:
        marks = {"points": {"fold_front": at}, "lines": {}}
        message = {"do": do, "id": "demo", "path": str(demo), "spec": spec, "marks": marks, "others": []}
        return answer_message(checker, message)[0]

    near, corners = [x + 8.0, y], {}
    for do in ("remeasure", "whole", "check"):
        measured = measured_from_dict(told(do, near)["measured"])
        corners[do] = measured.estimates["front_corner_asymmetry_mm"].value
    assert corners["whole"] == corners["check"]
    assert 0.01 < abs(corners["remeasure"] - corners["check"]) < 2
    far = [x, y + 60.0]
    assert told("remeasure", far)["failure"] is None
    assert told("whole", far)["failure"][0] == told("check", far)["failure"][0] == "closure-size"


def test_use_these_looks_at_the_photo_once(tmp_path, monkeypatch):
    """The check that tells whether it can be measured so is the one that is kept; a recheck gives it to the digit."""
    from placecheck.page.pool import Pool
    from placecheck.page.rows import answer_of
    from placecheck.page.views_photo import _keep, use_points
    from placecheck.page.worker import Worker
    from placecheck.records.recheck import recheck_record
    from placecheck.records.store import open_store

    asked: list[str] = []
    call = Worker.call
    monkeypatch.setattr(
        Worker, "call", lambda worker, message, s: asked.append(message["do"]) or call(worker, message, s)
    )
    photo = (Path(__file__).parent.parent / "fixtures" / "photos" / "demo.jpg").read_bytes()
    spec = spec_from({"stage": "pinned", "closure": "4x4", "block": "23in"}, Settings())

    async def run():
        inbox = Inbox(tmp_path / "inbox")
        job, pool = inbox.add(io.BytesIO(photo), len(photo), "me", spec), Pool(inbox, workers=1)
        bench = SimpleNamespace(config=PageConfig(tmp_path), inbox=inbox, pool=pool)
        request = SimpleNamespace(
            app=SimpleNamespace(state=SimpleNamespace(bench=bench)), path_params={"number": job.id}
        )

        async def measured() -> None:
            for _ in range(600):
                if job.state == "done":
                    return
                await pool.wait(job, 0.1)

        await pool.start()
        try:
            await measured()
            x, y = job.found["fold_front"]
            for mm in (8.0, 12.0):  # what was tried before is no answer to what is tried now
                await use_points(request, {"points": json.dumps({"points": {"fold_front": [x + mm, y]}})})
                await measured()
                assert job.marks["points"]["fold_front"] == [x + mm, y]
        finally:
            await pool.stop()
        return bench, job

    bench, job = asyncio.run(run())
    assert asked == ["check"] * 3
    number = _keep(bench, job, answer_of(job))
    with open_store(tmp_path) as store:
        assert store.get(number).request["marks"]["landmarks_px"]["fold_front"] == job.marks["points"]["fold_front"]
        assert recheck_record(store, store.get(number)).reproduced


# ----------------------------------------------------------------------------- the seam close up


def test_a_close_up_asks_for_no_block_and_its_stitches_travel():
    from placecheck.page.checking import Checker

    close_up = Path(__file__).parent.parent / "fixtures" / "close_ups" / "running_gap.jpg"
    spec = spec_from({"stage": "stitches"}, Settings())
    assert (spec["closure"], spec["block"]) == ("", "")
    with pytest.raises(UsageProblem, match="How large is the block"):
        spec_from({"stage": "pinned", "closure": "5x5"}, Settings())
    outcome = Checker().check(close_up, request_of(spec))
    assert outcome.failure is None
    assert outcome.overlay[:2] == b"\xff\xd8"
    data = json.loads(json.dumps(measured_to_dict(outcome.measured)))
    assert measured_from_dict(data).sewn == outcome.measured.sewn
    truth = json.loads(close_up.with_suffix(".json").read_text())
    there = np.array([stitch["px"] for stitch in truth["stitches"]])
    gaps_px = np.linalg.norm(np.array(data["sewn"]["px"])[:, None] - there, axis=-1).min(1)
    assert len(gaps_px) >= 10
    assert gaps_px.max() < 1.0 * truth["px_per_mm"]
    for spoilt in ({"begin": "anywhere"}, {"spacing_mm": []}, {"along_mm": [float("nan")] * len(data["sewn"]["px"])}):
        with pytest.raises(ValueError, match=r"not a (row|measured)"):
            measured_from_dict(data | {"sewn": data["sewn"] | spoilt})
