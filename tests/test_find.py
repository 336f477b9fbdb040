"""The finders on drawn pictures whose truth is known."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from block_scenes import fit_view, pinned_view
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicHermiteSpline

from placecheck.block import Geometry
from placecheck.camera import rotation
from placecheck.card import find_card
from placecheck.colours import Colours
from placecheck.dome import Dome
from placecheck.errors import RetakeNeeded
from placecheck.find.closure import Trace, _spot, as_one_line, find_closure, run_of, unroll
from placecheck.find.edge import distances_to_segments, find_edge, normals_of
from placecheck.find.network import FOLDER, run
from placecheck.find.outline import _crossings, _window, find_block
from placecheck.find.pins import HEAD_LIFTS_MM, HEAD_MM, LEAST_APART, Spot, _apart, _strongest, centre_pins, find_spots
from placecheck.find.rim import (
    AZIMUTHS_DEG,
    ELEVATIONS_DEG,
    KNOTS_DEG,
    MEAN,
    SD,
    RimField,
    _log_proposal,
    fit_rim,
    rim_elevation,
)
from placecheck.find.seam import find_seam
from placecheck.find.unroll import HEIGHT, PX_PER_MM, U_HALF_MM, V_FRONT_MM, WIDTH, cell_to_uv, unroll_grid, uv_to_cell
from placecheck.measure import put_on_dome
from placecheck.photo import load_photo
from placecheck.request import CheckRequest
from placecheck.sighting import find_standing
from placecheck.units import parse_circumference_mm, parse_closure

PHOTOS = Path(__file__).parents[1] / "fixtures" / "photos"


def disk_picture(rng, radius=180.0, centre=(300.3, 290.7), soft=1.0):
    """A pale disk on a darker noisy table, drawn four times finer and averaged down."""
    y, x = np.mgrid[0:2400, 0:2400] / 4.0 - 0.375
    inside = 1 / (1 + np.exp(np.clip((np.hypot(x - centre[0], y - centre[1]) - radius) / 0.2, -50, 50)))
    picture = 90 + 80 * inside
    small = cv2.GaussianBlur(cv2.resize(picture, (600, 600), interpolation=cv2.INTER_AREA), (0, 0), soft)
    small = small + rng.normal(0, 3, small.shape)
    return np.repeat(np.clip(small, 0, 255).astype(np.uint8)[..., None], 3, axis=2)


def ring(radius, centre, n=96):
    a = np.linspace(0, 2 * np.pi, n, endpoint=False)
    return np.array(centre) + radius * np.stack([np.cos(a), np.sin(a)], -1)


@pytest.mark.parametrize("off_mm", [-4.0, 0.0, 5.0])
def test_edge_is_found_to_a_quarter_of_a_millimetre(off_mm):
    """0.45 mm a pixel, prediction off by some mm: the median distance of the found points from the drawn circle."""
    image = disk_picture(np.random.default_rng(1))
    centre = (300.3, 290.7)
    edge = find_edge(Colours(image), ring(180 + off_mm / 0.45, centre), 0.45, 8.0)
    error_mm = (np.linalg.norm(edge.px - np.array(centre), axis=1) - 180.0) * 0.45
    assert abs(np.median(error_mm)) < 0.25
    assert np.percentile(np.abs(error_mm), 90) < 0.6


def test_a_ring_inside_the_block_is_not_taken_for_its_edge():
    """Hair darker than the cap: a strong edge 5 mm within the outline must not win over the outline."""
    image = disk_picture(np.random.default_rng(2))
    cv2.circle(image, (300, 291), 168, (30, 30, 30), -1)
    edge = find_edge(Colours(image), ring(175.0, (300.3, 290.7)), 0.45, 8.0)
    error_mm = (np.linalg.norm(edge.px - np.array([300.3, 290.7]), axis=1) - 180.0) * 0.45
    assert abs(np.median(error_mm)) < 0.8


@settings(max_examples=20, deadline=None)
@given(flip=st.booleans(), turn=st.floats(0, 6.28))
def test_normals_point_outward_whichever_way_the_ring_runs(flip, turn):
    r = ring(100.0, (0.0, 0.0)) @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    r = r[::-1] if flip else r
    assert ((normals_of(r) * r).sum(1) > 99).all()


def rim_field(parameters, hidden, also=None):
    """What a network sure to 0.8 degrees says of a rim hidden within `hidden` degrees of the front, and of a line
    `also` (azimuths, elevations) that it takes for the rim as readily."""
    ridge = np.exp(-0.5 * ((ELEVATIONS_DEG - rim_elevation(parameters, AZIMUTHS_DEG)[:, None]) / 0.8) ** 2)
    if also is not None:
        there = np.isin(AZIMUTHS_DEG, also[0])[:, None]
        other = np.exp(-0.5 * ((ELEVATIONS_DEG - also[1]) / 0.8) ** 2)
        ridge = np.where(there, other, ridge)
    bare = np.repeat(np.abs(AZIMUTHS_DEG)[:, None] > hidden, len(ELEVATIONS_DEG), axis=1)
    return RimField(np.log(np.maximum(60.0 * ridge, 1e-6)), np.where(bare, 1.0, 0.0), bare)


@settings(max_examples=30, deadline=None)
@given(
    front=st.floats(22, 38),
    drop=st.floats(14, 32),
    s28=st.floats(0.0, 0.1),
    s55=st.floats(0.3, 0.6),
    turn=st.floats(-4, 4),
    hidden=st.floats(20, 40),
)
def test_rim_under_the_hair_within_its_uncertainty(front, drop, s28, s55, turn, hidden):
    """Only the parts beside the closure are seen; the front's elevation is found within four of its uncertainties."""
    truth = np.array([front, drop, s28, s55, turn])
    rim = fit_rim(rim_field(truth, hidden))
    error = rim.elevation_deg(np.array([turn]))[0] - front
    assert abs(error) < 4 * rim.u_deg(np.array([turn]))[0] + 0.3


def test_the_less_of_the_rim_is_seen_the_less_sure_its_front():
    truth = np.array([31.0, 24.0, 0.05, 0.45, 1.0])
    front = np.array([1.0])
    u = [float(fit_rim(rim_field(truth, hidden)).u_deg(front)[0]) for hidden in (0.0, 20.0, 40.0, 60.0)]
    assert u[0] < 0.8
    assert u == sorted(u)
    assert u[3] > 2.0


def test_another_line_taken_for_the_rim_on_one_side_does_not_carry_it_off():
    """A strand or a pin's shadow 12 degrees over the rim in six of the columns on one side."""
    truth = np.array([31.0, 24.0, 0.05, 0.45, 0.0])
    rim = fit_rim(rim_field(truth, 24.0, also=(AZIMUTHS_DEG[4:10], 28.0)))
    assert abs(rim.elevation_deg(np.array([0.0]))[0] - 31.0) < 1.5


def test_a_rim_of_which_nothing_is_seen_is_as_the_prior_has_it():
    nothing = np.zeros((len(AZIMUTHS_DEG), len(ELEVATIONS_DEG)))
    rim = fit_rim(RimField(nothing, nothing, nothing > 0))
    assert np.abs((rim.parameters - MEAN) / SD).max() < 0.15  # a thousand draws, one in three of them widened
    assert np.sqrt(np.diag(rim.covariance)) == pytest.approx(SD, rel=0.1)


def test_draws_are_weighed_by_the_density_they_were_drawn_from():
    """Two thirds normal and a third widened, in five dimensions: a density, whose integral is 1 (by importance)."""
    z = 2.0 * np.random.default_rng(1).standard_normal((200_000, 5))
    z2 = (z**2).sum(1)
    drawn = -5 * np.log(2.0) - z2 / 8
    assert np.exp(_log_proposal(z2) - drawn).mean() == pytest.approx(1.0, abs=0.02)


def test_a_rims_family_is_a_cubic_hermite_curve_and_straight_beyond_the_side():
    """scipy.interpolate.CubicHermiteSpline; slopes at the inner knots are those of the chords across them."""
    front, drop, s28, s55, turn = p = np.array([31.0, 24.0, 0.06, 0.45, 2.0])
    share, k = np.array([0.0, s28, s55, 1.0]), KNOTS_DEG
    slopes = [0.0, (share[2] - share[0]) / (k[2] - k[0]), (share[3] - share[1]) / (k[3] - k[1]), 0.55 / (k[3] - k[2])]
    a = np.linspace(-86.0, 90.0, 60)
    within = CubicHermiteSpline(k, share, slopes)(np.abs(a - turn))
    assert rim_elevation(p, a) == pytest.approx(front - drop * within)
    beyond = rim_elevation(p, turn + np.array([90.0, 96.0, 102.0]))
    assert np.diff(beyond) == pytest.approx(-drop * slopes[3] * 6.0)


def test_rays_leave_a_silhouette_where_it_is_half_probable():
    y, x = np.mgrid[0:120, 0:120].astype(float)
    p = 1 / (1 + np.exp((np.hypot(x - 61.3, y - 58.6) - 34.7) / 1.5))
    at = _crossings(p, np.array([60.0, 60.0]))
    assert np.hypot(*(at - [61.3, 58.6]).T) == pytest.approx(np.full(len(at), 34.7), abs=0.15)


def test_the_same_picture_has_the_same_rim():
    field = rim_field(np.array([28.0, 22.0, 0.06, 0.5, -2.0]), 30.0)
    assert (fit_rim(field).parameters == fit_rim(field).parameters).all()


def seam_picture(lines, rng):
    """An unrolled picture of grey mesh with dark upright lines (u at v = 0, lean, width mm)."""
    picture = np.full((HEIGHT, WIDTH, 4), 255, np.uint8)
    cells = np.stack(np.meshgrid(np.arange(WIDTH), np.arange(HEIGHT)), -1).astype(float)
    uv = cell_to_uv(cells)
    light = 110 + rng.normal(0, 8, (HEIGHT, WIDTH))
    for u, lean, width in lines:
        light = np.where(
            np.abs(uv[..., 0] - u - lean * uv[..., 1]) < width / 2, 55 + rng.normal(0, 6, light.shape), light
        )
    picture[..., :3] = np.clip(light, 0, 255)[..., None]
    hidden = (np.abs(uv[..., 0]) < 60) & (uv[..., 1] > -20)
    return picture, hidden


def test_one_seam_behind_the_closure():
    picture, hidden = seam_picture([(2.4, -0.03, 4.0)], np.random.default_rng(3))
    facing = np.ones((HEIGHT, WIDTH), np.float32)
    seam = find_seam(picture, facing, hidden, 110.0, 0.5, 0.0, back_v_mm=-20.0)
    assert seam is not None
    assert seam.kind == "one seam"
    assert seam.u_mm + seam.lean * -60 == pytest.approx(2.4 + 0.03 * 60, abs=0.4)


def test_a_pair_of_seams_gives_its_middle():
    picture, hidden = seam_picture([(-31.0, 0.02, 3.0), (37.0, 0.02, 3.0)], np.random.default_rng(4))
    facing = np.ones((HEIGHT, WIDTH), np.float32)
    seam = find_seam(picture, facing, hidden, 110.0, 1.0, 0.0, back_v_mm=-20.0)
    assert seam is not None
    assert seam.kind == "a pair of seams"
    assert seam.u_mm + seam.lean * -60 == pytest.approx(3.0 - 0.02 * 60, abs=0.4)


def test_plain_mesh_has_no_seam():
    picture, hidden = seam_picture([], np.random.default_rng(5))
    facing = np.ones((HEIGHT, WIDTH), np.float32)
    assert find_seam(picture, facing, hidden, 110.0, 0.0, 0.0, back_v_mm=-20.0) is None


def test_a_window_reaches_beyond_what_was_looked_at():
    values = np.arange(48.0).reshape(6, 8)
    assert (_window(values, 2, 1, 4) == values[1:5, 2:6]).all()
    beyond = _window(values, -2, 4, 4)
    assert (beyond[:2, 2:] == values[4:, :2]).all()
    assert (beyond[:, :2] == 0).all()
    assert (beyond[2:] == 0).all()


def test_where_the_quick_look_sees_nothing_the_slower_one_is_asked(monkeypatch):
    photo = load_photo(PHOTOS / "demo.jpg")
    card = find_card(photo.gray)
    found = find_block(photo.colours, card.px_per_mm)
    asked = []

    def blind(name, picture):
        asked.append(name)
        maps, flags = run(name, picture)
        return (maps - 100.0 if name == "place" else maps), flags

    monkeypatch.setattr("placecheck.find.outline.run", blind)
    again = find_block(photo.colours, card.px_per_mm)
    assert asked == ["place", "block", "block", "block"]
    assert np.linalg.norm(again.centroid_px - found.centroid_px) < 0.01 * found.size_px
    with pytest.raises(RetakeNeeded) as stopped:
        find_block(Colours(np.full_like(photo.image, 128)), card.px_per_mm)
    assert stopped.value.problem.code == "block-missing"


def test_a_picture_unrolled_at_half_the_scale_shows_the_same_places():
    dome = Dome(89.0, 104.0, 120.0, 200.0, 0.05)
    tilt = rotation(np.radians([180.0, 0.0, 0.0]))
    at = (np.eye(3), np.array([0.0, 0.0, 700.0]))
    geometry = Geometry(1500.0, np.array([1000.0, 750.0]), 0.0, dome, tilt, np.array([0.0, 0.0, 600.0]), *at)
    whole, half = unroll_grid(geometry), unroll_grid(geometry, px_per_mm=PX_PER_MM / 2)
    assert half.facing.shape == (HEIGHT // 2, WIDTH // 2)
    seen = (half.facing > 0.2) & (whole.facing[::2, ::2] > 0.2)
    mean = whole.photo_px.reshape(HEIGHT // 2, 2, WIDTH // 2, 2, 2).mean((1, 3))
    assert np.abs(mean - half.photo_px)[seen].max() < 0.1


def test_the_first_look_sees_what_the_second_does():
    """Good enough to fit the block anew: landmarks of a shipped photo within 3 mm of those read at the full scale."""
    photo = load_photo(PHOTOS / "demo.jpg")
    seen = find_standing(photo, CheckRequest(parse_closure("4x4"), parse_circumference_mm("23in")))
    second = find_closure(*unroll(photo.colours, seen.way.fit.geometry))
    assert seen.sighting.cell_mm == 2 * second.cell_mm
    assert set(seen.sighting.spots) == set(second.spots)
    for name, spot in second.spots.items():
        assert np.linalg.norm(spot.uv - seen.sighting.spots[name].uv) < 3.0, name
    area = [float((s.ventilated > 0.5).sum()) * s.cell_mm**2 for s in (seen.sighting, second)]
    assert area[0] == pytest.approx(area[1], rel=0.05)


def test_how_far_pixels_lie_from_a_ring():
    angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    circle = np.stack([np.cos(angle), np.sin(angle)], -1)
    ring = 100 * circle, np.roll(100 * circle, -1, axis=0)
    assert distances_to_segments(93 * circle[::7], *ring).min(0) == pytest.approx(7.0, abs=0.002)
    assert distances_to_segments(108 * circle[::7], *ring).min(0) == pytest.approx(8.0, abs=0.002)


def test_one_row_off_the_run_is_doubted_and_pulls_little():
    v = np.arange(-60.0, 100.0, 3.0)
    u = 1.0 + 0.02 * v
    u[10] += 8.0
    line = as_one_line(Trace(np.stack([u, v], -1), np.ones(len(v)), np.ones(len(v))))
    assert line.u_mm[10] > 3 * line.u_mm[0]
    assert np.delete(line.u_mm, 10) == pytest.approx(line.u_mm[0], rel=0.05)
    assert run_of(line) == pytest.approx([1.0, 0.02], abs=0.02)


@settings(max_examples=30, deadline=None)
@given(u=st.floats(-100, 100), v=st.floats(-100, 150))
def test_cells_and_millimetres_invert_each_other(u, v):
    assert cell_to_uv(uv_to_cell(np.array([u, v]))) == pytest.approx([u, v])
    assert uv_to_cell(np.array([-U_HALF_MM, V_FRONT_MM])) == pytest.approx([-0.5, -0.5])
    assert PX_PER_MM * 2 * U_HALF_MM == WIDTH


def peaks(*heights_at):
    """A landmark's map of logits with soft peaks: (height, row, column) each."""
    y, x = np.mgrid[0 : HEIGHT // 2, 0 : WIDTH // 2]
    p = sum(h * np.exp(-((y - j) ** 2 + (x - i) ** 2) / (2 * 1.3**2)) for h, j, i in heights_at)
    return np.log(p + 1e-12)


def test_a_landmark_that_may_lie_elsewhere_is_unsure_by_as_much():
    alone, torn = (_spot(peaks((1.0, 100, 90), *more), 1.0) for more in ((), ((0.25, 100, 102),)))
    assert alone.mass > 0.99
    assert np.sqrt(alone.covariance_mm2[0, 0]) < 0.8
    assert torn.uv == pytest.approx(alone.uv, abs=0.2)  # still where it is likeliest
    assert torn.mass == pytest.approx(0.8, abs=0.01)
    away_mm = 12 * 2 / PX_PER_MM
    # a fifth of the probability, 12 cells to the side: variance 0.2 times the distance squared, across only
    assert torn.covariance_mm2[0, 0] - alone.covariance_mm2[0, 0] == pytest.approx(0.2 * away_mm**2, rel=0.15)
    assert torn.covariance_mm2[1, 1] - alone.covariance_mm2[1, 1] < 1.0


@pytest.fixture
def marks_of_five_inches():
    """Landmarks (u, v) of a closure on the centre line, and what makes a red head at a place."""
    marks = {"fold_front": (0.5, 110.0), "fold_back": (0.4, -15.0)}
    marks |= {
        f"{end}_{side}": (u, v)
        for end, v in (("front", 108.0), ("back", -14.0))
        for side, u in (("left", -60.0), ("right", 61.0))
    }

    def head(u, v):
        place = np.array([u, v])
        return Spot(np.array([5.0 * u, -5.0 * v]), np.array([20.0, 40.0, 220.0]), 8.0, place, place - [0.0, 4.0])

    return {name: np.array(uv) for name, uv in marks.items()}, head


def test_a_pin_that_holds_the_fold_is_not_one_on_the_centre_line(marks_of_five_inches):
    marks, head = marks_of_five_inches
    corners = [head(*(uv + 2.0)) for name, uv in marks.items() if not name.startswith("fold")]
    held = head(0.4, 112.0)
    for ahead_mm, others, found in (
        (5.0, [], False),
        (14.0, [], False),  # it may be the fold's own, if the hairline was read too far back
        (20.0, [], True),
        (14.0, [held], True),
    ):
        pins = centre_pins([*corners, *others, head(0.2, 112.0 + ahead_mm)], marks, np.array([0.0]))
        assert bool(pins) is found
    assert not centre_pins([held, head(0.2, 132.0)], marks, np.array([0.0]))  # chalk dots on the fold, for all we know
    assert not centre_pins([*corners, held, head(4.5, 132.0)], marks, np.array([0.0]))  # off the line
    other = replace(head(0.2, 132.0), colour=np.array([220.0, 40.0, 20.0]))
    assert not centre_pins([*corners, held, other], marks, np.array([0.0]))  # of another colour
    shaded = replace(head(0.2, 132.0), colour=np.array([12.0, 24.0, 130.0]))
    assert "front" in centre_pins([*corners, held, shaded], marks, np.array([0.0]))


def test_a_pin_behind_counts_only_where_one_holds_the_folds_end(marks_of_five_inches):
    marks, head = marks_of_five_inches
    corners = [head(*(uv + 2.0)) for name, uv in marks.items() if not name.startswith("fold")]
    behind, holds = head(0.3, -33.0), head(0.5, -13.0)
    assert "back" not in centre_pins([*corners, behind], marks, np.array([0.0]))
    assert "back" in centre_pins([*corners, holds, behind], marks, np.array([0.0]))


@pytest.mark.parametrize("scale", [1, 2])
def test_heads_are_found_where_they_were_drawn(scale):
    """Discs of a head's size on plain cloth, drawn five times finer and averaged: to a fifth of a pixel.

    In a photo of twice the size, which is looked at reduced, to as much of a millimetre. Where they are on the dome is
    told with the middle of the heights a head may stand at.
    """
    view = pinned_view(8, 42.0)
    geometry = fit_view(view).geometry
    geometry = replace(geometry, f_px=scale * geometry.f_px, centre_px=scale * (geometry.centre_px + 0.5) - 0.5)
    chart = put_on_dome(fit_view(view).geometry, view.observed).chart
    outline = scale * (view.outline_px + 0.5) - 0.5
    radius = HEAD_MM / 2 / geometry.mm_per_px
    middle = np.round(outline.mean(0)).astype(int)
    true = middle + scale * np.array([[-40.3, 20.4], [55.2, -30.7], [10.45, 60.1]])
    image = np.full((scale * 1512, scale * 2016, 3), 120, np.uint8)
    size = 256 * scale
    corner = middle - size // 2
    y, x = (np.mgrid[0 : 5 * size, 0 : 5 * size] + 0.5) / 5 - 0.5
    inside = sum(np.hypot(x + corner[0] - px, y + corner[1] - py) < radius for px, py in true)
    small = cv2.resize(inside.astype(np.float32), (size, size), interpolation=cv2.INTER_AREA)[..., None]
    drawn = 120 + small * (np.array([30.0, 40.0, 220.0]) - 120)
    image[corner[1] : corner[1] + size, corner[0] : corner[0] + size] = np.round(drawn)
    spots = find_spots(Colours(image), geometry, chart, outline)
    assert len(spots) == 3
    for px in true:
        spot = min(spots, key=lambda s: np.linalg.norm(s.px - px))
        assert spot.px == pytest.approx(px, abs=0.2 * scale)
        low, high = (chart.to_uv(geometry.hit(spot.px, lift)) for lift in HEAD_LIFTS_MM)
        assert spot.uv == pytest.approx((low + high) / 2)


def test_heads_are_told_from_texture_by_the_ring_around_them():
    """Path-traced photos with eight ball pins: most heads are found to a millimetre and apart from what is around them,
    of the other places as strong, on mesh, hair, table and clutter, one in five at most."""
    heads, others = [], []
    for name in ("demo", "lean_roll_4x4", "lean_parted_5x5", "job_pinned_5x5"):
        truth = json.loads((PHOTOS / f"{name}.json").read_text())
        camera = truth["camera"]
        pins = [p for p in truth["pins"] if p["type"] == "ball_pin" and p["visible"]]
        px = np.array([p["head_px"] for p in pins])
        depth = np.array([p["head_world"] for p in pins]) @ np.array(camera["R"])[2] + camera["t"][2]
        px_per_mm = float(camera["K"][0][0] / np.mean(depth))
        low = np.maximum(px.min(0) - 150, 0).astype(int)
        high = px.max(0).astype(int) + 150
        part = load_photo(PHOTOS / f"{name}.jpg").image[low[1] : high[1], low[0] : high[0]].astype(np.float32)
        at = _strongest(part, HEAD_MM / 2 * px_per_mm, 400)
        apart = _apart(part, at, HEAD_MM / 2 * px_per_mm)
        away_mm = np.linalg.norm(at[:, None] + low - px, axis=-1) / px_per_mm
        heads += list((away_mm < 1.0)[apart > LEAST_APART].any(0))
        others += list(apart[away_mm.min(1) > 5.0] > LEAST_APART)
    assert np.mean(heads) > 0.8
    assert len(others) > 300
    assert np.mean(others) < 0.2
    assert len(_apart(part, np.zeros((0, 2)), 4.0)) == 0


def test_the_networks_stay_small():
    """8 MB for all: they ship in the package."""
    assert sum(f.stat().st_size for f in FOLDER.glob("*.onnx")) < 8_000_000


def test_a_block_nearer_than_the_card_tells_is_found_whole():
    """The card far off, where a millimetre has few pixels: the window first looked through cuts the block off."""
    photo = load_photo(PHOTOS / "demo.jpg")
    card = find_card(photo.gray)
    near, far = (find_block(photo.colours, share * card.px_per_mm) for share in (1.0, 0.52))
    assert far.size_px == pytest.approx(near.size_px, rel=0.04)
    assert np.linalg.norm(far.centroid_px - near.centroid_px) < 0.03 * near.size_px
