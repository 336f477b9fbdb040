"""Saved blocks: what taping or photographing a bare block found, kept by name under the user's folder.

A block's file holds the unknowns of its dome with their whole covariance, how it was
measured and when: the tapes, or the photos with the residual of each. `same_stand` says that
the block always stands on the same stand, so that the height of its widest level over the
table counts too. How files of a name are found, written and set aside is saved_files.py's;
a damaged file is named in one sentence and never guessed at. `block_for` says which block a check
gets, from what was given with it and the settings.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from placecheck.errors import UsageProblem
from placecheck.known_dome import KnownDome, KnownLine
from placecheck.saved_files import Shelf
from placecheck.units import mm_and_inches, parse_circumference_mm

FloatArray = npt.NDArray[np.float64]
MISTAPED = 3.0
"""A tape further from the saved block than so many standard uncertainties is another block's, or a slip."""
NO_BLOCK = 10.0
"""No block's dome lies further from the usual one, in the standard deviations that blocks have."""


@dataclass(frozen=True)
class SavedBlock:
    """A measured block. `tapes` in mm by name, `photos` with the rms of each outline in mm, as far as there are any."""

    name: str
    way: Literal["tapes", "photos"]
    dome: KnownDome
    same_stand: bool
    date: str
    tapes: tuple[tuple[str, float], ...] = ()
    photos: tuple[tuple[str, float], ...] = ()

    def for_check(self) -> KnownDome:
        """The dome as a check sees it: with a cap on, and with its height over the table where that is fixed."""
        from placecheck.bare_block.tapes import STANDING

        known = self.dome if self.same_stand or STANDING not in self.dome.names else self.dome.without(STANDING)
        return known.under_cap()

    def circumference(self) -> tuple[float, float]:
        """Length round the widest level and its standard uncertainty, mm."""
        return circumference_of(self.dome)[:2]


def circumference_of(dome: KnownDome) -> tuple[float, float, FloatArray]:
    """Length round a known dome's widest level, its standard uncertainty, and its slope by the dome's unknowns."""
    from placecheck.bare_block.tapes import SHAPE, dome_of

    at = [dome.names.index(name) for name in SHAPE]
    mean, covariance = np.array(dome.mean), np.array(dome.covariance)
    around = dome_of(mean[at]).circumference_mm()
    slope = np.zeros(len(mean))
    for i in at:
        step = 0.05 * float(np.sqrt(covariance[i, i]))
        moved = mean.copy()
        moved[i] += step
        slope[i] = (dome_of(moved[at]).circumference_mm() - around) / step
    return around, float(np.sqrt(slope @ covariance @ slope)), slope


def blocks_folder(home: Path) -> Path:
    """Where blocks lie in the user's folder."""
    return home / "blocks"


def as_json(block: SavedBlock) -> dict[str, Any]:
    """The block as its file holds it."""
    line = block.dome.line
    return {
        "schema": 1,
        "name": block.name,
        "date": block.date,
        "way": block.way,
        "same_stand": block.same_stand,
        "tapes_mm": dict(block.tapes),
        "photos": [{"name": n, "outline_mm": rms} for n, rms in block.photos],
        "unknowns": list(block.dome.names),
        "values": list(block.dome.mean),
        "covariance": [list(row) for row in block.dome.covariance],
        "line": None if line is None else asdict(line),
    }


def from_json(data: Mapping[str, Any], path: Path) -> SavedBlock:
    """A block from its file's contents. Raises UsageProblem naming `path`."""
    from placecheck.bare_block.tapes import SHAPE, STANDING, shape_prior

    try:
        if data["schema"] != 1 or data["way"] not in ("tapes", "photos"):
            raise ValueError("unknown schema")
        names = tuple(str(n) for n in data["unknowns"])
        if names not in (SHAPE, (*SHAPE, STANDING)):
            raise ValueError("other unknowns")
        rows = tuple(tuple(float(c) for c in row) for row in data["covariance"])
        values = tuple(float(v) for v in data["values"])
        dome = KnownDome(str(data["name"]), names, values, rows, _line_from(data.get("line")))
        usual, spread = (part[: len(names)] for part in shape_prior())
        if np.abs((np.array(values) - usual) / spread).max() > NO_BLOCK:
            raise ValueError("no block's shape")
        if data["same_stand"] and STANDING not in names:
            raise ValueError("a stand whose height is not there")
        return SavedBlock(
            str(data["name"]),
            data["way"],
            dome,
            bool(data["same_stand"]),
            str(data["date"]),
            tuple((str(k), float(v)) for k, v in data["tapes_mm"].items()),
            tuple((str(p["name"]), float(p["outline_mm"])) for p in data["photos"]),
        )
    except (KeyError, TypeError, ValueError, AttributeError):
        raise UsageProblem(
            "block-damaged", f"The saved block {path} is damaged: move it away and measure the block again."
        ) from None


def _line_from(data: Mapping[str, Any] | None) -> KnownLine | None:
    """The line kept with a block; files of before there was one have none."""
    if data is None:
        return None
    (a, b), (c, d) = data["covariance"]
    return KnownLine(float(data["yaw_deg"]), float(data["shift_mm"]), ((float(a), float(b)), (float(c), float(d))))


BLOCKS = Shelf(
    "saved block",
    "measure one with `placecheck block measure`",
    code="block",
    unknown="block-unknown",
    ending=".forgotten",
    as_json=as_json,
    from_json=from_json,
)
"""Every saved block lies on this shelf."""


def block_for(
    folder: Path, name: str | None, taped: str | None, defaults: Mapping[str, str]
) -> tuple[KnownDome | None, float]:
    """What a check is told of the block: a saved dome as a check sees it, if one is named, and the circumference in mm.

    `name` and `taped` (a length as it is written) are what was given for this photo, `defaults` the settings' entries
    `block` and `block_circumference`, asked only where nothing was given; a named block outranks a tape there. None and
    0 where nobody tells. Raises UsageProblem for a block that is not there, or a tape given with it that is another's.
    """
    if not name and not taped:
        name = defaults.get("block")
        taped = None if name else defaults.get("block_circumference")
        if name and not BLOCKS.path(folder, name).exists():
            raise UsageProblem(
                "block-unknown",
                f"settings.toml names the saved block “{name}”, which is not there: change it there, or measure that "
                "block with `placecheck block measure`.",
            )
    if not name:
        return None, parse_circumference_mm(taped) if taped else 0.0
    saved = BLOCKS.load(folder, name)
    if taped:
        refuse_other_tape(saved, parse_circumference_mm(taped))
    return saved.for_check(), saved.circumference()[0]


def refuse_other_tape(block: SavedBlock, taped_mm: float) -> None:
    """Raises UsageProblem when a circumference taped now is not that of the saved block."""
    from placecheck.block import TAPE_U_MM

    around, u = block.circumference()
    if abs(taped_mm - around) > MISTAPED * float(np.hypot(u, TAPE_U_MM)):
        raise UsageProblem(
            "block-tape-other",
            f"The saved block “{block.name}” is {mm_and_inches(around)} round, not {mm_and_inches(taped_mm)}: name the "
            "block that is on the bench, or leave one of the two out.",
        )
