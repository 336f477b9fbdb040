"""Worked examples of the guides to uncertainty, and the closed forms of geometry, each with its source.

Checked are placecheck.propagation (first order, correlations, degrees of freedom), placecheck.dome and
placecheck.surface (lengths on the block; other geodesics are in test_surface.py, against geographiclib). Decisions
(JCGM 106) are in test_judge.py. General libraries serve as second opinions here only.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from placecheck.dome import Dome, half_axes_for
from placecheck.propagation import effective_degrees_of_freedom, propagate, sensitivities
from placecheck.surface import geodesic_mm

WITHOUT = "is not installed: pip install"

# ----------------------------------------------------------------------------- GUM H.1, end gauge

# JCGM 100:2008, H.1: l = l_s + d - l_s (delta_alpha theta + alpha_s delta_theta), nm and degrees Celsius; values,
# standard uncertainties and degrees of freedom as in MSLNZ/GTC examples/GUM_H1.py
H1_X = np.array([50_000_623.0, 215.0, 0.0, 0.0, 0.0, -0.1, 11.5e-6, 0.0])
H1_U = np.array([25.0, 5.8, 3.9, 6.7, 0.58e-6, 0.41, 1.2e-6, 0.029])
H1_DF = np.array([18, 24, 5, 8, 50, math.inf, math.inf, 2])


def end_gauge(x):
    standard, d, d_random, d_systematic, delta_alpha, theta, alpha, delta_theta = x
    return np.array([standard + d + d_random + d_systematic - standard * (delta_alpha * theta + alpha * delta_theta)])


def test_gum_h1_end_gauge():
    length, covariance = propagate(end_gauge, H1_X, np.diag(H1_U**2))
    assert length[0] == pytest.approx(50_000_838, abs=0.5)
    u = math.sqrt(covariance[0, 0])
    assert u == pytest.approx(32, abs=0.5)
    parts = np.abs(sensitivities(end_gauge, H1_X, H1_U)[0] * H1_U)
    # table H.1: 25, 5.8, 3.9, 6.7 and, for the expansion and the temperature, 2.9 and 16.6 nm; the others vanish
    assert parts == pytest.approx([25, 5.8, 3.9, 6.7, 2.9, 0, 0, 16.6], abs=0.1)
    df = effective_degrees_of_freedom(parts, H1_DF)
    assert math.floor(df) == 16
    stats = pytest.importorskip("scipy.stats", reason=f"scipy {WITHOUT} scipy")
    # G.4.1: degrees of freedom are cut to a whole number before the t table: t99(16) = 2.92, U99 = 93 nm
    t99 = float(stats.t.ppf(0.995, math.floor(df)))
    assert t99 == pytest.approx(2.92, abs=0.005)
    assert t99 * u == pytest.approx(93, abs=0.6)


def test_gum_h1_against_gtc():
    gtc = pytest.importorskip("GTC", reason=f"GTC {WITHOUT} GTC")
    x = [gtc.ureal(v, u, df) for v, u, df in zip(H1_X, H1_U, H1_DF, strict=True)]
    theirs = x[0] + x[1] + x[2] + x[3] - x[0] * (x[4] * x[5] + x[6] * x[7])
    length, covariance = propagate(end_gauge, H1_X, np.diag(H1_U**2))
    assert length[0] == pytest.approx(gtc.value(theirs))
    assert math.sqrt(covariance[0, 0]) == pytest.approx(gtc.uncertainty(theirs), rel=1e-6)
    parts = sensitivities(end_gauge, H1_X, H1_U)[0] * H1_U
    assert effective_degrees_of_freedom(parts, H1_DF) == pytest.approx(gtc.dof(theirs), rel=1e-5)


# ----------------------------------------------------------------------------- GUM H.2, correlated inputs

# JCGM 100:2008, table H.2: five simultaneous readings of V (volt), I (milliampere), phi (radian)
H2 = np.array(
    [
        [5.007, 19.663e-3, 1.0456],
        [4.994, 19.639e-3, 1.0438],
        [5.005, 19.640e-3, 1.0468],
        [4.990, 19.685e-3, 1.0428],
        [4.999, 19.678e-3, 1.0433],
    ]
)


def impedance(x):
    v, i, phi = x
    return np.array([v / i * np.cos(phi), v / i * np.sin(phi), v / i])


def correlation(covariance):
    u = np.sqrt(np.diag(covariance))
    return covariance / np.outer(u, u)


def test_gum_h2_resistance_reactance_impedance():
    mean, covariance = H2.mean(0), np.cov(H2.T) / len(H2)
    r = correlation(covariance)
    assert [r[0, 1], r[0, 2], r[1, 2]] == pytest.approx([-0.36, 0.86, -0.65], abs=0.006)
    y, out = propagate(impedance, mean, covariance)
    # table H.4: R = 127.732, u 0.071; X = 219.847, u 0.295; Z = 254.260, u 0.236 ohm
    assert y == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    assert np.sqrt(np.diag(out)) == pytest.approx([0.071, 0.295, 0.236], abs=6e-4)
    ry = correlation(out)
    assert [ry[0, 1], ry[0, 2], ry[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=6e-4)


def test_gum_h2_needs_its_correlations():
    # without them u(R) would be 2.8 times as large, u(X) smaller: a budget that drops them is wrong in both directions
    covariance = np.cov(H2.T) / len(H2)
    with_them = np.sqrt(np.diag(propagate(impedance, H2.mean(0), covariance)[1]))
    without = np.sqrt(np.diag(propagate(impedance, H2.mean(0), np.diag(np.diag(covariance)))[1]))
    assert without[0] / with_them[0] == pytest.approx(2.8, abs=0.1)
    assert without[1] < with_them[1]


def test_gum_h2_against_uncertainties():
    uncertainties = pytest.importorskip("uncertainties", reason=f"uncertainties {WITHOUT} uncertainties")
    umath = pytest.importorskip("uncertainties.umath")
    mean, covariance = H2.mean(0), np.cov(H2.T) / len(H2)
    v, i, phi = uncertainties.correlated_values(mean, covariance)
    theirs = [v / i * umath.cos(phi), v / i * umath.sin(phi), v / i]
    y, out = propagate(impedance, mean, covariance)
    assert y == pytest.approx([t.nominal_value for t in theirs], rel=1e-12)
    assert out == pytest.approx(np.array(uncertainties.covariance_matrix(theirs)), rel=1e-5)


@given(
    a=st.lists(st.floats(-5, 5), min_size=6, max_size=6),
    root=st.lists(st.floats(-2, 2), min_size=9, max_size=9),
    x=st.lists(st.floats(-10, 10), min_size=3, max_size=3),
)
@settings(max_examples=60)
def test_linear_functions_are_propagated_exactly(a, root, x):
    # JCGM 100, 5.2.2: for y = A x the covariance is A C A^T, whatever C
    matrix, root = np.array(a).reshape(2, 3), np.array(root).reshape(3, 3)
    covariance = root @ root.T + 1e-3 * np.eye(3)
    y, out = propagate(lambda v: matrix @ v, np.array(x), covariance)
    assert y == pytest.approx(matrix @ np.array(x))
    assert out == pytest.approx(matrix @ covariance @ matrix.T, rel=1e-6, abs=1e-8)


def test_welch_satterthwaite_of_one_and_of_equals():
    assert effective_degrees_of_freedom([3.0], [7]) == pytest.approx(7)
    # n equal contributions of nu degrees each: n nu
    assert effective_degrees_of_freedom([1.0] * 4, [5] * 4) == pytest.approx(20)
    assert effective_degrees_of_freedom([1.0, -2.0], [3, 4]) == effective_degrees_of_freedom([1.0, 2.0], [3, 4])
    assert math.isinf(effective_degrees_of_freedom([1.0, 2.0], [math.inf, math.inf]))
    assert math.isinf(effective_degrees_of_freedom([0.0], [5]))


# ----------------------------------------------------------------------------- JCGM 101, distributions


def added(x):
    return np.array([x.sum()])


def middle_95(values):
    return np.quantile(values, [0.025, 0.975])


def test_jcgm_101_additive_model():
    # JCGM 101:2008, 9.2: Y = X1 + X2 + X3 + X4, every u = 1. First order: u = 2, 95 % interval +-3.92 (9.2.2, normal
    # inputs); with rectangular inputs the interval is +-3.88 (9.2.3)
    y, covariance = propagate(added, np.zeros(4), np.eye(4))
    assert y[0] == 0
    assert 1.959964 * math.sqrt(covariance[0, 0]) == pytest.approx(3.92, abs=5e-4)
    rng = np.random.default_rng(101)
    normal = rng.normal(size=(4, 500_000)).sum(0)
    half_width = math.sqrt(3.0)
    rectangular = rng.uniform(-half_width, half_width, (4, 500_000)).sum(0)
    assert middle_95(normal) == pytest.approx([-3.92, 3.92], abs=0.03)
    assert middle_95(rectangular) == pytest.approx([-3.88, 3.88], abs=0.03)
    assert rectangular.std() == pytest.approx(math.sqrt(covariance[0, 0]), abs=0.01)


def test_jcgm_101_first_order_is_blind_at_a_stationary_point():
    # JCGM 101:2008, 9.4 (comparison loss): y = x1^2 + x2^2 at 0, u = 0.005: first order says y = 0, u = 0; the
    # distribution's mean is 50e-6 and its shortest 95 % interval [0, 150e-6]. |offset| at 0 is such a case: the signed
    # offset is judged, where the first order sees all
    def loss(x):
        return np.array([(x**2).sum()])

    y, covariance = propagate(loss, np.zeros(2), np.eye(2) * 0.005**2)
    assert (y[0], covariance[0, 0]) == (0, pytest.approx(0, abs=1e-12))
    drawn = (np.random.default_rng(5).normal(0, 0.005, (2, 400_000)) ** 2).sum(0)
    assert drawn.mean() == pytest.approx(50e-6, rel=0.01)
    assert np.quantile(drawn, 0.95) == pytest.approx(150e-6, rel=0.01)
    signed = propagate(lambda x: x, np.zeros(1), np.eye(1) * 0.4**2)[1]
    assert math.sqrt(signed[0, 0]) == pytest.approx(0.4)


# ----------------------------------------------------------------------------- ellipses and geodesics


def complete_e(m: float) -> float:
    """Complete elliptic integral of the second kind E(m), m = k^2, by its definition with Simpson's rule."""
    t = np.linspace(0, np.pi / 2, 4001)
    y = np.sqrt(1 - m * np.sin(t) ** 2)
    return float((t[1] - t[0]) / 3 * (y[0] + y[-1] + 4 * y[1:-1:2].sum() + 2 * y[2:-1:2].sum()))


E_TABLE = {0.0: 1.570796327, 0.1: 1.530757637, 0.25: 1.467462209, 0.5: 1.350643881, 0.75: 1.211056028, 0.9: 1.104774733}
"""Abramowitz and Stegun, table 17.1, E(m) (digits from memory, agreed by scipy)."""


def test_elliptic_integrals_and_their_parameter():
    special = pytest.importorskip("scipy.special", reason=f"scipy {WITHOUT} scipy")
    for m, e in E_TABLE.items():
        assert complete_e(m) == pytest.approx(e, abs=1e-9)
        assert float(special.ellipe(m)) == pytest.approx(e, abs=1e-9)  # scipy's argument is m = k^2, not k
        if 0 < m < 1:  # Legendre's relation, A&S 17.3.13: E K' + E' K - K K' = pi / 2
            k, k1, e1 = special.ellipk(m), special.ellipk(1 - m), special.ellipe(1 - m)
            assert e * k1 + e1 * k - k * k1 == pytest.approx(np.pi / 2, abs=1e-8)


@pytest.mark.parametrize(
    ("a", "b", "perimeter"),
    [
        (100, 75, 552.5873040177377),
        (97, 73.5, 538.1884892697817),
        (2, 1, 9.688448220547675),
        (1, 0.5, 4.844224110273838),
    ],
)
def test_block_circumference_is_the_elliptic_integral(a, b, perimeter):
    # 4 a E(1 - (b/a)^2), the perimeter of an ellipse (any table of integrals)
    assert 4 * a * complete_e(1 - (b / a) ** 2) == pytest.approx(perimeter, rel=1e-10)
    assert Dome(b, a, 90).circumference_mm() == pytest.approx(perimeter, rel=1e-9)
    found = half_axes_for(perimeter, a / b)
    assert found == pytest.approx((b, a), rel=1e-8)


@pytest.mark.parametrize(
    ("a", "b", "quarter"), [(75, 95, 133.98008774), (80, 76, 122.54225273), (100, 80, 141.80833944)]
)
def test_quarter_meridian_of_a_spheroid(a, b, quarter):
    # max(a, b) E(1 - (min/max)^2); geographiclib agrees to 1e-8 mm for such small, strongly flattened spheroids
    long, short = max(a, b), min(a, b)
    assert long * complete_e(1 - (short / long) ** 2) == pytest.approx(quarter, abs=1e-6)
    block = Dome(a, a, b, depth_mm=b)
    found = geodesic_mm(block, np.array([0.0, a, 0.0]), np.array([0.0, 0.0, float(b)]), step_mm=1.0)
    assert found == pytest.approx(quarter, abs=0.01)
