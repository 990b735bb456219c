"""Run the migrations on the connection that Database.migrate gives."""

from __future__ import annotations

from alembic import context

from holeinspect.records.models import Base

connection = context.config.attributes["connection"]
# Batches: SQLite cannot change most of a column in place.
context.configure(connection=connection, target_metadata=Base.metadata, render_as_batch=True, compare_type=True)
with context.begin_transaction():
    context.run_migrations()
