"""Individuals and moving-range charts: is a maker's placing steady, and around what?

Placements come one at a time, so the chart is the one for individual values (NIST/SEMATECH
e-Handbook 6.3.2.2): sigma is the mean moving range of neighbours over d2 = 1.128, the
limits lie three sigma from the mean, the moving range's own upper limit is D4 = 3.267
times its mean. Both constants are those tables print for pairs; the exact ones,
2/sqrt(pi) and 1 + 3 sqrt(pi/2 - 1), change limits by less than 0.04 % of their width. One wild value
widens the limits that should catch it through its two moving ranges, so ranges beyond 3.5
times their mean are left out of sigma once (Nelson 1982), where asked. Limits from fewer
than 20 values are marked as provisional (Montgomery: 20 to 25 points before limits can be
trusted). Points that break a run rule are marked, with the rule (run_rules.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.quality.run_rules import RULES, Signal, signals_of

FloatArray = npt.NDArray[np.float64]

D2_OF_PAIRS = 1.128
"""Mean range of two normal values over their standard deviation (ASTM E2587's and any SPC table's d2 for n = 2)."""
D4_OF_PAIRS = 3.267
"""Upper limit of the range of two values over its mean (the same tables)."""
WILD_RANGE = 3.5
"""Moving ranges beyond this many times their mean are left out of sigma (Nelson 1982)."""
ENOUGH_FOR_LIMITS = 20
LEAST_FOR_LIMITS = 5
"""Below this no limits are drawn at all; the points are."""


@dataclass(frozen=True)
class IndividualsChart:
    """Individuals and moving-range chart of `values` (n,), in the values' unit.

    `moving_ranges` (n - 1,). `sigma` and all limits are None below LEAST_FOR_LIMITS values or where nothing varies.
    `signals`: points of the individuals chart that break a run rule; `range_signals`: indices i of values whose
    moving range |values[i] - values[i-1]| lies beyond its limit.
    """

    values: FloatArray
    moving_ranges: FloatArray
    mean: float
    mean_moving_range: float
    sigma: float | None
    lower: float | None
    upper: float | None
    range_upper: float | None
    signals: tuple[Signal, ...]
    range_signals: tuple[int, ...]
    left_out: tuple[int, ...] = ()

    @property
    def provisional(self) -> bool:
        return len(self.values) < ENOUGH_FOR_LIMITS

    @property
    def steady(self) -> bool:
        """Limits exist and nothing signals: the process is in statistical control as far as these values tell."""
        return self.sigma is not None and not self.signals and not self.range_signals


def individuals_chart(
    values: Sequence[float] | FloatArray, rules: Sequence[str] = tuple(RULES), screen_wild_ranges: bool = False
) -> IndividualsChart:
    """The chart of values in the order they happened. Raises ValueError where a value is not finite or none is given.

    `rules`: names of RULES that are applied. `screen_wild_ranges` leaves moving ranges beyond WILD_RANGE times their
    mean out of sigma (and of the range chart's centre line), once; `left_out` names their values.
    """
    x = np.asarray(values, dtype=np.float64).ravel()
    if x.size == 0 or not np.isfinite(x).all():
        raise ValueError("a control chart needs finite values, at least one")
    ranges = np.abs(np.diff(x))
    mean = float(x.mean())
    if x.size < LEAST_FOR_LIMITS or not ranges.any():
        mean_range = float(ranges.mean()) if ranges.size else 0.0
        return IndividualsChart(x, ranges, mean, mean_range, None, None, None, None, (), ())
    used = np.ones(ranges.size, bool)
    if screen_wild_ranges:
        used = ranges <= WILD_RANGE * ranges.mean()
        if not ranges[used].any():
            used[:] = True
    mean_range = float(ranges[used].mean())
    sigma = mean_range / D2_OF_PAIRS
    range_upper = D4_OF_PAIRS * mean_range
    return IndividualsChart(
        x,
        ranges,
        mean,
        mean_range,
        sigma,
        mean - 3 * sigma,
        mean + 3 * sigma,
        range_upper,
        signals_of((x - mean) / sigma, rules),
        tuple(int(i) + 1 for i in np.flatnonzero(ranges > range_upper)),
        tuple(int(i) + 1 for i in np.flatnonzero(~used)),
    )
