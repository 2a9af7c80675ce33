"""A long FLAC file decoded in parts is the file, sample for sample."""

from __future__ import annotations

import threading

import numpy as np
import pytest
import soundfile

from oyez.clips import decode
from oyez.clips.decode import open_source
from oyez.clips.flac import parts, worth_parting
from oyez.errors import ClipRefused

RATE = 48_000


@pytest.fixture(scope="module")
def long_flac(tmp_path_factory):
    """100 s of stereo noise, 24 bit."""
    path = tmp_path_factory.mktemp("flac") / "long.flac"
    samples = np.random.default_rng(1).integers(-(2**20), 2**20, (100 * RATE + 123, 2)) * 2**11
    soundfile.write(path, samples.astype(np.int32), RATE, subtype="PCM_24")
    return path


def test_the_parts_together_are_what_one_read_gives(long_flac):
    whole, _ = soundfile.read(long_flac, dtype="float32")
    assert worth_parting(len(whole), 2)
    with open_source(long_flac) as source:
        assert np.array_equal(np.concatenate(list(source.blocks())), whole)


def test_a_truncated_long_file_is_refused(long_flac, tmp_path):
    data = long_flac.read_bytes()
    cut = tmp_path / "cut.flac"
    cut.write_bytes(data[: len(data) * 2 // 3])
    with open_source(cut) as source, pytest.raises(ClipRefused, match=r"promises 100\.0 s") as caught:
        list(source.blocks())
    assert caught.value.code == "truncated"


def test_damage_in_the_middle_is_refused(long_flac, tmp_path):
    data = bytearray(long_flac.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 200_000] = bytes(200_000)
    broken = tmp_path / "broken.flac"
    broken.write_bytes(data)
    with open_source(broken) as source, pytest.raises(ClipRefused):
        list(source.blocks())


def test_leaving_early_ends_the_threads(long_flac):
    before = threading.active_count()
    found = parts(long_flac, 100 * RATE + 123, 2)
    next(found)
    found.close()
    assert threading.active_count() == before


def test_a_short_file_is_read_in_one_go(tmp_path, monkeypatch):
    path = tmp_path / "short.flac"
    soundfile.write(path, np.zeros((RATE, 1), np.float32), RATE)

    def not_in_parts(*_):
        raise AssertionError

    monkeypatch.setattr(decode, "parts", not_in_parts)
    with open_source(path) as source:
        assert sum(map(len, source.blocks())) == RATE
