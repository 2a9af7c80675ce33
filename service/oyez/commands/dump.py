"""Write the venue in the database as a venue file.

  oyez dump > quillfin.toml
  oyez dump --audio -o handover/quillfin.toml     with its clips and music beside it, ready to be loaded elsewhere

The file says all that was designed; loading it again changes nothing.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import secrets
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from oyez.errors import InputError, WorkFailed
from oyez.settings import Settings, default_data_dir
from oyez.venue.writer import venue_tree, write_toml

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from oyez.venue.models import VenueFile


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="data folder; default: $OYEZ_DATA or the user's own"
    )
    parser.add_argument("--venue", metavar="NAME", help="which venue, where the database holds several")
    parser.add_argument("--audio", action="store_true", help="write clips and music beside it, as WAV (needs -o)")
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="the file; default: standard output")
    parser.add_argument("--json", action="store_true", help="the same tree as JSON (also for a FILE.json)")


def run(args: argparse.Namespace) -> int:
    from oyez.store.database import open_database
    from oyez.store.venues import find_venue, read_venue

    if args.audio and args.output is None:
        raise InputError("--audio writes files beside the venue file: say where with -o FILE")
    settings = Settings(data_dir=args.data or default_data_dir())
    database = open_database(settings, create=False)
    try:
        with database.read() as session:
            ref = find_venue(session, args.venue)
            venue = read_venue(session, ref.id)
            audio: dict[str, str] = {}
            if args.audio:
                venue, audio = _with_audio(session, ref.id, venue)
    finally:
        database.close()
    as_json = args.json or (args.output is not None and args.output.suffix.lower() == ".json")
    text = json.dumps(venue_tree(venue), indent=2, ensure_ascii=False) + "\n" if as_json else write_toml(venue)
    if args.output is None:
        sys.stdout.write(text)
        return 0
    if args.output.is_dir():
        raise InputError(f"{args.output}: is a folder, a file is wanted")
    try:
        args.output.parent.mkdir(parents=True, exist_ok=True)
        with _all_or_none() as written:
            _write_audio(audio, settings, args.output.parent, written)
            _write_text(args.output, text)
    except OSError as error:
        raise WorkFailed(f"{args.output}: cannot be written: {error.strerror}") from error
    more = f", with {len(audio)} audio files beside it" if args.audio else ""
    print(f"{args.output}: written{more}", file=sys.stderr)
    return 0


def _with_audio(session: Session, venue_id: int, venue: VenueFile) -> tuple[VenueFile, dict[str, str]]:
    """The venue with the names its audio gets beside the file, and those names, each with its SHA-256.

    What is stored is WAV whatever it once was, so its name says .wav.
    """
    from oyez.store.venues import clip_audio, source_tracks

    named: dict[str, str] = {}
    held = clip_audio(session, venue_id)
    clips = []
    for clip in venue.clips:
        sha256 = held.get((clip.id, clip.file))
        file = clip.file if sha256 is None else _name(clip.file, sha256, named)
        clips.append(clip.model_copy(update={"file": file}))
    tracks = source_tracks(session, venue_id)
    for source in venue.sources:
        for track in tracks.get((source.id, source.folder), []):
            _name(f"{source.folder}/{track.file}", track.sha256, named)
    return venue.model_copy(update={"clips": tuple(clips)}), named


def _name(file: str, sha256: str, named: dict[str, str]) -> str:
    """The file's name with .wav, and a number where other audio has that name; noted in `named`."""
    path = PurePosixPath(file)
    number = 1
    name = str(path.with_suffix(".wav"))
    while named.get(name, sha256) != sha256:
        number += 1
        name = str(path.with_name(f"{path.stem}-{number}.wav"))
    named[name] = sha256
    return name


def _write_audio(audio: dict[str, str], settings: Settings, root: Path, written: list[Path]) -> None:
    """Copy stored audio beside the venue file. Raises InputError, with nothing written, if a name is taken."""
    from oyez.clips.store import AudioStore

    taken = [name for name in audio if (root / name).exists()]
    if taken:
        more = f" and {len(taken) - 1} more" if len(taken) > 1 else ""
        raise InputError(f"{root / taken[0]}{more}: there already, allowed is a folder without them")
    store = AudioStore(settings.audio)
    for name, sha256 in audio.items():
        target = root / name
        target.parent.mkdir(parents=True, exist_ok=True)
        with _whole(target) as part, store.open(sha256):  # all of it, or an error that names it
            shutil.copyfile(store.path_of(sha256), part)
        written.append(target)


@contextlib.contextmanager
def _all_or_none() -> Iterator[list[Path]]:
    """A list of files that are taken away again where not all of them could be written."""
    written: list[Path] = []
    try:
        yield written
    except BaseException:
        for path in written:
            path.unlink(missing_ok=True)
        raise


def _write_text(path: Path, text: str) -> None:
    if path.exists() and not path.is_file():  # a pipe or device is written to, never replaced
        path.write_text(text, encoding="utf-8")
        return
    with _whole(path) as part, part.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


@contextlib.contextmanager
def _whole(path: Path) -> Iterator[Path]:
    """A file to write in beside `path`, which gets that name in the end; after an error neither is there."""
    part = path.with_name(f".{path.name}.{secrets.token_hex(4)}")
    try:
        yield part
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)
