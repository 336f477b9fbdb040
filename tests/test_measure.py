"""The measures by their definitions, on a sphere: every length there has a closed form (spherical trigonometry).

Landmarks and lines are given in the chart, u along great circles at right angles to the centre line, v along it; at u
a step dv of v is cos(u / R) dv long. A straight chart line is integrated by scipy.integrate.quad. The scales of the
uncertainties are checked by the power law that they are.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from placecheck.answer import Contribution
from placecheck.dome import Dome
from placecheck.measure import OnDome, line_at, measure_at, measures
from placecheck.mid_plane import MidPlane
from placecheck.surface_map import fermi_chart
from placecheck.uncertainty import FACTOR_BOUNDS, Scale, total_u

R = 90.0
SPHERE = Dome(R, R, R, R)
CHART = fermi_chart(SPHERE, MidPlane(), 112.0, -40, -20, 4.0)
MARKS = {
    "fold_front": (3.0, 62.0),
    "fold_back": (-5.0, -38.0),
    "front_left": (-47.0, 52.0),
    "front_right": (51.0, 49.0),
    "back_left": (-56.0, -40.0),
    "back_right": (44.0, -43.0),
}
RIM = (48.0, 0.12)  # v at u = 0, and how it rises to the right
HAIR = (60.0, -0.05)


def line(v0: float, slope: float, n: int = 81) -> np.ndarray:
    u = np.linspace(-45.0, 45.0, n)
    return np.stack([u, v0 + slope * u], -1)


def on_sphere(marks=MARKS, rim=RIM, hair=HAIR, inferred=None) -> OnDome:
    places = {name: np.array(uv) for name, uv in marks.items()}
    guessed = {name: np.array(uv) for name, uv in (inferred or {}).items()}
    return OnDome(SPHERE, MidPlane(), CHART, places, guessed, line(*rim), line(*hair))


def straight_mm(a, b) -> float:
    """Length of the straight chart line from `a` to `b`."""
    u0, (du, dv) = a[0], np.subtract(b, a)
    return quad(lambda t: np.hypot(du, np.cos((u0 + t * du) / R) * dv), 0.0, 1.0)[0]


def great_circle_mm(a, b) -> float:
    def place(uv):
        u, v = np.array(uv) / R
        return np.array([np.sin(u), np.cos(u) * np.sin(v), np.cos(u) * np.cos(v)])

    return R * float(np.arccos(place(a) @ place(b)))


def test_every_measure_is_what_its_definition_says():
    m = measure_at(on_sphere(), 127.0)
    assert m["fold_offset_front_mm"] == 3.0
    assert m["fold_offset_back_mm"] == -5.0
    assert m["offset_mm"] == -1.0
    assert m["skew_deg"] == pytest.approx(np.degrees(np.arctan(8.0 / 100.0)))
    assert m["front_corner_asymmetry_mm"] == pytest.approx(51.0 - 47.0)
    assert m["back_corner_asymmetry_mm"] == pytest.approx(44.0 - 56.0)
    assert m["length_fold_mm"] == pytest.approx(straight_mm(MARKS["fold_back"], MARKS["fold_front"]), rel=1e-3)
    for name, a, b in (
        ("width_front_mm", "front_left", "front_right"),
        ("width_back_mm", "back_left", "back_right"),
        ("length_left_mm", "back_left", "front_left"),
        ("length_right_mm", "back_right", "front_right"),
    ):
        assert m[name] == pytest.approx(great_circle_mm(MARKS[a], MARKS[b]), abs=0.03), name


@pytest.mark.parametrize(("width_mm", "station_mm"), [(127.0, 25.0), (50.8, 0.35 * 50.8)])
def test_clearances_run_from_rim_to_hairline(width_mm, station_mm):
    """To the sides along a line of constant u, at the fold along the fold, from where its line meets the rim."""
    m = measure_at(on_sphere(), width_mm)
    for name, u in (("clearance_left_mm", 3.0 - station_mm), ("clearance_right_mm", 3.0 + station_mm)):
        rises = HAIR[0] + HAIR[1] * u - (RIM[0] + RIM[1] * u)
        assert m[name] == pytest.approx(np.cos(u / R) * rises, abs=0.02), name
    lean = 8.0 / 100.0
    # rim v = RIM[0] + RIM[1] u and fold u = 3 + lean (v - 62)
    foot_v = (RIM[0] + RIM[1] * (3.0 - 62.0 * lean)) / (1.0 - RIM[1] * lean)
    foot = (3.0 + lean * (foot_v - 62.0), foot_v)
    assert m["clearance_centre_mm"] == pytest.approx(straight_mm(foot, MARKS["fold_front"]), abs=0.02)
    assert 10.0 < straight_mm(foot, MARKS["fold_front"]) < 16.0


def test_a_hairline_behind_the_rim_has_a_negative_clearance():
    m = measure_at(on_sphere(rim=(64.0, 0.0), hair=(60.0, 0.0)), 127.0)
    assert m["clearance_left_mm"] == pytest.approx(-4.0 * np.cos(22.0 / R), abs=0.02)
    assert m["clearance_centre_mm"] == pytest.approx(-straight_mm(MARKS["fold_front"], (3.16, 64.0)), abs=0.02)


def test_a_corner_that_was_seen_outranks_one_that_was_inferred_and_sides_need_seen_ones():
    seen = {name: uv for name, uv in MARKS.items() if name != "front_right"}
    guess = {"front_right": (60.0, 50.0), "front_left": (-70.0, 50.0)}
    m = measure_at(on_sphere(seen, inferred=guess), 127.0)
    assert m["front_corner_asymmetry_mm"] == pytest.approx(60.0 - 47.0)
    assert np.isnan(m["width_front_mm"])
    assert np.isnan(m["length_right_mm"])
    assert m["length_left_mm"] > 0


def test_a_fold_whose_ends_are_exchanged_is_turned_about():
    m = measure_at(on_sphere(MARKS | {"fold_front": MARKS["fold_back"], "fold_back": MARKS["fold_front"]}), 127.0)
    assert abs(m["skew_deg"]) > 170.0


def test_a_line_is_read_by_what_lies_near_the_place():
    """Of v = c u^2 the local fit with weights 1 - (u/r)^2 reads the mean c r^2 / 5 (the integrals' closed form)."""
    u = np.linspace(-30.0, 30.0, 1201)
    assert line_at(np.stack([u, 0.01 * u**2], -1), 0.0) == pytest.approx(0.01 * 9.0**2 / 5, rel=0.03)
    short = np.stack([np.linspace(-9.0, 0.0, 50), np.full(50, 4.0)], -1)
    assert line_at(short, 1.9) == pytest.approx(4.0)
    assert np.isnan(line_at(short, 2.1))  # further on than a rim may be carried
    assert np.isnan(line_at(short, -11.1))
    assert np.isnan(line_at(short[:2], -9.0))  # two points are no line


def test_what_cannot_be_had_is_missing():
    no_fold = {name: uv for name, uv in MARKS.items() if not name.startswith("fold")}
    without = {name: float(value) for name, value in measures(on_sphere(no_fold), 127.0).items()}
    assert {n for n, v in without.items() if np.isfinite(v)} == {
        "front_corner_asymmetry_mm",
        "back_corner_asymmetry_mm",
    }
    m = measure_at(replace(on_sphere(), rim_uv=line(*RIM)[:45]), 127.0)  # the rim ends at u = 4.5
    assert np.isfinite([m["clearance_left_mm"], m["clearance_centre_mm"]]).all()
    assert np.isnan(m["clearance_right_mm"])


# ----------------------------------------------------------------------------- how u is scaled


def test_contributions_add_up_as_squares():
    """GUM (JCGM 100:2008) 5.1.2, of 3, 4 and 12."""
    assert total_u(tuple(Contribution("x", u) for u in (3.0, 4.0, 12.0))) == pytest.approx(13.0)


def test_a_scale_is_a_power_law_between_its_ends():
    scale = Scale(1.2, 1.5, 2.0, 1.0, 4.0)
    assert scale.times() == scale.times(0.0) == 1.2
    assert scale.times(2.0) == pytest.approx(1.2)
    for u in (1.0, 1.7, 4.0):
        assert scale.times(u) * u == pytest.approx(1.2 * 2.0 * (u / 2.0) ** 1.5)
    assert scale.times(0.3) == scale.times(1.0) < scale.times(4.0) == scale.times(40.0)


def test_a_scale_is_never_beyond_its_bounds():
    steep = Scale(1.0, 3.0, 1.0, 1e-3, 1e3)
    assert (steep.times(0.01), steep.times(100.0)) == FACTOR_BOUNDS == (0.5, 3.0)
