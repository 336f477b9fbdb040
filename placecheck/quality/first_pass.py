"""First-pass yield: how many placements are right before anyone has moved a pin, and which faults cost the others.

The unit is one order at one stage; what counts is its first check that measured anything, so a
blurred photo that had to be retaken is no failure of the maker's. Yield is passed over decided;
first checks too near a limit to be decided are counted beside it, not guessed into it. It comes
with Wilson's score interval, which NIST/SEMATECH e-Handbook 7.2.4.1 recommends for
proportions: it stays inside 0 to 1 and is honest for a handful of orders. Faults are counted over
the checks whose verdict was fix: a measure that lies outside, with the side it lies on, because
left and right want opposite advice. One check may count under several faults.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist


@dataclass(frozen=True)
class Yield:
    """`passed` of `decided` first checks passed; `low`, `high` is the 95 % interval of the share.

    `undecided` more were too near a limit to say.
    """

    passed: int
    decided: int
    low: float
    high: float
    undecided: int = 0

    @property
    def share(self) -> float | None:
        return self.passed / self.decided if self.decided else None


@dataclass(frozen=True)
class Fault:
    """A measure outside its tolerance on one side (-1 below, +1 above), how often, and in what share of fixes."""

    measure: str
    side: int
    count: int
    share: float


def wilson_interval(successes: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Wilson's score interval of a proportion; (0, 1) where n is 0."""
    if n == 0:
        return 0.0, 1.0
    z = NormalDist().inv_cdf(0.5 + level / 2)
    p = successes / n
    middle = (p + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(p * (1 - p) / n + z * z / (4 * n * n))
    return max(0.0, middle - half), min(1.0, middle + half)


def first_pass_yield(passed: int, decided: int, undecided: int = 0) -> Yield:
    """Raises ValueError unless 0 <= passed <= decided."""
    if not 0 <= passed <= decided:
        raise ValueError("passed must lie between 0 and decided")
    return Yield(passed, decided, *wilson_interval(passed, decided), undecided)


def faults(outside: Iterable[tuple[str, int]], fixes: int) -> tuple[Fault, ...]:
    """Faults in descending count from (measure, side) pairs, one per measure found outside in `fixes` checks."""
    counted = Counter(outside)
    found = [Fault(name, side, n, n / fixes if fixes else 0.0) for (name, side), n in counted.items()]
    return tuple(sorted(found, key=lambda f: (-f.count, f.measure, f.side)))
