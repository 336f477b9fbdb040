"""Directions in words: to the wearer's right or left, toward the face or the nape, and where that is in the photo.

Which way that is in the photo is read off what was found there: sideways from the closure's left to its
right corners, along from the back of the fold to its front, and where these are missing from
what is left. It is told as one of eight directions of the picture; where nothing tells it, nothing is said.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Literal

import numpy as np

from placecheck.answer import Findings

Way = Literal["right", "left", "face", "nape"]
WAY_WORDS: Mapping[Way, str] = {
    "right": "to the wearer's right",
    "left": "to the wearer's left",
    "face": "toward the face",
    "nape": "toward the nape",
}
_COMPASS = ("right", "lower right", "bottom", "lower left", "left", "upper left", "top", "upper right")


def _middle(findings: Findings, *names: str) -> np.ndarray | None:
    points = [findings.landmarks_px[name] for name in names if name in findings.landmarks_px]
    return np.mean(np.asarray(points, float), axis=0) if len(points) == len(names) else None


def in_the_photo(findings: Findings, way: Way) -> str:
    """` (toward the upper left of the photo)`, or nothing where the findings cannot tell."""
    if way in ("right", "left"):
        ends = [_middle(findings, f"front_{side}", f"back_{side}") for side in ("left", "right")]
        if any(end is None for end in ends):
            ends = [_middle(findings, f"front_{side}") for side in ("left", "right")]
    else:
        ends = [_middle(findings, f"fold_{end}") for end in ("back", "front")]
        if any(end is None for end in ends):
            ends = [_middle(findings, f"{end}_left", f"{end}_right") for end in ("back", "front")]
    start, end = ends
    if start is None or end is None:
        return ""
    return toward((end - start) * (1 if way in ("right", "face") else -1))


def toward(px: np.ndarray) -> str:
    """The way a vector (2,) of photo pixels points, as `in_the_photo` says it."""
    dx, dy = (float(d) for d in px)
    if math.hypot(dx, dy) < 1:
        return ""
    sector = round(math.degrees(math.atan2(dy, dx)) / 45) % 8
    return f" (toward the {_COMPASS[sector]} of the photo)"


def right_of(face: np.ndarray) -> np.ndarray:
    """Where the wearer's right lies in a photo in which the face lies at `face` (2,): clockwise, seen from above."""
    return np.array([-face[1], face[0]])
