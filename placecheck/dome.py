"""The block's shape: an ellipsoid whose forehead, occiput, crown and temples may differ from it.

A tape tells one number and an outline a few more, so the shape is a small family with
a prior: semi-axes (half breadth a, half length b, height c over the widest level),
an egg term (heads and blocks are broadest behind the middle), and smooth bumps of a few
parts in a thousand of the radius, each a von Mises-Fisher bell on the sphere of
directions. A forehead is flatter than an ellipsoid and an occiput fuller: those bumps
have a mean that is not zero (common practice, no published source). Below the widest
level the body tapers; its length there is free, since only the outline of leaning
photos sees it. The surface is star-shaped, so one radius function is all that is needed;
the widest level's circumference comes from Simpson-like summation and is checked
against the complete elliptic integral.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def _unit(x: float, y: float, z: float) -> tuple[float, float, float]:
    n = (x * x + y * y + z * z) ** 0.5
    return (x / n, y / n, z / n)


@dataclass(frozen=True)
class Bump:
    """A smooth departure from the ellipsoid: r *= 1 + amplitude * exp(sharpness * (d . direction - 1))."""

    name: str
    direction: tuple[float, float, float]
    sharpness: float
    mean: float
    sd: float


BUMPS: tuple[Bump, ...] = (
    Bump("forehead", _unit(0.0, 0.87, 0.49), 5.0, -0.012, 0.009),
    Bump("occiput", _unit(0.0, -0.97, 0.22), 5.0, 0.006, 0.008),
    Bump("crown", _unit(0.0, 0.0, 1.0), 5.0, 0.0, 0.007),
    Bump("temple left", _unit(-0.70, 0.45, 0.55), 6.0, 0.0, 0.006),
    Bump("temple right", _unit(0.70, 0.45, 0.55), 6.0, 0.0, 0.006),
    Bump("side left", _unit(-0.70, -0.45, 0.55), 6.0, 0.0, 0.006),
    Bump("side right", _unit(0.70, -0.45, 0.55), 6.0, 0.0, 0.006),
    Bump("brow", _unit(0.0, 1.0, 0.0), 6.0, 0.002, 0.006),
)
_DIRECTIONS = np.array([bump.direction for bump in BUMPS])
_SHARPNESS = np.array([bump.sharpness for bump in BUMPS])
_AIMS = _DIRECTIONS.T * _SHARPNESS
_BUMP_AND_SLOPE = np.concatenate([np.ones((len(BUMPS), 1)), _AIMS.T], axis=1)


def _bells(directions: FloatArray) -> FloatArray:
    """The bells of BUMPS (..., len(BUMPS)) at unit directions (..., 3)."""
    out: FloatArray = directions @ _AIMS
    out -= _SHARPNESS
    return np.exp(out, out=out)


def _radius(directions: FloatArray, axes: Sequence[Any], bumps: FloatArray) -> FloatArray:
    """Radius (...) along `directions` (..., 3).

    `axes` are half breadth, half length, height, depth and egg, numbers or arrays that broadcast with (...); `bumps`
    (len(BUMPS),), or (B, len(BUMPS)) for directions (B, M, 3).
    """
    breadth, length, height, depth, egg = axes
    x, y, z = directions[..., 0], directions[..., 1], directions[..., 2]
    across = x / (breadth * (1.0 - egg * y))
    along, up = y / length, z / np.where(z >= 0.0, height, depth)
    r: FloatArray = 1.0 / np.sqrt(across * across + along * along + up * up)
    if bumps.any():
        r *= 1.0 + (_bells(directions) @ bumps[..., None])[..., 0]
    return r


def _radius_and_slope(directions: FloatArray, axes: Sequence[Any], bumps: FloatArray) -> tuple[FloatArray, FloatArray]:
    """As `_radius`, with dr/d(direction) (..., 3), the components taken as independent of each other."""
    breadth, length, height, depth, egg = axes
    x, y, z = directions[..., 0], directions[..., 1], directions[..., 2]
    taper = 1.0 - egg * y
    half_breadth = breadth * taper
    half = np.where(z >= 0.0, height, depth)
    per = np.empty(directions.shape)
    np.divide(x, half_breadth * half_breadth, out=per[..., 0])
    np.divide(y, length * length, out=per[..., 1])
    np.divide(z, half * half, out=per[..., 2])
    r: FloatArray = 1.0 / np.sqrt(np.vecdot(directions, per))
    shrink = r * r * r
    # x / half breadth changes with y, too
    per[..., 1] += x * per[..., 0] * (egg / taper)
    if bumps.any():
        # one product gives the sum of the bells and its three derivatives
        risen = _bells(directions) @ (bumps[..., None] * _BUMP_AND_SLOPE)
        swell = 1.0 + risen[..., 0]
        shrink *= swell
        slope: FloatArray = r[..., None] * risen[..., 1:]
        slope -= shrink[..., None] * per
        r *= swell
    else:
        slope = -shrink[..., None] * per
    return r, slope


@dataclass(frozen=True)
class Dome:
    """A block's surface in its own frame (origin at the widest level, +X right, +Y face, +Z up), mm.

    `bumps` are the amplitudes of BUMPS, `egg` narrows the front and widens the back by that fraction.
    """

    half_breadth_mm: float
    half_length_mm: float
    height_mm: float
    depth_mm: float = 200.0
    egg: float = 0.0
    bumps: tuple[float, ...] = (0.0,) * len(BUMPS)

    def radius(self, directions: FloatArray) -> FloatArray:
        """Distance from the origin to the surface along unit directions (..., 3)."""
        return _radius(directions, self._axes, self._bumps)

    def radius_and_slope(self, directions: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The radius (...) and its derivatives (..., 3) by the components of the direction, closed form."""
        return _radius_and_slope(directions, self._axes, self._bumps)

    @property
    def _axes(self) -> tuple[float, float, float, float, float]:
        return self.half_breadth_mm, self.half_length_mm, self.height_mm, self.depth_mm, self.egg

    @cached_property
    def _bumps(self) -> FloatArray:
        return np.array(self.bumps)

    def raised(self, lift_mm: float) -> Dome:
        """The dome with something of that thickness laid over it: the half axes grow by it."""
        return replace(
            self,
            half_breadth_mm=self.half_breadth_mm + lift_mm,
            half_length_mm=self.half_length_mm + lift_mm,
            height_mm=self.height_mm + lift_mm,
        )

    def circumference_mm(self, n: int = 360) -> float:
        """Length round the widest level (z = 0), mm; the trapezoid rule converges fast on a closed smooth curve."""
        angle = np.arange(n) * (2 * np.pi / n)
        d = np.stack([np.cos(angle), np.sin(angle), np.zeros(n)], -1)
        p = d * self.radius(d)[:, None]
        # spectral derivative of a periodic curve
        k = np.fft.fftfreq(n, 1.0 / n)
        k[n // 2] = 0.0  # the Nyquist term has no derivative
        speed = np.fft.ifft(1j * k[:, None] * np.fft.fft(p, axis=0), axis=0).real
        return float(np.linalg.norm(speed, axis=1).mean() * 2 * np.pi)


@dataclass(frozen=True)
class Domes:
    """A stack of B domes that are evaluated at once: every field of Dome as (B,), `bumps` (B, len(BUMPS)).

    Directions are (B, ..., 3), one set for every dome.
    """

    half_breadth_mm: FloatArray
    half_length_mm: FloatArray
    height_mm: FloatArray
    depth_mm: FloatArray
    egg: FloatArray
    bumps: FloatArray

    def _axes(self) -> list[FloatArray]:
        own = (self.half_breadth_mm, self.half_length_mm, self.height_mm, self.depth_mm, self.egg)
        return [a[:, None] for a in own]

    def radius(self, directions: FloatArray) -> FloatArray:
        """Distance (B, ...) from each dome's origin to its surface along unit directions (B, ..., 3)."""
        flat = directions.reshape(len(directions), -1, 3)
        return _radius(flat, self._axes(), self.bumps).reshape(directions.shape[:-1])

    def radius_and_slope(self, directions: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The radius (B, ...) and its derivatives (B, ..., 3) by the components of the direction."""
        flat = directions.reshape(len(directions), -1, 3)
        r, slope = _radius_and_slope(flat, self._axes(), self.bumps)
        return r.reshape(directions.shape[:-1]), slope.reshape(directions.shape)

    def raised(self, lift_mm: FloatArray | float) -> Domes:
        """The domes with something of that thickness (B,) laid over them: the half axes grow by it."""
        return replace(
            self,
            half_breadth_mm=self.half_breadth_mm + lift_mm,
            half_length_mm=self.half_length_mm + lift_mm,
            height_mm=self.height_mm + lift_mm,
        )


def half_axes_for(circumference_mm: float, ratio: float) -> tuple[float, float]:
    """Half breadth and half length of the ellipse of that circumference, `ratio` = length : breadth (Ramanujan II)."""
    a, b = half_axes_of(np.asarray(circumference_mm), np.asarray(ratio))
    return float(a), float(b)


def half_axes_of(circumference_mm: FloatArray, ratio: FloatArray) -> tuple[FloatArray, FloatArray]:
    """`half_axes_for` of arrays (...)."""
    h = ((1.0 - ratio) / (1.0 + ratio)) ** 2
    perimeter = np.pi * (1.0 + ratio) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    half_breadth = circumference_mm / perimeter
    return half_breadth, half_breadth * ratio
