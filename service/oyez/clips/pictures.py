"""Pictures kept beside stored audio, read. Light; `traced` makes them."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

from oyez.loudness.picture import Picture, picture_tree, read_picture

TRACER: Final = 1  # raise it when pictures change: what was kept is then made anew
ENDING: Final = ".picture.json"


def kept_picture(audio: Path) -> Picture | None:
    """The picture kept beside a stored file; None: there is none that can be used."""
    try:
        tree = json.loads(audio.with_suffix(ENDING).read_text(encoding="utf-8"))
        return read_picture(tree) if tree.pop("tracer", None) == TRACER else None
    except (OSError, ValueError, AttributeError, TypeError):
        return None  # unknown is made


def kept_text(picture: Picture) -> str:
    """What is kept of a picture."""
    return json.dumps({"tracer": TRACER, **picture_tree(picture)})
