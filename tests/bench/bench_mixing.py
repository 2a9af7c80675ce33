"""What mixing costs: a rendering against real time, zones in real time against one core, the lanes against scipy.

  python tests/bench/bench_mixing.py

Prints numbers and asserts nothing: they depend on the machine and on what else it does. Each figure is
processor time, the best of three runs.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import numpy as np
from scipy import signal

from oyez.mixing import endstage, kernels
from oyez.mixing.filters import highpass, peaking
from oyez.mixing.mixer import Mixer
from tests.mixing.world import RATE, T0, Shelf, cue, noise, programme, source, zone

BANDS = [(hz, 3.0, 1.4) for hz in (100.0, 400.0, 1000.0, 2500.0, 8000.0)]
RUNS = 3


def best(run: Callable[[], float]) -> float:
    return min(run() for _ in range(RUNS))


def world(zones: int, channels: int, sources: int = 3):
    """Zones with a high-pass and five bands each, on a few sources, one announcement for all."""
    shelf = Shelf(
        words=noise(8 * RATE, 1, rms=0.08, seed=99),
        **{f"m{i}": noise(40 * RATE, 2, rms=0.05, seed=i) for i in range(sources)},
    )
    plan = programme(
        *(
            zone(f"z{i}", channels, source=f"s{i % sources}", highpass_hz=80.0, bands=BANDS, music_level_db=-3.0)
            for i in range(zones)
        ),
        sources=tuple(source(shelf, f"m{i}", name=f"s{i}", crossfade=3 * RATE) for i in range(sources)),
    )
    return shelf, plan, cue(shelf, "words", *(f"z{i}" for i in range(zones)), at_ms=4_000)


def render_s(zones: int, channels: int, block: int, length_s: int) -> float:
    """Seconds of work for a second of sound, an announcement sounding for 8 s of it."""
    shelf, plan, spoken = world(zones, channels)

    def run() -> float:
        mixer = Mixer(plan, shelf, start_frame=T0, offline=True)
        mixer.arm(spoken, join=True)
        mixer.render(block)
        started = time.thread_time()
        for _ in range(length_s * RATE // block):
            mixer.render(block)
        return time.thread_time() - started

    return best(run) / length_s


def slowest_block_ms(zones: int, block: int) -> tuple[float, float]:
    shelf, plan, spoken = world(zones, 2)
    mixer = Mixer(plan, shelf, start_frame=T0)
    mixer.arm(spoken)
    mixer.feed(30.0)
    mixer.render(block)
    took = []
    for _ in range(20 * RATE // block):
        started = time.perf_counter()
        mixer.render(block)
        took.append((time.perf_counter() - started) * 1e3)
    return float(np.percentile(took, 50)), float(np.percentile(took, 99))


def filters(lanes: int, block: int = 480, length_s: int = 4) -> tuple[float, float]:
    """The filters alone: one kernel over all lanes, and scipy's sosfilt a lane. Seconds for a second of sound."""
    sections = [highpass(80.0), *(peaking(*band) for band in BANDS)]
    music = noise(block, 1).astype(float)
    y = np.zeros((block, lanes))
    coefs = np.repeat(np.array(sections)[:, :, None], lanes, axis=2)
    state = np.zeros((len(sections), 2, lanes))
    wide = np.zeros((block, 3))
    wide[:] = music
    speech, gains, levels = np.zeros((block, lanes)), np.ones((block, lanes)), np.ones((block, 3, lanes))
    number, column = np.arange(lanes), np.zeros(lanes, dtype=np.int64)

    def ours() -> float:
        started = time.thread_time()
        for n in range(length_s * RATE // block):
            kernels.lanes(
                y,
                0,
                block,
                T0 + n * block,
                wide,
                speech,
                gains,
                levels,
                number,
                column,
                column,
                1,
                1,
                coefs,
                state,
            )
        return time.thread_time() - started

    sos = np.array([(b0, b1, b2, 1.0, a1, a2) for b0, b1, b2, a1, a2 in sections])

    def scipys() -> float:
        zi = [np.zeros((len(sections), 2)) for _ in range(lanes)]
        started = time.thread_time()
        for _ in range(length_s * RATE // block):
            for lane in range(lanes):
                _, zi[lane] = signal.sosfilt(sos, music[:, 0], zi=zi[lane])
        return time.thread_time() - started

    ours()
    return best(ours) / length_s, best(scipys) / length_s


def main() -> None:
    started = time.perf_counter()
    render_s(1, 1, 480, 1)
    print(f"first rendering, kernels compiled or found on disk: {time.perf_counter() - started:.1f} s")
    count = sum(hasattr(k, "signatures") for m in (kernels, endstage) for k in vars(m).values())
    print(f"kernels: {count}")
    print("\none zone as fast as it goes (aim: 50 times real time)")
    for channels in (1, 2):
        print(f"  {channels} channel(s): {1 / render_s(1, channels, 4096, 60):.0f} times real time")
    print("\nstereo zones in real time, share of one core (aim: 12 zones under 10 %)")
    for zones in (1, 12, 32, 64):
        for block in (480, 1024):
            print(f"  {zones:>3} zones, blocks of {block:>4}: {100 * render_s(zones, 2, block, 8):.2f} %")
    for zones in (12, 32):
        p50, p99 = slowest_block_ms(zones, 480)
        print(f"  {zones:>3} zones: a block of 10 ms takes {p50:.2f} ms (p50), {p99:.2f} ms (p99)")
    print("\nhigh-pass and five bands, one kernel over the lanes against scipy's sosfilt lane by lane")
    for lanes in (1, 2, 16, 64, 256):
        ours, scipys = filters(lanes)
        shares = f"{100 * ours:.2f} % of a core, scipy {100 * scipys:.2f} %"
        print(f"  {lanes:>3} lanes: {shares}: {scipys / ours:.1f} times")


if __name__ == "__main__":
    main()
