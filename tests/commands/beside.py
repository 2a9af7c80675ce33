"""A venue file with its clips and music beside it, and the commands run as a person runs them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile

from oyez.cli import main
from tests.venue.venues import GOOD

RATE = 48_000


@dataclass(frozen=True)
class Answer:
    status: int
    out: str
    err: str


def oyez(capsys: pytest.CaptureFixture[str], *words: object) -> Answer:
    status = main([str(word) for word in words])
    said = capsys.readouterr()
    return Answer(status=status, out=said.out, err=said.err)


def tone(path: Path, hz: float, seconds: float = 0.6, peak: float = 0.25) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    times = np.arange(int(seconds * RATE)) / RATE
    soundfile.write(path, peak * np.sin(2 * np.pi * hz * times), RATE, subtype="PCM_24")


def make_folder(folder: Path, text: str = GOOD) -> Path:
    """The venue file at folder/quillfin.toml, with two clips and one track of music."""
    tone(folder / "closing-15.flac", 440.0)
    tone(folder / "two-tone.flac", 660.0)
    tone(folder / "music" / "tide.flac", 220.0, seconds=1.0)
    path = folder / "quillfin.toml"
    path.write_text(text, encoding="utf-8")
    return path


def everything_in(folder: Path) -> dict[str, bytes]:
    """Every file of a folder with what is in it."""
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
