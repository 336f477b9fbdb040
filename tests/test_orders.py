"""Orders: lengths as typed, doubts about them, and files that are whole or absent."""

from __future__ import annotations

import contextlib
import errno
import json
import os
import subprocess
import sys
import time
from dataclasses import replace
from datetime import date, datetime, timedelta
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from records_shop import REQUEST, answer, jpeg
from scipy.special import ellipe

from placecheck import cli
from placecheck.commands import order_given
from placecheck.errors import UnusableFile, UsageProblem
from placecheck.orders.doubts import doubts, ellipse_perimeter_mm
from placecheck.orders.files import OrderFiles, order_as_json, order_from_json
from placecheck.orders.order import Block, Cap, Measurements, Order
from placecheck.orders.tape import TAPE, TAPE_BY_NAME
from placecheck.orders.typed import UnitQuestion, parse_alias, parse_cap_size, parse_due, parse_tape_mm
from placecheck.records.saving import save_check
from placecheck.units import ClosureSize

INCH = 25.4
WILLOW = Order(
    "Willow",
    Measurements(22.5 * INCH, 14.25 * INCH, 15.5 * INCH, 12.75 * INCH, 5.5 * INCH),
    Block(22.5 * INCH),
    Cap("standard"),
    ClosureSize(127.0, 127.0, "5x5"),
    maker="Rowan",
    due=date(2031, 3, 14),
)


# ----------------------------------------------------------------------------- lengths as typed


@given(whole=st.integers(20, 24), part=st.integers(1, 15))
def test_bare_fractions_are_inches_to_the_digit(whole, part):
    """The inch is 25.4 mm exactly (international yard and pound agreement, 1959)."""
    expected = float((whole + Fraction(part, 16)) * Fraction(254, 10))
    assert parse_tape_mm(f"{whole} {part}/16", "circumference") == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("text", "mm"),
    [("22 1/2", 571.5), ("22½", 571.5), ("22-1/2 in", 571.5), ("57.2cm", 572.0), ("57,2 cm", 572.0), ("572mm", 572.0)],
)
def test_ways_to_write_a_circumference(text, mm):
    assert parse_tape_mm(text, "circumference") == pytest.approx(mm)


def test_unit_option_serves_bare_numbers_only():
    assert parse_tape_mm("22.5", "circumference", "in") == pytest.approx(571.5)
    assert parse_tape_mm("57", "circumference", "cm") == 570.0
    assert parse_tape_mm("57cm", "circumference", "in") == 570.0


@given(
    name=st.sampled_from([m.name for m in TAPE if m.name != "hairline_height"]),
    part=st.floats(0.0, 1.0),
    wrong=st.sampled_from(["in", "cm"]),
)
def test_a_mixed_up_unit_is_asked_about_with_the_right_one(name, part, wrong):
    low, high = TAPE_BY_NAME[name].hard_mm
    mm = low + 1 + part * (high - low - 2)
    right = {"in": "cm", "cm": "in"}[wrong]
    number = f"{mm / {'in': 25.4, 'cm': 10.0}[right]:.2f}"
    with pytest.raises(UnitQuestion) as caught:
        parse_tape_mm(f"{number}{wrong}", name)
    assert caught.value.suggestion == f"{number}{right}"
    assert low <= parse_tape_mm(caught.value.suggestion, name) <= high


@pytest.mark.parametrize(
    ("text", "says", "suggestion"),
    [
        ("57", "did you mean 57cm?", "57cm"),
        ("22.5", "did you mean 22.5in?", "22.5in"),
        ("570", "did you mean 570mm?", "570mm"),
        ("57in", "Did you mean 57cm?", "57cm"),
        ("90cm", "Measure again", None),
        ("7", "Measure again", None),
    ],
)
def test_questions_about_a_circumference(text, says, suggestion):
    with pytest.raises(UnitQuestion, match="circumference") as caught:
        parse_tape_mm(text, "circumference")
    assert says in caught.value.problem.message
    assert caught.value.suggestion == suggestion


def test_two_readings_are_both_offered():
    """3 may be 3 in (76 mm) or 3 cm: nothing is suggested, both are named."""
    with pytest.raises(UnitQuestion, match="3in or 3cm") as caught:
        parse_tape_mm("3", "hairline_height")
    assert caught.value.suggestion is None


@given(st.text(max_size=12))
def test_any_text_gives_a_length_of_a_head_or_a_sentence(text):
    mm = 0.0
    with contextlib.suppress(UsageProblem):
        mm = parse_tape_mm(text, "circumference")
    assert mm == 0.0 or 490 <= mm <= 650


@pytest.mark.parametrize(
    "bad", ["", "   ", "none", "a@b.example", "+44 20 7946 0000", "x" * 41, "17", "#3", "a\x00b", "\u200d", "\u202eab"]
)
def test_aliases_that_are_none(bad):
    with pytest.raises(UsageProblem):
        parse_alias(bad)


def test_aliases_dates_and_caps():
    assert parse_alias("  Silver  Birch 2 ") == "Silver Birch 2"
    for joined in ("می\u200cشا", "👩\u200d🦰"):
        assert parse_alias(joined) == joined
    assert parse_due("2031-03-14") == date(2031, 3, 14)
    with pytest.raises(UsageProblem, match="2026-03-14"):
        parse_due("14.3.31")
    assert parse_cap_size("Extra large") == parse_cap_size("XL") == "extra-large"
    with pytest.raises(UsageProblem, match="standard or extra-large"):
        parse_cap_size("medium")


# ----------------------------------------------------------------------------- can it be true?


@pytest.mark.parametrize(("a", "b", "expected"), [(100.0, 75.0, 552.5873040177377), (97.0, 73.5, 538.1884892697817)])
def test_ellipse_perimeter(a, b, expected):
    """4 a E(1 - (b/a)^2), scipy.special.ellipe (parameter m = k^2)."""
    assert expected == pytest.approx(4 * a * ellipe(1 - (b / a) ** 2), rel=1e-12)
    assert ellipse_perimeter_mm(2 * a, 2 * b) == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    "inches",
    [
        (21.75, 14.0, 14.5, 12.5, 5.0),
        (22.25, 14.5, 15.0, 12.75, 5.5),
        (22.75, 14.5, 15.5, 13.0, 6.0),
        (23.0, 15.0, 15.5, 13.5, 6.0),
    ],
)
def test_size_charts_of_the_trade_raise_no_doubt(inches):
    """Petite to large rows of cap size charts (common practice, no published source)."""
    assert doubts(Order("x", Measurements(*(i * INCH for i in inches)))) == ()


def test_published_heads_are_usual():
    """Pheasant, Bodyspace, British adults 19-65: 5th and 95th percentiles of head length and breadth, women and men."""
    for length, breadth in ((165, 135), (190, 150), (180, 145), (205, 165)):
        for name, mm in (("head_length", length), ("head_breadth", breadth)):
            low, high = TAPE_BY_NAME[name].usual_mm
            assert low <= mm <= high
    # ANSUR II, mean and SD from memory: women 561 / 16.5, men 574 / 16
    low, high = TAPE_BY_NAME["circumference"].usual_mm
    assert low < 561 - 2 * 16.5
    assert high > 574 + 2 * 16


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"circumference_mm": 640.0}, "circumference of 640.0 mm"),
        ({"front_to_nape_mm": 290.0}, "front to nape of 290.0 mm (11 7/16 in) is short for a circumference"),
        ({"circumference_mm": 540.0, "front_to_nape_mm": 400.0}, "front to nape of 400.0 mm (15 3/4 in) is long for a"),
        ({"temple_to_temple_mm": 460.0}, "temple to temple of 460.0 mm"),
        ({"circumference_mm": 522.0, "temple_to_temple_mm": 424.0}, "(16 11/16 in) is long for a circumference"),
        ({"circumference_mm": 610.0, "temple_to_temple_mm": 360.0}, "(14 3/16 in) is short for a circumference"),
        ({"circumference_mm": 540.0, "ear_to_ear_mm": 372.0}, "ear to ear of 372.0 mm (14 5/8 in) is long for a circ"),
        ({"circumference_mm": 600.0, "ear_to_ear_mm": 294.0}, "ear to ear of 294.0 mm (11 9/16 in) is short for a"),
        ({"circumference_mm": 522.0, "nape_width_mm": 184.0}, "nape width of 184.0 mm (7 1/4 in) is long for a circ"),
        ({"circumference_mm": 610.0, "nape_width_mm": 94.0}, "nape width of 94.0 mm (3 11/16 in) is short for a circ"),
        ({"nape_width_mm": 185.0, "temple_to_temple_mm": 345.0}, "more than half of temple to temple"),
        ({"head_length_mm": 190.0, "head_breadth_mm": 132.0}, "Calipers and tape disagree"),
        ({"head_length_mm": 165.0, "head_breadth_mm": 170.0}, "are they exchanged?"),
        ({"head_length_mm": 215.0, "head_breadth_mm": 135.0}, "are they exchanged?"),
        ({"head_length_mm": 191.0, "head_breadth_mm": 144.0}, "Calipers and tape disagree"),  # 8.2 %
    ],
)
def test_what_does_not_go_together_is_a_doubt(change, says):
    found = doubts(replace(WILLOW, measurements=replace(WILLOW.measurements, **change)))
    assert any(says in doubt for doubt in found), found


def test_calipers_that_agree_raise_no_doubt():
    """194 x 147 mm has a perimeter of 538.2 mm; a tape over hair and brow of 572 mm reads 6 % more."""
    m = replace(WILLOW.measurements, head_length_mm=194.0, head_breadth_mm=147.0)
    assert doubts(replace(WILLOW, measurements=m)) == ()


def test_block_and_date_are_doubted():
    assert "smaller round than the head" in doubts(replace(WILLOW, block=Block(21.5 * INCH)))[0]
    assert "larger round than the head" in doubts(replace(WILLOW, block=Block(24 * INCH)))[0]
    for more_mm, doubted in ((-3.5, True), (-2.5, False), (25.0, False), (26.0, True)):  # a tape's line; an inch
        block = Block(22.5 * INCH + more_mm)
        assert (doubts(replace(WILLOW, block=block), today=WILLOW.due) != ()) == doubted, more_mm
    assert "has passed" in doubts(WILLOW, today=date(2031, 3, 15))[0]
    assert doubts(WILLOW, today=date(2031, 3, 14)) == ()


# ----------------------------------------------------------------------------- keeping them


def _optional(low, high):
    return st.none() | st.floats(low, high)


orders = st.builds(
    Order,
    alias=st.text(min_size=1, max_size=20),
    measurements=st.builds(
        Measurements, st.floats(490, 650), _optional(280, 440), _optional(310, 470), nape_width_mm=_optional(75, 190)
    ),
    block=st.none() | st.builds(Block, st.floats(480, 670), _optional(250, 400), name=st.text(max_size=5)),
    cap=st.builds(Cap, st.sampled_from(["", "standard", "extra-large"]), _optional(300, 420)),
    closure=st.none() | st.builds(ClosureSize, st.floats(25, 400), st.floats(25, 400), st.just("5x5")),
    maker=st.text(max_size=8),
    due=st.none() | st.dates(),
    written=st.dictionaries(st.sampled_from(["circumference", "ear_to_ear"]), st.text(max_size=6)),
    accepted=st.lists(st.text(max_size=9), max_size=2).map(tuple),
    number=st.integers(1, 9999),
    revision=st.integers(1, 99),
)


@given(orders)
def test_json_round_trip(order):
    assert order_from_json(json.loads(json.dumps(order_as_json(order)))) == order


def test_numbers_states_and_history(tmp_path):
    store = OrderFiles(tmp_path / "orders")
    assert store.all() == ([], [])
    first = store.add(WILLOW)
    second = store.add(replace(WILLOW, alias="Fern"))
    assert (first.label, second.label) == ("0001", "0002")
    before = (tmp_path / "orders" / "0001.r001.json").read_bytes()
    changed = store.change(replace(first, maker="Ash"))
    assert changed.revision == 2
    assert (tmp_path / "orders" / "0001.r001.json").read_bytes() == before
    assert store.get("1") == store.get("0001") == store.get("#1") == store.get("willow") == changed
    assert [o.maker for o in store.history(1)] == ["Rowan", "Ash"]
    assert [o.alias for o in store.all()[0]] == ["Willow", "Fern"]


@pytest.mark.parametrize("filed", ["0001", "1", "#1"])
def test_a_number_that_checks_are_filed_under_is_given_to_no_new_order(run, tmp_path, filed):
    """Its order would take on checks of another closure: its first attempt, its photo of the cap, its report."""
    save_check(tmp_path / "home", jpeg(1), answer(), REQUEST, order=filed)
    save_check(tmp_path / "home", jpeg(2), answer(), REQUEST, order="A-2")
    save_check(tmp_path / "home", jpeg(3), answer(), REQUEST, order="20260003")
    assert "Order 0002 for Fern is kept." in run("new", "Fern", "--circumference", "22 1/2")[1]
    assert "Order 0003 for Oak is kept." in run("new", "Oak", "--circumference", "22 1/2")[1]


def test_records_that_cannot_be_read_stop_no_order(run, tmp_path):
    (tmp_path / "home").mkdir()
    (tmp_path / "home" / "records.sqlite3").write_bytes(b"no database" * 100)
    assert "Order 0001 for Fern is kept." in run("new", "Fern", "--circumference", "22 1/2")[1]


def test_a_change_on_an_old_state_is_refused(tmp_path):
    store = OrderFiles(tmp_path)
    first = store.add(WILLOW)
    store.change(replace(first, maker="Ash"))
    with pytest.raises(UsageProblem, match="changed by somebody else"):
        store.change(replace(first, maker="Elm"))
    assert store.get("1").maker == "Ash"


def test_unknown_and_ambiguous_references(tmp_path):
    store = OrderFiles(tmp_path)
    with pytest.raises(UsageProblem, match="no order 9"):
        store.get("9")
    store.add(WILLOW)
    store.add(WILLOW)
    with pytest.raises(UsageProblem, match="0001, 0002"):
        store.get("Willow")
    for none in ("Oak", "9" * 5000):  # Python reads no number of so many digits
        with pytest.raises(UsageProblem, match=f"no order for “{none}”"):
            store.get(none)


NO_LENGTH = '{"schema": 1, "alias": "x", "number": 1, "revision": 2, "measurements": {"circumference_mm": %s}}'


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"{",
        b"[]",
        b'{"schema": 99}',
        b'{"schema": 1, "alias": "x"}',
        b"\xff\xfe",
        b"[" * 100_000,
        *((NO_LENGTH % value).encode() for value in ('"571.5"', "null", "true", "-571.5", "1e999", "NaN", "57150")),
    ],
)
def test_a_damaged_file_is_named_and_the_others_are_there(tmp_path, content):
    store = OrderFiles(tmp_path)
    store.change(replace(store.add(WILLOW), maker="Ash"))
    store.add(replace(WILLOW, alias="Fern"))
    (tmp_path / "0001.r002.json").write_bytes(content)
    with pytest.raises(UnusableFile, match=r"0001\.r002\.json.* is damaged .*0001\.r001\.json"):
        store.get("1")
    found, problems = store.all()
    assert [o.alias for o in found] == ["Fern"]
    assert len(problems) == 1
    assert store.history(2)[0].alias == "Fern"


def test_a_damaged_order_is_not_missed_by_its_alias(tmp_path):
    """A photo filed under the alias alone, as if no order had it, would lie apart from its order for good."""
    store = OrderFiles(tmp_path)
    store.change(replace(store.add(WILLOW), maker="Ash"))
    store.add(replace(WILLOW, alias="Fern"))
    (tmp_path / "0001.r002.json").write_text("{")
    with pytest.raises(UnusableFile, match=r"0001\.r002\.json"):
        store.get("willow")
    assert store.get("fern").number == 2
    with pytest.raises(UsageProblem, match="no order for “A-17”"):
        store.get("A-17")
    (tmp_path / "0001.r001.json").write_text("{")  # now nobody knows what its alias is
    with pytest.raises(UnusableFile, match=r"0001\.r002\.json"):
        store.get("A-17")
    assert store.get("fern").number == 2


def test_a_folder_that_cannot_be_used(tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(UnusableFile, match="cannot be read: Not a directory"):
        OrderFiles(tmp_path / "file" / "orders").add(WILLOW)


def test_a_full_disk_changes_nothing(tmp_path, monkeypatch):
    store = OrderFiles(tmp_path)
    first = store.add(WILLOW)

    def full(handle):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", full)
        with pytest.raises(UnusableFile, match="No space left on device"):
            store.change(replace(first, maker="Ash"))
    assert store.get("1") == first
    assert sorted(p.name for p in tmp_path.iterdir()) == ["0001.r001.json"]


WRITER = """
import sys
from pathlib import Path
from placecheck.orders.files import OrderFiles
from placecheck.orders.order import Measurements, Order
store = OrderFiles(Path(sys.argv[1]))
print("ready", flush=True)
for i in range(int(sys.argv[2])):
    store.add(Order(sys.argv[3], Measurements(571.5), note=str(i) * 2000))
"""


def _writer(folder, count, name):
    command = [sys.executable, "-c", WRITER, str(folder), str(count), name]
    return subprocess.Popen(command, stdout=subprocess.PIPE)


def test_two_writers_get_different_numbers(tmp_path):
    writers = [_writer(tmp_path, 25, name) for name in ("left", "right")]
    for writer in writers:
        assert writer.wait(60) == 0
        writer.stdout.close()
    found, problems = OrderFiles(tmp_path).all()
    assert problems == []
    assert [o.number for o in found] == list(range(1, 51))
    assert sorted(o.alias for o in found) == ["left"] * 25 + ["right"] * 25


def test_a_writer_killed_at_any_moment_leaves_whole_orders(tmp_path):
    kept = 0
    for k in range(8):
        writer = _writer(tmp_path, 10_000, "x")
        writer.stdout.readline()
        time.sleep(0.004 + 0.0041 * k)
        writer.kill()
        writer.wait(30)
        writer.stdout.close()
        found, problems = OrderFiles(tmp_path).all()
        assert problems == []
        assert len(found) >= kept
        kept = len(found)
        assert [o.number for o in found] == list(range(1, kept + 1))
    assert kept > 0


# ----------------------------------------------------------------------------- the command


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("PLACECHECK_HOME", str(tmp_path / "home"))
    monkeypatch.chdir(tmp_path)

    def call(*arguments):
        status = cli.run(["order", *arguments])
        captured = capsys.readouterr()
        assert "Traceback" not in captured.err
        return status, captured.out, captured.err

    return call


FULL = (
    *("--circumference", "22 1/2", "--front-to-nape", "14 1/4", "--temple-to-temple", "15 1/2"),
    *("--ear-to-ear", "12 3/4", "--nape-width", "5 1/2", "--block", "22 1/2", "--closure", "5x5"),
)


def test_from_new_to_show(run):
    assert "`placecheck order new ALIAS`" in run("list")[1]
    status, out, _ = run("new", "Willow", *FULL, "--maker", "Rowan", "--due", "2031-03-14")
    assert status == 0
    assert "Order 0001 for Willow is kept." in out
    assert "cap: standard *" in out
    status, out, _ = run("show", "1", "--json")
    shown = json.loads(out)
    assert status == 0
    assert shown["order"]["measurements"]["circumference_mm"] == 571.5
    assert shown["order"]["written"]["front_to_nape"] == "14 1/4"
    assert shown["follows"]["marks"]["nape"]["along_front_mm"] == pytest.approx(361.95, abs=0.01)
    assert shown["doubts"] == []
    status, out, _ = run("list", "--maker", "rowan", "--due-by", "2031-12-31")
    assert "Willow" in out
    assert "2031-03-14" in out


def test_change_keeps_the_earlier_state_and_none_empties(run):
    run("new", "Willow", *FULL)
    status, out, _ = run("change", "willow", "--nape-width", "none", "--cap", "xl", "--block-over", "320mm")
    assert status == 0
    assert "nape corners cannot be placed without nape width" in out
    _, out, _ = run("show", "1", "--history")
    assert "state 1" in out
    assert "over the crown 320.0 mm" in out.split("state 2")[1]
    status, _, err = run("change", "1", "--cap", "xl")
    assert status == 2
    assert "already so" in err
    # another block forgets the tapes of the old one
    _, out, _ = run("change", "1", "--block", "23in", "--yes")
    _, out, _ = run("show", "1", "--json")
    assert json.loads(out)["order"]["block"] == {"circumference_mm": pytest.approx(584.2)}


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("new", "Fern"), "--circumference"),
        (("new", "Fern", "--circumference", "57"), "did you mean 57cm?"),
        (("new", "Fern", "--circumference", "57in"), "Did you mean 57cm?"),
        (("new", "Fern", "--circumference", "wide"), "is not a length"),
        (("new", "Fern", "--circumference", "0"), "“0” is no head's circumference in any unit"),
        (("new", "Fern", "--circumference", "25 1/4"), "--yes"),
        (("new", "me@home.example", "--circumference", "22 1/2"), "alias"),
        (("new", "Fern", "--circumference", "22 1/2", "--block-over", "32cm"), "--block"),
        (("new", "Fern", "--circumference", "22 1/2", "--block", "22.5in", "--block-over", "20cm"), "head's shape"),
        (("new", "Fern", "--circumference", "22 1/2", "--closure", "5"), "closure size"),
        (("new", "Fern", "--circumference", "22 1/2", "--due", "soon"), "due date"),
        (("show", "3"), "no order 3"),
        (("sheet", "Oak"), "no order for"),
    ],
)
def test_refusals_are_one_sentence_and_keep_nothing(run, arguments, says):
    status, out, err = run(*arguments)
    assert status == 2
    assert out == ""
    assert says in err
    assert err.count("\n") == 1
    assert json.loads(run("list", "--json")[1]) == []


def test_a_second_order_of_an_alias_is_told_and_kept(run):
    """A client may order twice; and a maker may have meant to change the first."""
    assert run("new", "Willow", "--circumference", "22 1/2", "--due", "2031-03-14")[2] == ""
    status, out, err = run("new", "willow", "--circumference", "22in")
    assert status == 0
    assert "Order 0002 for willow is kept." in out
    assert err.count("\n") == 1
    assert "an order for willow already, 0001 (due 2031-03-14), and 0002 is a second one" in err
    assert "`placecheck order change 0001`" in err
    assert (
        "orders for WILLOW already, 0001 (due 2031-03-14) and 0002, and 0003 is one more"
        in run("new", "WILLOW", "--circumference", "22in")[2]
    )
    # another alias may meet one, too; a change that leaves it alone says nothing
    assert run("new", "Fern", "--circumference", "22in")[2] == ""
    assert "0001 (due 2031-03-14), 0002 and 0003, and 0004 is one more" in run("change", "4", "--alias", "willow")[2]
    assert run("change", "4", "--maker", "Ada")[2] == ""


def test_broken_settings_stop_an_order_before_it_is_kept(run, tmp_path):
    """What follows from an order needs the shop's tolerances, so they are read first."""
    settings = tmp_path / "home" / "settings.toml"
    assert run("new", "Fern", "--circumference", "22 1/2")[0] == 0
    settings.write_text("[check")
    for arguments in (("new", "Oak", "--circumference", "22 1/2"), ("change", "1", "--maker", "Ada")):
        status, out, err = run(*arguments)
        assert (status, out) == (2, "")
        assert "not valid TOML" in err
    settings.unlink()
    orders = json.loads(run("list", "--json")[1])
    assert [(o["alias"], o["revision"]) for o in orders] == [("Fern", 1)]


def test_a_question_on_a_terminal(run, monkeypatch):
    monkeypatch.setattr(order_given, "_can_ask", lambda: True)
    asked = []
    monkeypatch.setattr("typer.confirm", lambda text, err: asked.append(text) or True)
    status, _, err = run("new", "Fern", "--circumference", "57in")
    assert status == 0
    assert asked == ["Take it as 57cm?"]
    assert "57in" in err
    assert json.loads(run("list", "--json")[1])[0]["measurements"] == {"circumference_mm": 570.0}


@pytest.mark.parametrize(
    ("given", "meant", "mm"),
    [
        (("--block", "57"), "57cm", 570.0),
        (("--block", "57in"), "57cm", 570.0),
        (("--block", "22.5 cm"), "22.5in", 571.5),
        (("--block", "57", "--unit", "in"), "57cm", 570.0),
        (("--block", "57cm", "--block-over", "33"), "33cm", 330.0),
        (("--block", "57cm", "--block-over", "33in"), "33cm", 330.0),
        (("--block", "57cm", "--block-across", "12.25"), "12.25in", 311.15),
        (("--block", "57cm", "--block-across", "31", "--unit", "in"), "31cm", 310.0),
    ],
)
def test_the_block_s_tapes_are_asked_about_like_the_client_s(run, monkeypatch, given, meant, mm):
    new = ("new", "Fern", "--circumference", "22 1/2", *given)
    name = {"--block-over": "over", "--block-across": "across"}.get(given[2] if len(given) > 2 else "", "")
    status, out, err = run(*new)  # nobody is there to be asked
    assert (status, out, (f"tape {name} the crown" if name else "block circumference") in err) == (2, "", True)
    monkeypatch.setattr(order_given, "_can_ask", lambda: True)
    asked = []
    monkeypatch.setattr("typer.confirm", lambda text, err: asked.append(text) or len(asked) > 1)
    assert run(*new)[0] == 2
    assert run(*new)[0] == 0
    assert asked == [f"Take it as {meant}?"] * 2
    (kept,) = json.loads(run("list", "--json")[1])
    assert kept["block"][f"{name or 'circumference'}_mm"] == pytest.approx(mm)


def test_an_accepted_doubt_is_kept_with_the_order(run):
    status, _, _ = run("new", "Fern", "--circumference", "24 5/8", "--yes")
    assert status == 0
    assert "unusually long" in json.loads(run("list", "--json")[1])[0]["accepted"][0]
    assert "checked: The circumference" in run("show", "1")[1]


def test_a_maker_s_orders_are_listed_however_her_name_is_composed(run):
    run("new", "Willow", "--circumference", "22 1/2", "--maker", "Zoe\u0308")
    assert "Willow" in run("list", "--maker", "ZO\u00cb")[1]


def test_a_state_s_time_is_that_of_the_clock_on_the_wall(run, monkeypatch):
    monkeypatch.setenv("TZ", "Asia/Kolkata")
    time.tzset()
    try:
        run("new", "Willow", "--circumference", "22 1/2")
        saved = json.loads(run("show", "1", "--json")[1])["order"]["saved"]
        there = datetime.fromisoformat(saved) + timedelta(hours=5, minutes=30)
        assert f"(state 1, {there:%Y-%m-%d %H:%M})" in run("show", "1")[1]
    finally:
        monkeypatch.undo()
        time.tzset()


def test_sheets_are_written_once(run, tmp_path):
    run("new", "Willow", *FULL)
    for command, name in (("sheet", "order-0001.pdf"), ("guidelines", "order-0001-guidelines.pdf")):
        assert run(command, "1")[0] == 0
        assert (tmp_path / name).read_bytes().startswith(b"%PDF")
        status, _, err = run(command, "1")
        assert status == 2
        assert "--force" in err
        assert run(command, "1", "--force", "--paper", "letter")[0] == 0
    for written in ("20", "20%", "20 %"):
        rows = json.loads(run("guidelines", "1", "--json", "--spacing", "1in", "--reserve", written)[1])
        assert rows["reserve_mm"] == pytest.approx(0.2 * rows["weft_mm"], abs=10.0)
    assert rows["to_buy_mm"] == pytest.approx(1.2 * sum(r["length_mm"] for r in rows["rows"]), abs=11.0)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--reserve", "a lot"), "The reserve “a lot” is no number: write it in percent, such as 10."),
        (("--reserve", "nan"), "0 to 100 percent"),
        (("rows.jpg",), "rows.jpg is a picture's name: add --in-photo"),
        (("rows.svg",), "rows.svg must end in .pdf"),
    ],
)
def test_guidelines_asked_for_wrongly_say_what_to_do(run, tmp_path, arguments, says):
    run("new", "Willow", *FULL)
    status, out, err = run("guidelines", "1", *arguments)
    assert (status, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
    assert not list(tmp_path.glob("*.pdf"))


def test_one_row_is_not_so_far_apart(run):
    run("new", "Willow", *FULL)
    room_mm = json.loads(run("guidelines", "1", "--json")[1])["rows"][-1]["middle_mm"]
    status, out, _ = run("guidelines", "1", "--first", f"{room_mm:.0f}mm", "--gap", "2mm")
    assert status == 0
    assert "1 row: " in out
    assert "apart" not in out


def test_guidelines_say_what_is_missing(run):
    run("new", "Willow", "--circumference", "22 1/2", "--block", "22.5in", "--closure", "5x5")
    status, _, err = run("guidelines", "1")
    assert status == 2
    assert "front to nape" in err
