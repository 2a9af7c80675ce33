"""The linter, the formatter and the type checker have nothing to say."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent


@pytest.mark.parametrize("command", [["ruff", "check", "."], ["ruff", "format", "--check", "."], ["mypy"]])
def test_style_and_types_are_clean(command: list[str]) -> None:
    done = subprocess.run([sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
