"""Runs the migrations on the connection, and in the transaction, of the caller."""

from __future__ import annotations

from alembic import context

from swapinfer.ledger.tables import VERSION_TABLE, metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    version_table=VERSION_TABLE,
)
with context.begin_transaction():
    context.run_migrations()
