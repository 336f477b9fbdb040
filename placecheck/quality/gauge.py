"""Gauge beside process: how much of the spread seen is the photo's, and how much the maker's.

Every check states its own standard uncertainty u, so the spread that is seen, s, is made
of process and gauge: s^2 = s_process^2 + mean u^2. A part of u is shared by all checks of
a shop (same card, same tape) and does not show up as spread; taking all of it as gauge errs
on the maker's side, and the sentence built on it says "at most". The bounds are those AIAG's
Measurement Systems Analysis sets for gauge over total variation. A study proper, the same
placements photographed again and again, is placecheck.study's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
GOOD_SHARE, POOR_SHARE = 0.10, 0.30
"""AIAG's bounds for GRR over total variation: below 10 % good, 10 to 30 % may do, beyond it will not."""


@dataclass(frozen=True)
class GaugeShare:
    """Spread seen, the gauge's part and the process's, as standard deviations; `share` = gauge over seen."""

    seen: float
    gauge: float
    process: float
    share: float


def gauge_share(values: Sequence[float] | FloatArray, u: Sequence[float] | FloatArray) -> GaugeShare:
    """Split the sample standard deviation of values (n,) by their standard uncertainties u (n,). n >= 2."""
    x, each = np.asarray(values, np.float64).ravel(), np.asarray(u, np.float64).ravel()
    if x.size < 2 or x.size != each.size:
        raise ValueError("a gauge's share needs at least two values and an uncertainty for each")
    seen, gauge = float(x.std(ddof=1)), math.sqrt(float((each**2).mean()))
    process = math.sqrt(max(0.0, seen**2 - gauge**2))
    return GaugeShare(seen, gauge, process, min(1.0, gauge / seen) if seen > 0 else 1.0)
