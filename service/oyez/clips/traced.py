"""Pictures of files as they are, and of stored audio once per content.

The picture of stored audio lies beside it and is found again by its SHA-256; what cannot be written is made again
next time. The web process has it made elsewhere:

    python -m oyez.clips.traced --data DIR SHA256    status 0: the picture lies beside it; 2: no such audio
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from oyez.clips.ahead import ahead
from oyez.clips.decode import open_source
from oyez.clips.measured import check_form, write_aside
from oyez.clips.pictures import ENDING, kept_picture, kept_text
from oyez.clips.store import SAMPLE_RATE, AudioStore
from oyez.clips.warmth import use_kernel_cache
from oyez.errors import OyezError
from oyez.loudness.picture import Picture
from oyez.settings import Settings


def picture_of(store: AudioStore, sha256: str) -> Picture:
    """The picture of stored audio, from beside it or made now. Raises NotFound for no such audio."""
    path = store.path_of(sha256)
    found = kept_picture(path)
    if found is None:
        from oyez.loudness.tracing import Tracer

        with store.open(sha256) as sound:
            tracer = Tracer(SAMPLE_RATE, sound.channels)
            for block in sound.blocks():
                tracer.push(block)
        found = tracer.picture()
        write_aside(path.with_suffix(ENDING), kept_text(found))
    return found


def picture_of_file(path: Path) -> Picture:
    """The picture of a file as it is: its own channels at its own rate.

    Raises ClipRefused for what cannot be read or has no loudness, as measuring it does.
    """
    from oyez.loudness.tracing import Tracer

    with open_source(path) as source:
        check_form(source)
        tracer = Tracer(source.sample_rate, source.channels)
        with ahead(source.blocks()) as blocks:
            for block in blocks:
                tracer.push(block)
    return tracer.picture()


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m oyez.clips.traced", description="Draw stored audio.")
    parser.add_argument("sha256")
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="the service's data folder")
    args = parser.parse_args(argv)
    settings = Settings(data_dir=args.data)
    use_kernel_cache(settings.kernels)
    try:
        picture_of(AudioStore(settings.audio), args.sha256)
    except OyezError as error:
        print(str(error), file=sys.stderr)  # noqa: T201 - the answer
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
