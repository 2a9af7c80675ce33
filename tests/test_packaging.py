"""The wheel, built directly and through the sdist, works in another folder with nothing of the checkout."""

from __future__ import annotations

import importlib.metadata
import json
import os
import re
import subprocess
import sys
import sysconfig
import tomllib
import venv
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pytest

import oyez
from tests.imports import read_imports

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
NEVER_IMPORTED = {  # needed all the same, and why
    "audioop-lts": "pydub imports audioop, which Python 3.13 no longer has",
    "jinja2": "FastAPI's templates",
    "python-multipart": "FastAPI's uploads",
    "tzdata": "read by zoneinfo as the one source of time zone rules",
    "websockets": "uvicorn's WebSockets",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Built:
    direct: Path
    through_sdist: Path


def run(command: list[str], cwd: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    env = {k: v for k, v in os.environ.items() if k != "PYTHONPATH"} | environment
    return subprocess.run(command, cwd=cwd, env=env, capture_output=True, text=True, check=False, timeout=200)


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Built:
    """Both wheels. Built with the tools of this environment: nothing is fetched."""
    wheels = []
    for kind in (["--wheel"], []):  # with neither --wheel nor --sdist the wheel is built from the sdist
        out = tmp_path_factory.mktemp("dist")
        done = run([sys.executable, "-m", "build", "--no-isolation", *kind, "--outdir", str(out), str(ROOT)], out)
        assert done.returncode == 0, done.stdout + done.stderr
        wheels += out.glob("*.whl")
    direct, through_sdist = wheels
    return Built(direct=direct, through_sdist=through_sdist)


@pytest.fixture(scope="module", params=["direct", "through_sdist"])
def installed(request: pytest.FixtureRequest, built: Built, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A new environment's bin folder, with the wheel in it.

    The dependencies are those of the running environment, put on its path; editable installs are not
    followed from there, so that `oyez` can only be the wheel's.
    """
    home = tmp_path_factory.mktemp("venv")
    venv.create(home, with_pip=False, symlinks=True)
    wheel: Path = getattr(built, request.param)
    python = home / "bin" / "python"
    pip = [sys.executable, "-m", "pip", "--python", str(python), "install", "-q", "--no-deps", "--no-index"]
    done = run([*pip, str(wheel)], home)
    assert done.returncode == 0, done.stderr
    site = next((home / "lib").glob("python*")) / "site-packages"
    (site / "dependencies.pth").write_text(sysconfig.get_paths()["purelib"] + "\n")
    return home / "bin"


def contents(wheel: Path) -> set[str]:
    return {n for n in zipfile.ZipFile(wheel).namelist() if not n.endswith("/")}


def test_both_ways_to_build_give_the_same_files(built: Built) -> None:
    assert contents(built.direct) == contents(built.through_sdist)


def test_the_wheel_holds_pages_migrations_and_the_demo_venue(built: Built) -> None:
    names = contents(built.direct)
    wanted = {
        f"oyez/{path.relative_to(ROOT).as_posix()}"
        for folder in ("web", "migrations", "demo_clips")
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts and path.name != ".keep"
    }
    assert len(wanted) > 30
    assert wanted <= names
    assert not any("__pycache__" in n or n.endswith(".pyc") for n in names)


def test_the_wheel_is_found_and_not_the_checkout(installed: Path, tmp_path: Path) -> None:
    code = "import oyez, oyez.settings as s; print(oyez.__file__, s.folder('web'), s.folder('migrations'))"
    done = run([str(installed / "python"), "-c", code], tmp_path)
    assert done.returncode == 0, done.stderr
    for path in done.stdout.split():
        assert Path(path).is_relative_to(installed.parent)
        assert Path(path).exists()


def test_help_and_version_are_shown_from_another_folder(installed: Path, tmp_path: Path) -> None:
    shown = run([str(installed / "oyez"), "--help"], tmp_path)
    assert shown.returncode == 0
    assert "rehearse" in shown.stdout
    version = run([str(installed / "oyez"), "--version"], tmp_path)
    assert version.stdout.strip() == f"oyez {PROJECT['version']}"


def test_the_installed_demo_venue_has_no_fault(installed: Path, tmp_path: Path) -> None:
    code = "import oyez.settings as s; print(s.folder('demo_clips') / 'quillfin.toml')"
    venue_file = run([str(installed / "python"), "-c", code], tmp_path).stdout.strip()
    done = run([str(installed / "oyez"), "check", venue_file, "--json"], tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    json.loads(done.stdout)


def test_the_installed_service_makes_its_database_and_takes_a_venue(installed: Path, tmp_path: Path) -> None:
    code = "import oyez.settings as s; print(s.folder('demo_clips') / 'quillfin.toml')"
    venue_file = run([str(installed / "python"), "-c", code], tmp_path).stdout.strip()
    loaded = run([str(installed / "oyez"), "load", venue_file], tmp_path, OYEZ_DATA=str(tmp_path / "data"))
    assert loaded.returncode == 0, loaded.stdout + loaded.stderr
    dumped = run([str(installed / "oyez"), "dump"], tmp_path, OYEZ_DATA=str(tmp_path / "data"))
    assert dumped.returncode == 0, dumped.stderr
    assert tomllib.loads(dumped.stdout)["venue"]["name"] == "Quillfin Aquarium"


# ---- what is declared is what is used


def plain(requirement: str) -> str:
    return re.split(r"[<>=!~;\[ ]", requirement, maxsplit=1)[0].lower().replace("_", "-")


def distributions() -> Mapping[str, list[str]]:
    return importlib.metadata.packages_distributions()


def test_every_package_that_is_imported_is_a_declared_dependency() -> None:
    ours = distributions()
    imported = {i.target.split(".")[0] for i in read_imports(Path(oyez.__file__).parent)}
    outside = imported - sys.stdlib_module_names - {"oyez"}
    declared = {plain(r) for r in PROJECT["dependencies"]}
    # Starlette and pydantic-core are the public floors of FastAPI and pydantic and come with them.
    floors = {"starlette": "fastapi", "pydantic_core": "pydantic"}
    missing = {
        name for name in outside if not {plain(d) for d in ours.get(floors.get(name, name), [name])} & declared
    }
    assert missing == set()


def test_every_declared_dependency_is_used() -> None:
    ours = distributions()
    imported = {i.target.split(".")[0] for i in read_imports(Path(oyez.__file__).parent)}
    used = {plain(d) for name in imported for d in ours.get(name, [])}
    migrations = (ROOT / "migrations" / "env.py").read_text(encoding="utf-8")
    declared = {plain(r) for r in PROJECT["dependencies"]} - NEVER_IMPORTED.keys()
    assert {d for d in declared - used if d not in migrations} == set()


def test_the_lock_names_every_direct_dependency_within_its_bounds() -> None:
    lock = {
        plain(line): line.split(";")[0].strip().split("==")[1]
        for line in (ROOT / "requirements.txt").read_text(encoding="utf-8").splitlines()
        if "==" in line and not line.startswith("#")
    }
    wanted = [*PROJECT["dependencies"], *PROJECT["optional-dependencies"]["dev"]]
    for requirement in wanted:
        name = plain(requirement)
        assert name in lock
        floor = re.search(r">=([\d.]+)", requirement)
        if floor:
            numbers = [int(n) for n in re.findall(r"\d+", lock[name])]
            assert numbers >= [int(n) for n in floor[1].split(".")], requirement
