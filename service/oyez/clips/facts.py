"""What a venue file's audio is like, for commands that work on the file without the service's database.

Files are decoded and measured once and found again by path, size and time of change, so a second run is quick.
"""

from __future__ import annotations

import atexit
import hashlib
import json
import os
import shutil
import tempfile
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TypeVar

from oyez.clips.folder import VenueFolder, gone
from oyez.clips.store import AudioStore, Stored
from oyez.clips.warmth import cache_dir, is_writable, use_kernel_cache
from oyez.errors import ClipRefused, Fault, NotFound, VenueFaults, WorkFailed
from oyez.loudness.types import Measurement
from oyez.venue.facts import ClipFacts, TrackFacts
from oyez.venue.models import Clip, Source, VenueFile

Item = TypeVar("Item")
Answer = TypeVar("Answer")


def cache_store() -> AudioStore:
    """The store for such commands: in the user's cache, or for this run alone where that cannot be written."""
    root = cache_dir() / "audio"
    if not is_writable(root):
        root = Path(tempfile.mkdtemp(prefix="oyez-audio-"))
        atexit.register(shutil.rmtree, root, ignore_errors=True)
    return AudioStore(root)


def file_facts(folder: VenueFolder, store: AudioStore, *, need_loudness: bool) -> dict[str, ClipFacts]:
    """The facts of every clip that a rule plays, by clip id.

    A duration given in the venue file wins over the audio's. A clip whose audio tells nothing that is needed (its
    duration is given and no loudness is asked for) is not opened, and need not be there.
    Raises VenueFaults with every clip that cannot be used.
    """
    venue = folder.venue
    played = {name for rule in venue.rules for name in (rule.chime, *rule.clips) if name}
    known, to_open = {}, []
    for clip in venue.clips:
        if clip.duration_ms is not None and (clip.id not in played or not need_loudness):
            known[clip.id] = ClipFacts(duration_ms=clip.duration_ms)
        elif clip.id in played:
            to_open.append(clip)
    opened = _each(to_open, lambda clip: _clip_facts(folder, store, clip))
    faults = [found for found in opened if isinstance(found, Fault)]
    if faults:
        raise VenueFaults(faults)
    known.update({c.id: f for c, f in zip(to_open, opened, strict=True) if isinstance(f, ClipFacts)})
    return {clip.id: known[clip.id] for clip in venue.clips if clip.id in known}


def file_tracks(folder: VenueFolder, store: AudioStore) -> dict[str, tuple[TrackFacts, ...]]:
    """The tracks of every source that a zone plays, in the order in which they are played.

    Raises VenueFaults with every track that cannot be used.
    """
    sources = _played_sources(folder.venue)
    files = [(source, path) for source in sources for path in folder.tracks(source)]
    opened = _each(files, lambda item: _track_facts(folder, store, *item))
    faults = [found for found in opened if isinstance(found, Fault)]
    if faults:
        raise VenueFaults(faults)
    tracks: dict[str, list[TrackFacts]] = {source.id: [] for source in sources}
    for (source, _), facts in zip(files, opened, strict=True):
        if isinstance(facts, TrackFacts):
            tracks[source.id].append(facts)
    return {source: tuple(found) for source, found in tracks.items()}


def stored_file(path: Path, store: AudioStore, *, kind: str) -> tuple[Stored, Measurement]:
    """The file's audio in the store, decoded now or found by path, size and time of change.

    Raises ClipRefused.
    """
    from oyez.clips.importer import import_audio
    from oyez.clips.measured import measurement_of, write_aside

    note = store.root / "files" / f"{_fingerprint(path, kind)}.json"
    try:
        found = json.loads(note.read_text(encoding="utf-8"))
        with store.open(found["sha256"]) as sound:
            stored = Stored(sha256=sound.sha256, frames=sound.frames, channels=sound.channels)
        return stored, measurement_of(store, stored.sha256)
    except (OSError, ValueError, KeyError, TypeError, NotFound, WorkFailed):
        pass  # not known yet, or no longer there
    imported = import_audio(path, store, kind=kind)
    if is_writable(note.parent):
        write_aside(note, json.dumps({"file": str(path), "sha256": imported.stored.sha256}))
    return imported.stored, imported.measurement


def _clip_facts(folder: VenueFolder, store: AudioStore, clip: Clip) -> ClipFacts | Fault:
    try:
        stored, measured = stored_file(folder.clip_path(clip), store, kind=clip.kind)
    except ClipRefused as error:
        return _fault(folder, f"clip '{clip.id}'", clip.file, error)
    return ClipFacts(
        duration_ms=stored.duration_ms if clip.duration_ms is None else clip.duration_ms,
        sha256=stored.sha256,
        frames=stored.frames,
        channels=stored.channels,
        measured=measured,
    )


def _track_facts(folder: VenueFolder, store: AudioStore, source: Source, path: Path) -> TrackFacts | Fault:
    try:
        stored, measured = stored_file(path, store, kind="music")
    except ClipRefused as error:
        return _fault(folder, f"source '{source.id}'", f"{source.folder}/{path.name}", error)
    return TrackFacts(
        title=path.stem,
        sha256=stored.sha256,
        frames=stored.frames,
        channels=stored.channels,
        measured=measured,
    )


def _fault(folder: VenueFolder, entry: str, file: str, error: ClipRefused) -> Fault:
    there = os.path.lexists(folder.path.parent / file)
    why = error.why if there or error.code != "missing" else gone(folder.path.parent, file)
    return Fault(where=str(folder.path), entry=entry, message=f"file '{file}' {why}", code=error.code)


def _played_sources(venue: VenueFile) -> tuple[Source, ...]:
    wanted = {zone.source for zone in venue.zones}
    return tuple(source for source in venue.sources if source.id in wanted)


def _fingerprint(path: Path, kind: str) -> str:
    try:
        facts = path.stat()
        seen = f"{path.resolve()}\n{facts.st_size}\n{facts.st_mtime_ns}\n{facts.st_ino}\n{kind}"
    except OSError:
        seen = f"{path}\nnot there"
    return hashlib.sha256(seen.encode(errors="surrogateescape")).hexdigest()


def _each(items: Sequence[Item], do: Callable[[Item], Answer]) -> list[Answer]:
    """In order, on all cores: decoding, resampling and measuring release the interpreter."""
    use_kernel_cache()
    if len(items) < 2:
        return [do(item) for item in items]
    with ThreadPoolExecutor(max_workers=min(len(items), os.cpu_count() or 1)) as pool:
        return list(pool.map(do, items))
