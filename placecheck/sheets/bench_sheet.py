"""The order's one page: lengths, what follows, marks, targets and boxes to tick, for the bench.

From above: the head; the client's lengths beside what follows from them, with the reasons;
the marks with their lengths over the block, each with its U95 and a box; then the block's
two views beside the targets, whose limits have a box for each stage; lines for notes where
room is left; and in true size a gauge for the hairline, to be folded and held against the
work. Each part draws itself from a top left corner and returns where it ended, so a part
that has less to say leaves room for the next. What cannot be told yet is left out or
said in a sentence; drawings are for finding one's way, lengths are in the tables.
"""

from __future__ import annotations

from placecheck.answer import MEASURE_BY_NAME
from placecheck.fitting.block_marks import WAYS, ways_of
from placecheck.fitting.fitted import Fitting
from placecheck.fitting.sizes import Advice
from placecheck.orders.order import Order
from placecheck.orders.tape import TAPE
from placecheck.sheets.block_views import block_views
from placecheck.sheets.frame import foot, head
from placecheck.sheets.pdf_page import GRAY, MARGIN_MM, Page
from placecheck.tolerances import DEFAULTS, Tolerances
from placecheck.units import sixteenths

MOST_DOUBTS = 4


def bench_sheet(order: Order, fitting: Fitting, paper: str = "a4", tolerances: Tolerances = DEFAULTS) -> bytes:
    """The order's page as PDF."""
    page = Page(paper, f"Bench sheet, order {order.label}")
    left, width = MARGIN_MM, page.width - 2 * MARGIN_MM
    y = head(page, order, "Bench sheet")
    column = 66.0
    y1 = _client(page, order, left, y, column)
    y2 = _follows(page, fitting, left + column + 6, y, width - column - 6)
    y = max(y1, y2) + 3.0
    y = _marks_table(page, fitting, left, y, width) + 3.0
    bottom = page.height - MARGIN_MM
    drawing = 108.0
    ruled = y + 68.0
    if fitting.marks is not None:
        ruled = max(ruled, block_views(page, fitting, left, y, bottom - 27.0 - y) + 6.0)
        _targets(page, tolerances, left + drawing, y, width - drawing)
    else:
        _targets(page, tolerances, left, y, width - drawing)
    if bottom - 27.0 - ruled > 14.0:
        page.text(left, ruled, "Notes", 7)
        while ruled < bottom - 27.0:
            page.line(left + 10, ruled, left + width, ruled, 0.1, GRAY)
            ruled += 7.0
    _gauge(page, tolerances, left, bottom - 17.0, width)
    foot(page)
    return page.pdf()


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
            shown = round(mm, 1)  # as in the sentences beside it
            page.text(x + 45, y, f"{shown:.1f} mm", 8, align="r")
            page.text(x + width, y, sixteenths(shown), 8, align="r")
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
        ways = ways_of(mark)
        for (offset, _), key in zip(columns, WAYS, strict=True):
            page.text(x + offset + 12, y, ways.get(key, ""), 8.5, align="c")
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
        limits, room = f"{low:g} to {high:g}{unit}", boxes[0] - 6 - x - page.width_of(label, 8) - 2.0
        page.text(boxes[0] - 6, y, limits, min(8.0, 8.0 * room / page.width_of(limits, 8)), align="r")
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


def _gauge(page: Page, tolerances: Tolerances, x: float, y: float, width: float) -> None:
    """True size: the hairline's zone in front of the rim, to hold against the work."""
    low, high = tolerances.clearance_limits_mm
    aim = tolerances.clearance_aim_mm
    page.box(x + low, y - 3, high - low, 6, 0.0, 0.85)
    page.line(x, y - 5, x, y + 4, 0.5)
    page.line(x, y, x + max(high, aim) + 5, y, 0.15)
    for at, thick in ((low, 0.15), (high, 0.15), (aim, 0.4)):
        page.line(x + at, y - 4, x + at, y + 4, thick)
    page.text(x, y + 6.4, "rim", 6.5)
    page.text(x + aim, y - 4.8, f"{aim:g}", 6.5, align="c")
    page.paragraph(
        x + max(high, aim) + 8,
        y - 1.5,
        f"True size: fold the paper along the thick line, lay it on the cap's rim, and the hairline must lie in the "
        f"grey zone, {low:g} to {high:g} mm in front of it, best at {aim:g} mm.",
        width - max(high, aim) - 8,
        7,
    )
