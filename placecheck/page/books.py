"""The thin border to the shop's records, as the screens need them.

Every call into the record store is here, so that the screens know nothing of it beyond what they
show; orders are `shop`'s, and a record takes its client and maker from its order as it is saved.
One record store is kept open for each home folder, and used by one thread at a time: its calls
are short, and opening it anew for every screen is not. A report's pages and smaller pictures are
made once the store is free again. All functions block on the disk, so the screens call them in a
thread. Failures are PlacecheckErrors with one sentence.
"""

from __future__ import annotations

import contextlib
import threading
from collections.abc import Iterable, Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from placecheck.answer import Answer
from placecheck.records.earlier import cap_photo_of, latest_of
from placecheck.request import STAGES, CheckRequest, Stage

if TYPE_CHECKING:
    from placecheck.records.compare import Change
    from placecheck.records.model import Filter, Record, Summary
    from placecheck.records.overview import Overview
    from placecheck.records.store import Store

PAGE_OF_RECORDS = 30
MAX_EXPORT = 100_000

_LOCK = threading.Lock()
_STORES: dict[Path, Store] = {}


@contextlib.contextmanager
def _records(home: Path) -> Iterator[Store]:
    """The record store of a home folder, for one thread at a time."""
    from placecheck.records.store import open_store

    with _LOCK:
        if home not in _STORES:
            _STORES[home] = open_store(home)
        yield _STORES[home]


def save(
    home: Path,
    photo: Path,
    request: CheckRequest,
    answer: Answer,
    spec: Mapping[str, Any],
    overlay: bytes | None,
    taken: float,
    origin: str = "check",
) -> int:
    """Keep a check in the records; returns its number there. Raises PlacecheckError."""
    from placecheck.orders.files import order_store
    from placecheck.records.model import utc_text
    from placecheck.records.request_json import to_json
    from placecheck.records.saving import save_check

    number = spec.get("order") or ""
    client, maker = None, spec.get("maker") or None
    if number:
        order = order_store().get(number)
        client, maker = order.alias, maker or order.maker or None
    with _records(home) as store:
        return save_check(
            store,
            photo,
            answer.as_json(),
            to_json(request),
            overlay,
            order=number or None,
            client=client,
            maker=maker,
            stage=request.stage,
            profile=answer.measured.camera_profile,
            created_at=utc_text(datetime.fromtimestamp(taken, UTC)),
            origin=origin,
        )


FILTERS = ("order", "client", "maker", "stage", "verdict", "closure", "since", "until")


def filter_of(texts: Mapping[str, str]) -> Filter:
    """A filter from a form's texts; an order is known by number or alias. Raises PlacecheckError."""
    from placecheck.commands.filed_under import filed_order, orders_of
    from placecheck.records.model import filter_from

    asked = {name: texts.get(name, "").strip()[:60] or None for name in FILTERS}
    order, client_orders = filed_order(asked["order"]), orders_of(asked["client"])
    return filter_from(**asked | {"order": order}, client_orders=client_orders)


def next_stages(home: Path, orders: Iterable[str]) -> dict[str, Stage]:
    """What is next in the job of these orders, a new one's cap first; nothing where the records cannot be read."""
    from placecheck.records import tallies
    from placecheck.records.photos import RecordsProblem

    with contextlib.suppress(RecordsProblem), _records(home) as store:
        told = tallies.next_stages(store.database)
        return {order: told.get(order, STAGES[0]) for order in orders}
    return {}


def find(home: Path, wanted: Filter, page: int) -> tuple[list[Summary], int]:
    """One page of records, newest first, and how many there are in all."""
    with _records(home) as store:
        return store.find(wanted, PAGE_OF_RECORDS, page * PAGE_OF_RECORDS), store.count(wanted)


def any_there(home: Path) -> bool:
    """Whether there is any record at all."""
    with _records(home) as store:
        return store.count() > 0


def record(home: Path, number: int) -> Record:
    """One record. Raises RecordsProblem."""
    with _records(home) as store:
        return store.get(number)


def record_picture(home: Path, number: int, overlay: bool) -> bytes | None:
    """A record's overlay, or its photo, as a JPEG of screen size; None where it has none. Raises RecordsProblem."""
    from placecheck.records.report import small_jpeg

    with _records(home) as store:
        found = store.get(number)
        ref = found.overlay if overlay else found.photo
        data = (store.overlay(found) if overlay else store.photo(found)) if ref else None
    return small_jpeg(data, ref.ending, 1600)[0] if data is not None and ref is not None else None


def changes_since_pinned(home: Path, found: Record) -> tuple[int, list[Change]]:
    """For a record of a later stage: the number of the order's pinned record and what moved since."""
    from placecheck.records.compare import compare

    if found.summary.stage == "pinned" or not found.summary.order_ref:
        return 0, []
    with _records(home) as store:
        pinned = store.latest_per_stage(found.summary.order_ref).get("pinned")
    return (pinned.id, compare(pinned, found)) if pinned is not None else (0, [])


def earlier(home: Path, order: str, stage: Stage) -> dict[str, int | None]:
    """The order's earlier records that a photo of the closure rests on, by their names in what is asked."""
    with _records(home) as store:
        found = {"cap": cap_photo_of(store, order)}
        return found | ({"since": latest_of(store, order, "pinned")} if stage == "stitched" else {})


def export_csv(home: Path, wanted: Filter) -> bytes:
    """Records as CSV."""
    from itertools import islice

    from placecheck.records.export import csv_lines

    with _records(home) as store:
        return "".join(csv_lines(islice(store.each(wanted), MAX_EXPORT))).encode("utf-8-sig")


def quality(home: Path, by: str) -> Overview:
    """Quality control by maker or closure, of pinned closures (stages are not placed alike), or by stage."""
    from placecheck.records.model import Filter
    from placecheck.records.overview import overview

    with _records(home) as store:
        return overview(store, by, Filter() if by == "stage" else Filter(stage="pinned"))


def report(home: Path, order: str, pdf: bool) -> bytes:
    """The report of an order, a self-contained HTML page or a PDF. Raises PlacecheckError."""
    from placecheck.commands.filed_under import client_of
    from placecheck.records.report import order_report
    from placecheck.records.report_files import order_html, order_pdf

    client = client_of(order)
    with _records(home) as store:
        gathered = order_report(store, order, client)
    return order_pdf(gathered) if pdf else order_html(gathered).encode()
