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
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from placecheck.propagation import effective_degrees_of_freedom
from placecheck.study.distributions import chi2_quantile, f_tail

FloatArray = npt.NDArray[np.float64]

POOL_ABOVE = 0.25
ROUNDING = 1e-13
"""A mean of some hundred figures is off by less than this part of the largest (a double holds 16 digits)."""
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
    block, maker, cross, repeat = _sums_of_squares(x)
    cross = _tested(cross, repeat)
    assert cross.p is not None
    pooled = cross.p > pool_above
    error = Row("error", repeat.ss + cross.ss, repeat.df + cross.df) if pooled else repeat
    beside = error if pooled else cross  # the row that makers and blocks are tested with
    var_cross = 0.0 if pooled else max(0.0, (cross.ms - error.ms) / r)
    var_maker = max(0.0, (maker.ms - beside.ms) / (p * r))
    var_block = max(0.0, (block.ms - beside.ms) / (o * r))
    total = Row("total", block.ss + maker.ss + cross.ss + repeat.ss, p * o * r - 1)
    # GRR^2 as a sum of mean squares with their degrees of freedom
    one, many = 1 / (p * r), 1 / r
    parts = [(one * maker.ms, maker.df)]
    if pooled:
        parts.append(((1 - one) * error.ms, error.df))
    else:
        parts += [((many - one) * cross.ms, cross.df), ((1 - many) * error.ms, error.df)]
    grr = math.sqrt(error.ms + var_maker + var_cross)
    return GaugeStudy(
        measure=measure,
        unit=unit,
        makers=makers or tuple(f"maker {i + 1}" for i in range(o)),
        blocks=blocks or tuple(f"block {i + 1}" for i in range(p)),
        repeats=r,
        values=x,
        table=(_tested(block, beside), _tested(maker, beside), cross, repeat, total),
        p_interaction=cross.p,
        pool_above=pool_above,
        pooled=pooled,
        ev=math.sqrt(error.ms),
        av=math.sqrt(var_maker),
        interaction=math.sqrt(var_cross),
        pv=math.sqrt(var_block),
        grr_df=effective_degrees_of_freedom([math.sqrt(v) for v, _ in parts], [df for _, df in parts]),
        grr_upper=max(grr, _upper_limit(parts)),
        tolerance=tolerance,
    )


def _sums_of_squares(x: FloatArray) -> tuple[Row, Row, Row, Row]:
    """The rows block, maker, maker x block and repeats of values (blocks, makers, repeats), not tested yet.

    What is no more than the rounding of means is nothing: readings that are all the same figure do not vary.
    """
    p, o, r = x.shape
    mean = x.mean()
    by_block, by_maker, by_cell = x.mean((1, 2)), x.mean((0, 2)), x.mean(2)
    rounding = (ROUNDING * float(np.abs(x).max())) ** 2

    def squares(deviations: FloatArray) -> float:
        return float(np.where(deviations**2 > rounding, deviations**2, 0.0).sum())

    return (
        Row("block", o * r * squares(by_block - mean), p - 1),
        Row("maker", p * r * squares(by_maker - mean), o - 1),
        Row("maker x block", r * squares(by_cell - by_block[:, None] - by_maker + mean), (p - 1) * (o - 1)),
        Row("repeats", squares(x - by_cell[..., None]), p * o * (r - 1)),
    )


def _tested(row: Row, beside: Row) -> Row:
    """The row with its F against another one, and F's probability by chance."""
    f = _ratio(row.ms, beside.ms)
    return replace(row, f=f, p=f_tail(f, row.df, beside.df))


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
