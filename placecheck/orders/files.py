"""Orders as files: one JSON file for every state of an order, none of them ever overwritten.

The folder holds `0007.r001.json`, then `0007.r002.json`: a change is a further revision
beside the earlier ones, so that nothing that was once on a bench sheet is lost. Each file is
written whole or not at all (saved_files.py), and only where none of that name is: of two who
take a number at once one gets the next, and of two who change the same state the second is
told and not run over. A number that checks are filed under already is given to no order. A
file that is damaged is named in one sentence, with its earlier state; the others are read all
the same. Only `remove` takes an order away, all its states, for a client who wants to be
forgotten; `0007.removed.json` then keeps its number from being given again.
OrderStore says what keeping orders means, OrderFiles is the one way there is.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import fields, replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any, Protocol

from placecheck.errors import PlacecheckError, Problem, UnusableFile, UsageProblem
from placecheck.orders.order import Block, Cap, Measurements, Order
from placecheck.records.model import order_number, spelling
from placecheck.saved_files import write_json
from placecheck.units import ClosureSize
from placecheck.whole_files import small_json

SCHEMA = 1
MOST_MM = 1000.0
"""No length of a head, block, cap or closure is a metre."""


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
    out |= {name: value for name in ("maker", "note", "form") if (value := getattr(order, name))}
    out |= {"written": dict(order.written), "accepted": list(order.accepted)}
    return out


def order_from_json(data: Mapping[str, Any]) -> Order:
    """The order of `order_as_json`. Raises KeyError, TypeError or ValueError where it is none."""
    if data["schema"] != SCHEMA:
        raise ValueError(f"schema {data['schema']} is of another version of the program")
    for part in ("measurements", "block", "cap", "closure"):
        for name, value in data.get(part, {}).items():
            if name.endswith("_mm") and not (type(value) in (int, float) and 0 < value < MOST_MM):
                raise ValueError(f"{name} of its {part} is no length")
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
        form=str(data.get("form", "")),
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

    def remove(self, number: int) -> None:
        """Remove an order for good, with all its states; its number is not given again."""
        ...


_FILE = re.compile(r"(\d{4,})\.r(\d{3,})\.json")
_REMOVED = re.compile(r"(\d{4,})\.removed\.json")


class OrderFiles:
    """Orders as files in one folder: `0007.r001.json`, then `0007.r002.json`; each is written once and stays.

    `used` tells the numbers that no new order may have, though none is kept under them here.
    """

    def __init__(self, folder: Path, used: Callable[[], Collection[int]] = frozenset) -> None:
        self.folder = folder
        self.used = used

    def add(self, order: Order) -> Order:
        used = self.used()
        for _ in range(1000):
            number = max([0, *(n for n, _ in self._revisions()), *self._removed()]) + 1
            while number in used:
                number += 1
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
        text, number = reference.strip().lstrip("#"), order_number(reference)
        if number is not None:
            found = [r for n, r in self._revisions() if n == number]
            if not found:
                raise UsageProblem(
                    "order-unknown", f"There is no order {text}: `placecheck order list` shows them all."
                )
            return self._read(number, max(found))
        orders, problems = self.all()
        same = [o for o in orders if spelling(o.alias) == spelling(text)]
        if len(same) == 1:
            return same[0]
        if same:
            numbers = ", ".join(o.label for o in same)
            raise UsageProblem("alias-several", f"“{reference}” has several orders: name one by number, {numbers}.")
        if problems:
            self._refuse_unread(text, {o.number for o in orders})
        raise UsageProblem(
            "order-unknown", f"There is no order for “{reference}”: `placecheck order list` shows them all."
        )

    def _refuse_unread(self, alias: str, read: set[int]) -> None:
        """Raises UnusableFile for an order, none of those `read`, that cannot be read and may have that alias.

        Its earlier states tell; where none of them can be read either, nobody knows.
        """
        for number in sorted({n for n, _ in self._revisions()} - read):
            aliases: set[str] = set()
            wrong: UnusableFile | None = None
            for revision in (r for n, r in self._revisions() if n == number):
                try:
                    aliases.add(spelling(self._read(number, revision).alias))
                except UnusableFile as error:
                    wrong = error
            if wrong is not None and (not aliases or spelling(alias) in aliases):
                raise wrong

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

    def remove(self, number: int) -> None:
        # first its number is kept, so that it cannot be given again whatever happens meanwhile
        write_json(self.folder / f"{number:04d}.removed.json", {"schema": SCHEMA, "number": number}, replace=True)
        for path in [self._path(n, r) for n, r in self._revisions() if n == number]:
            try:
                path.unlink(missing_ok=True)
            except OSError as error:
                raise UnusableFile("order-stays", f"{path} cannot be removed: {error.strerror}.") from None

    def _names(self) -> list[str]:
        try:
            return os.listdir(self.folder)
        except FileNotFoundError:
            return []
        except OSError as error:
            raise UnusableFile(
                "orders-unreadable", f"The orders in {self.folder} cannot be read: {error.strerror}."
            ) from None

    def _revisions(self) -> list[tuple[int, int]]:
        return sorted((int(m[1]), int(m[2])) for name in self._names() if (m := _FILE.fullmatch(name)))

    def _removed(self) -> list[int]:
        return [int(m[1]) for name in self._names() if (m := _REMOVED.fullmatch(name))]

    def _path(self, number: int, revision: int) -> Path:
        return self.folder / f"{number:04d}.r{revision:03d}.json"

    def _read(self, number: int, revision: int) -> Order:
        path = self._path(number, revision)
        try:
            order = order_from_json(small_json(path))
            if (order.number, order.revision) != (number, revision):
                raise ValueError("it holds another order than its name says")
            return order
        except OSError as error:
            raise UnusableFile("order-unreadable", f"{path} cannot be read: {error.strerror}.") from None
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            what = str(error).split("\n", 1)[0]
            before = self._path(number, revision - 1).name
            mend = f"move it away, and the state before it counts again, {before}" if revision > 1 else "move it away"
            raise UnusableFile(
                "order-damaged",
                f"The file of order {number:04d}, {path}, is damaged ({what}): bring it back from a backup, or {mend}.",
            ) from None

    def _keep(self, order: Order) -> Order | None:
        """Write a revision that is not there yet, whole and flushed; None if it is there already."""
        order = replace(order, saved=datetime.now(UTC).isoformat(timespec="seconds"))
        try:
            write_json(self._path(order.number, order.revision), order_as_json(order))
        except FileExistsError:
            return None
        return order


def others_of_client(order: Order, orders: Sequence[Order]) -> list[Order]:
    """Those of `orders` that are of the same client, however the alias is spelled, but for this one."""
    return [o for o in orders if spelling(o.alias) == spelling(order.alias) and o.number != order.number]


def order_store() -> OrderStore:
    """The store in the user's own folder (settings.home)."""
    from placecheck.settings import home

    return OrderFiles(home() / "orders", _numbers_in_records)


def _numbers_in_records() -> set[int]:
    """The numbers that checks are filed under; none where the records cannot be read: that stops no order."""
    from placecheck.records.photos import RecordsProblem
    from placecheck.records.store import open_store

    with contextlib.suppress(RecordsProblem), open_store() as store:
        return {number for name in store.orders_named() if (number := order_number(name)) is not None}
    return set()
