"""The store: keeps checks as records and finds them again. The one module that asks the database questions.

A check is saved in an order that leaves no half record at any moment: first the photo and the
overlay become files, each whole under its hash or absent; then one transaction writes
record, details, readings and file names, or nothing. Inside that transaction the files
are looked for once more, because a purge next door may have removed one that another record
no longer needed. `attempt` is counted there too, so two benches that check one order at the
same moment get first and second. Every query that lists is bounded and served by an index, so
100,000 records stay interactive (measured by placecheck.records.benchmark). Schema and opening are schema.py's
and database.py's; nothing outside these three knows SQL.
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, and_, case, delete, func, insert, or_, select, update

from placecheck.records.cleaning import clean_photo
from placecheck.records.database import Database
from placecheck.records.model import (
    FileRef,
    Filter,
    NewRecord,
    Reading,
    Record,
    Summary,
    now_text,
    readings_of,
)
from placecheck.records.photos import PhotoFolder, RecordsProblem
from placecheck.records.schema import TABLES, detail, kept_file, reading, record

GROUP_COLUMNS = {"maker": record.c.maker, "closure": record.c.closure, "stage": record.c.stage}
LISTED = (
    record.c.id,
    record.c.created_at,
    record.c.order_ref,
    record.c.client,
    record.c.maker,
    record.c.stage,
    record.c.closure,
    record.c.verdict,
    record.c.attempt,
    record.c.origin,
)
BATCH = 500


@dataclass(frozen=True)
class Count:
    """First checks of one group: how many could be decided, how many of these passed, how many stayed undecided."""

    group: str | None
    decided: int
    passed: int
    undecided: int


@dataclass(frozen=True)
class SeriesPoint:
    """One reading in time: record, time, value, expanded uncertainty, limits."""

    record: int
    at: str
    value: float
    U95: float
    low: float
    high: float


def canonical(value: object) -> str:
    """JSON with sorted keys and no spaces: the same text for the same content."""
    return json.dumps(value, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)


def digest_of(row: Mapping[str, Any], answer: str, request: str, profile: str | None) -> str:
    """SHA-256 over everything a record says, its number and attempt apart."""
    told = {name: row[name] for name in DIGESTED}
    text = "\n".join([canonical(told), answer, request, profile or ""])
    return hashlib.sha256(text.encode()).hexdigest()


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


class Store:
    """The records of one shop: a database and a photo folder. Use as a context manager, or close() it."""

    def __init__(
        self, home: Path, address: str | None = None, photo_folder: Path | None = None, timeout_s: float = 15.0
    ) -> None:
        self.home = Path(home)
        self.database = Database(self.home, address, timeout_s)
        self.photos = PhotoFolder(photo_folder or self.home / "photos")

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self.database.close()

    # ------------------------------------------------------------------------- saving

    def put_photo(self, data: bytes) -> FileRef:
        """Keep a photo without its personal metadata. Raises UnusableFile, RecordsProblem."""
        clean = clean_photo(data)
        sha256 = self.photos.put(clean.data, clean.ending)
        return FileRef(sha256, clean.ending, len(clean.data))

    def put_picture(self, data: bytes) -> FileRef:
        """Keep a picture of the program's own (an overlay), JPEG or PNG, as it is."""
        ending = "png" if data[:4] == b"\x89PNG" else "jpg"
        return FileRef(self.photos.put(data, ending), ending, len(data))

    def add(self, new: NewRecord) -> int:
        """Keep one record whose files are in the folder already; returns its number."""
        return self.add_many([new])[0]

    def add_many(self, news: Sequence[NewRecord]) -> list[int]:
        """Keep several records in one transaction: all of them or none. Raises RecordsProblem."""
        numbers: list[int] = []
        with self.database.writing() as connection:
            for start in range(0, len(news), BATCH):
                numbers += self._insert(connection, news[start : start + BATCH])
        return numbers

    def _insert(self, connection: Connection, news: Sequence[NewRecord]) -> list[int]:
        files = {f.sha256: f for new in news for f in (new.photo, new.overlay) if f is not None}
        self._insert_files(connection, files)
        counts: dict[tuple[str, str], int] = {}
        rows, texts, readings = [], [], []
        for new in news:
            row = _row_of(new)
            row["attempt"] = self._attempt(connection, new, counts)
            texts.append(
                (canonical(new.answer), canonical(new.request), canonical(new.profile) if new.profile else None)
            )
            rows.append(row)
            readings.append(readings_of(new.answer))
        statement = insert(record).returning(record.c.id, sort_by_parameter_order=True)
        numbers = [int(n) for n in connection.execute(statement, rows).scalars()]
        connection.execute(
            insert(detail),
            [
                {"record_id": n, "answer": a, "request": r, "profile": p, "digest": digest_of(row, a, r, p)}
                for n, row, (a, r, p) in zip(numbers, rows, texts, strict=True)
            ],
        )
        measured = [
            {
                "record_id": n,
                "name": m.name,
                "value": m.value,
                "u95": m.U95,
                "unit": m.unit,
                "low": m.low,
                "high": m.high,
                "state": m.state,
            }
            for n, found in zip(numbers, readings, strict=True)
            for m in found.values()
        ]
        if measured:
            connection.execute(insert(reading), measured)
        return numbers

    def _insert_files(self, connection: Connection, files: Mapping[str, FileRef]) -> None:
        for ref in files.values():
            if not self.photos.path(ref.sha256, ref.ending).is_file():
                raise RecordsProblem(
                    "photo-missing", "The photo was removed while its record was being saved: save it again."
                )
        known = set(connection.execute(select(kept_file.c.sha256).where(kept_file.c.sha256.in_(files))).scalars())
        fresh = [
            {"sha256": f.sha256, "ending": f.ending, "size_bytes": f.size_bytes}
            for f in files.values()
            if f.sha256 not in known
        ]
        if fresh:
            connection.execute(insert(kept_file), fresh)

    def _attempt(self, connection: Connection, new: NewRecord, counts: dict[tuple[str, str], int]) -> int | None:
        """The how manieth measured check of its order and stage this is; None where the photo showed nothing."""
        if not any(r.low is not None for r in readings_of(new.answer).values()):
            return None
        if new.order_ref is None:
            return 1
        key = (new.order_ref, new.stage)
        if key not in counts:
            before = select(func.max(record.c.attempt)).where(record.c.order_ref == key[0], record.c.stage == key[1])
            counts[key] = int(connection.execute(before).scalar() or 0)
        counts[key] += 1
        return counts[key]

    # ------------------------------------------------------------------------- finding

    def count(self, wanted: Filter = Filter()) -> int:  # noqa: B008  (frozen)
        with self.database.reading() as connection:
            return int(connection.execute(select(func.count()).select_from(record).where(*_where(wanted))).scalar_one())

    def find(
        self,
        wanted: Filter = Filter(),  # noqa: B008  (frozen)
        limit: int | None = 50,
        offset: int = 0,
        oldest_first: bool = False,
        readings: bool = True,
    ) -> list[Summary]:
        """Records that match, newest first, with their readings unless not wanted."""
        order = (record.c.created_at, record.c.id)
        statement = (
            select(*LISTED)
            .where(*_where(wanted))
            .order_by(*(order if oldest_first else (c.desc() for c in order)))
            .limit(limit)
            .offset(offset)
        )
        with self.database.reading() as connection:
            rows = connection.execute(statement).mappings().all()
            measured = _readings(connection, [r["id"] for r in rows]) if readings else {}
        return [Summary(**r, readings=measured.get(r["id"], {})) for r in rows]

    def get(self, number: int) -> Record:
        """One record, whole. Raises RecordsProblem where there is none of that number."""
        with self.database.reading() as connection:
            found = list(_records(connection, [number]))
        if not found:
            raise RecordsProblem("record-missing", f"There is no record {number}: see `placecheck records list`.")
        return found[0]

    def each(self, wanted: Filter = Filter()) -> Iterator[Record]:  # noqa: B008  (frozen)
        """Whole records that match when it begins, oldest first; read in small pieces, so that nobody has to wait.

        A record that is purged meanwhile is left out.
        """
        numbers = select(record.c.id).where(*_where(wanted)).order_by(record.c.created_at, record.c.id)
        with self.database.reading() as connection:
            wanted_numbers = list(connection.execute(numbers).scalars())
        for start in range(0, len(wanted_numbers), BATCH):
            with self.database.reading() as connection:
                found = list(_records(connection, wanted_numbers[start : start + BATCH]))
            yield from found

    def photo(self, found: Record) -> bytes | None:
        """The kept photo, proven by its hash; None where the record has none. Raises RecordsProblem."""
        return self.photos.read(found.photo.sha256, found.photo.ending) if found.photo else None

    def overlay(self, found: Record) -> bytes | None:
        return self.photos.read(found.overlay.sha256, found.overlay.ending) if found.overlay else None

    def latest_per_stage(self, order: str) -> dict[str, Record]:
        """The last measured record of each stage of an order."""
        latest: dict[str, int] = {}
        for line in self.find(Filter(order=order), limit=None, oldest_first=True, readings=False):
            if line.attempt is not None:
                latest[line.stage] = line.id
        return {stage: self.get(number) for stage, number in latest.items()}

    # ------------------------------------------------------------------------- quality

    def groups(self, by: str, wanted: Filter = Filter()) -> list[str]:  # noqa: B008  (frozen)
        """Makers, closures or stages (`by`) that have a first check, by name."""
        column = GROUP_COLUMNS[by]
        statement = select(column).where(record.c.attempt == 1, column.is_not(None), *_where(wanted)).distinct()
        with self.database.reading() as connection:
            return sorted(str(v) for v in connection.execute(statement).scalars())

    def series(
        self,
        measure: str,
        wanted: Filter = Filter(),  # noqa: B008  (frozen)
        last: int | None = 100,
        first_only: bool = True,
    ) -> list[SeriesPoint]:
        """The last readings of a judged measure, oldest first; first checks only unless told otherwise."""
        statement = (
            select(record.c.id, record.c.created_at, reading.c.value, reading.c.u95, reading.c.low, reading.c.high)
            .join(reading, and_(reading.c.record_id == record.c.id, reading.c.name == measure))
            .where(reading.c.low.is_not(None), reading.c.high.is_not(None), *_where(wanted))
            .order_by(record.c.created_at.desc(), record.c.id.desc())
            .limit(last)
        )
        statement = statement.where(record.c.attempt == 1 if first_only else record.c.attempt.is_not(None))
        with self.database.reading() as connection:
            rows = connection.execute(statement).all()
        return [SeriesPoint(*row) for row in reversed(rows)]

    def first_checks(self, by: str | None, wanted: Filter = Filter()) -> list[Count]:  # noqa: B008  (frozen)
        """First checks by verdict, per group or (None) all together."""
        tallies = [func.sum(case((record.c.verdict == v, 1), else_=0)) for v in ("pass", "fix", "retake")]
        where = (record.c.attempt == 1, *_where(wanted))
        with self.database.reading() as connection:
            if by is None:
                rows: Sequence[Any] = [(None, *connection.execute(select(*tallies).where(*where)).one())]
            else:
                column = GROUP_COLUMNS[by]
                rows = list(connection.execute(select(column, *tallies).where(*where).group_by(column)))
        found = [Count(n, int(p or 0) + int(f or 0), int(p or 0), int(r or 0)) for n, p, f, r in rows]
        return sorted(found, key=lambda c: (c.group is None, c.group or ""))

    def outside(self, wanted: Filter = Filter()) -> tuple[dict[tuple[str, int], int], int]:  # noqa: B008  (frozen)
        """How often each measure lay below (-1) or above (+1) its tolerance in fix verdicts, and the count of these."""
        side = case((reading.c.value < reading.c.low, -1), else_=1)
        where = (record.c.verdict == "fix", *_where(wanted))
        statement = (
            select(reading.c.name, side, func.count())
            .join(record, record.c.id == reading.c.record_id)
            .where(reading.c.state == "out", *where)
            .group_by(reading.c.name, side)
        )
        with self.database.reading() as connection:
            rows = connection.execute(statement).all()
            fixes = connection.execute(select(func.count()).select_from(record).where(*where)).scalar_one()
        return {(str(name), int(sign)): int(n) for name, sign, n in rows}, int(fixes)

    # ------------------------------------------------------------------------- removing

    def purge(self, wanted: Filter) -> tuple[int, int]:
        """Remove records that match and the files no other record needs; returns how many of each.

        Rows go first, in one transaction, then files: killed in between, files are left that verify finds.
        """
        numbers = select(record.c.id).where(*_where(wanted))
        with self.database.writing() as connection:
            for table in (detail, reading):
                connection.execute(delete(table).where(table.c.record_id.in_(numbers)))
            removed = connection.execute(delete(record).where(*_where(wanted))).rowcount
        return int(removed), self.remove_unneeded_files()

    def remove_unneeded_files(self) -> int:
        """Remove kept files that no record names any more; returns how many."""
        named = or_(record.c.photo_sha256 == kept_file.c.sha256, record.c.overlay_sha256 == kept_file.c.sha256)
        unneeded = select(kept_file.c.sha256, kept_file.c.ending).where(~select(record.c.id).where(named).exists())
        with self.database.writing() as connection:
            rows = connection.execute(unneeded).all()
            for sha256, ending in rows:
                self.photos.remove(sha256, ending)
            for start in range(0, len(rows), BATCH):
                chunk = [sha256 for sha256, _ in rows[start : start + BATCH]]
                connection.execute(delete(kept_file).where(kept_file.c.sha256.in_(chunk)))
        return len(rows)

    def set_note(self, number: int, note: str | None) -> None:
        """Write a maker's note to a record. Raises RecordsProblem where there is none of that number."""
        with self.database.writing() as connection:
            done = connection.execute(update(record).where(record.c.id == number).values(note=note)).rowcount
        if not done:
            raise RecordsProblem("record-missing", f"There is no record {number}: see `placecheck records list`.")

    # ------------------------------------------------------------------------- whole tables, for backup and verify

    def dump(self) -> Iterator[tuple[str, Iterator[dict[str, Any]]]]:
        """Every table's name and rows, in an order in which they can be inserted, all of one moment."""
        keys = {kept_file: (kept_file.c.sha256,), record: (record.c.id,), detail: (detail.c.record_id,)}
        with self.database.snapshot() as connection:
            for table in TABLES:
                order = keys.get(table, tuple(table.primary_key.columns))
                rows = connection.execute(select(table).order_by(*order)).mappings()
                yield table.name, (dict(row) for row in rows)

    def load(self, tables: Mapping[str, Iterable[Mapping[str, Any]]]) -> dict[str, int]:
        """Fill an empty store from dumped rows in one transaction; returns how many per table.

        Columns this program does not know are refused, ones it has and the rows lack keep their defaults.
        Raises RecordsProblem where the store holds anything already.
        """
        counts = {}
        with self.database.writing() as connection:
            if connection.execute(select(func.count()).select_from(record)).scalar_one():
                raise RecordsProblem(
                    "not-empty", f"{self.database.words} holds records already: restore into an empty place."
                )
            connection.execute(delete(kept_file))
            for table in TABLES:
                counts[table.name] = 0
                batch: list[Mapping[str, Any]] = []
                for row in tables.get(table.name, ()):
                    unknown = set(row) - set(table.c.keys())
                    if unknown:
                        raise RecordsProblem(
                            "newer-backup", f"The backup has {sorted(unknown)[0]}, unknown here: update this program."
                        )
                    batch.append(row)
                    if len(batch) == BATCH:
                        connection.execute(insert(table), batch)
                        counts[table.name] += len(batch)
                        batch = []
                if batch:
                    connection.execute(insert(table), batch)
                    counts[table.name] += len(batch)
            if connection.dialect.name == "postgresql":
                connection.exec_driver_sql(
                    "SELECT setval(pg_get_serial_sequence('record', 'id'), (SELECT max(id) FROM record))"
                )
        return counts

    def kept_files(self) -> dict[str, FileRef]:
        """Every file that is known to the database, by its hash."""
        with self.database.reading() as connection:
            rows = connection.execute(select(kept_file)).all()
        return {r.sha256: FileRef(r.sha256, r.ending, r.size_bytes) for r in rows}

    def file_users(self) -> dict[str, list[int]]:
        """Numbers of the records that name each file."""
        users: dict[str, list[int]] = {}
        with self.database.reading() as connection:
            for number, photo, overlay in connection.execute(
                select(record.c.id, record.c.photo_sha256, record.c.overlay_sha256)
            ):
                for sha256 in {photo, overlay} - {None}:
                    users.setdefault(sha256, []).append(number)
        return users

    def check_database(self) -> list[str]:
        """What the database itself finds wrong with its file; empty where all is well."""
        with self.database.reading() as connection:
            if connection.dialect.name != "sqlite":
                return []
            said = [str(r[0]) for r in connection.exec_driver_sql("PRAGMA integrity_check(20)")]
            lost = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
        return [s for s in said if s != "ok"] + [f"row {r[1]} of {r[0]} points to a missing {r[2]}" for r in lost]


# ----------------------------------------------------------------------------- rows


def _row_of(new: NewRecord) -> dict[str, Any]:
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


def _where(wanted: Filter) -> list[ColumnElement[bool]]:
    columns = {
        "order": record.c.order_ref,
        "client": record.c.client,
        "maker": record.c.maker,
        "stage": record.c.stage,
        "verdict": record.c.verdict,
        "closure": record.c.closure,
        "origin": record.c.origin,
    }
    found: list[ColumnElement[bool]] = [
        column == getattr(wanted, name) for name, column in columns.items() if getattr(wanted, name) is not None
    ]
    if wanted.since is not None:
        found.append(record.c.created_at >= wanted.since)
    if wanted.until is not None:
        found.append(record.c.created_at < wanted.until)
    return found


def _readings(connection: Connection, numbers: Sequence[int]) -> dict[int, dict[str, Reading]]:
    found: dict[int, dict[str, Reading]] = {}
    for start in range(0, len(numbers), BATCH):
        statement = select(reading).where(reading.c.record_id.in_(numbers[start : start + BATCH]))
        for r in connection.execute(statement):
            found.setdefault(r.record_id, {})[r.name] = Reading(r.name, r.value, r.u95, r.unit, r.low, r.high, r.state)
    return found


def _records(connection: Connection, numbers: Sequence[int]) -> Iterator[Record]:
    """Whole records in the order of `numbers`."""
    photo, overlay = kept_file.alias("photo"), kept_file.alias("overlay")
    statement: Select[Any] = (
        select(record, detail.c.answer, detail.c.request, detail.c.profile, detail.c.digest)
        .add_columns(
            *(c.label(f"photo_{c.name}_") for c in photo.c), *(c.label(f"overlay_{c.name}_") for c in overlay.c)
        )
        .join(detail, detail.c.record_id == record.c.id)
        .outerjoin(photo, photo.c.sha256 == record.c.photo_sha256)
        .outerjoin(overlay, overlay.c.sha256 == record.c.overlay_sha256)
        .where(record.c.id.in_(numbers))
    )
    rows = {row["id"]: row for row in connection.execute(statement).mappings()}
    measured = _readings(connection, numbers)
    for number in numbers:
        if number in rows:
            yield _record_of(rows[number], measured.get(number, {}))


def _record_of(row: Mapping[Any, Any], measured: Mapping[str, Reading]) -> Record:
    summary = Summary(**{c.name: row[c.name] for c in LISTED}, readings=measured)
    answer = json.loads(row["answer"])
    told = readings_of(answer)
    holds = digest_of(row, row["answer"], row["request"], row["profile"]) == row["digest"] and told == dict(measured)
    return Record(
        summary,
        row["uid"],
        answer,
        json.loads(row["request"]),
        json.loads(row["profile"]) if row["profile"] else None,
        row["program_version"],
        _file_of(row, "photo"),
        row["original_sha256"],
        _file_of(row, "overlay"),
        row["note"],
        holds,
    )


def _file_of(row: Mapping[Any, Any], what: str) -> FileRef | None:
    if row[f"{what}_sha256_"] is None:
        return None
    return FileRef(*(row[f"{what}_{name}_"] for name in ("sha256", "ending", "size_bytes")))


# ----------------------------------------------------------------------------- the one call of a check


def save_check(
    home: Path | Store,
    photo: Path | bytes,
    answer_json: Mapping[str, Any],
    request_json: Mapping[str, Any],
    overlay_png: bytes | None = None,
    *,
    order: str | None = None,
    client: str | None = None,
    maker: str | None = None,
    stage: str | None = None,
    profile: Mapping[str, Any] | None = None,
    created_at: str | None = None,
    origin: str = "check",
    note: str | None = None,
) -> int:
    """Keep one check whole and return the record's number.

    `home` is the folder of records and settings, or an open Store. `photo` is the original file, whose bytes are
    cleaned of personal metadata before they are kept. `overlay_png` may be JPEG too. Raises RecordsProblem or
    UnusableFile with one sentence; whatever happens, the record is whole or absent.
    """
    from placecheck import __version__
    from placecheck.photo import read_bytes

    data = photo if isinstance(photo, bytes) else read_bytes(photo)
    store = home if isinstance(home, Store) else open_store(home)
    try:
        new = NewRecord(
            answer=answer_json,
            request=request_json,
            created_at=created_at or now_text(),
            order_ref=_named(order),
            client=_named(client),
            maker=_named(maker),
            stage=stage or str(request_json.get("stage") or "pinned"),
            closure=_closure_label(request_json),
            profile=profile,
            program_version=__version__,
            origin=origin,
            note=note,
        )
        new = replace(new, photo=store.put_photo(data), original_sha256=hashlib.sha256(data).hexdigest())
        if overlay_png is not None:
            new = replace(new, overlay=store.put_picture(overlay_png))
        return store.add(new)
    finally:
        if store is not home:
            store.close()


def _named(text: str | None) -> str | None:
    """A name as given, without spaces around it and without control characters; None where nothing is left."""
    kept = " ".join("".join(c if c.isprintable() else " " for c in text).split())[:200] if text else ""
    return kept or None


def _closure_label(request_json: Mapping[str, Any]) -> str:
    closure = request_json.get("closure")
    if isinstance(closure, Mapping):
        return str(closure.get("label") or "")
    return str(closure or "")


def open_store(home: Path | None = None, timeout_s: float = 15.0) -> Store:
    """The store that the settings name: PLACECHECK_RECORDS or [records] address, else the SQLite file in `home`."""
    import os

    from placecheck.settings import home as default_home
    from placecheck.settings import load_settings

    folder = Path(home) if home is not None else default_home()
    told = dict(getattr(load_settings(folder), "records", {}))
    address = os.environ.get("PLACECHECK_RECORDS") or told.get("address")
    photos = told.get("photos")
    return Store(folder, address or None, Path(photos).expanduser() if photos else None, timeout_s)


def as_numbers(found: Iterable[Summary]) -> list[int]:
    return [line.id for line in found]
