"""Guidelines: the rows of weft from the nape up to the closure's back edge, on the block's dome.

Each row is a tape line: it runs in the plane of three marks, its middle on the middle line
and its two ends on the sides, so that it can be drawn on the block with nothing but a tape.
Middles stand the chosen spacing apart, measured along the surface. The ends divide the side
line, from nape corner to ear mark, in the same proportion, so rows draw nearer to each
other toward the ears; by how much is told. The last row's middle lies behind the closure's
back edge; rows bow forward to the sides, and where one runs under a back corner it is told.
Lengths are lengths along the surface. Weft is bought for their sum times the layers plus a
reserve for turning and trimming (10 %: common practice, no published source). The
polylines are in the block frame: `Geometry.to_px` draws them on a photo.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from placecheck.errors import UsageProblem
from placecheck.steps import enumerated
from placecheck.surface import StarSurface, onto
from placecheck.tapeline import MiddleLine, at_length, length_mm, section

if TYPE_CHECKING:
    from placecheck.block import Geometry
    from placecheck.fitting.block_marks import Marks
    from placecheck.orders.order import Measurements, Order

FloatArray = npt.NDArray[np.float64]

SPACING_MM = 12.7
"""Half an inch between rows (common practice, no published source)."""
SPACING_LIMITS_MM = (5.0, 40.0)
FIRST_MM = 6.35
"""The first row above the nape's edge: a quarter inch (common practice, no published source)."""
GAP_MM = 5.0
"""From the last row to the closure's back edge: the selvage it is sewn down by."""
RESERVE = 0.10
CROWDED_MM = 4.0
"""Rows whose ends lie nearer to each other than this cannot be sewn side by side."""
CUT_WORDS = (
    "Lace this wide is cut to the hairline: lay it on first, and end every row that runs under its sides at its edge. "
    "How far they run under it is not known here, so the rows and the weft are told too long rather than too short."
)
UNDER_MM = 3.0
"""A row of which less than this lies under a corner of the closure is not spoken of."""
MIRROR = np.array([-1.0, 1.0, 1.0])


@dataclass(frozen=True)
class Row:
    """One row of weft, `points` (n, 3) from the wearer's left to right and `length_mm` along the surface.

    Its middle lies `above_nape_mm` along the middle line, its ends `end_mm` along the side line from the nape corner.
    """

    number: int
    points: FloatArray
    above_nape_mm: float
    end_mm: float
    length_mm: float


@dataclass(frozen=True)
class RowsWanted:
    """How the rows are asked for: spacing, distances from nape and closure, layers of weft in a row, share in reserve.

    With `even` the spacing is made a little smaller, so that the last row lies exactly `gap_mm` behind the closure;
    not below what can be sewn: then it stays as asked for.
    """

    spacing_mm: float = SPACING_MM
    first_mm: float = FIRST_MM
    gap_mm: float = GAP_MM
    layers: int = 1
    reserve: float = RESERVE
    even: bool = False


USUAL_ROWS = RowsWanted()
NEEDED_LENGTHS = ("front_to_nape", "nape_width", "ear_to_ear")


def rows_lack(order: Order) -> str:
    """What a plan of rows needs and the order does not have, in words; empty where it has all."""
    lacking = [name.replace("_", " ") for name in NEEDED_LENGTHS if order.measurements.get(name) is None]
    parts = (("block", order.block), ("closure", order.closure))
    lacking += [f"the {name}" for name, part in parts if part is None]
    return enumerated(lacking)


def refuse_lacking(order: Order) -> None:
    """Raises UsageProblem that names everything a plan of rows lacks."""
    lacking = rows_lack(order)
    if lacking:
        raise UsageProblem("rows-lack", f"Guidelines also need {lacking}: add them to the order.")


@dataclass(frozen=True)
class Plan:
    """All rows from the nape up, the side line on the wearer's right (nape corner to ear), and what weft they take."""

    rows: tuple[Row, ...]
    side_line: FloatArray
    spacing_mm: float
    end_spacing_mm: float
    first_mm: float
    left_over_mm: float
    layers: int
    reserve: float
    notes: tuple[str, ...] = ()

    @property
    def rows_mm(self) -> float:
        """Sum of the rows' lengths, to the centimetre: what is printed adds up."""
        return round(sum(row.length_mm for row in self.rows), -1)

    @property
    def weft_mm(self) -> float:
        """Weft sewn: the rows times the layers."""
        return self.rows_mm * self.layers

    @property
    def reserve_mm(self) -> float:
        return round(self.weft_mm * self.reserve, -1)

    @property
    def to_buy_mm(self) -> float:
        return self.weft_mm + self.reserve_mm


def side_line(surface: StarSurface, nape_corner: FloatArray, ear: FloatArray) -> FloatArray:
    """The tape line (n, 3) from nape corner (3,) to ear (3,), both on the surface."""
    middle = (nape_corner + ear) / 2
    middle = middle / np.linalg.norm(middle)
    middle = onto(surface, middle * surface.radius(middle))
    return section(surface, nape_corner, middle, ear, 181)


def plan_rows(
    surface: StarSurface,
    line: MiddleLine,
    nape_v_mm: float,
    back_edge_v_mm: float,
    nape_corner: FloatArray,
    ear: FloatArray,
    wanted: RowsWanted = USUAL_ROWS,
) -> Plan:
    """The rows between nape and closure on a surface that mirrors left and right.

    `line` is its middle line, `nape_v_mm` and `back_edge_v_mm` places on it, `nape_corner` and `ear` (3,) marks on the
    wearer's right. Raises UsageProblem for a plan without rows or a spacing no weft can be sewn at.
    """
    _refuse_wanted(wanted)
    room = back_edge_v_mm - wanted.gap_mm - (nape_v_mm + wanted.first_mm)
    if wanted.first_mm < 0 or wanted.gap_mm < 0 or room < 0:
        raise UsageProblem(
            "rows-no-room",
            "There is no room for a row between the nape and the closure's back edge: check front to nape, the "
            "closure's size and the distances asked for.",
        )
    spaces = room / wanted.spacing_mm
    closer = max(1, int(np.ceil(spaces - 1e-9)))
    even = wanted.even and room / closer >= SPACING_LIMITS_MM[0]
    steps = closer if even else int(np.floor(spaces + 1e-9))
    spacing = room / steps if even else wanted.spacing_mm
    middles = nape_v_mm + wanted.first_mm + spacing * np.arange(steps + 1)
    side = side_line(surface, nape_corner, ear)
    side_mm = length_mm(side)
    ends_mm = (middles - nape_v_mm) / (back_edge_v_mm - nape_v_mm) * side_mm
    rows = []
    for k, (v, end_mm) in enumerate(zip(middles, ends_mm, strict=True), 1):
        end = onto(surface, at_length(side, end_mm))
        points = section(surface, onto(surface, end * MIRROR), line.at(v), end)
        rows.append(Row(k, points, float(v - nape_v_mm), float(end_mm), length_mm(points)))
    end_spacing = spacing / (back_edge_v_mm - nape_v_mm) * side_mm
    notes = []
    if end_spacing < CROWDED_MM and len(rows) > 1:
        enough = 2 * end_spacing >= CROWDED_MM
        how = "end every second row 25 mm before the side line, or space them wider" if enough else "space them wider"
        notes.append(f"At the sides the rows come within {end_spacing:.1f} mm of each other: {how}.")
    left_over = float(back_edge_v_mm - middles[-1])
    if wanted.even and not even and left_over - wanted.gap_mm > 1e-6:
        notes.append(
            f"The rows cannot be spaced evenly and stay {SPACING_LIMITS_MM[0]:.0f} mm apart: the last one ends "
            f"{left_over:.1f} mm behind the closure."
        )
    return Plan(
        rows=tuple(rows),
        side_line=side,
        spacing_mm=float(spacing),
        end_spacing_mm=float(end_spacing),
        first_mm=wanted.first_mm,
        left_over_mm=left_over,
        layers=wanted.layers,
        reserve=wanted.reserve,
        notes=tuple(notes),
    )


def _refuse_wanted(wanted: RowsWanted) -> None:
    """Raises UsageProblem for rows that cannot be sewn, whatever the block."""
    low, high = SPACING_LIMITS_MM
    if not low <= wanted.spacing_mm <= high:
        raise UsageProblem(
            "spacing-beyond",
            f"Rows {wanted.spacing_mm:.1f} mm apart cannot be sewn or leave gaps: choose {low:.0f} to {high:.0f} mm, "
            "such as 1/2in.",
        )
    if not 1 <= wanted.layers <= 4:
        raise UsageProblem("layers-beyond", f"{wanted.layers} layers of weft in a row are not possible: choose 1 to 4.")
    if not 0.0 <= wanted.reserve <= 1.0:
        raise UsageProblem("reserve-beyond", "The reserve must be 0 to 100 percent of the weft.")


def plan_for(
    placed: Marks,
    back_edge_v_mm: float,
    wanted: RowsWanted = USUAL_ROWS,
    outline: FloatArray | None = None,
    cut: bool = False,
) -> Plan:
    """The rows on a block whose marks are placed. Raises UsageProblem where nape, nape corners or ears are missing.

    `outline` (n, 3) is the closure's edge, once round, by which rows that run under its corners are told. Without it
    that is only said of lace that is `cut` to the hairline.
    """
    for name in ("nape", "nape corner", "ear"):
        if name not in placed.marks:
            raise UsageProblem("rows-need-marks", f"Guidelines cannot be drawn: {placed.missing[name]}")
    plan = plan_rows(
        placed.dome,
        placed.line,
        placed.marks["nape"].along_crown_mm,
        back_edge_v_mm,
        placed.marks["nape corner"].point,
        placed.marks["ear"].point,
        wanted,
    )
    told = _under_words(plan.rows, outline) if outline is not None else CUT_WORDS if cut else None
    return replace(plan, notes=(*plan.notes, told)) if told else plan


def under_mm(row: Row, outline: FloatArray) -> float:
    """How much of a row lies inside the closure's `outline` (n, 3) on the side where that is more, mm.

    Both are looked at along the line from the block's middle through the closure's, and what lies behind is left out.
    """
    towards = outline.mean(axis=0)
    towards = towards / np.linalg.norm(towards)
    e1 = np.cross(towards, [0.0, 0.0, 1.0] if abs(towards[2]) < 0.9 else [0.0, 1.0, 0.0])
    e1 /= np.linalg.norm(e1)
    flat = np.stack([e1, np.cross(towards, e1)], -1)
    middles = (row.points[1:] + row.points[:-1]) / 2
    a, p = outline @ flat, middles @ flat
    b = np.roll(a, -1, axis=0)
    astride = (a[:, 1] > p[:, None, 1]) != (b[:, 1] > p[:, None, 1])
    rise = np.where(b[:, 1] == a[:, 1], 1.0, b[:, 1] - a[:, 1])
    crossing = a[:, 0] + (p[:, None, 1] - a[:, 1]) / rise * (b[:, 0] - a[:, 0])
    inside = (np.sum(astride & (p[:, None, 0] < crossing), axis=1) % 2 == 1) & (middles @ towards > 0)
    step = np.linalg.norm(np.diff(row.points, axis=0), axis=1)
    return max(float(step[inside & (middles[:, 0] < 0)].sum()), float(step[inside & (middles[:, 0] >= 0)].sum()))


def _under_words(rows: Sequence[Row], outline: FloatArray) -> str | None:
    """Which rows run under the closure's back corners, how far, and what to do; None where none does."""
    under = {row.number: mm for row in rows if (mm := under_mm(row, outline)) >= UNDER_MM}
    if not under:
        return None
    first, last, most = min(under), max(under), max(under.values())
    to = "and" if last == first + 1 else "to"
    which, it = (f"Row {first} runs", "it") if first == last else (f"Rows {first} {to} {last} run", "them")
    return f"{which} up to {most:.0f} mm under the closure's back corners: end {it} at its edge there and go on beyond."


def plan_in_photo(
    geometry: Geometry,
    measurements: Measurements,
    hairline: FloatArray,
    back_edge: FloatArray,
    wanted: RowsWanted = USUAL_ROWS,
    outline: FloatArray | None = None,
    cut: bool = False,
) -> Plan:
    """The rows on the block of a photo, from where the closure was found to lie, `outline` (n, 3) where it was seen.

    `hairline` and `back_edge` (3,) are the ends of the fold as block points (`Geometry.hit`): the front mark lies on
    the hairline, and the nape the client's front to nape behind it. The dome's small unevenness between left and right
    is followed by the rows themselves, their ends are mirrored marks put onto it.
    """
    from placecheck.fitting.block_marks import marks_on
    from placecheck.tapeline import middle_line

    line = middle_line(geometry.dome)

    def along(p: FloatArray) -> float:
        """v of the middle line's point nearest to p."""
        return float(line.v_mm[np.argmin(np.linalg.norm((line.points - p)[:, 1:], axis=1))])

    placed = marks_on(geometry.dome, measurements, line.front_level_v_mm - along(hairline))
    return plan_for(placed, along(back_edge), wanted, outline, cut)


def rows_in_photo(plan: Plan, geometry: Geometry) -> list[FloatArray]:
    """The rows as pixel polylines (n, 2) of a photo; NaN where a row runs out of sight behind the block."""
    out = []
    for row in plan.rows:
        px = geometry.to_px(row.points)
        out.append(np.where(geometry.visible(row.points, 0.05)[:, None], px, np.nan))
    return out
