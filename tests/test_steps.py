"""Advice as page and terminal set it: nothing is lost, brackets hold together, a move says first what to do."""

from __future__ import annotations

import io
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console
from test_advice import Flat, advise

from placecheck.advice import CAUTION
from placecheck.answer import Answer, Contribution, Estimate, Measured
from placecheck.judge import judge
from placecheck.printout import print_answer
from placecheck.steps import Step, begun, lengths_apart, spoken, step_of
from placecheck.tolerances import DEFAULTS
from placecheck.undecided import undecided

TURN = (
    "Turn the closure: leave the back fold pin in; lift the front one and swing that end of the fold 2.9 mm (1/8 in) "
    "to the wearer's left (toward the left of the photo), until the fold lies on the cap's centre line. With it the "
    "corners swing along."
)


def together(step: Step) -> str:
    head = f"{step.head}: " if step.head else ""
    return head + "; ".join(step.how) + (f" {step.along}" if step.along else "")


def test_what_to_do_how_and_what_goes_along() -> None:
    step = step_of(TURN)
    assert step.head == "Turn the closure"
    assert [how.split(",")[0][:22] for how in step.how] == ["leave the back fold pi", "lift the front one and"]
    assert step.along == "With it the corners swing along."


def test_what_is_undecided_says_first_what_to_do() -> None:
    budget = (Contribution("fold at the hairline", 0.45),)
    m = Measured({"offset_mm": Estimate(2.5, 0.5, budget)})
    (problem,) = undecided(m, judge(m, DEFAULTS))
    step = step_of(problem.message)
    assert step.head.startswith("Set a ball pin or a chalk dot on each end of the fold")
    assert step.how == ("the distance off centre is too uncertain to call.",)
    assert step.along == "Most of the doubt comes from the fold at the hairline."


@pytest.mark.parametrize(
    "text",
    [
        CAUTION,  # its colon belongs to the second sentence
        "Bring the front right corner 6.8 mm (1/4 in) in toward the centre line (wearer's right: toward the top).",
        "Take the photo again.",
        "",
    ],
)
def test_without_a_colon_of_its_own_all_is_how(text: str) -> None:
    assert step_of(text) == Step("", (text,), "")


@given(st.text(st.sampled_from("aB 1.;:()mWith it")))
def test_nothing_is_lost(text: str) -> None:
    assert together(step_of(text)) == text
    assert "".join(piece for piece, _ in lengths_apart(text)) == text


@settings(max_examples=60, deadline=None)
@given(u=st.floats(-15, 15), turn=st.floats(-8, 8), clearance=st.floats(-10, 30))
def test_every_move_of_the_whole_closure_says_first_what_to_do(u: float, turn: float, clearance: float) -> None:
    flat = Flat(u, turn, clearance)
    for fix in advise(flat.measured()):
        if fix.startswith(("Turn", "Slide", "Move")):
            step = step_of(fix)
            assert step.head.startswith(("Turn the closure", "Slide the whole closure", "Move the whole closure"))
            assert step.along.startswith("With it ")
            lengths = [piece for part in (step.head, *step.how) for piece, told in lengths_apart(part) if told]
            assert all(math.isfinite(float(length.split()[0])) for length in lengths)
            assert lengths


def test_lengths_stand_out_with_their_inches() -> None:
    pieces = lengths_apart("Swing it 12.7 mm (1 1/2 in) to the left, by 1.5° or 3 degrees, at 25 mm (1 in).")
    assert [piece for piece, told in pieces if told] == ["12.7 mm (1 1/2 in)", "1.5°", "3 degrees", "25 mm (1 in)"]
    for whole in ("8.4 ± 3.6 mm", "3.48 ± 0.80°", "6 to 13 mm"):
        assert lengths_apart(whole) == [(whole, True)]
    assert begun("lift both") == "Lift both"
    assert begun("") == ""


def test_what_is_read_aloud_has_no_signs_in_it() -> None:
    assert spoken(TURN).startswith(
        "Turn the closure: leave the back fold pin in; lift the front one and swing that end"
    )
    assert "2.9 millimetres to the wearer's left (toward the left of the photo)" in spoken(TURN)
    assert spoken("0.7 mm (less than 1/16 in), 25 mm (1 in), 2.5° ± 1 mm") == (
        "0.7 millimetres, 25 millimetres, 2.5 degrees plus or minus 1 millimetres"
    )


def test_the_terminal_sets_steps_below_what_to_do() -> None:
    console = Console(width=60, record=True, file=io.StringIO())
    print_answer(console, Answer("fix", Measured({}), {}, fixes=(TURN, CAUTION)))
    lines = [line.rstrip() for line in console.export_text().splitlines()]
    start = lines.index("1. Turn the closure")
    assert lines[start + 1] == "   - leave the back fold pin in"
    assert lines[start + 2].startswith("   - lift the front one and swing that end of the fold")
    assert lines[start + 3].startswith("     ")  # goes on under its step
    assert "   With it the corners swing along." in lines
    assert any(line.startswith("2. Take the photo again") for line in lines)
    assert max(map(len, lines)) <= 60
