"""Advice before the closure goes on: how to bring the cap back to the middle of the block.

The whole cap is slid first, until its middle meets the block's line at the front edge; there it is
held, and the nape is swung, where a degree is some 3 mm on a block of usual size; then the edge at
a temple is eased down. What is proven out is told, nothing else. The order is common practice, no
published source. What is out is brought to zero, or to the middle of limits that leave zero out. Sides are
the wearer's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from placecheck.advice import LEAST_MOVE_MM, Moves
from placecheck.answer import BARE_LINE, MEASURE_BY_NAME, NO_BLOCK_LINE, UNDER_THE_CAP, Estimate, Judged, Measured, Pull
from placecheck.block import CAP_LINE_WORDS
from placecheck.directions import right_of, toward
from placecheck.errors import Problem
from placecheck.steps import begun, enumerated
from placecheck.tolerances import aim_within
from placecheck.undecided import CLOSER_ADVICE, FLAT_LEAN_DEG, GEOMETRY, HOW_IT_LIES
from placecheck.units import mm_and_inches

LENGTH_MM = 190.0
"""From the cap's front edge to the nape, straight, on a block of usual size."""
BARE_BLOCK = Problem(
    "bare-block-unknown",
    "Where the block's line runs under the cap is most of the doubt: photograph the bare block from all round once, "
    "keep it, and name it in every check.",
)
LINE, TEMPLES, SEAMS = "cap-undecided", "cap-temples-undecided", "cap-seams-undecided"
SEAMS_LEAN_DEG = 30.0
"""Leaning no more, the phone sees the seams behind as well as it can."""
ON_THE_LINE = ("cap_shift_mm", "cap_turn_deg")
LINE_LONGER = "Chalk the block's middle line longer in front of the cap"
AGAIN: Mapping[str, str] = {
    LINE: f"{LINE_LONGER}, and take the photo again, closer",
    TEMPLES: "Take the photo again from straight in front of the face, leaning the phone 40 to 50 "
    "degrees, so that both temples are seen alike and block and card fill the picture",
    SEAMS: "Take the photo again leaning the phone no more than 30 degrees toward the face, closer, "
    "since the seams behind are seen nearly edge-on here",
}
"""What would decide what is unsure, by the problem's code."""
LIES = GEOMETRY - {CAP_LINE_WORDS}
"""Lines of the budget that are told as one: how camera, card and block lie to each other, not how the cap does."""
AGAIN_LEANING = f"{LINE_LONGER}, lean the phone 40 to 50 degrees toward the face, and take the photo again, closer"
AGAIN_WITH_IT = "Take the photo again, closer, once that line is seen"
"""Where a problem of the photo's own has asked for the block's line already."""
PIN_AGAIN = (
    "Pin the cap at the front, the nape and over both ears before the closure goes on, and take the photo again. Pins "
    "are sharp: push them in slanting, heads outward, and park loose ones in a cushion."
)


def cap_plan(measured: Measured, judged: Mapping[str, Judged]) -> tuple[tuple[str, ...], tuple[Pull, ...]]:
    """How to move the cap, one sentence each, in order; and the first move as hands make it, for the picture.

    Both are empty when nothing is proven out. Hands hold the ends of the cap's centre line, or its edge at the temples.
    """
    out = {name: j.estimate.value for name, j in judged.items() if j.state == "out"}
    if not out:
        return (), ()
    aim = {name: aim_within(judged[name].low, judged[name].high) for name in out}
    plan = Moves()
    if "cap_shift_mm" in out:
        at, shift = aim["cap_shift_mm"], out["cap_shift_mm"] - aim["cap_shift_mm"]
        meets = f"lies {mm_and_inches(at)} to the wearer's {'right' if at > 0 else 'left'} of" if at else "meets"
        plan.tell(
            f"Slide the whole cap {mm_and_inches(shift)} {_side(measured, -shift)} without turning it, until its "
            f"middle {meets} the block's middle line at the front edge; pin it there first. With it the nape goes as "
            "far.",
            Pull("cap_front", right_mm=-shift),
        )
    if "cap_turn_deg" in out:
        turn, then = out["cap_turn_deg"], aim["cap_turn_deg"]
        swing = LENGTH_MM * (math.tan(math.radians(turn)) - math.tan(math.radians(then)))  # to the wearer's right
        plan.tell(
            f"Turn the cap by {abs(turn - then):.1f}°: leave the pin in the middle of the front edge in, lift the "
            f"others, and swing the nape about {mm_and_inches(swing)} {_side(measured, swing)}. With it the ears "
            "follow.",
            Pull("cap_front"),
            Pull("cap_nape", right_mm=swing),
        )
    if "back_seams_mm" in out and not plan.moves:
        uneven, off = out["back_seams_mm"], out["back_seams_mm"] - aim["back_seams_mm"]
        plan.tell(
            f"The pair of seams behind is uneven by {mm_and_inches(abs(uneven))}: draw the cap there "
            f"{mm_and_inches(abs(off) / 2)} {_side(measured, -off)}.",
            Pull("cap_nape", right_mm=-off / 2),
        )
    high = out.get("temple_rim_mm", 0.0) - aim.get("temple_rim_mm", 0.0)
    if high and (not plan.moves or abs(high) >= LEAST_MOVE_MM):
        than = " than it should" if aim["temple_rim_mm"] else ""
        plan.tell(
            f"The cap's edge sits {mm_and_inches(abs(high))} higher at the wearer's "
            f"{'right' if high > 0 else 'left'} temple{than}: draw it down there by half of that and let it up by half "
            "on the other side.",
            Pull("temple_right", face_mm=high / 2),
            Pull("temple_left", face_mm=-high / 2),
        )
    return (*plan.moves, PIN_AGAIN), plan.pulls


def _side(measured: Measured, right_mm: float) -> str:
    """`to the wearer's left (toward the top of the photo)`."""
    word = "right" if right_mm > 0 else "left"
    line = measured.findings.lines_px.get("centre_line")
    if line is None or len(line) < 2:
        return f"to the wearer's {word}"
    # the line runs from the nape to the front
    right = right_of(np.asarray(line[-1], float) - np.asarray(line[0], float))
    return f"to the wearer's {word}{toward(right if right_mm > 0 else -right)}"


def cap_undecided(measured: Measured, judged: Mapping[str, Judged]) -> tuple[Problem, ...]:
    """What is too near a limit to call, and what would decide it; what wants the same done is told once."""
    unsure = [name for name, j in judged.items() if j.state == "unsure"]
    told: dict[str, list[str]] = {}
    for name in unsure:
        told.setdefault(_decided_by(name, measured.estimates[name], unsure), []).append(name)
    problems = []
    for code, names in told.items():
        what = enumerated([f"“{MEASURE_BY_NAME[name].label}”" for name in names])
        are, source = "are" if len(names) > 1 else "is", _largest(measured.estimates[names[0]])
        source = HOW_IT_LIES if source in LIES else f"the {source}" if source else ""
        doubt = f" Most of the doubt comes from {source}." if source and code != LINE else ""
        lean_deg = None if measured.view is None else measured.view.lean_to_face_deg
        again = AGAIN[code]
        if code == LINE and any(problem.code == NO_BLOCK_LINE for problem in measured.problems):
            again = AGAIN_WITH_IT
        elif code == LINE and lean_deg is not None and lean_deg < FLAT_LEAN_DEG:
            again = AGAIN_LEANING
        elif code == SEAMS and lean_deg is not None and lean_deg <= SEAMS_LEAN_DEG:
            again = begun(CLOSER_ADVICE)
        problems.append(Problem(code, f"{again}: {what} {are} too uncertain to call.{doubt}"))
    for name in unsure:
        estimate = measured.estimates[name]
        known = any(BARE_LINE in words for words in estimate.evidence)
        if not known and _largest(estimate) == UNDER_THE_CAP:
            return (*problems, BARE_BLOCK)
    return tuple(problems)


def _largest(estimate: Estimate) -> str:
    """The line of the budget that adds most; empty where there is none."""
    return estimate.budget[0].source if estimate.budget else ""


def _decided_by(name: str, estimate: Estimate, unsure: Sequence[str]) -> str:
    """The code of what would decide a measure that is unsure: what is seen obliquely wants a photo from elsewhere.

    What rests on the block's line wants more of that; so do the seams behind where the line is to be chalked anyway.
    """
    if name in ON_THE_LINE or _largest(estimate) == UNDER_THE_CAP:
        return LINE
    if name == "temple_rim_mm":
        return TEMPLES
    return LINE if set(ON_THE_LINE) & set(unsure) else SEAMS
