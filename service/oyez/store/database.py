"""The database: opened, brought up to date, given out as transactions. SQL that only SQLite understands is here.

    with database.begin() as session: ...    writes; takes the write lock at once; all of it is committed, or none
    with database.read() as session: ...     reads one unchanging state, commits nothing

SQLite's Python driver begins no transaction before a SELECT and lets a reader turn writer half way (which fails at
once, whatever the timeout); so the driver's own handling is off and every transaction says how it begins.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import fcntl
import os
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event, inspect
from sqlalchemy.exc import (
    DatabaseError,
    DataError,
    DBAPIError,
    IntegrityError,
    NotSupportedError,
    OperationalError,
    ProgrammingError,
)
from sqlalchemy.orm import Session, sessionmaker

from oyez.errors import Conflict, InputError, WorkFailed
from oyez.settings import Settings, folder
from oyez.store.tables import HEAD

BUSY_MS = 5_000
WAIT_FOR_WRITER_S = 30
KEPT_BACKUPS = 10
WAL_SOUND_FROM = (3, 51, 3)
"""Before it, connections that write and checkpoint at once can lose committed rows (sqlite.org/wal.html)."""

_WRITES = "oyez_writes"


def journal_mode(sqlite_version: tuple[int, ...]) -> str:
    """WAL where SQLite is free of the WAL-reset bug, else the rollback journal."""
    return "WAL" if sqlite_version >= WAL_SOUND_FROM else "DELETE"


class Database:
    """One database file. Share one between threads; never take one across a fork."""

    def __init__(self, engine: Engine, path: Path, backups: Path) -> None:
        self.path = path
        self.backups = backups
        self.engine = engine
        self._one_writer = threading.Lock()
        self._write = sessionmaker(engine.execution_options(**{_WRITES: True}), expire_on_commit=False)
        self._read = sessionmaker(engine, expire_on_commit=False)

    @contextlib.contextmanager
    def begin(self) -> Iterator[Session]:
        """A write transaction. What is in it is on the disk when the block ends, or none of it is.

        One thread at a time; never open a second one inside it. Raises WorkFailed when the database cannot be
        written (locked for long, full, gone).
        """
        if not self._one_writer.acquire(timeout=WAIT_FOR_WRITER_S):
            raise WorkFailed(
                f"{self.path}: cannot be written: another change has held it for {WAIT_FOR_WRITER_S} s"
            )
        try:
            with self._told("written"), self._write.begin() as session:
                session.connection()  # begins now; by itself a session would wait for its first statement
                yield session
        finally:
            self._one_writer.release()

    @contextlib.contextmanager
    def read(self) -> Iterator[Session]:
        """A read transaction: every query in it sees the same state. Keep it short, a writer may wait for it."""
        with self._told("read"), self._read() as session:
            session.connection()
            try:
                yield session
            finally:
                session.rollback()

    def check(self) -> None:
        """Look through the file for damage. Raises WorkFailed, naming the newest copy."""
        with self._told("read"), self.engine.connect() as connection:
            found = [str(row[0]) for row in connection.exec_driver_sql("PRAGMA quick_check")]
        if found != ["ok"]:
            raise WorkFailed(
                f"{self.path}: is damaged ({' '.join(found[0].split())}); {_newest_copy(self.backups)}"
            )

    def close(self) -> None:
        self.engine.dispose()

    @contextlib.contextmanager
    def _told(self, done: str) -> Iterator[None]:
        """Trouble with the file itself in one line; a broken rule of the tables is a defect and stays as it is."""
        try:
            yield
        except (DataError, IntegrityError, NotSupportedError, ProgrammingError):
            raise
        except DatabaseError as error:
            more = "" if isinstance(error, OperationalError) else f"; {_newest_copy(self.backups)}"
            raise WorkFailed(f"{self.path}: cannot be {done}: {error.orig}{more}") from error


def open_database(settings: Settings, *, create: bool = True, within_service: bool = False) -> Database:
    """Open the data folder's database, made or brought up to date where needed (a copy is kept first).

    create          False: raise InputError when there is none yet
    within_service  asked by the service itself, which holds its own lock and may bring its database up to date
    Raises InputError when the data folder is a file, Conflict when a service that runs on it still needs the older
    tables, WorkFailed when it may not be read, or when the database is none of ours, is newer than this program,
    or is damaged.
    """
    path = settings.database
    if not _is_there(path):
        if not create:
            raise InputError(
                f"{path}: there is no database yet; make one with `oyez load FILE --data {path.parent}`"
            )
        _make_folder(path.parent)
    unclean = any(path.with_name(path.name + end).exists() for end in ("-journal", "-wal"))
    database = Database(make_engine(path), path, settings.backups)
    try:
        with _no_database(path):
            _bring_up_to_date(settings, within_service=within_service)
            if unclean:
                database.check()
    except BaseException:
        database.close()
        raise
    return database


def _is_there(path: Path) -> bool:
    try:
        if path.parent.exists() and not path.parent.is_dir():
            raise InputError(f"{path.parent}: is a file, allowed is a folder for data")
        return path.is_file()
    except OSError as error:
        raise WorkFailed(f"{path}: cannot be read: {error.strerror}") from error


def make_engine(path: Path, *, foreign_keys: bool = True) -> Engine:
    """An engine whose every connection is set up as this module's docstring says.

    foreign_keys  off only while tables are rebuilt by a migration, which then checks them all
    """
    engine = create_engine(f"sqlite:///{path}", connect_args={"timeout": BUSY_MS / 1000})
    mode = journal_mode(sqlite3.sqlite_version_info)

    @event.listens_for(engine, "connect")
    def set_up(connection: Any, _record: object) -> None:
        connection.isolation_level = None
        cursor = connection.cursor()
        cursor.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
        cursor.execute(f"PRAGMA foreign_keys = {'ON' if foreign_keys else 'OFF'}")
        (now,) = cursor.execute(f"PRAGMA journal_mode = {mode}").fetchone()
        # FULL syncs each commit. With a rollback journal, EXTRA is FULL and also syncs the folder after the
        # journal is gone, without which a power cut may bring the journal back and undo the last commit.
        cursor.execute(f"PRAGMA synchronous = {'FULL' if mode == 'WAL' else 'EXTRA'}")
        cursor.close()
        if now.upper() != mode:
            raise WorkFailed(f"{path}: the journal mode is {now}, needed is {mode}")

    @event.listens_for(engine, "begin")
    def begin(connection: Connection) -> None:
        writes = connection.get_execution_options().get(_WRITES, False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")

    return engine


def revision_of(connection: Connection) -> str | None:
    """The schema's revision; None for an empty database. Raises WorkFailed when the tables are not ours."""
    tables = inspect(connection).get_table_names()
    if "alembic_version" in tables:
        row = connection.exec_driver_sql("SELECT version_num FROM alembic_version").first()
        return None if row is None else str(row[0])
    if tables:
        raise WorkFailed(
            f"holds other tables ({', '.join(sorted(tables)[:3])}), needed is a database made by Oyez"
        )
    return None


def _bring_up_to_date(settings: Settings, *, within_service: bool) -> None:
    engine = make_engine(settings.database, foreign_keys=False)
    try:
        with engine.connect() as connection:
            before = revision_of(connection)
        if before == HEAD:
            return
        alone = contextlib.nullcontext() if within_service or before is None else _without_service(settings)
        with alone:
            migrate(engine, before, backups=settings.backups)
    finally:
        engine.dispose()


@contextlib.contextmanager
def _without_service(settings: Settings) -> Iterator[None]:
    """Keep services off the folder meanwhile. Raises Conflict when one runs on it: it knows the old tables."""
    try:
        handle = os.open(settings.serving, os.O_RDONLY | os.O_CLOEXEC)
    except FileNotFoundError:  # no service ever ran here
        yield
        return
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
        except OSError:
            raise Conflict(
                f"{settings.database}: was made by an earlier Oyez, whose service runs on it and needs its tables "
                "as they are; stop that service, then do this again"
            ) from None
        yield
    finally:
        os.close(handle)


def migrate(engine: Engine, before: str | None, *, to: str = "head", backups: Path) -> None:
    """Run the migrations from `before` on as one transaction; what was there is copied into `backups` first."""
    from alembic import command
    from alembic.config import Config
    from alembic.script import ScriptDirectory

    config = Config()
    config.set_main_option("script_location", str(folder("migrations")).replace("%", "%%"))
    known = [script.revision for script in ScriptDirectory.from_config(config).walk_revisions()]
    if before is not None and before not in known:
        raise WorkFailed(
            f"was made by a newer Oyez (its tables are at {before}, this one knows up to {known[0]}); "
            f"use that one, or {_newest_copy(backups)}"
        )
    if before is not None:
        _make_folder(backups)
        stamp = dt.datetime.now(dt.UTC).strftime("%Y%m%dT%H%M%S.%fZ")
        with engine.connect() as connection:
            _vacuum_into(connection, backups / f"oyez-{before}-{stamp}.db")
        _thin_out(backups)
    with engine.execution_options(**{_WRITES: True}).begin() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, to)
        broken = connection.exec_driver_sql("PRAGMA foreign_key_check").first()
        if broken is not None:
            raise WorkFailed(f"migrating broke a reference from the table '{broken[0]}'; nothing was changed")


def _vacuum_into(connection: Connection, path: Path) -> None:
    """Copy to a temporary name, sync, rename: the copy is whole or not there."""
    part = path.with_name(path.name + ".part")
    part.unlink(missing_ok=True)
    raw = connection.connection.driver_connection
    assert isinstance(raw, sqlite3.Connection)
    raw.execute("VACUUM INTO ?", (str(part),))
    with part.open("rb") as file:
        os.fsync(file.fileno())
    if path.exists():
        part.unlink()
        raise WorkFailed(f"{path}: is there already, a copy needs a new name")
    part.rename(path)
    _sync_folder(path.parent)


def _thin_out(backups: Path) -> None:
    for old in sorted(backups.glob("oyez-*.db"), key=_modified)[:-KEPT_BACKUPS]:
        old.unlink(missing_ok=True)


def _modified(path: Path) -> float:
    return path.stat().st_mtime


def _newest_copy(backups: Path) -> str:
    copies = sorted(backups.glob("oyez-*.db"), key=_modified)
    return f"the newest copy is {copies[-1]}" if copies else f"there is no copy in {backups}"


def _make_folder(path: Path) -> None:
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WorkFailed(f"{path}: cannot be made: {error.strerror}") from error


def _sync_folder(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def _no_database(path: Path) -> Iterator[None]:
    """What goes wrong while opening, in one line with the file's name."""
    try:
        yield
    except DBAPIError as error:
        raise WorkFailed(f"{path}: cannot be opened as a database: {error.orig}") from error
    except sqlite3.Error as error:
        raise WorkFailed(f"{path}: cannot be opened as a database: {error}") from error
    except WorkFailed as error:
        if str(path) in str(error):
            raise
        raise WorkFailed(f"{path}: {error}") from error
