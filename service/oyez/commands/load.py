"""Put a venue file, with the clips and music beside it, into the service's database.

  oyez load quillfin.toml --dry-run      say what it would change, change nothing
  oyez load quillfin.toml

A file with any fault is refused as a whole. Everything is one transaction, and noted in the settings journal. A
clip whose file is not there is accepted if the database holds its audio already, under the same id and file name.
The venue replaces the one the database holds; where there are several, --venue says which.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import getpass
import json
import shutil
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from oyez.clips.folder import Held, VenueFolder, inspect
from oyez.commands.check import counted, finding_tree, line, useless
from oyez.errors import Fault, InputError, VenueFaults, WorkFailed
from oyez.settings import Settings, default_data_dir, use_packaged_zone_rules

if TYPE_CHECKING:
    from sqlalchemy.orm import Session

    from oyez.clips.intake import Intake
    from oyez.clips.store import AudioStore
    from oyez.store.database import Database
    from oyez.store.loading import Loading
    from oyez.venue.changes import Change


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE", help="the venue file, .toml or .json")
    parser.add_argument(
        "--data", type=Path, metavar="DIR", help="data folder; default: $OYEZ_DATA or the user's own"
    )
    parser.add_argument("--venue", metavar="NAME", help="which venue of the database to replace, or to make")
    parser.add_argument("--dry-run", action="store_true", help="say what would change, change nothing")
    parser.add_argument("--json", action="store_true", help="as JSON")


def run(args: argparse.Namespace) -> int:
    use_packaged_zone_rules()
    settings = Settings(data_dir=args.data or default_data_dir())
    _check_slug(args.venue)
    with _progress(quiet=args.json) as done:
        loaded = load_file(args.file, settings, slug=args.venue, dry_run=args.dry_run, who=user(), done=done)
    if args.json:
        tree = {
            "file": str(args.file),
            "dry_run": args.dry_run,
            "venue": loaded.slug,
            "revision": loaded.revision,
            "changes": [{"kind": c.kind, "entry": c.entry, "text": c.text} for c in loaded.changes],
            "warnings": [finding_tree(w) for w in loaded.warnings],
        }
        print(json.dumps(tree, indent=2, ensure_ascii=False))
        return 0
    for warning in loaded.warnings:
        print(line(warning), file=sys.stderr)
    for change in loaded.changes:
        print(change)
    said = counted(len(loaded.changes), "change")
    if args.dry_run:
        print(f"{args.file}: {said}, nothing was changed (dry run)")
    else:
        print(f"{args.file}: {said}, loaded as '{loaded.slug}', revision {loaded.revision}")
    return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Loaded:
    """What loading changed, or would change. `slug` and `revision` as they are now; None for a venue not there."""

    slug: str | None
    revision: int | None
    changes: tuple[Change, ...]
    warnings: tuple[Fault, ...]


def load_file(
    path: Path,
    settings: Settings,
    *,
    slug: str | None = None,
    dry_run: bool = False,
    who: str,
    origin: str = "command line",
    done: Callable[[str, int], None] | None = None,
) -> Loaded:
    """Load a venue file with its audio.

    slug  which venue it replaces or makes; default the only one there is
    done  called with each audio file's name and how many there are, when it is through
    Raises VenueFaults, with nothing changed, for whatever is wrong with the file or its audio.
    """
    folder = _inspected(path, settings, slug)
    warnings = (*folder.warnings, *useless(folder))
    with contextlib.nullcontext() if dry_run else _no_trace_of_failure(settings):
        found = _taken(folder, settings, slug, dry_run=dry_run, who=who, origin=origin, done=done)
    return dataclasses.replace(found, warnings=warnings)


def _taken(
    folder: VenueFolder,
    settings: Settings,
    slug: str | None,
    *,
    dry_run: bool,
    who: str,
    origin: str,
    done: Callable[[str, int], None] | None,
) -> Loaded:
    from oyez.clips.intake import files_of, remove_store, take_in
    from oyez.clips.store import AudioStore
    from oyez.clips.warmth import use_kernel_cache

    use_kernel_cache(None if dry_run else settings.kernels)
    total = files_of(folder)
    staged = AudioStore(_staging(None if dry_run else settings.audio))
    try:
        taken = take_in(folder, staged, done=None if done is None else lambda name: done(name, total))
        if dry_run:
            return _rehearsed(folder, settings, slug, taken)
        return _stored(folder, settings, slug, taken, staged, who=who, origin=origin)
    except OSError as error:
        raise WorkFailed(f"{staged.root.parent}: audio cannot be stored: {error.strerror or error}") from error
    finally:
        remove_store(staged)


def _inspected(path: Path, settings: Settings, slug: str | None) -> VenueFolder:
    """The venue file, free of faults; audio that the database holds need not lie beside it."""
    held = Held()
    if settings.database.is_file():
        from oyez.store.loading import target
        from oyez.store.venues import clip_audio, read_venue

        with _opened(settings) as database, database.read() as session:
            ref = target(session, slug)
            if ref is not None:
                held = Held(
                    clips=frozenset(key for key, sha in clip_audio(session, ref.id).items() if sha is not None),
                    sources=frozenset((s.id, s.folder) for s in read_venue(session, ref.id).sources),
                )
    inspection = inspect(path, held=held)
    if inspection.folder is None:
        raise VenueFaults(inspection.faults)
    return inspection.folder


def _rehearsed(folder: VenueFolder, settings: Settings, slug: str | None, taken: Intake) -> Loaded:
    """What `_stored` would change."""
    if not settings.database.is_file():
        from oyez.venue.changes import find_changes

        return Loaded(slug=None, revision=None, changes=find_changes(None, folder.venue), warnings=())
    with _opened(settings) as database, database.read() as session:
        loading = _prepared(session, folder, slug, taken)
    return _loaded(loading)


def _stored(
    folder: VenueFolder,
    settings: Settings,
    slug: str | None,
    taken: Intake,
    staged: AudioStore,
    *,
    who: str,
    origin: str,
) -> Loaded:
    from oyez.clips.importer import imported_tree
    from oyez.clips.intake import move_in
    from oyez.clips.store import AudioStore
    from oyez.store.clips import audio_from, put_audio
    from oyez.store.loading import carry_out, keep_journal_head
    from oyez.store.venues import list_venues

    now_ms = time.time_ns() // 1_000_000
    with _opened(settings) as database:
        with database.begin() as session:
            loading = _prepared(session, folder, slug, taken)
            move_in(staged, AudioStore(settings.audio), taken.sha256s())
            music = [one for tracks in taken.tracks.values() for _, one in tracks]
            for imported in (*taken.clips.values(), *music):
                put_audio(session, audio_from(imported_tree(imported), added_ms=now_ms))
            what = f"venue loaded from {folder.path.name}"
            venue_id = carry_out(session, loading, slug=slug, who=who, origin=origin, what=what, at_ms=now_ms)
        if loading.changes:
            keep_journal_head(database, settings.data_dir, venue_id)
        with database.read() as session:
            now = next(ref for ref in list_venues(session) if ref.id == venue_id)
    return dataclasses.replace(_loaded(loading), slug=now.slug, revision=now.revision)


def _prepared(session: Session, folder: VenueFolder, slug: str | None, taken: Intake) -> Loading:
    from oyez.store.loading import prepare, target
    from oyez.store.venues import Track

    return prepare(
        session,
        folder.venue,
        target(session, slug),
        audio={clip_id: imported.stored.sha256 for clip_id, imported in taken.clips.items()},
        tracks={
            source_id: [
                Track(title=Path(name).stem, file=name, sha256=imported.stored.sha256) for name, imported in tracks
            ]
            for source_id, tracks in taken.tracks.items()
        },
        where=str(folder.path),
    )


def _loaded(loading: Loading) -> Loaded:
    ref = loading.ref
    return Loaded(
        slug=None if ref is None else ref.slug,
        revision=None if ref is None else ref.revision,
        changes=loading.changes,
        warnings=(),
    )


@contextlib.contextmanager
def _no_trace_of_failure(settings: Settings) -> Iterator[None]:
    """Folders that a refused or failed load made are taken away again, as far as nothing else is in them."""
    audio = (settings.audio / "incoming", settings.audio)
    made = [p for p in (*audio, settings.data_dir, *settings.data_dir.parents) if not p.exists()]
    kernels_made = not settings.kernels.exists()
    try:
        yield
    except BaseException:
        if kernels_made:
            shutil.rmtree(settings.kernels, ignore_errors=True)
        for folder in made:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


@contextlib.contextmanager
def _opened(settings: Settings) -> Iterator[Database]:
    from oyez.store.database import open_database

    database = open_database(settings)
    try:
        yield database
    finally:
        database.close()


def _staging(audio: Path | None) -> Path:
    """A folder of its own for what is decoded: on the audio store's disk, or (dry run) anywhere."""
    if audio is None:
        return Path(tempfile.mkdtemp(prefix="oyez-load-"))
    incoming = audio / "incoming"
    try:
        incoming.mkdir(parents=True, exist_ok=True)
        for old in incoming.glob("load-*"):  # what a crash left; a day is longer than any load
            if time.time() - old.stat().st_mtime > 86_400:
                shutil.rmtree(old, ignore_errors=True)
        return Path(tempfile.mkdtemp(prefix="load-", dir=incoming))
    except OSError as error:
        raise WorkFailed(f"{incoming}: cannot be written: {error.strerror}") from error


def _check_slug(slug: str | None) -> None:
    plain = slug is None or (slug.isascii() and slug.replace("-", "").isalnum() and slug == slug.lower())
    if not plain or (slug is not None and len(slug) > 64):
        raise InputError(f"--venue is '{slug}', allowed are up to 64 of a-z, 0-9 and -")


def user() -> str:
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # an account without a name, as in some containers
        return "unknown user"


@contextlib.contextmanager
def _progress(*, quiet: bool) -> Iterator[Callable[[str, int], None]]:
    """A bar on standard error while a person watches."""
    from rich.console import Console
    from rich.progress import Progress

    show = not quiet and sys.stderr.isatty()
    with Progress(console=Console(stderr=True), transient=True, disable=not show) as bar:
        task: Any = bar.add_task("Reading the audio", total=None)

        def done(_name: str, total: int) -> None:
            bar.update(task, total=total, advance=1)

        yield done
