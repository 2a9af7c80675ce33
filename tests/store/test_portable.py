"""The tables and queries are meant for PostgreSQL too: what only SQLite understands is in one module."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from sqlalchemy.dialects import postgresql
from sqlalchemy.schema import CreateIndex, CreateTable

import oyez
from oyez.store.tables import Base

PACKAGE = Path(oyez.__file__).parent
ONLY_SQLITE = re.compile(r"\b(PRAGMA|VACUUM|BEGIN|sqlite_master|rowid|INSERT OR|AUTOINCREMENT)\b", re.IGNORECASE)
RUNS_TEXT = {"exec_driver_sql", "text", "executescript"}


@pytest.mark.parametrize("table", Base.metadata.sorted_tables, ids=lambda t: t.name)
def test_every_table_can_be_made_by_postgresql(table):
    made = str(CreateTable(table).compile(dialect=postgresql.dialect()))
    assert made.strip().startswith(f"CREATE TABLE {table.name}")
    for index in table.indexes:
        assert str(CreateIndex(index).compile(dialect=postgresql.dialect())).startswith("CREATE INDEX")


def sql_in(source: str) -> list[str]:
    """Texts that are given to the database as they stand."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            if name in RUNS_TEXT or name == "execute":
                found += [
                    inner.value
                    for argument in node.args
                    for inner in ast.walk(argument)
                    if isinstance(inner, ast.Constant) and isinstance(inner.value, str)
                ]
    return found


def test_no_other_module_speaks_to_sqlite_alone():
    speaks = {
        str(path.relative_to(PACKAGE))
        for path in PACKAGE.rglob("*.py")
        if any(ONLY_SQLITE.search(text) for text in sql_in(path.read_text(encoding="utf-8")))
    }
    assert speaks == {"store/database.py"}


def test_the_reader_of_sql_sees_what_it_looks_for():
    assert sql_in("session.execute(text('PRAGMA x'))")
    assert ONLY_SQLITE.search("pragma foreign_keys")
    assert not ONLY_SQLITE.search("SELECT id FROM venue")
