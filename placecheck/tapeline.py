"""Tape lines on the dome: where a tape laid over the block runs, and how long it is.

A tape pulled through three points lies, for all a bench can tell, in the plane of the
three: `section` follows the cut of the surface by that plane from the first point over the
second to the third. The middle line is the cut by the block's own mid plane, measured from
the crown, the highest point, forward positive. Straight out to a side is the geodesic at a
right angle to it, as the Fermi chart of surface_map.py has it, so marks, measures and rows
share one frame. Lengths are sums of chords on steps below a millimetre (relative error
below 1e-5 at a radius of 90 mm). Checked against circles on the sphere, elliptic integrals
and geographiclib in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from placecheck.mid_plane import MidPlane
from placecheck.surface import StarSurface, level
from placecheck.surface_map import centre_line

FloatArray = npt.NDArray[np.float64]


def arc_lengths(line: FloatArray) -> FloatArray:
    """Length walked at every point of a polyline (n, 3), mm (n,); zero at the first."""
    return np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])


def length_mm(line: FloatArray) -> float:
    """Length of a polyline (n, 3), mm."""
    return float(arc_lengths(line)[-1])


def at_length(line: FloatArray, walked_mm: FloatArray | float) -> FloatArray:
    """Points (..., 3) of a polyline (n, 3) after `walked_mm` (...) from its start."""
    s = arc_lengths(line)
    return np.stack([np.interp(walked_mm, s, line[:, i]) for i in range(3)], -1)


def section(surface: StarSurface, start: FloatArray, over: FloatArray, end: FloatArray, n: int = 361) -> FloatArray:
    """The cut (n, 3) of the surface by the plane of three of its points, from `start` over `over` to `end`.

    Raises ValueError when the three lie on one straight line.
    """
    normal = np.cross(start - over, end - over)
    size = float(np.linalg.norm(normal))
    if size < 1e-6:
        raise ValueError("three points on a straight line make no plane")
    normal /= size
    # rays go out from the plane's point nearest to the origin, if that lies well inside, else from among the three
    inside = (over @ normal) * normal
    if np.linalg.norm(inside) > 1e-9 and level(surface, inside) > -10.0:
        inside = (start + over + end) / 3.0
    e1 = over - inside
    e1 /= np.linalg.norm(e1)
    e2 = np.cross(normal, e1)

    def angle(p: FloatArray) -> float:
        return float(np.arctan2((p - inside) @ e2, (p - inside) @ e1))

    first, last = angle(start), angle(end)
    if first * last > 0:  # both on one side of `over`: the longer way round for the farther one
        if abs(first) > abs(last):
            first -= np.copysign(2 * np.pi, first)
        else:
            last -= np.copysign(2 * np.pi, last)
    # half of the points on either leg, dense enough for both
    m = n // 2
    theta = np.concatenate([np.linspace(first, 0.0, m + 1), np.linspace(0.0, last, n - m)[1:]])
    ray = np.cos(theta)[:, None] * e1 + np.sin(theta)[:, None] * e2
    low = np.zeros(n)
    high = np.full(n, 500.0)
    for _ in range(14):
        middle = (low + high) / 2
        out = level(surface, inside + middle[:, None] * ray) > 0
        high = np.where(out, middle, high)
        low = np.where(out, low, middle)
    s = (low + high) / 2
    for _ in range(3):
        f = level(surface, inside + s[:, None] * ray)
        slope = (level(surface, inside + (s + 0.02)[:, None] * ray) - f) / 0.02
        s = np.clip(s - f / np.maximum(slope, 0.02), low, high)
    return np.asarray(inside + s[:, None] * ray)


@dataclass(frozen=True)
class MiddleLine:
    """The block's middle line: `v_mm` (n,) from the crown, forward positive, and its `points` (n, 3)."""

    v_mm: FloatArray
    points: FloatArray

    def at(self, v_mm: FloatArray | float) -> FloatArray:
        """Points (..., 3) at `v_mm` (...)."""
        return np.stack([np.interp(v_mm, self.v_mm, self.points[:, i]) for i in range(3)], -1)

    @property
    def front_level_v_mm(self) -> float:
        """v where the line crosses the widest level in front."""
        front = self.points[:, 1] > 0
        z, v = self.points[front, 2], self.v_mm[front]
        return float(np.interp(0.0, z[::-1], v[::-1]))

    @property
    def back_level_v_mm(self) -> float:
        """v where it crosses the widest level behind (negative)."""
        back = self.points[:, 1] < 0
        return float(np.interp(0.0, self.points[back, 2], self.v_mm[back]))


def middle_line(surface: StarSurface, lowest_deg: float = -62.0, n: int = 1401) -> MiddleLine:
    """The cut by the plane x = 0, down to elevation `lowest_deg` on both sides."""
    line = centre_line(surface, MidPlane(), lowest_deg, lowest_deg, n)
    s = arc_lengths(line)
    top = int(np.clip(np.argmax(line[:, 2]), 1, n - 2))
    z0, z1, z2 = line[top - 1 : top + 2, 2]
    bend = z0 - 2 * z1 + z2
    crown = s[top] + (0.5 * (z0 - z2) / bend if bend < 0 else 0.0) * (s[top + 1] - s[top])
    return MiddleLine(s - crown, line)
