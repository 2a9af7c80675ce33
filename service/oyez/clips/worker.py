"""Import one file in a process of its own: `python -m oyez.clips.worker --store DIR --kind speech FILE`.

The web process starts this for an upload, so that it never loads the decoders and the compiled meter itself, and
so that a decoder that fails takes nothing down with it. One JSON object on standard output:
    {"ok": true, "imported": {...}}   exit status 0
    {"ok": false, "error": "closing.flac: is empty", "code": "empty"}   exit status 2 (the file), 1 (the work)
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Sequence
from pathlib import Path

from oyez.clips.warmth import use_kernel_cache
from oyez.errors import OyezError, WorkFailed


def main(argv: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m oyez.clips.worker", description="Import one audio file.")
    parser.add_argument("file", type=Path)
    parser.add_argument("--store", type=Path, required=True, help="the audio store's folder")
    parser.add_argument("--kind", choices=["speech", "chime", "effect", "music"], default="speech")
    parser.add_argument("--name", help="what the sender called the file; default the file's own name")
    parser.add_argument("--limit-s", type=float, help="longest allowed; default 900, music 7200")
    parser.add_argument("--trim", action="store_true", help="cut the silence at both ends")
    parser.add_argument("--kernels", type=Path, help="where compiled kernels are kept")
    args = parser.parse_args(argv)
    use_kernel_cache(args.kernels)
    from oyez.clips.importer import import_audio, imported_tree
    from oyez.clips.store import AudioStore

    try:
        imported = import_audio(
            args.file,
            AudioStore(args.store),
            kind=args.kind,
            limit_s=args.limit_s,
            trim=args.trim,
            name=args.name,
        )
    except OyezError as error:
        return _failed(error)
    except OSError as error:
        return _failed(WorkFailed(f"{args.name or args.file.name}: could not be stored ({error.strerror})"))
    print(json.dumps({"ok": True, "imported": imported_tree(imported)}))  # noqa: T201 - the answer
    return 0


def _failed(error: OyezError) -> int:
    print(json.dumps({"ok": False, "error": str(error), "code": error.code}))  # noqa: T201 - the answer
    return error.exit_status


if __name__ == "__main__":
    sys.exit(main())
