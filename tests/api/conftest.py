"""The application on a fake director, asked as a tool on this machine would."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from fastapi import FastAPI

from oyez.api.app import create_app
from oyez.settings import Settings
from tests.api.asking import Asking
from tests.api.fake_director import FakeDirector


@pytest.fixture(scope="session")
def kernels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One folder of compiled kernels for all importing processes of these tests."""
    return tmp_path_factory.mktemp("kernels")


@pytest.fixture
def settings(tmp_path: Path, kernels: Path) -> Settings:
    made = Settings(data_dir=tmp_path)
    made.kernels.symlink_to(kernels)
    return made


@pytest.fixture
def director() -> FakeDirector:
    return FakeDirector()


@pytest.fixture
def app(settings: Settings, director: FakeDirector) -> FastAPI:
    return create_app(settings, director)


@pytest.fixture
def client(app: FastAPI) -> Iterator[Asking]:
    with Asking(app, base_url="http://localhost:8137", client="127.0.0.1") as made:
        yield made


Elsewhere = Callable[..., Asking]


@pytest.fixture
def elsewhere(app: FastAPI, client: Asking) -> Iterator[Elsewhere]:
    """Someone on another machine (192.0.2.0/24 is set aside for documentation, RFC 5737)."""
    with ExitStack() as undo:

        def make(host: str = "box.example:8137", address: str = "192.0.2.7") -> Asking:
            made = Asking(app, base_url=f"http://{host}", client=address)
            undo.callback(made.close)
            return made

        yield make
