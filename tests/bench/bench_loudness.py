"""Loudness measurement side by side with other meters, all in one process run, one thread each.

From memory: 5 minutes of stereo at 48 kHz, float32. Full measurement (integrated, momentary, short-term, range,
sample peak, true peak) against libebur128 with the same modes on, and against pyloudnorm's integrated loudness
alone. From a FLAC file: against `ffmpeg -af ebur128=peak=true`, start-up apart (an empty run is subtracted).
Each number is the least of several runs, since other work may share the machine; from memory it is processor time
(all of these run in one thread), from a file the clock's. Numbers to reach stand beside.

    speech, music     10x libebur128
    stationary noise   8x
    flattened          4x (a clipped master, where nearly every block must be interpolated)
    any                5x pyloudnorm's integrated loudness alone
    FLAC file          3x ffmpeg
"""

from __future__ import annotations

import platform
import resource
import shutil
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import soundfile

from oyez.clips.decode import open_source
from oyez.clips.measured import measure_file
from oyez.loudness import kernels, peak_kernels
from oyez.loudness.meter import measure
from tests.loudness.programmes import music, noise, spoken

RATE = 48_000
SECONDS = 300
RUNS = 5
WORDS = "Good evening. The aquarium closes in fifteen minutes, please make your way to the main entrance."

Samples = npt.NDArray[np.float32]
Loop = Callable[..., object]


def speech_programme() -> Samples:
    """Sentences by several voices, with pauses, a little to the left."""
    pieces = []
    for voice, speed in (("en-gb", 150), ("en-us", 170), ("en-gb", 130)):
        pieces += [spoken(WORDS, voice, speed), np.zeros((RATE // 2, 1), np.float32)]
    mono = np.concatenate(pieces)
    mono = np.tile(mono, (SECONDS * RATE // len(mono) + 1, 1))[: SECONDS * RATE]
    return np.ascontiguousarray(mono * np.array([0.9, 0.7], np.float32))


def music_programme() -> Samples:
    return music(SECONDS, 1)


def noise_programme() -> Samples:
    return noise(SECONDS, 2, 2, RATE)


def flattened_programme() -> Samples:
    """Music driven far into a clipper."""
    return np.clip(music(SECONDS, 3) * np.float32(30.0), -0.97, 0.97)


PROGRAMMES: dict[str, tuple[Callable[[], Samples], float]] = {
    "speech": (speech_programme, 10.0),
    "music": (music_programme, 10.0),
    "stationary noise": (noise_programme, 8.0),
    "flattened, clipped": (flattened_programme, 4.0),
}


def least(work: Callable[[], object], runs: int = RUNS, clock: Callable[[], float] = time.process_time) -> float:
    """The least time of several runs, by default of the processor: what else runs on the machine counts less."""
    took = []
    for _ in range(runs):
        began = clock()
        work()
        took.append(clock() - began)
    return min(took)


def children_time() -> float:
    """Processor time of the programs that were started and have ended."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def by_libebur128(samples: Samples) -> None:
    import pyebur128

    mode = pyebur128.MeasurementMode
    modes = mode.MODE_I | mode.MODE_M | mode.MODE_S | mode.MODE_LRA | mode.MODE_SAMPLE_PEAK | mode.MODE_TRUE_PEAK
    state = pyebur128.R128State(2, RATE, modes)
    state.add_frames(samples.reshape(-1), len(samples))
    pyebur128.get_loudness_global(state)
    pyebur128.get_loudness_range(state)
    pyebur128.get_true_peak(state, 0)


def by_pyloudnorm(samples: Samples) -> None:
    import pyloudnorm

    pyloudnorm.Meter(RATE).integrated_loudness(samples)


def verdict(ratio: float, wanted: float) -> str:
    return f"{ratio:5.1f}x ({'reached' if ratio >= wanted else 'short of'} {wanted:g}x)"


def from_memory() -> None:
    print(f"\nfrom memory, {SECONDS} s of stereo at {RATE} Hz, least of {RUNS} runs, processor time")
    for name, (make, wanted) in PROGRAMMES.items():
        samples = make()
        measure(samples, RATE)
        ours = least(lambda: measure(samples, RATE))  # noqa: B023 - called at once
        c_library = least(lambda: by_libebur128(samples), 3)  # noqa: B023
        python_library = least(lambda: by_pyloudnorm(samples), 2)  # noqa: B023
        print(
            f"  {name:<19} oyez {ours * 1e3:6.1f} ms ({SECONDS / ours:6.0f} s/s)"
            f"   libebur128 {c_library * 1e3:6.0f} ms: {verdict(c_library / ours, wanted)}"
            f"   pyloudnorm I only {python_library * 1e3:6.0f} ms: {verdict(python_library / ours, 5.0)}"
        )


def where_the_time_goes() -> None:
    """Share of each loop in a full measurement; the rest is copying, gates and Python."""
    print("\nwhere the time goes, from memory")
    loops = [(kernels, "parted_energy", "K-weighted energy"), (peak_kernels, "block_peaks", "sample peak")]
    loops += [(peak_kernels, "search_true_peak", "true peak"), (peak_kernels, "runs_at_peak", "clipped runs")]
    for name, (make, _) in PROGRAMMES.items():
        samples, spent = make(), dict.fromkeys((what for _, _, what in loops), 0.0)

        def timed(
            loop: Callable[..., object], what: str, spent: dict[str, float] = spent
        ) -> Callable[..., object]:
            def run(*arguments: object) -> object:
                began = time.process_time()
                try:
                    return loop(*arguments)
                finally:
                    spent[what] += time.process_time() - began

            return run

        real = [getattr(module, loop) for module, loop, _ in loops]
        for (module, loop, what), own in zip(loops, real, strict=True):
            setattr(module, loop, timed(own, what))
        whole = least(lambda: measure(samples, RATE), 1)  # noqa: B023
        for (module, loop, _), own in zip(loops, real, strict=True):
            setattr(module, loop, own)
        shares = ", ".join(f"{what} {100 * took / whole:.0f} %" for what, took in spent.items())
        print(
            f"  {name:<19} {whole * 1e3:6.1f} ms: {shares}, rest {100 - 100 * sum(spent.values()) / whole:.0f} %"
        )


def by_ffmpeg(ffmpeg: str, file: Path) -> None:
    command = [ffmpeg, "-nostdin", "-nostats", "-v", "quiet", "-threads", "1", "-i", str(file)]
    subprocess.run([*command, "-af", "ebur128=peak=true", "-f", "null", "-"], check=True)


def from_flac() -> None:
    import imageio_ffmpeg

    candidates = {"ffmpeg of imageio-ffmpeg": imageio_ffmpeg.get_ffmpeg_exe()}
    if own := shutil.which("ffmpeg"):
        candidates["ffmpeg of the system"] = own
    print(f"\nfrom a FLAC file, 16 bit, {SECONDS} s of stereo, least of {RUNS} runs by the clock, start-up apart")
    wall = time.perf_counter
    with tempfile.TemporaryDirectory() as folder:
        empty, file = Path(folder) / "empty.flac", Path(folder) / "programme.flac"
        soundfile.write(empty, np.zeros((480, 2), np.float32), RATE, subtype="PCM_16")
        for name, (make, _) in PROGRAMMES.items():
            soundfile.write(file, make(), RATE, subtype="PCM_16")
            ours = least(lambda: measure_file(file), clock=wall)
            decode = least(lambda: decode_only(file), clock=wall)
            print(
                f"  {name:<19} oyez {ours * 1e3:6.1f} ms ({SECONDS / ours:6.0f} s/s, decoding overlapped), "
                f"decoding alone {decode * 1e3:6.1f} ms, {100 * decode / ours:3.0f} % of it"
            )
            work = least(lambda: measure_file(file))
            for label, ffmpeg in candidates.items():
                run, start = (lambda: by_ffmpeg(ffmpeg, file)), (lambda: by_ffmpeg(ffmpeg, empty))  # noqa: B023
                theirs = least(run, 3, wall) - least(start, 3, wall)
                their_work = least(run, 3, children_time) - least(start, 3, children_time)
                print(
                    f"  {'':<19} {label} {theirs * 1e3:6.0f} ms: {verdict(theirs / ours, 3.0)}; "
                    f"processor time {their_work * 1e3:.0f} to {work * 1e3:.0f} ms: {their_work / work:.1f}x"
                )


def decode_only(file: Path) -> None:
    with open_source(file) as source:
        for _ in source.blocks():
            pass


def main() -> int:
    warnings.simplefilter("ignore")
    print(f"Python {platform.python_version()}, {platform.machine()}, numpy {np.__version__}")
    from_memory()
    where_the_time_goes()
    from_flac()
    return 0


if __name__ == "__main__":
    sys.exit(main())
