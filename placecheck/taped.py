"""What a soft tape says of the clearances, and the photo with it.

Hair hides the cap's edge from the lens but not from the fingers: a maker feels the elastic through
the lace and lays a soft tape from it to the hairline, at the fold and where the side clearances are
taken (measure.station_mm). Tape and photo are two measurements of one length, so they are combined
as the mean weighted by their inverse variances (GUM, JCGM 100:2008; its u is 1 / sqrt(1/u1^2 +
1/u2^2)), the photo's budget scaled to its u times its weight and the tape a line of its own. Before
that they must agree: where the difference exceeds the expanded uncertainty of the difference (E_n
above 1, ISO 13528, from memory) they are not averaged; the photo's value stays, as unsure as the
difference says (a line of its own, too, with which judge.py lets nothing pass), and the answer asks
for the tape to be laid again. A clearance that the photo does not show is the tape's alone. Nothing
here knows photos.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

from placecheck.answer import (
    COVERAGE_FACTOR,
    MEASURE_BY_NAME,
    TAPE_CONTRADICTS,
    TAPED,
    Contribution,
    Estimate,
    Measured,
)
from placecheck.errors import Problem, UsageProblem
from placecheck.units import mm_and_inches, parse_length_mm

PLACES: Mapping[str, str] = {
    "left": "clearance_left_mm",
    "middle": "clearance_centre_mm",
    "right": "clearance_right_mm",
}
"""Where the tape is laid, the wearer's left and right, and the measure it reads."""
TAPE_READ_U_MM = 1.0
"""Standard uncertainty of one reading: where the elastic ends under the lace, where the hair begins, the tape's own
millimetre (common practice, no published source)."""
READABLE_MM = (0.0, 60.0)
TAPE_WORDS = "soft tape, cap's edge to hairline"


def parse_taped(places: Mapping[str, str]) -> dict[str, float]:
    """What the tape reads by measure, mm, of texts by place ({"middle": "10mm"}).

    Raises UsageProblem (codes of parse_length_mm, taped-place, or taped-beyond).
    """
    out = {}
    for place, text in places.items():
        if place not in PLACES:
            raise UsageProblem(
                "taped-place",
                f"The tape lies at no place called “{place}”: it is left, middle or right, as in middle=10mm.",
            )
        mm = parse_length_mm(text, "taped clearance", 10.0)
        if not READABLE_MM[0] <= mm <= READABLE_MM[1]:
            raise UsageProblem(
                "taped-beyond",
                f"A taped clearance of “{text.strip()}” is {mm:.0f} mm, and no hairline lies further "
                f"than {READABLE_MM[1]:.0f} mm in front of the cap's edge: lay the tape again.",
            )
        out[PLACES[place]] = mm
    return out


def with_taped(measured: Measured, taped_mm: Mapping[str, float]) -> Measured:
    """`measured` with what the tape reads (mm, by measure) beside what the photo shows."""
    estimates, missing = dict(measured.estimates), dict(measured.missing)
    apart: dict[str, tuple[Estimate, float]] = {}
    for name, mm in taped_mm.items():
        seen = estimates.get(name)
        if seen is not None and abs(seen.value - mm) > COVERAGE_FACTOR * math.hypot(seen.u, TAPE_READ_U_MM):
            estimates[name] = contradicted(seen, mm)
            apart[name] = seen, mm
        else:
            estimates[name] = combined(seen, mm)
        missing.pop(name, None)
    told = (_contradiction(apart),) if apart else ()
    return replace(measured, estimates=estimates, missing=missing, problems=(*measured.problems, *told))


def combined(seen: Estimate | None, taped_mm: float) -> Estimate:
    """Photo and tape as one estimate, mm; the tape's alone where the photo has none."""
    words = f"{TAPED}{taped_mm:g} mm"
    if seen is None:
        return Estimate(taped_mm, TAPE_READ_U_MM, (Contribution(TAPE_WORDS, TAPE_READ_U_MM),), (words,))
    tape = seen.u**2 / (seen.u**2 + TAPE_READ_U_MM**2)
    parts = [*_photo_parts(seen, 1 - tape), Contribution(TAPE_WORDS, tape * TAPE_READ_U_MM)]
    return Estimate(
        (1 - tape) * seen.value + tape * taped_mm,
        seen.u * TAPE_READ_U_MM / math.hypot(seen.u, TAPE_READ_U_MM),
        tuple(sorted(parts, key=lambda c: -c.u)),
        (*seen.evidence, words),
    )


def contradicted(seen: Estimate, taped_mm: float) -> Estimate:
    """The photo's estimate, mm, as unsure as the tape that contradicts it says."""
    u = max(seen.u, abs(seen.value - taped_mm) / COVERAGE_FACTOR)
    parts = [*_photo_parts(seen, 1.0), Contribution(TAPE_CONTRADICTS, math.sqrt(u**2 - seen.u**2))]
    return replace(seen, u=u, budget=tuple(sorted(parts, key=lambda c: -c.u)))


def _photo_parts(seen: Estimate, weight: float) -> list[Contribution]:
    """The photo's budget with its factor in every line, so that the root sum of squares is `weight` times its u."""
    together = math.hypot(*(c.u for c in seen.budget))
    return [Contribution(c.source, weight * seen.u / together * c.u) for c in seen.budget]


def _contradiction(apart: Mapping[str, tuple[Estimate, float]]) -> Problem:
    """What photo and tape (mm) read where they contradict each other, by measure, and what is to be done, told once."""
    reads = "; ".join(
        f"{MEASURE_BY_NAME[name].label}, the tape {mm_and_inches(mm)}, the photo {seen.value:.1f} ± {seen.U95:.1f} mm"
        for name, (seen, mm) in apart.items()
    )
    return Problem(
        "tape-disagrees",
        f"Soft tape and photo contradict each other: {reads}. Feel for the cap's edge and lay the tape again, or set "
        "cap edge and hairline by hand in the photo.",
    )
