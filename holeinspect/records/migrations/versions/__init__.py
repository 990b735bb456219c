"""Alembic's migrations of the records' tables, one file a version."""
