"""What one photo shows, as the finders hand it on: landmarks and lines in photo pixels, each with its uncertainty.

A landmark has a covariance, a line a standard uncertainty across it at every pixel and the part of
it that moves the whole line together. Each carries the evidence it rests on in words, for the
answer; what was set by hand says so, since it outranks what was found and needs no factor for the
finders' mistakes. A landmark that is hidden but follows from another is inferred: it is drawn as a
guess, and no side is measured to it. What was not found is absent, never guessed. Nothing here
knows geometry: measure.py puts all of it on the dome, for one photo; same_block/ for several of one
block.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

CORNERS = ("front_left", "front_right", "back_left", "back_right")
FOLD = ("fold_front", "fold_back")
BY_HAND = "set by hand"
"""Evidence of a landmark or a line that was."""


@dataclass(frozen=True)
class Mark:
    """A landmark: pixel (2,), its covariance (2, 2) px^2, and what it rests on."""

    px: FloatArray
    covariance_px2: FloatArray
    evidence: tuple[str, ...] = ()

    @property
    def by_hand(self) -> bool:
        """Whether it was set by hand."""
        return BY_HAND in self.evidence


@dataclass(frozen=True)
class Line:
    """A line seen in the photo: ordered pixels (N, 2), standard uncertainty across it (N,) in px, and its evidence.

    `common_px` is the part of the uncertainty that moves the whole line together.
    """

    px: FloatArray
    u_px: FloatArray
    common_px: float = 0.0
    evidence: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        if len(self.px) != len(self.u_px):
            raise ValueError("a line needs one uncertainty for each pixel")

    @property
    def by_hand(self) -> bool:
        """Whether it was set by hand."""
        return BY_HAND in self.evidence


def dense_line(px: FloatArray, u_px: float, n: int = 60) -> Line:
    """A hand-drawn polyline with points enough for local fits; all of it shares the click's uncertainty."""
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(px, axis=0), axis=1))])
    at = np.linspace(0.0, length[-1], n)
    points = np.stack([np.interp(at, length, px[:, i]) for i in range(2)], -1)
    return Line(points, np.full(n, u_px), 0.0, (BY_HAND,))


@dataclass(frozen=True)
class Inferred:
    """A landmark that is hidden, placed `du_mm` beside another one with standard uncertainty `u_mm`."""

    anchor: str
    du_mm: float
    u_mm: float
    evidence: tuple[str, ...] = ()


@dataclass(frozen=True)
class Observed:
    """Everything found in one photo, in photo pixels. A line or mark that was not found is absent (None).

    `inferred` holds landmarks that are hidden but follow from others; no side is measured to them.
    """

    marks: Mapping[str, Mark]
    inferred: Mapping[str, Inferred] = field(default_factory=dict)
    rim: Line | None = None
    hairline: Line | None = None
    centre: Line | None = None
    pins: Line | None = None
