"""One stream of placements looked at whole: chart, habit, capability, gauge, and each in a plain sentence.

A stream is one measure of one maker (or closure size, or stage) in the order it happened, first
checks only. Its habit is the mean's distance from the aim, called so where the 95 % t interval of the
mean leaves the aim out and the distance is a quarter of the half tolerance or more: less is
neither felt nor worth a word. Capability is given from 50 values on, always with its interval, and with
a warning where the chart is not steady, because an index foretells only what stays as it is. The
sentences say what a person at the bench can do, name sides as the wearer's, and never more digits than
the uncertainty bears.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from placecheck.answer import MEASURE_BY_NAME
from placecheck.quality.capability import ENOUGH, Capability, capability, enough
from placecheck.quality.control_chart import (
    ENOUGH_FOR_LIMITS,
    LEAST_FOR_LIMITS,
    IndividualsChart,
    Shift,
    individuals_chart,
)
from placecheck.quality.gauge import GOOD_SHARE, POOR_SHARE, GaugeShare, gauge_share
from placecheck.tolerances import CLEARANCES, DEFAULTS, STITCH_SPACINGS, aim_within

HABIT_SHARE = 0.25
"""A habit is worth a word from this share of the half tolerance on (a choice, no published source)."""
CHANCE_PERCENT = 7
"""Steady streams, of 100, that are called not steady at most (simulated: tests/test_quality_numbers.py)."""


@dataclass(frozen=True)
class Point:
    """One placement: record id, time on the bench's clock, value, standard uncertainty and limits in its unit."""

    record: int
    at: str
    value: float
    u: float
    low: float
    high: float


@dataclass(frozen=True)
class Habit:
    """Mean distance from the aim and its 95 % interval, in the measure's unit; positive as the measure is."""

    bias: float
    low: float
    high: float


@dataclass(frozen=True)
class Stream:
    """All that quality control says about one measure of one group, placed by `maker` or (empty) by several."""

    measure: str
    group: str
    points: tuple[Point, ...]
    chart: IndividualsChart
    low: float
    high: float
    aim: float
    habit: Habit | None
    capability: Capability | None
    gauge: GaugeShare | None
    sentences: tuple[str, ...]
    maker: str = ""

    @property
    def unit(self) -> str:
        return MEASURE_BY_NAME[self.measure].unit


def aim_of(measure: str, low: float, high: float, clearance_aim_mm: float) -> float:
    """What a maker aims at: the shop's clearance where its limits allow it, else the middle of the tolerance.

    What has sides is aimed at as the advice does.
    """
    if measure.startswith("clearance") and low <= clearance_aim_mm <= high:
        return clearance_aim_mm
    return (low + high) / 2 if measure in (*CLEARANCES, *STITCH_SPACINGS) else aim_within(low, high)


def t_quantile(p: float, df: int) -> float:
    """Quantile of Student's t."""
    from scipy.special import stdtrit

    return float(stdtrit(df, p))


def habit_of(values: Sequence[float], aim: float, low: float, high: float) -> Habit | None:
    """The habit, or None where chance explains it, it is too small to matter, or there are fewer than 5 values."""
    x = np.asarray(values, float)
    if x.size < LEAST_FOR_LIMITS:
        return None
    bias = float(x.mean()) - aim
    half = t_quantile(0.975, x.size - 1) * float(x.std(ddof=1)) / math.sqrt(x.size)
    if abs(bias) <= half or abs(bias) < HABIT_SHARE * (high - low) / 2:
        return None
    return Habit(bias, bias - half, bias + half)


def look_at(
    measure: str,
    group: str,
    points: Sequence[Point],
    clearance_aim_mm: float = DEFAULTS.clearance_aim_mm,
    maker: str = "",
) -> Stream:
    """The stream of `points` (at least one, in the order they happened), judged by the limits of the latest.

    `group` heads its chart; `maker` is told of a habit: a closure size or a stage is nobody to be told.
    """
    values = [p.value for p in points]
    low, high = points[-1].low, points[-1].high
    aim = aim_of(measure, low, high, clearance_aim_mm)
    chart = individuals_chart(values)
    habit = habit_of(values, aim, low, high)
    able = capability(values, low, high) if enough(values) else None
    share = gauge_share(values, [p.u for p in points]) if len(points) >= LEAST_FOR_LIMITS else None
    stream = Stream(measure, group, tuple(points), chart, low, high, aim, habit, able, share, (), maker)
    return Stream(**{**vars(stream), "sentences": tuple(_sentences(stream))})


# ----------------------------------------------------------------------------- words


@dataclass(frozen=True)
class SideWords:
    """How a measure is spoken of, each for above (first) and below.

    Where it lies of its aim, where placements have gone since a shift, and what to tell a maker whose habit it is.
    """

    lies: tuple[str, str]
    shifted: tuple[str, str]
    tell: tuple[str, str]


def _ways(lies: tuple[str, str], tell: str) -> SideWords:
    """Those of a measure that is undone to the other hand."""
    return SideWords(lies, (f"further {lies[0]}", f"further {lies[1]}"), (f"{tell} left", f"{tell} right"))


_RIGHT_LEFT = ("to the wearer's right", "to the wearer's left")
_TURNED = ("to the right", "to the left")
_WIDER = ("wider on the right", "wider on the left")
_FURTHER = ("further right", "further left")
_AIMED = (("more than aimed at", "less than aimed at"), ("more", "less"))
_WORDS: Mapping[str, SideWords] = {
    "offset": _ways(_RIGHT_LEFT, "pin that much further"),
    "skew": _ways(_TURNED, "turn the closure that much further"),
    "clearance": SideWords(
        *_AIMED,
        (
            "bring the hairline that much further back",
            "bring the hairline that much further forward",
        ),
    ),
    "cap_shift": _ways(_RIGHT_LEFT, "set the cap that much further"),
    "cap_turn": _ways(_TURNED, "turn the cap's front that much further"),
    "back_seams": SideWords(
        _WIDER,
        _FURTHER,
        ("draw the cap half of that to the left behind", "draw the cap half of that to the right behind"),
    ),
    "temple_rim": SideWords(
        ("higher on the right", "higher on the left"),
        ("higher on the right", "higher on the left"),
        (
            "draw the cap's edge down by half of that at the right temple, and let it up by half on the other side",
            "draw the cap's edge down by half of that at the left temple, and let it up by half on the other side",
        ),
    ),
    "stitch_spacing": SideWords(*_AIMED, ("sew that much closer", "sew that much wider")),
}
"""By how a measure's name begins."""
_CORNERS = SideWords(
    _WIDER,
    _FURTHER,
    (
        "measure both corners from the middle; the right one sits too far out",
        "measure both corners from the middle; the left one sits too far out",
    ),
)


def noun_of(measure: str) -> str:
    """What one value of the measure is of: of the seam's measures a seam, of all others a placement."""
    return "seam" if measure in STITCH_SPACINGS else "placement"


def words_of(measure: str) -> SideWords:
    """How a judged measure is spoken of."""
    return next((words for start, words in _WORDS.items() if measure.startswith(start)), _CORNERS)


def _amount(value: float, unit: str) -> str:
    return f"{abs(value):.1f}" + (" mm" if unit == "mm" else "°")


def _place(measure: str, value: float, unit: str) -> str:
    """Where a value lies, its sign as a word where it has one: `4.9 mm left`."""
    from placecheck.printout import briefly

    return briefly(MEASURE_BY_NAME[measure], value, f" {unit}")


def habit_sentence(measure: str, habit: Habit, maker: str) -> str:
    """What the habit is, how sure that is, and what to tell the maker; to whoever it is where `maker` is empty."""
    unit, words, side = MEASURE_BY_NAME[measure].unit, words_of(measure), 0 if habit.bias > 0 else 1
    smallest, largest = sorted((abs(habit.low), abs(habit.high)))
    much, between = _amount(habit.bias, unit), f"{smallest:.1f} to {_amount(largest, unit)}"
    start = f"{much} {words.lies[side]} on average (95 % sure of {between})"
    tell = words.tell[side]
    advice = f"Tell {maker} to {tell}" if maker else f"{tell[0].upper()}{tell[1:]}"
    return f"{start}: a habit, not chance. {advice}."


def steady_sentence(measure: str, chart: IndividualsChart, points: Sequence[Point], unit: str) -> str:
    """Whether the stream is under control, and what broke it."""
    n, one = len(chart.values), noun_of(measure)
    if chart.sigma is None or chart.lower is None or chart.upper is None:
        if n < LEAST_FOR_LIMITS:
            left = LEAST_FOR_LIMITS - n
            return f"Only {n} {one}{'s' * (n > 1)} so far: the usual spread is told after {left} more."
        return f"All {one}s read the same, so there is no spread to tell."
    where = f"between {_place(measure, chart.lower, unit)} and {_place(measure, chart.upper, unit)}"
    early = f" (provisional: from {n} {one}s, trusted from {ENOUGH_FOR_LIMITS})" if chart.provisional else ""
    if chart.steady:
        return f"Steady: as things are, {one}s will fall {where}{early}."
    found = []
    if chart.shift is not None:
        found.append(shift_words(measure, chart.shift, points, unit))
    if chart.beyond:
        some = f"one {one} lies" if len(chart.beyond) == 1 else f"{len(chart.beyond)} {one}s lie"
        which = "" if len(chart.beyond) == 1 else "the latest "
        found.append(f"{some} far outside the usual spread, {which}on {points[chart.beyond[-1]].at[:10]}")
    elif chart.range_signals:
        found.append(f"a jump from one {one} to the next, on {points[chart.range_signals[-1]].at[:10]}")
    return (
        f"Not steady{early}: {'; and '.join(found)}; look for what was different then. "
        f"A steady hand, too, is called not steady in up to {CHANCE_PERCENT} of 100 such charts."
    )


def shift_words(measure: str, shift: Shift, points: Sequence[Point], unit: str) -> str:
    """Since when placements lie elsewhere, how far, and to which side."""
    by = shift.after - shift.before
    way = words_of(measure).shifted[0 if by > 0 else 1]
    return f"from {points[shift.first].at[:10]} on they lie {_amount(by, unit)} {way} than before, on average"


def capability_sentence(able: Capability, steady: bool, one: str = "placement") -> str:
    """Whether the spread fits the tolerance, in words, with the indices and their intervals."""
    low, high = able.cpk_interval
    figures = (
        f"tolerance over spread, Cp, {able.cp:.2f} (95 %: {able.cp_interval[0]:.2f} to {able.cp_interval[1]:.2f}), "
        f"to the nearer limit, Cpk, {able.cpk:.2f} ({low:.2f} to {high:.2f}), from {able.n} {one}s"
    )
    if low >= 1:
        words = "the usual spread fits inside the tolerance"
    elif high < 1 and able.cp_interval[0] >= 1:
        words = "the spread would fit if it were centred: mend the aim, not the hand"
    elif high < 1:
        why = ", since the usual spread is wider than that" if able.cp_interval[1] < 1 else ""
        words = f"expect {one}s outside the tolerance{why}"
    else:
        words = "whether the usual spread fits the tolerance cannot be told yet"
    doubt = "" if steady else f" Since the chart is not steady, this describes these {one}s, not the next ones."
    return f"{words[0].upper()}{words[1:]}: {figures}.{doubt}"


def gauge_sentence(share: GaugeShare, unit: str, one: str = "placement") -> str:
    """The photo's uncertainty beside the spread."""
    sign = " mm" if unit == "mm" else "°"
    start = (
        f"The photo's own standard uncertainty is {share.gauge:.2f}{sign}, at most {100 * share.share:.0f} % of the "
        f"spread seen ({share.seen:.2f}{sign})"
    )
    if share.share < GOOD_SHARE:
        return f"{start}: what varies is the {'sewing' if one == 'seam' else 'placing'}."
    if share.share <= POOR_SHARE:
        return f"{start}: good enough to see what varies."
    return f"{start}: much of what varies may be the photo; better photos come before blaming the hand."


def _sentences(stream: Stream) -> list[str]:
    one = noun_of(stream.measure)
    out = [steady_sentence(stream.measure, stream.chart, stream.points, stream.unit)]
    if stream.habit is not None:
        out.append(habit_sentence(stream.measure, stream.habit, stream.maker))
    if stream.capability is not None:
        out.append(capability_sentence(stream.capability, stream.chart.steady, one))
    elif stream.chart.sigma is not None:
        out.append(f"Capability is worked out from {ENOUGH} {one}s on; there are {len(stream.points)}.")
    if stream.gauge is not None:
        out.append(gauge_sentence(stream.gauge, stream.unit, one))
    return out
