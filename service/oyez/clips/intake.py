"""The audio beside a venue file, decoded and measured into a store: all of it, or every fault that prevents it."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from oyez.clips.folder import VenueFolder
from oyez.clips.importer import Imported, import_audio
from oyez.clips.store import AudioStore
from oyez.errors import ClipRefused, Fault, VenueFaults


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """clips   clip id -> its audio, for the clips whose file is there
    tracks  source id -> (file name, its audio) in playing order, for the sources whose folder is there
    """

    clips: dict[str, Imported]
    tracks: dict[str, tuple[tuple[str, Imported], ...]]

    def sha256s(self) -> frozenset[str]:
        music = (imported for tracks in self.tracks.values() for _, imported in tracks)
        return frozenset(i.stored.sha256 for i in (*self.clips.values(), *music))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Job:
    entry: str
    owner: str
    path: Path
    kind: str
    is_track: bool


def files_of(folder: VenueFolder) -> int:
    """How many files `take_in` would read."""
    return sum(1 for _ in _jobs(folder))


def take_in(folder: VenueFolder, store: AudioStore, *, done: Callable[[str], None] | None = None) -> Intake:
    """Import every clip and track that lies beside the venue file, on all cores.

    done  called with each file's name when it is through
    Raises VenueFaults with every file that cannot be used; what was stored until then stays in the store.
    """
    jobs = list(_jobs(folder))

    def work(job: _Job) -> Imported | Fault:
        try:
            return import_audio(job.path, store, kind=job.kind)
        except ClipRefused as error:
            said = f"file '{job.path.relative_to(folder.root)}' {error.why}"
            return Fault(where=str(folder.path), entry=job.entry, message=said, code=error.code)
        finally:
            if done is not None:
                done(job.path.name)

    with ThreadPoolExecutor(max_workers=min(os.cpu_count() or 1, 8)) as pool:
        found = list(pool.map(work, jobs))
    faults = [one for one in found if isinstance(one, Fault)]
    if faults:
        raise VenueFaults(faults)
    return _sorted_out(folder, jobs, [one for one in found if isinstance(one, Imported)])


def move_in(staged: AudioStore, store: AudioStore, names: frozenset[str]) -> None:
    """Move whole audio from one store into another on the same disk. What is there already stays as it is."""
    for sha256 in sorted(names):
        source, target = staged.path_of(sha256), store.path_of(sha256)
        if not store.has(sha256):
            target.parent.mkdir(parents=True, exist_ok=True)
            source.replace(target)
            _sync(target.parent)
        measured = source.with_suffix(".json")
        if measured.is_file():
            measured.replace(target.with_suffix(".json"))


def remove_store(store: AudioStore) -> None:
    """Take away a store that was for passing use."""
    shutil.rmtree(store.root, ignore_errors=True)


def _jobs(folder: VenueFolder) -> Iterator[_Job]:
    for clip in folder.venue.clips:
        path = folder.clip_path(clip)
        if path.is_file():
            yield _Job(entry=f"clip '{clip.id}'", owner=clip.id, path=path, kind=clip.kind, is_track=False)
    for source in folder.venue.sources:
        for path in folder.tracks(source):
            yield _Job(entry=f"source '{source.id}'", owner=source.id, path=path, kind="music", is_track=True)


def _sorted_out(folder: VenueFolder, jobs: Sequence[_Job], found: Sequence[Imported]) -> Intake:
    clips = {job.owner: one for job, one in zip(jobs, found, strict=True) if not job.is_track}
    tracks = {}
    for source in folder.venue.sources:
        if (folder.root / source.folder).is_dir():
            tracks[source.id] = tuple(
                (job.path.name, one)
                for job, one in zip(jobs, found, strict=True)
                if job.is_track and job.owner == source.id
            )
    return Intake(clips=clips, tracks=tracks)


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
