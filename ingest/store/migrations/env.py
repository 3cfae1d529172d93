"""Alembic's entry: migrate over the connection that `schema.migrate` hands in."""

from alembic import context

from ingest.store.schema import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
