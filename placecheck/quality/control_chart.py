"""Individuals and moving-range charts: was a maker's placing steady, and around what?

Placements come one at a time, so the chart is the one for individual values (NIST/SEMATECH e-Handbook 6.3.2.2): sigma
is the mean moving range of neighbours over d2 = 1.128, as tables print it for pairs. The chart looks back at a whole
stream with limits from that stream (Phase I), so what counts is how often a steady stream as a whole is called not
steady, and limits for single points, such as 3 sigma and run rules, cry wolf the more the longer it is. So k of the
limits mean +- k sigma follows from the number n of values, k = z(1 - FALSE_ALARM / 2n) (Bonferroni), and a moving range
may reach sqrt(2) k sigma; in place of run rules stands one test for a shift that sees the whole stream: the sum of the
deviations from the mean up to each value, over sigma sqrt(n), is a Brownian bridge in a steady stream, whose largest
reach has Kolmogorov's distribution. Rates and powers with limits estimated so are simulated in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

D2_OF_PAIRS = 1.128
"""Mean range of two normal values over their standard deviation (ASTM E2587's and any SPC table's d2 for n = 2)."""
FALSE_ALARM = 0.025
"""Aimed at for all limits together, and for the test for a shift: the share of steady streams called not steady."""
BRIDGE = math.sqrt(math.log(2 / FALSE_ALARM) / 2)
"""Kolmogorov's quantile 1.480 of that probability (the first term of his series, exact to six digits here)."""
ENOUGH_FOR_LIMITS = 20
"""Limits from fewer values are marked as provisional (Montgomery: 20 to 25 points before limits can be trusted)."""
LEAST_FOR_LIMITS = 5
"""Below this no limits are drawn at all; the points are."""


@dataclass(frozen=True)
class Shift:
    """From the value `first` on the values lie around `after`, until then around `before`, in the values' unit."""

    first: int
    before: float
    after: float


@dataclass(frozen=True)
class IndividualsChart:
    """Individuals and moving-range chart of `values` (n,), in the values' unit.

    `moving_ranges` (n - 1,). `sigma` and all limits are None below LEAST_FOR_LIMITS values or where nothing varies.
    `beyond`: indices of values outside the limits; `range_signals`: indices i of values whose moving range
    |values[i] - values[i-1]| lies beyond its limit.
    """

    values: FloatArray
    moving_ranges: FloatArray
    mean: float
    mean_moving_range: float
    sigma: float | None
    lower: float | None
    upper: float | None
    range_upper: float | None
    beyond: tuple[int, ...] = ()
    shift: Shift | None = None
    range_signals: tuple[int, ...] = ()

    @property
    def provisional(self) -> bool:
        return len(self.values) < ENOUGH_FOR_LIMITS

    @property
    def signals(self) -> tuple[int, ...]:
        """Indices of the values that are marked among the individuals: those outside, and the first after a shift."""
        return tuple(sorted({*self.beyond, *((self.shift.first,) if self.shift is not None else ())}))

    @property
    def steady(self) -> bool:
        """Limits exist and nothing signals: the process is in statistical control as far as these values tell."""
        return self.sigma is not None and not self.signals and not self.range_signals


def limit_factor(n: int) -> float:
    """How many sigma from the mean the limits of n values lie."""
    return NormalDist().inv_cdf(1 - FALSE_ALARM / (2 * n))


def shift_of(values: FloatArray, sigma: float) -> Shift | None:
    """Where the level of values (n,) changed, if chance does not explain it: once, where that is seen best."""
    n = len(values)
    sums = np.cumsum(values - values.mean())[:-1]
    last = int(np.argmax(np.abs(sums)))
    if abs(sums[last]) <= BRIDGE * sigma * math.sqrt(n):
        return None
    return Shift(last + 1, float(values[: last + 1].mean()), float(values[last + 1 :].mean()))


def individuals_chart(values: Sequence[float] | FloatArray) -> IndividualsChart:
    """The chart of values in the order they happened. Raises ValueError where one is not finite or none is given."""
    x = np.asarray(values, dtype=np.float64).ravel()
    if x.size == 0 or not np.isfinite(x).all():
        raise ValueError("a control chart needs finite values, at least one")
    ranges = np.abs(np.diff(x))
    mean = float(x.mean())
    if x.size < LEAST_FOR_LIMITS or not ranges.any():
        return IndividualsChart(x, ranges, mean, float(ranges.mean()) if ranges.size else 0.0, None, None, None, None)
    mean_range = float(ranges.mean())
    sigma = mean_range / D2_OF_PAIRS
    reach = limit_factor(x.size) * sigma
    return IndividualsChart(
        x,
        ranges,
        mean,
        mean_range,
        sigma,
        mean - reach,
        mean + reach,
        math.sqrt(2) * reach,
        tuple(int(i) for i in np.flatnonzero(np.abs(x - mean) > reach)),
        shift_of(x, sigma),
        tuple(int(i) + 1 for i in np.flatnonzero(ranges > math.sqrt(2) * reach)),
    )
