"""Gauge repeatability and reproducibility by two-way analysis of variance with repeats.

Every maker measures every block equally often (crossed, balanced). The sums of squares split
into block, maker, maker x block and repeats; variance components follow from the expected
mean squares of the random model (AIAG, Measurement Systems Analysis, 4th ed., appendix A).
Where makers do not treat blocks differently (p of the interaction above 0.25, settable) that
row is pooled with the repeats. EV = repeatability, AV = between makers, INT = maker x block,
GRR^2 = EV^2 + AV^2 + INT^2; PV = between blocks; 6 GRR is set against the tolerance's width
and GRR against the total variation; ndc = 1.41 PV / GRR, cut to a whole number. A study is
small: the 95 % upper limit of GRR (Graybill and Wang 1980) says what it can exclude.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.propagation import effective_degrees_of_freedom
from placecheck.study.distributions import chi2_quantile, f_tail

FloatArray = npt.NDArray[np.float64]

POOL_ABOVE = 0.25
SPREAD = 6.0
"""Width of a distribution in standard deviations, AIAG 4th ed. (the 3rd took 5.15)."""


@dataclass(frozen=True)
class Row:
    """One row of the table: sum of squares, degrees of freedom, F and p against the row it is tested with, or None."""

    source: str
    ss: float
    df: int
    f: float | None = None
    p: float | None = None

    @property
    def ms(self) -> float:
        return self.ss / self.df


@dataclass(frozen=True)
class GaugeStudy:
    """Result for one measure, in its unit; standard deviations EV, AV, INT, GRR, PV, TV.

    `table` is the full table, with the interaction also where it was pooled. `p_interaction` decided on `pooled` at
    `pool_above`. `grr_upper` is the one-sided 95 % upper limit of GRR for makers like these, `grr_df` its effective
    degrees of freedom (Welch and Satterthwaite). `tolerance` is (low, high) or None.
    """

    measure: str
    unit: str
    makers: tuple[str, ...]
    blocks: tuple[str, ...]
    repeats: int
    values: FloatArray
    table: tuple[Row, ...]
    p_interaction: float
    pool_above: float
    pooled: bool
    ev: float
    av: float
    interaction: float
    pv: float
    grr_df: float
    grr_upper: float
    tolerance: tuple[float, float] | None = None

    @property
    def grr(self) -> float:
        return math.sqrt(self.ev**2 + self.av**2 + self.interaction**2)

    @property
    def tv(self) -> float:
        return math.sqrt(self.grr**2 + self.pv**2)

    @property
    def ndc_exact(self) -> float:
        """1.41 PV / GRR before it is cut; infinite where nothing varied but the blocks."""
        return 1.41 * self.pv / self.grr if self.grr > 0 else math.inf

    @property
    def ndc(self) -> int | None:
        """Number of distinct categories, None where it has no bound."""
        return int(self.ndc_exact) if math.isfinite(self.ndc_exact) else None

    def percent_of_tv(self, sd: float) -> float:
        """A standard deviation in % of the total variation."""
        return 100.0 * sd / self.tv if self.tv > 0 else 0.0

    def percent_of_tolerance(self, sd: float) -> float | None:
        """Six times a standard deviation in % of the tolerance's width; None without a tolerance."""
        if self.tolerance is None:
            return None
        return 100.0 * SPREAD * sd / (self.tolerance[1] - self.tolerance[0])


def analyse(
    values: FloatArray,
    measure: str = "value",
    unit: str = "",
    makers: tuple[str, ...] | None = None,
    blocks: tuple[str, ...] | None = None,
    tolerance: tuple[float, float] | None = None,
    pool_above: float = POOL_ABOVE,
) -> GaugeStudy:
    """The study of `values` (blocks, makers, repeats), at least two of each; raises ValueError for anything else."""
    x = np.asarray(values, np.float64)
    if x.ndim != 3 or min(x.shape) < 2 or not np.isfinite(x).all():
        raise ValueError("a study needs finite values of at least 2 blocks, 2 makers and 2 repeats")
    p, o, r = x.shape
    mean = x.mean()
    by_block, by_maker, by_cell = x.mean((1, 2)), x.mean((0, 2)), x.mean(2)
    ss_block = float(o * r * ((by_block - mean) ** 2).sum())
    ss_maker = float(p * r * ((by_maker - mean) ** 2).sum())
    ss_cross = float(r * ((by_cell - by_block[:, None] - by_maker + mean) ** 2).sum())
    ss_repeat = float(((x - by_cell[..., None]) ** 2).sum())
    df_block, df_maker, df_cross, df_repeat = p - 1, o - 1, (p - 1) * (o - 1), p * o * (r - 1)
    f_cross = _ratio(ss_cross / df_cross, ss_repeat / df_repeat)
    p_cross = f_tail(f_cross, df_cross, df_repeat)
    pooled = p_cross > pool_above
    ms_maker, ms_block, ms_cross = ss_maker / df_maker, ss_block / df_block, ss_cross / df_cross
    if pooled:
        df_error, ms_error = df_repeat + df_cross, (ss_repeat + ss_cross) / (df_repeat + df_cross)
        ms_test, df_test, var_cross = ms_error, df_error, 0.0
    else:
        df_error, ms_error = df_repeat, ss_repeat / df_repeat
        ms_test, df_test, var_cross = ms_cross, df_cross, max(0.0, (ms_cross - ms_error) / r)
    var_maker = max(0.0, (ms_maker - ms_test) / (p * r))
    var_block = max(0.0, (ms_block - ms_test) / (o * r))
    table = (
        Row("block", ss_block, df_block, *_test(ms_block, df_block, ms_test, df_test)),
        Row("maker", ss_maker, df_maker, *_test(ms_maker, df_maker, ms_test, df_test)),
        Row("maker x block", ss_cross, df_cross, f_cross, p_cross),
        Row("repeats", ss_repeat, df_repeat),
        Row("total", ss_block + ss_maker + ss_cross + ss_repeat, p * o * r - 1),
    )
    # GRR^2 as a sum of mean squares with their degrees of freedom
    one, many = 1 / (p * r), 1 / r
    parts = [(one * ms_maker, df_maker)]
    if pooled:
        parts.append(((1 - one) * ms_error, df_error))
    else:
        parts += [((many - one) * ms_cross, df_cross), ((1 - many) * ms_error, df_error)]
    grr = math.sqrt(ms_error + var_maker + var_cross)
    grr_df = effective_degrees_of_freedom([math.sqrt(v) for v, _ in parts], [df for _, df in parts])
    upper = max(grr, _upper_limit(parts))
    return GaugeStudy(
        measure,
        unit,
        makers or tuple(f"maker {i + 1}" for i in range(o)),
        blocks or tuple(f"block {i + 1}" for i in range(p)),
        r,
        x,
        table,
        p_cross,
        pool_above,
        pooled,
        math.sqrt(ms_error),
        math.sqrt(var_maker),
        math.sqrt(var_cross),
        math.sqrt(var_block),
        grr_df,
        upper,
        tolerance,
    )


def _upper_limit(parts: Sequence[tuple[float, int]], risk: float = 0.05) -> float:
    """One-sided upper limit of the root of a sum of (variance, degrees of freedom), by Graybill and Wang (1980)."""
    total = sum(v for v, _ in parts)
    reach = sum(((df / chi2_quantile(risk, df) - 1) * v) ** 2 for v, df in parts)
    return math.sqrt(total + math.sqrt(reach))


def _ratio(top: float, bottom: float) -> float:
    """top / bottom, where both may be nothing: 0 / 0 is 0, anything else over 0 infinite."""
    if bottom > 0:
        return top / bottom
    return math.inf if top > 0 else 0.0


def _test(ms: float, df: int, ms_test: float, df_test: int) -> tuple[float, float]:
    f = _ratio(ms, ms_test)
    return f, f_tail(f, df, df_test)
