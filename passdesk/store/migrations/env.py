"""Alembic's entry: runs the revisions on the connection that `migrating` hands over."""

from __future__ import annotations

from alembic import context

from passdesk.store.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=False,
    render_as_batch=True,
)
context.run_migrations()
