"""A venue file on disk with what lies beside it: its clips and its folders of music. Decodes nothing.

A name in the file is always one inside the venue file's own folder; `venue.faults` refuses the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from oyez.errors import Fault, InputError, VenueFaults
from oyez.venue.allowed import Place, nearest, quoted
from oyez.venue.faults import escapes
from oyez.venue.models import Clip, Source, VenueFile
from oyez.venue.names import entry_name
from oyez.venue.reader import Syntax, read_venue

MAX_BYTES = 8 * 1024 * 1024
"""A venue file of hundreds of rules has some 100 kB; what is larger is something else."""

_SUFFIXES = (
    ".aac .aif .aifc .aiff .au .caf .flac .m4a .m4b .mka .mp2 .mp3 .mp4 .oga .ogg .opus .rf64 .w64 .wav .webm .wma"
)
AUDIO_SUFFIXES = frozenset(_SUFFIXES.split(" "))


@dataclass(frozen=True, slots=True, kw_only=True)
class VenueFolder:
    """path      the venue file itself
    warnings  what the file says that is legal but useless
    """

    path: Path
    venue: VenueFile
    warnings: tuple[Fault, ...] = ()

    @property
    def root(self) -> Path:
        return self.path.parent

    def clip_path(self, clip: Clip) -> Path:
        return self.root / clip.file

    def tracks(self, source: Source) -> tuple[Path, ...]:
        """The source's audio files by name, as they are played; empty where the folder is gone or has none."""
        return audio_files(self.root / source.folder)


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """Everything found in a venue file and beside it; `folder` is None when there is any fault."""

    folder: VenueFolder | None
    findings: tuple[Fault, ...]

    @property
    def faults(self) -> tuple[Fault, ...]:
        return tuple(f for f in self.findings if f.level == "fault")


def open_venue(path: Path) -> VenueFolder:
    """Read a venue file (.toml or .json). Looks at no audio: see `missing_files`.

    Raises InputError when the file cannot be read as text, VenueFaults with every fault of what it says.
    """
    reading = read_venue(_text(path), where=str(path), syntax=_syntax(path))
    if reading.venue is None:
        raise VenueFaults(reading.faults)
    return VenueFolder(path=path, venue=reading.venue, warnings=reading.findings)


def missing_files(folder: VenueFolder) -> tuple[Fault, ...]:
    """Clips whose file is gone and sources whose folder is gone (faults) or has no audio in it (warnings)."""
    return _missing(folder.path, folder.venue, frozenset(), Held())


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """Audio that is there already without a file: clips as (id, file), sources as (id, folder)."""

    clips: frozenset[tuple[str, str]] = frozenset()
    sources: frozenset[tuple[str, str]] = frozenset()


def inspect(path: Path, *, held: Held | None = None) -> Inspection:
    """Everything that is wrong with a venue file and the files it names, at once.

    held  what need not lie beside the file; default: all must
    Raises InputError when the file cannot be read as text.
    """
    reading = read_venue(_text(path), where=str(path), syntax=_syntax(path))
    findings = reading.findings
    if reading.readable is not None:
        findings += _missing(path, reading.readable, reading.stand_ins, held or Held())
    folder = None
    if reading.venue is not None and not any(f.level == "fault" for f in findings):
        folder = VenueFolder(path=path, venue=reading.venue, warnings=findings)
    return Inspection(folder=folder, findings=findings)


def audio_files(folder: Path) -> tuple[Path, ...]:
    """The audio files of a folder by name, case aside; hidden ones and folders inside are left out."""
    try:
        inside = sorted(folder.iterdir(), key=lambda p: (p.name.casefold(), p.name))
    except OSError:
        return ()
    return tuple(
        p for p in inside if p.suffix.lower() in AUDIO_SUFFIXES and not p.name.startswith(".") and p.is_file()
    )


def _missing(path: Path, venue: VenueFile, stand_ins: frozenset[Place], held: Held) -> tuple[Fault, ...]:
    found = []
    for i, clip in enumerate(venue.clips):
        place: Place = ("clips", i, "file")
        if _unread(place, stand_ins) or escapes(clip.file) or (path.parent / clip.file).is_file():
            continue
        if (clip.id, clip.file) in held.clips:
            continue
        message = f"file {quoted(clip.file)} {gone(path.parent, clip.file)}"
        entry = entry_name(venue, place)
        found.append(Fault(where=str(path), entry=entry, message=message, code="file-gone"))
    for i, source in enumerate(venue.sources):
        place = ("sources", i, "folder")
        music = path.parent / source.folder
        entry = entry_name(venue, place)
        if _unread(place, stand_ins) or escapes(source.folder):
            continue
        if not music.is_dir():
            if (source.id, source.folder) in held.sources:
                continue
            message = f"folder {quoted(source.folder)} {gone(path.parent, source.folder)}"
            found.append(Fault(where=str(path), entry=entry, message=message, code="folder-gone"))
        elif not audio_files(music):
            message = f"folder {quoted(source.folder)} has no audio in it, the source is silent"
            found.append(
                Fault(where=str(path), entry=entry, message=message, code="folder-empty", level="warning")
            )
    return tuple(found)


def _unread(place: Place, stand_ins: frozenset[Place]) -> bool:
    return any(place[: len(s)] == s for s in stand_ins)


def gone(root: Path, name: str) -> str:
    """That it is not there, in words, with the name that was probably meant."""
    try:
        near = nearest(Path(name).name, (p.name for p in (root / name).parent.iterdir()))
    except OSError:
        near = None
    hint = f", the nearest is {quoted(near)}" if near and near != Path(name).name else ""
    return f"is not beside the venue file{hint}"


def _syntax(path: Path) -> Syntax:
    suffix = path.suffix.lower()
    if suffix == ".toml":
        return "toml"
    if suffix == ".json":
        return "json"
    raise InputError(f"{path}: the name ends in {quoted(suffix)}, allowed are .toml and .json")


def _text(path: Path) -> str:
    _syntax(path)
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):  # a pipe would be waited for
            raise InputError(f"{path}: is a pipe or device, allowed are files")
        with path.open("rb") as file:
            data = file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or str(error)
        raise InputError(f"{path}: cannot be read: {why[:1].lower() + why[1:]}") from None
    if len(data) > MAX_BYTES:
        raise InputError(f"{path}: is larger than {MAX_BYTES // 2**20} MiB, which no venue file is")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise InputError(f"{path}: line {line} is not UTF-8 text, allowed are UTF-8 files") from None
