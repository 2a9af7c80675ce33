"""Runs every bench_*.py of this folder, one after the other: `python -m tests.bench [NAME ...]`.

What each prints is shown as it comes, with the number to reach beside it; a table of what ran stands at the end.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parent.parent


def main() -> int:
    wanted = sys.argv[1:]
    benches = [b for b in sorted(HERE.glob("bench_*.py")) if not wanted or b.stem.removeprefix("bench_") in wanted]
    unknown = set(wanted) - {b.stem.removeprefix("bench_") for b in benches}
    if unknown:
        names = ", ".join(b.stem.removeprefix("bench_") for b in sorted(HERE.glob("bench_*.py")))
        print(f"no such measurement: {', '.join(sorted(unknown))}; there are {names}", file=sys.stderr)
        return 2
    ran = []
    for bench in benches:
        print(f"\n== {bench.stem.removeprefix('bench_')}", flush=True)
        began = time.perf_counter()
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        status = subprocess.run([sys.executable, str(bench)], cwd=ROOT, env=environment, check=False).returncode
        ran.append((bench.stem.removeprefix("bench_"), time.perf_counter() - began, status))
    print(f"\n{'measurement':<20} {'took':>8}")
    for name, took_s, status in ran:
        print(f"{name:<20} {took_s:6.1f} s  {'' if status == 0 else f'failed with status {status}'}")
    return 1 if any(status for _, _, status in ran) else 0


if __name__ == "__main__":
    sys.exit(main())
