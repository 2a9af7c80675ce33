"""Every earlier schema is brought up to the present one, with what was in it, and a copy is kept first."""

from __future__ import annotations

import contextlib
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory

from oyez.errors import Conflict, WorkFailed
from oyez.settings import Settings, folder
from oyez.store.database import make_engine, migrate, open_database
from oyez.store.tables import HEAD, Base


def scripts() -> ScriptDirectory:
    config = Config()
    config.set_main_option("script_location", str(folder("migrations")))
    return ScriptDirectory.from_config(config)


REVISIONS = [script.revision for script in reversed(list(scripts().walk_revisions()))]

# What each revision could hold, as SQL of its own time: never changed when later revisions come.
_AUDIO = "a" * 64
SEEDS: dict[str, str] = {
    "0001": f"""
        INSERT INTO audio VALUES
            ('{_AUDIO}', 355200, 1, '{{}}', 10, 20, 'closing.flac', 'flac', 1790000000000);
        INSERT INTO venue (id, slug, revision, name, timezone, day_starts, target_lufs, ceiling_dbtp, max_gain_db,
            gap_s, cap_below, duck_margin_lu, duck_fall_s, duck_hold_s, duck_rise_s, duck_bridge_s, hours)
            VALUES (1, 'quillfin', 7, 'Quillfin Aquarium', 'Europe/London', '05:00', -18, -1.5, 15,
            3, 101, 14, 0.6, 0.3, 1.5, 2, '{{"mo": ["10:00-18:00"]}}');
        INSERT INTO zone (venue_id, position, id, name, channels, hours, "on", in_service, music_level_db,
            announce_level_db, level_db) VALUES (1, 0, 'foyer', 'Foyer', 2, 'venue', 1, 1, 0, 0, -3.5);
        INSERT INTO clip (venue_id, position, id, file, title, kind, sha256)
            VALUES (1, 0, 'closing', 'closing.flac', 'Closing', 'speech', '{_AUDIO}');
        INSERT INTO log (venue_id, number, kind, at_ms, occurrence, nominal_ms, claim_of, body, prev, hash)
            VALUES (1, 1, 'claim', 1790000000000, 'closing@1', 1790000000000, 'closing@1', '{{}}', '', 'h');
    """,
    "0002": f"""
        INSERT INTO audio VALUES
            ('{_AUDIO}', 355200, 1, '{{}}', 10, 20, 'closing.flac', 'flac', 1790000000000);
        INSERT INTO venue (id, slug, revision, name, timezone, day_starts, target_lufs, ceiling_dbtp, max_gain_db,
            gap_s, cap_below, promo_min_per_hour, duck_margin_lu, duck_fall_s, duck_hold_s, duck_rise_s,
            duck_bridge_s, hours, holidays) VALUES (1, 'quillfin', 7, 'Quillfin Aquarium', 'Europe/London',
            '05:00', -18, -1.5, 15, 3, 101, 4.5, 14, 0.6, 0.3, 1.5, 2, '{{"mo": ["10:00-18:00"], "ho": []}}',
            '{{"country": "GB", "subdiv": "ENG", "dates": [], "except_dates": []}}');
        INSERT INTO quiet (venue_id, position, zones, from_time, until_time, except_dates, on_holidays, hours,
            min_priority, music) VALUES (1, 0, '["foyer"]', '13:00', '14:00', '[]', 0, 'venue', 80, 'keep');
        INSERT INTO zone (venue_id, position, id, name, channels, hours, "on", in_service, music_level_db,
            announce_level_db, level_db) VALUES (1, 0, 'foyer', 'Foyer', 2, 'venue', 1, 1, 0, 0, -3.5);
        INSERT INTO clip (venue_id, position, id, file, title, kind, sha256, from_date, until_date)
            VALUES (1, 0, 'closing', 'closing.flac', 'Closing', 'speech', '{_AUDIO}', '2026-12-01', '2026-12-24');
        INSERT INTO log (venue_id, number, kind, at_ms, occurrence, nominal_ms, claim_of, body, prev, hash)
            VALUES (1, 1, 'claim', 1790000000000, 'closing@1', 1790000000000, 'closing@1', '{{}}', '', 'h');
    """,
}


def test_every_revision_has_its_seed():
    assert list(SEEDS) == REVISIONS


def at_revision(path: Path, revision: str) -> None:
    """A database as it was at that revision, with its seed in it."""
    engine = make_engine(path, foreign_keys=False)
    migrate(engine, None, to=revision, backups=path.parent / "backups")
    engine.dispose()
    raw = sqlite3.connect(path)
    raw.execute("PRAGMA foreign_keys = ON")
    raw.executescript(SEEDS[revision])
    raw.commit()
    raw.close()


def rows(path: Path, query: str) -> list[tuple[object, ...]]:
    raw = sqlite3.connect(path)
    found = raw.execute(query).fetchall()
    raw.close()
    return found


@pytest.mark.parametrize("revision", REVISIONS)
def test_a_database_of_any_revision_opens_with_everything_in_it(tmp_path: Path, revision: str):
    path = tmp_path / "oyez.db"
    at_revision(path, revision)
    opened = open_database(Settings(data_dir=tmp_path))
    with opened.engine.connect() as connection:
        differences = compare_metadata(MigrationContext.configure(connection), Base.metadata)
    opened.check()
    opened.close()
    assert differences == []
    assert rows(path, "SELECT slug, revision, name FROM venue") == [("quillfin", 7, "Quillfin Aquarium")]
    assert rows(path, "SELECT id, level_db FROM zone") == [("foyer", -3.5)]
    assert rows(path, "SELECT id, sha256 FROM clip") == [("closing", "a" * 64)]
    promo = 6.0 if revision == "0001" else 4.5  # the default where it could not be said
    assert rows(path, "SELECT promo_min_per_hour FROM venue") == [(promo,)]
    assert rows(path, "SELECT number, occurrence, body FROM log") == [(1, "closing@1", "{}")]
    assert rows(path, "PRAGMA foreign_key_check") == []


def test_a_new_database_has_exactly_the_tables_of_the_code(tmp_path: Path):
    opened = open_database(Settings(data_dir=tmp_path))
    with opened.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) == []
    opened.close()
    assert not (tmp_path / "backups").exists()


def test_the_comparison_sees_a_difference(tmp_path: Path):
    opened = open_database(Settings(data_dir=tmp_path))
    with opened.begin() as session:
        session.connection().exec_driver_sql("ALTER TABLE zone ADD COLUMN colour TEXT")
    with opened.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), Base.metadata) != []
    opened.close()


def test_the_code_names_the_newest_revision():
    assert scripts().get_current_head() == HEAD


def an_older_one(monkeypatch, tmp_path: Path) -> Path:
    """A database one revision behind: a revision that adds a table is put into a copy of the migrations."""
    import shutil

    shutil.copytree(folder("migrations"), tmp_path / "migrations", ignore=shutil.ignore_patterns("__pycache__"))
    (tmp_path / "migrations" / "versions" / "9999_next.py").write_text(
        "import sqlalchemy as sa\nfrom alembic import op\n"
        f"revision = '9999'\ndown_revision = '{HEAD}'\nbranch_labels = None\ndepends_on = None\n"
        "def upgrade():\n    op.create_table('extra', sa.Column('id', sa.Integer(), primary_key=True))\n"
        "    op.execute(\"UPDATE venue SET name = 'Renamed by the migration'\")\n"
    )
    path = tmp_path / "data" / "oyez.db"
    path.parent.mkdir()
    at_revision(path, HEAD)
    monkeypatch.setattr("oyez.store.database.folder", lambda name: tmp_path / name)
    monkeypatch.setattr("oyez.store.database.HEAD", "9999")
    return path


def test_a_copy_is_kept_before_a_migration(tmp_path: Path, monkeypatch):
    path = an_older_one(monkeypatch, tmp_path)
    open_database(Settings(data_dir=path.parent)).close()
    assert rows(path, "SELECT name FROM venue") == [("Renamed by the migration",)]
    assert rows(path, "SELECT version_num FROM alembic_version") == [("9999",)]
    (copy,) = (path.parent / "backups").iterdir()
    assert copy.name.startswith(f"oyez-{HEAD}-")
    assert rows(copy, "SELECT name FROM venue") == [("Quillfin Aquarium",)]
    assert rows(copy, "SELECT version_num FROM alembic_version") == [(HEAD,)]
    open_database(Settings(data_dir=path.parent)).close()
    assert len(list((path.parent / "backups").iterdir())) == 1


HOLDER = """
import fcntl, os, sys
handle = os.open(sys.argv[1], os.O_RDWR | os.O_CREAT)
fcntl.flock(handle, fcntl.LOCK_EX)
print("held", flush=True)
sys.stdin.read()
"""


@contextlib.contextmanager
def a_running_service(settings: Settings):
    """Another process that holds what `oyez serve` holds."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(settings.serving)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"held\n"
        yield
        holder.kill()


def test_the_tables_stay_as_a_running_service_knows_them(tmp_path: Path, monkeypatch):
    path = an_older_one(monkeypatch, tmp_path)
    settings = Settings(data_dir=path.parent)
    with a_running_service(settings):
        with pytest.raises(Conflict, match=r"oyez\.db: was made by an earlier Oyez.*stop that service") as refused:
            open_database(settings)
        assert refused.value.exit_status == 1
        assert rows(path, "SELECT version_num FROM alembic_version") == [(HEAD,)]
        assert not settings.backups.exists()
    open_database(settings).close()  # the lock's file stays behind, the lock does not
    assert rows(path, "SELECT version_num FROM alembic_version") == [("9999",)]


def test_the_service_itself_brings_its_database_up_to_date(tmp_path: Path, monkeypatch):
    path = an_older_one(monkeypatch, tmp_path)
    settings = Settings(data_dir=path.parent)
    with a_running_service(settings):
        open_database(settings, within_service=True).close()
        assert rows(path, "SELECT version_num FROM alembic_version") == [("9999",)]


def test_a_database_that_is_up_to_date_is_opened_beside_a_running_service(tmp_path: Path):
    settings = Settings(data_dir=tmp_path)
    with a_running_service(settings):
        open_database(settings).close()  # the first one made, while the service waits for a venue
        open_database(settings).close()


def test_a_migration_that_fails_changes_nothing(tmp_path: Path, monkeypatch):
    path = an_older_one(monkeypatch, tmp_path)
    script = tmp_path / "migrations" / "versions" / "9999_next.py"
    script.write_text(script.read_text() + "    op.execute('INSERT INTO nowhere VALUES (1)')\n")
    with pytest.raises(WorkFailed, match=r"oyez\.db: cannot be opened as a database: no such table: nowhere"):
        open_database(Settings(data_dir=path.parent))
    assert rows(path, "SELECT name FROM venue") == [("Quillfin Aquarium",)]
    assert rows(path, "SELECT version_num FROM alembic_version") == [(HEAD,)]
    assert rows(path, "SELECT name FROM sqlite_master WHERE name = 'extra'") == []


def test_a_migration_that_breaks_a_reference_changes_nothing(tmp_path: Path, monkeypatch):
    path = an_older_one(monkeypatch, tmp_path)
    script = tmp_path / "migrations" / "versions" / "9999_next.py"
    script.write_text(script.read_text() + "    op.execute('DELETE FROM audio')\n")
    with pytest.raises(WorkFailed, match=r"oyez\.db: migrating broke a reference from the table 'clip'"):
        open_database(Settings(data_dir=path.parent))
    assert rows(path, "SELECT count(*) FROM audio") == [(1,)]


def test_a_database_of_a_newer_program_is_refused_in_one_line(tmp_path: Path):
    path = tmp_path / "oyez.db"
    at_revision(path, HEAD)
    raw = sqlite3.connect(path)
    raw.execute("UPDATE alembic_version SET version_num = '9999'")
    raw.commit()
    raw.close()
    before = path.read_bytes()
    wanted = rf"oyez\.db: was made by a newer Oyez \(its tables are at 9999, this one knows up to {HEAD}\)"
    with pytest.raises(WorkFailed, match=wanted):
        open_database(Settings(data_dir=tmp_path))
    assert path.read_bytes() == before


def test_two_that_open_a_new_folder_at_once_both_succeed(tmp_path: Path):
    import threading

    failed: list[BaseException] = []

    def opening() -> None:
        try:
            open_database(Settings(data_dir=tmp_path)).close()
        except BaseException as error:  # noqa: BLE001 (a thread's failure is the test's)
            failed.append(error)

    threads = [threading.Thread(target=opening) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert rows(tmp_path / "oyez.db", "SELECT version_num FROM alembic_version") == [(HEAD,)]
