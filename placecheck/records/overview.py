"""Overview: quality control of the records, asked of the store and handed to placecheck.quality.

One group is a maker, a closure size or a stage. For each: first-pass yield with its interval, which faults lead to
fixes, and a stream per charted measure with its chart and sentences. A chart shows the last 100 first checks at most,
since a chart of thousands shows nothing and limits belong to how things are done now; that also keeps it as fast for
100,000 records as for 100. Its tolerance and its aim are those its latest check was asked with. Groups with the lowest
yield, judged by the upper end of its interval, come first: that maker needs help most surely.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from placecheck.answer import COVERAGE_FACTOR, MEASURE_BY_NAME
from placecheck.quality.first_pass import Fault, Yield, faults, first_pass_yield
from placecheck.quality.stream import Point, Stream, habit_sentence, look_at
from placecheck.records import tallies
from placecheck.records.model import Filter, local_text
from placecheck.records.store import Store
from placecheck.tolerances import DEFAULTS

PLACED = ("offset_mm", "skew_deg", "clearance_centre_mm")
CHARTED: Mapping[str, tuple[str, ...]] = {
    "cap": ("cap_shift_mm", "cap_turn_deg"),
    "pinned": PLACED,
    "stitched": PLACED,
    "stitches": ("stitch_spacing_mean_mm", "stitch_spacing_smallest_mm", "stitch_spacing_largest_mm"),
}
"""What is charted of each stage; where several stages are looked at together, of each what it measures."""
LAST = 100
FAULT_SIDES = {
    "offset_mm": ("left of the centre line", "right of the centre line"),
    "skew_deg": ("turned to the left", "turned to the right"),
    "front_corner_asymmetry_mm": ("wider on the left", "wider on the right"),
    "back_corner_asymmetry_mm": ("wider on the left", "wider on the right"),
    "cap_shift_mm": ("left of the block's middle", "right of the block's middle"),
    "cap_turn_deg": ("turned to the left", "turned to the right"),
    "back_seams_mm": ("wider on the left", "wider on the right"),
    "temple_rim_mm": ("higher on the left", "higher on the right"),
}


@dataclass(frozen=True)
class Group:
    """One maker, closure size or stage (None: all together)."""

    name: str | None
    first_pass: Yield
    faults: tuple[Fault, ...]
    streams: tuple[Stream, ...]


@dataclass(frozen=True)
class Overview:
    """All groups, the one that needs help most surely first, and everything together."""

    by: str
    together: Group
    groups: tuple[Group, ...]
    records: int


def stream_of(store: Store, measure: str, wanted: Filter, group: str = "", last: int = LAST) -> Stream | None:
    """The stream of a judged measure's last first checks, of the maker that is wanted; None where there is none."""
    series = tallies.series(store.database, measure, wanted, last)
    if not series:
        return None
    points = [Point(p.record, local_text(p.at), p.value, p.U95 / COVERAGE_FACTOR, p.low, p.high) for p in series]
    asked = store.request(series[-1].record).get("tolerances") or {}
    aim_mm = asked.get("clearance_aim_mm", DEFAULTS.clearance_aim_mm)
    return look_at(measure, group, points, aim_mm, wanted.maker or "")


def as_kept(store: Store, wanted: Filter) -> Filter:
    """The filter with its maker spelled as the records have the name."""
    named = tallies.groups(store.database, "maker", wanted) if wanted.maker else []
    return replace(wanted, maker=named[0]) if named else wanted


def charted(stage: str | None) -> tuple[str, ...]:
    """The measures that are charted of a stage, or of all together."""
    return CHARTED[stage] if stage else tuple(dict.fromkeys(name for names in CHARTED.values() for name in names))


def group_of(
    store: Store, name: str | None, wanted: Filter, measures: Sequence[str] | None = None, last: int = LAST
) -> Group:
    """One group's yield, faults and streams: those of `measures`, or of what is charted of the wanted stage."""
    count = tallies.first_checks(store.database, wanted)
    out, fixes = tallies.outside(store.database, wanted)
    pairs = [pair for pair, n in out.items() for _ in range(n)]
    measures = charted(wanted.stage) if measures is None else measures
    streams = [stream_of(store, m, wanted, name or "", last) for m in measures]
    return Group(
        name,
        first_pass_yield(count.passed, count.decided, count.undecided),
        faults(pairs, fixes),
        tuple(s for s in streams if s is not None),
    )


def overview(
    store: Store,
    by: str = "maker",
    wanted: Filter = Filter(),  # noqa: B008  (frozen)
    last: int = LAST,
) -> Overview:
    """Quality control by "maker", "closure" or "stage"."""
    wanted = as_kept(store, wanted)
    groups = [
        group_of(store, name, _within(wanted, by, name), last=last)
        for name in tallies.groups(store.database, by, wanted)
    ]
    groups.sort(key=lambda g: (g.first_pass.high, g.first_pass.share or 0.0, g.name or ""))
    return Overview(by, group_of(store, None, wanted, (), last), tuple(groups), store.count(wanted))


def _within(wanted: Filter, by: str, name: str) -> Filter:
    """The filter for one group alone."""
    only: dict[str, Any] = {by: name}
    return replace(wanted, **only)


def fault_words(fault: Fault) -> str:
    """`off centre: left of the centre line`."""
    spec = MEASURE_BY_NAME.get(fault.measure)
    label = spec.label if spec else fault.measure.replace("_", " ")
    below, above = FAULT_SIDES.get(fault.measure, ("too little", "too much"))
    return f"{label}: {above if fault.side > 0 else below}"


def yield_words(found: Yield) -> str:
    """`32 of 45 (71 %), 3 undecided`."""
    more = f", {found.undecided} undecided" if found.undecided else ""
    if found.share is None:
        return f"none decided yet{more}"
    return f"{found.passed} of {found.decided} ({100 * found.share:.0f} %){more}"


def help_sentence(found: Overview) -> str | None:
    """Who needs help with what, where the records are enough to say so: the intervals of yields must not overlap."""
    able = [g for g in found.groups if g.first_pass.decided >= 5]
    if len(able) < 2:
        return None
    worst, best = able[0], max(able, key=lambda g: g.first_pass.low)
    if worst.first_pass.high >= best.first_pass.low:
        return "The first-pass yields do not differ by more than chance allows."
    start = f"{worst.name} passes first time least often, {yield_words(worst.first_pass)}"
    habits = [s for s in worst.streams if s.habit is not None]
    if habits:
        stream = habits[0]
        label = MEASURE_BY_NAME[stream.measure].label
        assert stream.habit is not None
        return f"{start}. {label[0].upper()}{label[1:]}: {habit_sentence(stream.measure, stream.habit, stream.maker)}"
    if worst.faults:
        return f"{start}; most often: {fault_words(worst.faults[0])} ({worst.faults[0].count} of its fixes)."
    return f"{start}."
