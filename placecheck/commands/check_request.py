"""From the options of `placecheck check` to the request: what every photo is measured as and held against.

An option that was not given comes from the order, where one is named that is kept here (closure and
block), else from settings.toml, the card's bars from what was measured of that card. What is missing,
contradicts itself or means nothing at a stage is refused here, before any photo is opened; what is given
unlike the order's is told and done. An order that was named also tells, from the records, which photo of the
cap alone and which pinned photo belong to it; records that cannot be read cost a sentence and these two.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from placecheck.commands.filed_under import filed_order, kept_order

if TYPE_CHECKING:
    from placecheck.known_dome import KnownDome
    from placecheck.orders.order import Order
    from placecheck.records.store import Store
    from placecheck.request import CheckRequest, PhotoSide, Stage
    from placecheck.settings import Settings


SAME_BLOCK_MM = 6.4
"""How far apart two tapes of one block may read, mm: a quarter inch (common practice, no published source)."""


@dataclass(frozen=True)
class AsTyped:
    """The options that say what is checked and how, as they were typed; None or empty where they were not."""

    closure: str | None = None
    block_circumference: str | None = None
    block: str | None = None
    stage: Stage = "pinned"
    marks: Path | None = None
    tolerances: Path | None = None
    card_bars: str | None = None
    camera: str | None = None
    cap_photo: Path | None = None
    taped_clearance: tuple[str, ...] = ()
    front: PhotoSide | None = None
    order: str | None = None


def request_for(typed: AsTyped, closures: int = 1) -> CheckRequest:
    """The request from options and settings; `closures` photos of different ones get it. Raises UsageProblem."""
    from placecheck.errors import UsageProblem
    from placecheck.marks import load_marks
    from placecheck.request import NEEDS_BLOCK, NEEDS_CLOSURE, NO_CLOSURE, CheckRequest
    from placecheck.settings import load_settings, said_in_settings
    from placecheck.tolerances import load_tolerances
    from placecheck.units import parse_closure

    settings, stage, order = load_settings(), typed.stage, kept_order(typed.order)
    if order is not None:
        typed = with_order(typed, order)
    closure = typed.closure or settings.check.get("closure")
    if closure is None and stage in NEEDS_CLOSURE:
        ask = "Which closure is it? Give its size, such as --closure 5x5."
        raise UsageProblem("closure-not-given", _no_order(typed, order) + ask)
    known, around_mm = _block(typed, settings, _no_order(typed, order))
    if order is not None and stage in NEEDS_BLOCK:
        _tell_other_block(around_mm, order)
    bars_mm = _card_bars_mm(typed, settings)
    size = NO_CLOSURE
    if closure:
        with said_in_settings("closure", typed.closure):
            size = parse_closure(closure)
    tolerances = load_tolerances(typed.tolerances) if typed.tolerances else settings.tolerances
    marks = load_marks(typed.marks, stage) if typed.marks else None
    taped_mm = _taped_mm(typed, closures)
    if typed.cap_photo is not None and stage not in NEEDS_CLOSURE:
        raise UsageProblem(
            "cap-photo-stage",
            "--cap-photo goes with a photo of the closure, pinned or stitched: leave it out at this stage.",
        )
    return CheckRequest(
        closure=size,
        block_circumference_mm=around_mm,
        block=known,
        stage=stage,
        tolerances=tolerances,
        marks=marks,
        camera_name=camera_named(typed.camera, settings),
        card_bars_mm=bars_mm,
        front=typed.front,
        taped_mm=taped_mm,
        cap=_cap_photo(typed.cap_photo, typed.order) if stage in NEEDS_CLOSURE else None,
        since=_pinned_record(typed.order) if stage == "stitched" else None,
    )


def with_order(typed: AsTyped, order: Order) -> AsTyped:
    """What was typed, with the order's closure and block where neither was; another closure is told of."""
    from placecheck.request import NEEDS_BLOCK, NEEDS_CLOSURE

    if order.closure is not None and typed.stage in NEEDS_CLOSURE:
        if typed.closure is None:
            typed = replace(typed, closure=order.closure.label)
        else:
            _tell_other_closure(typed.closure, order)
    given = typed.block or typed.block_circumference
    if order.block is not None and typed.stage in NEEDS_BLOCK and given is None:
        typed = replace(typed, block_circumference=f"{order.block.circumference_mm:.1f}mm")
    return typed


def _tell_other_closure(typed: str, order: Order) -> None:
    from placecheck.units import parse_closure

    size, its = parse_closure(typed), order.closure
    if its is not None and not size.same_as(its):
        told = f"Order {order.label} is for a {its.label} closure, and this is checked as {size.label}."
        print(f"placecheck: {told}", file=sys.stderr)


def _tell_other_block(around_mm: float, order: Order) -> None:
    from placecheck.units import mm_and_inches

    block = order.block
    if block is not None and abs(around_mm - block.circumference_mm) > SAME_BLOCK_MM:
        told = (
            f"Order {order.label} has a block {mm_and_inches(block.circumference_mm)} round, and this is checked with "
            f"one of {mm_and_inches(around_mm)}."
        )
        print(f"placecheck: {told}", file=sys.stderr)


def _no_order(typed: AsTyped, order: Order | None) -> str:
    """What is said first where something is missing that the order which was named would tell, were it kept here."""
    if typed.order is None or order is not None:
        return ""
    return f"There is no order “{typed.order}” here (`placecheck order list` shows them all). "


def _block(typed: AsTyped, settings: Settings, no_order: str) -> tuple[KnownDome | None, float]:
    """The saved block that is named, if one is, and the circumference in mm, 0 where none is needed."""
    from placecheck.bare_block.saved import block_for, blocks_folder
    from placecheck.errors import UsageProblem
    from placecheck.request import NEEDS_BLOCK
    from placecheck.settings import home, said_in_settings

    defaults = settings.check if typed.stage in NEEDS_BLOCK else {}
    entry = "block" if defaults.get("block") else "block_circumference"
    with said_in_settings(entry, typed.block or typed.block_circumference):
        try:
            known, around_mm = block_for(blocks_folder(home()), typed.block, typed.block_circumference, defaults)
        except UsageProblem as error:
            if error.problem.code not in ("block-unknown", "block-name") or not _is_length(typed.block or ""):
                raise
            told = f"No saved block has the name “{typed.block}”: if it is so long round, give --block-circumference."
            raise UsageProblem("block-unknown", told) from None
    if not around_mm and typed.stage in NEEDS_BLOCK:
        raise UsageProblem(
            "circumference-not-given",
            f"{no_order}How large is the block? Tape it round its widest level and give --block-circumference, such as "
            "22.75in.",
        )
    return known, around_mm


def _is_length(text: str) -> bool:
    """Whether that is a length, with its unit or without."""
    from placecheck.errors import UsageProblem
    from placecheck.units import parse_length_mm

    try:
        parse_length_mm(text)
    except UsageProblem as error:
        return error.problem.code == "length-without-unit"
    return True


def camera_named(typed: str | None, settings: Settings) -> str | None:
    """The camera profile that was `typed`, else the settings'. Raises UsageProblem where it is not there or damaged."""
    from placecheck.profiles.kept import PROFILES, profiles_folder
    from placecheck.settings import home, said_in_settings

    name = typed or settings.check.get("camera")
    if name is not None:
        with said_in_settings("camera", typed):
            PROFILES.load(profiles_folder(home()), name)
    return name


def _card_bars_mm(typed: AsTyped, settings: Settings) -> tuple[float, float] | None:
    """The measured bars of the card in the photo; the small card of the seam's close-up has bars of its own."""
    from placecheck.card_bars import bars_in_use, parse_bars
    from placecheck.settings import home

    small = typed.stage == "stitches"
    return parse_bars(typed.card_bars, small) if typed.card_bars else bars_in_use(home(), settings, small)


def _taped_mm(typed: AsTyped, closures: int) -> dict[str, float]:
    """What a soft tape reads, by measure, from left=9mm and its like."""
    from placecheck.errors import UsageProblem
    from placecheck.request import NEEDS_CLOSURE
    from placecheck.taped import parse_taped

    if not typed.taped_clearance:
        return {}
    if typed.stage not in NEEDS_CLOSURE:
        raise UsageProblem(
            "taped-stage",
            "--taped-clearance goes with a photo of the closure, pinned or stitched: leave it out at this stage.",
        )
    if closures > 1:
        raise UsageProblem(
            "taped-several", "A taped clearance belongs to one closure: check the photos one at a time with it."
        )
    places: dict[str, str] = {}
    for text in typed.taped_clearance:
        place, equals, length = (part.strip() for part in text.partition("="))
        if place in places:
            raise UsageProblem(
                "taped-twice",
                f"The taped clearance of the {place} is given twice, {places[place]} and {length}: give each place "
                "once, or the mean of both.",
            )
        if not equals:
            raise UsageProblem(
                "taped-unreadable",
                f"The taped clearance “{text}” is not one place and its length: write it as middle=10mm.",
            )
        places[place] = length
    return parse_taped(places)


def _cap_photo(given: Path | None, order: str | None) -> int | str | None:
    """The photo of the cap alone that was named, or the order's on record. Raises UsageProblem."""
    from placecheck.errors import UsageProblem
    from placecheck.records.earlier import cap_photo_of

    if given is None:
        return _on_record(cap_photo_of, order)
    if not given.is_file():
        raise UsageProblem("cap-photo-not-there", f"There is no photo of the cap at {given}: check the name.")
    return str(given)


def _pinned_record(order: str | None) -> int | None:
    """The record of the order's pinned photo that a stitched one is compared with, if there is one."""
    from placecheck.records.earlier import latest_of

    return _on_record(lambda store, name: latest_of(store, name, "pinned"), order)


def _on_record(look: Callable[[Store, str | None], int | None], order: str | None) -> int | None:
    """What `look` finds among the records of an order, a readable one; a sentence where they cannot be read."""
    from placecheck.errors import PlacecheckError
    from placecheck.records.store import open_store

    if (name := filed_order(order)) is None:
        return None
    try:
        with open_store() as store:
            return look(store, name)
    except PlacecheckError as error:
        print(f"placecheck: {error.problem.message}", file=sys.stderr)
        return None
