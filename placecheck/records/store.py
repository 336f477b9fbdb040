"""The store: keeps checks as records, finds them again and removes them.

A check is saved in an order that leaves no half record at any moment: first the photo and the
overlay become files, each whole under its hash or absent; then one transaction writes record,
details, readings and file names, or nothing. Inside that transaction the files are looked for once
more, because a purge next door may have removed one that another record no longer needed. `attempt`
is counted there too, so two benches that check one order at the same moment get first and second; a
photo that is saved again under its order and stage takes the attempt of its earlier record, which
then has none. A list of records is bounded, or all of one order, and served by an index, so 100,000
records stay interactive (measured by placecheck.records.benchmark). How records are rows is
rows.py's, what is counted over many tallies.py's, whole tables whole_tables.py's; schema and
opening are schema.py's and database.py's. Nothing outside these six knows SQL.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, delete, func, insert, or_, select, update

from placecheck.records.cleaning import clean_photo
from placecheck.records.database import Database
from placecheck.records.model import PART, FileRef, Filter, NewRecord, Record, Summary, readings_of
from placecheck.records.photos import PhotoFolder, RecordsProblem
from placecheck.records.rows import (
    BATCH,
    LISTED,
    canonical,
    conditions,
    digest_of,
    of_order,
    readings_by_record,
    request_of,
    row_of,
    whole_records,
)
from placecheck.records.schema import detail, kept_file, reading, record

NUMBERS = range(1, 1 << 63)
"""Numbers that a record can have; a database takes no larger ones."""


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

    def add_set(self, parts: Sequence[NewRecord], whole: Callable[[list[int]], NewRecord]) -> int:
        """Keep the parts of a set and the `whole` that names their numbers, in one transaction: all of them or none.

        Returns the whole's number. Raises RecordsProblem.
        """
        with self.database.writing() as connection:
            numbers = self._insert(connection, parts) if parts else []
            return self._insert(connection, [whole(numbers)])[0]

    def _insert(self, connection: Connection, news: Sequence[NewRecord]) -> list[int]:
        files = {f.sha256: f for new in news for f in (new.photo, new.overlay) if f is not None}
        self._insert_files(connection, files)
        counts: dict[tuple[str, str], int] = {}
        rows, texts, readings = [], [], []
        for new in news:
            row = row_of(new)
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
        """Which measured check of its order and stage this is, from 1; None where it counts as none.

        So it is where the photo showed nothing, names no order, or was kept for another check that it was measured
        together with. A photo that is saved again keeps its attempt, and its earlier record becomes none.
        """
        if new.origin == PART or new.order_ref is None:
            return None
        if not any(r.low is not None for r in readings_of(new.answer).values()):
            return None
        key = (new.order_ref, new.stage)
        if new.photo is not None and new.origin == "check":
            same = (of_order(key[0]), record.c.stage == key[1], record.c.photo_sha256 == new.photo.sha256)
            earlier = (*same, record.c.origin == new.origin, record.c.attempt.is_not(None))
            again = connection.execute(select(func.min(record.c.attempt)).where(*earlier)).scalar()
            if again is not None:  # the same placement, judged anew: the later answer stands for it
                connection.execute(update(record).where(*earlier).values(attempt=None))
                return int(again)
        if key not in counts:
            before = select(func.max(record.c.attempt)).where(of_order(key[0]), record.c.stage == key[1])
            counts[key] = int(connection.execute(before).scalar() or 0)
        counts[key] += 1
        return counts[key]

    # ------------------------------------------------------------------------- finding

    def count(self, wanted: Filter = Filter()) -> int:  # noqa: B008  (frozen)
        """How many records are wanted; all of them without a filter."""
        with self.database.reading() as connection:
            return int(
                connection.execute(
                    select(func.count()).select_from(record).where(*conditions(connection, wanted))
                ).scalar_one()
            )

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
        statement = select(*LISTED).order_by(*(order if oldest_first else (c.desc() for c in order)))
        with self.database.reading() as connection:
            statement = statement.where(*conditions(connection, wanted)).limit(limit).offset(offset)
            rows = connection.execute(statement).mappings().all()
            measured = readings_by_record(connection, [r["id"] for r in rows]) if readings else {}
        return [Summary(**r, readings=measured.get(r["id"], {})) for r in rows]

    def get(self, number: int) -> Record:
        """One record, whole. Raises RecordsProblem where there is none of that number."""
        with self.database.reading() as connection:
            found = list(whole_records(connection, [number] if number in NUMBERS else []))
        if not found:
            raise RecordsProblem("record-missing", f"There is no record {number}: choose one from the list.")
        return found[0]

    def request(self, number: int) -> Mapping[str, Any]:
        """What a record's check was asked with, without the rest of it; empty where there is none of that number."""
        with self.database.reading() as connection:
            return request_of(connection, number)

    def each(self, wanted: Filter = Filter()) -> Iterator[Record]:  # noqa: B008  (frozen)
        """Whole records that match when it begins, oldest first; read in small pieces, so that nobody has to wait.

        A record that is purged meanwhile is left out.
        """
        numbers = select(record.c.id).order_by(record.c.created_at, record.c.id)
        with self.database.reading() as connection:
            wanted_numbers = list(connection.execute(numbers.where(*conditions(connection, wanted))).scalars())
        for start in range(0, len(wanted_numbers), BATCH):
            with self.database.reading() as connection:
                found = list(whole_records(connection, wanted_numbers[start : start + BATCH]))
            yield from found

    def photo(self, found: Record) -> bytes | None:
        """The kept photo, proven by its hash; None where the record has none. Raises RecordsProblem."""
        return self.photos.read(found.photo.sha256, found.photo.ending) if found.photo else None

    def overlay(self, found: Record) -> bytes | None:
        return self.photos.read(found.overlay.sha256, found.overlay.ending) if found.overlay else None

    def orders_named(self) -> list[str]:
        """Every order that records are filed under, as they have it."""
        with self.database.reading() as connection:
            named = select(record.c.order_ref).where(record.c.order_ref.is_not(None)).distinct()
            return list(connection.execute(named).scalars())

    def latest_per_stage(self, order: str) -> dict[str, Record]:
        """The last measured record of each stage of an order."""
        latest: dict[str, int] = {}
        for line in self.find(Filter(order=order), limit=None, oldest_first=True, readings=False):
            if line.attempt is not None:
                latest[line.stage] = line.id
        return {stage: self.get(number) for stage, number in latest.items()}

    # ------------------------------------------------------------------------- removing

    def purge(self, wanted: Filter) -> tuple[int, int]:
        """Remove records that match and the files no other record needs; returns how many of each.

        Rows go first, in one transaction, details and readings with their records (schema.py: ON DELETE CASCADE), then
        files: killed in between, files are left that verify finds.
        """
        with self.database.writing() as connection:
            removed = connection.execute(delete(record).where(*conditions(connection, wanted))).rowcount
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
            these = update(record).where(record.c.id == number).values(note=note)
            done = number in NUMBERS and connection.execute(these).rowcount
        if not done:
            raise RecordsProblem("record-missing", f"There is no record {number}: choose one from the list.")


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
