"""Alembic runs this: it migrates over the connection it is handed."""

from __future__ import annotations

from alembic import context

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=None,
    transactional_ddl=False,
)
context.run_migrations()
