"""Schema migrations of the records, run by alembic; each in versions/, none is ever changed once released."""
