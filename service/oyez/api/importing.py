"""One uploaded file through the importing process and back. Standard library only."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from oyez.errors import ClipRefused, WorkFailed
from oyez.settings import Settings

TIMEOUT_S = 600.0


def import_file(settings: Settings, held: Path, *, name: str, kind: str, trim: bool = False) -> Mapping[str, Any]:
    """Decode, measure and store the file at `held`; `name` is what its sender calls it.

    trim  cut the silence at both ends

    Returns the worker's answer: {stored, measurement, lead_silence_ms, tail_silence_ms, ...}.
    Raises ClipRefused with the worker's own words, WorkFailed when the worker cannot answer.
    """
    command = [sys.executable, "-m", "oyez.clips.worker", "--data", str(settings.data_dir), "--kind", kind]
    command += ["--name", name, *(["--trim"] if trim else []), str(held)]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=TIMEOUT_S, check=False)
    except subprocess.TimeoutExpired as error:
        raise ClipRefused(name, f"took over {TIMEOUT_S:.0f} s to read", "too-slow") from error
    try:
        answer = json.loads(done.stdout.splitlines()[-1])
    except (ValueError, IndexError) as error:
        last = (done.stderr.strip().splitlines() or ["no answer"])[-1]
        raise WorkFailed(f"{name}: the importing process failed: {last}") from error
    if not answer.get("ok"):
        why, code = str(answer.get("error")), str(answer.get("code", "not-audio"))
        if done.returncode == ClipRefused.exit_status:
            raise ClipRefused(name, why, code)
        raise WorkFailed(f"{name}: {why}")
    found: Mapping[str, Any] = answer
    return found
