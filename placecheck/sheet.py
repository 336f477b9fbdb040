"""Sheets for the bench: the order's one page and the guidelines' one page, as PDF at true scale.

Laid out in mm from the page's top left corner on A4 or Letter. The order's sheet has the
number and its QR code, the client's lengths, what follows from them with the reasons, the
marks with their lengths over the block, the targets with tolerances and boxes to tick for
each stage, the block from above and from its right side to scale 1:4, and in true size a
gauge for the hairline and a 100 mm bar that tells whether the printer scaled the page. The
guidelines' sheet has the rows from behind to scale 1:2 and every row's lengths. Drawings
are parallel projections: lengths over the block are in the tables, not in the drawing.
Fonts are the PDF's own; a letter they lack is drawn with a system font if one has it.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from placecheck.answer import MEASURE_BY_NAME
from placecheck.errors import UnusableFile, UsageProblem
from placecheck.fitting.block_marks import Marks
from placecheck.fitting.fitted import Fitting
from placecheck.fitting.sizes import Advice
from placecheck.orders.order import Order
from placecheck.orders.tape import TAPE
from placecheck.tolerances import DEFAULTS, Tolerances
from placecheck.units import mm_and_inches, sixteenths

if TYPE_CHECKING:
    from placecheck.guidelines import Plan

FloatArray = npt.NDArray[np.float64]

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
"""ISO 216 A4; ANSI/ASME Y14.1 A (US Letter), 8.5 x 11 in."""
POINT_MM = 25.4 / 72
MARGIN_MM = 10.0
BAR_MM = 100.0
BLOCK_SCALES = (4, 5, 6, 8)
"""1 : 4 where the page has room for it."""
ROWS_SCALE = 1 / 2
GRAY = 0.45
MOST_DOUBTS = 4
CAUTION = (
    "Pins, needles and blades hurt: count pins out and in, park them in a cushion, points away from hands and eyes, "
    "cut away from your fingers."
)
FALLBACK_FONTS = (
    "/usr/share/fonts/truetype/dejavu/DejaVuSans.ttf",
    "/Library/Fonts/Arial Unicode.ttf",
    "/System/Library/Fonts/Supplemental/Arial Unicode.ttf",
    "C:/Windows/Fonts/arial.ttf",
)


# ----------------------------------------------------------------------------- the page


@lru_cache(maxsize=1)
def _fallback_font() -> str | None:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFError, TTFont

    for path in FALLBACK_FONTS:
        try:
            pdfmetrics.registerFont(TTFont("SheetFallback", path))
            return "SheetFallback"
        except (TTFError, OSError):
            continue
    return None


def _fit_font(text: str, font: str) -> tuple[str, str]:
    """The text and a font that can draw it; without one, what cannot be drawn becomes “?”."""
    try:
        text.encode("cp1252")
        return text, font
    except UnicodeEncodeError:
        other = _fallback_font()
        if other is not None:
            return text, other
        return text.encode("cp1252", "replace").decode("cp1252"), font


class Page:
    """One PDF page, drawn in mm from its top left corner; text sizes in points."""

    def __init__(self, paper: str, title: str) -> None:
        from reportlab.pdfgen.canvas import Canvas

        try:
            self.width, self.height = PAPERS_MM[paper.lower()]
        except KeyError:
            raise UsageProblem("unknown-paper", f"Sheets are made for a4 or letter paper, not for {paper!r}.") from None
        self._out = io.BytesIO()
        size = (self.width / POINT_MM, self.height / POINT_MM)
        self._canvas: Any = Canvas(self._out, pagesize=size, invariant=1)
        self._canvas.setTitle(title)
        self._canvas.setViewerPreference("PrintScaling", "None")

    def _at(self, x: float, y: float) -> tuple[float, float]:
        return x / POINT_MM, (self.height - y) / POINT_MM

    def text(self, x: float, y: float, text: str, size: float = 8, bold: bool = False, align: str = "l") -> None:
        """One line with its baseline at y; `align` l, r or c about x."""
        text, font = _fit_font(text, "Helvetica-Bold" if bold else "Helvetica")
        c = self._canvas
        c.setFont(font, size)
        c.setFillGray(0)
        draw = {"l": c.drawString, "r": c.drawRightString, "c": c.drawCentredString}[align]
        draw(*self._at(x, y), text)

    def width_of(self, text: str, size: float, bold: bool = False) -> float:
        """Width of a line of text, mm."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        text, font = _fit_font(text, "Helvetica-Bold" if bold else "Helvetica")
        return float(stringWidth(text, font, size)) * POINT_MM

    def paragraph(self, x: float, y: float, text: str, width: float, size: float = 7.5, leading: float = 1.22) -> float:
        """Text broken to `width`, first baseline at y; returns the y of the next line."""
        line = ""
        for word in text.split():
            longer = f"{line} {word}" if line else word
            if line and self.width_of(longer, size) > width:
                self.text(x, y, line, size)
                y += size * leading * POINT_MM
                line = word
            else:
                line = longer
        self.text(x, y, line, size)
        return y + size * leading * POINT_MM

    def short(self, text: str, width: float, size: float, bold: bool = False) -> str:
        """The text, cut with an ellipsis where it is wider than `width` mm."""
        if self.width_of(text, size, bold) <= width:
            return text
        while text and self.width_of(text + "...", size, bold) > width:
            text = text[:-1]
        return text.rstrip() + "..."

    def line(self, x1: float, y1: float, x2: float, y2: float, thick: float = 0.2, gray: float = 0.0) -> None:
        c = self._canvas
        c.setLineWidth(thick / POINT_MM)
        c.setStrokeGray(gray)
        c.line(*self._at(x1, y1), *self._at(x2, y2))

    def polyline(self, points: FloatArray, thick: float = 0.25, gray: float = 0.0, dash: float = 0.0) -> None:
        """Points (n, 2) mm; stretches with NaN are left out."""
        c = self._canvas
        c.setLineWidth(thick / POINT_MM)
        c.setStrokeGray(gray)
        c.setDash([dash / POINT_MM, dash / POINT_MM] if dash else [])
        path = c.beginPath()
        pen_down = False
        for x, y in points:
            if not (np.isfinite(x) and np.isfinite(y)):
                pen_down = False
                continue
            (path.lineTo if pen_down else path.moveTo)(*self._at(float(x), float(y)))
            pen_down = True
        c.drawPath(path, stroke=1, fill=0)
        c.setDash([])

    def box(self, x: float, y: float, w: float, h: float, thick: float = 0.2, fill: float | None = None) -> None:
        """A rectangle with its top left corner at (x, y)."""
        c = self._canvas
        c.setLineWidth(thick / POINT_MM)
        c.setStrokeGray(0)
        if fill is not None:
            c.setFillGray(fill)
        left, bottom = self._at(x, y + h)
        c.rect(left, bottom, w / POINT_MM, h / POINT_MM, stroke=1 if thick else 0, fill=0 if fill is None else 1)

    def tick(self, x: float, y: float, size: float = 3.4) -> None:
        """A box to tick, its bottom on the baseline y."""
        self.box(x, y - size + 0.5, size, size, 0.25)

    def dot(self, x: float, y: float, radius: float = 0.8) -> None:
        c = self._canvas
        c.setFillGray(0)
        c.circle(*self._at(x, y), radius / POINT_MM, stroke=0, fill=1)

    def heading(self, x: float, y: float, text: str, width: float) -> float:
        """A section's heading with a rule below; returns the first baseline after it."""
        self.text(x, y, text, 9, True)
        self.line(x, y + 1.2, x + width, y + 1.2, 0.3)
        return y + 5.0

    def qr(self, x: float, y: float, size: float, content: str) -> None:
        """A QR code (ISO/IEC 18004) `size` mm wide with its quiet zone, as one path of merged runs."""
        import segno

        modules = [list(row) for row in segno.make(content, error="m", micro=False).matrix_iter(border=4)]
        m = size / len(modules)
        c = self._canvas
        path = c.beginPath()
        for j, row in enumerate(modules):
            start = None
            for i, dark in enumerate([*row, 0]):
                if dark and start is None:
                    start = i
                elif not dark and start is not None:
                    left, bottom = self._at(x + start * m, y + (j + 1) * m)
                    path.rect(left, bottom, (i - start) * m / POINT_MM, m / POINT_MM)
                    start = None
        c.setFillGray(0)
        c.drawPath(path, stroke=0, fill=1)

    def bar(self, x: float, y: float) -> None:
        """The 100 mm bar between the middles of its end ticks."""
        self.line(x, y, x + BAR_MM, y, 0.3)
        for k in range(11):
            self.line(x + 10.0 * k, y - (2.0 if k in (0, 10) else 1.0), x + 10.0 * k, y, 0.1)
        self.text(x + BAR_MM + 3, y, "100 mm: if it is not, print again at 100 % (never “fit to page”)", 7)

    def pdf(self) -> bytes:
        self._canvas.showPage()
        self._canvas.save()
        return self._out.getvalue()


def qr_content(order: Order) -> str:
    """What the QR code says: the order's number in plain words, nothing of the client."""
    return f"placecheck order {order.label}"


def write_pdf(path: Path, data: bytes) -> None:
    """Write a sheet; UnusableFile with one sentence if it cannot be written."""
    try:
        path.write_bytes(data)
    except OSError as error:
        raise UnusableFile(
            "cannot-write", f"{path} cannot be written ({error.strerror or error}): name another file."
        ) from None


# ----------------------------------------------------------------------------- the order's sheet


def bench_sheet(order: Order, fitting: Fitting, paper: str = "a4", tolerances: Tolerances = DEFAULTS) -> bytes:
    """The order's page as PDF."""
    page = Page(paper, f"Bench sheet, order {order.label}")
    left, width = MARGIN_MM, page.width - 2 * MARGIN_MM
    y = _head(page, order, "Bench sheet")
    column = 66.0
    y1 = _client(page, order, left, y, column)
    y2 = _follows(page, fitting, left + column + 6, y, width - column - 6)
    y = max(y1, y2) + 3.0
    y = _marks_table(page, fitting, left, y, width) + 3.0
    foot = page.height - MARGIN_MM
    drawing = 108.0
    if fitting.marks is not None:
        _block_views(page, fitting, left, y, foot - 27.0 - y)
        _targets(page, tolerances, left + drawing, y, width - drawing)
    else:
        _targets(page, tolerances, left, y, width - drawing)
    ruled = y + 68.0
    if foot - 27.0 - ruled > 14.0:
        page.text(left, ruled, "Notes", 7)
        while ruled < foot - 27.0:
            page.line(left + 10, ruled, left + width, ruled, 0.1, GRAY)
            ruled += 7.0
    _gauge(page, tolerances, left, foot - 17.0, width)
    page.bar(left, foot - 5.5)
    page.text(left, foot, CAUTION, 7)
    return page.pdf()


def _head(page: Page, order: Order, title: str) -> float:
    left = MARGIN_MM
    page.text(left, 17, f"{title}  {order.label}", 18, True)
    page.text(left, 24, page.short(f"Client: {order.alias}", 75, 11, True), 11, True)
    due = order.due.isoformat() if order.due else "____________"
    page.text(left + 80, 24, page.short(f"Maker: {order.maker or '____________'}", 50, 9), 9)
    page.text(left + 132, 24, f"Due: {due}", 9)
    closure = order.closure.label if order.closure else "not chosen"
    block = f"{mm_and_inches(order.block.circumference_mm)} round" if order.block else "not chosen"
    cap = order.cap.size or "not chosen"
    names = [n for n in (order.block.name if order.block else "", order.cap.name) if n]
    parts = f"Closure: {closure}    Block: {block}    Cap: {cap}" + (f"    ({', '.join(names)})" if names else "")
    page.text(left, 30, page.short(parts, page.width - 2 * MARGIN_MM - 26, 9), 9)
    size = 24.0
    page.qr(page.width - MARGIN_MM - size + 2, 7, size, qr_content(order))
    y = 34.0
    if order.note:
        page.text(left, y + 1, page.short(f"Note: {order.note}", page.width - 2 * MARGIN_MM - 26, 8), 8)
        y += 4.5
    return y + 3.0


def _client(page: Page, order: Order, x: float, y: float, width: float) -> float:
    y = page.heading(x, y, "Client's tape", width)
    for measure in TAPE:
        mm = order.measurements.get(measure.name)
        if mm is None and measure.name in ("hairline_height", "head_length", "head_breadth"):
            continue
        page.text(x, y, measure.label, 8)
        if mm is None:
            page.text(x + width, y, "not taken", 8, align="r")
        else:
            page.text(x + 45, y, f"{mm:.0f} mm", 8, align="r")
            page.text(x + width, y, sixteenths(mm), 8, align="r")
        y += 4.2
    for doubt in order.accepted[:MOST_DOUBTS]:
        y = page.paragraph(x, y, f"Checked: {doubt}", width, 6.5)
    if len(order.accepted) > MOST_DOUBTS:
        page.text(x, y, f"and {len(order.accepted) - MOST_DOUBTS} more doubts that were checked", 6.5)
        y += 3.0
    return y


def _follows(page: Page, fitting: Fitting, x: float, y: float, width: float) -> float:
    y = page.heading(x, y, "What follows  (* common practice, no published source)", width)
    advice: list[Advice] = [fitting.cap, fitting.block]
    if fitting.slack is not None:
        advice.append(fitting.slack.advice)
    if fitting.closure is not None:
        advice += fitting.closure.advice
    for item in advice:
        star = " *" if item.common_practice else ""
        page.text(x, y, f"{item.what}: {item.value}{star}", 8, True)
        y = page.paragraph(x + 3, y + 3.2, item.reason, width - 3, 6.8) + 0.6
    for note in fitting.notes:
        y = page.paragraph(x, y, f"! {note.message}", width, 7) + 0.4
    return y


def _mm(value: float | None) -> str:
    return "" if value is None else f"{value:.0f}"


def _marks_table(page: Page, fitting: Fitting, x: float, y: float, width: float) -> float:
    y = page.heading(
        x, y, "Marks on this block: mm over its surface (± = U95, from what the tapes leave open of its shape)", width
    )
    if fitting.marks is None:
        page.text(x, y, "The block is not known yet: tape it round its widest level and print this sheet again.", 8)
        return y + 4.5
    columns = (
        (38.0, ("along the middle", "line from crown")),
        (72.0, ("along the middle", "line from front")),
        (100.0, ("then straight", "out each side")),
        (130.0, ("straight", "from crown")),
        (158.0, ("straight", "from front")),
    )
    for offset, words in columns:
        for k, word in enumerate(words):
            page.text(x + offset + 12, y + 2.9 * k, word, 6.5, align="c")
    page.text(x + width - 5, y + 2.9, "done", 6.5)
    y += 7.0
    for mark in fitting.marks.marks.values():
        page.text(x, y, mark.label, 8.5, True)
        cells: list[tuple[str, float | None, str]] = [
            ("along_crown_mm", mark.along_crown_mm, ""),
            ("along_front_mm", mark.along_front_mm, ""),
            ("out_mm", mark.out_mm if mark.both_sides else None, ""),
            ("straight_crown_mm", mark.straight_crown_mm, ""),
            ("straight_front_mm", mark.straight_front_mm, ""),
        ]
        for (offset, _), (key, value, _) in zip(columns, cells, strict=True):
            if value is None:
                continue
            if mark.name == "crown" and key == "along_crown_mm":
                text = "0"
            elif key == "along_crown_mm":
                text = f"{abs(value):.0f} {'forward' if value > 0.5 else 'back' if value < -0.5 else ''}"
            elif key == "along_front_mm":
                text = f"{abs(value):.0f} {'back' if value > 0.5 else 'forward' if value < -0.5 else ''}"
            else:
                text = f"{value:.0f}"
            u = mark.u95_mm.get(key, 0.0)
            text = f"{text.strip()} ± {u:.0f}" if u >= 0.5 else text.strip()
            page.text(x + offset + 12, y, text, 8.5, align="c")
        page.tick(x + width - 4, y)
        page.line(x, y + 1.3, x + width, y + 1.3, 0.1, GRAY)
        y += 5.0
    front = fitting.marks.marks["front"]
    y = page.paragraph(x, y, f"Front mark: {front.reason[0].lower()}{front.reason[1:]}", width, 6.8)
    return y


def _targets(page: Page, tolerances: Tolerances, x: float, y: float, width: float) -> None:
    y = page.heading(x, y, "Targets", width)
    stages = ("pinned", "stitched")
    boxes = [x + width - 5 - 11.0 * (len(stages) - 1 - k) for k in range(len(stages))]
    page.text(boxes[0] - 6, y, "limits", 6.5, align="r")
    for at, stage in zip(boxes, stages, strict=True):
        page.text(at + 1.7, y, stage, 6.5, align="c")
    y += 4.4
    for name, (low, high) in tolerances.limits.items():
        spec = MEASURE_BY_NAME[name]
        unit = "°" if spec.unit == "deg" else f" {spec.unit}"
        label = spec.label.replace("hairline below cap edge", "hairline to rim")
        page.text(x, y, label, 8)
        page.text(boxes[0] - 6, y, f"{low:g} to {high:g}{unit}", 8, align="r")
        for at in boxes:
            page.tick(at, y)
        y += 4.7
    page.text(x, y, f"hairline to rim: aim at {tolerances.clearance_aim_mm:g} mm", 7)
    y += 5.5
    for label in (
        "cap centred, rim at the temple marks; its photo taken",
        "closure photo: pass",
        "stitches even, no gaps",
        "stitched photo: pass",
    ):
        page.tick(x, y)
        page.text(x + 5, y, label, 8)
        y += 4.7


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


def _block_views(page: Page, fitting: Fitting, x: float, y: float, room: float) -> None:
    """The block from above and from its right side with the marks and the closure, at most `room` mm high."""
    placed = fitting.marks
    assert placed is not None
    length = placed.dome.half_length_mm
    lowest = min(-60.0, *(float(m.point[2]) - 8.0 for m in placed.marks.values()))
    tall = max(2 * length, placed.dome.height_mm - lowest)
    scale = next((n for n in BLOCK_SCALES if tall / n + 12.0 <= room), BLOCK_SCALES[-1])
    y = page.heading(x, y, f"The block, 1:{scale} (drawing; tape the lengths above)", 100.0)
    top = y + 1.0
    k = 1.0 / scale
    mid_x, mid_y = x + 21.0, top + length * k

    def above(p: FloatArray) -> FloatArray:
        """From above, face up, so the wearer's right is on the right."""
        return np.stack([mid_x + p[..., 0] * k, mid_y - p[..., 1] * k], -1)

    side_x, side_y = x + 73.0, top + placed.dome.height_mm * k

    def right(p: FloatArray) -> FloatArray:
        """From the wearer's right, face to the right."""
        return np.stack([side_x + p[..., 1] * k, side_y - p[..., 2] * k], -1)

    outline = _silhouette(placed, (0, 1), -1.0)
    page.polyline(np.stack([mid_x + outline[:, 0] * k, mid_y - outline[:, 1] * k], -1), 0.35)
    outline = _silhouette(placed, (1, 2), lowest)
    page.polyline(np.stack([side_x + outline[:, 0] * k, side_y - outline[:, 1] * k], -1), 0.35)
    line = placed.line.points[placed.line.points[:, 2] > -1.0]
    page.polyline(above(line), 0.15, GRAY, 1.0)
    for name, mark in placed.marks.items():
        sides = [mark.point, mark.point * [-1.0, 1.0, 1.0]] if mark.both_sides else [mark.point]
        if mark.point[2] > -25.0:
            for p in sides:
                page.dot(*above(p))
        page.dot(*right(mark.point))
        dx, dy, align = {
            "crown": (0.0, -1.6, "c"),
            "front": (1.6, 0.8, "l"),
            "ear": (1.6, 1.6, "l"),
            "temple": (1.6, 2.6, "l"),
            "nape": (1.6, 2.6, "l"),
            "nape corner": (1.8, 1.0, "l"),
        }[name]
        at = right(mark.point)
        page.text(at[0] + dx, at[1] + dy, "front" if name == "front" else mark.label, 6.5, align=align)
    page.text(mid_x, top - 0.6, "face", 6.5, align="c")
    bottom = max(mid_y + length * k, side_y - lowest * k) + 3.5
    page.text(mid_x, bottom, "from above", 6.5, align="c")
    page.text(side_x, bottom, "from the wearer's right", 6.5, align="c")
    place = fitting.closure
    if place is not None and len(place.outline):
        page.polyline(above(place.outline), 0.3, GRAY)
        edge = place.outline[place.outline[:, 0] > 1e-6]
        middle = [placed.line.at(place.hairline_v_mm)]
        back = [placed.line.at(place.back_edge_v_mm)] if len(place.corners) == 4 else []
        page.polyline(right(np.array([*middle, *edge, *back])), 0.3, GRAY)
    if place is not None:
        at = right(placed.line.at(place.rim_v_mm))
        page.line(at[0] - 1.2, at[1] + 1.2, at[0] + 1.2, at[1] - 1.2, 0.3)
        page.text(at[0] + 1.4, at[1] - 1.2, "rim", 6.5)


def _gauge(page: Page, tolerances: Tolerances, x: float, y: float, width: float) -> None:
    """True size: the hairline's zone in front of the rim, to hold against the work."""
    low, high = tolerances.limits["clearance_centre_mm"]
    aim = tolerances.clearance_aim_mm
    page.line(x, y - 5, x, y + 4, 0.5)
    page.box(x + low, y - 3, high - low, 6, 0.0, 0.85)
    page.line(x, y, x + max(high, aim) + 5, y, 0.15)
    for at, thick in ((low, 0.15), (high, 0.15), (aim, 0.4)):
        page.line(x + at, y - 4, x + at, y + 4, thick)
    page.text(x + 0.8, y - 4.2, "rim", 6.5)
    page.text(x + aim, y - 4.8, f"{aim:g}", 6.5, align="c")
    page.paragraph(
        x + max(high, aim) + 8,
        y - 1.5,
        f"True size: fold the paper along the thick line, lay it on the cap's rim, and the hairline must lie in the "
        f"grey zone, {low:g} to {high:g} mm in front of it, best at {aim:g} mm.",
        width - max(high, aim) - 8,
        7,
    )


# ----------------------------------------------------------------------------- the guidelines' sheet


def guideline_sheet(order: Order, plan: Plan, placed: Marks, paper: str = "a4") -> bytes:
    """The rows' page as PDF."""
    page = Page(paper, f"Guidelines, order {order.label}")
    left, width = MARGIN_MM, page.width - 2 * MARGIN_MM
    y = _head(page, order, "Guidelines")
    y = page.heading(left, y, "Weft", width)
    ends = f", {plan.end_spacing_mm:.1f} mm at the sides" if len(plan.rows) > 1 else ""
    layers = f" x {plan.layers} layers" if plan.layers > 1 else ""
    lines = [
        f"{len(plan.rows)} rows {mm_and_inches(plan.spacing_mm)} apart along the middle line{ends}; the first "
        f"{mm_and_inches(plan.first_mm)} above the nape, the last {mm_and_inches(plan.left_over_mm)} behind the "
        "closure.",
        f"Rows together {plan.rows_mm / 1000:.2f} m{layers}; reserve {plan.reserve:.0%} (common practice, no published "
        f"source) {plan.reserve_mm / 1000:.2f} m.",
    ]
    for text in (*lines, *(f"! {note}" for note in plan.notes)):
        y = page.paragraph(left, y, text, width, 8)
    page.text(left, y + 1.5, f"Weft to have: {plan.to_buy_mm / 1000:.2f} m ({plan.to_buy_mm / 914.4:.2f} yd)", 11, True)
    y += 8.0
    y = page.heading(left, y, "Rows from behind, 1:2 (drawing; the lengths are in the table)", width)
    bottom = _rear_view(page, plan, placed, left + 52.0, y)
    y0 = y
    y = max(bottom, y0) + 6.0
    _row_table(page, plan, left, y, width)
    foot = page.height - MARGIN_MM
    page.bar(left, foot - 5.5)
    page.text(left, foot, CAUTION, 7)
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
    low = min(float(flat(c)[:, 1].min()) for c in (*curves, *sides))
    outline = outline[outline[:, 1] > low]
    high = float(outline[:, 1].max())

    def place(p: FloatArray) -> FloatArray:
        return np.stack([mid_x + p[:, 0] * k, top + (high - p[:, 1]) * k], -1)

    page.polyline(place(outline), 0.2, GRAY)
    page.polyline(place(flat(middle)), 0.15, GRAY, 1.0)
    for side in sides:
        page.polyline(place(flat(side)), 0.2, GRAY, 1.0)
    for row, curve in zip(plan.rows, curves, strict=True):
        at = place(flat(curve))
        page.polyline(at, 0.3)
        last = len(plan.rows)
        if row.number in (1, last) or (row.number % 5 == 0 and row.number <= last - 3):
            end = at[-1]
            page.text(float(end[0]) + 1.5, float(end[1]) + 0.8, str(row.number), 6)
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
            for stop, text in zip(stops, (*cells, f"{row.length_mm:.0f} ({sixteenths(row.length_mm)})"), strict=True):
                page.text(left + stop, at, text, size, align="r")
            page.tick(left + each - 8, at, min(3.0, leading - 0.8))
            at += leading
