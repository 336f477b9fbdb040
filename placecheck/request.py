"""What the user asks of one check: the stage, the closure, the taped block, and everything that steers the judging.

Built once, at the edge, from options and settings; after that it travels unchanged
through every step and into the record, so that a verdict can be reproduced. Lengths
are mm already; text has been read and refused by units.py. The closure's nominal size and
the block's taped circumference have no default: the first is the template that is fitted,
the second is the scale of the dome, and neither can be guessed from a photo. A stage of the
job that needs one of them not (NEEDS_CLOSURE, NEEDS_BLOCK) carries NO_CLOSURE or 0 there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, get_args

from placecheck.known_dome import KnownDome
from placecheck.marks import Marks
from placecheck.tolerances import Tolerances
from placecheck.units import ClosureSize

PhotoSide = Literal["top", "bottom", "left", "right"]
Stage = Literal["cap", "pinned", "stitched", "stitches"]
"""The job's stages, in its order: the cap alone, the closure pinned, the closure stitched, the seam close up."""
STAGES: tuple[Stage, ...] = get_args(Stage)
NEEDS_CLOSURE: frozenset[Stage] = frozenset({"pinned", "stitched"})
NEEDS_BLOCK: frozenset[Stage] = frozenset({"cap", "pinned", "stitched"})
NO_CLOSURE = ClosureSize(0.0, 0.0, "")


@dataclass(frozen=True)
class OtherPhoto:
    """Another photo of the same pinned block, untouched in between, that is measured together with the one asked for.

    It is the number of its record, or its file ("": it is gone) with the marks set by hand in it and the face's side.
    """

    photo: int | str
    marks: Marks | None = None
    front: PhotoSide | None = None


@dataclass(frozen=True)
class CheckRequest:
    """One check as asked for.

    `card_bars_mm`: measured lengths of the card's 100 mm bars, across and down; None when they were not measured.
    `front`: the side of the upright photo the face is on, None when the photo is to tell. `camera_name`: a saved
    profile, None to choose by the photo. `since`: the record of the pinned photo that a stitched one is compared with.
    `block`: a block measured beforehand, with a cap on, which takes the place of the taped circumference. `cap`: the
    photo of the cap alone that shows its rim before lace and hair hid it, by its record's number or its file's name.
    `taped_mm`: clearances that were read off a soft tape, by measure (taped.py). `others`: photos of the same block,
    card and block untouched, that are measured together with this one (same_block).
    """

    closure: ClosureSize
    block_circumference_mm: float
    stage: Stage = "pinned"
    tolerances: Tolerances = field(default_factory=Tolerances)
    marks: Marks | None = None
    camera_name: str | None = None
    card_bars_mm: tuple[float, float] | None = None
    front: PhotoSide | None = None
    since: int | None = None
    block: KnownDome | None = None
    cap: int | str | None = None
    taped_mm: Mapping[str, float] = field(default_factory=dict)
    others: tuple[OtherPhoto, ...] = ()
