"""Two tail probabilities that an analysis of variance needs, without a statistics library.

The F distribution's upper tail is a regularised incomplete beta function, here by its
continued fraction with the modified Lentz method (Abramowitz & Stegun 26.5.8 and 26.6.2;
Lentz 1976). The chi-squared distribution is a regularised incomplete gamma function, by its
series below the mean and its continued fraction above (A&S 6.5.29, 6.5.31); its quantile is
found by bisection, which is slow, sure and done once per study. Both agree with scipy to
ten digits (tests). Degrees of freedom need not be whole: Satterthwaite's are not.
"""

from __future__ import annotations

import math

_TINY = 1e-300
_TERMS = 500


def _beta_fraction(a: float, b: float, x: float) -> float:
    """The continued fraction of the incomplete beta function."""
    c, d = 1.0, 1.0 - (a + b) * x / (a + 1.0)
    d = 1.0 / (d if abs(d) > _TINY else _TINY)
    result = d
    for m in range(1, _TERMS):
        for top in (
            m * (b - m) * x / ((a + 2 * m - 1) * (a + 2 * m)),
            -(a + m) * (a + b + m) * x / ((a + 2 * m) * (a + 2 * m + 1)),
        ):
            d = 1.0 + top * d
            c = 1.0 + top / c
            d = 1.0 / (d if abs(d) > _TINY else _TINY)
            c = c if abs(c) > _TINY else _TINY
            result *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return result


def incomplete_beta(a: float, b: float, x: float) -> float:
    """Regularised incomplete beta function I_x(a, b), 0 <= x <= 1, a and b > 0."""
    if x <= 0.0:
        return 0.0
    if x >= 1.0:
        return 1.0
    front = math.exp(math.lgamma(a + b) - math.lgamma(a) - math.lgamma(b) + a * math.log(x) + b * math.log1p(-x))
    if x < (a + 1.0) / (a + b + 2.0):
        return front * _beta_fraction(a, b, x) / a
    return 1.0 - front * _beta_fraction(b, a, 1.0 - x) / b


def f_tail(f: float, df_top: float, df_bottom: float) -> float:
    """Probability that an F-distributed ratio exceeds `f`; 1 at f = 0, 0 at infinity."""
    if math.isinf(f):
        return 0.0
    return incomplete_beta(df_bottom / 2, df_top / 2, df_bottom / (df_bottom + df_top * max(f, 0.0)))


def incomplete_gamma(a: float, x: float) -> float:
    """Regularised lower incomplete gamma function P(a, x), a > 0, x >= 0."""
    if x <= 0.0:
        return 0.0
    front = math.exp(a * math.log(x) - x - math.lgamma(a))
    if x < a + 1.0:
        term = total = 1.0 / a
        for n in range(1, 10 * _TERMS):
            term *= x / (a + n)
            total += term
            if term < total * 1e-16:
                break
        return front * total
    b = x + 1.0 - a
    c, d = 1.0 / _TINY, 1.0 / b
    result = d
    for n in range(1, 10 * _TERMS):
        top = -n * (n - a)
        b += 2.0
        d = top * d + b
        c = b + top / c
        d = 1.0 / (d if abs(d) > _TINY else _TINY)
        c = c if abs(c) > _TINY else _TINY
        result *= d * c
        if abs(d * c - 1.0) < 1e-15:
            break
    return 1.0 - front * result


def chi2_quantile(p: float, df: float) -> float:
    """The value that a chi-squared variable with `df` degrees of freedom stays below with probability `p`."""
    low, high = 0.0, df + 10.0 * math.sqrt(2.0 * df) + 50.0
    for _ in range(200):
        middle = (low + high) / 2
        if incomplete_gamma(df / 2, middle / 2) < p:
            low = middle
        else:
            high = middle
    return (low + high) / 2
