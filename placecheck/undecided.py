"""What is too near a limit to call: what it reads, where its doubt comes from, and the one thing that decides it.

Measures that hang on the same marks are told together: the clearances, the fold's offset and skew, the corners.
What would decide comes first, then what it would decide, and which line of the budget adds most. It depends on
that: a hairline seen nearly edge-on wants a photo that leans; a cap's edge guessed under the hair wants a soft
tape, and next time a photo of the cap alone; a photo of the cap that nothing ties to this one wants the hair
clipped aside; a centre line that is carried forward over the dome wants a ball pin set on it; where that is set
and the phone leans far, what lies behind is seen nearly edge-on and wants a photo that leans less; else marks
that are seen badly want a photo from closer. One thing at a time, since hands are full. After stitching no ball
pin is asked for. Common practice, no published source; that such pins and photos help is measured
(DEVELOPERS.md).
"""

from __future__ import annotations

from collections.abc import Mapping

from placecheck.answer import JUDGED, MEASURE_BY_NAME, RIM_WORDS, TAPED, Judged, Measured
from placecheck.block import GROUPS
from placecheck.errors import Problem
from placecheck.printout import in_words
from placecheck.steps import begun
from placecheck.tolerances import ASYMMETRIES, CLEARANCES

STEEP_LEAN_DEG = 25.0
FLAT_LEAN_DEG = 35.0
LESS_LEAN_ADVICE = (
    "take the photo again leaning the phone only 20 to 30 degrees toward the face, since what lies behind is seen "
    "nearly edge-on here"
)
LEAN_ADVICE = (
    "take the photo again leaning the phone 40 to 50 degrees toward the face and aiming at the middle of the closure"
)
TAPE_ADVICE = "lay a soft tape from the cap's edge to the hairline and give what it reads"
PIN_ADVICE = (
    "set a ball pin on the cap's centre line, into the bare block before the lace, with ball pins of the same colour "
    "at the corners, and take the photo again"
)
CAP_FIRST = (
    "Next time take a photo of the cap alone, from the same side, before the closure goes on, and check it under the "
    "same order: it shows where the cap's edge runs under the hair."
)
BESIDE_ADVICE = (
    "clip the hair off the cap's edge beside the closure and take the photo again from the side the photo of the cap "
    "alone was taken from, so that the edge shows in both"
)


def _largest_doubt(items: list[Judged]) -> str | None:
    """The source of the budget line that adds most to these estimates; None where there is no budget."""
    lines = [line for item in items for line in item.estimate.budget]
    return max(lines, key=lambda line: abs(line.u)).source if lines else None


def _a_pin_would_help(measured: Measured, source: str | None) -> bool:
    """Whether what is in doubt is where the cap's centre line runs before the hairline, and no pin tells yet.

    There the line is carried forward over the dome as camera, card and outline give it: their lines of the budget.
    """
    return measured.stage == "pinned" and not measured.line_pinned and source in GROUPS


def _leaning_less_would_help(measured: Measured, source: str | None, unsure: list[str]) -> bool:
    """Whether the doubt is how the surface lies, and the phone leans so far that the back is seen nearly edge-on."""
    leans = measured.view is not None and measured.view.lean_to_face_deg > FLAT_LEAN_DEG
    return leans and source in GROUPS and unsure != ["front_corner_asymmetry_mm"]


def undecided(measured: Measured, judged: Mapping[str, Judged]) -> tuple[Problem, ...]:
    """For every group of measures that is too near a limit to call: what it reads and the one thing that decides it."""
    groups: dict[str, tuple[str, ...]] = {
        "clearance": CLEARANCES,
        "fold": ("offset_mm", "skew_deg"),
        "corners": ASYMMETRIES,
    }
    problems = []
    for group, names in groups.items():
        unsure = [name for name in JUDGED if name in names and name in judged and judged[name].state == "unsure"]
        if not unsure:
            continue
        estimates = {name: judged[name].estimate for name in unsure}
        reads = " and ".join(
            f"{MEASURE_BY_NAME[name].label} {in_words(MEASURE_BY_NAME[name], e.value, e.U95)}"
            for name, e in estimates.items()
        )
        source = _largest_doubt([judged[name] for name in unsure])
        guessed = any(e.budget and e.budget[0].source == RIM_WORDS for e in estimates.values())
        steep = measured.view is not None and measured.view.lean_to_face_deg < STEEP_LEAN_DEG
        if group == "clearance" and any(TAPED in words for e in estimates.values() for words in e.evidence):
            code = "clearance-undecided"
            then = "lay the tape again, or bring the hairline nearer to the middle of its limits"
        elif group == "clearance" and steep:
            code = "clearance-seen-too-steeply"
            then = f"{LEAN_ADVICE}, since the hairline is seen nearly edge-on here, or {TAPE_ADVICE}"
        elif (
            group == "clearance" and guessed and measured.cap_shown and not (measured.cap_tied or measured.cap_doubted)
        ):
            code, then = "clearance-undecided", f"{BESIDE_ADVICE}, or {TAPE_ADVICE}"
        elif group == "clearance":
            code = "clearance-undecided"
            then = f"take the photo again with the phone closer, or {TAPE_ADVICE}"
        elif _a_pin_would_help(measured, source):
            code, then = f"{group}-undecided", PIN_ADVICE
        elif _leaning_less_would_help(measured, source, unsure):
            code, then = f"{group}-undecided", LESS_LEAN_ADVICE
        elif group == "fold":
            code = "fold-undecided"
            what = "chalk dot" if measured.stage == "stitched" else "ball pin or a chalk dot"
            then = f"set a {what} on each end of the fold and take the photo again, closer"
        else:
            code, then = (
                "corners-undecided",
                "uncover the four corners of hair and clips and take the photo again, closer",
            )
        cap_first = f" {CAP_FIRST}" if group == "clearance" and guessed and not measured.cap_shown else ""
        doubt = "" if source is None else f" Most of the doubt comes from {source}."
        are = "are" if len(unsure) > 1 else "is"
        message = f"{begun(then)}: {reads} {are} too uncertain to call.{doubt}{cap_first}"
        problems.append(Problem(code, message))
    return tuple(problems)
