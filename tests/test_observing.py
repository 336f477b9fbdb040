"""Findings that contradict each other: a corner no closure of this width can have, a fold off the middle.

Landmarks are those of generated blocks with half a pixel of noise (block_scenes.py); one of them is then moved.
"""

from __future__ import annotations

from dataclasses import asdict, replace

import cv2
import numpy as np
import pytest
from block_scenes import fit_view, pinned, view_of

from calibration.judging import judged_again
from placecheck.answer import CAP_SHOWN, PINNED, Estimate, Grounds
from placecheck.block import outline_px
from placecheck.colours import Colours
from placecheck.errors import RetakeNeeded
from placecheck.find.pins import HEAD_LIFTS_MM
from placecheck.findings import estimated, far_off, grounds_of, why_missing
from placecheck.measure import measure_at, put_on_dome
from placecheck.observed import BY_HAND, CORNERS, FOLD, Observed
from placecheck.observing import (
    END_FACING,
    PIN_U_MM,
    STEADIED,
    check_size,
    closure_edge_px,
    with_pins,
    with_steadied_corners,
    without_lost_corners,
)
from placecheck.uncertainty import budgets, factor_for, mark_covariance_mm2, total_u

SEEDS = (3, 8, 21)
OTHER = {"fold_front": "fold_back", "fold_back": "fold_front"}


def seen_from(seed, lean_deg=42.0):
    view = view_of(pinned(seed, lean_deg), np.random.default_rng(seed))
    return view, fit_view(view)


def beside(view, fit, name, du_mm):
    """The observation with one landmark moved sideways on the dome."""
    on = put_on_dome(fit.geometry, view.observed)
    px = fit.geometry.to_px(on.chart.to_points(on.marks_uv[name] + np.array([du_mm, 0.0])))
    marks = dict(view.observed.marks)
    marks[name] = replace(marks[name], px=px)
    return replace(view.observed, marks=marks)


def value_and_U95(view, fit, observed: Observed, name):
    on = put_on_dome(fit.geometry, observed)
    values = measure_at(on, view.request.closure.width_mm)
    budget = budgets(fit, observed, on, view.request.closure.width_mm, values)
    return values[name], 2 * total_u(budget[name])


@pytest.mark.parametrize("seed", SEEDS)
def test_what_does_not_contradict_is_left_as_it_is(seed):
    view, fit = seen_from(seed)
    kept = without_lost_corners(view.observed, put_on_dome(fit.geometry, view.observed), fit.geometry, view.request)
    assert {n: m.evidence for n, m in kept.marks.items()} == {n: m.evidence for n, m in view.observed.marks.items()}
    assert not kept.inferred


@pytest.mark.parametrize("seed", SEEDS)
def test_a_misread_corner_is_placed_from_the_fold_and_unsure(seed):
    view, fit = seen_from(seed)
    misread = beside(view, fit, "back_left", 32.0)
    kept = without_lost_corners(misread, put_on_dome(fit.geometry, misread), fit.geometry, view.request)
    assert "back_left" not in kept.marks
    assert "back_right" in kept.marks
    name, truth = "back_corner_asymmetry_mm", view.truth["back_corner_asymmetry_mm"]
    wrong, _ = value_and_U95(view, fit, misread, name)
    value, wide = value_and_U95(view, fit, kept, name)
    assert abs(wrong - truth) > 20
    assert abs(value - truth) < 6
    assert wide > 10


@pytest.mark.parametrize("seed", SEEDS)
def test_a_fold_off_the_middle_of_its_corners_is_unsure(seed):
    view, fit = seen_from(seed)
    moved = beside(view, fit, "fold_front", 7.0)
    kept = without_lost_corners(moved, put_on_dome(fit.geometry, moved), fit.geometry, view.request)
    assert "fold off the middle" in kept.marks["fold_front"].evidence
    name, truth = "fold_offset_front_mm", view.truth["fold_offset_front_mm"]
    value, before = value_and_U95(view, fit, moved, name)
    _, after = value_and_U95(view, fit, kept, name)
    assert abs(value - truth) > before
    assert abs(value - truth) < 1.2 * after
    assert "fold off the middle" not in kept.marks["fold_back"].evidence


def doubted(observed, name, factor):
    """The observation with a landmark known `factor` times worse."""
    mark = observed.marks[name]
    marks = {**observed.marks, name: replace(mark, covariance_px2=mark.covariance_px2 * factor**2)}
    return replace(observed, marks=marks)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_well_seen_corner_stays_where_it_was_seen(seed):
    view, fit = seen_from(seed)
    for du_mm in (0.0, 4.0):
        seen = beside(view, fit, "back_right", du_mm)
        on = put_on_dome(fit.geometry, seen)
        steadied = with_steadied_corners(seen, on, fit.geometry, view.request)
        mark = seen.marks["back_right"]
        own = np.sqrt(mark_covariance_mm2(fit.geometry, on, mark.px, mark.covariance_px2)[0, 0])
        after = put_on_dome(fit.geometry, steadied).marks_uv["back_right"]
        assert np.abs(after - on.marks_uv["back_right"]).max() < 0.75 * own < 0.8
        assert steadied.marks["fold_back"] is seen.marks["fold_back"]


@pytest.mark.parametrize("seed", SEEDS)
def test_a_badly_seen_corner_is_drawn_to_half_the_width(seed):
    view, fit = seen_from(seed)
    name = "front_corner_asymmetry_mm"
    seen = doubted(beside(view, fit, "front_left", -4.0), "front_left", 12.0)
    steadied = with_steadied_corners(seen, put_on_dome(fit.geometry, seen), fit.geometry, view.request)
    (_, wide), (value, narrow) = (value_and_U95(view, fit, o, name) for o in (seen, steadied))
    assert STEADIED in steadied.marks["front_left"].evidence
    assert STEADIED not in steadied.marks["back_right"].evidence
    assert narrow < 0.8 * wide
    assert abs(value - view.truth[name]) < narrow
    on = [put_on_dome(fit.geometry, o) for o in (seen, steadied)]
    half = view.request.closure.width_mm / 2
    off = [at.marks_uv["fold_front"][0] - half - at.marks_uv["front_left"][0] for at in on]
    assert 0.1 < off[1] / off[0] < 0.6  # drawn toward half the width, not put there
    before, after = (at.marks_uv["front_left"][1] for at in on)
    assert abs(after - before) < 0.05  # along the side nothing is known of it


def test_a_corner_set_by_hand_is_not_drawn_anywhere():
    view, fit = seen_from(SEEDS[0])
    seen = doubted(beside(view, fit, "front_left", -4.0), "front_left", 12.0)
    by_hand = replace(seen.marks["front_left"], evidence=("set by hand",))
    seen = replace(seen, marks={**seen.marks, "front_left": by_hand})
    steadied = with_steadied_corners(seen, put_on_dome(fit.geometry, seen), fit.geometry, view.request)
    assert steadied.marks["front_left"] is by_hand


@pytest.mark.parametrize(
    ("readings", "evidence", "told"),
    [
        ({"offset_mm": 11.0, "skew_deg": -7.0}, "seen", None),
        ({"offset_mm": -13.0}, "seen", "set a ball pin on it"),
        ({"skew_deg": -9.0}, "seen", "set a ball pin on it"),
        ({"offset_mm": 13.0}, PINNED, "correct the centre line by hand before you move anything."),
        ({"offset_mm": 13.0}, BY_HAND, None),
        ({"clearance_left_mm": 30.0}, "seen", None),
    ],
)
def test_a_closure_farther_off_than_one_is_pinned_is_doubted_aloud(readings, evidence, told):
    view, _ = seen_from(8)
    line = replace(view.observed.centre, evidence=(evidence,))
    problems = far_off({n: Estimate(v, 1.0) for n, v in readings.items()}, Observed({}, centre=line))
    assert [p.code for p in problems] == ([] if told is None else ["far-off"])
    assert told is None or told in problems[0].message


@pytest.mark.parametrize(("rim_evidence", "pinned"), [(("seen",), False), ((CAP_SHOWN,), False), (("seen",), True)])
def test_a_scene_is_judged_again_with_the_factors_of_its_check(rim_evidence, pinned):
    """A rim that the photo of the cap alone shows needs no factor, a centre line that a pin holds has its own, in the
    check and where scored scenes are judged."""
    view, fit = seen_from(8)
    observed = replace(view.observed, rim=replace(view.observed.rim, evidence=rim_evidence))
    observed = replace(observed, centre=replace(observed.centre, evidence=(PINNED,) if pinned else ("seen",)))
    on = put_on_dome(fit.geometry, observed)
    values = measure_at(on, view.request.closure.width_mm)
    parts = budgets(fit, observed, on, view.request.closure.width_mm, values)
    grounds = grounds_of(observed)
    assert grounds == Grounds(line_pinned=pinned, cap_shown=rim_evidence == (CAP_SHOWN,))
    estimates, _ = estimated(values, parts, observed, grounds)
    row = {
        "expect": "normal",
        "grounds": asdict(grounds),
        "errors": {n: [0.0, 99.0, e.value, total_u(e.budget)] for n, e in estimates.items()},
    }
    again = judged_again(row)["errors"]
    for name, estimate in estimates.items():
        assert again[name][1] == pytest.approx(estimate.u), name
        u = total_u(estimate.budget)
        bears = not (grounds.cap_shown and name.startswith("clearance"))
        assert estimate.u == pytest.approx(u * factor_for(name, u, grounds) if bears else u), name
    assert sum(name.startswith("clearance") for name in estimates) == 3
    left = total_u(estimates["clearance_left_mm"].budget)
    assert abs(factor_for("clearance_left_mm", left) - 1.0) > 0.005
    corners = total_u(estimates["front_corner_asymmetry_mm"].budget)
    assert factor_for("front_corner_asymmetry_mm", corners, Grounds(line_pinned=True)) < 0.85 * factor_for(
        "front_corner_asymmetry_mm", corners
    )


@pytest.mark.parametrize(
    ("end", "lean_deg", "advice"),
    [("fold_back", 42.0, "lean the phone less toward the face"), ("fold_front", 5.0, "lean the phone more")],
)
def test_a_closure_whose_end_is_nearly_out_of_sight_is_asked_for_from_another_side(end, lean_deg, advice):
    """Its fold looks a quarter too short, and that end hardly faces the lens; where it does, pins are asked for."""
    view, fit = seen_from(8, lean_deg)
    on = put_on_dome(fit.geometry, view.observed)
    length = view.request.closure.length_mm
    away = -1.0 if end == "fold_back" else 1.0
    told = {}
    for grazing in (True, False):
        # the end where the surface turns away from the lens, or well in front of it
        along = away * np.arange(0.0, 200.0, 1.0)
        facing = fit.geometry.visible(on.chart.to_points(np.stack([0 * along, along], -1)), END_FACING)
        far = along[facing][-1] + (away if grazing else -away * 60.0)
        ends = {end: np.array([0.0, far]), OTHER[end]: np.array([0.0, far - away * 0.75 * length])}
        marks = {**{name: uv for name, uv in on.marks_uv.items() if name.startswith("fold")}, **ends}
        with pytest.raises(RetakeNeeded) as caught:
            check_size(replace(on, marks_uv=marks), fit.geometry, view.request, lens_unknown=False)
        told[grazing] = caught.value.problem
    assert {problem.code for problem in told.values()} == {"closure-size"}
    assert advice in told[True].message
    assert "uncover the fold from end to end, set a pin at each end of the fold" in told[False].message
    assert "uncover" not in told[True].message


def test_a_mark_that_the_line_of_sight_grazes_is_as_unsure_as_one_not_seen():
    """Beyond the block's edge the dome tells nothing; where the closure lies half a pixel is less than a millimetre."""
    view, fit = seen_from(8)
    on, edge = put_on_dome(fit.geometry, view.observed), outline_px(fit.geometry, 24)
    cov = np.eye(2) * 0.25
    for px in edge + 5.0 * (edge - edge.mean(0)) / np.linalg.norm(edge - edge.mean(0), axis=1)[:, None]:
        assert np.linalg.eigvalsh(mark_covariance_mm2(fit.geometry, on, px, cov)).min() > 10.0**2
    for mark in view.observed.marks.values():
        assert np.linalg.eigvalsh(mark_covariance_mm2(fit.geometry, on, mark.px, cov)).max() < 1.0


@pytest.mark.parametrize(
    ("name", "lacks", "said"),
    [
        ("offset_mm", ("fold_back",), "the fold at the back edge could not be seen"),
        ("skew_deg", ("fold_front",), "the fold at the hairline could not be seen"),
        ("offset_mm", FOLD, "the fold at the hairline and the fold at the back edge could not be seen"),
        ("front_corner_asymmetry_mm", ("front_left", "back_right"), ": front left corner could not be seen"),
        ("back_corner_asymmetry_mm", ("front_left", "back_right"), ": back right corner could not be seen"),
        ("clearance_left_mm", (), ": the hairline or the cap's rim at that place could not be seen"),
        ("clearance_left_mm", ("rim",), ": the cap's front rim could not be seen"),
        ("clearance_left_mm", ("fold_front", "fold_back"), ": the fold at the hairline could not be seen"),
    ],
)
def test_what_a_measure_lacks_is_named(name, lacks, said):
    view, _ = seen_from(8)
    marks = {n: mark for n, mark in view.observed.marks.items() if n not in lacks}
    observed = replace(view.observed, marks=marks, rim=None if "rim" in lacks else view.observed.rim)
    problem = why_missing(name, "the measure", observed)
    assert said in problem.message
    assert problem.code == name.removesuffix("_mm").removesuffix("_deg").replace("_", "-") + "-missing"


def test_the_closures_edge_runs_through_its_corners_and_the_folds_ends():
    """In the photo, once round: a point at every one of them, and none where a corner is not known."""
    view, fit = seen_from(8)
    on, names = put_on_dome(fit.geometry, view.observed), (*CORNERS, *FOLD)
    edge = closure_edge_px(on, fit.geometry)
    for name in names:
        assert np.linalg.norm(edge - view.observed.marks[name].px, axis=1).min() < 0.5, name
    for a, b in (("front_left", "back_left"), ("front_right", "back_right"), ("back_left", "fold_back")):
        halfway = (view.observed.marks[a].px + view.observed.marks[b].px) / 2
        assert np.linalg.norm(edge - halfway, axis=1).min() * fit.geometry.mm_per_px < 6.0, (a, b)
    less = closure_edge_px(
        replace(on, marks_uv={n: uv for n, uv in on.marks_uv.items() if n != "back_left"}), fit.geometry
    )
    assert np.linalg.norm(less - view.observed.marks["back_left"].px, axis=1).min() * fit.geometry.mm_per_px > 20.0


def test_a_pin_on_the_line_is_as_unsure_as_the_height_of_its_head():
    """Red heads on plain cloth at fold and corners and 22 mm before the hairline; a rectangular doubt of how high."""
    view, fit = seen_from(3)
    on = put_on_dome(fit.geometry, view.observed)
    line = on.chart.to_uv(fit.geometry.hit(view.observed.centre.px))
    front = on.marks_uv["fold_front"]
    ahead = np.array([np.polyval(np.polyfit(line[:, 1], line[:, 0], 1), front[1] + 22.0), front[1] + 22.0])
    lift = sum(HEAD_LIFTS_MM) / 2
    image = np.full((1512, 2016, 3), 120, np.uint8)
    for uv in (*on.marks_uv.values(), ahead):
        point = on.chart.to_points(uv)
        px = fit.geometry.to_px(point + lift * point / np.linalg.norm(point))
        cv2.circle(
            image,
            np.round(px * 16).astype(int).tolist(),
            round(16 * 1.9 / fit.geometry.mm_per_px),
            (30, 40, 220),
            -1,
            shift=4,
        )
    pins = with_pins(view.observed, on, fit.geometry, Colours(image), view.outline_px).pins
    assert len(pins.px) == 1
    low, high = (on.chart.to_uv(fit.geometry.hit(pins.px[0], mm))[0] for mm in HEAD_LIFTS_MM)
    assert abs(high - low) > 0.3
    assert pins.u_px[0] * fit.geometry.mm_per_px == pytest.approx(np.hypot(PIN_U_MM, (high - low) / np.sqrt(12)))
