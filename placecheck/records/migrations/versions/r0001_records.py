"""The first schema: records, their details, readings and kept files."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "kept_file",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("ending", sa.String(8), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name="pk_kept_file"),
    )
    op.create_table(
        "record",
        sa.Column("id", sa.Integer(), autoincrement=True, nullable=False),
        sa.Column("uid", sa.String(32), nullable=False),
        sa.Column("created_at", sa.String(32), nullable=False),
        sa.Column("order_ref", sa.String(200)),
        sa.Column("client", sa.String(200)),
        sa.Column("maker", sa.String(200)),
        sa.Column("stage", sa.String(40), nullable=False),
        sa.Column("closure", sa.String(60), nullable=False),
        sa.Column("verdict", sa.String(16), nullable=False),
        sa.Column("attempt", sa.Integer()),
        sa.Column("origin", sa.String(16), nullable=False),
        sa.Column("program_version", sa.String(40), nullable=False),
        sa.Column("photo_sha256", sa.String(64)),
        sa.Column("original_sha256", sa.String(64)),
        sa.Column("overlay_sha256", sa.String(64)),
        sa.Column("note", sa.Text()),
        sa.PrimaryKeyConstraint("id", name="pk_record"),
        sa.ForeignKeyConstraint(["photo_sha256"], ["kept_file.sha256"], name="fk_record_photo_sha256"),
        sa.ForeignKeyConstraint(["overlay_sha256"], ["kept_file.sha256"], name="fk_record_overlay_sha256"),
        sa.UniqueConstraint("uid", name="uq_record_uid"),
        sqlite_autoincrement=True,
    )
    for columns in (
        ["created_at"],
        ["order_ref", "stage"],
        ["client"],
        ["maker", "created_at"],
        ["closure", "created_at"],
        ["verdict", "created_at"],
        ["photo_sha256"],
        ["overlay_sha256"],
    ):
        op.create_index(f"ix_record_{'_'.join(columns)}", "record", columns)
    op.create_table(
        "detail",
        sa.Column("record_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("request", sa.Text(), nullable=False),
        sa.Column("profile", sa.Text()),
        sa.Column("digest", sa.String(64), nullable=False),
        sa.PrimaryKeyConstraint("record_id", name="pk_detail"),
        sa.ForeignKeyConstraint(["record_id"], ["record.id"], name="fk_detail_record_id", ondelete="CASCADE"),
    )
    op.create_table(
        "reading",
        sa.Column("record_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.String(60), nullable=False),
        sa.Column("value", sa.Float(53), nullable=False),
        sa.Column("u95", sa.Float(53), nullable=False),
        sa.Column("unit", sa.String(16), nullable=False),
        sa.Column("low", sa.Float(53)),
        sa.Column("high", sa.Float(53)),
        sa.Column("state", sa.String(8)),
        sa.PrimaryKeyConstraint("record_id", "name", name="pk_reading"),
        sa.ForeignKeyConstraint(["record_id"], ["record.id"], name="fk_reading_record_id", ondelete="CASCADE"),
    )
    out = sa.text("state = 'out'")
    op.create_index("ix_reading_out", "reading", ["record_id", "name"], sqlite_where=out, postgresql_where=out)


def downgrade() -> None:
    for table in ("reading", "detail", "record", "kept_file"):
        op.drop_table(table)
