"""A block that was measured beforehand: the unknowns of its dome with their joint covariance.

What `placecheck block` finds out is kept as a normal distribution over the shape unknowns of
block.py, and over the height of the widest level where the block always stands the same. A
check takes it in place of the usual spread of blocks: the prior's precision matrix gets the
inverse of this covariance as a block of its own, so that what the measuring left correlated
stays correlated. A check sees the block with a cap pulled over it, so cloth of CAP_MM is laid
on: it adds to every half axis, and its own uncertainty to all of them together. How far a fit
has pulled the dome away is a chi square, whose size tells that another block stands there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

CAP_MM, CAP_U_MM = 0.8, 0.3
"""Cap mesh and its seams over the bare block (thickness of the materials: common practice, no published source)."""


@dataclass(frozen=True)
class KnownLine:
    """The line along a block's middle: how far its upright plane is turned (deg) and shifted (mm) in the block's frame.

    `covariance` (2, 2) is theirs.
    """

    yaw_deg: float
    shift_mm: float
    covariance: tuple[tuple[float, float], tuple[float, float]]

    def __post_init__(self) -> None:
        c = np.array(self.covariance, float)
        if c.shape != (2, 2) or not np.isfinite([self.yaw_deg, self.shift_mm, *c.ravel()]).all():
            raise ValueError("a known line needs two numbers and their covariance")
        if not np.allclose(c, c.T) or np.linalg.eigvalsh(c).min() <= 0:
            raise ValueError("the line's covariance must be symmetric and positive definite")


@dataclass(frozen=True)
class KnownDome:
    """Mean (k,) and covariance (k, k) of the unknowns `names` of block.py, for the block called `label`.

    `line` is the line printed or drawn along its middle, where that was seen on the bare block.
    """

    label: str
    names: tuple[str, ...]
    mean: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    line: KnownLine | None = None

    def __post_init__(self) -> None:
        k, mean, covariance = len(self.names), np.array(self.mean, float), np.array(self.covariance, float)
        if mean.shape != (k,) or covariance.shape != (k, k) or not np.isfinite(mean).all():
            raise ValueError("a known dome needs a mean and a covariance for each of its unknowns")
        if not (np.isfinite(covariance).all() and np.allclose(covariance, covariance.T)):
            raise ValueError("the covariance must be finite and symmetric")
        u = np.sqrt(np.maximum(np.diag(covariance), 0.0))
        if u.min() <= 0 or np.linalg.eigvalsh(covariance / np.outer(u, u)).min() < 1e-9:
            raise ValueError("the covariance must be positive definite")

    def value(self, name: str) -> float:
        return self.mean[self.names.index(name)]

    def u(self, name: str) -> float:
        """Standard uncertainty of one unknown."""
        i = self.names.index(name)
        return float(np.sqrt(self.covariance[i][i]))

    def without(self, name: str) -> KnownDome:
        """The same with nothing said of `name`."""
        keep = [i for i, n in enumerate(self.names) if n != name]
        covariance = np.array(self.covariance)[np.ix_(keep, keep)]
        return replace(
            self,
            names=tuple(self.names[i] for i in keep),
            mean=tuple(self.mean[i] for i in keep),
            covariance=tuple(tuple(float(c) for c in row) for row in covariance),
        )

    def with_scale_u(self, u_rel: float) -> KnownDome:
        """The same when all lengths share one more relative standard uncertainty, such as the card's print."""
        slope = np.zeros(len(self.mean))
        for name in ("dome height", "dome depth", "block height"):
            if name in self.names:
                slope[self.names.index(name)] = self.value(name)
        slope[self.names.index("log round")] = 1.0
        return self._with(np.array(self.mean), np.array(self.covariance) + u_rel**2 * np.outer(slope, slope))

    def wider(self, factor: float) -> KnownDome:
        """The same with all standard uncertainties `factor` times as large."""
        return self._with(np.array(self.mean), factor**2 * np.array(self.covariance))

    def given(self, slope: FloatArray, excess: float, u: float) -> KnownDome:
        """The same once a quantity with that `slope` (k,) is measured `excess` above what the mean says, within u."""
        covariance = np.array(self.covariance)
        gain = covariance @ slope / float(slope @ covariance @ slope + u * u)
        return self._with(np.array(self.mean) + gain * excess, covariance - np.outer(gain, slope @ covariance))

    def _with(self, mean: FloatArray, covariance: FloatArray) -> KnownDome:
        rows = tuple(tuple(float(c) for c in row) for row in (covariance + covariance.T) / 2)
        return replace(self, mean=tuple(float(m) for m in mean), covariance=rows)

    def under_cap(self) -> KnownDome:
        """The dome with a cap on it, CAP_MM thicker all round."""
        mean, covariance = np.array(self.mean), np.array(self.covariance)
        radius = float(np.exp(self.value("log round"))) / (2 * np.pi)
        # an ellipse's half axes grow alike; its length to breadth falls a little
        ratio = float(np.exp(self.value("log ratio")))
        breadth = 2 * radius / (1 + ratio)
        slope = np.zeros(len(mean))
        slope[self.names.index("log round")] = 1.0 / radius
        slope[self.names.index("log ratio")] = (1 / ratio - 1) / breadth
        slope[self.names.index("dome height")] = 1.0
        covariance = covariance + CAP_U_MM**2 * np.outer(slope, slope)
        return self._with(mean + CAP_MM * slope, covariance)


def pull_of(known: KnownDome, values: FloatArray) -> float:
    """Chi square of `values` (k,), in the order of `known.names`, under the known dome."""
    away = values - np.array(known.mean)
    return float(away @ np.linalg.solve(np.array(known.covariance), away))
