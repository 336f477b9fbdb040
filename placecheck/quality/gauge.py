"""Gauge against process: how much of the spread is the photo's, and how much the maker's.

Two ways. From records: every check states its own standard uncertainty u, so the spread that is
seen, s, is made of process and gauge, s^2 = s_process^2 + mean u^2. A part of u is shared by all
checks (same card, same tape) and does not show up as spread; taking all of it as gauge
errs on the maker's side, and the sentence built on it says "at most". From a study: parts
measured several times by several operators, analysed by two-way analysis of variance with
random effects (AIAG Measurement Systems Analysis, 4th ed.): repeatability EV, reproducibility
AV, their sum GRR, part variation PV, and the number of distinct categories 1.41 PV / GRR. The interaction is
pooled with repeatability where its F test does not reach the 25 % level, as AIAG pools.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
POOL_ABOVE_P = 0.25
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


@dataclass(frozen=True)
class GaugeStudy:
    """Crossed gauge study: sums of squares, F and p of the interaction, standard deviations and what follows."""

    ss_part: float
    ss_operator: float
    ss_interaction: float
    ss_repeatability: float
    ss_total: float
    f_interaction: float
    p_interaction: float
    pooled: bool
    ev: float
    av: float
    grr: float
    pv: float
    tv: float
    distinct_categories: float

    @property
    def share(self) -> float:
        """GRR over total variation."""
        return self.grr / self.tv

    def share_of_tolerance(self, width: float) -> float:
        """Six GRR over the tolerance's width."""
        return 6 * self.grr / width


def gauge_study(data: FloatArray) -> GaugeStudy:
    """Analyse data (parts, operators, trials), each axis at least 2. Raises ValueError for any other shape."""
    y = np.asarray(data, np.float64)
    if y.ndim != 3 or min(y.shape) < 2 or not np.isfinite(y).all():
        raise ValueError("a gauge study needs at least two parts, two operators and two trials, all measured")
    parts, operators, trials = y.shape
    mean = y.mean()
    by_part, by_operator, cells = y.mean((1, 2)), y.mean((0, 2)), y.mean(2)
    ss_part = operators * trials * float(((by_part - mean) ** 2).sum())
    ss_operator = parts * trials * float(((by_operator - mean) ** 2).sum())
    ss_cells = trials * float(((cells - mean) ** 2).sum())
    ss_interaction = max(0.0, ss_cells - ss_part - ss_operator)
    ss_repeat = float(((y - cells[:, :, None]) ** 2).sum())
    df_inter, df_repeat = (parts - 1) * (operators - 1), parts * operators * (trials - 1)
    ms_inter, ms_repeat = ss_interaction / df_inter, ss_repeat / df_repeat
    f = ms_inter / ms_repeat if ms_repeat > 0 else math.inf
    p = _f_tail(f, df_inter, df_repeat)
    pooled = p > POOL_ABOVE_P
    if pooled:
        ms_error = (ss_interaction + ss_repeat) / (df_inter + df_repeat)
        ms_below = ms_error
        var_inter = 0.0
    else:
        ms_error, ms_below = ms_repeat, ms_inter
        var_inter = max(0.0, (ms_inter - ms_repeat) / trials)
    var_operator = max(0.0, (ss_operator / (operators - 1) - ms_below) / (parts * trials))
    var_part = max(0.0, (ss_part / (parts - 1) - ms_below) / (operators * trials))
    av2 = var_operator + var_inter
    grr2 = ms_error + av2
    grr, pv = math.sqrt(grr2), math.sqrt(var_part)
    return GaugeStudy(
        ss_part,
        ss_operator,
        ss_interaction,
        ss_repeat,
        float(((y - mean) ** 2).sum()),
        f,
        p,
        pooled,
        math.sqrt(ms_error),
        math.sqrt(av2),
        grr,
        pv,
        math.sqrt(grr2 + var_part),
        1.41 * pv / grr if grr > 0 else math.inf,
    )


def _f_tail(f: float, df1: int, df2: int) -> float:
    from scipy.special import fdtrc

    return float(fdtrc(df1, df2, f)) if math.isfinite(f) else 0.0
