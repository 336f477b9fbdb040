"""Closed forms against differences, and many geometries at once against one after the other."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from placecheck.answer import LACE_LOOSE, RIM_WORDS
from placecheck.block import AT, NAMES, Frame, closest_on_rays, outline_px, prior_for, unpack, unpack_many
from placecheck.block_fit import BlockFit
from placecheck.block_residuals import CARD_UNKNOWNS, Clues, PhotoResiduals, Shown
from placecheck.camera import camera_for, project, rotation, rotations
from placecheck.dome import BUMPS, Dome, Domes
from placecheck.measure import Nuisance, measure_at, measures, put_on_dome, side_bends
from placecheck.observed import Inferred, Line, Mark, Observed
from placecheck.surface import gradient, level, level_and_gradient
from placecheck.surface_map import centre_line, fermi_chart
from placecheck.uncertainty import budgets


class Undifferentiated:
    """A dome whose slope is not told."""

    def __init__(self, dome):
        self.radius = dome.radius


def some_dome(seed):
    rng = np.random.default_rng(seed)
    bumps = tuple(float(rng.normal(bump.mean, 2 * bump.sd)) for bump in BUMPS)
    return Dome(rng.uniform(70, 82), rng.uniform(92, 104), rng.uniform(90, 110), 200.0, rng.uniform(0, 0.1), bumps)


def stack(domes):
    columns = [np.array([getattr(d, name) for d in domes]) for name in Domes.__dataclass_fields__]
    return Domes(*columns)


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 10_000), far=st.floats(0.7, 1.4))
def test_gradient_in_closed_form_is_the_central_difference(seed, far):
    rng = np.random.default_rng(seed + 1)
    dome = some_dome(seed)
    points = rng.normal(size=(40, 3)) * 60.0 * far
    points = points[np.abs(points[:, 2]) > 0.2]  # over and below the widest level the curvature differs
    points = points[np.linalg.norm(points, axis=1) > 45.0]
    height, exact = level_and_gradient(dome, points)
    other_height, differences = level_and_gradient(Undifferentiated(dome), points, h_mm=0.01)
    assert height == pytest.approx(other_height, abs=1e-9)
    assert exact == pytest.approx(differences, abs=2e-6)


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000), amount=st.integers(1, 5))
def test_a_stack_of_domes_is_each_of_them(seed, amount):
    rng = np.random.default_rng(seed)
    domes = [some_dome(seed + k) for k in range(amount)]
    many = stack(domes)
    d = rng.normal(size=(amount, 7, 3, 3))
    d /= np.linalg.norm(d, axis=-1, keepdims=True)
    raised = many.raised(np.linspace(0.0, 1.0, amount))
    for k, dome in enumerate(domes):
        assert many.radius(d)[k] == pytest.approx(dome.radius(d[k]), abs=1e-11)
        assert many.radius_and_slope(d)[1][k] == pytest.approx(dome.radius_and_slope(d[k])[1], abs=1e-10)
        assert gradient(many, 90.0 * d)[k] == pytest.approx(gradient(dome, 90.0 * d[k]), abs=1e-12)
        lift = np.linspace(0.0, 1.0, amount)[k]
        assert raised.radius(d)[k] == pytest.approx(dome.raised(lift).radius(d[k]), abs=1e-11)


CAMERA = camera_for(4032, 3024, 26.0)
FRAME = Frame(rotation(np.array([0.25, -0.1, 0.4])), np.array([-150.0, 90.0, 820.0]), CAMERA.f_px, 5040.0)


def some_unknowns(seed, amount):
    """Unknowns (amount, n) drawn from their prior, the block standing within view."""
    rng = np.random.default_rng(seed)
    prior = prior_for(CAMERA, 575.0)
    theta = prior.mean + np.minimum(prior.u, 3.0) * rng.normal(size=(amount, len(NAMES))) * 0.3
    theta[:, 10:12] = rng.uniform(100, 160, size=(amount, 2))
    theta[:, 12] = rng.uniform(0, 360, amount)
    theta[:, 4:7] = 0.01 * rng.normal(size=(amount, 3))
    return theta


@settings(max_examples=20, deadline=None)
@given(w=st.lists(st.floats(-3, 3), min_size=3, max_size=3))
def test_rotations_are_each_rotation(w):
    assert rotations(np.array([w, [0.0, 0.0, 0.0]])) == pytest.approx(np.stack([rotation(np.array(w)), np.eye(3)]))


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_a_stack_of_geometries_is_each_of_them(seed):
    thetas = some_unknowns(seed, 3)
    many = unpack_many(thetas, FRAME)
    rng = np.random.default_rng(seed)
    outlines = outline_px(many, 24)
    px = many.to_px(rng.normal(size=(3, 20, 3)) * 50.0)
    lifts = np.array([[0.0], [0.6], [1.5]])
    hits = many.hit(px, lifts)
    for k, theta in enumerate(thetas):
        one = unpack(theta, FRAME)
        assert many.eye_mm[k, 0] == pytest.approx(one.eye_mm, abs=1e-8)
        assert outlines[k] == pytest.approx(outline_px(one, 24), abs=0.01)
        assert hits[k] == pytest.approx(one.hit(px[k], float(lifts[k, 0])), abs=1e-5, nan_ok=True)


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), lift=st.floats(0, 2))
def test_hits_lie_on_the_near_side_and_outline_rays_just_touch(seed, lift):
    g = unpack(some_unknowns(seed, 1)[0], FRAME)
    ring = outline_px(g, 36)
    middle = g.to_px(np.array([0.0, 0.0, 0.4 * g.dome.height_mm]))
    inside = middle + 0.97 * (ring - middle)
    points = g.hit(inside, lift)
    assert level(g.dome, points) == pytest.approx(np.full(36, lift), abs=1e-6)
    assert g.to_px(points) == pytest.approx(inside, abs=1e-5)
    assert g.visible(points).all()
    rays = g.block_rays(ring)
    touched = g.eye_mm + closest_on_rays(g, rays)[:, None] * rays
    dome = touched[:, 2] > 2.0  # lower down the body goes on further than an outline is looked for
    assert np.isnan(g.hit(middle + 1.03 * (ring - middle))[dome]).all()
    # a quarter of a pixel to either side of the outline: the ray cuts, the ray misses
    out = (ring - middle) / np.linalg.norm(ring - middle, axis=1)[:, None]
    for step, cuts in ((-0.25, True), (0.25, False)):
        d = g.block_rays(ring + step * out)
        along = np.linspace(-60, 60, 1201) - (d @ g.eye_mm)[:, None]
        least = level(g.dome, g.eye_mm + along[..., None] * d[:, None, :]).min(axis=1)
        assert ((least < 0) == cuts).all()


def some_residuals(theta, rng):
    """What a photo of the block of `theta` shows, off by some noise, and its residuals there."""
    g = unpack(theta, FRAME)
    board = np.array([[(i % 6 + 1) * 20.0, (i // 6 + 1) * 20.0] for i in range(24)])
    seen = np.concatenate([board, np.zeros((24, 1))], axis=1) @ (rotation(theta[4:7]) @ FRAME.card_rotation).T
    corners = project(seen + FRAME.card_translation + theta[7:10], g.f_px, g.centre_px, g.k1)
    line = centre_line(g.dome, g.cap, 40.0, 40.0, 60)
    line = line[g.visible(line, 0.1)]
    px = g.to_px(line)
    clues = Clues(px[::4], np.full(len(px[::4]), 2.0), px[None, [5, -5]], np.array([100.0]), np.array([2.0]), 0.0)
    clues = replace(clues, pins_px=px[[3]] + 4.0, pins_u_px=np.array([3.0]), pins_lift_mm=2.2, rim_yaw_deg=(1.0, 2.0))
    outline = outline_px(g, 60) + rng.normal(0, 3.0, (60, 2))
    shown = Shown(CAMERA, board, corners + rng.normal(0, 0.3, (24, 2)), 0.2, outline, 0.8)
    return PhotoResiduals(shown, prior_for(CAMERA, 575.0), clues)


@pytest.mark.parametrize(("gone", "left"), [("dome depth", 0.0), ("dome depth", 9.0), ("dome height", -3.0)])
def test_what_is_no_dome_is_no_step_down(gone, left):
    """A step of four standard uncertainties takes a depth of 200 to 0 mm, where no surface is."""
    theta = some_unknowns(5, 1)[0]
    residuals = some_residuals(theta, np.random.default_rng(5))
    assert residuals.state(theta).cost < 1e4
    flat = theta.copy()
    flat[AT[gone]] = left
    with np.errstate(all="ignore"):  # as damped_step has it
        assert residuals.state(flat).cost == np.inf


def test_normal_equations_of_a_stack_are_those_of_one_unknown_after_the_other():
    rng = np.random.default_rng(5)
    theta = some_unknowns(5, 1)[0]
    residuals = some_residuals(theta, rng)
    state = residuals.state(
        theta + 0.02 * residuals.prior.u * np.sign(rng.normal(size=len(theta))) * (residuals.prior.u < 100)
    )
    n = len(NAMES)
    j_card, j_out, j_clue = (np.zeros((len(part), n)) for part in (state.card, state.height, state.clue))
    for j in range(n):
        moved = state.theta.copy()
        moved[j] += residuals.step[j]
        j_out[:, j] = (residuals.outline_part(moved, state.at)[0] - state.height) / residuals.step[j]
        j_card[:, j] = (residuals.card_part(moved) - state.card) / residuals.step[j]
        j_clue[:, j] = (residuals.clue_part(moved) - state.clue) / residuals.step[j]
    assert not j_card[:, CARD_UNKNOWNS:].any()
    w = np.sqrt(residuals.weights(state)) / state.sd
    j_out *= w[:, None]
    normal = j_card.T @ j_card + j_out.T @ j_out + j_clue.T @ j_clue
    slope = j_card.T @ state.card + j_out.T @ (state.height * w) + j_clue.T @ state.clue
    got_normal, got_slope = residuals.data_equations(state)
    size = np.sqrt(np.diag(normal) + 1e-12)
    assert got_normal / np.outer(size, size) == pytest.approx(normal / np.outer(size, size), abs=1e-5)
    assert got_slope / size == pytest.approx(slope / size, abs=1e-4)


RIDGE_MM = 0.08  # a point 0.4 mm over the ridge between two patches of an 8 mm chart, 0.1 rad apart, has two feet
REACH_EDGE_MM = 0.03  # a point just at the end of a local fit's reach may fall to either side of it
MARKS_UV = {
    "fold_front": (1.0, 60.0),
    "fold_back": (-1.0, -45.0),
    "front_left": (-48.0, 50.0),
    "back_left": (-50.0, -46.0),
    "back_right": (49.0, -44.0),
}


def some_observation(theta):
    """A closure, rim and hairline drawn on the dome of `theta` and seen from its camera; one corner is hidden."""
    g = unpack(theta, FRAME)
    chart = fermi_chart(g.dome.raised(0.6), g.cap, 112.0, -40, -20, 2.0)

    def seen(uv):
        return g.to_px(chart.to_points(np.array(uv)))

    cov = np.array([[3.0, 0.5], [0.5, 2.0]])
    u = np.linspace(-40, 40, 60)
    lines = [Line(seen(np.stack([u, v0 + v1 * u**2], -1)), np.full(60, 1.5)) for v0, v1 in ((72, -0.003), (60, -0.002))]
    marks = {name: Mark(seen(uv), cov) for name, uv in MARKS_UV.items()}
    return Observed(marks, {"front_right": Inferred("fold_front", 50.0, 1.5)}, *lines)


def upright_unknowns(seed):
    theta = some_unknowns(seed, 1)[0]
    theta[10:16] = 120.0, 100.0, 200.0, 0.0, 0.0, 165.0
    return theta


@settings(max_examples=6, deadline=None)
@given(seed=st.integers(0, 1000))
def test_measures_on_a_stack_are_those_of_each_geometry(seed):
    theta = upright_unknowns(seed)
    observed = some_observation(theta)
    thetas = theta + 0.005 * np.minimum(prior_for(CAMERA, 575.0).u, 10.0) * np.random.default_rng(seed).normal(
        size=(4, len(theta))
    )
    lift = Nuisance(lift_mm=np.array([0.0, 0.5, 0.0, 0.2]), lace_lift_mm=np.array([0.0, 0.0, 0.4, 0.1]))
    bend = {"width_back_mm": 1.05, "length_left_mm": 1.04, "width_front_mm": 1.06}
    many = measures(put_on_dome(unpack_many(thetas, FRAME), observed, lift, 8.0), 100.0, lift, bend)
    for k in range(4):
        own = Nuisance(lift_mm=float(lift.lift_mm[k]), lace_lift_mm=float(lift.lace_lift_mm[k]))
        one = measures(put_on_dome(unpack(thetas[k], FRAME), observed, own, 8.0), 100.0, own, bend)
        for name, value in one.items():
            at_k = np.broadcast_to(many[name], 4)[k]
            assert at_k == pytest.approx(value, abs=RIDGE_MM, nan_ok=True), name
    assert np.isfinite(many["clearance_centre_mm"]).all()
    assert np.isfinite(many["skew_deg"]).all()


def test_everything_is_raised_the_lace_on_top_of_it_and_what_is_hidden_lies_beside_its_anchor():
    theta = upright_unknowns(3)
    observed, g = some_observation(theta), unpack(theta, FRAME)
    on = put_on_dome(g, observed, Nuisance(lift_mm=1.0, lace_lift_mm=0.5), 8.0)
    front = on.marks_uv["fold_front"]
    assert front == pytest.approx(on.chart.to_uv(g.hit(observed.marks["fold_front"].px, 0.6 + 1.5)), abs=1e-6)
    assert on.rim_uv == pytest.approx(on.chart.to_uv(g.hit(observed.rim.px, 1.0)), abs=1e-6)
    assert on.inferred_uv["front_right"] == pytest.approx(front + np.array([50.0, 0.0]))


def test_budgets_are_those_of_one_difference_after_the_other():
    theta = upright_unknowns(3)
    observed = some_observation(theta)
    rim, hairline = (replace(line, common_px=2.0) for line in (observed.rim, observed.hairline))
    observed = replace(observed, rim=rim, hairline=hairline)
    rng = np.random.default_rng(3)
    root = 0.1 * np.minimum(prior_for(CAMERA, 575.0).u, 5.0)[:, None] * rng.normal(size=(len(theta), 40)) / 6
    covariance = root @ root.T
    u = np.sqrt(np.diag(covariance))
    share, directions = np.linalg.eigh(covariance / np.outer(u, u))
    print_parts = rng.normal(size=len(theta))  # how far the card's print moves along each principal direction
    print_move = directions @ (np.sqrt(share) * print_parts) * u
    normal = np.linalg.inv(covariance)
    sources = {"card corners": 0.25 * normal, "tape": 0.75 * normal}
    fit = BlockFit(theta, covariance, FRAME, 0.0, 0.0, 0.0, 0.0, 0.0, card_print_move=print_move, sources=sources)
    on = put_on_dome(fit.geometry, observed, chart_step_mm=2.0)
    values = measure_at(on, 100.0)
    bend = side_bends(on, values)
    names = [name for name, value in values.items() if np.isfinite(value)]
    got = {
        name: {line.source: line.u for line in budget}
        for name, budget in budgets(fit, observed, on, 100.0, values).items()
    }

    def at(moved=theta, nuisance=None, seen=observed):
        there = measures(put_on_dome(unpack(moved, FRAME), seen, nuisance, 8.0), 100.0, nuisance, bend)
        return np.array([float(there[name]) for name in names])

    base = at()

    def line_of(source):
        return [got[name].get(source, 0.0) for name in names]

    # the block's lines together: forward differences along the principal directions
    along = [(at(theta + 0.3 * np.sqrt(s) * d * u) - base) / 0.3 for s, d in zip(share, directions.T, strict=True)]
    together = np.hypot(line_of("card corners"), line_of("tape"))
    assert together == pytest.approx(np.linalg.norm(along, axis=0), rel=2e-3, abs=REACH_EDGE_MM)
    assert np.array(line_of("tape")) ** 2 == pytest.approx(0.75 * together**2, rel=1e-6)
    # the card's print moves all unknowns at once
    assert line_of("card print") == pytest.approx(np.abs(print_parts @ along), rel=2e-3, abs=2 * REACH_EDGE_MM)
    lifted = (at(nuisance=Nuisance(lift_mm=0.5)) - base) / 0.5 * 0.4
    assert line_of("cap thickness over the block") == pytest.approx(np.abs(lifted), abs=REACH_EDGE_MM)
    loose = (at(nuisance=Nuisance(lace_lift_mm=0.5)) - base) / 0.5 * 0.4
    assert line_of(LACE_LOOSE) == pytest.approx(np.abs(loose), abs=REACH_EDGE_MM)
    # rim and hairline: moved across their run as a whole, by what one pixel is unsure and what all share
    for field, source in (("rim", RIM_WORDS), ("hairline", "hairline in the photo")):
        line = getattr(observed, field)
        run = np.gradient(line.px, axis=0)
        across = np.stack([-run[:, 1], run[:, 0]], -1) / np.linalg.norm(run, axis=1)[:, None]
        moved = at(seen=replace(observed, **{field: replace(line, px=line.px + 0.4 * across)}))
        expected = np.abs(moved - base) / 0.4 * np.hypot(1.5, 2.0)
        if field == "hairline":
            expected[names.index("clearance_centre_mm")] = 0.0  # its tip is the fold's mark
        assert line_of(source) == pytest.approx(expected, rel=0.05, abs=REACH_EDGE_MM), field
        assert max(expected) > 1.0
    # a hidden corner is unsure by 1.5 mm to its side, and as much the asymmetry that it makes
    assert got["front_corner_asymmetry_mm"]["front right corner, hidden"] == pytest.approx(1.5)
    # a landmark: moved in the photo by a pixel's half each way, and the hidden corner beside it with it
    mark = observed.marks["fold_front"]
    jac = []
    for step in np.eye(2) * 0.5:
        ends = [{**observed.marks, "fold_front": replace(mark, px=mark.px + way * step)} for way in (1.0, -1.0)]
        ahead, behind = (at(seen=replace(observed, marks=marks)) for marks in ends)
        jac.append(ahead - behind)
    expected = np.sqrt(np.einsum("in,ij,jn->n", jac, mark.covariance_px2, jac))
    assert line_of("fold at the hairline") == pytest.approx(expected, rel=0.02, abs=REACH_EDGE_MM)


def without(observed, *names):
    return replace(observed, marks={n: mark for n, mark in observed.marks.items() if n not in names}, inferred={})


@pytest.mark.parametrize(
    ("change", "left"),
    [
        (lambda o: replace(o, rim=None), ("skew_deg", "width_back_mm")),
        (lambda o: replace(o, hairline=None), ("clearance_centre_mm", "length_left_mm")),
        (lambda o: without(o, "fold_front", "fold_back"), ("width_back_mm", "length_left_mm")),
        (lambda o: without(o, "front_left", "back_left", "back_right"), ("offset_mm", "clearance_left_mm")),
        (lambda o: Observed({}), ()),
        (lambda o: replace(o, marks={n: replace(m, px=np.zeros(2)) for n, m in o.marks.items()}), ()),
    ],
    ids=["no rim", "no hairline", "no fold", "no corners", "nothing", "beside the block"],
)
def test_budgets_where_something_was_not_found(change, left):
    theta = upright_unknowns(3)
    observed = change(some_observation(theta))
    fit = BlockFit(theta, np.diag((0.02 * np.minimum(prior_for(CAMERA, 575.0).u, 5.0)) ** 2), FRAME, 0, 0, 0, 0, 0)
    on = put_on_dome(fit.geometry, observed, chart_step_mm=2.0)
    values = measure_at(on, 100.0)
    got = budgets(fit, observed, on, 100.0, values)
    assert set(got) == {name for name, value in values.items() if np.isfinite(value)}
    assert all(got[name] for name in left)
    assert left or not got
