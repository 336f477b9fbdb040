"""Whole tables, for backup and verify: all rows out, all rows in, and what the database says of itself.

`dump` gives the rows of every table as they were at one moment, in an order in which they
can be inserted, and keeps no writer waiting (database.py's snapshot). `load` fills an empty
database with such rows in one transaction, in batches: all of them or none; where records
are already, it refuses. A column that is unknown here is of a newer program's backup and is
refused too, one the rows lack keeps its default. The rest is asked by verify.py: which files
the database knows, which records name them, and whether its own file is sound.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from itertools import islice
from typing import Any

from sqlalchemy import Connection, Select, Table, delete, func, insert, select

from placecheck.records.database import Database
from placecheck.records.model import FileRef
from placecheck.records.photos import RecordsProblem
from placecheck.records.rows import BATCH
from placecheck.records.schema import TABLES, detail, kept_file, record


def dump(database: Database) -> Iterator[tuple[str, Iterator[dict[str, Any]]]]:
    """Every table's name and rows, in an order in which they can be inserted, all of one moment."""
    keys = {kept_file: (kept_file.c.sha256,), record: (record.c.id,), detail: (detail.c.record_id,)}
    with database.snapshot() as connection:
        for table in TABLES:
            order = keys.get(table, tuple(table.primary_key.columns))
            yield table.name, _rows(database, connection, select(table).order_by(*order))


def _rows(database: Database, connection: Connection, wanted: Select[Any]) -> Iterator[dict[str, Any]]:
    with database.explained():  # they are asked for one by one, outside the reading transaction's own words
        for row in connection.execute(wanted).mappings():
            yield dict(row)


def load(database: Database, tables: Mapping[str, Iterable[Mapping[str, Any]]]) -> dict[str, int]:
    """Fill an empty store from dumped rows in one transaction; returns how many per table.

    Columns this program does not know are refused, ones it has and the rows lack keep their defaults.
    Raises RecordsProblem where the store holds anything already.
    """
    counts = {}
    with database.writing() as connection:
        if connection.execute(select(func.count()).select_from(record)).scalar_one():
            raise RecordsProblem("not-empty", f"{database.words} holds records already: restore into an empty place.")
        connection.execute(delete(kept_file))
        for table in TABLES:
            counts[table.name] = 0
            rows = iter(tables.get(table.name, ()))
            while batch := list(islice(rows, BATCH)):
                _refuse_unknown_columns(batch, table)
                connection.execute(insert(table), batch)
                counts[table.name] += len(batch)
        if connection.dialect.name == "postgresql":
            connection.exec_driver_sql(
                "SELECT setval(pg_get_serial_sequence('record', 'id'), (SELECT max(id) FROM record))"
            )
    return counts


def _refuse_unknown_columns(rows: Iterable[Mapping[str, Any]], table: Table) -> None:
    unknown = set().union(*rows) - set(table.c.keys())
    if unknown:
        raise RecordsProblem("newer-backup", f"The backup has {sorted(unknown)[0]}, unknown here: update this program.")


def kept_files(database: Database) -> dict[str, FileRef]:
    """Every file that is known to the database, by its hash."""
    with database.reading() as connection:
        rows = connection.execute(select(kept_file)).all()
    return {r.sha256: FileRef(r.sha256, r.ending, r.size_bytes) for r in rows}


def file_users(database: Database) -> dict[str, list[int]]:
    """Numbers of the records that name each file."""
    users: dict[str, list[int]] = {}
    with database.reading() as connection:
        for number, photo, overlay in connection.execute(
            select(record.c.id, record.c.photo_sha256, record.c.overlay_sha256)
        ):
            for sha256 in {photo, overlay} - {None}:
                users.setdefault(sha256, []).append(number)
    return users


def check_database(database: Database) -> list[str]:
    """What the database itself finds wrong with its file; empty where all is well."""
    with database.reading() as connection:
        if connection.dialect.name != "sqlite":
            return []
        said = [str(r[0]) for r in connection.exec_driver_sql("PRAGMA integrity_check(20)")]
        lost = connection.exec_driver_sql("PRAGMA foreign_key_check").all()
    return [s for s in said if s != "ok"] + [f"row {r[1]} of {r[0]} points to a missing {r[2]}" for r in lost]
