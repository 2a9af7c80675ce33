"""Importing audio files: every format, folding, resampling, silence, and what is refused."""

from __future__ import annotations

import subprocess

import numpy as np
import pytest
import soundfile

from oyez.clips.importer import import_audio
from oyez.clips.store import AudioStore
from oyez.errors import ClipRefused
from tests.clips.making import FFMPEG, by_ffmpeg, level_of, tone, tones, write


@pytest.fixture
def store(tmp_path):
    return AudioStore(tmp_path / "store" / "audio")


def audio_of(store, imported):
    with store.open(imported.stored.sha256) as sound:
        return sound.read(0, sound.frames)


def left_behind(store):
    return [p for p in store.root.rglob("*") if p.is_file()]


def refused(path, store, code, **more):
    with pytest.raises(ClipRefused) as caught:
        import_audio(path, store, **more)
    assert caught.value.code == code
    assert "\n" not in str(caught.value)
    assert left_behind(store) == []
    return str(caught.value)


SNDFILE = ["wav", "aiff", "flac", "ogg", "opus", "mp3"]
OTHERS = ["m4a", "wma", "ac3", "webm", "caf"]


@pytest.mark.parametrize("ending", SNDFILE + OTHERS)
@pytest.mark.parametrize("channels", [1, 2])
def test_every_format_is_taken_with_its_channels(tmp_path, store, ending, channels):
    wav = write(tmp_path / "tone.wav", tone(2, 48_000, channels=channels))
    file = wav if ending == "wav" else by_ffmpeg(wav, tmp_path / f"tone.{ending}")
    found = import_audio(file, store)
    assert found.stored.channels == channels
    assert found.stored.frames == pytest.approx(96_000, abs=4096)  # coders round up to their block
    samples = audio_of(store, found)
    for channel in range(channels):
        assert level_of(samples[:, channel], 48_000, 440) == pytest.approx(0.3, rel=0.08)


@pytest.mark.parametrize(
    "rate", [8_000, 11_025, 16_000, 22_050, 32_000, 37_800, 44_100, 48_000, 88_200, 96_000, 192_000]
)
def test_every_rate_becomes_48_khz_with_level_and_length_kept(tmp_path, store, rate):
    file = write(tmp_path / "tone.wav", tone(2, rate, hz=997), rate, "FLOAT")
    found = import_audio(file, store)
    assert found.stored.frames == pytest.approx(96_000, abs=1)
    assert level_of(audio_of(store, found)[:, 0], 48_000, 997) == pytest.approx(0.3, rel=1e-4)


def test_resampling_keeps_what_would_alias_out(tmp_path, store):
    # 30 kHz at 96 kHz is over half of 48 kHz: soxr's VHQ leaves nothing of it (documented rejection 170 dB)
    file = write(
        tmp_path / "high.wav", tone(1, 96_000, hz=30_000) + tone(1, 96_000, hz=1_000, peak=0.1), 96_000, "FLOAT"
    )
    samples = audio_of(store, import_audio(file, store))[:, 0]
    assert level_of(samples, 48_000, 18_000) < 1e-6
    assert level_of(samples, 48_000, 1_000) == pytest.approx(0.1, rel=1e-4)


@pytest.mark.parametrize(
    ("subtype", "step"),
    [
        ("PCM_U8", 2**-7),
        ("PCM_16", 2**-15),
        ("PCM_24", 2**-23),
        ("PCM_32", 2**-24),
        ("FLOAT", 0),
        ("DOUBLE", 2**-24),
    ],
)
def test_every_bit_depth_is_kept_to_its_step(tmp_path, store, subtype, step):
    samples = tone(0.5)
    found = import_audio(write(tmp_path / "tone.wav", samples, subtype=subtype), store)
    assert np.abs(audio_of(store, found) - samples).max() <= step


def test_float_samples_beyond_full_scale_are_not_clipped(tmp_path, store):
    found = import_audio(write(tmp_path / "hot.wav", tone(0.5, peak=1.5), subtype="FLOAT"), store)
    assert np.abs(audio_of(store, found)).max() == pytest.approx(1.5, abs=1e-3)
    assert found.measurement.sample_peak_dbfs == pytest.approx(20 * np.log10(1.5), abs=0.01)


# ITU-R BS.775-4 Annex 4 Table 2, downward mixing of 3/2 to 2/0: L and R by 1, C by 0.7071 to both, Ls and Rs by
# 0.7071 to their side; the LFE channel is left out.
FOLDED = {  # channel's frequency -> (left, right)
    300.0: (1.0, 0.0),
    500.0: (0.0, 1.0),
    700.0: (0.7071, 0.7071),
    60.0: (0.0, 0.0),
    1100.0: (0.7071, 0.0),
    1300.0: (0.0, 0.7071),
}


@pytest.mark.parametrize("ending", ["wav", "flac", "ogg", "opus", "m4a", "ac3"])
def test_surround_is_folded_by_bs_775_whatever_the_files_own_order(tmp_path, store, ending):
    wav = write(tmp_path / "surround.wav", tones(3, 48_000, list(FOLDED), peak=0.1), subtype="FLOAT")
    options = {
        "ogg": ("-c:a", "libvorbis", "-q:a", "9"),
        "opus": ("-b:a", "512k", "-mapping_family", "1"),
        "m4a": ("-b:a", "512k"),
        "ac3": ("-b:a", "640k"),
    }
    file = wav if ending == "wav" else by_ffmpeg(wav, tmp_path / f"surround.{ending}", *options.get(ending, ()))
    found = import_audio(file, store)
    assert found.original.channels == 6
    samples = audio_of(store, found)
    exact = ending in {"wav", "flac"}
    for hz, (left, right) in FOLDED.items():
        assert level_of(samples[:, 0], 48_000, hz) / 0.1 == pytest.approx(left, abs=1e-4 if exact else 0.05)
        assert level_of(samples[:, 1], 48_000, hz) / 0.1 == pytest.approx(right, abs=1e-4 if exact else 0.05)


@pytest.mark.parametrize(
    ("channels", "expected"),
    [
        (3, [(1, 0), (0, 1), (0.7071, 0.7071)]),
        (4, [(1, 0), (0, 1), (0.7071, 0), (0, 0.7071)]),
        (5, [(1, 0), (0, 1), (0.7071, 0.7071), (0.7071, 0), (0, 0.7071)]),
        (8, [(1, 0), (0, 1), (0.7071, 0.7071), (0, 0), (0.7071, 0), (0, 0.7071), (0.7071, 0), (0, 0.7071)]),
    ],
)
def test_three_four_five_and_eight_channels_are_folded_alike(tmp_path, store, channels, expected):
    hz = [300.0 + 200 * i for i in range(channels)]
    found = import_audio(write(tmp_path / "many.wav", tones(1, 48_000, hz, peak=0.1), subtype="FLOAT"), store)
    samples = audio_of(store, found)
    for f, sides in zip(hz, expected, strict=True):
        for side in (0, 1):
            assert level_of(samples[:, side], 48_000, f) / 0.1 == pytest.approx(sides[side], abs=1e-4)


def test_a_stereo_clip_is_measured_as_a_mono_zone_plays_it_too(tmp_path, store):
    samples = tone(2, channels=2)
    samples[:, 1] *= -1  # nothing is left of the sum
    found = import_audio(write(tmp_path / "against.wav", samples, subtype="FLOAT"), store)
    assert found.measurement.mono_lufs is None
    samples[:, 1] = samples[:, 0]
    found = import_audio(write(tmp_path / "with.wav", samples, subtype="FLOAT"), store)
    assert found.measurement.mono_lufs == pytest.approx(found.measurement.integrated_lufs, abs=1e-3)
    assert found.measurement.mono_true_peak_dbtp == pytest.approx(
        found.measurement.true_peak_dbtp + 3.01, abs=0.01
    )


def padded(lead_s, tail_s):
    return np.concatenate(
        [np.zeros((int(lead_s * 48_000), 1)), tone(1), np.zeros((int(tail_s * 48_000), 1))]
    ).astype(np.float32)


@pytest.mark.parametrize(("lead_s", "tail_s"), [(0.0, 0.0), (0.5, 0.25), (12.0, 21.5), (0.0, 1.0)])
def test_silence_at_both_ends_is_found_and_kept(tmp_path, store, lead_s, tail_s):
    file = write(tmp_path / "pause.wav", padded(lead_s, tail_s))
    found = import_audio(file, store)
    assert found.lead_silence_ms == pytest.approx(lead_s * 1000, abs=10)
    assert found.tail_silence_ms == pytest.approx(tail_s * 1000, abs=10)
    assert found.stored.frames == len(padded(lead_s, tail_s))
    assert not found.trimmed


def test_silence_is_trimmed_on_request_to_30_ms(tmp_path, store):
    found = import_audio(write(tmp_path / "pause.wav", padded(0.5, 0.25), subtype="FLOAT"), store, trim=True)
    assert found.trimmed
    assert found.stored.duration_ms == pytest.approx(1060, abs=20)
    samples = audio_of(store, found)[:, 0]
    start = round(48 * (found.lead_silence_ms - 30))
    assert np.array_equal(samples, padded(0.5, 0.25)[start : start + len(samples), 0])
    assert len([p for p in left_behind(store) if p.suffix == ".wav"]) == 1


def test_a_quiet_clip_is_not_taken_for_silence(tmp_path, store):
    quiet = padded(0.5, 0.5) * np.float32(0.005)
    found = import_audio(write(tmp_path / "quiet.wav", quiet, subtype="FLOAT"), store)
    assert found.lead_silence_ms == pytest.approx(500, abs=10)


def test_an_empty_file_is_refused(tmp_path, store):
    (tmp_path / "empty.wav").write_bytes(b"")
    assert refused(tmp_path / "empty.wav", store, "empty") == "empty.wav: is empty"


def test_a_file_with_no_sample_is_refused(tmp_path, store):
    refused(write(tmp_path / "none.wav", np.zeros((0, 1), np.float32)), store, "empty")


@pytest.mark.parametrize("ending", ["wav", "aiff", "flac", "mp3", "ogg", "opus", "m4a", "ac3", "wma", "webm"])
@pytest.mark.parametrize("share", [0.5, 0.9])
def test_a_truncated_file_is_refused(tmp_path, store, ending, share):
    wav = write(tmp_path / "whole.wav", tone(5, channels=2))
    whole = wav if ending == "wav" else by_ffmpeg(wav, tmp_path / f"whole.{ending}")
    data = whole.read_bytes()
    cut = tmp_path / f"cut.{ending}"
    cut.write_bytes(data[: int(len(data) * share)])
    assert "truncated" in refused(cut, store, "truncated") or "damaged" in refused(cut, store, "truncated")


def test_an_mp3_without_a_length_is_read_to_its_end(tmp_path, store):
    # variable bit rate from near silence to noise: a guess from the first frame's rate would be far off
    samples = np.concatenate([tone(3, peak=1e-3), np.random.default_rng(1).standard_normal((240_000, 1)) * 0.2])
    wav = write(tmp_path / "whole.wav", samples.astype(np.float32))
    file = by_ffmpeg(wav, tmp_path / "stream.mp3", "-c:a", "libmp3lame", "-q:a", "2", "-write_xing", "0")
    assert import_audio(file, store).stored.frames == pytest.approx(384_000, abs=4000)


def test_a_streamed_wav_and_flac_without_sizes_are_read_to_their_end(tmp_path, store):
    wav = write(tmp_path / "whole.wav", tone(3))
    for form in ("wav", "flac"):
        done = subprocess.run([FFMPEG, "-v", "error", "-i", wav, "-f", form, "-"], check=True, capture_output=True)
        (tmp_path / f"streamed.{form}").write_bytes(done.stdout)
        assert import_audio(tmp_path / f"streamed.{form}", store).stored.frames == 144_000


@pytest.mark.parametrize(
    "content",
    [b"not audio at all\n" * 100, b"<html><body>404</body></html>", bytes(5000), b"ID3" + bytes(500), b"RIFF"],
)
@pytest.mark.parametrize("ending", ["txt", "wav", "mp3", "m4a"])
def test_what_is_not_audio_is_refused(tmp_path, store, content, ending):
    file = tmp_path / f"page.{ending}"
    file.write_bytes(content)
    with pytest.raises(ClipRefused) as caught:
        import_audio(file, store)
    assert caught.value.code in {"not-audio", "truncated"}
    assert left_behind(store) == []


def test_a_list_of_files_does_not_lead_to_other_files(tmp_path, store):
    secret = write(tmp_path / "secret.wav", tone(2))
    listing = tmp_path / "list.m3u8"
    listing.write_text(f"#EXTM3U\n#EXT-X-TARGETDURATION:2\n#EXTINF:2,\n{secret}\n#EXT-X-ENDLIST\n")
    refused(listing, store, "not-audio")
    joined = tmp_path / "list.ffconcat"
    joined.write_text(f"ffconcat version 1.0\nfile '{secret}'\n")
    refused(joined, store, "not-audio")


def test_a_film_without_sound_is_refused(tmp_path, store):
    film = tmp_path / "film.mp4"
    subprocess.run([FFMPEG, "-v", "error", "-f", "lavfi", "-i", "testsrc=d=1:s=64x64", film], check=True)
    refused(film, store, "not-audio")


@pytest.mark.parametrize("level", [0.0, 1e-4])
def test_all_silence_is_refused(tmp_path, store, level):
    file = write(tmp_path / "still.wav", np.full((48_000, 1), level, np.float32), subtype="FLOAT")
    assert "all silence" in refused(file, store, "silent")


@pytest.mark.parametrize("bad", [np.nan, np.inf])
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_samples_that_are_no_numbers_are_refused(tmp_path, store, bad, rate):
    samples = tone(2, rate)
    samples[rate] = bad
    refused(write(tmp_path / "bad.wav", samples, rate, "FLOAT"), store, "not-finite")


@pytest.mark.parametrize("ending", ["wav", "m4a"])
def test_what_is_too_long_is_refused_and_what_just_fits_is_not(tmp_path, store, ending):
    wav = write(tmp_path / "long.wav", tone(4))
    file = wav if ending == "wav" else by_ffmpeg(wav, tmp_path / "long.m4a")
    assert "allowed are 0:03 min" in refused(file, store, "too-long", limit_s=3.0)
    import_audio(file, store, limit_s=4.1)


def test_speech_may_be_15_min_long_and_music_2_h(tmp_path, store):
    # headers alone: the length is judged before anything is decoded
    file = write(tmp_path / "long.wav", tone(901, 8_000, peak=0.1), 8_000, "PCM_U8")
    assert "15:01 min, allowed are 15:00 min" in refused(file, store, "too-long")


def test_a_stream_without_length_is_stopped_at_the_limit(tmp_path, store):
    wav = write(tmp_path / "long.wav", tone(10))
    file = by_ffmpeg(wav, tmp_path / "long.mp3", "-write_xing", "0")
    refused(file, store, "too-long", limit_s=3.0)


@pytest.mark.parametrize(
    "name",
    ["../../x", "..", "/etc/passwd", "a\\b.wav", "x\0.wav", "", "line\nbreak.wav", "\x9b.wav", "\udcff.wav"],
)
def test_a_name_that_leads_elsewhere_is_refused(tmp_path, store, name):
    file = write(tmp_path / "tone.wav", tone(1))
    assert "names without folders" in refused(file, store, "bad-name", name=name)


def test_a_missing_file_and_a_folder_are_refused(tmp_path, store):
    assert "no such file" in refused(tmp_path / "gone.wav", store, "missing")
    refused(tmp_path, store, "missing")


def test_nine_channels_are_refused(tmp_path, store):
    refused(write(tmp_path / "nine.wav", tone(1, channels=9)), store, "channels")


def test_the_same_sound_from_two_formats_is_one_clip(tmp_path, store):
    samples = tone(1)
    one = import_audio(write(tmp_path / "a.wav", samples, subtype="PCM_16"), store)
    two = import_audio(by_ffmpeg(tmp_path / "a.wav", tmp_path / "b.flac"), store)
    assert one.stored == two.stored
    assert soundfile.info(store.path_of(one.stored.sha256)).frames == 48_000
