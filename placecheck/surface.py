"""Star-shaped surfaces: how far a point lies over one, its normals, and lengths along it.

A surface only has to give its radius in a direction; the height of a point above it is measured
along the ray from its origin. A geodesic between two points is found by shooting: walk from the
one by the midpoint rule, with the tangent kept in the tangent plane and each step put back on
the surface, and correct direction and length by the miss at the other. A plane section through
the origin is quicker, and the same along a closure's fold. Everything takes arrays of points
(..., 3) in mm, and stacks of B surfaces at once. Checked against geographiclib on spheroids
in the tests. Unrolling a surface is surface_map.py's.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

GEODESIC_MISS_MM = 0.02  # what is still missing is added to the length: an error of its square over the length


class StarSurface(Protocol):
    """A closed surface seen whole from the block's origin, lengths in mm.

    One that also has `radius_and_slope(directions)`, the radius with its derivatives (..., 3) by the components of the
    direction, is not differentiated numerically. A stack of B surfaces (dome.Domes) takes directions (B, ..., 3).
    """

    def radius(self, directions: FloatArray) -> FloatArray:
        """Distance from the origin to the surface along unit `directions` (..., 3) -> (...)."""
        ...


def level(surface: StarSurface, points: FloatArray) -> FloatArray:
    """Radial height of `points` (..., 3) above the surface: |p| - r(p / |p|), mm; zero on it, negative inside."""
    norm = np.sqrt(dot(points, points))
    return norm - surface.radius(points / norm[..., None])


def level_and_gradient(surface: StarSurface, points: FloatArray, h_mm: float = 0.05) -> tuple[FloatArray, FloatArray]:
    """`level` (...) and its gradient (..., 3), in closed form or, where the surface knows no slope, by differences."""
    slope_of = getattr(surface, "radius_and_slope", None)
    if slope_of is None:
        offsets = np.concatenate([np.zeros((1, 3)), np.eye(3), -np.eye(3)]) * h_mm
        values = level(surface, points[..., None, :] + offsets)
        return values[..., 0], (values[..., 1:4] - values[..., 4:]) / (2 * h_mm)
    norm = np.sqrt(dot(points, points))
    d = points / norm[..., None]
    r, slope = slope_of(d)
    # only what changes the direction counts: |p| - r(p / |p|) has the gradient d - (slope - (slope . d) d) / |p|
    along = 1.0 + dot(slope, d) / norm
    return norm - r, along[..., None] * d - slope / norm[..., None]


def dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Scalar products (...) of vectors (..., n)."""
    out: FloatArray = np.vecdot(a, b)
    return out


def gradient(surface: StarSurface, points: FloatArray) -> FloatArray:
    """Gradient of `level` (..., 3)."""
    return level_and_gradient(surface, points)[1]


def unit(vectors: FloatArray) -> FloatArray:
    """Vectors (..., n) over their lengths; one without length stays as it is."""
    return vectors / np.sqrt(np.maximum(dot(vectors, vectors), 1e-300))[..., None]


def normals(surface: StarSurface, points: FloatArray) -> FloatArray:
    """Outward unit normals at `points` (..., 3)."""
    return unit(gradient(surface, points))


def onto(surface: StarSurface, points: FloatArray) -> FloatArray:
    """`points` (..., 3) close to the surface moved onto it along its normal."""
    height, g = level_and_gradient(surface, points)
    return points - g * (height / dot(g, g))[..., None]


def _step(surface: StarSurface, p: FloatArray, t: FloatArray, h: FloatArray) -> tuple[FloatArray, FloatArray]:
    """One midpoint step of length h (...,) along geodesics from p with unit tangent t."""
    middle = p + t * (h / 2)[..., None]
    g = gradient(surface, middle)
    t_mid = unit(t - g * (dot(t, g) / dot(g, g))[..., None])
    q = p + t_mid * h[..., None]
    height, g = level_and_gradient(surface, q)
    per_g2 = 1.0 / dot(g, g)
    q -= g * (height * per_g2)[..., None]
    return q, unit(t_mid - g * (dot(t_mid, g) * per_g2)[..., None])


def geodesic_mm(surface: StarSurface, start: FloatArray, end: FloatArray, step_mm: float = 4.0) -> FloatArray:
    """Length of the geodesic from `start` (..., 3) to `end` (..., 3) on the surface, mm (...).

    Shooting: first guess along the chord, then the miss at the far end corrects angle and length.
    For points less than half way round the block; both are put onto the surface first.
    """
    p0 = onto(surface, np.asarray(start, float))
    q0 = onto(surface, np.asarray(end, float))
    n0 = normals(surface, p0)
    chord = q0 - p0
    size = np.linalg.norm(chord, axis=-1)
    if np.all(size < 1e-9):
        return size
    e1 = chord - dot(chord, n0)[..., None] * n0
    e1 /= np.maximum(np.linalg.norm(e1, axis=-1, keepdims=True), 1e-12)
    e2 = np.cross(n0, e1)
    length = size * (1 + size**2 / (24 * 90.0**2))
    angle = np.zeros_like(length)
    # how far the end moves sideways for a turn at the start: as on a sphere at first, then as it did move
    around = 0.5 * (np.linalg.norm(p0, axis=-1) + np.linalg.norm(q0, axis=-1))
    swing = np.maximum(around * np.sin(np.minimum(length / around, 2.5)), 1e-6)
    least, most = 0.2 * swing, 5.0 * swing
    turn = before = np.zeros_like(length)
    steps = max(2, int(np.ceil(float(np.max(length)) / step_mm)))
    for _ in range(9):
        p = p0
        t = np.cos(angle)[..., None] * e1 + np.sin(angle)[..., None] * e2
        for _ in range(steps):
            p, t = _step(surface, p, t, length / steps)
        miss = q0 - p
        side = np.cross(normals(surface, p), t)
        sideways = dot(miss, side)
        ahead = dot(miss, t)
        swing = np.where(np.abs(turn) > 1e-9, (before - sideways) / np.where(turn == 0, 1.0, turn), swing)
        turn = sideways / np.clip(swing, least, most)
        before = sideways
        length = length + ahead
        angle = angle + turn
        if float(np.max(np.abs(ahead) + np.abs(sideways))) < GEODESIC_MISS_MM:
            break
    return length


def section_mm(surface: StarSurface, start: FloatArray, end: FloatArray, n: int = 25) -> FloatArray:
    """Length of the surface's cut by the plane through its origin, `start` (..., 3) and `end` (..., 3), mm (...).

    Along a closure's fold, close to a plane of symmetry, it is the geodesic to 0.1 mm, and a tenth of the work.
    """
    w = np.linspace(0.0, 1.0, n)[:, None]
    ray = unit((1 - w) * start[..., None, :] + w * end[..., None, :])
    p = surface.radius(ray)[..., None] * ray
    out: FloatArray = np.linalg.norm(np.diff(p, axis=-2), axis=-1).sum(-1)
    return out
