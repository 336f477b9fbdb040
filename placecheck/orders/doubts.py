"""Doubts about an order: what is unusual of a head, or does not go together.

A doubt is a sentence, and stops nobody: somebody accepts it or mends what it names. Every
length is held against the usual range of its kind (tape.py), and against the circumference,
since heads of one size are alike in their proportions. Calipers are held against each other
and against the tape: the head's outline is near the ellipse with its length and breadth as
axes, whose perimeter the tape should read. The block is held against the head it is to
fit, the due date against the day. A doubt names what it is about, so one that was accepted is
known again by its words.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from placecheck.orders.order import Order
from placecheck.orders.tape import TAPE, TAPE_BY_NAME
from placecheck.units import mm_and_inches

RATIOS: Mapping[str, tuple[float, float]] = {
    "front_to_nape": (0.56, 0.73),
    "temple_to_temple": (0.60, 0.80),
    "ear_to_ear": (0.50, 0.68),
    "nape_width": (0.16, 0.34),
}
"""Length : circumference over the size charts of the trade, widened (common practice, no published source)."""
ELLIPSE_WITHIN = 0.08
"""A tape over hair and brow reads more than the ellipse of the calipers, but no more than this (from memory)."""


def ellipse_perimeter_mm(length_mm: float, breadth_mm: float) -> float:
    """Perimeter of the ellipse with those two axes, mm (Ramanujan's second approximation, error below 1e-9 here)."""
    a, b = length_mm / 2, breadth_mm / 2
    h = ((a - b) / (a + b)) ** 2
    return float(3.141592653589793 * (a + b) * (1 + 3 * h / (10 + (4 - 3 * h) ** 0.5)))


def doubts(order: Order, today: date | None = None) -> tuple[str, ...]:
    """What is unusual or does not go together, a sentence each; empty where all is well."""
    found: list[str] = []
    m = order.measurements
    for measure in TAPE:
        mm = m.get(measure.name)
        if mm is None:
            continue
        low, high = measure.usual_mm
        if not low <= mm <= high:
            word = "short" if mm < low else "long"
            found.append(
                f"The {measure.label} of {mm_and_inches(mm)} is unusually {word} (usual {low:.0f} to {high:.0f} mm): "
                f"measure it again, {measure.how}."
            )
    for name, (low, high) in RATIOS.items():
        mm = m.get(name)
        if mm is None or low <= mm / m.circumference_mm <= high:
            continue
        word = "short" if mm < low * m.circumference_mm else "long"
        found.append(
            f"The {TAPE_BY_NAME[name].label} of {mm_and_inches(mm)} is {word} for a circumference of "
            f"{mm_and_inches(m.circumference_mm)}: one of the two may be misread."
        )
    if m.nape_width_mm and m.temple_to_temple_mm and m.nape_width_mm > 0.5 * m.temple_to_temple_mm:
        found.append("The nape width is more than half of temple to temple: the two do not go together.")
    if m.head_length_mm and m.head_breadth_mm:
        if not 0.65 <= m.head_breadth_mm / m.head_length_mm <= 0.95:
            found.append("Head breadth and head length do not go together: are they exchanged?")
        round_mm = ellipse_perimeter_mm(m.head_length_mm, m.head_breadth_mm)
        if abs(m.circumference_mm / round_mm - 1) > ELLIPSE_WITHIN:
            found.append(
                f"Calipers and tape disagree: a head {m.head_length_mm:.0f} mm long and {m.head_breadth_mm:.0f} broad "
                f"is about {round_mm:.0f} mm round, the tape says {m.circumference_mm:.0f}."
            )
    if order.block is not None:
        more = order.block.circumference_mm - m.circumference_mm
        if more < -3.0:
            found.append(
                f"The block is {mm_and_inches(more)} smaller round than the head: a wig made on it will be tight."
            )
        elif more > 25.4:
            found.append(
                f"The block is {mm_and_inches(more)} larger round than the head: a wig made on it will be loose."
            )
    if order.due is not None and order.due < (today or date.today()):
        found.append(f"The due date {order.due.isoformat()} has passed.")
    return tuple(found)
