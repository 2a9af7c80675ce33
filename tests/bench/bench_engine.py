"""The engine with a dozen zones into the silent output: processor, memory, from a press to its sound.

`python tests/bench/bench_engine.py`
"""

from __future__ import annotations

import os
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from oyez.playout.outputs.silent import LEAD_S
from oyez.settings import Settings
from tests.bench.bench_service import pss_mb
from tests.playout.made import cue, programme, stock, zone
from tests.playout.running import RunningEngine, engine_on, now_ms

ZONES = 12
LOOKS_S = 20.0
PRESSES = 100


def cpu_s(pid: int) -> float:
    """User and system time so far (proc_pid_stat(5), fields 14 and 15)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def share(engine: RunningEngine, seconds: float) -> float:
    """Share of one core, percent."""
    before, began_s = cpu_s(engine.process.pid), time.monotonic()
    time.sleep(seconds)
    return 100.0 * (cpu_s(engine.process.pid) - before) / (time.monotonic() - began_s)


def percentile(values: list[float], part: float) -> float:
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


def main() -> None:
    with tempfile.TemporaryDirectory(prefix="oyez-bench-") as folder:
        settings = Settings(data_dir=Path(folder))
        material = stock(settings.audio)
        names = [f"z{n}" for n in range(ZONES)]
        zones = [zone(name, channels=2 if n % 2 else 1) for n, name in enumerate(names)]
        environment = {k: v for k, v in os.environ.items() if k == "NUMBA_CACHE_DIR"}
        with engine_on(settings, **environment) as engine:
            engine.give(programme(material, zones=zones))
            time.sleep(3.0)
            print(f"engine, {ZONES} zones, music       {share(engine, LOOKS_S):7.2f} % of a core  (under 10 %)")
            spoken = [
                cue(material, f"{n}@1", now_ms() + 3000, zones=[name], repeat=40, patience_ms=5000)
                for n, name in enumerate(names)
            ]
            engine.give(programme(material, spoken, zones=zones, revision=2))
            time.sleep(4.0)
            print(f"  and one announcement in each  {share(engine, LOOKS_S / 2):7.2f} % of a core")
            print(f"  memory (PSS)                  {pss_mb(engine.process.pid):7.1f} MB")
            for n in range(ZONES):
                engine.link.stop(f"{n}@1", by="bench")
            time.sleep(1.0)
            took: list[float] = []
            answered: list[float] = []
            for n in range(PRESSES):
                made = cue(
                    material, f"press!{n}", now_ms(), zones=[names[n % ZONES]], chime=True, patience_ms=5000
                )
                pressed_s = time.time()
                engine.begin(made)
                answered.append((time.time() - pressed_s) * 1000.0)
                took.append(-pressed_s * 1000.0)
                time.sleep(0.08)
            time.sleep(2.0)
            for n in range(PRESSES):
                took[n] += engine.records("end", f"press!{n}")[0]["actual_ms"]
            lead_ms = LEAD_S * 1000.0
            p50_ms, p99_ms = statistics.median(took) - lead_ms, percentile(took, 0.99) - lead_ms
            print(f"from a press to its first sample at the output, {PRESSES} presses:")
            print(f"  p50 {p50_ms:.1f} ms, p99 {p99_ms:.1f} ms  (p99 under 40); and {lead_ms:.0f} ms of output")
            print(f"  answered after p50 {statistics.median(answered):.1f} ms")
            state = engine.link.state()
            counted = ", ".join(f"{name} {state[name]}" for name in ("xruns", "late_blocks", "starved"))
            print(f"render of a 10 ms block: {state['render_ms']} ms; {counted}")


if __name__ == "__main__":
    main()
