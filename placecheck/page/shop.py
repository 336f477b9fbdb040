"""The thin border to the shop's orders and saved blocks, as the screens need them.

Every call into the order store is here (those into the record store are in `books`), so that the
screens know neither's types beyond what they show. Lengths of an order travel as the texts that
were written; what a changed form leaves as it was, to the letter, stays as it was kept. What
follows from an order (fitting, marks, guidelines, sheets) is worked out anew for every screen.
All functions block on the disk, so the screens call them in a thread. Failures are
PlacecheckErrors with one sentence.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from placecheck.errors import PlacecheckError, UsageProblem
from placecheck.steps import enumerated

if TYPE_CHECKING:
    from placecheck.orders.files import OrderStore
    from placecheck.orders.order import Order


_KEEPING = threading.Lock()
"""Held while an order is kept, so that the second of two taps finds what the first one made."""


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
    from placecheck.orders.files import order_store

    return order_store()


def all_orders(home: Path) -> list[OrderLine]:
    """All orders, newest first."""
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


def saved_blocks(home: Path, asked: str) -> tuple[list[tuple[str, str]], str, list[str]]:
    """The saved blocks, which of them is chosen, and a sentence for each that is damaged or no longer there.

    Each has its name and its circumference in inches; chosen is the one `asked` for, "" for none.
    """
    from placecheck.bare_block.saved import BLOCKS, blocks_folder
    from placecheck.units import sixteenths

    blocks, damaged = BLOCKS.load_all(blocks_folder(home))
    chosen = next((b.name for b in blocks if b.name.casefold() == asked.strip().casefold()), "")
    troubles = [p.message for p in damaged]
    if asked and not chosen and not any(asked.casefold() in trouble.casefold() for trouble in troubles):
        troubles.append(f"The saved block “{asked}” is no longer there: choose another, or tape the block.")
    return [(b.name, sixteenths(b.circumference()[0])) for b in blocks], chosen, troubles


@dataclass(frozen=True)
class OrderShown:
    """One order on its own screen; `others` are the same client's."""

    line: OrderLine
    others: list[OrderLine]
    lengths: list[tuple[str, str]]
    note: str
    doubts: list[str]
    follows: list[tuple[str, str, str]]
    marks: list[tuple[str, list[tuple[str, str]], str]]
    notes: list[str]
    rows_lack: str


def _order(number: str) -> Order:
    unknown = UsageProblem("order-unknown", "There is no such order: choose one from the list.")
    if not number.isdecimal() or len(number) > 9:
        raise unknown
    try:
        return _store().get(number)
    except UsageProblem as problem:  # its sentence names a command
        raise unknown from problem


def order_label(number: str) -> str:
    """The label of the order of that number. Raises PlacecheckError."""
    return _order(number).label


def order_kept(reference: str | None) -> str:
    """The label of the order that a record is filed under; "" where that is not kept here, or cannot be read."""
    with contextlib.suppress(PlacecheckError):
        return order_label(reference or "")
    return ""


def rows_name(number: str) -> str:
    """What the picture of the order's rows is called. Raises PlacecheckError."""
    return _order(number).file_name("guidelines", "jpg")


def order_shown(home: Path, number: str) -> OrderShown:
    """The order of that number and what follows from it. Raises PlacecheckError."""
    from placecheck.fitting.block_marks import marks_table
    from placecheck.fitting.fitted import fit
    from placecheck.guidelines.plan import rows_lack
    from placecheck.orders.doubts import doubts
    from placecheck.orders.files import others_of_client
    from placecheck.orders.tape import TAPE
    from placecheck.settings import load_settings
    from placecheck.units import mm_and_inches

    order = _order(number)
    others = [_line(other) for other in others_of_client(order, _store().all()[0])]
    lengths = []
    for measure in TAPE:
        mm = order.measurements.get(measure.name)
        if mm is not None:
            lengths.append((measure.label[0].upper() + measure.label[1:], mm_and_inches(mm)))
    open_doubts = [doubt for doubt in doubts(order) if doubt not in order.accepted]
    fitting = fit(order, load_settings(home).tolerances)
    advice = [fitting.cap, fitting.block]
    advice += [fitting.slack.advice] if fitting.slack else []
    advice += fitting.closure.advice if fitting.closure else []
    follows = [(a.what[0].upper() + a.what[1:], a.value, a.sentence) for a in advice]
    marks = marks_table(fitting.marks) if fitting.marks else []
    notes = [note.message for note in fitting.notes]
    return OrderShown(_line(order), others, lengths, order.note, open_doubts, follows, marks, notes, rows_lack(order))


def order_sheet(home: Path, number: str, guidelines: bool, paper: str) -> tuple[bytes, str]:
    """The order's bench sheet, or its plan of rows, as PDF, and what the file is called.

    Raises PlacecheckError where data for it is missing.
    """
    from placecheck.fitting.block_marks import marks_for
    from placecheck.fitting.closure_place import closure_place
    from placecheck.fitting.fitted import fit
    from placecheck.guidelines.plan import plan_for, refuse_lacking
    from placecheck.settings import load_settings
    from placecheck.sheets.bench_sheet import bench_sheet
    from placecheck.sheets.guideline_sheet import guideline_sheet

    order, tolerances = _order(number), load_settings(home).tolerances
    if not guidelines:
        return bench_sheet(order, fit(order, tolerances), paper, tolerances), order.file_name()
    refuse_lacking(order)
    placed = marks_for(order)
    place = closure_place(order, placed, tolerances)
    plan = plan_for(placed, place.back_edge_v_mm, outline=place.edge_round, cut=place.cut)
    rows = guideline_sheet(order, plan, placed, paper)
    return rows, order.file_name("guidelines")


def tape_fields() -> list[tuple[str, str, str]]:
    """The client's lengths a new order may have: name, label, how to measure."""
    from placecheck.orders.tape import TAPE

    return [(m.name, m.label[0].upper() + m.label[1:], m.how) for m in TAPE]


FIELD_WORDS = {
    "alias": "the client",
    "closure": "closure",
    "block": "block",
    "cap": "cap",
    "maker": "maker",
    "due": "due date",
    "note": "note",
}
"""An order's fields but for the tape's, as its form calls them."""


@dataclass(frozen=True)
class NewOrder:
    """What came of an order form: kept under a number, or doubts that want accepting."""

    number: str
    doubts: tuple[str, ...] = ()


def order_texts(number: str) -> dict[str, str]:
    """The texts that fill the form with the order of that number, and its `revision`. Raises PlacecheckError."""
    return _texts_of(_order(number))


def keep_order(texts: Mapping[str, str], number: str = "") -> NewOrder:
    """Keep a new order from the form's texts, or a further revision of the order with that number.

    What the texts leave as it was, to the letter, stays; with `accept` among them, doubts are no hindrance. Texts of a
    new order that were sent before are the order they made. Raises UsageProblem (UnitQuestion for a length to ask
    about), also where somebody else has changed the order since its form was shown.
    """
    with _KEEPING:
        return _keep(texts, number)


def changed_meanwhile(texts: Mapping[str, str], number: str) -> tuple[dict[str, str], str]:
    """The texts of a form that somebody else's change outran, as one that may be kept in its place, and what is kept.

    The sentence names what is otherwise than in the form; who then keeps the form knows what it takes the place of.
    """
    now = order_texts(number)
    words = FIELD_WORDS | {name: label[0].lower() + label[1:] for name, label, _ in tape_fields()}
    other = [f"{words[n]} {now.get(n) or 'left empty'}" for n in words if texts.get(n, "").strip() != now.get(n, "")]
    has = f": it now has {enumerated(other)}" if other else ""
    then = "Keep it once more as it stands here, or leave it."
    return {**texts, "revision": now["revision"]}, f"Order {number} was changed by somebody else meanwhile{has}. {then}"


def _keep(texts: Mapping[str, str], number: str) -> NewOrder:
    from placecheck.orders.doubts import doubts
    from placecheck.orders.order import Measurements, Order

    form = "" if number else _form(texts)
    made = next((order for order in _store().all()[0] if order.form == form), None) if form else None
    if made is not None:
        return NewOrder(made.label)
    before = _order(number) if number else Order("", Measurements(0.0), form=form)
    order, revision = _order_of(texts, before), texts.get("revision", "")
    if number and order == before:  # nothing to change, or another tap just did
        return NewOrder(before.label)
    found = doubts(order)
    fresh = tuple(doubt for doubt in found if doubt not in before.accepted)
    if fresh and not texts.get("accept"):
        return NewOrder("", fresh)
    order = replace(order, accepted=found)
    if not number:
        return NewOrder(_store().add(order).label)
    shown = int(revision) if revision.isdecimal() and len(revision) < 9 else 0
    return NewOrder(_store().change(replace(order, revision=shown)).label)


def _form(texts: Mapping[str, str]) -> str:
    """What an order keeps of the form that made it, with the token `once` that each form has of its own."""
    return hashlib.sha256(json.dumps(sorted(texts.items())).encode()).hexdigest() if texts.get("once") else ""


def _texts_of(order: Order) -> dict[str, str]:
    """An order as its form's texts: lengths as they were written, where they were."""
    from placecheck.orders.tape import TAPE

    out = {m.name: order.written.get(m.name) or f"{mm:.1f}mm" for m in TAPE if (mm := order.measurements.get(m.name))}
    line = _line(order)
    out |= {"alias": order.alias, "block": line.block, "cap": order.cap.size, "closure": line.closure}
    out |= {"maker": order.maker, "due": line.due, "note": order.note, "revision": str(order.revision)}
    return out


def _order_of(texts: Mapping[str, str], before: Order) -> Order:
    """The order of the form's texts, of `before` what they leave as it was. Raises UsageProblem."""
    from placecheck.orders.order import Measurements, taped_again
    from placecheck.orders.tape import TAPE
    from placecheck.orders.typed import parse_alias, parse_cap_size, parse_due, parse_tape_mm
    from placecheck.units import parse_circumference_mm, parse_closure

    shown = _texts_of(before)

    def text(name: str) -> str:
        return texts.get(name, "").strip()[:200]

    def of(name: str, was: Any, read: Callable[[str], Any], nothing: Any = None) -> Any:
        """What the form says under that name: what it was, where the text is the one that was shown."""
        if text(name) == shown.get(name, ""):
            return was
        return read(text(name)) if text(name) else nothing

    alias = parse_alias(text("alias"))
    if not text("circumference"):
        raise UsageProblem("circumference-not-given", "An order needs the client's circumference at least.")
    old = before.measurements
    lengths = {m.name: of(m.name, old.get(m.name), partial(parse_tape_mm, name=m.name)) for m in TAPE}
    written = {n: of(n, before.written.get(n, ""), str, "") for n in (*lengths, "block", "closure")}
    return replace(
        before,
        alias=alias,
        measurements=Measurements(**{f"{name}_mm": mm for name, mm in lengths.items()}),
        block=of("block", before.block, lambda t: taped_again(before.block, parse_circumference_mm(t))),
        cap=replace(before.cap, size=of("cap", before.cap.size, parse_cap_size, "")),
        closure=of("closure", before.closure, parse_closure),
        maker=of("maker", before.maker, lambda t: " ".join(t.split())[:40], ""),
        due=of("due", before.due, parse_due),
        note=of("note", before.note, lambda t: " ".join(t.split()), ""),
        written={n: t for n, t in written.items() if t},
    )
