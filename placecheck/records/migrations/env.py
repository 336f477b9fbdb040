"""Runs the migrations on the connection that placecheck.records.database hands over, inside its transaction."""

from alembic import context

from placecheck.records.schema import metadata

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=metadata, render_as_batch=True, transactional_ddl=True)
with context.begin_transaction():
    context.run_migrations()
