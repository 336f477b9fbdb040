"""How numbers and the answer are printed: one place for all rounding, one short table for the terminal.

GUM 7.2.6: an uncertainty is given to at most two significant digits and the value to the
same decimal place, so -1.234 with U95 0.416 reads -1.23 ± 0.42. What is printed is the number
that a record keeps, so that answer, picture, record and report read alike. Signs are put into words
where a person reads them: an offset is 1.2 mm left (the wearer's), not minus 1.2. A
state is a word and a symbol, never a colour alone, and the symbols fall back to ASCII
where the terminal has no others. The table lists what is judged first, then the advice in
the order in which it is to be done, then what is wrong with the photo, if anything.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from typing import TYPE_CHECKING

from placecheck.answer import (
    COVERAGE_FACTOR,
    KEPT_PLACES,
    LANDMARK_WORDS,
    Answer,
    Judged,
    MeasureSpec,
    Move,
    State,
    Verdict,
)
from placecheck.errors import one_line
from placecheck.judge import EXIT_STATUS
from placecheck.steps import begun, step_of

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

    from placecheck.errors import Problem

UNIT_SIGN: Mapping[str, str] = {"mm": " mm", "deg": "°"}
STATE_WORDS: Mapping[State | None, tuple[str, str, str]] = {
    "in": ("✓", "ok", "in"),
    "out": ("✗", "x", "OUT"),
    "unsure": ("?", "?", "unsure"),
    None: ("–", "-", "not measured"),
}
"""State: symbol, the same in ASCII, word."""


def state_in_words(judged: Judged | None) -> str:
    """The state's word; of what is too near a limit to call, how likely it lies inside."""
    if judged is None or judged.state != "unsure":
        return STATE_WORDS[judged.state if judged else None][2]
    return chance_in_words(judged.p_conform)


def chance_in_words(p_conform: float) -> str:
    """How likely what is too near a limit to call lies inside, `39 % in` (JCGM 106:2012, 7.4).

    Rounded toward even odds, by more than what a record's four places leave open: what just misses 95 % reads 94 % in.
    """
    percent = 100 * p_conform
    shown = max(50, math.floor(percent - 0.005)) if percent > 50 else min(50, math.ceil(percent + 0.005))
    return f"{min(max(shown, 1), 99)} % in"


STAGE_VERDICTS: Mapping[str, Mapping[Verdict, str]] = {
    "cap": {
        "pass": "PASS: the cap sits in the middle of the block",
        "fix": "FIX: move the cap before the closure goes on",
    },
    "stitched": {
        "pass": "PASS: stitched as it should be",
        "fix": "FIX: stitched outside the tolerance",
    },
    "stitches": {
        "pass": "PASS: the stitches are spaced as they should be",
        "fix": "FIX: mend the seam where it says",
    },
}
"""The verdict's words at the stages that are not the pinned one."""
VERDICT_WORDS: Mapping[Verdict, str] = {
    "pass": "PASS: pinned as it should be",
    "fix": "FIX: move a pin before stitching",
    "retake": "RETAKE: this photo cannot decide it",
}
NOT_CHECKED = "NOT CHECKED: nothing was measured"
"""The headline where another photo would help nothing: what was given is no photo, or does not go with it."""
SIDES: Mapping[str, tuple[str, str]] = {
    **dict.fromkeys(("cap_shift_mm", "cap_turn_deg", "back_seams_mm", "temple_rim_mm"), ("right", "left")),
    **dict.fromkeys(("offset_mm", "fold_offset_front_mm", "fold_offset_back_mm"), ("right", "left")),
    "skew_deg": ("right", "left"),
    **dict.fromkeys(("clearance_centre_mm", "clearance_left_mm", "clearance_right_mm"), ("", "behind it")),
    **dict.fromkeys(("front_corner_asymmetry_mm", "back_corner_asymmetry_mm"), ("right", "left")),
}
"""The word for a positive and for a negative value of a signed measure; left and right are the wearer's."""


def verdict_text(stage: str, verdict: Verdict) -> str:
    """The verdict as a headline, as it reads at that stage of the job."""
    return STAGE_VERDICTS.get(stage, {}).get(verdict, VERDICT_WORDS[verdict])


def was_checked(answer: Answer) -> bool:
    """Whether the check came as far as a verdict (exit status 0, 1 or 3)."""
    return answer.exit_status == EXIT_STATUS[answer.verdict]


def headline(answer: Answer) -> str:
    """What stands over an answer: its verdict, where there is one."""
    return verdict_text(answer.measured.stage, answer.verdict) if was_checked(answer) else NOT_CHECKED


def move_in_words(name: str, move: Move) -> str:
    """How far a landmark moved, for people: `front left corner: 2.1 ± 0.8 mm, 1.9 mm right, 0.9 mm toward the face`."""
    far, shown = rounded(move.distance_mm, COVERAGE_FACTOR * move.u_mm)
    if not move.moved:
        most, _ = rounded(move.distance_mm + COVERAGE_FACTOR * move.u_mm, COVERAGE_FACTOR * move.u_mm)
        return f"{LANDMARK_WORDS[name]}: no move that shows (less than {most} mm)"
    parts = []
    for value, u, words in (
        (move.right_mm, move.u_right_mm, ("right", "left")),
        (move.face_mm, move.u_face_mm, ("toward the face", "toward the nape")),
    ):
        number, doubt = rounded(abs(value), COVERAGE_FACTOR * u)
        parts.append(f"{number} ± {doubt} mm {words[0] if value > 0 else words[1]}")
    return f"{LANDMARK_WORDS[name]}: moved {far} ± {shown} mm ({', '.join(parts)})"


def decimals_of(uncertainty: float) -> int:
    """Decimal places that show `uncertainty` (> 0) with two significant digits; never negative."""
    return max(0, 1 - Decimal(repr(uncertainty)).adjusted())


def rounded(value: float, uncertainty: float) -> tuple[str, str]:
    """(value, uncertainty) as text by GUM 7.2.6: two significant digits of uncertainty, the value to the same place.

    The uncertainty is rounded half up, the value half to even; a value that rounds to zero has no sign. Both are taken
    as a record keeps them, where that shows.
    """
    if decimals_of(uncertainty) <= KEPT_PLACES:
        value, uncertainty = round(value, KEPT_PLACES), round(uncertainty, KEPT_PLACES)
    places = decimals_of(uncertainty)
    shown = Decimal(repr(uncertainty)).quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
    if decimals_of(float(shown)) != places:  # 0.0996 became 0.100: one place fewer
        places = decimals_of(float(shown))
        shown = shown.quantize(Decimal(1).scaleb(-places), ROUND_HALF_UP)
    return _to_places(value, places), f"{shown:f}"


def _to_places(value: float, places: int) -> str:
    number = Decimal(repr(value)).quantize(Decimal(1).scaleb(-places), ROUND_HALF_EVEN)
    return f"{abs(number) if number == 0 else number:f}"


def to_a_tenth(value: float) -> str:
    """A length (mm) or angle (degrees) as text with one decimal place, half to even, as a record keeps it."""
    return _to_places(round(value, KEPT_PLACES), 1)


def briefly(spec: MeasureSpec, value: float, mm: str = "") -> str:
    """A measure to a tenth where there is little room, its sign as a word: `1.2 left`, `0.9° right`."""
    number, words = _sided(spec, value, to_a_tenth(value))
    return f"{number}{'°' if spec.unit == 'deg' else mm} {words.removesuffix(' it')}".rstrip()


def in_words(spec: MeasureSpec, value: float, uncertainty: float) -> str:
    """A measure for people, its sign as a word where it has one: `1.23 ± 0.42 mm left`."""
    number, shown = rounded(value, uncertainty)
    number, words = _sided(spec, value, number)
    return f"{number} ± {shown}{UNIT_SIGN[spec.unit]} {words}".rstrip()


def _sided(spec: MeasureSpec, value: float, number: str) -> tuple[str, str]:
    """The printed number without its sign, and the sign's word."""
    sides = SIDES.get(spec.name)
    if sides is None or Decimal(number) == 0:
        return number, ""
    return number.lstrip("-"), sides[0] if value > 0 else sides[1]


def limits_text(name: str, low: float, high: float, unit: str) -> str:
    """`within 3 mm` for limits even about zero, else `6 to 13 mm`; of what has sides `1 to 4 mm left`."""
    sign = UNIT_SIGN[unit]
    if low == -high:
        return f"within {high:g}{sign}"
    right, left = SIDES.get(name, ("", ""))
    if not (right and left):
        return f"{low:g} to {high:g}{sign}"
    if low < 0 < high:
        return f"{-low:g} {left} to {high:g}{sign} {right}"
    near, far = sorted((abs(low), abs(high)))
    return f"{near:g} to {far:g}{sign} {right if high > 0 else left}"


def _ascii(text: str) -> str:
    return text.replace("°", " deg").replace("±", "+/-")


def _unicode(console: Console) -> bool:
    return console.encoding.lower().replace("-", "").startswith("utf")


CAP_SENTENCE = "Under the closure the cap's edge is where the photo of the cap alone shows it."


OPTIONS = {
    "front-unclear": "--front SIDE",
    "front-contradicted": "--front SIDE",
    "block-other": "--block-circumference LENGTH",
    "closure-on-already": "--stage pinned",
    "closure-missing": "--stage cap, if it is of the cap alone",
    "profile-other-phone": "--camera NAME",
    "profile-unknown-phone": "or --camera NAME",
    "profile-lens-unknown": "or --camera NAME, if it was that lens",
    "pinned-photo-missing": "--order NUMBER",
    "card-against-stand": "placecheck card-bars AxB",
    "order-no-block": "placecheck order change ORDER --block LENGTH",
    "order-no-closure": "placecheck order change ORDER --closure SIZE",
    "cap-photo-doubted": "--taped-clearance middle=10mm",
    "clearance-undecided": "--taped-clearance middle=10mm",
    "clearance-seen-too-steeply": "--taped-clearance middle=10mm",
    "second-photo-asked": "--same-block PHOTO PHOTO",
    "tape-disagrees": "--marks FILE",
    "far-off": "--marks FILE",
    "record-missing": "placecheck records list",
    "order-missing": "placecheck records list",
    "wrong-card": "placecheck card --small for the small one; or name with --stage what the photo shows",
    "other-board": "placecheck card --small for the small one",
    "bare-block-unknown": "placecheck block photos NAME PHOTO...",
}


def with_option(problem: Problem, photos: int = 1) -> str:
    """What is wrong and what to do, with the option or command that does it; the page has buttons instead.

    What was asked of several `photos` together takes no marks, and no stage but pinned.
    """
    option = OPTIONS.get(problem.code)
    if option == "--marks FILE" and photos > 1:
        option += ", with one photo by itself"
    elif problem.code == "closure-missing" and photos > 1:
        option = "--cap-photo FILE, if it is of the cap alone"
    return f"{problem.message} ({option})" if option else problem.message


def print_answer(console: Console, answer: Answer, title: str | None = None, photos: int = 1) -> None:
    """The table, the advice and the problems of one answer, to so many `photos` together, for a terminal."""
    from rich.table import Table
    from rich.text import Text

    unicode = _unicode(console)
    colour = {"pass": "bold green", "fix": "bold yellow", "retake": "bold magenta"}[answer.verdict]
    if title:
        console.print(Text(one_line(title), style="bold"))
    head = headline(answer)
    console.print(Text(head if photos == 1 else head.replace("this photo", "these photos"), style=colour))
    if answer.measured.estimates:
        table = Table(box=None, pad_edge=False, header_style="bold")
        sewn = answer.measured.sewn
        whose = "left, right: the wearer's" if sewn is None else sewn.counted
        for heading in (whose, "reads, ± for 95 %", "limits", ""):
            table.add_column(heading if unicode else _ascii(heading))
        for spec in answer.measured.specs:
            estimate = answer.measured.estimates.get(spec.name)
            judged = answer.judged.get(spec.name)
            if not spec.judged:
                continue
            reads = in_words(spec, estimate.value, estimate.U95) if estimate else ""
            limits = limits_text(spec.name, judged.low, judged.high, spec.unit) if judged else ""
            symbol, plain, _ = STATE_WORDS[judged.state if judged else None]
            cells = [spec.label, reads, limits, f"{symbol if unicode else plain} {state_in_words(judged)}"]
            style = "bold" if judged is not None and judged.state == "out" else ""
            table.add_row(*(cells if unicode else map(_ascii, cells)), style=style)
        console.print(table)
        if answer.measured.grounds.cap_shown:
            console.print(Text(CAP_SENTENCE, style="dim"))
    if answer.measured.moves is not None:
        console.print(Text("\nSince the pinned photo:"))
        for name, move in answer.measured.moves.items():
            words = move_in_words(name, move)
            console.print(Text(f"  {words if unicode else _ascii(words)}"))
    if answer.fixes:
        console.print()
        console.print(_numbered(answer.fixes))
    if answer.problems:
        console.print()
        for problem in answer.problems:
            console.print(Text(f"! {with_option(problem, photos)}"))


def _numbered(fixes: Sequence[str]) -> Table:
    """The advice in order: what to do in bold, its steps below, what goes along last."""
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    rows = Table.grid(padding=(0, 1))
    for number, fix in enumerate(fixes, 1):
        step = step_of(fix)
        parts: list[Text | Table] = [Text(step.head, style="bold")] if step.head else []
        if len(step.how) > 1:
            each = Table.grid(padding=(0, 1))
            for how in step.how:
                each.add_row("-", Text(how))
            parts.append(each)
        else:
            parts.append(Text(begun(step.how[0])))
        parts += [Text(step.along)] if step.along else []
        rows.add_row(f"{number}.", Group(*parts))
    return rows


def print_budget(console: Console, answer: Answer) -> None:
    """Where the uncertainty of every judged measure comes from, largest first; standard uncertainties, k = 1.

    What is left between the contributions' root sum of squares and u is the factor found on scenes with truth; with
    what a soft tape reads beside the photo, that factor is in the photo's lines already.
    """
    from rich.text import Text

    for spec in answer.measured.specs:
        estimate = answer.measured.estimates.get(spec.name)
        if not spec.judged or estimate is None or not estimate.budget:
            continue
        together = math.sqrt(sum(part.u**2 for part in estimate.budget))
        unit = "mm" if spec.unit == "mm" else "deg"
        console.print()
        console.print(Text(f"{spec.label}: u = {estimate.u:.2f} {unit}, U95 = {estimate.U95:.2f} {unit}", style="bold"))
        for part in estimate.budget:
            if part.u >= 0.005:
                share = 100 * (part.u / together) ** 2
                console.print(Text(f"  {part.u:6.2f} {unit}  {share:3.0f} %  {part.source}"))
        if not math.isclose(estimate.u, together, rel_tol=1e-6):
            console.print(Text(f"  x {estimate.u / together:.2f}: factor found on scenes with truth"))
