"""The cap's front rim under the lace and hair: a symmetric curve, and how well it is known.

Where the closure lies the rim is hidden; to either side the elastic is in view. A dome cap's rim,
seen in the cap's own frame, is symmetric: its elevation over the widest level is a smooth even
function of the azimuth from the cap's front, highest in front and lower over the temples: a small
family (height in front, drop to the side, two numbers for how the drop sets in, and the cap's turn;
priors are common practice, no published source). Every curve of the family is scored by the
network's probability along it, with a share for columns in which the network looks at something
else, neighbouring columns counting as one per CROWD_DEG and those under hair less. The posterior's
mean and covariance come from importance sampling in rounds that home in (population Monte Carlo,
Cappé et al. 2004), so that two candidates in one place widen the answer rather than being averaged
point by point. Draws are fixed: the same picture, the same answer.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

KNOTS_DEG = np.array([0.0, 28.0, 55.0, 90.0])
# elevation in front (deg), drop to the side (deg), share of the drop at 28 and at 55 degrees of azimuth, and the
# cap's turn (deg) against the frame the azimuths are taken in
MEAN = np.array([30.0, 23.0, 0.05, 0.46, 0.0])
SD = np.array([12.0, 10.0, 0.06, 0.13, 3.0])
AZIMUTHS_DEG = np.arange(-88.0, 88.1, 4.0)
ELEVATIONS_DEG = np.arange(-2.0, 54.1, 0.5)
CROWD_DEG = 11.0  # columns closer than this share their errors; at 8 the path-traced scenes asked for more doubt
OUTLIER = 0.1  # share of the columns in which the network looks at something else
TAIL = 2.5  # how much wider the widened draws are
DRAWS = (3000, 900, 900, 900)
PATIENCE = (0.3, 0.6, 1.0, 1.0)  # how fully each round believes its weights


@dataclass(frozen=True)
class RimField:
    """The network's log-probability of the rim, (A, E) at AZIMUTHS_DEG and ELEVATIONS_DEG, over that of an outlier.

    `share` (A, E) is how much a column there counts: 1 where the dome faces the lens, less where it is seen obliquely
    or lies under hair, 0 where it is turned away. `bare` (A, E) tells where no hair lies on it.
    """

    log_ratio: FloatArray
    share: FloatArray
    bare: npt.NDArray[np.bool_]


@dataclass(frozen=True)
class Rim:
    """The fitted rim: parameters (5,) as in MEAN, and their covariance (5, 5)."""

    parameters: FloatArray
    covariance: FloatArray

    def elevation_deg(self, azimuth_deg: FloatArray) -> FloatArray:
        """Elevation (N,) over the widest level at signed azimuths from the cap's front."""
        return rim_elevation(self.parameters, azimuth_deg)

    def u_deg(self, azimuth_deg: FloatArray) -> FloatArray:
        """Standard uncertainty (N,) of that elevation."""
        steps = np.diag([0.1, 0.1, 1e-3, 1e-3, 0.1])
        at = rim_elevation(np.concatenate([self.parameters[None], self.parameters + steps]), azimuth_deg)
        jac = (at[1:] - at[0]) / np.diag(steps)[:, None]
        out: FloatArray = np.sqrt(np.einsum("ia,ij,ja->a", jac, self.covariance, jac))
        return out


def rim_elevation(p: FloatArray, azimuth_deg: FloatArray) -> FloatArray:
    """Elevation (..., N) deg of the family's curves `p` (..., 5).

    Each is a cubic Hermite curve through KNOTS_DEG, even about the azimuth p[4], level in front, straight beyond the
    last knot.
    """
    k = KNOTS_DEG
    front, drop, s1, s2, turn = (p[..., i, None] for i in range(5))
    a = np.minimum(np.abs(azimuth_deg - turn), 110.0)
    m1, m2, m3 = s2 / (k[2] - k[0]), (1.0 - s1) / (k[3] - k[1]), (1.0 - s2) / (k[3] - k[2])

    def piece(
        i: int, y0: FloatArray | float, y1: FloatArray | float, m0: FloatArray | float, m: FloatArray
    ) -> FloatArray:
        h = k[i + 1] - k[i]
        t = np.clip((a - k[i]) / h, 0.0, 1.0)
        # the cubic's coefficients, then Horner's scheme
        rise, start, end = y1 - y0, h * m0, h * m
        out: FloatArray = y0 + t * (start + t * (3 * rise - 2 * start - end + t * (start + end - 2 * rise)))
        return out

    share = np.where(
        a < k[1], piece(0, 0.0, s1, 0.0, m1), np.where(a < k[2], piece(1, s1, s2, m1, m2), piece(2, s2, 1.0, m2, m3))
    )
    share = share + np.maximum(a - k[3], 0.0) * m3
    out: FloatArray = front - drop * share
    return out


@lru_cache(maxsize=1)
def _draws() -> tuple[FloatArray, ...]:
    """Standard normal draws (n, 5) of every round, every third of the later ones widened."""
    rng = np.random.default_rng(20)
    out = [rng.standard_normal((n, 5)) for n in DRAWS]
    for z in out[1:]:
        z[::3] *= TAIL
    return tuple(out)


def _log_proposal(z2: FloatArray) -> FloatArray:
    """Log-density, up to a constant, of a draw with squared normal distance `z2` under the mixture of `_draws`."""
    return np.logaddexp(np.log(2 / 3) - 0.5 * z2, np.log(1 / 3) - 5 * np.log(TAIL) - 0.5 * z2 / TAIL**2)


def fit_rim(field: RimField) -> Rim:
    """The family's posterior mean and covariance given the network's probabilities."""
    step = (AZIMUTHS_DEG[1] - AZIMUTHS_DEG[0]) / CROWD_DEG
    likelihood = np.logaddexp(np.log(1 - OUTLIER) + field.log_ratio, np.log(OUTLIER)) * field.share * step
    e0, de, n = ELEVATIONS_DEG[0], ELEVATIONS_DEG[1] - ELEVATIONS_DEG[0], len(ELEVATIONS_DEG)
    rows = np.arange(len(AZIMUTHS_DEG)) * n
    flat, rise = likelihood.ravel(), np.diff(likelihood, axis=1, append=0.0).ravel()

    def score(p: FloatArray) -> FloatArray:
        at = (rim_elevation(p, AZIMUTHS_DEG) - e0) / de
        i = np.clip(at, 0, n - 2).astype(int)
        f = np.clip(at - i, 0.0, 1.0)
        here = rows + i
        out: FloatArray = (flat.take(here) + f * rise.take(here)).sum(-1)
        return out

    mean, root = MEAN, np.diag(SD)
    covariance = np.diag(SD**2)
    for number, (z, patience) in enumerate(zip(_draws(), PATIENCE, strict=True)):
        p = mean + z @ root.T
        log_w = score(p)
        if number:
            log_w = log_w - 0.5 * (((p - MEAN) / SD) ** 2).sum(1) - _log_proposal((z**2).sum(1))
        w = np.exp(patience * (log_w - log_w.max()))
        w /= w.sum()
        mean = w @ p
        covariance = (p - mean).T @ ((p - mean) * w[:, None]) + np.diag((0.02 * SD) ** 2)
        root = np.linalg.cholesky(covariance)
    return Rim(mean, covariance)
