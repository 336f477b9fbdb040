"""Where the closure lies, as its measures read, and what they would read after moving it as a whole.

The closure is taken as a rigid patch on the cap. Its fold's two offsets from the centre line say how it
lies; turning it, mostly until the fold runs along that line, carries the hairline forward on one side and back
on the other, sliding it sideways carries the fold, moving it toward the face the hairline. A corner
asymmetry (right minus left) changes by twice the sideways move of that edge. To first order: the cap's
edge is taken as straight under the hairline. Lengths in mm, right and left the wearer's.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from placecheck.answer import Measured
from placecheck.tolerances import ASYMMETRIES, CLEARANCES


@dataclass(frozen=True)
class Placement:
    """What the measures read, or would read after a move; None where a measure is missing. mm and degrees."""

    front: float | None
    back: float | None
    skew_deg: float | None
    clearance: Mapping[str, float]
    asymmetry: Mapping[str, float]

    @classmethod
    def of(cls, measured: Measured, run_mm: float) -> Placement:
        """The readings as they are; fold ends follow from offset and skew over `run_mm` where they are not given."""
        values = {name: estimate.value for name, estimate in measured.estimates.items()}
        front, back = values.get("fold_offset_front_mm"), values.get("fold_offset_back_mm")
        offset, skew = values.get("offset_mm"), values.get("skew_deg")
        if (front is None or back is None) and offset is not None and skew is not None:
            half = math.tan(math.radians(skew)) * run_mm / 2
            front, back = offset + half, offset - half
        return cls(
            front,
            back,
            skew,
            {name: values[name] for name in CLEARANCES if name in values},
            {name: values[name] for name in ASYMMETRIES if name in values},
        )

    def turned(self, station_mm: float, front_mm: float, back_mm: float, skew_deg: float = 0.0) -> Placement:
        """After the turn that brings the fold's ends so far to the right of the centre line, and its skew with them."""
        moved = {
            "front_corner_asymmetry_mm": front_mm - (self.front or 0.0),
            "back_corner_asymmetry_mm": back_mm - (self.back or 0.0),
        }
        tilt = station_mm * (math.tan(math.radians(self.skew_deg or 0.0)) - math.tan(math.radians(skew_deg)))
        carried = {"clearance_centre_mm": 0.0, "clearance_left_mm": -tilt, "clearance_right_mm": tilt}
        return replace(
            self,
            front=front_mm,
            back=back_mm,
            skew_deg=skew_deg,
            clearance={name: value + carried[name] for name, value in self.clearance.items()},
            asymmetry={name: value + 2 * moved[name] for name, value in self.asymmetry.items()},
        )

    def slid(self, right_mm: float) -> Placement:
        """After sliding everything `right_mm` to the wearer's right."""
        return replace(
            self,
            front=None if self.front is None else self.front + right_mm,
            back=None if self.back is None else self.back + right_mm,
            asymmetry={name: value + 2 * right_mm for name, value in self.asymmetry.items()},
        )

    def advanced(self, face_mm: float) -> Placement:
        """After moving everything `face_mm` toward the face."""
        return replace(self, clearance={name: value + face_mm for name, value in self.clearance.items()})
