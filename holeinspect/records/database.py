"""The database: SQLite in the data folder, or any SQLAlchemy URL; its migrations; a copy while it runs."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import make_url
from sqlalchemy.exc import ArgumentError, NoSuchModuleError, OperationalError
from sqlalchemy.orm import Session, sessionmaker

from holeinspect.errors import ServiceError

BUSY_TIMEOUT_MS = 20_000
"""How long a writer waits for another; uploads write for milliseconds."""
WRITES = "holeinspect_writes"
MIGRATIONS = Path(__file__).parent / "migrations"


class Database:
    """Transactions on the records. read() and write() each are one; write() is on the disk when its block ends."""

    def __init__(self, url: str) -> None:
        self.engine = _engine(url)
        self._reading = sessionmaker(self.engine, expire_on_commit=False)
        self._writing = sessionmaker(self.engine.execution_options(**{WRITES: True}), expire_on_commit=False)

    @contextmanager
    def read(self) -> Iterator[Session]:
        """One view of the records, the same for the whole block."""
        with self._reading() as session, session.begin():
            yield session

    @contextmanager
    def write(self) -> Iterator[Session]:
        """One change: all of it is kept, or none."""
        with self._writing() as session, session.begin():
            yield session

    def migrate(self) -> None:
        """Bring the tables to this program's version; an empty database gets all of them.

        Raises ServiceError where the database cannot be opened, or belongs to a newer program.
        """
        try:
            with self.engine.begin() as connection:
                _check_known(connection)
                config = alembic_config()
                config.attributes["connection"] = connection
                command.upgrade(config, "head")
        except OperationalError as error:
            raise ServiceError(
                f"The database {_shown(self.engine)} cannot be used: {error.orig}. Check that it can be reached and written."
            ) from error

    def close(self) -> None:
        """Let go of all connections."""
        self.engine.dispose()


def alembic_config() -> Config:
    """Alembic's settings; the migrations lie inside the package."""
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS).replace("%", "%%"))
    return config


def _check_known(connection: Connection) -> None:
    """Refuse tables of a newer program: an older one could not keep them whole."""
    current = MigrationContext.configure(connection).get_current_revision()
    known = {script.revision for script in ScriptDirectory.from_config(alembic_config()).walk_revisions()}
    if current is not None and current not in known:
        raise ServiceError(
            f"The database {_shown(connection.engine)} was written by a newer holeinspect (version {current} of its tables). "
            "Update holeinspect, or name another data folder."
        )


def _shown(engine: Engine) -> str:
    return engine.url.render_as_string(hide_password=True)


def _engine(url: str) -> Engine:
    try:
        parsed = make_url(url)
        engine = create_engine(parsed, pool_pre_ping=parsed.get_backend_name() != "sqlite")
    except (ArgumentError, NoSuchModuleError, ModuleNotFoundError) as error:
        raise ServiceError(
            f"{url!r} is no database that can be used: {error}. Write sqlite:////folder/records.sqlite or "
            "postgresql+psycopg://user@host/name, and install the driver it names."
        ) from error
    if parsed.get_backend_name() == "sqlite":
        event.listen(engine, "connect", _prepare_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
    return engine


def _prepare_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    """WAL, so that reading goes on while one writes; FULL, so that a commit outlives a power cut."""
    connection.isolation_level = None  # the driver would otherwise begin its transactions late: see _begin_sqlite
    for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON", f"busy_timeout={BUSY_TIMEOUT_MS}"):
        connection.execute(f"PRAGMA {pragma}").close()


def _begin_sqlite(connection: Connection) -> None:
    """A transaction that will write says so at once: one that read first could not become a writer beside another."""
    writes = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def copy_sqlite(source: Path, target: Path) -> None:
    """A whole and consistent copy of a SQLite file, also while a service writes to it."""
    with closing(sqlite3.connect(source)) as running, closing(sqlite3.connect(target)) as copy:
        running.backup(copy)
