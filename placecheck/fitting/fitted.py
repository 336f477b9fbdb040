"""All that follows from an order, put together: cap, block, slack, marks, the closure's place.

Each is asked of the module it belongs to, in the order in which a maker needs it. What
cannot be had, because a length was not taken or block or closure are not chosen yet, is
None, and a note says in a sentence what to measure or to add; whatever can be had is there all
the same. A cap in the order that is not the one that follows is kept and noted. Command
line, page and bench sheet all show this one Fitting, so they cannot say different things.
"""

from __future__ import annotations

from dataclasses import dataclass

from placecheck.errors import Problem
from placecheck.fitting.block_marks import Marks, marks_for
from placecheck.fitting.closure_place import ClosurePlace, closure_place
from placecheck.fitting.sizes import Advice, Slack, block_size, cap_size, nape_slack
from placecheck.orders.order import Order
from placecheck.tolerances import DEFAULTS, Tolerances


@dataclass(frozen=True)
class Fitting:
    """Everything that follows from an order; `marks`, `slack` and `closure` are None where data for them is missing."""

    cap: Advice
    block: Advice
    slack: Slack | None
    marks: Marks | None
    closure: ClosurePlace | None
    notes: tuple[Problem, ...]


def fit(order: Order, tolerances: Tolerances = DEFAULTS) -> Fitting:
    """All of it; what is missing is told in `notes`, a sentence each."""
    notes: list[Problem] = []
    m = order.measurements
    wanted = cap_size(m)
    if order.cap.size and order.cap.size != wanted.value:
        said = f"The order's cap is {order.cap.size} where {wanted.value} follows: {wanted.reason}"
        notes.append(Problem("order-other-cap", said))
    slack = nape_slack(m, order.cap, tolerances.clearance_aim_mm)
    if slack is None:
        said = "Slack at the nape cannot be told without front to nape: measure the client."
        notes.append(Problem("order-no-front-to-nape", said))
    marks = place = None
    if order.block is None:
        said = "Marks need the block: tape it round its widest level and add it to the order."
        notes.append(Problem("order-no-block", said))
    else:
        marks = marks_for(order)
        notes += [Problem("order-mark-missing", said) for said in marks.missing.values()]
        if order.closure is None:
            said = "The closure's place needs its size: add it, such as 5x5, to the order."
            notes.append(Problem("order-no-closure", said))
        else:
            place = closure_place(order, marks, tolerances)
    return Fitting(wanted, block_size(m), slack, marks, place, tuple(notes))
