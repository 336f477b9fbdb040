"""What is too near a limit to call, where its doubt comes from, and the one thing that decides it.

Measures that hang on the same marks are looked at together: the clearances, the fold's offset and skew, the corners;
what wants the same thing done is told once. What would decide comes first, then what it would decide, and which line
of the budget adds most. It depends on that: a hairline seen nearly edge-on wants a photo that leans; a cap's edge
guessed under the hair wants a soft tape, and next time a photo of the cap alone; a photo of the cap that nothing ties
to this one wants the hair clipped aside; a centre line that is carried forward over the dome wants a ball pin set on
it; where that is set and how the block lies is in doubt, a second photo from another side is wanted, to be measured
together with this one; marks that are seen badly want to be uncovered, and what none of these helps a photo from
closer. Several photos measured together have been taken from where they tell most already: a third tells hardly more.
Common practice, no published source; that such pins and photos help is measured (DEVELOPERS.md,
calibration/experiments.md).
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

from placecheck.answer import JUDGED, LACE_LOOSE, OUTLINE_WORDS, RIM_WORDS, SIZE_WORDS, TAPED, Judged, Measured
from placecheck.block import CAP_LINE_WORDS, GROUPS
from placecheck.errors import Problem
from placecheck.steps import begun, enumerated
from placecheck.tolerances import ASYMMETRIES, CLEARANCES

STEEP_LEAN_DEG = 25.0
FLAT_LEAN_DEG = 35.0
SECOND_FROM_ABOVE = (
    "touch nothing and take a second photo, from above or leaning the phone no more than 30 degrees toward the face, "
    "since what lies behind is seen nearly edge-on here, and check the two together"
)
LEANING = "leaning the phone 40 to 50 degrees toward the face"
AT_THE_MIDDLE = "and aiming at the middle of the closure"
SECOND_LEANING = f"touch nothing and take a second photo, {LEANING}, and check the two together"
SECOND_AT_THE_MIDDLE = f"touch nothing and take a second photo, {LEANING} {AT_THE_MIDDLE}, and check the two together"
LEAN_ADVICE = f"take the photo again {LEANING} {AT_THE_MIDDLE}"
TAPE_AFTER = " Where the hairline is still unsure then, a soft tape from the cap's edge to it decides."
TAPE_ADVICE = "lay a soft tape from the cap's edge to the hairline and give what it reads"
AGAIN_CLOSER = "take the photo again, closer"
PIN_ON_LINE = (
    "set a ball pin on the cap's centre line, into the bare block in front of the lace (lift the lace there to see the "
    "line), with ball pins of the same colour at the corners"
)
PIN_ADVICE = f"{PIN_ON_LINE}, and take the photo again"
PIN_TAPED = f"{PIN_ON_LINE}, and take tape and photo again"
"""Lace that was lifted lies elsewhere than where it was taped."""
PIN_STITCHED = (
    "where a ball pin on the cap's centre line stood in front of the lace before sewing, set it there again, with ball "
    f"pins of the same colour at the corners, and {AGAIN_CLOSER}"
)
"""Once the lace is sewn on nobody sees where that line comes out; pins are told by those at the corners."""
CLOSER_ADVICE = "take the photo again from closer, so that block and card fill the picture"
CAP_FIRST = (
    "Next time take a photo of the cap alone, from the same side, before the closure goes on, and check it under the "
    "same order: it shows where the cap's edge runs under the hair."
)
BESIDE_ADVICE = (
    "clip the hair off the cap's edge beside the closure and take the photo again from the side the photo of the cap "
    "alone was taken from, so that the edge shows in both"
)


UNSURE_WORDS: Mapping[str, str] = {
    "offset_mm": "the distance off centre",
    "skew_deg": "the skew",
    "front_corner_asymmetry_mm": "the front corners",
    "back_corner_asymmetry_mm": "the back corners",
}
PLACE_WORDS: Mapping[str, str] = {
    "clearance_centre_mm": "middle",
    "clearance_left_mm": "left",
    "clearance_right_mm": "right",
}
GEOMETRY = frozenset({*GROUPS, OUTLINE_WORDS, SIZE_WORDS})
"""Lines of a budget that say how camera, card, block and cap lie to each other, whatever is seen of the closure."""
STEEP, UNDER_HAIR, SECOND = "clearance-seen-too-steeply", "clearance-undecided", "second-photo-asked"
ALONE = (STEEP, UNDER_HAIR)
"""What is decided by a tape as well as by a photo."""
LINE_CARRIED = "where the cap's centre line runs under lace and hair"
HOW_IT_LIES = "how the block lies, as card, tape and outline give it"


@dataclass(frozen=True)
class Unsure:
    """Measures that are too near a limit to call, what would decide them, where their doubt comes from."""

    code: str
    names: tuple[str, ...]
    then: str
    doubt: str = ""
    later: str = ""

    def problem(self) -> Problem:
        """In one text: what to do, what that decides, why."""
        one = all(name in PLACE_WORDS for name in self.names) or len(self.names) == 1
        are = "is" if one and self.names[0] not in ASYMMETRIES else "are"
        doubt = f" Most of the doubt comes from {self.doubt}." if self.doubt else ""
        message = f"{begun(self.then)}: {_listed(self.names)} {are} too uncertain to call.{doubt}{self.later}"
        return Problem(self.code, message)


def _listed(names: Sequence[str]) -> str:
    """Measures in plain words, the clearances as one thing."""
    places = [PLACE_WORDS[name] for name in names if name in PLACE_WORDS]
    words = [f"the hairline ({', '.join(places)})"] if places else []
    words += [UNSURE_WORDS[name] for name in names if name in UNSURE_WORDS]
    return enumerated(words)


def _largest_doubt(items: list[Judged], together: Collection[str] = GEOMETRY) -> str | None:
    """The source that adds most to the variances of these estimates together; None where there is no budget.

    The lines that are told `together` are one, HOW_IT_LIES.
    """
    variance: dict[str, float] = {}
    for line in (line for item in items for line in item.estimate.budget):
        source = HOW_IT_LIES if line.source in together else line.source
        variance[source] = variance.get(source, 0.0) + line.u**2
    return max(variance, key=variance.__getitem__, default=None)


def _in_words(source: str | None) -> str:
    """A source of doubt as a sentence has it."""
    return source if source in (HOW_IT_LIES, LACE_LOOSE) else f"the {source}" if source else ""


def _a_pin_would_help(measured: Measured, source: str | None) -> bool:
    """Whether what is in doubt is where the cap's centre line runs before the hairline, and no pin tells yet.

    There the line is carried forward over the dome as camera, card and outline give it: their lines of the budget.
    """
    return not measured.grounds.line_pinned and source == HOW_IT_LIES


def _second_photo(measured: Measured, source: str | None, unsure: Sequence[str]) -> str | None:
    """From where a second photo would help, the doubt being how the surface lies; None where it would not.

    The front corners are seen well already by a phone that leans.
    """
    if measured.view is None or measured.grounds.together or measured.stage != "pinned" or source != HOW_IT_LIES:
        return None
    if measured.view.lean_to_face_deg <= FLAT_LEAN_DEG:
        return SECOND_LEANING
    return SECOND_FROM_ABOVE if list(unsure) != ["front_corner_asymmetry_mm"] else None


def _taped(item: Judged) -> bool:
    """Whether a soft tape has its share in it."""
    return any(TAPED in words for words in item.estimate.evidence)


def undecided(measured: Measured, judged: Mapping[str, Judged]) -> tuple[Problem, ...]:
    """What is too near a limit to call and the one thing that decides it; what wants the same done is told once."""
    told: dict[str, Unsure] = {}
    unsure_names = [
        n for n in JUDGED if n in judged and judged[n].state == "unsure" and not judged[n].estimate.contradicted
    ]
    taped = {n for n in CLEARANCES if n in judged and _taped(judged[n])}
    for group in (taped, set(CLEARANCES) - taped, {"offset_mm", "skew_deg"}, set(ASYMMETRIES)):
        names = tuple(n for n in unsure_names if n in group)
        if not names:
            continue
        items = [judged[name] for name in names]
        if names[0] in CLEARANCES:
            unsure = _clearance(measured, names, items)
        else:
            unsure = _on_the_line(measured, names, items, bool(taped))
        before = told.get(unsure.then)
        told[unsure.then] = replace(before, names=before.names + names) if before else unsure
    # first what wants nothing touched since the photo; the tape after the lace was lifted for a pin, not before
    in_turn = sorted(_in_one_photo(list(told.values())), key=_turn)
    return tuple(unsure.problem() for unsure in in_turn)


def _turn(unsure: Unsure) -> tuple[bool, bool]:
    """What a piece of advice is sorted by."""
    return unsure.code != SECOND, not unsure.then.startswith(PIN_ON_LINE)


def _in_one_photo(told: list[Unsure]) -> list[Unsure]:
    """What is asked for, photos that are wanted for two reasons as one.

    One from closer goes with one that is taken closer anyway, one that leans for the hairline's sake with any other.
    """
    closer = next((unsure for unsure in told if unsure.then == CLOSER_ADVICE), None)
    other = next((unsure for unsure in told if unsure.then.endswith(AGAIN_CLOSER)), None)
    if closer is not None and other is not None:
        told = _as_one(told, other, closer, other)
    steep = next((unsure for unsure in told if unsure.code == STEEP), None)
    other = next((unsure for unsure in told if unsure.code != STEEP and unsure.code not in ALONE), None)
    if steep is None or other is None:
        return told
    then = SECOND_AT_THE_MIDDLE if other.then == SECOND_LEANING else f"{other.then}, {LEANING} {AT_THE_MIDDLE}"
    return _as_one(told, steep, other, replace(other, then=then, later=TAPE_AFTER + steep.later))


def _as_one(told: list[Unsure], first: Unsure, second: Unsure, asked: Unsure) -> list[Unsure]:
    """What is told, the two of it as one in the later one's place: what is `asked` decides the measures of both."""
    doubt = " and ".join(dict.fromkeys(words for words in (first.doubt, second.doubt) if words))
    both = replace(asked, names=first.names + second.names, doubt=doubt)
    last = [unsure for unsure in told if unsure is first or unsure is second][-1]
    return [both if unsure is last else unsure for unsure in told if unsure is last or unsure not in (first, second)]


def _clearance(measured: Measured, names: tuple[str, ...], items: list[Judged]) -> Unsure:
    """What would decide where the hairline lies."""
    source = _largest_doubt(items)
    guessed = source is not None and source.startswith(RIM_WORDS)
    later = f" {CAP_FIRST}" if guessed and not measured.grounds.cap_shown else ""
    steep = measured.view is not None and measured.view.lean_to_face_deg < STEEP_LEAN_DEG
    untied = measured.grounds.cap_shown and not (measured.grounds.cap_tied or measured.grounds.cap_doubted)
    code = UNDER_HAIR
    if _taped(items[0]):
        nearer = ", or bring the hairline nearer to the middle of its limits"
        then = f"lay the tape again{nearer if measured.stage == 'pinned' else ''}"
    elif steep:
        code = STEEP
        then = f"{LEAN_ADVICE}, since the hairline is seen nearly edge-on here, or {TAPE_ADVICE}"
    elif guessed and untied:
        then = f"{BESIDE_ADVICE}, or {TAPE_ADVICE}"
    elif guessed or measured.grounds.together:  # what is under the hair no photo shows
        then = TAPE_ADVICE
    else:
        then = f"take the photo again with the phone closer, or {TAPE_ADVICE}"
    return Unsure(code, names, then, _in_words(source), later)


def _on_the_line(measured: Measured, names: tuple[str, ...], items: list[Judged], taped: bool) -> Unsure:
    """What would decide how fold or corners lie to the cap's centre line; `taped` says whether the hairline was."""
    source = _largest_doubt(items)
    fold = names[0] not in ASYMMETRIES
    code = "fold-undecided" if fold else "corners-undecided"
    if _a_pin_would_help(measured, source):
        then = PIN_STITCHED if measured.stage == "stitched" else PIN_TAPED if taped else PIN_ADVICE
    elif second := _second_photo(measured, source, names):
        code, then = SECOND, second
    elif source == HOW_IT_LIES:
        then = CLOSER_ADVICE
    elif fold:
        what = "chalk dot" if measured.stage == "stitched" else "ball pin or a chalk dot"
        then = f"set a {what} on each end of the fold and {AGAIN_CLOSER}"
    else:
        then = f"uncover the four corners of hair and clips and {AGAIN_CLOSER}"
    mostly_line = _largest_doubt(items, GEOMETRY - {CAP_LINE_WORDS}) == CAP_LINE_WORDS
    carried = source == HOW_IT_LIES and (mostly_line or not measured.grounds.line_pinned)
    return Unsure(code, names, then, LINE_CARRIED if carried else _in_words(source))
