"""The user's cache, and where compiled kernels are kept between runs (to be said before the first is imported)."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path


def cache_dir() -> Path:
    """The user's cache for Oyez: $XDG_CACHE_HOME/oyez, else ~/.cache/oyez. What is in it may vanish any time."""
    base = os.environ.get("XDG_CACHE_HOME")
    return (Path(base) if base else Path.home() / ".cache") / "oyez"


def use_kernel_cache(folder: Path | None = None) -> None:
    """Keep compiled kernels in `folder`, default the user's cache; in a passing folder where that is read-only.

    Without this numba writes beside the source, and raises at import where it may not. A folder that
    $NUMBA_CACHE_DIR names already stays.
    """
    if os.environ.get("NUMBA_CACHE_DIR"):
        return
    chosen = folder or cache_dir() / "kernels"
    if not is_writable(chosen):
        chosen = Path(tempfile.gettempdir()) / f"oyez-kernels-{os.getuid()}"
        if not is_writable(chosen) or chosen.stat().st_uid != os.getuid():
            chosen = Path(tempfile.mkdtemp(prefix="oyez-kernels-"))
    os.environ["NUMBA_CACHE_DIR"] = str(chosen)


def is_writable(folder: Path) -> bool:
    """Make the folder if it is not there; whether files can be put into it."""
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
    except OSError:
        return False
    return os.access(folder, os.W_OK | os.X_OK)
