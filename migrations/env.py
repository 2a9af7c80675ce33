"""Alembic's environment: runs on the connection and in the transaction it is given, or offline into a script."""

from __future__ import annotations

from alembic import context

from oyez.store.tables import Base

config = context.config
connection = config.attributes.get("connection")
if connection is None:
    context.configure(dialect_name="sqlite", target_metadata=Base.metadata, as_sql=True, render_as_batch=True)
else:
    context.configure(
        connection=connection, target_metadata=Base.metadata, render_as_batch=True, compare_type=True
    )
with context.begin_transaction():
    context.run_migrations()
