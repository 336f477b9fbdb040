"""Propagation of uncertainty through any function, first order, correlations kept (JCGM 100:2008, 5.2.2).

y = f(x) with the covariance C of x has the covariance J C J^T, J the sensitivities, taken
here as central differences over a fraction of each input's own standard uncertainty: small
against the curvature, large against rounding. An input without uncertainty is left alone.
Degrees of freedom of a combined uncertainty follow Welch and Satterthwaite (G.4.1), which
holds for independent contributions. Where f is stationary the first order sees nothing
(JCGM 101, 9.3 shows how far off that is): |offset| at zero is such a case, which is why
the signed offset is what is propagated and judged.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

STEP = 0.02
"""Step of the central differences, in standard uncertainties of the input."""


def sensitivities(function: Callable[[FloatArray], FloatArray], x: FloatArray, u: FloatArray) -> FloatArray:
    """dy/dx (m, n) of `function` (n,) -> (m,) at `x`; columns of inputs with u = 0 are zero."""
    x, u = np.asarray(x, np.float64), np.asarray(u, np.float64)
    y = np.atleast_1d(function(x))
    out = np.zeros((len(y), len(x)))
    for j in np.flatnonzero(u > 0):
        h = STEP * u[j]
        up, down = x.copy(), x.copy()
        up[j] += h
        down[j] -= h
        out[:, j] = (np.atleast_1d(function(up)) - np.atleast_1d(function(down))) / (up[j] - down[j])
    return out


def propagate(
    function: Callable[[FloatArray], FloatArray], x: FloatArray, covariance: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """y (m,) and its covariance (m, m) for inputs `x` (n,) with `covariance` (n, n)."""
    covariance = np.asarray(covariance, np.float64)
    j = sensitivities(function, x, np.sqrt(np.diag(covariance)))
    return np.atleast_1d(function(np.asarray(x, np.float64))), j @ covariance @ j.T


def effective_degrees_of_freedom(contributions: Sequence[float], degrees: Sequence[float]) -> float:
    """Welch-Satterthwaite: degrees of freedom of the root of the sum of squares of independent `contributions`.

    Their signs do not matter. A contribution with infinitely many degrees of freedom takes `math.inf`.
    """
    u4 = sum(u**2 for u in contributions) ** 2
    share = sum(u**4 / n for u, n in zip(contributions, degrees, strict=True) if u != 0)
    return u4 / share if share > 0 else float("inf")
