"""Lengths and closure sizes as people write them, in; millimetres and fractions of an inch, out.

A maker reads a tape in inches and sixteenths or in centimetres, and both are in use at
one bench, so a length is only taken with its unit: 57 may be centimetres or a slip, and a
guess there is 4 cm of block. A fraction alone (`22 3/4`) is inches, since no centimetre tape
is cut into halves and eighths. Taken are decimals with a point or a comma, common fractions
(`22 3/4 in`, `22-3/4"`, `22¾in`) and the units mm, cm and in. A closure size is two numbers,
width (ear to ear) first, then front to back; without a unit they are inches, since that
is how closures are sold (common practice, no published source). The inch is exactly
25.4 mm (international yard and pound agreement, 1959). Lengths for reading are printed
in mm with the nearest sixteenth of an inch beside them, the finest line on a tape.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from placecheck.errors import UsageProblem

MM_PER_INCH = 25.4
POINT_MM = MM_PER_INCH / 72
"""A printer's point."""
PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""Width and height: ISO 216 A4; ANSI/ASME Y14.1 A (US Letter), 8.5 x 11 in."""
CIRCUMFERENCE_MM = (480.0, 670.0)
"""Tapes round blocks that are sold, child to extra large, 19 to 26 1/4 in (common practice, no published source)."""
CLOSURE_MM = (25.0, 407.0)
"""Sides of closures and frontals that are sold, 1 to 16 in (common practice, no published source)."""
SAME_CLOSURE_MM = 1.0
"""Closures whose sides differ by no more are one size: less than that is rounding."""
BAR_MM, SMALL_BAR_MM = 100.0, 50.0
"""The bars beside the scale card and the small card, as they were designed."""
BAR_RANGE_MM = (85.0, 115.0)
"""A printed 100 mm bar: beyond 15 % off, something else was measured."""

_UNITS = {
    "mm": 1.0,
    "millimetre": 1.0,
    "millimetres": 1.0,
    "millimeter": 1.0,
    "millimeters": 1.0,
    "cm": 10.0,
    "centimetre": 10.0,
    "centimetres": 10.0,
    "centimeter": 10.0,
    "centimeters": 10.0,
    "in": MM_PER_INCH,
    "in.": MM_PER_INCH,
    "inch": MM_PER_INCH,
    "inches": MM_PER_INCH,
    '"': MM_PER_INCH,
    "″": MM_PER_INCH,
    "”": MM_PER_INCH,
}
_VULGAR = {"¼": "1/4", "½": "1/2", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8", "⅓": "1/3", "⅔": "2/3"}
_NUMBER = r"(?:\d{1,4}(?:[ -]+\d{1,2}\s*/\s*\d{1,2}|[.,]\d{1,6})?|[.,]\d{1,6}|\d{1,2}\s*/\s*\d{1,2})"
_UNIT = "|".join(re.escape(unit) for unit in sorted(_UNITS, key=len, reverse=True))
_LENGTH = re.compile(rf"\s*({_NUMBER})\s*({_UNIT})?\s*", re.IGNORECASE | re.ASCII)
_PAIR = re.compile(rf"\s*({_NUMBER})\s*({_UNIT})?\s*(?:x|×|by)\s*({_NUMBER})\s*({_UNIT})?\s*", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True)
class ClosureSize:
    """Nominal size of the ventilated rectangle, mm, and how it was written ("5x5")."""

    width_mm: float
    length_mm: float
    label: str

    def same_as(self, other: ClosureSize) -> bool:
        """Whether both are one size, however they were written: `5x5`, `5x5in`, `12.7x12.7cm`."""
        return max(abs(self.width_mm - other.width_mm), abs(self.length_mm - other.length_mm)) <= SAME_CLOSURE_MM


def _spelled(text: str) -> str:
    """`text` with ¾ and its like written as ` 3/4`."""
    for sign, fraction in _VULGAR.items():
        text = text.replace(sign, f" {fraction}")
    return text


def _number(text: str) -> float | None:
    """`22`, `22.75`, `22,75`, `3/4`, `22 3/4` or `22-3/4` as a float; None for a fraction by zero or above one."""
    match = re.fullmatch(r"(?:(\d+)[ -]+)?(\d+)\s*/\s*(\d+)", text)
    if match is None:
        return float(text.replace(",", "."))
    whole, top, bottom = int(match[1] or 0), int(match[2]), int(match[3])
    if bottom == 0 or top >= bottom:
        return None
    return float(whole + Fraction(top, bottom))


def parse_length_mm(text: str, what: str = "length", such_mm: float = 578.0) -> float:
    """Millimetres of a length written with its unit: `22.75in`, `22 3/4 in`, `57.8 cm`, `578mm`; `22 3/4` is inches.

    Raises UsageProblem (code length-unreadable or length-without-unit), naming `what` was asked for, with examples
    near `such_mm`.
    """
    match = _LENGTH.fullmatch(_spelled(text))
    number = _number(match[1]) if match else None
    if match is None or number is None:
        raise UsageProblem(
            "length-unreadable",
            f"The {what} “{text}” is not a length: write a number and its unit, such as {sixteenths(such_mm)}, "
            f"{such_mm / 10:g}cm or {such_mm:g}mm.",
        )
    if match[2] is None and "/" in match[1]:
        return number * MM_PER_INCH
    if match[2] is None:
        raise UsageProblem(
            "length-without-unit",
            f"The {what} “{text}” has no unit: is it inches or centimetres? Write "
            f"{text.strip()}in, {text.strip()}cm or {text.strip()}mm.",
        )
    return number * _UNITS[match[2].lower()]


def parse_circumference_mm(text: str) -> float:
    """The block's taped circumference in mm; refused beyond any head, with the unit that was perhaps meant.

    Raises UsageProblem (codes of parse_length_mm, or length-beyond-any-head).
    """
    low, high = CIRCUMFERENCE_MM
    number = re.match(rf"\s*({_NUMBER})", _spelled(text))
    value = (_number(number[1]) if number else None) or 0.0
    meant = [unit for unit, factor in (("in", MM_PER_INCH), ("cm", 10.0), ("mm", 1.0)) if low <= value * factor <= high]
    try:
        mm = parse_length_mm(text, "block circumference")
    except UsageProblem as error:
        if error.problem.code == "length-without-unit" and meant:
            said = (
                f"The block circumference “{text.strip()}” has no unit: did you mean {value:g}{meant[0]}? Write it so."
            )
            raise UsageProblem("length-without-unit", said) from None
        raise
    if low <= mm <= high:
        return mm
    hint = f" Did you mean {value:g}{meant[0]}?" if meant else " Tape the block round its widest level again."
    raise UsageProblem(
        "length-beyond-any-head",
        f"A block circumference of “{text.strip()}” is {mm:.0f} mm, and no head block is below {low:.0f} or above "
        f"{high:.0f} mm.{hint}",
    )


def _pair_mm(text: str, bare_unit: str | None) -> tuple[float, float] | None:
    """The two lengths of `A x B` in mm; one unit at the end serves both. None when unreadable or without a unit."""
    match = _PAIR.fullmatch(_spelled(text))
    if match is None:
        return None
    first, second = _number(match[1]), _number(match[3])
    second_unit = match[4] or match[2] or ("in" if "/" in match[1] + match[3] else bare_unit)
    first_unit = match[2] or second_unit
    if first is None or second is None or first_unit is None or second_unit is None:
        return None
    return first * _UNITS[first_unit.lower()], second * _UNITS[second_unit.lower()]


def parse_closure(text: str) -> ClosureSize:
    """A closure size: `5x5`, `13x4`, `5 x 5 in`, `12.7x12.7cm`; width first, inches where no unit is given.

    Raises UsageProblem (code closure-unreadable or closure-beyond-any).
    """
    pair = _pair_mm(text, "in")
    if pair is None:
        raise UsageProblem(
            "closure-unreadable",
            f"The closure size “{text}” is not two numbers: write width x front-to-back, such as 5x5, 2x6 or "
            "12.7x12.7cm.",
        )
    low, high = CLOSURE_MM
    if not all(low <= side <= high for side in pair):
        raise UsageProblem(
            "closure-beyond-any",
            f"A closure of “{text.strip()}” is {pair[0]:.0f} x {pair[1]:.0f} mm, and no closure or frontal has a side "
            f"below {low:.0f} or above {high:.0f} mm: numbers without a unit are inches, so write the unit if you mean "
            "cm or mm.",
        )
    label = re.sub(r"(?<=\d)\s+(?=\d)", "-", text.lower().replace("×", "x").replace("by", "x"))
    return ClosureSize(pair[0], pair[1], re.sub(r"\s+", "", label))


def parse_card_bars_mm(text: str, nominal_mm: float = BAR_MM) -> tuple[float, float]:
    """The measured lengths of the card's two bars, across x down: `99.2x99.5` (mm unless a unit is given).

    Raises UsageProblem (code card-bars-unreadable or card-bars-beyond).
    """
    pair = _pair_mm(text, "mm")
    if pair is None:
        raise UsageProblem(
            "card-bars-unreadable",
            f"The card bars “{text}” are not two lengths: measure both {nominal_mm:g} mm bars and write them as "
            f"{nominal_mm - 0.8:g}x{nominal_mm - 0.5:g}.",
        )
    low, high = BAR_RANGE_MM
    if not all(low <= bar / nominal_mm * 100 <= high for bar in pair):
        other_mm = SMALL_BAR_MM if nominal_mm == BAR_MM else BAR_MM
        meant = "measure the two long bars again, or print the card again at 100 %."
        if all(low <= bar * 10 / nominal_mm * 100 <= high for bar in pair):
            meant = "if that was read in centimetres, write cm behind it."
        elif all(low <= bar * MM_PER_INCH / nominal_mm * 100 <= high for bar in pair):
            meant = "if that was read in inches, write in behind it."
        elif all(low <= bar / other_mm * 100 <= high for bar in pair):
            which = "scale card" if other_mm == BAR_MM else "small card"
            meant = f"they look like those of the {which}; give the bars of the card that is meant here."
        raise UsageProblem(
            "card-bars-beyond",
            f"Card bars of “{text.strip()}” are {pair[0]:g} and {pair[1]:g} mm, too far from {nominal_mm:g}: {meant}",
        )
    return pair


def sixteenths(mm: float) -> str:
    """The length to the nearest 1/16 inch, in lowest terms: `1/4 in`, `1 3/16 in`, `less than 1/16 in`."""
    n = round(abs(mm) / MM_PER_INCH * 16)
    if n == 0:
        return "less than 1/16 in"
    whole, rest = divmod(n, 16)
    part = Fraction(rest, 16)
    words = [str(whole)] if whole else []
    if part:
        words.append(f"{part.numerator}/{part.denominator}")
    return f"{' '.join(words)} in"


def mm_and_inches(mm: float) -> str:
    """A length for the bench, unsigned: `6.5 mm (1/4 in)`; a tenth of a millimetre is finer than a pin.

    The fraction is that of the millimetres that are shown, so one length has one fraction wherever it stands.
    """
    shown = round(abs(mm), 1)
    return f"{shown:.1f} mm ({sixteenths(shown)})"
