"""The thin border to the shop's books: orders and records, as the screens need them.

Every call into the order store and the record store is here, so that the screens know neither's
types. Lengths of an order travel as the texts that were written. Where the installation has no
record store (its package is missing), saving is not offered, and the rest of the page
works. All functions block on the disk; the screens call them in a thread. Failures are
PlacecheckErrors with one sentence.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from placecheck.answer import Answer
from placecheck.errors import UsageProblem
from placecheck.request import CheckRequest

if TYPE_CHECKING:
    from placecheck.orders import Order, OrderStore

HAS_RECORDS = importlib.util.find_spec("placecheck.records") is not None
HAS_ORDERS = importlib.util.find_spec("placecheck.orders") is not None


@dataclass(frozen=True)
class OrderLine:
    """One order in a list: its number as typed, and the texts that fill the photo form."""

    number: str
    alias: str
    closure: str
    block: str
    maker: str
    due: str


def _store() -> OrderStore:
    from placecheck.orders import order_store

    return order_store()


def open_orders(home: Path) -> list[OrderLine]:
    """All orders, newest first."""
    if not HAS_ORDERS:
        return []
    orders, _ = _store().all()
    return [_line(order) for order in reversed(orders)]


def _line(order: Order) -> OrderLine:
    block = f"{order.block.circumference_mm:.1f}mm" if order.block else ""
    return OrderLine(
        order.label,
        order.alias,
        order.closure.label if order.closure else "",
        order.written.get("block", "") if order.block and order.written.get("block") else block,
        order.maker,
        order.due.isoformat() if order.due else "",
    )


@dataclass(frozen=True)
class OrderShown:
    """One order on its own screen."""

    line: OrderLine
    lengths: list[tuple[str, str]]
    note: str
    doubts: list[str]


def order_shown(number: str) -> OrderShown:
    """The order of that number. Raises UsageProblem."""
    from placecheck.orders import TAPE, doubts
    from placecheck.units import mm_and_inches

    if not number.isdecimal() or len(number) > 9:
        raise UsageProblem("order-unknown", "There is no such order: choose one from the list.")
    order = _store().get(number)
    lengths = []
    for measure in TAPE:
        mm = order.measurements.get(measure.name)
        if mm is not None:
            lengths.append((measure.label[0].upper() + measure.label[1:], mm_and_inches(mm)))
    open_doubts = [doubt for doubt in doubts(order) if doubt not in order.accepted]
    return OrderShown(_line(order), lengths, order.note, open_doubts)


def tape_fields() -> list[tuple[str, str, str]]:
    """The client's lengths a new order may have: name, label, how to measure."""
    from placecheck.orders import TAPE

    return [(m.name, m.label[0].upper() + m.label[1:], m.how) for m in TAPE]


@dataclass(frozen=True)
class NewOrder:
    """What came of an order form: kept under a number, or doubts that want accepting."""

    number: str
    doubts: tuple[str, ...] = ()


def add_order(texts: Mapping[str, str], accepted: bool) -> NewOrder:
    """Keep a new order from the form's texts. Raises UsageProblem (UnitQuestion for a length to ask about)."""
    from placecheck.orders import (
        TAPE,
        Block,
        Cap,
        Measurements,
        Order,
        doubts,
        parse_alias,
        parse_cap_size,
        parse_due,
        parse_tape_mm,
    )
    from placecheck.units import parse_circumference_mm, parse_closure

    def text(name: str) -> str:
        return texts.get(name, "").strip()[:200]

    alias = parse_alias(text("alias"))
    if not text("circumference"):
        raise UsageProblem("circumference-not-given", "An order needs the client's circumference at least.")
    lengths = {f"{m.name}_mm": parse_tape_mm(text(m.name), m.name) for m in TAPE if text(m.name)}
    order = Order(
        alias,
        Measurements(**lengths),
        Block(parse_circumference_mm(text("block"))) if text("block") else None,
        Cap(parse_cap_size(text("cap"))) if text("cap") else Cap(),
        parse_closure(text("closure")) if text("closure") else None,
        " ".join(text("maker").split())[:40],
        parse_due(text("due")) if text("due") else None,
        " ".join(text("note").split()),
        {name: text(name) for name in (*(m.name for m in TAPE), "block", "closure") if text(name)},
    )
    found = doubts(order)
    if found and not accepted:
        return NewOrder("", found)
    return NewOrder(_store().add(replace(order, accepted=found)).label)


# ----------------------------------------------------------------------------- records


def save(home: Path, photo: Path, request: CheckRequest, answer: Answer, spec: Mapping[str, Any]) -> str:
    """Keep a check in the records; returns what names it there."""
    from placecheck.records.store import save_check  # type: ignore[import-not-found, unused-ignore]

    return str(save_check(photo, request, answer))
