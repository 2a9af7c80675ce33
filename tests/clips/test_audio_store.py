"""The audio store: content decides the name, a crash leaves the whole clip or none."""

from __future__ import annotations

import contextlib
import hashlib
import os
import signal
import subprocess
import sys
import threading
import time

import numpy as np
import pytest
import soundfile

from oyez.clips.store import HEADER_BYTES, AudioStore, wav_header
from oyez.errors import NotFound, WorkFailed
from tests.clips.making import tone


@pytest.fixture
def store(tmp_path):
    return AudioStore(tmp_path / "audio")


def noise(frames=5000, channels=2, seed=0):
    return np.random.default_rng(seed).standard_normal((frames, channels)).astype(np.float32)


def files(store):
    return sorted(str(p.relative_to(store.root)) for p in store.root.rglob("*") if p.is_file())


def test_the_name_is_the_hash_of_channels_and_samples(store):
    samples = noise()
    stored = store.put(samples)
    assert stored.sha256 == hashlib.sha256(b"2ch" + samples.astype("<f4").tobytes()).hexdigest()
    assert files(store) == [f"{stored.sha256[:2]}/{stored.sha256}.wav"]


def test_the_same_samples_as_mono_and_stereo_have_two_names(store):
    samples = noise(100, 2)
    assert store.put(samples).sha256 != store.put(samples.reshape(-1, 1)).sha256


def test_the_same_audio_is_stored_once(store):
    assert store.put(noise()) == store.put(noise())
    assert len(files(store)) == 1


def test_other_programs_read_the_file_bit_for_bit(store):
    samples = noise() * 3  # beyond full scale too
    stored = store.put(samples)
    read, rate = soundfile.read(store.path_of(stored.sha256), dtype="float32", always_2d=True)
    assert rate == 48_000
    assert np.array_equal(read, samples)
    info = soundfile.info(store.path_of(stored.sha256))
    assert (info.format, info.subtype) == ("WAV", "FLOAT")


def test_past_4_gib_the_header_is_rf64_and_counts_in_64_bits(tmp_path):
    # EBU Tech 3306: RF64 with a ds64 chunk; the file is sparse, nothing of that size is written
    frames = 2**30
    path = tmp_path / "large.wav"
    with path.open("wb") as file:
        file.write(wav_header(frames, 2))
        file.truncate(HEADER_BYTES + frames * 8)
    info = soundfile.info(path)
    assert (info.format, info.frames, info.channels) == ("RF64", frames, 2)


def test_blocks_give_the_same_name_as_the_whole(store):
    samples = noise(10_000)
    with store.writer(2) as writer:
        for at in range(0, 10_000, 777):
            writer.push(samples[at : at + 777])
        assert writer.commit() == store.put(samples)


@pytest.mark.parametrize(
    ("start", "frames"), [(-10, 20), (4990, 20), (-5, 5010), (6000, 5), (-50, 10), (0, 0), (100, 200)]
)
def test_reading_outside_gives_zeros(store, start, frames):
    samples = noise()
    padded = np.concatenate([np.zeros((100, 2), np.float32), samples, np.zeros((2000, 2), np.float32)])
    with store.open(store.put(samples).sha256) as sound:
        assert (sound.frames, sound.channels) == (5000, 2)
        read = sound.read(start, frames)
        assert read.dtype == np.float32
        assert np.array_equal(read, padded[100 + start : 100 + start + frames])


def test_two_opens_and_two_threads_do_not_disturb_each_other(store):
    samples = noise(200_000)
    sound = store.open(store.put(samples).sha256)
    wrong = []

    def read_some(seed):
        random = np.random.default_rng(seed)
        for _ in range(200):
            at = int(random.integers(0, 190_000))
            if not np.array_equal(sound.read(at, 1000), samples[at : at + 1000]):
                wrong.append(at)

    threads = [threading.Thread(target=read_some, args=(seed,)) for seed in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not wrong
    sound.close()
    sound.close()


def test_an_open_sound_goes_on_after_its_file_was_removed(store):
    samples = noise()
    stored = store.put(samples)
    with store.open(stored.sha256) as sound:
        store.remove(stored.sha256)
        assert not store.has(stored.sha256)
        assert np.array_equal(sound.read(0, 5000), samples)


def test_what_is_not_there_is_not_found(store):
    with pytest.raises(NotFound, match="not in the store"):
        store.open("0" * 64)


@pytest.mark.parametrize("name", ["../../etc/passwd", "", "A" * 64, "0" * 63, "0" * 64 + "/x"])
def test_only_a_hash_is_a_name(store, name):
    with pytest.raises(NotFound, match="64 hexadecimal digits"):
        store.path_of(name)


def test_a_damaged_file_is_noticed_and_replaced(store):
    stored = store.put(noise())
    path = store.path_of(stored.sha256)
    path.write_bytes(path.read_bytes()[:-100])
    assert not store.has(stored.sha256)
    with pytest.raises(WorkFailed, match="damaged"):
        store.open(stored.sha256)
    store.put(noise())
    assert store.has(stored.sha256)


def test_another_file_under_that_name_is_refused(store):
    stored = store.put(noise())
    store.path_of(stored.sha256).write_bytes(b"RIFF" + bytes(500))
    with pytest.raises(WorkFailed, match="not stored audio"):
        store.open(stored.sha256)


def test_without_commit_nothing_is_left(store):
    with store.writer(1) as writer:
        writer.push(tone(1))
    assert files(store) == []


def test_an_error_half_way_leaves_nothing(store):
    with contextlib.suppress(RuntimeError), store.writer(1) as writer:
        writer.push(tone(1))
        raise RuntimeError
    assert files(store) == []


@pytest.mark.parametrize("shape", [(10,), (10, 2)])
def test_samples_of_another_shape_are_refused(store, shape):
    with store.writer(1) as writer, pytest.raises(ValueError, match=r"expected \(frames, 1\)"):
        writer.push(np.zeros(shape, np.float32))


def test_three_channels_are_refused(store):
    with pytest.raises(ValueError, match="1 or 2 channels"):
        store.put(np.zeros((10, 3), np.float32))


WRITING = """
import sys, time
import numpy as np
from pathlib import Path
from oyez.clips.store import AudioStore
store = AudioStore(Path(sys.argv[1]))
samples = np.random.default_rng(0).standard_normal((100_000, 2)).astype(np.float32)
number = 0
print("ready", flush=True)
while True:
    with store.writer(2) as writer:
        for _ in range(10):
            writer.push(samples + np.float32(number))
        print(writer.commit().sha256, flush=True)
    number += 1
"""


@pytest.mark.parametrize("wait_s", [0.05, 0.12, 0.2, 0.31])
def test_a_kill_in_the_middle_leaves_whole_clips_or_none(store, wait_s):
    process = subprocess.Popen(
        [sys.executable, "-c", WRITING, str(store.root)], stdout=subprocess.PIPE, text=True, start_new_session=True
    )
    assert process.stdout.readline() == "ready\n"
    time.sleep(wait_s)
    os.kill(process.pid, signal.SIGKILL)
    told = process.communicate()[0].split()
    there = list(store.names())
    # whatever was acknowledged is there, and whatever is there is whole and is what its name says
    assert {name for name in told if len(name) == 64} <= set(there)
    for name in there:
        with store.open(name) as sound:
            data = sound.read(0, sound.frames)
            assert hashlib.sha256(b"2ch" + data.tobytes()).hexdigest() == name
    # what was being written is swept away once it is old, and only then
    for part in store.incoming.glob("*.part"):
        store.sweep()
        assert part.exists()
        os.utime(part, (time.time() - 120, time.time() - 120))
    store.sweep()
    assert list(store.incoming.glob("*.part")) == []


def test_a_part_that_is_being_written_is_not_swept_however_old(store):
    with store.writer(1) as writer:
        writer.push(tone(0.1))
        os.utime(writer.path, (0, 0))
        assert store.sweep() == 0
        writer.commit()
    assert len(files(store)) == 1
