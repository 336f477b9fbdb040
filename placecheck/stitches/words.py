"""What a row of stitches asks of the maker, in her words: where, how far, what to do there.

Stitches are counted from the photo's left (or top), as the numbers on the picture are. One more stitch goes where a
spacing is proven over the limit, two where one would leave both halves near it; where two stitches crowd, one comes
out, since two holes so near tear the lace; where that would break the other limit one is sewn anew. A row too wide
throughout gets a second row between, one too close loses every second stitch, not a hundred fixes; where that would
miss the other limit it is sewn anew. What is proven of one spacing is its kind's to say (sewn.py), so the picture
shows the same. Spacings too near a limit to call are named with the one thing that decides it: a steadier, closer
photo. A gap out of the row's own rhythm but within the limit is told as a remark. Needles hurt: a short caution
stands where one is used.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from placecheck.answer import Estimate, Judged, Measured
from placecheck.errors import Problem
from placecheck.stitches.sewn import Sewn

MEAN, SMALLEST, LARGEST = "stitch_spacing_mean_mm", "stitch_spacing_smallest_mm", "stitch_spacing_largest_mm"
CAUTION = "Keep the finger behind the lace out of the needle's way, and count the needles afterwards."
FULL = 0.9
"""A new stitch should leave its neighbours this share of the limit apart, at most."""
MOST_NAMED = 6


def ordinal(n: int) -> str:
    """1st, 2nd, 3rd, 4th, 11th, 22nd ..."""
    ending = "th" if 10 <= n % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(n % 10, "th")
    return f"{n}{ending}"


def place(sewn: Sewn, k: int) -> str:
    """Where spacing `k` (from 0) is: `between the 7th and 8th stitch from the left`."""
    return f"between the {ordinal(k + 1)} and {ordinal(k + 2)} stitch from the {sewn.begin}"


def reads(sewn: Sewn, k: int) -> str:
    """How wide spacing `k` is, with its U95: `10.5 ± 0.5 mm`."""
    return f"{sewn.spacing_mm[k]:.1f} ± {sewn.U95_mm[k]:.1f} mm"


def needed_between(mm: float, most_mm: float) -> int:
    """How many more stitches bring a spacing to FULL of the limit or less, at least one."""
    return max(1, math.ceil(mm / (FULL * most_mm)) - 1)


def remarks(sewn: Sewn) -> tuple[Problem, ...]:
    """Unevenness that breaks no limit."""
    found = []
    wide = [k for k, kind in enumerate(sewn.kinds) if kind == "wide"]
    if wide:
        where = "; ".join(f"{place(sewn, k)}, {reads(sewn, k)}" for k in wide[:MOST_NAMED])
        found.append(
            Problem(
                "stitches-uneven", f"Wider than the rest of the row, but within the limit: {where}. Leave or add one."
            )
        )
    return tuple(found)


def stitch_fixes(measured: Measured, judged: Mapping[str, Judged]) -> tuple[str, ...]:
    """Where to add a stitch, where to take one out, in the order of the seam; empty when nothing is proven out."""
    sewn, largest, smallest, mean = _parts(measured, judged)
    if sewn is None or largest is None or smallest is None or mean is None:
        return ()
    wide = next((j for j in (mean, smallest) if j.state == "out" and j.estimate.value > j.high), None)
    close = next((j for j in (mean, largest) if j.state == "out" and j.estimate.value < j.low), None)
    row = wide or close
    fixes = [_whole_row(mean.estimate, row)] if row else []
    for k, kind in enumerate(sewn.kinds):
        limits = smallest.low, largest.high
        if kind == "over" and not wide:
            fixes.append(f"{_upper(place(sewn, k))}, {reads(sewn, k)}: {_one_more(sewn, k, *limits)}.")
        elif kind == "under" and not close:
            fixes.append(f"{_upper(place(sewn, k))}, {reads(sewn, k)}: {_one_less(sewn, k, *limits)}.")
    return (*fixes, CAUTION) if fixes else ()


def _one_more(sewn: Sewn, k: int, least_mm: float, most_mm: float) -> str:
    """How spacing `k` is mended that is too wide: with as many more stitches as fit between."""
    mm = sewn.spacing_mm[k]
    more = needed_between(mm, most_mm)
    while more and mm / (more + 1) < least_mm:
        more -= 1
    if more and mm / (more + 1) <= most_mm:
        return "one more stitch there" if more == 1 else f"{more} more stitches there"
    return _sewn_anew(sewn, k, least_mm, most_mm)


def _one_less(sewn: Sewn, k: int, least_mm: float, most_mm: float) -> str:
    """How spacing `k` is mended that is too close: without the stitch that leaves no gap, if there is one."""
    why = "so near together they tear the lace"
    left_by = _gaps_without(sewn, k)
    free = [stitch for stitch, mm in left_by.items() if mm <= most_mm]
    if len(free) == len(left_by):
        return f"take one of the two out, {why}"
    return f"take the {ordinal(free[0])} out, {why}" if free else _sewn_anew(sewn, k, least_mm, most_mm)


def _gaps_without(sewn: Sewn, k: int) -> dict[int, float]:
    """The gap (mm) left by either stitch of spacing `k`, by its number; the row's first and last are left out."""
    mm = sewn.spacing_mm
    return {n + 1: mm[n - 1] + mm[n] for n in (k, k + 1) if 0 < n < len(mm)}


def _sewn_anew(sewn: Sewn, k: int, least_mm: float, most_mm: float) -> str:
    """Where neither one more nor one less fits: a stitch beside spacing `k` in the middle of its neighbours."""
    for stitch, gap in sorted(_gaps_without(sewn, k).items(), key=lambda item: abs(item[1] - least_mm - most_mm)):
        if least_mm <= gap / 2 <= most_mm:
            between = f"the {ordinal(stitch - 1)} and the {ordinal(stitch + 1)}"
            return f"take the {ordinal(stitch)} out and sew it anew in the middle between {between}"
    return f"sew that stretch anew, {(least_mm + most_mm) / 2:.1f} mm from stitch to stitch"


def _whole_row(mean: Estimate, judged: Judged) -> str:
    """What to do with a row of that mean (mm) that a measure proves too wide or too close."""
    mm = mean.value
    wide = judged.estimate.value > judged.high
    limit = f"{judged.high:g} mm is the most" if wide else f"{judged.low:g} mm is the least"
    row = f"The whole row is sewn too {'wide' if wide else 'close'}"
    start = f"{row}, {mm:.1f} ± {mean.U95:.1f} mm from stitch to stitch where {limit}"
    if wide and mm / 2 >= judged.low:
        return f"{start}: sew a second row, each stitch in the middle of a gap."
    if not wide and 2 * mm <= judged.high:
        return f"{start}: take out every second stitch, so near together they tear the lace."
    middle = (judged.low + judged.high) / 2
    return f"{start}: take the row out and sew it anew, {middle:.1f} mm from stitch to stitch."


def stitch_undecided(measured: Measured, judged: Mapping[str, Judged]) -> tuple[Problem, ...]:
    """What is too near a limit to call, and what decides it."""
    sewn, largest, smallest, mean = _parts(measured, judged)
    if sewn is None or largest is None or smallest is None or mean is None:
        return ()
    found = []
    for extreme, pick in ((largest, max), (smallest, min)):
        if extreme.state == "unsure":
            k = pick(range(len(sewn.spacing_mm)), key=lambda i: sewn.spacing_mm[i])
            # in a row too wide throughout the smallest spacing is near the upper limit, too, and no crowding
            word = "gap" if 2 * extreme.estimate.value > extreme.low + extreme.high else "crowding"
            found.append(f"the {word} {place(sewn, k)} ({reads(sewn, k)})")
    if mean.state == "unsure":
        found.append(f"the mean spacing ({mean.estimate.value:.1f} ± {mean.estimate.U95:.1f} mm)")
    if not found:
        return ()
    return (
        Problem(
            "stitches-undecided",
            "Lay the card right beside that place, hold the phone straight above it, closer, and retake, or lay a "
            f"ruler there: {' and '.join(found)} {'are' if len(found) > 1 else 'is'} too near the limit to call.",
        ),
    )


def _parts(
    measured: Measured, judged: Mapping[str, Judged]
) -> tuple[Sewn | None, Judged | None, Judged | None, Judged | None]:
    return measured.sewn, judged.get(LARGEST), judged.get(SMALLEST), judged.get(MEAN)


def _upper(text: str) -> str:
    return text[:1].upper() + text[1:]
