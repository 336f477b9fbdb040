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

from dataclasses import dataclass

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
        x, y, z = directions[..., 0], directions[..., 1], directions[..., 2]
        breadth = self.half_breadth_mm * (1.0 - self.egg * y)
        vertical = np.where(z >= 0.0, self.height_mm, self.depth_mm)
        r = 1.0 / np.sqrt((x / breadth) ** 2 + (y / self.half_length_mm) ** 2 + (z / vertical) ** 2)
        if any(self.bumps):
            bells = np.exp((directions @ _DIRECTIONS.T - 1.0) * _SHARPNESS)
            r = r * (1.0 + bells @ np.array(self.bumps))
        return r

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


def half_axes_for(circumference_mm: float, ratio: float) -> tuple[float, float]:
    """Half breadth and half length of the ellipse of that circumference, `ratio` = length : breadth (Ramanujan II)."""
    a, b = 1.0, ratio
    h = ((a - b) / (a + b)) ** 2
    perimeter = np.pi * (a + b) * (1 + 3 * h / (10 + np.sqrt(4 - 3 * h)))
    scale = circumference_mm / float(perimeter)
    return a * scale, b * scale
