"""The cap's mid plane on its block, one and a stack of them.

A cap is made of two halves that mirror each other; the plane between them cuts the dome along the cap's
centre line, from which surface_map.py unrolls it. It belongs to the cap: turned about the block's +Z (yaw),
shifted along its own normal, and leaning a little out of the vertical (roll), since caps are pulled on
crooked and blocks are fitted leaning. Its normal is the cap's +u, the wearer's right; forward is toward the
face, level; up completes them. Angles are degrees, lengths mm, all in the block's frame of block.py (+X the
wearer's right, +Y the face, +Z up). A stack holds B planes as arrays, for differences taken by every
unknown at once, and combines with points (B, N, 3).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class MidPlane:
    """The cap's mid plane in the block frame: turned by `yaw_deg` about +Z, shifted by `shift_mm` along its normal.

    `roll_deg` leans it out of the vertical (a cap pulled on a little crooked, a block fitted a little leaning).
    Its normal, the cap's +u, is (cos yaw cos roll, sin yaw cos roll, sin roll).
    """

    yaw_deg: float = 0.0
    shift_mm: float = 0.0
    roll_deg: float = 0.0

    @property
    def normal(self) -> FloatArray:
        a, r = np.radians([self.yaw_deg, self.roll_deg])
        return np.array([np.cos(a) * np.cos(r), np.sin(a) * np.cos(r), np.sin(r)])

    @property
    def forward(self) -> FloatArray:
        a = np.radians(self.yaw_deg)
        return np.array([-np.sin(a), np.cos(a), 0.0])

    @property
    def up(self) -> FloatArray:
        return np.cross(self.normal, self.forward)

    @property
    def origin(self) -> FloatArray:
        """The plane's point nearest the block's origin."""
        return self.shift_mm * self.normal


@dataclass(frozen=True)
class MidPlanes:
    """A stack of B mid planes; normal, forward and up are (B, 1, 3), so that they combine with points (B, N, 3)."""

    yaw_deg: FloatArray
    shift_mm: FloatArray
    roll_deg: FloatArray

    @property
    def normal(self) -> FloatArray:
        a, r = np.radians(self.yaw_deg), np.radians(self.roll_deg)
        return np.stack([np.cos(a) * np.cos(r), np.sin(a) * np.cos(r), np.sin(r)], -1)[:, None]

    @property
    def forward(self) -> FloatArray:
        a = np.radians(self.yaw_deg)
        return np.stack([-np.sin(a), np.cos(a), np.zeros_like(a)], -1)[:, None]

    @property
    def up(self) -> FloatArray:
        return np.cross(self.normal, self.forward)

    @property
    def origin(self) -> FloatArray:
        return self.shift_mm[:, None, None] * self.normal
