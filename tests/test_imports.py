"""Imports run downward only, the pure rooms stay pure, and each process carries only what it needs."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

import oyez
from tests.imports import impure, reached, read_imports, wrong_directions

PACKAGE = Path(oyez.__file__).parent
IMPORTS = read_imports(PACKAGE)
STANDARD = frozenset(sys.stdlib_module_names)

WEB = ("oyez.api.run", "oyez.api.app", "oyez.playout.director", "oyez.playout.link")
ENGINE = ("oyez.playout.engine",)
SUPERVISOR = ("oyez.playout.supervisor",)
NOT_IN_WEB = {"numba", "scipy", "sounddevice", "soundfile", "soxr", "pydub"}
NOT_IN_ENGINE = {"sqlalchemy", "alembic", "fastapi", "starlette", "uvicorn", "apscheduler"}


def test_imports_run_downward_only() -> None:
    assert wrong_directions(IMPORTS) == []


def test_pure_rooms_import_nothing_that_touches_the_world() -> None:
    assert impure(IMPORTS, STANDARD) == []


@pytest.mark.parametrize(
    ("start", "forbidden"), [(WEB, NOT_IN_WEB), (ENGINE, NOT_IN_ENGINE), (SUPERVISOR, NOT_IN_WEB | NOT_IN_ENGINE)]
)
def test_no_chain_of_imports_leads_a_process_to_what_it_must_not_carry(
    start: tuple[str, ...], forbidden: set[str]
) -> None:
    assert set(start) <= {i.module for i in IMPORTS}
    chains = reached(start, IMPORTS)
    assert {name: chains[name] for name in forbidden & chains.keys()} == {}


@pytest.mark.parametrize(
    ("module", "forbidden"),
    [
        ("oyez.api.run", NOT_IN_WEB),
        ("oyez.playout.engine", NOT_IN_ENGINE),
        ("oyez.playout.supervisor", NOT_IN_WEB),
    ],
)
def test_a_process_that_has_started_carries_none_of_it(module: str, forbidden: set[str], tmp_path: Path) -> None:
    code = f"import sys, {module}; print(*sorted({forbidden!r} & sys.modules.keys()))"
    command = [sys.executable, "-c", code]
    environment = {"PATH": "", "HOME": str(tmp_path), "NUMBA_CACHE_DIR": str(tmp_path)}
    done = subprocess.run(command, capture_output=True, text=True, env=environment, check=True)
    assert done.stdout.split() == []


def test_the_list_of_commands_is_shown_without_importing_one() -> None:
    code = (
        "import sys, oyez.cli; print(*[m for m in sys.modules if m.startswith('oyez.') or m in {'numpy', 'rich'}])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert set(done.stdout.split()) == {"oyez.cli", "oyez.errors"}


# ---- the checks themselves must be able to fail


@pytest.fixture
def house(tmp_path: Path) -> Path:
    root = tmp_path / "oyez"
    for room in ("venue", "planning", "playout", "api"):
        (root / room).mkdir(parents=True)
        (root / room / "__init__.py").touch()
    (root / "__init__.py").touch()
    (root / "playout" / "link.py").write_text("import json\n")
    return root


def test_an_upward_import_is_found(house: Path) -> None:
    (house / "planning" / "day.py").write_text("def f():\n    from oyez.playout import link\n")
    assert wrong_directions(read_imports(house)) == ["oyez.planning.day imports oyez.playout.link on line 2"]


def test_a_relative_upward_import_is_found(house: Path) -> None:
    (house / "planning" / "day.py").write_text("from ..playout.link import x\n")
    assert wrong_directions(read_imports(house)) == ["oyez.planning.day imports oyez.playout.link on line 1"]


@pytest.mark.parametrize("line", ["import sqlite3", "from pathlib import Path", "import dateutil", "import rich"])
def test_an_impure_import_is_found(house: Path, line: str) -> None:
    (house / "venue" / "models.py").write_text(line + "\n")
    assert len(impure(read_imports(house), STANDARD)) == 1


def test_a_heavy_import_behind_two_others_is_found(house: Path) -> None:
    (house / "api" / "app.py").write_text("from oyez.playout import link\n")
    (house / "playout" / "link.py").write_text("def f():\n    import oyez.venue.kernels\n")
    (house / "venue" / "kernels.py").write_text("import numba\n")
    chain = reached(["oyez.api.app"], read_imports(house))["numba"]
    assert chain == ("oyez.api.app", "oyez.playout.link", "oyez.venue.kernels", "numba")


def test_an_import_for_the_type_checker_alone_is_no_load(house: Path) -> None:
    (house / "api" / "app.py").write_text(
        "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    import numba\n"
    )
    assert "numba" not in reached(["oyez.api.app"], read_imports(house))
