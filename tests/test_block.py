"""The block's outline and fit against closed forms and drawn truth."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from placecheck.block import Geometry, outline_px, prior_for, start_place, yaw_on_table
from placecheck.block_fit import RoughStart, fit_block
from placecheck.block_residuals import Shown
from placecheck.camera import camera_for, distort, pose_from_homography, project, rotation, undistort
from placecheck.damped import FIRST_DAMPING, covariance_of, damped_step
from placecheck.dome import BUMPS, Dome, half_axes_for
from placecheck.errors import RetakeNeeded

BOARD = np.array([[(i % 6 + 1) * 20.0, (i // 6 + 1) * 20.0] for i in range(24)])


def ellipsoid_geometry(axes, translation, tilt_deg=0.0):
    dome = Dome(axes[0], axes[1], axes[2], axes[2])
    r = rotation(np.radians([tilt_deg, 0, 0]))
    return Geometry(
        3000.0, np.array([2016.0, 1512.0]), 0.0, dome, r, np.array(translation, float), np.eye(3), np.zeros(3)
    )


def dual_quadric_outline(axes, translation, tilt_deg=0.0):
    """Centre and semi-axes of an ellipsoid's outline, C* = P Q* P^T (Hartley & Zisserman 2nd ed., sec. 8.3)."""
    k = np.array([[3000.0, 0, 2016], [0, 3000.0, 1512], [0, 0, 1]])
    p = k @ np.concatenate([rotation(np.radians([tilt_deg, 0, 0])), np.array(translation, float)[:, None]], 1)
    dual = p @ np.diag([axes[0] ** 2, axes[1] ** 2, axes[2] ** 2, -1.0]) @ p.T
    conic = np.linalg.inv(dual / dual[2, 2])
    a, b, c = conic[:2, :2], conic[:2, 2], conic[2, 2]
    centre = -np.linalg.solve(a, b)
    scale = -(c + b @ centre)
    return centre, np.sort(np.sqrt(scale / np.linalg.eigvalsh(a)))


def fitted_axes(points):
    """Centre and semi-axes of the ellipse through `points`, algebraic least squares."""
    m = points.mean(0)
    x, y = (points - m).T / 400
    q = np.linalg.lstsq(np.stack([x * x, x * y, y * y, x, y], -1), np.ones(len(x)), rcond=None)[0]
    a = np.array([[q[0], q[1] / 2], [q[1] / 2, q[2]]])
    centre = -np.linalg.solve(a, q[3:] / 2)
    scale = 1 + centre @ a @ centre
    return centre * 400 + m, np.sort(np.sqrt(scale / np.linalg.eigvalsh(a))) * 400


def test_sphere_outline_radius_is_f_r_over_root():
    """f r / sqrt(d^2 - r^2), not f r / d: elementary geometry of the tangent cone."""
    p = outline_px(ellipsoid_geometry((90, 90, 90), (0, 0, 600)))
    radius = np.linalg.norm(p - [2016, 1512], axis=1)
    assert radius == pytest.approx(3000 * 90 / np.sqrt(600**2 - 90**2), abs=0.02)


@pytest.mark.parametrize(
    ("axes", "translation", "tilt"),
    [((90, 90, 90), (30, -20, 600), 0.0), ((76, 98, 110), (15, -10, 600), 5.0), ((80, 100, 95), (-60, 40, 500), -35.0)],
)
def test_ellipsoid_outline_is_the_dual_quadrics(axes, translation, tilt):
    centre, semi = dual_quadric_outline(axes, translation, tilt)
    got_centre, got_semi = fitted_axes(outline_px(ellipsoid_geometry(axes, translation, tilt)))
    assert got_centre == pytest.approx(centre, abs=0.05)
    assert got_semi == pytest.approx(semi, abs=0.05)


def test_what_exif_leaves_open_of_the_focal_length():
    """A whole millimetre is half a millimetre over sqrt 3 (rectangular, GUM 4.3.7); the frame is 36 x 24 mm.

    CIPA DC-008's equivalent is by the diagonal; read by the width it is 4 % off on 4:3, within 2.5 u of a usual lens.
    """
    found = {f35: camera_for(4032, 3024, f35) for f35 in (13.0, 26.0, 77.0)}
    for f35, camera in found.items():
        assert camera.f_px == pytest.approx(f35 * np.hypot(4032, 3024) / np.hypot(36, 24), rel=1e-4)
        rounded = (0.5 / f35) ** 2 / 3
        assert camera.u_f_rel**2 - rounded == pytest.approx(found[26.0].u_f_rel ** 2 - (0.5 / 26.0) ** 2 / 3)
    usual = found[26.0]
    by_width = 26.0 * 4032 / 36
    assert 0.03 < abs(by_width / usual.f_px - 1) < 2.5 * usual.u_f_rel < 0.05


def test_a_lens_that_exif_does_not_tell_is_a_phones_and_a_zoom_beyond_all_is_refused():
    """Main lenses of phones are 22 to 30 mm (common practice, no published source)."""
    camera = camera_for(4032, 3024, None)
    for f35 in (22.0, 30.0):
        assert abs(camera_for(4032, 3024, f35).f_px / camera.f_px - 1) < 2 * camera.u_f_rel < 0.25
    assert camera_for(4032, 3024, 4.2) == camera_for(4032, 3024, 7.9) == camera  # the true focal length, by mistake
    assert camera_for(4032, 3024, 8.0) != camera
    with pytest.raises(RetakeNeeded) as caught:
        camera_for(4032, 3024, 301.0)
    assert caught.value.problem.code == "odd-focal-length"
    assert "without zoom" in caught.value.problem.message


def test_a_zoomed_photos_focal_length_lies_with_and_without_the_zoom():
    """Exif 2.32 does not say whether FocalLengthIn35mmFilm has DigitalZoomRatio in it."""
    for focal_35mm in (26.0, None):
        still = camera_for(4032, 3024, focal_35mm)
        for zoom in (1.5, 2.0, 5.0):
            zoomed = camera_for(4032, 3024, focal_35mm, zoom)
            for meant in (1.0, zoom):
                assert abs(np.log(meant * still.f_px / zoomed.f_px)) < 1.74 * zoomed.u_f_rel
            assert zoomed.u_f_rel**2 == pytest.approx(still.u_f_rel**2 + np.log(zoom) ** 2 / 12)
        for odd in (0.5, 1.0, 1e9):
            assert camera_for(4032, 3024, focal_35mm, odd) == still


@settings(max_examples=40, deadline=None)
@given(x=st.floats(-0.6, 0.6), y=st.floats(-0.6, 0.6), k1=st.floats(-0.1, 0.1))
def test_undistort_inverts_distort(x, y, k1):
    p = np.array([x, y])
    assert undistort(distort(p, k1), k1) == pytest.approx(p, abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(u=st.floats(-60, 60), w=st.floats(-60, 90), lift=st.floats(0, 2))
def test_hit_inverts_projection(u, w, lift):
    g = ellipsoid_geometry((78, 98, 104), (20, 10, 700), 170.0)
    d = np.array([u, w, 70.0])
    d /= np.linalg.norm(d)
    p = d * (g.dome.radius(d) + lift)
    assert g.hit(g.to_px(p), lift) == pytest.approx(p, abs=0.02)


def test_rays_that_miss_are_nan():
    g = ellipsoid_geometry((78, 98, 104), (0, 0, 700), 180.0)
    assert np.isnan(g.hit(np.array([10.0, 10.0]))).all()


def drawn_view(rng, lean_deg):
    """A dome of the shape family on a table with a card, seen by a phone: (truth geometry, card px)."""
    ratio = rng.uniform(1.2, 1.35)
    circumference = rng.uniform(535, 600)
    a, b = half_axes_for(circumference, ratio)
    bumps = tuple(float(rng.normal(bump.mean, bump.sd)) for bump in BUMPS)
    dome = Dome(a, b, rng.uniform(95, 110), 200, rng.uniform(0.02, 0.08), bumps)
    # table frame: block at (0, 0, 165) facing a random way, camera on the face's side
    yaw = rng.uniform(0, 2 * np.pi)
    turn = np.array([[np.cos(yaw), -np.sin(yaw), 0], [np.sin(yaw), np.cos(yaw), 0], [0, 0, 1]])
    lean = np.radians(lean_deg)
    face = turn @ np.array([0, 1.0, 0])
    aim = np.array([0, 0, 230.0]) + 30 * face
    eye = aim + 600 * (np.cos(lean) * np.array([0, 0, 1.0]) + np.sin(lean) * face)
    z = (aim - eye) / 600
    roll = rng.uniform(0, 2 * np.pi)
    x = np.cross([np.cos(roll), np.sin(roll), 0.1], z)
    x /= np.linalg.norm(x)
    r = np.stack([x, np.cross(z, x), z])
    t = -r @ eye
    board_place = np.array([-220.0, 60.0, 0.3])
    card = project((np.concatenate([BOARD * [1, -1], np.zeros((24, 1))], 1) + board_place) @ r.T + t, 1600.0, C, 0.03)
    g = Geometry(1600.0, C, 0.03, dome, r @ turn, r @ np.array([0, 0, 165.0]) + t, r, t)
    return g, card, circumference


C = np.array([1007.5, 755.5])


@pytest.mark.parametrize("lean_deg", [5.0, 30.0, 45.0])
def test_fit_finds_the_block(lean_deg):
    """Drawn outlines with 0.4 px noise: the camera's height over the crown within 3 %, outline explained to 0.6 mm."""
    rng = np.random.default_rng(round(lean_deg))
    f35 = 1600 * 43.267 / np.hypot(2016, 1512)
    for _ in range(4):
        truth, card, circumference = drawn_view(rng, lean_deg)
        outline = outline_px(truth)
        outline = outline + rng.normal(0, 0.4, outline.shape)
        card = card + rng.normal(0, 0.15, card.shape)
        camera = camera_for(2016, 1512, round(f35))
        middle = list(outline.mean(0))
        face = np.diff(truth.to_px(np.array([[0, 0, 100.0], [0, 20, 100.0]])), axis=0)[0]
        yaw = yaw_on_table(camera, BOARD, card, middle, face / np.linalg.norm(face)) + 6
        place = start_place(camera, BOARD, card, middle)
        shown = Shown(camera, BOARD, card, 0.25, outline, 0.7)
        fit = fit_block(shown, prior_for(camera, circumference), RoughStart(yaw, place))
        crown = np.array([0, 0, truth.dome.radius(np.array([0, 0, 1.0]))])
        got = np.array([0, 0, fit.geometry.dome.radius(np.array([0, 0, 1.0]))])
        there = np.linalg.norm(truth.eye_mm - crown)
        assert np.linalg.norm(fit.geometry.eye_mm - got) == pytest.approx(there, rel=0.035)
        assert fit.outline_residual_mm < 0.6
        assert fit.card_residual_px < 0.6


def test_pose_from_homography_is_exact_without_noise():
    r = rotation(np.array([2.6, 0.3, -0.4]))
    t = np.array([-60.0, 30.0, 700.0])
    px = project(np.concatenate([BOARD, np.zeros((24, 1))], 1) @ r.T + t, 1600.0, C, 0.0)
    got_r, got_t = pose_from_homography(BOARD, px, 1600.0, C, 0.0)
    assert got_r == pytest.approx(r, abs=1e-6)
    assert got_t == pytest.approx(t, abs=1e-3)


# ---------------------------------------------------------------------------- damped least squares


@dataclass(frozen=True)
class Decay:
    """Residuals (30,) of a e^(-b t) + c against readings, at x = (a, b, c)."""

    x: np.ndarray
    rows: np.ndarray

    @property
    def cost(self) -> float:
        return float(self.rows @ self.rows)


TIMES = np.linspace(0.0, 4.0, 30)
READINGS = 5.0 * np.exp(-1.3 * TIMES) + 0.7 + np.random.default_rng(3).normal(0, 0.05, 30)


def decay(x):
    return Decay(x, x[0] * np.exp(-x[1] * TIMES) + x[2] - READINGS)


def decay_slopes(x):
    fading = np.exp(-x[1] * TIMES)
    return np.stack([fading, -x[0] * TIMES * fading, np.ones(30)], -1)


def test_damped_steps_end_where_scipys_least_squares_does():
    """scipy.optimize.least_squares, from a start far off; the covariance is (J^T J)^-1 there."""
    want = least_squares(lambda x: decay(x).rows, [1.0, 0.1, 0.0], decay_slopes, xtol=1e-14, ftol=1e-14, gtol=1e-14)
    state, damping = decay(np.array([1.0, 0.1, 0.0])), FIRST_DAMPING
    for _ in range(40):
        j = decay_slopes(state.x)
        cost = state.cost
        state, damping = damped_step(state, state.x, j.T @ j, j.T @ state.rows, np.full(3, 2.0), decay, damping)
        assert state.cost <= cost
    assert state.x == pytest.approx(want.x, abs=1e-7)
    j = decay_slopes(state.x)
    assert covariance_of(j.T @ j) == pytest.approx(np.linalg.inv(want.jac.T @ want.jac), rel=1e-5)


def test_a_damped_step_keeps_to_its_limits_and_stays_where_nothing_is_lower():
    start = decay(np.array([1.0, 0.1, 0.0]))
    j = decay_slopes(start.x)
    limit = np.array([0.2, 0.05, 0.1])
    state, damping = damped_step(start, start.x, j.T @ j, j.T @ start.rows, limit, decay, 1e-3)
    assert state.cost < start.cost
    assert (np.abs(state.x - start.x) <= limit + 1e-12).all()
    assert damping == pytest.approx(1e-3 / 8)
    uphill, damping = damped_step(start, start.x, j.T @ j, -j.T @ start.rows, limit, decay, 1e-3)
    assert uphill is start
    assert damping == pytest.approx(1e-3 * 8**7)


def test_a_settled_fit_tries_no_more_steps_and_lies_within_a_fraction_of_its_uncertainty():
    """Where a step would lower chi square by less than s, no unknown is more than sqrt(s) u from the minimum."""
    u, settled = 0.05, 0.02
    want = least_squares(lambda x: decay(x).rows / u, [1.0, 0.1, 0.0], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    tried = []

    def weighed(x):
        tried.append(x)
        return Decay(x, decay(x).rows / u)

    state, damping = weighed(np.array([1.0, 0.1, 0.0])), FIRST_DAMPING
    for _ in range(40):
        j, before, last = decay_slopes(state.x) / u, len(tried), state
        normal, gradient = j.T @ j, j.T @ state.rows
        state, damping = damped_step(
            state, state.x, normal, gradient, np.full(3, 2.0), weighed, damping, settled=settled
        )
        if len(tried) == before:
            break
    assert len(tried) == before
    assert state is last
    off = (state.x - want.x) / np.sqrt(np.diag(covariance_of(normal)))
    assert np.abs(off).max() <= 1.05 * np.sqrt(settled)
