"""Run rules: patterns in a control chart that chance alone seldom draws.

The four zone rules of the Western Electric handbook as NIST/SEMATECH 6.3.2 lists them (one
point beyond 3 sigma; two of three beyond 2 sigma on one side; four of five beyond 1 sigma
on one side; eight in a row on one side of the mean) and, of Nelson's tests (1984), six in a
row steadily rising or falling, which is what a loosening habit looks like. Each has a price in
false alarms: the four zone rules together give one every 91.75 points on a steady process
(Champ and Woodall 1987, quoted by the handbook), the first alone one every 370. Input are
standardized values z = (x - mean) / sigma; a signal is at the point that completes the
pattern and names all points the pattern is made of.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
Found = Iterator[tuple[int, tuple[int, ...]]]


@dataclass(frozen=True)
class Rule:
    """A run rule: its name, and the sentence part that says what was seen."""

    name: str
    words: str
    find: Callable[[FloatArray], Found]


@dataclass(frozen=True)
class Signal:
    """One finding of one rule: the index that completes the pattern, all its indices, and its side (+1, -1)."""

    rule: str
    point: int
    window: tuple[int, ...]
    side: int


def _beyond(limit: float, least: int, among: int) -> Callable[[FloatArray], Found]:
    """At least `least` of `among` points in a row beyond `limit` sigma on one side, the last of them among these."""

    def find(z: FloatArray) -> Found:
        for sign in (1.0, -1.0):
            out = sign * z > limit
            for last in map(int, np.flatnonzero(out)):
                window = np.arange(max(0, last - among + 1), last + 1)
                hit = window[out[window]]
                if len(hit) >= least:
                    yield last, tuple(int(i) for i in hit)

    return find


def _one_side(length: int) -> Callable[[FloatArray], Found]:
    """`length` points in a row on one side of the mean."""

    def find(z: FloatArray) -> Found:
        for sign in (1.0, -1.0):
            run = 0
            for i, side in enumerate(sign * z > 0):
                run = run + 1 if side else 0
                if run >= length:
                    yield i, tuple(range(i - length + 1, i + 1))

    return find


def _trend(length: int) -> Callable[[FloatArray], Found]:
    """`length` points in a row, each above (or each below) the one before it."""

    def find(z: FloatArray) -> Found:
        for sign in (1.0, -1.0):
            run = 1
            for i in range(1, len(z)):
                run = run + 1 if sign * (z[i] - z[i - 1]) > 0 else 1
                if run >= length:
                    yield i, tuple(range(i - length + 1, i + 1))

    return find


RULES: Mapping[str, Rule] = {
    rule.name: rule
    for rule in (
        Rule("beyond-3-sigma", "one placement far outside the usual spread", _beyond(3.0, 1, 1)),
        Rule("2-of-3-beyond-2-sigma", "two of three placements well off to the same side", _beyond(2.0, 2, 3)),
        Rule("4-of-5-beyond-1-sigma", "four of five placements off to the same side", _beyond(1.0, 4, 5)),
        Rule("8-on-one-side", "eight placements in a row on the same side of the average", _one_side(8)),
        Rule("6-in-a-trend", "six placements in a row, each further the same way", _trend(6)),
    )
}
ZONE_RULES = tuple(RULES)[:4]
"""The four Western Electric rules."""


def signals_of(z: FloatArray, rules: Sequence[str] = tuple(RULES)) -> tuple[Signal, ...]:
    """All signals in standardized values (n,), in the order of the points. Raises KeyError for an unknown rule."""
    found = []
    for name in rules:
        for point, window in RULES[name].find(z):
            rising = z[window[-1]] - z[window[0]] if name == "6-in-a-trend" else z[point]
            found.append(Signal(name, point, window, 1 if rising > 0 else -1))
    return tuple(sorted(found, key=lambda s: (s.point, list(RULES).index(s.rule))))
