"""`oyez measure`: keys and meanings that other programs rely on."""

from __future__ import annotations

import json

import numpy as np
import pytest

from oyez.cli import main
from tests.clips.making import tone, write

KEYS = {
    "file",
    "duration_s",
    "sample_rate",
    "channels",
    "integrated_lufs",
    "loudness_range_lu",
    "momentary_max_lufs",
    "short_term_max_lufs",
    "true_peak_dbtp",
    "sample_peak_dbfs",
    "gain_db",
    "limited_by_peak",
    "shortfall_lu",
    "notes",
}


@pytest.fixture(autouse=True)
def own_cache(tmp_path_factory, monkeypatch):
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.getbasetemp() / "cache"))


def measured(capsys, *words):
    status = main(["measure", *map(str, words), "--json"])
    return status, json.loads(capsys.readouterr().out)


def test_a_file_is_measured_at_its_own_rate_with_its_own_channels(tmp_path, capsys):
    # BS.1770-5 Annex 1: a full-scale 997 Hz sine is -3.01 LKFS in one channel, 0.00 in two; here 12.04 dB lower
    file = write(tmp_path / "tone.wav", tone(4, 44_100, hz=997, peak=0.25, channels=2), 44_100, "FLOAT")
    status, (entry,) = measured(capsys, file)
    assert status == 0
    assert set(entry) >= KEYS
    assert (entry["file"], entry["sample_rate"], entry["channels"]) == (str(file), 44_100, 2)
    assert entry["duration_s"] == pytest.approx(4.0)
    assert entry["integrated_lufs"] == pytest.approx(-12.04, abs=0.02)
    assert entry["true_peak_dbtp"] == pytest.approx(-12.04, abs=0.02)
    assert entry["gain_db"] == pytest.approx(-18.0 + 12.04, abs=0.02)
    assert entry["limited_by_peak"] is False
    assert entry["shortfall_lu"] == 0.0


def test_the_gain_is_without_a_limiter(tmp_path, capsys):
    samples = tone(4, peak=0.01)
    samples[48_000] = 0.9
    _, (entry,) = measured(capsys, write(tmp_path / "peaky.wav", samples, subtype="FLOAT"))
    assert entry["limited_by_peak"] is True
    assert entry["gain_db"] == pytest.approx(-1.5 - entry["true_peak_dbtp"], abs=1e-9)
    assert entry["shortfall_lu"] == pytest.approx(-18 - entry["integrated_lufs"] - entry["gain_db"], abs=1e-9)


def test_target_ceiling_and_dual_mono_are_obeyed(tmp_path, capsys):
    file = write(tmp_path / "tone.wav", tone(4, hz=997, peak=0.25), subtype="FLOAT")
    _, (one,) = measured(capsys, file)
    _, (two,) = measured(capsys, file, "--dual-mono", "--target", "-10", "--ceiling", "-6")
    for key in ("integrated_lufs", "momentary_max_lufs", "short_term_max_lufs"):
        assert two[key] - one[key] == pytest.approx(3.0103, abs=1e-4)
    assert two["true_peak_dbtp"] == one["true_peak_dbtp"]
    assert two["loudness_range_lu"] == one["loudness_range_lu"]
    assert two["gain_db"] == pytest.approx(-10 - two["integrated_lufs"], abs=1e-9)


def test_dual_mono_changes_nothing_for_a_stereo_file(tmp_path, capsys):
    file = write(tmp_path / "tone.wav", tone(4, channels=2))
    assert measured(capsys, file) == measured(capsys, file, "--dual-mono")


def test_silence_and_shortness_are_null_with_a_note(tmp_path, capsys):
    silent = write(tmp_path / "silent.wav", np.zeros((48_000, 1), np.float32))
    short = write(tmp_path / "short.wav", tone(0.2))
    status, (still, brief) = measured(capsys, silent, short)
    assert status == 0
    assert still["integrated_lufs"] is still["gain_db"] is still["true_peak_dbtp"] is None
    assert still["notes"]
    assert brief["integrated_lufs"] is brief["loudness_range_lu"] is None
    assert brief["gain_db"] is not None
    assert any("ungated" in note for note in brief["notes"])


def test_a_file_that_cannot_be_read_gets_an_error_and_the_others_are_measured(tmp_path, capsys):
    good = write(tmp_path / "good.wav", tone(1))
    (tmp_path / "bad.wav").write_text("no sound")
    status, entries = measured(capsys, tmp_path / "bad.wav", good, tmp_path / "gone.wav")
    assert status == 1
    assert set(entries[0]) == {"file", "error"}
    assert entries[1]["sample_rate"] == 48_000
    assert entries[2]["error"] == "there is no such file"


def test_surround_is_measured_in_all_its_channels(tmp_path, capsys):
    samples = tone(2, hz=997, peak=0.1, channels=6)
    samples[:, 3] = tone(2, hz=50, peak=0.8)[:, 0]  # LFE: only for the peak
    _, (entry,) = measured(capsys, write(tmp_path / "surround.wav", samples, subtype="FLOAT"))
    assert entry["integrated_lufs"] == pytest.approx(-23.01 + 10 * np.log10(3 + 2 * 1.41), abs=0.02)
    assert entry["true_peak_dbtp"] == pytest.approx(20 * np.log10(0.8), abs=0.05)


def test_what_was_measured_is_not_measured_again_wherever_it_lies(tmp_path, capsys, monkeypatch):
    file = write(tmp_path / "tone.wav", tone(1, hz=313))
    first = measured(capsys, file)
    (tmp_path / "elsewhere").mkdir()
    other = file.rename(tmp_path / "elsewhere" / "other.wav")

    def not_again(path):
        raise AssertionError(path)

    monkeypatch.setattr("oyez.clips.measured.measure_file", not_again)
    status, (entry,) = measured(capsys, other)
    assert (status, entry["integrated_lufs"]) == (0, first[1][0]["integrated_lufs"])
    with pytest.raises(AssertionError):
        measured(capsys, write(tmp_path / "new.wav", tone(1, hz=314)))


def test_people_get_a_table(tmp_path, capsys):
    file = write(tmp_path / "tone.wav", tone(1))
    assert main(["measure", str(file)]) == 0
    assert "LUFS" in capsys.readouterr().out


@pytest.mark.parametrize("words", [["--target", "5"], ["--ceiling", "x"], []])
def test_a_wrong_command_line_is_status_2(tmp_path, words, capsys):
    file = [str(write(tmp_path / "tone.wav", tone(1)))] if words else []
    with pytest.raises(SystemExit) as caught:
        main(["measure", *file, *words])
    assert caught.value.code == 2
    assert capsys.readouterr().out == ""
