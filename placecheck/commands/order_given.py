"""What was given on the command line for an order, read into it; what cannot be right is asked about.

`with_given` puts every option that was named into the order: what is not named stays, and
`none` empties. A length that cannot be right is asked about on a terminal with the length
it was perhaps meant to be; elsewhere the question is refused as its sentence, so that a
script never hangs and nothing is guessed. A block's tapes that make no head's shape are refused
here, before the order is kept. `settled` shows the doubts nobody accepted yet: --yes or an
answer accepts them, and the order then says that they were looked at. Reading lengths, names
and dates is placecheck.orders.typed's, the doubts are placecheck.orders.doubts'.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

import typer

from placecheck.commands.asking import asking

if TYPE_CHECKING:
    from placecheck.orders.order import Block, Cap, Order


UNANSWERED = "The order is not kept, since a question was not answered: repeat the command."


def _can_ask() -> bool:
    return sys.stdin.isatty() and sys.stderr.isatty()


def circumference_asked() -> str:
    """The circumference as somebody types it when asked; without a terminal to ask on, raises UsageProblem."""
    from placecheck.errors import UsageProblem

    if not _can_ask():
        raise UsageProblem(
            "circumference-missing", 'An order needs the client\'s circumference: give it as --circumference "22 1/2".'
        )
    with asking(UNANSWERED):
        answer: str = typer.prompt("Circumference (22 1/2, 57.2cm)", err=True)
    return answer


def _none(text: str) -> bool:
    return text.strip().lower() == "none"


def with_given(order: Order, given: dict[str, Any]) -> Order:
    """The order with everything that was given on the command line. Raises UsageProblem."""
    from dataclasses import replace

    from placecheck.errors import UsageProblem
    from placecheck.orders.typed import parse_due
    from placecheck.units import parse_closure

    order = _with_lengths(order, given)
    order = replace(order, block=_block(order, given))
    order = replace(order, cap=_cap(order.cap, given))
    if given["closure"] is not None:
        order = replace(order, closure=None if _none(given["closure"]) else parse_closure(given["closure"]))
    if given["due"] is not None:
        order = replace(order, due=None if _none(given["due"]) else parse_due(given["due"]))
    for name in ("maker", "note"):
        if given[name] is not None:
            text = "" if _none(given[name]) else " ".join(given[name].split())
            if len(text) > 200:
                raise UsageProblem(f"{name}-long", f"The {name} has {len(text)} characters: 200 at most fit the sheet.")
            order = replace(order, maker=text) if name == "maker" else replace(order, note=text)
    return order


def _with_lengths(order: Order, given: dict[str, Any]) -> Order:
    """The order with the client's lengths that were given, and how they were written."""
    from dataclasses import replace

    from placecheck.orders.tape import TAPE
    from placecheck.orders.typed import parse_tape_mm

    lengths: dict[str, Any] = {}
    written = dict(order.written)
    for measure in TAPE:
        text = given[measure.name]
        if text is None:
            continue
        if _none(text) and measure.name != "circumference":
            lengths[f"{measure.name}_mm"] = None
            written.pop(measure.name, None)
            continue
        text, mm = _asked(text, lambda t, name=measure.name: parse_tape_mm(t, name, given["unit"]))
        lengths[f"{measure.name}_mm"] = mm
        written[measure.name] = text.strip() if given["unit"] is None else f"{text.strip()} ({given['unit']})"
    for name in ("block", "closure"):
        if given[name] is not None:
            written.pop(name, None)  # what the bench page kept of it is another length's text now
    return replace(order, measurements=replace(order.measurements, **lengths), written=written)


def _cap(cap: Cap, given: dict[str, Any]) -> Cap:
    from dataclasses import replace

    from placecheck.orders.typed import parse_cap_size, parse_tape_mm

    if given["cap"] is not None:
        cap = replace(cap, size="" if _none(given["cap"]) else parse_cap_size(given["cap"]))
    if given["cap_front_to_nape"] is not None:
        text = given["cap_front_to_nape"]
        own = None if _none(text) else _asked(text, lambda t: parse_tape_mm(t, "front_to_nape", given["unit"]))[1]
        cap = replace(cap, front_to_nape_mm=own)
    if given["cap_name"] is not None:
        cap = replace(cap, name="" if _none(given["cap_name"]) else " ".join(given["cap_name"].split()))
    return cap


def _block(order: Order, given: dict[str, Any]) -> Block | None:
    from dataclasses import replace
    from functools import partial

    from placecheck.errors import UsageProblem
    from placecheck.fitting.block_shape import block_dome
    from placecheck.orders.order import taped_again
    from placecheck.orders.typed import parse_block_mm, parse_tape_mm

    if given["block"] is not None and _none(given["block"]):
        return None
    block = order.block
    if given["block"] is not None:
        block = taped_again(block, _asked(given["block"], lambda t: parse_block_mm(t, given["unit"]))[1])
    rest = {name: given[f"block_{name}"] for name in ("over", "across", "name")}
    if block is None:
        if any(value is not None for value in rest.values()):
            raise UsageProblem("block-not-given", "Give the block's tape round its widest level too: --block 22.5in.")
        return None
    for name in ("over", "across"):
        text = rest[name]
        if text is not None:
            read = partial(parse_tape_mm, name=f"block_{name}", unit=given["unit"])
            mm = None if _none(text) else _asked(text, read)[1]
            block = replace(block, over_mm=mm) if name == "over" else replace(block, across_mm=mm)
    if rest["name"] is not None:
        block = replace(block, name="" if _none(rest["name"]) else " ".join(rest["name"].split()))
    if block.over_mm is not None or block.across_mm is not None:
        block_dome(block)  # refuses tapes that make no head's shape
    return block


def _asked(text: str, parse: Any) -> tuple[str, float]:
    """The text and its length; on a terminal, a length that cannot be right is asked about."""
    from placecheck.orders.typed import UnitQuestion

    try:
        return text, parse(text)
    except UnitQuestion as question:
        if question.suggestion is None or not _can_ask():
            raise
        print(f"placecheck: {question.problem.message}", file=sys.stderr)
        with asking(UNANSWERED):
            accepted = typer.confirm(f"Take it as {question.suggestion}?", err=True)
        if not accepted:
            raise
        return question.suggestion, parse(question.suggestion)


def settled(order: Order, yes: bool) -> Order:
    """The order with its doubts accepted, by --yes or by an answer. Raises UsageProblem."""
    from dataclasses import replace

    from placecheck.errors import UsageProblem
    from placecheck.orders.doubts import doubts

    found = doubts(order)
    fresh = [doubt for doubt in found if doubt not in order.accepted]
    if fresh and not yes:
        if not _can_ask():
            raise UsageProblem(
                "order-doubtful", f"{' '.join(fresh)} The order is not kept: correct it, or add --yes if that is right."
            )
        for doubt in fresh:
            print(f"placecheck: {doubt}", file=sys.stderr)
        with asking(UNANSWERED):
            accepted = typer.confirm("Is that right?", err=True)
        if not accepted:
            raise UsageProblem("order-doubtful", "The order is not kept: measure again and repeat the command.")
    return replace(order, accepted=found)
