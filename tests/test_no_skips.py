"""In CI a skip is a failure, elsewhere it stays a skip."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
SKIPS = "import pytest\n\ndef test_a():\n    pytest.skip('install sox')\n\ndef test_b():\n    pass\n"
SKIPS_WHOLE = "import pytest\npytest.importorskip('no_such_module')\n\ndef test_a():\n    pass\n"


@pytest.mark.parametrize("text", [SKIPS, SKIPS_WHOLE])
@pytest.mark.parametrize(("ci", "expected"), [("true", True), ("", False)])
def test_a_skip_fails_in_ci_only(tmp_path: Path, text: str, ci: str, expected: bool) -> None:
    (tmp_path / "conftest.py").write_text(
        "from tests.no_skips import pytest_make_collect_report, pytest_runtest_makereport\n"
    )
    (tmp_path / "test_it.py").write_text(text)
    (tmp_path / "pytest.ini").write_text("[pytest]\n")
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(tmp_path)],
        cwd=tmp_path,
        env={**os.environ, "CI": ci, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert ("a skip is a failure where CI=true" in done.stdout) is expected
    assert (done.returncode in {1, 2}) is expected
