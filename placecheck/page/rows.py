"""An answer turned into what a screen shows: rows with bands to scale, the next thing to do, what changed.

Every judged measure is one row with a drawn band. All lengths share one scale, 24 mm across,
so that a clearance and an offset can be compared by eye; skew has 8 degrees. The band is the
tolerance, the dark part of it where a value is proven in (the guard band taken off); the
value is a line with its U95 as a bar, and what lies beyond the drawing is held at its edge and
marked as beyond. Wording and rounding are printout's. The order of several answers, worst
first, is by how far beyond its limit the worst measure lies, in widths of its tolerance.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from placecheck.answer import (
    COVERAGE_FACTOR,
    MEASURE_BY_NAME,
    MEASURES,
    STAGE_MEASURES,
    Answer,
    Estimate,
    Judged,
    Measured,
)
from placecheck.errors import Problem, UsageProblem
from placecheck.judge import p_conform
from placecheck.one_photo import answer_for
from placecheck.page.asked import STAGES, request_of
from placecheck.page.codec import measured_from_dict
from placecheck.page.inbox import Job
from placecheck.printout import (
    STATE_WORDS,
    UNIT_SIGN,
    briefly,
    in_words,
    limits_text,
    rounded,
    state_in_words,
    to_a_tenth,
    was_checked,
)
from placecheck.units import mm_and_inches

SHORT: Mapping[str, str] = {
    "offset_mm": "centre",
    "skew_deg": "skew",
    "clearance_centre_mm": "hairline",
    "clearance_left_mm": "hair L",
    "clearance_right_mm": "hair R",
    "front_corner_asymmetry_mm": "front",
    "back_corner_asymmetry_mm": "back",
}
SPAN: Mapping[str, float] = {"mm": 24.0, "deg": 8.0}
WIDE = 1000.0
"""Width of the drawing in its own units; the page scales it."""
UNCHECKED = "unchecked"
"""What an answer is shown as that came to no verdict: another photo would help nothing."""
VERDICT_SHORT = {"pass": "Pass", "fix": "Fix", "retake": "Retake", UNCHECKED: "Not checked"}
VERDICT_SAYS = {
    "pass": "Pinned as it should be.",
    "fix": "Move a pin before stitching.",
    "retake": "This photo cannot decide it.",
    UNCHECKED: "Nothing was measured.",
}


LATER_SAYS = {"pass": "It sits as it should.", "fix": "It lies outside the tolerance."}
SEWN_SAYS = {"pass": "Sewn evenly.", "fix": "Look at the seam again."}
CAP_SAYS = {"pass": "The cap sits in the middle.", "fix": "Move the cap before the closure goes on."}


def kind_of(answer: Answer) -> str:
    """What an answer is shown as: its verdict, or UNCHECKED, as the terminal has it."""
    return answer.verdict if was_checked(answer) else UNCHECKED


def verdict_says(stage: str, kind: str) -> str:
    """The verdict, or UNCHECKED, as a sentence; once it is stitched there is no pin to move any more."""
    says = {"stitched": LATER_SAYS, "stitches": SEWN_SAYS, "cap": CAP_SAYS}.get(stage, VERDICT_SAYS)
    return says.get(kind, VERDICT_SAYS[kind])


@dataclass(frozen=True)
class Band:
    """Where things lie on a drawing WIDE units across; `beyond` is -1 or 1 where the value is off the drawing."""

    low: float
    high: float
    sure_low: float
    sure_high: float
    value: float
    u_low: float
    u_high: float
    beyond: int


@dataclass(frozen=True)
class Row:
    """One measure as shown, in a tile as `number` over `give`; what tells a value is empty where there is none."""

    name: str
    label: str
    reads: str
    limits: str
    state: str
    word: str
    sign: str
    band: Band | None
    low: str = ""
    high: str = ""
    short: str = ""
    number: str = ""
    give: str = ""
    place: int = 0


def listed(jobs: Iterable[Job]) -> list[dict[str, Any]]:
    """Photos for a list: each with its verdict in a word."""
    answers = [(job, answer_of(job)) for job in jobs]
    return [{"job": job, "short": VERDICT_SHORT[kind_of(a)] if a else "Measuring"} for job, a in answers]


def answer_of(job: Job) -> Answer | None:
    """The judged answer of a job, None while there is none. Judging and advice are pure, so nothing else is kept."""
    if job.state != "done":
        return None
    if job.failure is not None or job.measured is None:
        return failure_answer(job.failure or ["lost", "This photo has no answer: take it again.", 3])
    return answer_for(measured_from_dict(json.loads(job.measured)), request_of(job.spec, job.marks))


def can_be_shown(job: Job) -> bool:
    """Whether a job from disk is one that the screens can show: every list would stop at one of a damaged file.

    What only makes no sense is told where the job is opened.
    """
    try:
        texts = (job.owner, job.label, job.once, job.spec["maker"])
        if not all(isinstance(text, str) for text in texts) or job.spec["stage"] not in STAGES:
            return False
        request_of(job.spec, job.marks)
        answer_of(job)
    except UsageProblem:
        return True
    except (ValueError, TypeError, KeyError, AttributeError):
        return False
    return True


def failure_answer(failure: list[Any]) -> Answer:
    """The answer of a photo that could not be measured."""
    code, message, status = failure
    return Answer("retake", Measured({}), {}, (Problem(code, message),), (), status)


def band_of(judged: Judged, unit: str, guard_factor: float) -> Band:
    """The drawing of one judged measure."""
    span, middle = SPAN[unit], (judged.low + judged.high) / 2

    def x(value: float) -> float:
        return round(min(max((value - middle) / span + 0.5, 0.0), 1.0) * WIDE, 1)

    value, U95, guard = judged.estimate.value, judged.estimate.U95, guard_factor * judged.estimate.u
    away = (value - middle) / span
    sure = judged.low + guard, judged.high - guard
    return Band(
        x(judged.low),
        x(judged.high),
        x(sure[0]) if sure[0] < sure[1] else x(middle),
        x(sure[1]) if sure[0] < sure[1] else x(middle),
        x(value),
        x(value - U95),
        x(value + U95),
        0 if abs(away) <= 0.5 else int(math.copysign(1, away)),
    )


def judged_at(stage: str) -> tuple[str, ...]:
    """The measures that are judged at a stage of the job."""
    return tuple(spec.name for spec in STAGE_MEASURES.get(stage, MEASURES) if spec.judged)


def rows_of(answer: Answer, guard_factor: float) -> list[Row]:
    """A row for every judged measure, those that are out first, then unsure, then in."""
    return judged_rows(answer.judged, guard_factor, answer.measured.stage)


def judged_rows(judged_by_name: Mapping[str, Judged], guard_factor: float, stage: str = "pinned") -> list[Row]:
    """Rows of a stage's judged measures by name; those that are lacking come as not measured."""
    rows = []
    for place, name in enumerate(judged_at(stage)):
        spec, judged = MEASURE_BY_NAME[name], judged_by_name.get(name)
        sign, _, word = STATE_WORDS[judged.state if judged else None]
        if judged is not None and judged.state == "unsure":
            word = f"{word}, {state_in_words(judged)}"
        row = Row(
            name,
            spec.label[0].upper() + spec.label[1:],
            "",
            "",
            "none",
            word.lower(),
            sign,
            None,
            short=SHORT.get(name, spec.label),
            place=place,
        )
        if judged is not None:
            row = replace(
                row,
                reads=in_words(spec, judged.estimate.value, judged.estimate.U95),
                limits=limits_text(spec.name, judged.low, judged.high, spec.unit),
                state=judged.state,
                band=band_of(judged, spec.unit, guard_factor),
                low=f"{judged.low:g}",
                high=f"{judged.high:g}",
                number=briefly(spec, judged.estimate.value).replace("right", "R").replace("left", "L"),
                give=_give(judged.estimate.U95) + UNIT_SIGN[spec.unit],
            )
        rows.append(row)
    order = {"out": 0, "unsure": 1, "none": 2, "in": 3}
    return sorted(rows, key=lambda row: order[row.state])


def _give(U95: float) -> str:
    """An uncertainty (mm or degrees) for a tile: to a tenth, never below it, and to a whole number from 10 on."""
    return f"± {U95:.0f}" if U95 >= 9.95 else f"± {to_a_tenth(max(U95, 0.1))}"


def rows_of_record(answer: Mapping[str, Any], guard_factor: float) -> list[Row]:
    """The same rows from a kept answer (the command line's JSON)."""
    judged, stage = {}, str(answer.get("stage", "pinned"))
    for name, entry in (answer.get("measures") or {}).items():
        if name in judged_at(stage) and entry and entry.get("state") in ("in", "out", "unsure"):
            estimate = Estimate(float(entry["value"]), max(float(entry["U95"]), 1e-6) / COVERAGE_FACTOR)
            low, high = float(entry["low"]), float(entry["high"])
            p = float(entry.get("p_conform", p_conform(estimate.value, estimate.u, low, high)))
            judged[name] = Judged(estimate, low, high, entry["state"], p)
    return judged_rows(judged, guard_factor, stage)


def next_step(answer: Answer, stage: str = "pinned") -> str:
    """The one thing to do next."""
    if answer.verdict == "pass" and stage == "cap":
        return "Save it, then pin the closure on."
    if answer.verdict == "pass" and stage != "pinned":
        return "Save it."
    if answer.verdict == "pass":
        return "Save it, then stitch. Take the pins out one by one as you reach them."
    if answer.fixes:
        return answer.fixes[0]
    if answer.problems:
        return answer.problems[0].message
    if stage == "stitches":
        return "Take the close-up again with the seam and the small card in view."
    return "Take the photo again with the whole block, the closure's corners and the card in view."


def later_steps(answer: Answer) -> list[str]:
    """What comes after the next step, in order."""
    return list(answer.fixes[1:]) if answer.fixes else []


@dataclass(frozen=True)
class Change:
    """How one measure moved since the photo before."""

    label: str
    was: str
    now: str
    word: str


def moved_since(before: Answer, now: Answer, aim_mm: float) -> list[Change]:
    """What moved since `before` by more than the two uncertainties allow; nearer to its aim is better."""
    out = []
    for name in judged_at(now.measured.stage):
        a, b, spec = before.judged.get(name), now.judged.get(name), MEASURE_BY_NAME[name]
        if a is None or b is None:
            continue
        aim = aim_mm if name.startswith("clearance") else 0.0
        moved = abs(b.estimate.value - aim) - abs(a.estimate.value - aim)
        unclear = math.hypot(a.estimate.U95, b.estimate.U95)
        if abs(b.estimate.value - a.estimate.value) <= unclear:
            continue
        amount = mm_and_inches(moved) if spec.unit == "mm" else f"{abs(moved):.1f}°"
        word = f"{amount} {'better' if moved < 0 else 'worse'}" if abs(moved) > unclear else "moved to the other side"
        label = spec.label[0].upper() + spec.label[1:]
        was = in_words(spec, a.estimate.value, a.estimate.U95)
        out.append(Change(label, was, in_words(spec, b.estimate.value, b.estimate.U95), word))
    return out


def badness(answer: Answer) -> tuple[int, float]:
    """For sorting worst first, larger is worse: fix before retake before pass, then by the worst excess."""
    excess = [
        (abs(j.estimate.value - (j.low + j.high) / 2) - (j.high - j.low) / 2) / (j.high - j.low)
        for j in answer.judged.values()
    ]
    rank = {"fix": 2, "retake": 1, "pass": 0}[answer.verdict]
    return rank, max(excess) if excess else -1.0


def live(answer: Answer, guard_factor: float) -> dict[str, Any]:
    """What the correcting screen shows, as plain values."""
    return {
        "verdict": VERDICT_SHORT[kind_of(answer)],
        "kind": kind_of(answer),
        "rows": {
            row.name: {
                "reads": row.reads,
                "word": row.word,
                "sign": row.sign,
                "state": row.state,
                "number": row.number,
                "give": row.give,
                "band": None
                if row.band is None
                else {
                    "value": row.band.value,
                    "low": row.band.u_low,
                    "high": row.band.u_high,
                    "beyond": row.band.beyond,
                },
            }
            for row in rows_of(answer, guard_factor)
        },
        "next": next_step(answer),
    }


def number_and_u(answer: Answer, name: str) -> tuple[str, str]:
    """Value and U95 of a measure as rounded texts, empty where there is none."""
    estimate = answer.measured.estimates.get(name)
    return rounded(estimate.value, estimate.U95) if estimate is not None else ("", "")
