"""The guidelines' one page: the rows of weft from behind, and every row's lengths.

Above, how much weft the rows take together and how much to have, then the rows drawn to scale
1:2 from behind and a little above, a parallel projection in which only every fifth row is
numbered, and at the foot a table of all rows: where a row crosses the middle line, where it
ends on the side line, and its length in mm and inches, with a box to tick. The table takes
two columns, or three where the rows are many, and draws nearer together before it would
run off the page. The drawing's outline is where the block turns away from the eye. How
lengths are to be taped is told in words beside the drawing.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from placecheck.fitting.block_marks import Marks
from placecheck.orders.order import Order
from placecheck.sheets.frame import foot, head
from placecheck.sheets.pdf_page import GRAY, MARGIN_MM, Page
from placecheck.units import POINT_MM, mm_and_inches, sixteenths

if TYPE_CHECKING:
    from placecheck.guidelines.plan import Plan

FloatArray = npt.NDArray[np.float64]

ROWS_SCALE = 1 / 2
NUMBER_MM = 2.2
"""From one row's number to the next one's, at least."""


def guideline_sheet(order: Order, plan: Plan, placed: Marks, paper: str = "a4") -> bytes:
    """The rows' page as PDF."""
    page = Page(paper, f"Guidelines, order {order.label}")
    left, width = MARGIN_MM, page.width - 2 * MARGIN_MM
    y = head(page, order, "Guidelines")
    y = page.heading(left, y, "Weft", width)
    layers = f" x {plan.layers} layers" if plan.layers > 1 else ""
    above, behind = f"{mm_and_inches(plan.first_mm)} above the nape", f"{mm_and_inches(plan.left_over_mm)} behind the"
    rows = f"1 row, {above}, {behind} closure."
    if len(plan.rows) > 1:
        rows = (
            f"{len(plan.rows)} rows {mm_and_inches(plan.spacing_mm)} apart along the middle line, "
            f"{plan.end_spacing_mm:.1f} mm at the sides; the first {above}, the last {behind} closure."
        )
    together, reserve, to_have = (mm / 1000 for mm in (plan.rows_mm, plan.reserve_mm, plan.to_buy_mm))
    lines = [
        rows,
        f"Rows together {together:.2f} m{layers}; reserve {100 * plan.reserve:g} % (common practice, no published "
        f"source) {reserve:.2f} m.",
    ]
    for text in (*lines, *(f"! {note}" for note in plan.notes)):
        y = page.paragraph(left, y, text, width, 8)
    page.text(left, y + 1.5, f"Weft to have: {to_have:.2f} m ({to_have / 0.9144:.2f} yd)", 11, True)
    y += 8.0
    y = page.heading(left, y, "Rows from behind, 1:2 (drawing; the lengths are in the table)", width)
    bottom = _rear_view(page, plan, placed, left + 52.0, y)
    y0 = y
    y = max(bottom, y0) + 6.0
    _row_table(page, plan, left, y, width)
    foot(page)
    words = (
        "All in mm over the block. Middle: up the middle line from the nape mark. End: up the side line, a tape laid "
        "from the nape corner to the ear mark, the same on both sides. Lay a tape over end, middle and end, and draw "
        "along it."
    )
    page.paragraph(left + 112.0, y0 + 4, words, width - 112.0, 8)
    return page.pdf()


def _rear_view(page: Page, plan: Plan, placed: Marks, mid_x: float, top: float) -> float:
    """Parallel view from behind and 20 degrees above, 1:2; returns the lowest y used."""
    tilt = np.radians(20.0)
    up = np.array([0.0, np.sin(tilt), np.cos(tilt)])
    k = ROWS_SCALE

    def flat(p: FloatArray) -> FloatArray:
        return np.stack([p[..., 0], p @ up], -1)

    curves = [row.points for row in plan.rows]
    sides = [plan.side_line, plan.side_line * [-1.0, 1.0, 1.0]]
    middle = placed.line.points[(placed.line.v_mm < 15.0) & (placed.line.v_mm > placed.marks["nape"].along_crown_mm)]
    # the outline is where the surface turns away from the eye: the widest reach in every direction of the picture
    lat, lon = np.radians(np.meshgrid(np.arange(-50, 91, 2.0), np.arange(0, 360, 2.0)))
    d = np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)], -1).reshape(-1, 3)
    cloud = flat(d * placed.dome.radius(d)[:, None])
    turn = np.radians(np.arange(-60.0, 241.0, 2.0))
    outline = cloud[np.argmax(cloud @ np.stack([np.cos(turn), np.sin(turn)]), axis=0)]
    low = min(float(flat(c)[:, 1].min()) for c in (*curves, *sides, middle))
    outline = outline[outline[:, 1] > low]
    high = float(outline[:, 1].max())

    def place(p: FloatArray) -> FloatArray:
        return np.stack([mid_x + p[:, 0] * k, top + (high - p[:, 1]) * k], -1)

    page.polyline(place(outline), 0.2, GRAY)
    page.polyline(place(flat(middle)), 0.15, GRAY, 1.0)
    for side in sides:
        page.polyline(place(flat(side)), 0.2, GRAY, 1.0)
    ends = []
    for curve in curves:
        at = place(flat(curve))
        page.polyline(at, 0.3)
        ends.append((float(at[-1, 0]) + 1.5, float(at[-1, 1]) + 0.8))
    numbered: list[tuple[float, float]] = []
    for row in (plan.rows[0], plan.rows[-1], *plan.rows[4::5]):  # a number that would lie on another is left out
        end = ends[row.number - 1]
        if all(abs(end[1] - y) >= NUMBER_MM or abs(end[0] - x) >= 2 * NUMBER_MM for x, y in numbered):
            page.text(*end, str(row.number), 6)
            numbered.append(end)
    return top + (high - low) * k


def _row_table(page: Page, plan: Plan, x: float, y: float, width: float) -> None:
    room = page.height - MARGIN_MM - 14.0 - y - 6.0
    columns = 2 if len(plan.rows) <= 2 * int(room / 3.6) else 3
    per = -(-len(plan.rows) // columns)
    leading = min(4.4, room / per)
    size = min(8.0, leading / POINT_MM / 1.25)
    each = width / columns
    for c in range(columns):
        rows: Sequence[Any] = plan.rows[c * per : (c + 1) * per]
        if not rows:
            break
        left = x + c * each
        stops = (7.0, 7.0 + 0.2 * (each - 14), 7.0 + 0.37 * (each - 14), each - 10)
        for stop, word in zip(stops, ("row", "middle", "end", "length (in)"), strict=True):
            page.text(left + stop, y, word, 7, align="r")
        page.line(left, y + 1.2, left + each - 4, y + 1.2, 0.2)
        at = y + 1.2 + leading
        for row in rows:
            cells = (str(row.number), f"{row.above_nape_mm:.0f}", f"{row.end_mm:.0f}")
            length = f"{row.length_mm:.0f} ({sixteenths(round(row.length_mm))})"
            for stop, text in zip(stops, (*cells, length), strict=True):
                page.text(left + stop, at, text, size, align="r")
            page.tick(left + each - 8, at, min(3.0, leading - 0.8))
            at += leading
