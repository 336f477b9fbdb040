"""The block drawn from above and from its right side, with marks, closure and rim.

Both views are parallel projections of the dome at one scale, 1:4 where the page has room for
it, else the next smaller one that fits. From above the face is up, so the wearer's right is
on the right; from the wearer's right the face is on the right. The outline is where the
surface turns away from the eye: for this dome the widest level, and the cut by the middle
plane down to a little below the lowest mark. From above, marks that lie far below the widest
level are hidden and left out. A drawing shortens what runs away from the eye: lengths over
the block are in the table of marks, and the heading says so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import numpy.typing as npt

from placecheck.fitting.block_marks import Marks
from placecheck.fitting.closure_place import ClosurePlace
from placecheck.fitting.fitted import Fitting
from placecheck.sheets.pdf_page import GRAY, Page

FloatArray = npt.NDArray[np.float64]

WIDTH_MM, BETWEEN_MM = 104.0, 3.0
"""What both views together may take, and what lies between them."""
BLOCK_SCALES = (4, 5, 6, 8)
"""1 : 4 where the page has room for it."""
LABEL_AT_MM: Mapping[str, tuple[float, float]] = {
    "crown": (0.0, -1.6),
    "front": (1.6, 0.8),
    "ear": (1.6, 1.6),
    "temple": (1.6, 2.6),
    "nape": (1.6, 2.6),
    "nape corner": (1.8, 1.0),
}
"""Where a mark's label stands beside its dot on the page, right and down."""
LABEL_MM = 2.4
"""From one label's baseline to the next."""
View = Callable[[FloatArray], FloatArray]
"""Block points (..., 3) mm to places (..., 2) mm on the page."""


def _silhouette(placed: Marks, axes: tuple[int, int], lowest: float) -> FloatArray:
    """Outline (n, 2) of the dome seen along the third axis, on coordinates `axes`, above z = `lowest`."""
    a = np.radians(np.arange(0.0, 360.5, 1.0))
    if axes == (0, 1):
        d = np.stack([np.cos(a), np.sin(a), np.zeros_like(a)], -1)
    else:
        d = np.stack([np.zeros_like(a), np.cos(a), np.sin(a)], -1)
    p = d * placed.dome.radius(d)[:, None]
    keep = p[:, 2] >= lowest
    out = np.where(keep[:, None], p, np.nan)[:, list(axes)]
    if axes != (0, 1):  # start behind so that the line is not broken at the start of the circle
        out = np.roll(out[:-1], len(out) // 4, axis=0)
    return np.asarray(out)


def block_views(page: Page, fitting: Fitting, x: float, y: float, room: float) -> float:
    """The block from above and from its right side with the marks and the closure; returns the lowest y used.

    Both are at most `room` mm high, and WIDTH_MM broad together.
    """
    placed = fitting.marks
    assert placed is not None
    seen_above = _silhouette(placed, (0, 1), -1.0)
    breadth, length = (float(np.abs(seen_above[:, axis]).max()) for axis in (0, 1))
    lowest = min(-60.0, *(float(m.point[2]) - 8.0 for m in placed.marks.values()))
    tall = max(2 * length, placed.dome.height_mm - lowest)
    broad = 2 * (breadth + length)
    fitting_in = (n for n in BLOCK_SCALES if tall / n + 12.0 <= room and broad / n + BETWEEN_MM <= WIDTH_MM)
    scale = next(fitting_in, BLOCK_SCALES[-1])
    y = page.heading(x, y, f"The block, 1:{scale} (drawing; tape the lengths above)", 100.0)
    top = y + 1.0
    k = 1.0 / scale
    mid_x, mid_y = x + max(21.0, breadth * k), top + length * k

    def above(p: FloatArray) -> FloatArray:
        """From above, face up, so the wearer's right is on the right."""
        return np.stack([mid_x + p[..., 0] * k, mid_y - p[..., 1] * k], -1)

    side_x = mid_x + max(52.0, (breadth + length) * k + BETWEEN_MM)
    side_y = top + placed.dome.height_mm * k

    def right(p: FloatArray) -> FloatArray:
        """From the wearer's right, face to the right."""
        return np.stack([side_x + p[..., 1] * k, side_y - p[..., 2] * k], -1)

    page.polyline(np.stack([mid_x + seen_above[:, 0] * k, mid_y - seen_above[:, 1] * k], -1), 0.35)
    outline = _silhouette(placed, (1, 2), lowest)
    page.polyline(np.stack([side_x + outline[:, 0] * k, side_y - outline[:, 1] * k], -1), 0.35)
    line = placed.line.points[placed.line.points[:, 2] > -1.0]
    page.polyline(above(line), 0.15, GRAY, 1.0)
    labels = _draw_marks(page, placed, above, right)
    page.text(mid_x, top - 0.6, "face", 6.5, align="c")
    bottom = max(mid_y + length * k + 3.5, side_y - lowest * k + 3.5, labels + LABEL_MM)
    page.text(mid_x, bottom, "from above", 6.5, align="c")
    page.text(side_x, bottom, "from the wearer's right", 6.5, align="c")
    if fitting.closure is not None:
        _draw_closure(page, placed, fitting.closure, above, right)
    return bottom


def _draw_marks(page: Page, placed: Marks, above: View, right: View) -> float:
    """A dot for every mark in both views, and its label in the one from the right, none over another.

    Returns the lowest label's baseline.
    """
    taken: list[tuple[float, float, float]] = []
    for name, mark in placed.marks.items():
        sides = [mark.point, mark.point * [-1.0, 1.0, 1.0]] if mark.both_sides else [mark.point]
        if mark.point[2] > -25.0:
            for p in sides:
                page.dot(*above(p))
        at = right(mark.point)
        page.dot(*at)
        dx, dy = LABEL_AT_MM[name]
        label = "front" if name == "front" else mark.label
        wide = page.width_of(label, 6.5)
        left = float(at[0]) + dx - (wide / 2 if name == "crown" else 0.0)
        y = float(at[1]) + dy
        while any(left < end and start < left + wide and abs(y - other) < LABEL_MM for start, end, other in taken):
            y += LABEL_MM / 4
        taken.append((left, left + wide, y))
        page.text(left, y, label, 6.5)
    return max(y for _, _, y in taken)


def _draw_closure(page: Page, placed: Marks, place: ClosurePlace, above: View, right: View) -> None:
    """The closure's edge in both views, and where the cap's rim lies."""
    if len(place.outline):
        page.polyline(above(place.outline), 0.3, GRAY)
        edge = place.outline[place.outline[:, 0] > 1e-6]
        middle = [placed.line.at(place.hairline_v_mm)]
        back = [placed.line.at(place.back_edge_v_mm)] if len(place.corners) == 4 else []
        page.polyline(right(np.array([*middle, *edge, *back])), 0.3, GRAY)
    at = right(placed.line.at(place.rim_v_mm))
    page.line(at[0] - 1.2, at[1] + 1.2, at[0] + 1.2, at[1] - 1.2, 0.3)
    page.text(at[0] + 1.4, at[1] - 1.2, "rim", 6.5)
