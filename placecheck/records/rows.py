"""A record as rows and back: which columns a record has, which rows match, what its digest covers.

A NewRecord becomes one row of `record`, its JSON texts one of `detail`, its measures rows of
`reading`; whole_records puts them together again, in the order asked for, a batch at a time,
so that no statement grows with the number of records. The digest is SHA-256 over everything
a record says, its number and attempt apart, in one canonical spelling; a record read back is
told to hold when the digest still fits its rows and its readings are those of its answer. A text that
is no longer JSON reads as an empty object: such a record does not hold, and stops no other's reading.
`conditions` is what a Filter means in the database, the same for every question that is
asked (store.py, tallies.py). Nothing here opens or changes a database.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from sqlalchemy import Column, ColumnElement, Connection, Label, Select, case, func, or_, select

from placecheck.errors import UsageProblem
from placecheck.records.model import (
    FileRef,
    Filter,
    NewRecord,
    Reading,
    Record,
    Summary,
    now_text,
    order_names,
    readings_of,
    spelling,
)
from placecheck.records.schema import detail, kept_file, reading, record
from placecheck.units import parse_closure

ATTEMPT = case((record.c.order_ref.is_not(None), record.c.attempt)).label("attempt")
"""Earlier versions kept 1 for a check without an order; how many went before it nobody knows."""
STANDS = or_(record.c.order_ref.is_(None), record.c.attempt.is_not(None))
"""Of judged checks, those whose photo was not saved again under the same order and stage."""
LISTED: tuple[Column[Any] | Label[Any], ...] = (
    record.c.id,
    record.c.created_at,
    record.c.order_ref,
    record.c.client,
    record.c.maker,
    record.c.stage,
    record.c.closure,
    record.c.verdict,
    ATTEMPT,
    record.c.origin,
)
BATCH = 500
DIGESTED = (
    "uid",
    "created_at",
    "order_ref",
    "client",
    "maker",
    "stage",
    "closure",
    "verdict",
    "origin",
    "program_version",
    "photo_sha256",
    "original_sha256",
    "overlay_sha256",
)


def canonical(value: object) -> str:
    """JSON with sorted keys and no spaces: the same text for the same content."""
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def digest_of(row: Mapping[str, Any], answer: str, request: str, profile: str | None) -> str:
    """SHA-256 over everything a record says, its number and attempt apart."""
    told = {name: row[name] for name in DIGESTED}
    text = "\n".join([canonical(told), answer, request, profile or ""])
    return hashlib.sha256(text.encode()).hexdigest()


def row_of(new: NewRecord) -> dict[str, Any]:
    """The columns of `record` for a new record, all but number and attempt, by name."""
    return {
        "uid": uuid.uuid4().hex,
        "created_at": new.created_at or now_text(),
        "order_ref": new.order_ref,
        "client": new.client,
        "maker": new.maker,
        "stage": new.stage,
        "closure": new.closure,
        "verdict": new.answer["verdict"],
        "origin": new.origin,
        "program_version": new.program_version,
        "photo_sha256": new.photo.sha256 if new.photo else None,
        "original_sha256": new.original_sha256,
        "overlay_sha256": new.overlay.sha256 if new.overlay else None,
        "note": new.note,
    }


def conditions(connection: Connection, wanted: Filter) -> list[ColumnElement[bool]]:
    """What a Filter means for `record`: conditions that must all hold.

    Orders, clients and makers are found by their names as they were made plain when they were kept, clients and makers
    however their letters are cased, too; the records of a client's orders are the client's. Closures are found by their
    size, however it was written.
    """
    columns = {
        "stage": record.c.stage,
        "verdict": record.c.verdict,
        "origin": record.c.origin,
    }
    found: list[ColumnElement[bool]] = [
        column == getattr(wanted, name) for name, column in columns.items() if getattr(wanted, name) is not None
    ]
    if wanted.order is not None:
        found.append(of_order(wanted.order))
    if wanted.client is not None:
        hers = _spelled(connection, record.c.client, wanted.client)
        found.append(or_(hers, *map(of_order, wanted.client_orders)))
    if wanted.maker is not None:
        found.append(_spelled(connection, record.c.maker, wanted.maker))
    if wanted.closure is not None:
        found.append(_one_of(record.c.closure, _alike(first_labels(connection), wanted.closure)))
    if wanted.since is not None:
        found.append(record.c.created_at >= wanted.since)
    if wanted.until is not None:
        found.append(record.c.created_at < wanted.until)
    return found


def of_order(order: str) -> ColumnElement[bool]:
    """That a record is filed under the order, whatever noughts or sign its number was kept with."""
    return _one_of(record.c.order_ref, order_names(order))


def _spelled(connection: Connection, column: Column[Any], name: str) -> ColumnElement[bool]:
    """That a column has the name, however it is spelled there."""
    every = connection.execute(select(column).distinct()).scalars()  # read from the index alone
    return _one_of(column, [one for one in every if one and spelling(one) == spelling(name)])


def _one_of(column: Column[Any], spelled: Sequence[str]) -> ColumnElement[bool]:
    return column == spelled[0] if len(spelled) == 1 else column.in_(spelled)


def first_labels(connection: Connection) -> dict[str, str]:
    """Every closure's label in the records with the first that was kept for a closure of that size."""
    statement = select(func.min(record.c.created_at), record.c.closure).group_by(record.c.closure)
    first: dict[str, str] = {}
    for _, label in sorted((since, label) for since, label in connection.execute(statement)):  # from the index alone
        first[label] = next((name for name in dict.fromkeys(first.values()) if _same(name, label)), label)
    return first


def _alike(first: Mapping[str, str], wanted: str) -> list[str]:
    """The labels that mean the closure `wanted`."""
    name = first.get(wanted) or next((name for name in first.values() if _same(name, wanted)), wanted)
    return [label for label, one in first.items() if one == name] or [wanted]


def _same(label: str, other: str) -> bool:
    """Whether two labels mean one size of closure; other texts only mean themselves."""
    try:
        return parse_closure(label).same_as(parse_closure(other))
    except UsageProblem:
        return label == other


def readings_by_record(connection: Connection, numbers: Sequence[int]) -> dict[int, dict[str, Reading]]:
    """The readings of each record, by its number and the measure's name."""
    found: dict[int, dict[str, Reading]] = {}
    for start in range(0, len(numbers), BATCH):
        statement = select(reading).where(reading.c.record_id.in_(numbers[start : start + BATCH]))
        for r in connection.execute(statement):
            found.setdefault(r.record_id, {})[r.name] = Reading(r.name, r.value, r.u95, r.unit, r.low, r.high, r.state)
    return found


def whole_records(connection: Connection, numbers: Sequence[int]) -> Iterator[Record]:
    """Whole records in the order of `numbers`."""
    photo, overlay = kept_file.alias("photo"), kept_file.alias("overlay")
    statement: Select[Any] = (
        select(*LISTED, *(c for c in record.c if c.name not in {listed.name for listed in LISTED}))
        .add_columns(detail.c.answer, detail.c.request, detail.c.profile, detail.c.digest)
        .add_columns(
            *(c.label(f"photo_{c.name}_") for c in photo.c), *(c.label(f"overlay_{c.name}_") for c in overlay.c)
        )
        .join(detail, detail.c.record_id == record.c.id)
        .outerjoin(photo, photo.c.sha256 == record.c.photo_sha256)
        .outerjoin(overlay, overlay.c.sha256 == record.c.overlay_sha256)
        .where(record.c.id.in_(numbers))
    )
    rows = {row["id"]: row for row in connection.execute(statement).mappings()}
    measured = readings_by_record(connection, numbers)
    for number in numbers:
        if number in rows:
            yield _record_of(rows[number], measured.get(number, {}))


def request_of(connection: Connection, number: int) -> Mapping[str, Any]:
    """What a record's check was asked with, alone; empty where there is no such record any more."""
    text = connection.execute(select(detail.c.request).where(detail.c.record_id == number)).scalar()
    return _object(text) if text else {}


def _record_of(row: Mapping[Any, Any], measured: Mapping[str, Reading]) -> Record:
    summary = Summary(**{c.name: row[c.name] for c in LISTED}, readings=measured)
    answer = _object(row["answer"])
    try:
        told = readings_of(answer)
    except (KeyError, TypeError, ValueError, AttributeError):
        answer, told = {}, {}
    holds = digest_of(row, row["answer"], row["request"], row["profile"]) == row["digest"] and told == dict(measured)
    return Record(
        summary,
        row["uid"],
        answer,
        _object(row["request"]),
        _object(row["profile"]) if row["profile"] else None,
        row["program_version"],
        _file_of(row, "photo"),
        row["original_sha256"],
        _file_of(row, "overlay"),
        row["note"],
        holds,
    )


def _object(text: str) -> dict[str, Any]:
    """The object that a JSON text holds; empty where it holds none."""
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _file_of(row: Mapping[Any, Any], what: str) -> FileRef | None:
    if row[f"{what}_sha256_"] is None:
        return None
    return FileRef(*(row[f"{what}_{name}_"] for name in ("sha256", "ending", "size_bytes")))
