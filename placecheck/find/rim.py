"""The cap's front rim under the lace and hair: a symmetric curve through the parts of it that can be seen.

Where the closure lies the rim is hidden, and what the network says there is a guess. To either
side the elastic is in plain view. A dome cap's rim, seen in the cap's own frame, is
symmetric: its height z over the widest level is a smooth even function of the azimuth from
the cap's front, highest in front and lower over the temples. So z is a small family (height in
front, drop to the side, and two numbers for how the drop sets in; priors are common
practice, no published source), fitted to the visible points with their uncertainty, the hidden
ones counting little, by iterated least squares with Huber's weights. Its posterior gives the
uncertainty under the hair. The result is the rim everywhere between the visible parts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

KNOTS_DEG = np.array([0.0, 28.0, 55.0, 90.0])
# elevation in front (deg), drop to the side (deg), share of the drop at 28 and at 55 degrees of azimuth
MEAN = np.array([30.0, 23.0, 0.05, 0.46])
SD = np.array([12.0, 10.0, 0.06, 0.13])
TURN_SD = 3.0  # degrees the cap may be turned against the frame the azimuths are taken in


@dataclass(frozen=True)
class Rim:
    """The fitted rim: parameters (5,), the four of MEAN and the turn (deg), their covariance, and the rms misfit."""

    parameters: FloatArray
    covariance: FloatArray
    misfit_deg: float

    def elevation_deg(self, azimuth_deg: FloatArray) -> FloatArray:
        """Elevation (N,) over the widest level at signed azimuths from the cap's front."""
        return rim_elevation(self.parameters, azimuth_deg)

    def u_deg(self, azimuth_deg: FloatArray) -> FloatArray:
        """Standard uncertainty (N,) of that elevation."""
        jac = _jacobian(self.parameters, azimuth_deg)
        out: FloatArray = np.sqrt(np.einsum("ij,jk,ik->i", jac, self.covariance, jac))
        return out


def rim_elevation(p: FloatArray, azimuth_deg: FloatArray) -> FloatArray:
    """Elevation (N,) deg of the rim family: even about the azimuth p[4], a smooth curve through the knots."""
    a = np.minimum(np.abs(azimuth_deg - p[4]), 110.0)
    share = _share(np.array([0.0, p[2], p[3], 1.0]), a)
    out: FloatArray = p[0] - p[1] * share
    return out


def _share(values: FloatArray, x: FloatArray) -> FloatArray:
    """Cubic Hermite curve through `values` at KNOTS_DEG, level at 0, straight beyond the last knot."""
    k = KNOTS_DEG
    slope = np.array(
        [
            0.0,
            (values[2] - values[0]) / (k[2] - k[0]),
            (values[3] - values[1]) / (k[3] - k[1]),
            (values[3] - values[2]) / (k[3] - k[2]),
        ]
    )
    i = np.clip(np.searchsorted(k, x, side="right") - 1, 0, len(k) - 2)
    h = k[i + 1] - k[i]
    t = (x - k[i]) / h
    beyond = np.maximum(t - 1.0, 0.0) * h
    t = np.minimum(t, 1.0)
    out: FloatArray = (
        values[i] * (1 + 2 * t) * (1 - t) ** 2
        + h * slope[i] * t * (1 - t) ** 2
        + values[i + 1] * t**2 * (3 - 2 * t)
        + h * slope[i + 1] * t**2 * (t - 1)
        + beyond * slope[-1]
    )
    return out


def _jacobian(p: FloatArray, azimuth_deg: FloatArray) -> FloatArray:
    step = np.array([0.1, 0.1, 1e-3, 1e-3, 0.1])
    base = rim_elevation(p, azimuth_deg)
    out = np.empty((len(azimuth_deg), 5))
    for j in range(5):
        q = p.copy()
        q[j] += step[j]
        out[:, j] = (rim_elevation(q, azimuth_deg) - base) / step[j]
    return out


def fit_rim(azimuth_deg: FloatArray, elevation_deg: FloatArray, u_deg: FloatArray) -> Rim:
    """Fit the family to points (N,) with standard uncertainties `u_deg`; errors are shared over 15 degrees."""
    mean = np.append(MEAN, 0.0)
    precision = np.diag(1.0 / np.append(SD, TURN_SD) ** 2)
    p = mean.copy()
    span = float(np.ptp(azimuth_deg)) if len(azimuth_deg) else 0.0
    crowd = max(1.0, len(azimuth_deg) / max(2.0, span / 15.0))
    weight = np.ones(len(azimuth_deg))
    covariance = np.linalg.inv(precision)
    for _ in range(12):
        jac = _jacobian(p, azimuth_deg)
        left = elevation_deg - rim_elevation(p, azimuth_deg)
        weight = np.minimum(1.0, 1.5 / np.maximum(np.abs(left) / u_deg, 1e-9))
        w = weight / (u_deg**2 * crowd)
        covariance = np.linalg.inv((jac * w[:, None]).T @ jac + precision)
        move = covariance @ ((jac * w[:, None]).T @ left - precision @ (p - mean))
        p = p + move
        if np.abs(move[:2]).max() < 1e-4:
            break
    left = elevation_deg - rim_elevation(p, azimuth_deg)
    misfit = float(np.sqrt(np.mean((left[weight > 0.5]) ** 2))) if (weight > 0.5).any() else float("inf")
    return Rim(p, np.asarray(covariance, float), misfit)
