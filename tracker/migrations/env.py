"""How Alembic runs a migration here: on the connection, and in the transaction, it is handed."""

from __future__ import annotations

from alembic import context

from tracker.model import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    # SQLite cannot change a column in place; Alembic then copies the table.
    render_as_batch=True,
)
context.run_migrations()
