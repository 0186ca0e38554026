"""Run by Alembic: takes the connection that `making` hands over, within its transaction."""

from __future__ import annotations

from alembic import context

from adapt.database.schema import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=False,  # the transaction is the caller's, and commits with its change
)
context.run_migrations()
