"""What was typed for an order, read: lengths, alias, due date, the cap's size.

A length is taken with its unit, or as a fraction alone, which is inches (units.py). What lies
beyond any head, or beyond any block, is asked about with the unit that would make sense of it (`57in`: did you mean
57cm?), never converted in silence: a UnitQuestion carries how the length was perhaps meant, and
whoever can ask, asks. An alias is one short line that is no e-mail address, no telephone number, no
order's number and not the word that empties. Whatever cannot be read is a UsageProblem, one sentence
that shows how it is written.
"""

from __future__ import annotations

import re
from datetime import date

from placecheck.errors import UsageProblem
from placecheck.orders.tape import TAPE_BY_NAME
from placecheck.records.model import JOINERS
from placecheck.units import CIRCUMFERENCE_MM, parse_circumference_mm, parse_length_mm

UNIT_MM = {"in": 25.4, "cm": 10.0, "mm": 1.0}
ALIAS_LONGEST = 40


class UnitQuestion(UsageProblem):
    """A length beyond any head; `suggestion` is how it was perhaps meant, None where no unit makes sense of it."""

    def __init__(self, code: str, message: str, suggestion: str | None) -> None:
        super().__init__(code, message)
        self.suggestion = suggestion


def parse_tape_mm(text: str, name: str, unit: str | None = None) -> float:
    """Millimetres of the length `name` (TAPE_BY_NAME) as typed; `unit` ("in", "cm", "mm") serves bare numbers.

    A bare fraction is inches. Raises UsageProblem (length-unreadable) or UnitQuestion (length-without-unit,
    length-beyond-any-head), which says what was perhaps meant.
    """
    measure = TAPE_BY_NAME[name]
    low, high = measure.hard_mm
    bare = False
    mm = 0.0
    try:
        mm = parse_length_mm(with_unit(text, unit), measure.label, round(sum(measure.usual_mm) / 2, -1))
    except UsageProblem as problem:
        if problem.problem.code != "length-without-unit":
            raise
        bare = True
    if low <= mm <= high:
        return mm
    meant = _meant(text, measure.hard_mm)
    if bare and not meant:
        raise UnitQuestion(
            "length-beyond-any-head",
            f"“{text.strip()}” is no {measure.whose}'s {measure.label} in any unit, which lies from {low:.0f} to "
            f"{high:.0f} mm. Measure again: {measure.how}.",
            None,
        )
    if bare:
        ask = f"did you mean {meant[0]}? Write" if len(meant) == 1 else f"is it {' or '.join(meant)}? Write"
        raise UnitQuestion(
            "length-without-unit",
            f"The {measure.label} “{text.strip()}” has no unit: {ask} the unit.",
            meant[0] if len(meant) == 1 else None,
        )
    hint = f"Did you mean {' or '.join(meant)}?" if meant else f"Measure again: {measure.how}."
    raise UnitQuestion(
        "length-beyond-any-head",
        f"A {measure.label} of “{text.strip()}” is {mm:.0f} mm, and no {measure.whose} lies outside {low:.0f} to "
        f"{high:.0f} mm. {hint}",
        meant[0] if len(meant) == 1 else None,
    )


def parse_block_mm(text: str, unit: str | None = None) -> float:
    """Millimetres of the tape round the block as typed; `unit` serves bare numbers.

    Raises UsageProblem (length-unreadable) or UnitQuestion (length-without-unit, length-beyond-any-head).
    """
    try:
        return parse_circumference_mm(with_unit(text, unit))
    except UsageProblem as error:
        code, message = error.problem.code, error.problem.message
        if code == "length-unreadable":
            raise
        meant = _meant(text, CIRCUMFERENCE_MM)
        raise UnitQuestion(code, message, meant[0] if meant else None) from None


def _meant(text: str, within_mm: tuple[float, float]) -> list[str]:
    """The same number with each unit that would make a length within those limits of it."""
    plain = re.sub(r'[a-z."″”\s]+$', "", text.strip(), flags=re.IGNORECASE)
    number = parse_length_mm(f"{plain} mm")
    return [f"{plain}{u}" for u, factor in UNIT_MM.items() if within_mm[0] <= number * factor <= within_mm[1]]


def with_unit(text: str, unit: str | None = None) -> str:
    """A bare length with `unit`, where it is given; anything else unchanged."""
    bare = re.fullmatch(r"[\d\s.,/¼½¾⅛⅜⅝⅞⅓⅔-]+", text) is not None
    return f"{text.strip()} {unit}" if bare and unit else text


def parse_alias(text: str) -> str:
    """The client's alias: one short line that is no e-mail address and no telephone number. Raises UsageProblem."""
    alias = " ".join(text.split())
    seen = "".join(c for c in alias if c not in JOINERS)
    if not seen or not seen.isprintable() or alias.casefold() == "none":
        raise UsageProblem("alias-empty", "The order needs an alias for the client: any short word, such as “Willow”.")
    if len(alias) > ALIAS_LONGEST:
        raise UsageProblem(
            "alias-long", f"The alias has {len(alias)} characters: use a short word, {ALIAS_LONGEST} at most."
        )
    if "@" in alias or len(re.findall(r"\d", alias)) >= 7:
        raise UsageProblem(
            "alias-personal",
            "The alias looks like an e-mail address or a telephone number: an invented word is enough here.",
        )
    if re.fullmatch(r"#?\d+", alias):
        raise UsageProblem("alias-number", "An alias that is only a number reads like an order number: use a word.")
    return alias


def parse_due(text: str) -> date:
    """A due date written 2026-03-14. Raises UsageProblem."""
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise UsageProblem(
            "due-unreadable", f"The due date “{text}” is not a date: write year-month-day, such as 2026-03-14."
        ) from None


def parse_cap_size(text: str) -> str:
    """`standard` or `extra-large` (also xl, extra large, std). Raises UsageProblem."""
    key = re.sub(r"[\s_-]+", "-", text.strip().lower())
    known = {"standard": "standard", "std": "standard", "extra-large": "extra-large", "xl": "extra-large"}
    if key not in known:
        raise UsageProblem("cap-unknown", f"The cap size “{text}” is not known: it is standard or extra-large.")
    return known[key]


def parse_share(text: str, what: str) -> float:
    """A share written in percent, `10` or `10 %`, as 0.1. Raises UsageProblem."""
    try:
        return float(text.strip().removesuffix("%").replace(",", ".")) / 100.0
    except ValueError:
        raise UsageProblem(
            f"{what}-unreadable", f"The {what} “{text}” is no number: write it in percent, such as 10."
        ) from None
