"""Import one file in a process of its own: `python -m oyez.clips.worker --data DIR --kind speech FILE`.

The web process starts this for an upload, so that it never loads the decoders and the compiled meter itself, and
so that a decoder that fails takes nothing down with it. One JSON object on the last line of standard output:
    {"ok": true, "stored": {...}, "measurement": {...}, "lead_silence_ms": 120, ...}   exit status 0
    {"ok": false, "name": "closing.flac", "error": "is empty", "code": "empty"}         exit status 2 (the file), 1
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from oyez.clips.warmth import use_kernel_cache
from oyez.errors import ClipRefused, OyezError
from oyez.settings import Settings


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m oyez.clips.worker", description="Import one audio file.")
    parser.add_argument("file", type=Path)
    parser.add_argument("--data", type=Path, required=True, metavar="DIR", help="the service's data folder")
    parser.add_argument("--kind", choices=["speech", "chime", "effect", "music"], default="speech")
    parser.add_argument("--name", help="what the sender called the file; default the file's own name")
    parser.add_argument("--limit-s", type=float, help="longest allowed; default 900, music 7200")
    parser.add_argument("--trim", action="store_true", help="cut the silence at both ends")
    args = parser.parse_args(argv)
    settings = Settings(data_dir=args.data)
    use_kernel_cache(settings.kernels)
    from oyez.clips.importer import import_audio, imported_tree
    from oyez.clips.store import AudioStore
    from oyez.clips.traced import picture_of

    name, store = args.name or args.file.name, AudioStore(settings.audio)
    try:
        imported = import_audio(
            args.file,
            store,
            kind=args.kind,
            limit_s=args.limit_s,
            trim=args.trim,
            name=name,
        )
        picture_of(store, imported.stored.sha256)  # so that the first look at it need not wait
    except ClipRefused as error:
        return _answer(error.exit_status, ok=False, name=error.name, error=error.why, code=error.code)
    except OyezError as error:
        return _answer(error.exit_status, ok=False, name=name, error=str(error), code=error.code)
    except OSError as error:
        why = f"could not be stored: {error.strerror}"
        return _answer(1, ok=False, name=name, error=why, code="work-failed")
    return _answer(0, ok=True, **imported_tree(imported))


def _answer(status: int, **tree: object) -> int:
    print(json.dumps(tree))  # noqa: T201 - the answer
    return status


if __name__ == "__main__":
    sys.exit(main())
