"""What frames both sheets: the order's head with its QR code above, the bar and the caution below.

The head has the order's number as large as a bench needs it, alias, maker and due date, what
was chosen of closure, block and cap, and the note; what is not chosen is said, and a
blank is left where something is to be written. The QR code beside it says the order's
number in plain words and nothing of the client. The foot has the 100 mm bar that tells
whether the printer scaled the page, and a word about pins and blades. A line too long for
its place is cut with an ellipsis, so that nothing is printed over something else.
"""

from __future__ import annotations

from placecheck.orders.order import Order
from placecheck.sheets.pdf_page import MARGIN_MM, Page
from placecheck.units import mm_and_inches

NOTE_LINES = 3
"""Enough for the longest note an order takes, as words mostly are."""
CAUTION = (
    "Pins, needles and blades hurt: count pins out and in, park them in a cushion, points away from hands and eyes, "
    "cut away from your fingers."
)


def qr_content(order: Order) -> str:
    """What the QR code says: the order's number in plain words, nothing of the client."""
    return f"placecheck order {order.label}"


def head(page: Page, order: Order, title: str) -> float:
    """The order's head under the page's title; returns the first baseline below it, mm."""
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
        room = page.width - 2 * MARGIN_MM
        lines = page.broken(f"Note: {order.note}", room, 8)
        lines = [*lines[: NOTE_LINES - 1], " ".join(lines[NOTE_LINES - 1 :])] if len(lines) > NOTE_LINES else lines
        for line in lines:
            page.text(left, y + 1, page.short(line, room, 8), 8)
            y += 3.5
        y += 1.0
    return y + 3.0


def foot(page: Page) -> None:
    """The 100 mm bar and the caution, along the lower margin."""
    bottom = page.height - MARGIN_MM
    page.bar(MARGIN_MM, bottom - 5.5)
    page.text(MARGIN_MM, bottom, CAUTION, 7)
