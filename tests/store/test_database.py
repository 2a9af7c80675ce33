"""The database's own promises: what is committed is there, what is read holds still, nothing is half done."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from sqlalchemy import insert, select, text
from sqlalchemy.exc import IntegrityError

from oyez.errors import InputError, WorkFailed
from oyez.settings import Settings
from oyez.store import database as database_module
from oyez.store.database import Database, journal_mode, open_database
from oyez.store.tables import LogRow, SourceTrackRow, VenueRow
from tests.store.filled import fill, open_new


@pytest.fixture
def database(tmp_path: Path):
    opened = open_new(tmp_path / "data")
    yield opened
    opened.close()


def beside(database: Database) -> Database:
    """A second one on the same file, as another process would have it."""
    return Database(database_module.make_engine(database.path), database.path, database.backups)


def pragma(session, name: str):
    return session.execute(text(f"PRAGMA {name}")).scalar()


def test_every_connection_checks_references_waits_and_syncs(database: Database):
    for transaction in (database.begin, database.read):
        with transaction() as session:
            assert pragma(session, "foreign_keys") == 1
            assert pragma(session, "busy_timeout") == 5000
            # sqlite.org/pragma.html#pragma_synchronous: 2 is FULL, 3 is EXTRA (FULL and the folder of the journal)
            assert pragma(session, "synchronous") == (
                2 if journal_mode(sqlite3.sqlite_version_info) == "WAL" else 3
            )
            assert pragma(session, "journal_mode").upper() == journal_mode(sqlite3.sqlite_version_info)


def test_connections_of_other_threads_are_set_up_alike(database: Database):
    seen = []

    def look():
        with database.read() as session:
            seen.append((pragma(session, "foreign_keys"), pragma(session, "synchronous") >= 2))

    with database.read():
        threads = [threading.Thread(target=look) for _ in range(3)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert seen == [(1, True)] * 3


@pytest.mark.parametrize(
    ("version", "mode"),
    [
        ((3, 40, 1), "DELETE"),
        ((3, 51, 2), "DELETE"),
        ((3, 51, 3), "WAL"),
        ((3, 52, 0), "WAL"),
        ((4, 0, 0), "WAL"),
    ],
)
def test_the_write_ahead_log_is_used_only_where_it_is_sound(version, mode):
    # sqlite.org/wal.html, "The WAL-reset bug": fixed in 3.51.3
    assert journal_mode(version) == mode


def test_on_a_sound_sqlite_the_write_ahead_log_is_on(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(database_module, "WAL_SOUND_FROM", (3, 0, 0))
    opened = open_new(tmp_path)
    with opened.begin() as session:
        assert pragma(session, "journal_mode") == "wal"
        assert pragma(session, "synchronous") == 2
    fill(opened)
    opened.close()
    monkeypatch.undo()
    again = open_new(tmp_path)  # and back, when the same folder meets an older SQLite
    with again.read() as session:
        assert pragma(session, "journal_mode").upper() == journal_mode(sqlite3.sqlite_version_info)
        assert session.scalar(select(VenueRow.name)) == "Quillfin Aquarium"
    again.close()


def test_a_reference_to_nothing_is_refused(database: Database):
    venue_id = fill(database)
    row = {"venue_id": venue_id, "source": "house", "position": 9, "title": "x", "file": "x", "sha256": "d" * 64}
    with pytest.raises(IntegrityError, match="FOREIGN KEY"), database.begin() as session:
        session.execute(insert(SourceTrackRow), [row])


def test_what_is_referred_to_cannot_be_taken_away(database: Database):
    fill(database)
    with pytest.raises(IntegrityError, match="FOREIGN KEY"), database.begin() as session:
        session.execute(text("DELETE FROM audio"))


def test_two_reads_in_one_transaction_see_one_state(database: Database):
    venue_id = fill(database)
    written = threading.Event()
    name = select(VenueRow.name).where(VenueRow.id == venue_id)

    def rename():
        with database.begin() as session:
            session.execute(text("UPDATE venue SET name = 'Renamed'"))
        written.set()

    with database.read() as session:
        before = session.scalar(name)
        thread = threading.Thread(target=rename)
        thread.start()
        written.wait(0.3)  # under a write-ahead log it is through by now; else it waits for us
        assert session.execute(name).scalar() == before
    thread.join()
    with database.read() as session:
        assert session.scalar(name) == "Renamed"


def test_a_writer_waits_for_another_instead_of_failing(database: Database):
    venue_id = fill(database)
    other = beside(database)
    started = threading.Event()

    def slow():
        with other.begin() as session:
            session.execute(text("UPDATE venue SET revision = revision + 1"))
            started.set()
            time.sleep(0.3)

    thread = threading.Thread(target=slow)
    thread.start()
    started.wait(5)
    with (
        database.begin() as session
    ):  # reads first, then writes: the case that fails at once without BEGIN IMMEDIATE
        seen = session.scalar(select(VenueRow.revision).where(VenueRow.id == venue_id))
        session.execute(text("UPDATE venue SET revision = :to"), {"to": seen + 1})
    thread.join()
    other.close()
    with database.read() as session:
        assert session.scalar(select(VenueRow.revision)) == 3


def test_a_database_locked_for_long_is_told_in_one_line(database: Database, monkeypatch):
    monkeypatch.setattr(database_module, "BUSY_MS", 50)
    hasty = beside(database)
    wanted = r"oyez\.db: cannot be written: database is locked$"
    with database.begin(), pytest.raises(WorkFailed, match=wanted), hasty.begin():
        pass
    hasty.close()


def test_a_write_takes_its_place_at_once_and_not_with_its_first_statement(database: Database):
    with database.begin():
        raw = sqlite3.connect(database.path, timeout=0)
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            raw.execute("BEGIN IMMEDIATE")
        raw.close()


def test_a_second_write_inside_the_first_is_an_error_and_not_a_standstill(database: Database, monkeypatch):
    monkeypatch.setattr(database_module, "WAIT_FOR_WRITER_S", 0.1)
    with database.begin(), pytest.raises(WorkFailed, match="another change has held it"), database.begin():
        pass
    with database.begin() as session:  # and it is free again afterwards
        assert pragma(session, "foreign_keys") == 1


def test_an_error_undoes_the_whole_transaction(database: Database):
    fill(database)

    def fail() -> None:
        with database.begin() as session:
            session.execute(text("UPDATE venue SET name = 'Half done'"))
            session.execute(text("DELETE FROM rule"))
            raise KeyError

    with pytest.raises(KeyError):
        fail()
    with database.read() as session:
        assert session.scalar(select(VenueRow.name)) == "Quillfin Aquarium"
        assert session.execute(text("SELECT count(*) FROM rule")).scalar() == 4


def test_reading_changes_nothing(database: Database):
    fill(database)
    with database.read() as session:
        session.execute(text("UPDATE venue SET name = 'By mistake'"))
    with database.read() as session:
        assert session.scalar(select(VenueRow.name)) == "Quillfin Aquarium"


WRITER = """
import sys
from oyez.settings import Settings
from oyez.store.database import open_database
from oyez.store.tables import LogRow
from pathlib import Path
database = open_database(Settings(data_dir=Path(sys.argv[1])))
for number in range(1, 100_000):
    with database.begin() as session:
        session.add(LogRow(venue_id=1, number=number, kind="event", at_ms=number, nominal_ms=number,
                           body="x" * 3000, prev="", hash=""))
    print(number, flush=True)
"""


@pytest.mark.parametrize("after_s", [0.05, 0.13, 0.31])
def test_killed_in_the_middle_of_writing_nothing_acknowledged_is_lost(tmp_path: Path, after_s: float):
    opened = open_new(tmp_path)
    fill(opened)
    opened.close()
    writer = subprocess.Popen([sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True)
    assert writer.stdout is not None
    assert writer.stdout.readline() == "1\n"
    time.sleep(after_s)
    os.kill(writer.pid, signal.SIGKILL)
    said = [1, *(int(line) for line in writer.stdout.read().splitlines())]
    writer.stdout.close()
    writer.wait()
    again = open_new(tmp_path)
    again.check()
    with again.read() as session:
        there = list(session.scalars(select(LogRow.number).order_by(LogRow.number)))
    again.close()
    # All that was said is there; at most one more, committed before it could be said.
    assert there[: len(said)] == said
    assert len(there) <= len(said) + 1


def test_no_database_is_one_line_with_the_next_step(tmp_path: Path):
    with pytest.raises(InputError, match=r"there is no database yet; .*oyez load FILE"):
        open_database(Settings(data_dir=tmp_path), create=False)
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path: Path):
    path = tmp_path / "oyez.db"
    path.write_bytes(b"not a database at all" * 200)
    with pytest.raises(WorkFailed, match=r"oyez\.db: cannot be opened as a database"):
        open_new(tmp_path)
    assert path.read_bytes() == b"not a database at all" * 200


def test_somebody_elses_database_is_refused_and_left_alone(tmp_path: Path):
    path = tmp_path / "oyez.db"
    other = sqlite3.connect(path)
    other.execute("CREATE TABLE recipes (name TEXT)")
    other.commit()
    other.close()
    before = path.read_bytes()
    with pytest.raises(
        WorkFailed, match=r"oyez\.db: holds other tables \(recipes\), needed is a database made by"
    ):
        open_new(tmp_path)
    assert path.read_bytes() == before


def test_damage_is_found_and_the_newest_copy_named(tmp_path: Path):
    opened = open_new(tmp_path)
    fill(opened)
    (tmp_path / "backups").mkdir()
    (tmp_path / "backups" / "oyez-0001-x.db").touch()
    opened.close()
    path = tmp_path / "oyez.db"
    data = bytearray(path.read_bytes())
    for page in range(3, len(data) // 4096):
        data[page * 4096 : page * 4096 + 40] = b"\xff" * 40
    path.write_bytes(bytes(data))
    damaged = Database(database_module.make_engine(path), path, tmp_path / "backups")
    with pytest.raises(WorkFailed, match=r"oyez\.db: .*malformed.*the newest copy is .*oyez-0001-x\.db$"):
        damaged.check()
    damaged.close()


def test_damage_to_the_rows_alone_is_found_too(tmp_path: Path):
    opened = open_new(tmp_path)
    fill(opened)
    with opened.read() as session:
        page = session.execute(text("SELECT rootpage FROM sqlite_master WHERE name = 'ix_clip_sha256'")).scalar()
    opened.check()
    opened.close()
    path = tmp_path / "oyez.db"
    data = bytearray(path.read_bytes())
    data[(page - 1) * 4096 + 5 : (page - 1) * 4096 + 7] = (
        b"\x00\x01"  # where the page's entries begin: in its head
    )
    path.write_bytes(bytes(data))
    damaged = Database(database_module.make_engine(path), path, tmp_path / "backups")
    with pytest.raises(WorkFailed, match=r"oyez\.db: is damaged .*there is no copy in .*backups$"):
        damaged.check()
    damaged.close()
