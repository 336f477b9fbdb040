"""Control charts, run rules, capability and yields against handbooks and independent programs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from placecheck.quality.capability import capability, capability_from, enough
from placecheck.quality.control_chart import BRIDGE, FALSE_ALARM, individuals_chart, limit_factor
from placecheck.quality.first_pass import faults, first_pass_yield, wilson_interval
from placecheck.quality.gauge import gauge_share
from placecheck.quality.stream import CHANCE_PERCENT

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2: individuals control chart
NIST = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
# SAS/QC User's Guide, IRCHART statement, data set Jets (sample program SHWIR1)
JETS = [78.4, 80.1, 84.4, 79.1, 80.4, 83.5, 73.8, 83.5, 75.0, 76.8]
JETS += [70.5, 80.3, 82.4, 79.4, 86.4, 90.5, 77.7, 82.5, 79.9, 83.2]
# SAS/QC User's Guide, CAPABILITY procedure, example 5.2, data set Amps
# fmt: off
AMPS = [
    4.54, 4.87, 4.66, 4.9, 4.68, 5.22, 4.43, 5.14, 3.07, 4.22, 5.09, 3.41, 5.75, 5.16, 3.96, 5.37,
    5.7, 4.11, 4.83, 4.51, 4.57, 4.16, 5.73, 3.64, 5.48, 4.95, 4.57, 4.46, 4.75, 5.38, 5.19, 4.35,
    4.98, 4.87, 3.53, 4.46, 4.57, 4.69, 5.27, 4.67, 5.03, 4.5, 5.35, 4.55, 4.05, 6.63, 5.32, 5.24,
    5.73, 5.08, 5.07, 5.42, 5.05, 5.7, 4.79, 4.34, 5.06, 4.64, 4.82, 3.24, 4.79, 4.46, 3.84, 5.05,
    5.46, 4.64, 6.13, 4.31, 4.81, 4.98, 4.95, 5.57, 4.11, 4.15, 5.95,
]
# fmt: on


def test_nist_individuals_chart():
    chart = individuals_chart(NIST)
    assert chart.mean == pytest.approx(50.81, abs=5e-4)
    assert chart.mean_moving_range == pytest.approx(1.8778, abs=5e-5)
    assert chart.mean + 3 * chart.sigma == pytest.approx(55.8041, abs=1e-4)  # the handbook's limits are 3 sigma away
    assert chart.mean - 3 * chart.sigma == pytest.approx(45.8159, abs=1e-4)
    assert chart.provisional
    assert chart.values.std(ddof=1) == pytest.approx(2.0339, abs=5e-5)


def test_sas_jets_chart():
    # worked out by hand from the published data with d2 = 1.128
    chart = individuals_chart(JETS)
    assert chart.mean == pytest.approx(80.390, abs=5e-4)
    assert chart.mean_moving_range == pytest.approx(5.3263, abs=5e-5)
    assert chart.sigma == pytest.approx(4.7203, abs=2e-3)  # 4.7203 with the exact d2
    assert chart.mean - 3 * chart.sigma == pytest.approx(66.229, abs=6e-3)
    assert chart.mean + 3 * chart.sigma == pytest.approx(94.551, abs=6e-3)
    assert not chart.provisional
    assert chart.steady


@pytest.mark.parametrize("data", [NIST, JETS, AMPS])
def test_charts_agree_with_an_independent_program(data):
    i_mr_chart = pytest.importorskip("capstat_core.control_charts").i_mr_chart
    pair = i_mr_chart(data)
    other = pair.location if hasattr(pair, "location") else pair[0]
    chart = individuals_chart(data)
    # the other program's limits are 3 sigma away, with the exact d2 = 2/sqrt(pi) in place of 1.128: 0.04 % of them
    assert chart.mean + 3 * chart.sigma == pytest.approx(other.limits.upper, abs=4e-4 * 6 * chart.sigma)
    assert chart.mean - 3 * chart.sigma == pytest.approx(other.limits.lower, abs=4e-4 * 6 * chart.sigma)


def test_nist_capability():
    # NIST/SEMATECH e-Handbook 6.1.6: USL 20, LSL 8, mean 16, s 2
    able = capability_from(50, 16.0, 2.0, 8.0, 20.0)
    assert able.cp == pytest.approx(1.0)
    assert able.cpu == pytest.approx(0.6667, abs=5e-5)
    assert able.cpl == pytest.approx(1.3333, abs=5e-5)
    assert able.cpk == pytest.approx(0.6667, abs=5e-5)
    assert able.k == pytest.approx(0.3333, abs=5e-5)


def test_sas_interval_of_cpk():
    # SAS/QC User's Guide, example 5.3: the 90 % interval of Cpk of Amps (4 to 6 dB) is 0.328 to 0.496
    able = capability(AMPS, 4.0, 6.0, level=0.90)
    assert able.cpk_interval[0] == pytest.approx(0.328, abs=5e-4)
    assert able.cpk_interval[1] == pytest.approx(0.496, abs=5e-4)


def test_interval_of_cp_is_the_exact_one():
    # Chou, Owen and Borrego 1990 as in the SAS sample program CPCON: cp sqrt(chi2 / (n - 1)); chi-square from scipy
    chi2 = pytest.importorskip("scipy.stats").chi2
    able = capability(AMPS, 4.0, 6.0)
    n = len(AMPS)
    for got, p in zip(able.cp_interval, (0.025, 0.975), strict=True):
        assert got == pytest.approx(able.cp * math.sqrt(chi2.ppf(p, n - 1) / (n - 1)), rel=1e-10)


def test_intervals_cover_the_truth_as_often_as_they_say():
    # 2000 samples of 60 from a process whose Cp and Cpk are known
    rng = np.random.default_rng(20)
    inside_cp = inside_cpk = 0
    for _ in range(2000):
        able = capability(rng.normal(0.5, 1.0, 60), -3.0, 3.0)
        inside_cp += able.cp_interval[0] <= 1.0 <= able.cp_interval[1]
        inside_cpk += able.cpk_interval[0] <= 2.5 / 3 <= able.cpk_interval[1]
    assert inside_cp / 2000 == pytest.approx(0.95, abs=0.02)
    assert inside_cpk / 2000 == pytest.approx(0.95, abs=0.025)


def test_capability_refuses_what_makes_no_sense():
    assert not enough([1.0] * 80)
    assert not enough(list(np.arange(49.0)))
    assert enough(list(np.arange(50.0)))
    for bad in [(1, 0, 1, -1, 1), (10, 0, 0, -1, 1), (10, 0, 1, 1, -1)]:
        with pytest.raises(ValueError, match="capability needs"):
            capability_from(*bad)


def test_limits_follow_from_the_number_of_placements():
    # standard normal tables: 3.0233 at 0.99875 (n = 10), 3.4808 at 0.99975 (n = 50)
    assert limit_factor(10) == pytest.approx(3.0233, abs=5e-5)
    assert limit_factor(50) == pytest.approx(3.4808, abs=5e-5)
    chart = individuals_chart(JETS)
    assert chart.upper - chart.mean == pytest.approx(limit_factor(20) * chart.sigma)
    assert chart.mean - chart.lower == pytest.approx(limit_factor(20) * chart.sigma)
    assert chart.range_upper == pytest.approx(math.sqrt(2) * limit_factor(20) * chart.sigma)


def test_reach_of_the_brownian_bridge():
    # Kolmogorov's distribution, Smirnov's table of 1948: 0.9750 at 1.48; and scipy's own series
    assert pytest.approx(1.48, abs=5e-3) == BRIDGE
    kstwobign = pytest.importorskip("scipy.stats").kstwobign
    assert kstwobign.isf(FALSE_ALARM) == pytest.approx(BRIDGE, abs=1e-6)


@pytest.mark.parametrize("n", [5, 8, 12, 20, 50, 100, 200])
def test_a_steady_stream_is_seldom_called_not_steady(n):
    """The whole stream, all tests together, limits estimated from it: what the sentence says of 100 such charts."""
    rng = np.random.default_rng(n)
    called = sum(not individuals_chart(rng.standard_normal(n)).steady for _ in range(3000))
    assert 0.02 < called / 3000 <= CHANCE_PERCENT / 100 + 0.009  # two standard errors of the simulation


def test_what_was_not_steady_is_still_told():
    rng = np.random.default_rng(15)
    charts = [individuals_chart(rng.standard_normal(40) + np.repeat([0.0, 1.5], 20)) for _ in range(1000)]
    assert sum(c.shift is not None for c in charts) / 1000 >= 0.93  # a shift of 1.5 sigma half way
    found = [c.shift for c in charts if c.shift is not None]
    assert np.median([s.first for s in found]) == 20
    assert np.mean([s.after - s.before for s in found]) == pytest.approx(1.5, abs=0.15)
    for own_noise, least in ((0.0, 0.90), (1.0, 0.77)):  # one placement 5 sigma off, exactly, and with its own chance
        told = 0
        for _ in range(1000):
            x = rng.standard_normal(40)
            at = int(rng.integers(40))
            x[at] = 5.0 + own_noise * x[at]
            told += at in individuals_chart(x).beyond
        assert told / 1000 >= least
    drifting = [individuals_chart(rng.standard_normal(40) + np.linspace(0, 2, 40)) for _ in range(1000)]
    assert sum(not c.steady for c in drifting) / 1000 >= 0.76  # a slow drift by 2 sigma


def test_a_shift_is_told_from_its_first_placement_on():
    low, high = [0.1, -0.1] * 10, [2.1, 1.9] * 8
    for values, by in (([*low, *high], 2.0), ([*high, *low], -2.0)):
        shift = individuals_chart(values).shift
        assert shift.first == (20 if by > 0 else 16)
        assert shift.after - shift.before == pytest.approx(by)
    assert individuals_chart(low).shift is None


def test_a_jump_between_two_that_lie_inside_is_told_by_the_second():
    """42 values, k = z(1 - 0.025 / 84) = 3.43, mean range 0.234, sigma 0.208: they may reach 0.71, a jump 1.01."""
    values = [0.1, -0.1] * 10 + [-0.55, 0.55] + [0.1, -0.1] * 10
    chart = individuals_chart(values)
    assert chart.range_signals == (21,)
    assert chart.signals == ()
    assert not chart.steady


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60))
def test_chart_of_anything(values):
    chart = individuals_chart(values)
    assert len(chart.moving_ranges) == len(values) - 1
    if chart.sigma is not None:
        assert chart.lower <= chart.mean <= chart.upper
        assert all(0 <= i < len(values) for i in (*chart.signals, *chart.range_signals))


@given(st.lists(st.floats(-100, 100), min_size=6, max_size=40), st.floats(-50, 50), st.floats(0.5, 20))
def test_chart_follows_shift_and_scale(values, shift, scale):
    x = np.array(values)
    if np.abs(np.diff(x)).sum() < 1e-3:
        return
    one, two = individuals_chart(x), individuals_chart(scale * x + shift)
    assert two.upper == pytest.approx(scale * one.upper + shift, rel=1e-9, abs=1e-6)
    mirrored = individuals_chart(-x)
    assert mirrored.lower == pytest.approx(-one.upper, rel=1e-12, abs=1e-9)
    assert mirrored.signals == one.signals


def test_chart_refuses_what_is_no_number():
    for bad in ([], [1.0, math.nan], [math.inf]):
        with pytest.raises(ValueError, match="finite"):
            individuals_chart(bad)


def test_gauge_beside_process():
    # 3-4-5: process 4, gauge 3, seen 5
    rng = np.random.default_rng(5)
    values = rng.normal(0, 5, 20000)
    share = gauge_share(values, np.full(20000, 3.0))
    assert share.process == pytest.approx(4.0, abs=0.1)
    assert share.share == pytest.approx(0.6, abs=0.01)
    assert gauge_share([0.0, 10.0], [1.0, 7.0]).gauge == pytest.approx(5.0)  # root mean square of 1 and 7
    assert gauge_share([1.0, 1.1], [5.0, 5.0]).process == 0.0


def test_wilson_interval():
    # Newcombe 1998 (Statistics in Medicine 17, 857-872), table I, method 3: 81/263 and 0/20, 15/148, 1/29
    for successes, n, low, high in (
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ):
        got = wilson_interval(successes, n)
        assert got == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))
    assert wilson_interval(0, 0) == (0.0, 1.0)


def test_yield_and_faults():
    assert first_pass_yield(3, 4).share == first_pass_yield(3, 4, 5).share == 0.75  # of those that were decided
    assert first_pass_yield(0, 0).share is None
    with pytest.raises(ValueError, match="passed"):
        first_pass_yield(5, 4)
    found = faults([("offset_mm", -1), ("offset_mm", -1), ("skew_deg", 1)], 2)
    assert [(f.measure, f.side, f.count, f.share) for f in found] == [
        ("offset_mm", -1, 2, 1.0),
        ("skew_deg", 1, 1, 0.5),
    ]
