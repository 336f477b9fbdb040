"""Rows on the dome: spacing, lengths against circles and elliptic integrals, weft, and pixels of a photo."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import ellipeinc

from placecheck.block import Geometry
from placecheck.commands.order_printing import rows_json
from placecheck.dome import Dome
from placecheck.errors import UsageProblem
from placecheck.fitting.block_marks import marks_for
from placecheck.fitting.closure_place import closure_place
from placecheck.guidelines.plan import RowsWanted, plan_for, plan_in_photo, plan_rows, rows_in_photo, under_mm
from placecheck.orders.order import Block, Cap, Measurements, Order
from placecheck.surface import geodesic_mm, level
from placecheck.tapeline import length_mm, middle_line
from placecheck.units import ClosureSize

INCH = 25.4
ORDER = Order(
    "Willow",
    Measurements(22.5 * INCH, 14.25 * INCH, 15.5 * INCH, 12.75 * INCH, 5.5 * INCH),
    Block(22.5 * INCH),
    Cap(),
    ClosureSize(127.0, 127.0, "5x5"),
    number=7,
)
MIRROR = np.array([-1.0, 1.0, 1.0])
R = 90.0
SPHERE = Dome(R, R, R, R)
LINE = middle_line(SPHERE)


def sphere_point(lat_deg, lon_deg):
    """Longitude from the back of the block (-Y) to the wearer's right."""
    lat, lon = np.radians([lat_deg, lon_deg])
    return R * np.array([np.cos(lat) * np.sin(lon), -np.cos(lat) * np.cos(lon), np.sin(lat)])


def sphere_plan(**asked):
    given = {"spacing_mm": 12.7, "first_mm": 6.0, "gap_mm": 5.0} | asked
    return plan_rows(SPHERE, LINE, -225.0, -20.0, sphere_point(-50, 40), sphere_point(-12, 90), RowsWanted(**given))


def test_rows_on_a_sphere_are_arcs_of_circles():
    """Circle through three points: radius abc / 4A, arc 4 r asin(chord / 2r) (elementary geometry)."""
    plan = sphere_plan()
    assert len(plan.rows) == int((205 - 6 - 5) / 12.7) + 1
    for row in plan.rows:
        a, b = row.points[0], row.points[-1]
        angle = (-225.0 + row.above_nape_mm) / R
        m = R * np.array([0.0, np.sin(angle), np.cos(angle)])
        area = np.linalg.norm(np.cross(a - m, b - m)) / 2
        radius = np.linalg.norm(a - b) * np.linalg.norm(a - m) * np.linalg.norm(b - m) / (4 * area)
        half = np.arcsin(min(1.0, np.linalg.norm(a - m) / (2 * radius)))
        assert row.length_mm == pytest.approx(4 * half * radius, rel=5e-5)
        assert np.abs(level(SPHERE, row.points)).max() < 1e-3


def test_the_side_line_is_the_great_circle_on_a_sphere():
    plan = sphere_plan()
    a, b = sphere_point(-50, 40), sphere_point(-12, 90)
    assert length_mm(plan.side_line) == pytest.approx(R * np.arccos(a @ b / R**2), rel=2e-5)


def test_spacing_along_the_middle_line_is_an_elliptic_integral():
    """Arc of the ellipse y = b sin t, z = c cos t: b E(t, 1 - c^2/b^2), scipy.special.ellipeinc."""
    b, c = 100.0, 103.0
    dome = Dome(80.0, b, c, c)
    ear, corner = (np.array(d) / np.linalg.norm(d) for d in ([0.97, -0.05, -0.2], [0.6, -0.65, -0.55]))
    plan = plan_rows(
        dome, middle_line(dome), -225.0, -20.0, corner * dome.radius(corner), ear * dome.radius(ear), RowsWanted(15.0)
    )
    middles = np.array([row.points[len(row.points) // 2] for row in plan.rows])
    assert np.abs(middles[:, 0]).max() < 1e-6
    t = np.arctan2(-middles[:, 1] / b, middles[:, 2] / c)
    arcs = b * ellipeinc(t, 1 - (c / b) ** 2)
    assert np.diff(arcs) == pytest.approx(np.full(len(arcs) - 1, -15.0), abs=0.02)


def test_ends_divide_the_side_line_evenly_and_rows_mirror():
    plan = sphere_plan()
    ends = np.array([row.points[-1] for row in plan.rows])
    walked = 2 * R * np.arcsin(np.linalg.norm(ends - sphere_point(-50, 40), axis=1) / (2 * R))
    assert np.diff(walked) == pytest.approx(np.full(len(walked) - 1, plan.end_spacing_mm), abs=0.01)
    assert walked == pytest.approx([row.end_mm for row in plan.rows], abs=0.01)
    for row in plan.rows:
        assert row.points[::-1] * MIRROR == pytest.approx(row.points, abs=1e-6)


def test_weft_is_the_sum_times_layers_plus_reserve():
    plan = sphere_plan(layers=2, reserve=0.15)
    assert plan.rows_mm == pytest.approx(
        sum(np.linalg.norm(np.diff(r.points, axis=0), axis=1).sum() for r in plan.rows), abs=5.0
    )
    assert plan.weft_mm == pytest.approx(2 * plan.rows_mm)
    assert plan.to_buy_mm == pytest.approx(2.3 * plan.rows_mm, abs=5.0)


@settings(max_examples=25, deadline=None)
@given(st.floats(6, 38), st.floats(0, 20), st.floats(0, 20), st.booleans())
def test_any_plan_keeps_its_distances(spacing, first, gap, even):
    plan = sphere_plan(spacing_mm=spacing, first_mm=first, gap_mm=gap, even=even)
    above = np.array([row.above_nape_mm for row in plan.rows])
    assert above[0] == pytest.approx(first)
    assert np.diff(above) == pytest.approx(np.full(len(above) - 1, plan.spacing_mm))
    assert plan.spacing_mm <= spacing + 1e-9
    assert plan.left_over_mm >= gap - 1e-6
    assert plan.left_over_mm == pytest.approx(205.0 - above[-1])
    if even:
        assert plan.left_over_mm == pytest.approx(gap, abs=1e-6)
    else:
        assert plan.left_over_mm < gap + spacing


@pytest.mark.parametrize(
    ("room", "spacing", "rows", "apart"),
    [
        (3.0, 12.7, 1, 12.7),
        (7.0, 12.7, 2, 7.0),
        (7.0, 6.0, 2, 6.0),
        (0.0, 6.0, 1, 6.0),
        (127.0, 12.7, 11, 12.7),  # it comes out even: no row more, whatever the last digit
        (63.0, 6.3, 11, 6.3),
        (75.9, 6.9, 12, 6.9),
    ],
)
def test_even_rows_are_never_closer_than_can_be_sewn(room, spacing, rows, apart):
    plan = sphere_plan(spacing_mm=spacing, first_mm=200.0 - room, even=True)
    assert (len(plan.rows), plan.spacing_mm) == (rows, pytest.approx(apart))
    left_over = room - (rows - 1) * apart
    assert plan.left_over_mm == pytest.approx(5.0 + left_over)
    told = [note for note in plan.notes if note.startswith("The rows cannot be spaced evenly")]
    assert len(told) == (left_over > 0.01)


def test_rows_of_an_order_lie_between_nape_and_closure():
    placed = marks_for(ORDER)
    place = closure_place(ORDER, placed)
    plan = plan_for(placed, place.back_edge_v_mm)
    room = 14.25 * INCH - 127.0
    assert len(plan.rows) == int((room - 6.35 - 5.0) / 12.7) + 1
    last = plan.rows[-1]
    assert room - last.above_nape_mm == pytest.approx(plan.left_over_mm, abs=0.01)
    # each row is no shorter than the shortest way between its ends round the back, and near it at the nape
    first = plan.rows[0]
    assert first.length_mm >= float(geodesic_mm(placed.dome, first.points[0], first.points[-1])) - 0.01
    assert 5.5 * INCH < first.length_mm < last.length_mm < 13.5 * INCH


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        ({"spacing_mm": 3.0}, "Rows 3.0 mm apart"),
        ({"spacing_mm": 60.0}, "Rows 60.0 mm apart"),
        ({"spacing_mm": 4.9}, "choose 5 to 40 mm"),
        ({"spacing_mm": 40.1}, "choose 5 to 40 mm"),
        ({"layers": 0}, "layers"),
        ({"layers": 5}, "layers"),
        ({"reserve": 1.5}, "reserve"),
        ({"first_mm": 210.0}, "no room"),
        ({"gap_mm": -1.0}, "no room"),
    ],
)
def test_plans_that_cannot_be(asked, says):
    with pytest.raises(UsageProblem, match=says):
        sphere_plan(**asked)


def test_rows_that_crowd_at_the_sides_are_told():
    assert "every second row" in sphere_plan(spacing_mm=6.0).notes[0]
    placed = marks_for(ORDER)
    plan = plan_for(placed, closure_place(ORDER, placed).back_edge_v_mm, RowsWanted(5.0))
    assert plan.end_spacing_mm < 2.0  # every second row would still be nearer than 4 mm to the next
    assert plan.notes[0].endswith("of each other: space them wider.")
    assert sphere_plan(spacing_mm=15.0).notes == ()
    assert sphere_plan(spacing_mm=6.0, first_mm=198.0).notes == ()  # one row crowds none


def test_what_lies_under_the_closure_is_what_its_planes_enclose():
    """A closure on the sphere whose edges are great circles: within it lies what is inside their four planes."""

    def great(a, b):
        t = np.linspace(0, 1, 60)[:, None]
        way = a * (1 - t) + b * t
        return R * way / np.linalg.norm(way, axis=1)[:, None]

    corners = [
        R * np.array(c) / np.linalg.norm(c) for c in ((-0.7, 1, 1), (0.7, 1, 1), (0.7, -0.6, 1), (-0.7, -0.6, 1))
    ]
    outline = np.concatenate([great(corners[i], corners[(i + 1) % 4]) for i in range(4)])
    planes = [np.cross(corners[i], corners[(i + 1) % 4]) for i in range(4)]
    seen = []
    for row in sphere_plan().rows:
        middles = (row.points[1:] + row.points[:-1]) / 2
        inside = np.all([middles @ plane < 0 for plane in planes], axis=0)
        step = np.linalg.norm(np.diff(row.points, axis=0), axis=1)
        expected = max(step[inside & (middles[:, 0] < 0)].sum(), step[inside & (middles[:, 0] >= 0)].sum())
        assert under_mm(row, outline) == pytest.approx(expected, abs=1.5), row.number
        seen.append(expected)
    assert seen[0] == 0.0
    assert max(seen) > 10.0


@pytest.mark.parametrize(
    ("closure", "says"),
    [
        (
            ClosureSize(177.8, 177.8, "7x7"),
            r"Rows 13 and 14 run up to 3\d mm under the closure's back corners: end them",
        ),
        (ClosureSize(127.0, 127.0, "5x5"), r"Row 18 runs up to 1\d mm under the closure's back corners: end it"),
        (ClosureSize(50.8, 152.4, "2x6"), None),
    ],
    ids=lambda given: getattr(given, "label", ""),
)
def test_rows_that_run_under_the_closure_s_corners_are_told(closure, says):
    order = replace(ORDER, closure=closure)
    placed = marks_for(order)
    place = closure_place(order, placed)
    plan = plan_for(placed, place.back_edge_v_mm, outline=place.edge_round)
    if says is None:
        assert plan.notes == ()
        return
    assert re.match(says, plan.notes[-1])
    # the row passes in front of the corner, though its middle lies behind the closure's
    last, corner = plan.rows[-1].points, place.corners[2]
    assert last[np.argmin(np.abs(last[:, 0] - corner[0])), 1] > corner[1] + 2.0
    assert plan.left_over_mm > 5.0


def test_rows_that_run_under_a_frontal_are_told():
    """Its back edge lies the lace's depth behind its front edge, which runs along the hairline to the ears."""
    order = replace(ORDER, closure=ClosureSize(330.2, 101.6, "13x4"))
    placed = marks_for(order)
    place = closure_place(order, placed)
    plan = plan_for(placed, place.back_edge_v_mm, outline=place.edge_round, cut=place.cut)
    end = plan.rows[-1].points[-1]
    nearest = place.outline[np.argmin(np.linalg.norm(place.outline - end, axis=1))]
    assert float(geodesic_mm(placed.dome, nearest, end)) < 0.5 * 101.6
    assert len(plan.notes) == 1
    assert "end every row that runs under its sides at its edge" in plan.notes[0]


def test_what_is_told_of_the_weft_adds_up():
    """Rows 4.656 m, reserve 0.466 m: together 5.122 m, and 4.66 and 0.47 are 5.13. Printed or as JSON, it is one."""
    placed = marks_for(ORDER)
    plan = plan_for(placed, closure_place(ORDER, placed).back_edge_v_mm)
    exact = sum(row.length_mm for row in plan.rows)
    assert round(0.1 * exact, -1) + round(exact, -1) != round(1.1 * exact, -1)
    for layers in (1, 2, 3, 4):
        told = rows_json(replace(plan, layers=layers))
        rows, weft, reserve, to_have = (told[name] for name in ("rows_mm", "weft_mm", "reserve_mm", "to_buy_mm"))
        assert (weft, to_have) == (layers * rows, weft + reserve)
        assert {mm % 10 for mm in (rows, weft, reserve, to_have)} == {0}
        assert to_have == pytest.approx(layers * 1.1 * exact, abs=5.0 * layers + 10.0)


def test_missing_marks_are_named():
    bare = replace(ORDER, measurements=replace(ORDER.measurements, ear_to_ear_mm=None))
    with pytest.raises(UsageProblem, match="without ear to ear"):
        plan_for(marks_for(bare), -20.0)


def test_the_plan_of_a_photo_is_that_of_its_dome():
    """The fold's ends as a photo's rays would give them, on a block that is a little uneven left and right."""
    placed = marks_for(ORDER)
    place = closure_place(ORDER, placed)
    plan = plan_for(placed, place.back_edge_v_mm)
    line = placed.line
    aside = np.array([2.0, 0.0, 0.0])
    ends = line.at(place.hairline_v_mm) + aside, line.at(place.back_edge_v_mm) - aside
    geometry = Geometry(2000.0, np.zeros(2), 0.0, placed.dome, np.eye(3), np.zeros(3), np.eye(3), np.zeros(3))
    seen = plan_in_photo(geometry, ORDER.measurements, *ends)
    assert [r.length_mm for r in seen.rows] == pytest.approx([r.length_mm for r in plan.rows], abs=0.6)
    uneven = replace(placed.dome, bumps=tuple(b + 0.006 * (i in (3, 7)) for i, b in enumerate(placed.dome.bumps)))
    seen = plan_in_photo(replace(geometry, dome=uneven), ORDER.measurements, *ends)
    for row in seen.rows:
        assert np.abs(level(uneven, row.points)).max() < 1e-3
    assert seen.rows_mm == pytest.approx(plan.rows_mm, rel=0.02)


def test_rows_in_a_photo():
    """A camera 600 mm behind a sphere, level with its centre: what it sees is the cap nearer than r^2 / d, and a point

    lands at f x / z (pinhole camera)."""
    distance, f = 600.0, 2000.0
    # camera axes in the block frame: x to the wearer's right, y down, z forward to the face
    rotation = np.array([[1.0, 0, 0], [0, 0, -1.0], [0, 1.0, 0]])
    geometry = Geometry(
        f, np.array([1000.0, 800.0]), 0.0, SPHERE, rotation, np.array([0, 0, distance]), rotation, np.zeros(3)
    )
    plan = sphere_plan()
    for row, px in zip(plan.rows, rows_in_photo(plan, geometry), strict=True):
        x, y, z = row.points.T
        seen = np.isfinite(px[:, 0])
        assert seen[len(seen) // 2] == (-y[len(seen) // 2] > 0.25 * R)
        assert not seen[-y < R**2 / distance].any()
        expected = np.stack([1000 + f * x / (distance + y), 800 - f * z / (distance + y)], -1)
        assert px[seen] == pytest.approx(expected[seen], abs=1e-6)
