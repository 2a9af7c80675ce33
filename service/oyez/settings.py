"""Where the service keeps things and how it is reached. The environment is read once, here."""

from __future__ import annotations

import os
import zoneinfo
from dataclasses import dataclass
from pathlib import Path

PACKAGE = Path(__file__).resolve().parent


def folder(name: str) -> Path:
    """A folder shipped with the package (web, migrations, demo_clips): inside it, or editable, two levels up."""
    inside = PACKAGE / name
    return inside if inside.is_dir() else PACKAGE.parent.parent / name


def use_packaged_zone_rules() -> None:
    """Make the `tzdata` package the one source of time zone rules. Call once, first thing in a process."""
    zoneinfo.reset_tzpath(to=[])
    zoneinfo.ZoneInfo.clear_cache()


def default_data_dir() -> Path:
    """$OYEZ_DATA, else $XDG_DATA_HOME/oyez, else ~/.local/share/oyez."""
    named = os.environ.get("OYEZ_DATA")
    if named:
        return Path(named)
    base = os.environ.get("XDG_DATA_HOME")
    return (Path(base) if base else Path.home() / ".local" / "share") / "oyez"


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """data_dir holds everything that must survive: database, audio, the engine's journal, backups."""

    data_dir: Path
    host: str = "127.0.0.1"
    port: int = 8137

    @property
    def database(self) -> Path:
        return self.data_dir / "oyez.db"

    @property
    def audio(self) -> Path:
        """Content-addressed audio: audio/ab/abcdef....wav, 48 kHz float32 WAV named by SHA-256."""
        return self.data_dir / "audio"

    @property
    def engine(self) -> Path:
        """The engine's own folder: lock, engine.sock, journal.jsonl, programme.json, engine.log."""
        return self.data_dir / "engine"

    @property
    def serving(self) -> Path:
        """Locked (flock) by the `oyez serve` that runs on this folder, for as long as it runs."""
        return self.data_dir / "serve.lock"

    @property
    def backups(self) -> Path:
        return self.data_dir / "backups"

    @property
    def recordings(self) -> Path:
        return self.data_dir / "recordings"

    @property
    def feed(self) -> Path:
        """The secret in the calendar's private address; not there while there is none."""
        return self.data_dir / "feed"

    @property
    def kernels(self) -> Path:
        """Compiled kernels (numba's cache)."""
        return self.data_dir / "kernels"
