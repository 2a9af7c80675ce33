"""Makes a data folder into the demo's: `python -m oyez.demo.prepare --data DIR`.

Takes in the packaged sound when it is not there yet, compiles the mixer, then loads the venue set around the
present minute. A process of its own, so that what this needs (decoding, compiler) is gone when the service runs.
"""

from __future__ import annotations

import argparse
import datetime as dt
import hashlib
import os
import sys
import time
from collections.abc import Callable
from pathlib import Path

from oyez.clips.folder import open_venue
from oyez.clips.warmth import use_kernel_cache
from oyez.commands.load import load_file
from oyez.demo.around import FIRST_CALL_S, around
from oyez.errors import Conflict, OyezError
from oyez.playout.gather import Gathered, gather, has_audio
from oyez.settings import Settings, folder, use_packaged_zone_rules
from oyez.venue.writer import write_toml

WHO = "oyez demo"
VENUE_FILE = "quillfin.toml"
_BLOCK_FRAMES = 480

Say = Callable[[str], None]


def prepare(settings: Settings, say: Say) -> None:
    """Leave the data folder with the demo venue around now.

    say  told one line at a time what is being done
    Raises Conflict for a folder that holds another venue; nothing is changed there.
    """
    mark = settings.data_dir / "demo" / "sound"
    packaged = folder("demo_clips")
    sound = _fingerprint(packaged)
    known = _gathered(settings)
    if known is not None and not mark.is_file():
        name = known.venue.venue.name
        raise Conflict(
            f"data folder {settings.data_dir}: holds the venue '{name}', which is not the demo's; "
            "give the demo a folder of its own with --data"
        )
    mark.parent.mkdir(parents=True, exist_ok=True)
    mark.touch()
    use_kernel_cache(settings.kernels)
    if known is None or mark.read_text(encoding="ascii") != sound or not _all_audio(settings, known):
        say("First start: measuring 27 clips and 4 tracks of music, and compiling (up to half a minute)")
        load_file(packaged / VENUE_FILE, settings, who=WHO, done=_every_tenth(say))
        known = _gathered(settings)
        assert known is not None
        say("  compiling the mixer")
        warm_mixer(known, settings)
        mark.write_text(sound, encoding="ascii")
    designed = open_venue(packaged / VENUE_FILE).venue
    now = dt.datetime.now(dt.UTC)
    no_card = why_no_card()
    venue = around(designed, now, card=no_card is None)
    file = mark.parent / VENUE_FILE
    _write(file, f"# Made by `oyez demo` at {now:%Y-%m-%d %H:%M:%S} UTC.\n{write_toml(venue)}")
    load_file(file, settings, who=WHO)
    say(f"{venue.venue.name}, set around this minute: the first call comes {FIRST_CALL_S} s from now")
    if no_card is not None:
        say(f"Without a sound card ({no_card}) it plays silently; press Listen on the page to hear a zone")
    if venue.venue.timezone != designed.venue.timezone:
        say(f"Its clocks change about now, so the demo keeps {venue.venue.timezone}")


def why_no_card() -> str | None:
    """None where the system's own output is there and takes stereo at 48 kHz, else in words why not."""
    from oyez.playout.outputs.card import find_device, import_portaudio
    from oyez.playout.outputs.driver import OutputLost

    try:
        library = import_portaudio()
    except OutputLost as error:
        return str(error)
    try:
        device, _ = find_device(library, None, 2)
        library.check_output_settings(device=device, channels=2, samplerate=48_000)
    except (OutputLost, ValueError, library.PortAudioError) as error:
        return str(error)
    return None


def warm_mixer(known: Gathered, settings: Settings) -> None:
    """Render a second around the day's first play, so that every kernel is compiled and kept."""
    from oyez.mixing.compose import compose
    from oyez.planning.day import operating_day, plan_day
    from oyez.playout.sound import make_mixer

    now_ms = time.time_ns() // 1_000_000
    plan = plan_day(known.venue, operating_day(known.venue, now_ms), known.facts)
    programme = compose(known.venue, (plan,), known.facts, known.tracks, revision=0, made_ms=now_ms)
    start_ms = max((c.start_ms for c in programme.cues[:1]), default=now_ms) - 500
    mixer = make_mixer(programme, settings.audio, kernels=settings.kernels, start_frame=start_ms * 48)
    for cue in programme.cues[:1]:
        mixer.arm(cue)
    mixer.feed()
    for _ in range(100):
        mixer.render(_BLOCK_FRAMES)
    for zone in mixer.zones:
        mixer.short_term_lufs(zone)


def _gathered(settings: Settings) -> Gathered | None:
    if not settings.database.is_file():
        return None
    from oyez.store.database import open_database

    database = open_database(settings)
    try:
        with database.read() as session:
            return gather(session)
    finally:
        database.close()


def _all_audio(settings: Settings, known: Gathered) -> bool:
    clips = [known.facts[c.id].sha256 if c.id in known.facts else None for c in known.venue.clips]
    tracks = [t.sha256 for list_ in known.tracks.values() for t in list_]
    return bool(tracks) and all(sha is not None and has_audio(settings, sha) for sha in (*clips, *tracks))


def _fingerprint(packaged: Path) -> str:
    """Of all the sound that comes with the package: another version may bring other clips."""
    digest = hashlib.sha256()
    for path in sorted(packaged.rglob("*")):
        if path.suffix in {".flac", ".ogg"}:
            digest.update(f"{path.relative_to(packaged).as_posix()}\n".encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


def _every_tenth(say: Say) -> Callable[[str, int], None]:
    through = 0

    def done(_name: str, total: int) -> None:
        nonlocal through
        through += 1
        if through % 10 == 0 or through == total:
            say(f"  {through} of {total} files")

    return done


def _write(file: Path, text: str) -> None:
    part = file.with_name(f".{file.name}.part")
    part.write_text(text, encoding="utf-8")
    part.replace(file)


def _say(line: str) -> None:
    sys.stdout.write(f"{line}\n")
    sys.stdout.flush()


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, required=True)
    args = parser.parse_args()
    use_packaged_zone_rules()
    try:
        prepare(Settings(data_dir=args.data), _say)
    except OyezError as error:
        sys.stderr.write(f"{error}\n")
        return error.exit_status
    return 0


if __name__ == "__main__":
    status = main()
    sys.stdout.flush()
    os._exit(status)  # a sound driver's threads need not be waited for
