"""The order: what the tape said, what was chosen, and whether it can be true of a head.

An order needs an alias, never a name, and one length, the circumference; everything else
may follow. A length is taken with its unit; a bare fraction (`22 1/2`) is inches, since no
centimetre tape is cut into halves and eighths. What lies beyond any head is asked about
with the unit that would make sense of it (`57in`: did you mean 57cm?), never converted in
silence. What is unusual, or does not go together (lengths against the circumference,
calipers against the tape: the perimeter of the ellipse), is a doubt: a sentence that
somebody accepts or mends. Ranges and their sources stand in TAPE. Orders are kept one
file per revision, written whole or not at all and never overwritten, so that nothing
that was once on a bench sheet is lost; a second writer is noticed, not run over.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Protocol

from placecheck.errors import PlacecheckError, Problem, UnusableFile, UsageProblem
from placecheck.saved_files import write_json
from placecheck.units import ClosureSize, mm_and_inches, parse_length_mm

SCHEMA = 1
UNIT_MM = {"in": 25.4, "cm": 10.0, "mm": 1.0}


@dataclass(frozen=True)
class TapeMeasure:
    """One length of the client: `hard_mm` no head lies beyond, `usual_mm` few do; where both come from."""

    name: str
    label: str
    how: str
    hard_mm: tuple[float, float]
    usual_mm: tuple[float, float]
    source: str


_CHARTS = "common practice, no published source: size charts of the trade, child's to extra large"
TAPE: tuple[TapeMeasure, ...] = (
    TapeMeasure(
        "circumference",
        "circumference",
        "round the hairline, over the ears, round the nape",
        (490.0, 650.0),
        (520.0, 620.0),
        "US Army survey of 2012 (ANSUR II): mean 561 mm women, 574 men, SD 16-17; figures from memory",
    ),
    TapeMeasure(
        "front_to_nape",
        "front to nape",
        "hairline in front, over the crown, to the hairline at the nape",
        (280.0, 440.0),
        (318.0, 406.0),
        _CHARTS,
    ),
    TapeMeasure(
        "temple_to_temple",
        "temple to temple",
        "from temple round the back to temple",
        (310.0, 470.0),
        (343.0, 425.0),
        _CHARTS,
    ),
    TapeMeasure(
        "ear_to_ear",
        "ear to ear",
        "hairline above one ear, over the crown, to the hairline above the other",
        (270.0, 410.0),
        (285.0, 380.0),
        "US Army survey of 1988: bitragion coronal arc 339 mm women, 353 men, SD 13, from memory; a hairline "
        "lies above the tragion, so less here",
    ),
    TapeMeasure(
        "nape_width",
        "nape width",
        "along the hairline of the nape, side to side",
        (75.0, 190.0),
        (100.0, 165.0),
        _CHARTS,
    ),
    TapeMeasure(
        "hairline_height",
        "brow to hairline",
        "between the brows straight up to the hairline",
        (25.0, 110.0),
        (40.0, 80.0),
        "Farkas, Anthropometry of the Head and Face: trichion to glabella about 53 mm women, 58 men; from memory",
    ),
    TapeMeasure(
        "head_length",
        "head length",
        "calipers, between the brows to the back",
        (160.0, 230.0),
        (165.0, 210.0),
        "Pheasant, Bodyspace: British adults, 5th percentile of women 165 mm, 95th of men 205",
    ),
    TapeMeasure(
        "head_breadth",
        "head breadth",
        "calipers, widest above the ears",
        (120.0, 180.0),
        (130.0, 170.0),
        "Pheasant, Bodyspace: British adults, 5th percentile of women 135 mm, 95th of men 165",
    ),
)
TAPE_BY_NAME: Mapping[str, TapeMeasure] = {measure.name: measure for measure in TAPE}

RATIOS: Mapping[str, tuple[float, float]] = {
    "front_to_nape": (0.56, 0.73),
    "temple_to_temple": (0.60, 0.80),
    "ear_to_ear": (0.50, 0.68),
    "nape_width": (0.16, 0.34),
}
"""Length : circumference over the size charts of the trade, widened (common practice, no published source)."""
ELLIPSE_WITHIN = 0.08
"""A tape over hair and brow reads more than the ellipse of the calipers, but no more than this (from memory)."""
ALIAS_LONGEST = 40


class UnitQuestion(UsageProblem):
    """A length beyond any head; `suggestion` is how it was perhaps meant, None where no unit makes sense of it."""

    def __init__(self, code: str, message: str, suggestion: str | None) -> None:
        super().__init__(code, message)
        self.suggestion = suggestion


@dataclass(frozen=True)
class Measurements:
    """The client's lengths in mm; all but the circumference may be missing."""

    circumference_mm: float
    front_to_nape_mm: float | None = None
    temple_to_temple_mm: float | None = None
    ear_to_ear_mm: float | None = None
    nape_width_mm: float | None = None
    hairline_height_mm: float | None = None
    head_length_mm: float | None = None
    head_breadth_mm: float | None = None

    def get(self, name: str) -> float | None:
        """The length of that TAPE name, mm."""
        value: float | None = getattr(self, f"{name}_mm")
        return value


@dataclass(frozen=True)
class Block:
    """The block: tape round its widest level, and where taken, from that level in front over the crown to

    that level behind (`over_mm`), and the same from side to side (`across_mm`).
    """

    circumference_mm: float
    over_mm: float | None = None
    across_mm: float | None = None
    name: str = ""


def taped_again(block: Block | None, circumference_mm: float) -> Block:
    """The block of that circumference: the one there was, or another, whose other tapes are not the old one's."""
    same = block is not None and abs(block.circumference_mm - circumference_mm) < 0.1
    return block if block is not None and same else Block(circumference_mm)


@dataclass(frozen=True)
class Cap:
    """The cap: its size as sold ("standard", "extra-large", "" where not chosen) and its own front-to-nape length."""

    size: str = ""
    front_to_nape_mm: float | None = None
    name: str = ""


CAP_SIZES = ("standard", "extra-large")


@dataclass(frozen=True)
class Order:
    """One job. `written` keeps the lengths as they were given; `accepted` the doubts that somebody looked at."""

    alias: str
    measurements: Measurements
    block: Block | None = None
    cap: Cap = field(default_factory=Cap)
    closure: ClosureSize | None = None
    maker: str = ""
    due: date | None = None
    note: str = ""
    written: Mapping[str, str] = field(default_factory=dict)
    accepted: tuple[str, ...] = ()
    number: int = 0
    revision: int = 0
    saved: str = ""

    @property
    def label(self) -> str:
        """The number as it is printed and typed: `0007`."""
        return f"{self.number:04d}"


# ----------------------------------------------------------------------------- reading what was typed


def parse_tape_mm(text: str, name: str, unit: str | None = None) -> float:
    """Millimetres of the client's length `name` (of TAPE) as typed; `unit` ("in", "cm", "mm") serves bare numbers.

    A bare fraction is inches. Raises UsageProblem (length-unreadable) or UnitQuestion (length-without-unit,
    length-beyond-any-head), which says what was perhaps meant.
    """
    measure = TAPE_BY_NAME[name]
    low, high = measure.hard_mm
    bare = False
    mm = 0.0
    try:
        mm = parse_length_mm(with_unit(text, unit), measure.label)
    except UsageProblem as problem:
        if problem.problem.code != "length-without-unit":
            raise
        bare = True
    if low <= mm <= high:
        return mm
    plain = re.sub(r'[a-z."″”\s]+$', "", text.strip(), flags=re.IGNORECASE)
    number = parse_length_mm(f"{plain} mm", measure.label)
    meant = [f"{plain}{u}" for u, factor in UNIT_MM.items() if low <= number * factor <= high]
    if bare:
        if len(meant) == 1:
            ask = f"did you mean {meant[0]}? Write the unit"
        elif meant:
            ask = f"is it {' or '.join(meant)}? Write the unit"
        else:
            ask = f"and no unit makes it a head's ({low:.0f} to {high:.0f} mm): measure again"
        raise UnitQuestion(
            "length-without-unit",
            f"The {measure.label} “{text.strip()}” has no unit: {ask}.",
            meant[0] if len(meant) == 1 else None,
        )
    hint = f"Did you mean {' or '.join(meant)}?" if meant else f"Measure again: {measure.how}."
    raise UnitQuestion(
        "length-beyond-any-head",
        f"A {measure.label} of “{text.strip()}” is {mm:.0f} mm, and no head lies outside {low:.0f} to {high:.0f} mm. "
        f"{hint}",
        meant[0] if len(meant) == 1 else None,
    )


def with_unit(text: str, unit: str | None = None) -> str:
    """A bare length with its unit: `unit` where it is given, inches for a bare fraction; anything else unchanged."""
    bare = re.fullmatch(r"[\d\s.,/¼½¾⅛⅜⅝⅞⅓⅔-]+", text) is not None
    if bare and unit is None and re.search(r"[/¼½¾⅛⅜⅝⅞⅓⅔]", text):
        unit = "in"
    return f"{text.strip()} {unit}" if bare and unit else text


def parse_alias(text: str) -> str:
    """The client's alias: one short line that is no address and no telephone number. Raises UsageProblem."""
    alias = " ".join(text.split())
    if not alias or not alias.isprintable():
        raise UsageProblem("alias-empty", "The order needs an alias for the client: any short word, such as “Willow”.")
    if len(alias) > ALIAS_LONGEST:
        raise UsageProblem(
            "alias-long", f"The alias has {len(alias)} characters: use a short word, {ALIAS_LONGEST} at most."
        )
    if "@" in alias or len(re.findall(r"\d", alias)) >= 7:
        raise UsageProblem(
            "alias-personal", "The alias looks like an address or a telephone number: an invented word is enough here."
        )
    if re.fullmatch(r"#?\d+", alias):
        raise UsageProblem("alias-number", "An alias that is only a number reads like an order number: use a word.")
    return alias


def parse_due(text: str) -> date:
    """A due date written 2026-03-14. Raises UsageProblem."""
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise UsageProblem(
            "due-unreadable", f"The due date “{text}” is not a date: write year-month-day, such as 2026-03-14."
        ) from None


def parse_cap_size(text: str) -> str:
    """`standard` or `extra-large` (also xl, extra large, s, std). Raises UsageProblem."""
    key = re.sub(r"[\s_-]+", "-", text.strip().lower())
    known = {"standard": "standard", "std": "standard", "extra-large": "extra-large", "xl": "extra-large"}
    if key not in known:
        raise UsageProblem("cap-unknown", f"The cap size “{text}” is not known: it is standard or extra-large.")
    return known[key]


# ----------------------------------------------------------------------------- can it be true?


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


# ----------------------------------------------------------------------------- as JSON


def order_as_json(order: Order) -> dict[str, Any]:
    """The order as plain JSON values; lengths in mm, None left out."""

    def plain(value: Any) -> dict[str, Any]:
        return {f.name: v for f in fields(value) if (v := getattr(value, f.name)) not in (None, "")}

    out: dict[str, Any] = {"schema": SCHEMA, "number": order.number, "revision": order.revision, "saved": order.saved}
    out |= {"alias": order.alias, "measurements": plain(order.measurements)}
    if order.block is not None:
        out["block"] = plain(order.block)
    if plain(order.cap):
        out["cap"] = plain(order.cap)
    if order.closure is not None:
        out["closure"] = plain(order.closure)
    if order.due is not None:
        out["due"] = order.due.isoformat()
    out |= {name: value for name in ("maker", "note") if (value := getattr(order, name))}
    out |= {"written": dict(order.written), "accepted": list(order.accepted)}
    return out


def order_from_json(data: Mapping[str, Any]) -> Order:
    """The order of `order_as_json`. Raises KeyError, TypeError or ValueError where it is none."""
    if data["schema"] != SCHEMA:
        raise ValueError(f"schema {data['schema']} is of another version of the program")
    return Order(
        alias=str(data["alias"]),
        measurements=Measurements(**data["measurements"]),
        block=Block(**data["block"]) if "block" in data else None,
        cap=Cap(**data.get("cap", {})),
        closure=ClosureSize(**data["closure"]) if "closure" in data else None,
        maker=str(data.get("maker", "")),
        due=date.fromisoformat(data["due"]) if "due" in data else None,
        note=str(data.get("note", "")),
        written=dict(data.get("written", {})),
        accepted=tuple(data.get("accepted", ())),
        number=int(data["number"]),
        revision=int(data["revision"]),
        saved=str(data.get("saved", "")),
    )


# ----------------------------------------------------------------------------- keeping them


class OrderStore(Protocol):
    """Where orders are kept. All raise PlacecheckError with one sentence."""

    def add(self, order: Order) -> Order:
        """Keep a new order; returned with its number."""
        ...

    def change(self, order: Order) -> Order:
        """Keep a further revision of an order as it was read; refused if somebody changed it since."""
        ...

    def get(self, reference: str) -> Order:
        """The newest state of the order with that number (`7`, `0007`) or alias."""
        ...

    def all(self) -> tuple[list[Order], list[Problem]]:
        """The newest state of every order by number, and what could not be read."""
        ...

    def history(self, number: int) -> list[Order]:
        """All revisions of an order, oldest first."""
        ...


_FILE = re.compile(r"(\d{4,})\.r(\d{3,})\.json")


class OrderFiles:
    """Orders as files in one folder: `0007.r001.json`, then `0007.r002.json`; each is written once and stays."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def add(self, order: Order) -> Order:
        for _ in range(1000):
            number = max((n for n, _ in self._revisions()), default=0) + 1
            kept = self._keep(replace(order, number=number, revision=1))
            if kept is not None:
                return kept
        raise UnusableFile("orders-busy", f"No free order number was found in {self.folder}: try again.")

    def change(self, order: Order) -> Order:
        kept = self._keep(replace(order, revision=order.revision + 1))
        if kept is None:
            raise UsageProblem(
                "order-changed-meanwhile",
                f"Order {order.label} was changed by somebody else meanwhile: look at it and change it again.",
            )
        return kept

    def get(self, reference: str) -> Order:
        text = reference.strip().lstrip("#")
        if text.isdecimal():
            found = [r for n, r in self._revisions() if n == int(text)]
            if not found:
                raise UsageProblem(
                    "order-unknown", f"There is no order {text}: `placecheck order list` shows them all."
                )
            return self._read(int(text), max(found))
        orders, _ = self.all()
        same = [o for o in orders if o.alias.casefold() == text.casefold()]
        if len(same) == 1:
            return same[0]
        if same:
            numbers = ", ".join(o.label for o in same)
            raise UsageProblem("alias-several", f"“{reference}” has several orders: name one by number, {numbers}.")
        raise UsageProblem(
            "order-unknown", f"There is no order for “{reference}”: `placecheck order list` shows them all."
        )

    def all(self) -> tuple[list[Order], list[Problem]]:
        newest: dict[int, int] = {}
        for number, revision in self._revisions():
            newest[number] = max(revision, newest.get(number, 0))
        orders: list[Order] = []
        problems: list[Problem] = []
        for number, revision in sorted(newest.items()):
            try:
                orders.append(self._read(number, revision))
            except PlacecheckError as error:
                problems.append(error.problem)
        return orders, problems

    def history(self, number: int) -> list[Order]:
        return [self._read(n, r) for n, r in self._revisions() if n == number]

    def _revisions(self) -> list[tuple[int, int]]:
        try:
            names = os.listdir(self.folder)
        except FileNotFoundError:
            return []
        except OSError as error:
            raise UnusableFile(
                "orders-unreadable", f"The orders in {self.folder} cannot be read: {error.strerror}."
            ) from None
        return sorted((int(m[1]), int(m[2])) for name in names if (m := _FILE.fullmatch(name)))

    def _path(self, number: int, revision: int) -> Path:
        return self.folder / f"{number:04d}.r{revision:03d}.json"

    def _read(self, number: int, revision: int) -> Order:
        path = self._path(number, revision)
        try:
            order = order_from_json(json.loads(path.read_text(encoding="utf-8")))
            if (order.number, order.revision) != (number, revision):
                raise ValueError("it holds another order than its name says")
            return order
        except OSError as error:
            raise UnusableFile("order-unreadable", f"{path} cannot be read: {error.strerror}.") from None
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            what = str(error).split("\n", 1)[0]
            earlier = f"; its earlier state is in {self._path(number, revision - 1).name}" if revision > 1 else ""
            raise UnusableFile(
                "order-damaged", f"The file of order {number:04d}, {path}, is damaged ({what}){earlier}."
            ) from None

    def _keep(self, order: Order) -> Order | None:
        """Write a revision that is not there yet, whole and flushed; None if it is there already."""
        order = replace(order, saved=datetime.now(UTC).isoformat(timespec="seconds"))
        try:
            write_json(self._path(order.number, order.revision), order_as_json(order))
        except FileExistsError:
            return None
        return order


def order_store() -> OrderStore:
    """The store in the user's own folder (settings.home)."""
    from placecheck.settings import home

    return OrderFiles(home() / "orders")
