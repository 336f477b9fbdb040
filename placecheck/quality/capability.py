"""Capability: does the usual spread of a maker's placements fit inside the tolerance?

Cp = (high - low) / 6 s and Cpk = the nearer limit's distance from the mean over 3 s, with
the sample standard deviation s, as NIST/SEMATECH e-Handbook 6.1.6 and the SAS capability
procedure define them. The interval of Cp is exact for normal values (chi-square of n - 1
degrees, Chou, Owen and Borrego 1990), that of Cpk is Bissell's approximation (1990),
Cpk +- z sqrt(1/(9n) + Cpk^2/(2(n-1))), and so are those of the one-sided indices. An index
from ten values is nearly worthless, which its interval shows, so none is given below
ENOUGH values; and an index foretells only where the chart is steady, which the caller sees to.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from placecheck.study.distributions import chi2_quantile

ENOUGH = 50
"""Fewest values for a capability index (common advice of handbooks, the e-Handbook's among them, from memory)."""

Interval = tuple[float, float]


@dataclass(frozen=True)
class Capability:
    """Capability of n values with mean and sample standard deviation `s` against [low, high], and its intervals.

    `k` is the mean's distance from the middle of the tolerance over half its width (0 centred, 1 on a limit).
    """

    n: int
    mean: float
    s: float
    low: float
    high: float
    cp: float
    cpk: float
    cpl: float
    cpu: float
    k: float
    level: float
    cp_interval: Interval
    cpk_interval: Interval


def capability_from(n: int, mean: float, s: float, low: float, high: float, level: float = 0.95) -> Capability:
    """Capability from summary figures. Raises ValueError for n < 2, s <= 0, low >= high or a level not in (0, 1)."""
    if n < 2 or not s > 0 or not low < high or not 0 < level < 1:
        raise ValueError("capability needs n >= 2, s > 0, low < high and 0 < level < 1")
    cp = (high - low) / (6 * s)
    cpl, cpu = (mean - low) / (3 * s), (high - mean) / (3 * s)
    cpk = min(cpl, cpu)
    tail = (1 - level) / 2
    cp_interval = tuple(cp * math.sqrt(chi2_quantile(p, n - 1) / (n - 1)) for p in (tail, 1 - tail))
    half = NormalDist().inv_cdf(1 - tail) * math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
    k = abs(mean - (high + low) / 2) / ((high - low) / 2)
    return Capability(
        n,
        mean,
        s,
        low,
        high,
        cp,
        cpk,
        cpl,
        cpu,
        k,
        level,
        (cp_interval[0], cp_interval[1]),
        (cpk - half, cpk + half),
    )


def capability(
    values: Sequence[float] | npt.NDArray[np.float64], low: float, high: float, level: float = 0.95
) -> Capability:
    """Capability of values (n,) in the unit of the limits. Raises ValueError as capability_from does."""
    x = np.asarray(values, dtype=np.float64).ravel()
    if x.size < 2:
        raise ValueError("capability needs at least two values")
    return capability_from(int(x.size), float(x.mean()), float(x.std(ddof=1)), low, high, level)


def enough(values: Sequence[float] | npt.NDArray[np.float64]) -> bool:
    """Whether there are values enough for an index, and they vary."""
    x = np.asarray(values, dtype=np.float64).ravel()
    return x.size >= ENOUGH and bool(np.ptp(x) > 0)
