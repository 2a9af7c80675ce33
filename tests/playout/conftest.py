"""One data folder a test, one folder of compiled kernels a run."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from oyez.settings import Settings
from tests.playout.made import Material, stock
from tests.playout.running import RunningEngine, engine_on


@pytest.fixture(scope="session")
def kernels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("kernels")


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(data_dir=tmp_path / "data")


@pytest.fixture
def material(settings: Settings) -> Material:
    return stock(settings.audio)


class Engines:
    """Starts engines on the test's folder; ends what is left at the end."""

    def __init__(self, settings: Settings, kernels: Path, stack: ExitStack) -> None:
        self._settings, self._kernels, self._stack = settings, kernels, stack

    def start(self) -> RunningEngine:
        made = engine_on(self._settings, NUMBA_CACHE_DIR=str(self._kernels))
        return self._stack.enter_context(made)


@pytest.fixture
def engines(settings: Settings, kernels: Path) -> Iterator[Engines]:
    with ExitStack() as stack:
        yield Engines(settings, kernels, stack)
