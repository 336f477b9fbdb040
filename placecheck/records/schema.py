"""The tables of the records, as SQLAlchemy knows them; migrations bring a database to this form.

`record` holds what is listed and searched and stays narrow, `detail` the whole JSON of answer, request and profile
with a digest over all of the record, `reading` one row per measure, `kept_file` what lies in the photo folder.
`attempt` counts the measured checks of an order at a stage (1 is the first), empty where a photo showed nothing,
names no order, or was saved again. Times are text (model.py). Only the modules that know SQL (store.py names them) and
the migrations import this module.
"""

from __future__ import annotations

from sqlalchemy import (
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    text,
)

NAMING = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s",
    "pk": "pk_%(table_name)s",
}
metadata = MetaData(naming_convention=NAMING)

kept_file = Table(
    "kept_file",
    metadata,
    Column("sha256", String(64), primary_key=True),
    Column("ending", String(8), nullable=False),
    Column("size_bytes", Integer, nullable=False),
)

record = Table(
    "record",
    metadata,
    Column("id", Integer, primary_key=True, autoincrement=True),
    Column("uid", String(32), nullable=False, unique=True),
    Column("created_at", String(32), nullable=False),
    Column("order_ref", String(200)),
    Column("client", String(200)),
    Column("maker", String(200)),
    Column("stage", String(40), nullable=False),
    Column("closure", String(60), nullable=False),
    Column("verdict", String(16), nullable=False),
    Column("attempt", Integer),
    Column("origin", String(16), nullable=False),
    Column("program_version", String(40), nullable=False),
    Column("photo_sha256", String(64), ForeignKey("kept_file.sha256")),
    Column("original_sha256", String(64)),
    Column("overlay_sha256", String(64), ForeignKey("kept_file.sha256")),
    Column("note", Text),
    Index(None, "created_at"),
    Index(None, "order_ref", "stage"),
    Index(None, "client"),
    Index(None, "maker", "created_at"),
    Index(None, "closure", "created_at"),
    Index(None, "verdict", "created_at"),
    Index(None, "photo_sha256"),
    Index(None, "overlay_sha256"),
    sqlite_autoincrement=True,  # the number of a purged record is never given again
)

detail = Table(
    "detail",
    metadata,
    Column("record_id", Integer, ForeignKey("record.id", ondelete="CASCADE"), primary_key=True, autoincrement=False),
    Column("answer", Text, nullable=False),
    Column("request", Text, nullable=False),
    Column("profile", Text),
    Column("digest", String(64), nullable=False),
)

reading = Table(
    "reading",
    metadata,
    Column("record_id", Integer, ForeignKey("record.id", ondelete="CASCADE"), primary_key=True, autoincrement=False),
    Column("name", String(60), primary_key=True),
    Column("value", Float(53), nullable=False),
    Column("u95", Float(53), nullable=False),
    Column("unit", String(16), nullable=False),
    Column("low", Float(53)),
    Column("high", Float(53)),
    Column("state", String(8)),
    Index(
        "ix_reading_out",
        "record_id",
        "name",
        sqlite_where=text("state = 'out'"),
        postgresql_where=text("state = 'out'"),
    ),
)

TABLES = (kept_file, record, detail, reading)
"""In the order in which rows can be inserted."""
