"""Where lines of sight meet the dome: first hits, and the points that come closest to it.

All functions take rays (..., 3) from one eye and work on any star-shaped surface, or on a
stack of B surfaces with an eye (B, 1, 3) and rays (B, N, 3). A first hit is found by Newton's
steps along the ray from outside: for a convex body the height over the surface falls ever
less steeply toward the hit, so that no step goes past it; a ray that comes to a place where
the height falls no more misses, and the point is NaN. Where hits on a surface much like it are
known, the steps begin at them, and outside only if one is lost. The closest point is the least radial
height on a grid along the ray, between whose samples a parabola is laid: an error of the
place there is of second order in the height.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from placecheck.surface import StarSurface, gradient, level, level_and_gradient

FloatArray = npt.NDArray[np.float64]

REACH_MM = 165.0
HIT_ROUNDS = 16
SETTLED_MM = 1e-5  # the next step would be of the order of its square over the radius
LEAST_BEND = 1 / 400  # per mm: how much the height's slope along a ray changes, at least
LEAST_FALL = 0.02  # of the height along the ray: a line of sight that is less steep grazes
SPAN_MM = 60.0  # how far from the point nearest the origin the closest point may lie
CLOSEST_STEPS = np.linspace(-SPAN_MM, SPAN_MM, 25)


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    out: FloatArray = np.vecdot(a, b)
    return out


def _along(eye: FloatArray, rays: FloatArray, distance: FloatArray) -> FloatArray:
    """Points (..., 3) at `distance` (...) from the eye, or (..., K, 3) at distances (..., K)."""
    if distance.ndim == rays.ndim:
        return eye[..., None, :] + distance[..., None] * rays[..., None, :]
    return eye + distance[..., None] * rays


def _pick(values: FloatArray, index: npt.NDArray[np.int64]) -> FloatArray:
    return np.take_along_axis(values, index[..., None], -1)[..., 0]


def first_hits(
    surface: StarSurface,
    eye: FloatArray,
    rays: FloatArray,
    lift_mm: FloatArray | float = 0.0,
    near_mm: FloatArray | None = None,
) -> FloatArray:
    """First point (..., 3) of each ray that lies `lift_mm` over the surface; NaN where the ray misses.

    `lift_mm` is a number or broadcasts with (...), as does `near_mm`: how far from the eye the hits lay on a surface
    much like this one, NaN where none was; the steps then begin there.
    """
    at = _middle(eye, rays) - REACH_MM
    if near_mm is not None:
        at = np.where(np.isnan(near_mm), at, near_mm)
    points = _along(eye, rays, at)
    missed = np.zeros(at.shape, bool)
    move = np.full(at.shape, np.inf)
    for _ in range(HIT_ROUNDS):
        height, g = level_and_gradient(surface, points)
        fall = -_dot(g, rays)
        missed |= fall < LEAST_FALL
        move = np.where(missed, 0.0, (height - lift_mm) / np.maximum(fall, LEAST_FALL))
        points += np.clip(move, -REACH_MM, REACH_MM)[..., None] * rays
        if float(np.abs(move).max(initial=0.0)) < SETTLED_MM:
            break
    missed |= np.abs(move) > 1e-3
    if near_mm is not None and np.any(missed & ~np.isnan(near_mm)):
        return first_hits(surface, eye, rays, lift_mm)  # lost from so near: begin outside
    return np.where(missed[..., None], np.nan, points)


def _middle(eye: FloatArray, rays: FloatArray) -> FloatArray:
    """How far along each ray (...) the point nearest the surface's origin lies."""
    return -_dot(rays, eye)


def closest(surface: StarSurface, eye: FloatArray, rays: FloatArray) -> FloatArray:
    """How far along each ray (...) the point with the least height above the surface lies, mm."""
    at = _middle(eye, rays)
    f = level(surface, _along(eye, rays, at[..., None] + CLOSEST_STEPS))
    k = np.clip(np.argmin(f, axis=-1), 1, len(CLOSEST_STEPS) - 2)
    before, here, after = _pick(f, k - 1), _pick(f, k), _pick(f, k + 1)
    bend = np.maximum(before - 2 * here + after, 1e-9)
    step = CLOSEST_STEPS[1] - CLOSEST_STEPS[0]
    out: FloatArray = at + CLOSEST_STEPS[k] + np.clip(0.5 * (before - after) / bend, -1, 1) * step
    return out


def least_height(
    surface: StarSurface, eye: FloatArray, rays: FloatArray, beyond_mm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """One Newton step to the least height of each ray over the surface: (height (...), gradient there (..., 3), place).

    The place is told as how far beyond the point nearest the surface's origin it lies; `beyond_mm` (...) is where to
    begin. The height is right to second order in what is still missing from the place.
    """
    at = _middle(eye, rays) + beyond_mm
    height, g = level_and_gradient(surface, _along(eye, rays, at))
    slope = _dot(g, rays)
    ahead = _dot(gradient(surface, _along(eye, rays, at + 1.0)), rays)
    bend = np.maximum(ahead - slope, LEAST_BEND)
    place = np.clip(beyond_mm - np.clip(slope / bend, -30.0, 30.0), -SPAN_MM, SPAN_MM)
    move = place - beyond_mm
    return height + move * (slope + 0.5 * move * bend), g, place
