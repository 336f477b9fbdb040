"""The order as values: what the tape said, and what was chosen of block, cap and closure.

An order needs an alias, never a name, and one length, the circumference; everything else
may follow. All lengths are mm, and beside them `written` keeps how they were typed, so that
a sheet can be held against the note it came from. A block has the tape round its widest
level and may have two over the crown, which tell its shape; another circumference is
another block, whose other tapes are not the old one's. A cap has its size as sold and, where
somebody measured it, its own length. Number, revision and time of saving are given by
files.py when the order is kept. How lengths are typed is typed.py's, what they may be
tape.py's, whether they go together doubts.py's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date

from placecheck.units import ClosureSize


@dataclass(frozen=True)
class Measurements:
    """The client's lengths in mm; all but the circumference may be missing."""

    circumference_mm: float
    front_to_nape_mm: float | None = None
    temple_to_temple_mm: float | None = None
    ear_to_ear_mm: float | None = None
    nape_width_mm: float | None = None
    hairline_height_mm: float | None = None
    head_length_mm: float | None = None
    head_breadth_mm: float | None = None

    def get(self, name: str) -> float | None:
        """The length of that TAPE name, mm."""
        value: float | None = getattr(self, f"{name}_mm")
        return value


@dataclass(frozen=True)
class Block:
    """The block by its tapes: the circumference round its widest level, and two over the crown where they were taken.

    `over_mm` runs from that level in front to that level behind, `across_mm` the same from side to side.
    """

    circumference_mm: float
    over_mm: float | None = None
    across_mm: float | None = None
    name: str = ""


def taped_again(block: Block | None, circumference_mm: float) -> Block:
    """The block of that circumference: the one there was, or another, whose other tapes are not the old one's."""
    same = block is not None and abs(block.circumference_mm - circumference_mm) < 0.1
    return block if block is not None and same else Block(circumference_mm)


@dataclass(frozen=True)
class Cap:
    """The cap: its size as sold ("standard", "extra-large", "" where not chosen) and its own front-to-nape length."""

    size: str = ""
    front_to_nape_mm: float | None = None
    name: str = ""


@dataclass(frozen=True)
class Order:
    """One job. `written` keeps the lengths as they were given; `accepted` the doubts that somebody looked at; `form`
    which form of the bench page made it, "" where none did.
    """

    alias: str
    measurements: Measurements
    block: Block | None = None
    cap: Cap = field(default_factory=Cap)
    closure: ClosureSize | None = None
    maker: str = ""
    due: date | None = None
    note: str = ""
    written: Mapping[str, str] = field(default_factory=dict)
    accepted: tuple[str, ...] = ()
    form: str = ""
    number: int = 0
    revision: int = 0
    saved: str = ""

    @property
    def label(self) -> str:
        """The number as it is printed and typed: `0007`."""
        return f"{self.number:04d}"

    def file_name(self, what: str = "", ending: str = "pdf") -> str:
        """What a file made of this order is called: `order-0007.pdf`, the bench sheet, or `order-0007-WHAT.pdf`."""
        return f"order-{self.label}{what and f'-{what}'}.{ending}"
