"""The database: migrations, copies while it is written to, and PostgreSQL."""

from __future__ import annotations

import os
import re
import shutil
import socket
import subprocess
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
from alembic import command
from alembic.script import ScriptDirectory
from sqlalchemy import create_engine, inspect, text
from sqlalchemy.exc import IntegrityError

from holeinspect.errors import ServiceError
from holeinspect.records.copies import copy_records
from holeinspect.records.database import Database, alembic_config
from holeinspect.records.models import Base, Photo, Piece
from holeinspect.records.shapes import PartNew
from tests.bench_stubs import add_gusset, file_photo, measured, stub_bench, wait_for

POSTGRES_VARIABLE = "HOLEINSPECT_TEST_POSTGRES"
"""SQLAlchemy URL of an empty database that the tests may fill and empty; without it, Debian's binaries are started."""


@pytest.fixture
def empty(tmp_path: Path) -> Iterator[Database]:
    database = Database(f"sqlite:///{tmp_path / 'records.sqlite'}")
    yield database
    database.close()


# --- migrations ---


def test_migrations_make_the_tables_that_the_models_name(empty: Database) -> None:
    empty.migrate()
    config = alembic_config()
    with empty.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.check(config)  # raises where a migration is missing
        assert set(Base.metadata.tables) <= set(inspect(connection).get_table_names())


def test_every_migration_goes_up_and_down_again(empty: Database) -> None:
    config = alembic_config()
    revisions = [script.revision for script in ScriptDirectory.from_config(config).walk_revisions()][::-1]
    for revision in revisions:
        for way in (command.upgrade, command.downgrade, command.upgrade):
            with empty.engine.begin() as connection:
                config.attributes["connection"] = connection
                way(config, "-1" if way is command.downgrade else revision)
    with empty.engine.begin() as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "base")
        assert inspect(connection).get_table_names() == ["alembic_version"]


def test_migrating_again_changes_nothing(empty: Database) -> None:
    empty.migrate()
    empty.migrate()


def test_a_database_of_a_newer_program_is_left_alone(empty: Database) -> None:
    empty.migrate()
    with empty.engine.begin() as connection:
        connection.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    with pytest.raises(ServiceError, match="written by a newer holeinspect"):
        empty.migrate()


@pytest.mark.parametrize("url", ["records.sqlite", "oracle+nothing://x", "sqlite:////no/such/folder/records.sqlite"])
def test_a_database_that_cannot_be_used_is_named(url: str) -> None:
    with pytest.raises(ServiceError, match=re.escape(url.split(":")[0])):
        Database(url).migrate()


def test_a_record_cannot_lose_what_it_belongs_to(tmp_path: Path) -> None:
    with stub_bench(tmp_path) as bench:
        piece = add_gusset(bench).pieces[0].id
        measured(bench, "good", piece, "A")
        with pytest.raises(IntegrityError, match="FOREIGN KEY"), bench.database.write() as session:
            session.execute(text("DELETE FROM piece WHERE id = :id"), {"id": piece})


# --- copies ---


def test_a_copy_made_while_photos_come_in_is_whole(tmp_path: Path) -> None:
    here, there = tmp_path / "here", tmp_path / "there"
    with stub_bench(here) as bench:
        add_gusset(bench)
        stop = threading.Event()

        def keep_uploading() -> None:
            number = 0
            while not stop.is_set():
                file_photo(bench, f"good {number}", number=number)
                number += 1

        uploading = threading.Thread(target=keep_uploading)
        uploading.start()
        try:
            until = file_photo(bench, "good before the copy", number=50_000).id
            report = copy_records(here, there)
        finally:
            stop.set()
            uploading.join()
    assert report.photos >= until
    with stub_bench(there) as copy:
        with copy.database.read() as session:
            photos = session.query(Photo).all()
        assert len(photos) == report.photos
        assert all(copy.originals.path(photo.sha256, photo.ending).is_file() for photo in photos)
        assert wait_for(copy, until).state == "failed", "no piece was named, and the copy went on where the original was"


def test_a_copy_replaces_no_records(tmp_path: Path) -> None:
    with stub_bench(tmp_path / "here"):
        pass
    (tmp_path / "there").mkdir()
    (tmp_path / "there" / "records.sqlite").touch()
    with pytest.raises(ServiceError, match="holds records already"):
        copy_records(tmp_path / "here", tmp_path / "there")
    with pytest.raises(ServiceError, match="There are no records in"):
        copy_records(tmp_path / "nowhere", tmp_path / "elsewhere")


# --- PostgreSQL ---


def _postgres_folder() -> Path | None:
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else None


def _run(arguments: list[str], **more: object) -> None:
    subprocess.run(arguments, check=True, capture_output=True, **more)  # type: ignore[call-overload]


@pytest.fixture(scope="module")
def postgres() -> Iterator[str]:
    """URL of an empty PostgreSQL database: the one named by the environment, or one started for the test."""
    pytest.importorskip("psycopg", reason="the driver is an extra")
    if os.environ.get(POSTGRES_VARIABLE):
        yield _emptied(os.environ[POSTGRES_VARIABLE])
        return
    binaries = _postgres_folder()
    if binaries is None:
        pytest.skip(f"no PostgreSQL here, and {POSTGRES_VARIABLE} names none")
    folder = Path(tempfile.mkdtemp(prefix="records-postgres-"))  # not below pytest's own, which only its user may enter
    as_user = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []  # PostgreSQL refuses to run as root
    if as_user:
        shutil.chown(folder, "postgres")
    with socket.create_server(("127.0.0.1", 0)) as probe:
        port = probe.getsockname()[1]
    data = str(folder / "data")
    _run([*as_user, str(binaries / "initdb"), "-D", data, "-A", "trust", "-U", "bench", "-N", "-E", "UTF8"], cwd=folder)
    options = f"-p {port} -k {folder} -c listen_addresses=127.0.0.1 -c fsync=off"
    log = str(folder / "log")
    _run([*as_user, str(binaries / "pg_ctl"), "-D", data, "-w", "-l", log, "-o", options, "start"], cwd=folder)
    try:
        yield f"postgresql+psycopg://bench@127.0.0.1:{port}/postgres"
    finally:
        _run([*as_user, str(binaries / "pg_ctl"), "-D", data, "-m", "immediate", "stop"], cwd=folder)
        shutil.rmtree(folder)


def _emptied(url: str) -> str:
    engine = create_engine(url)
    with engine.begin() as connection:
        connection.execute(text("DROP SCHEMA public CASCADE"))
        connection.execute(text("CREATE SCHEMA public"))
    engine.dispose()
    return url


def test_postgresql_keeps_the_records_as_well(tmp_path: Path, postgres: str) -> None:
    with stub_bench(tmp_path, database_url=postgres) as bench:
        config = alembic_config()
        with bench.database.engine.begin() as connection:
            config.attributes["connection"] = connection
            command.check(config)
        detailed = bench.kit.add(PartNew(number="HM-2", thickness="1mm", hole_rules={"H1": 1.5}, drill_sets=["number"]))
        assert bench.kit.get("HM-2") == detailed
        piece = bench.kit.add(PartNew(number="HM-1", thickness="1mm")).pieces[0].id
        first = measured(bench, "rework", piece, "A", number=1)
        assert file_photo(bench, "rework", number=1).id != first.id
        measured(bench, "good crash once", piece, "A", number=2)
        measured(bench, "good", piece, "B", number=3)
        assert bench.pieces.get(piece).state == "ready"
        assert bench.board.look().states["ready"] == 1
        with pytest.raises(IntegrityError, match="violates foreign key"), bench.database.write() as session:
            session.delete(session.get_one(Piece, piece))
    with stub_bench(tmp_path, database_url=postgres) as bench:
        assert bench.pieces.get(piece).state == "ready"
