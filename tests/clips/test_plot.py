"""`oyez measure --plot` and the pictures kept beside stored audio."""

from __future__ import annotations

import io
import subprocess
import sys
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from oyez.cli import main
from oyez.clips.pictures import ENDING, kept_picture
from oyez.clips.raster import SCALE, to_png
from oyez.clips.store import AudioStore
from oyez.clips.traced import picture_of, picture_of_file
from oyez.loudness.drawing import COLOURS, axes_of, draw
from tests.clips.making import tone, write


def rgb(name: str) -> tuple[int, ...]:
    return tuple(int(COLOURS[name][0][i : i + 2], 16) for i in (1, 3, 5))


def test_a_file_is_drawn_as_svg_beside_its_numbers(tmp_path, capsys):
    file, out = write(tmp_path / "tone.wav", tone(4)), tmp_path / "tone.svg"
    assert main(["measure", str(file), "--plot", str(out)]) == 0
    said = capsys.readouterr()
    assert "LUFS" in said.out
    assert said.err == f"{out}: drawn\n"
    assert ET.parse(out).getroot().get("role") == "img"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["tone.svg", "tone.wav"]


def test_json_stays_json_beside_a_plot(tmp_path, capsys):
    file = write(tmp_path / "tone.wav", tone(1))
    assert main(["measure", str(file), "--json", "--plot", str(tmp_path / "a.png")]) == 0
    assert capsys.readouterr().out.startswith("[")


@pytest.mark.parametrize("hz_db", [-30, -12])
def test_the_png_shows_the_integrated_loudness_where_the_axes_put_it(tmp_path, hz_db):
    # A 997 Hz sine in one channel is 3.01 LU under its peak level (BS.1770-5 Annex 1)
    file = write(tmp_path / "tone.wav", tone(5, hz=997, peak=10 ** (hz_db / 20)), subtype="FLOAT")
    picture = picture_of_file(file)
    image = np.asarray(Image.open(io.BytesIO(to_png(draw(picture, title="tone")))).convert("RGB"), dtype=int)
    axes = axes_of(picture)
    near = np.abs(image - rgb("accent")).sum(axis=2) < 24
    rows = np.flatnonzero(near[:, round(axes.x(0.2) * SCALE)][: round(axes.loudness_bottom * SCALE)])
    assert len(rows) > 6
    assert rows.mean() + 0.5 == pytest.approx(axes.y(hz_db - 3.01) * SCALE, abs=1.5)
    assert image.shape[1] == 960 * SCALE


def test_a_mono_file_that_sounds_from_two_channels_is_drawn_louder(tmp_path):
    file = write(tmp_path / "tone.wav", tone(2, hz=997, peak=0.25), subtype="FLOAT")
    texts = []
    for more in ([], ["--dual-mono"]):
        out = tmp_path / f"{len(more)}.svg"
        assert main(["measure", str(file), "--plot", str(out), *more]) == 0
        texts.append(out.read_text())
    assert "\N{MINUS SIGN}15.1 LUFS" in texts[0]  # -12.04 - 3.01
    assert "\N{MINUS SIGN}12.0 LUFS" in texts[1]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["a.wav", "b.wav", "--plot", "x.svg"], "--plot x.svg: 2 files, a picture is drawn of one: name one FILE"),
        (["a.wav", "--plot", "x.gif"], "--plot x.gif: ends in '.gif', allowed are .svg and .png"),
        (["a.svg", "--plot", "a.svg"], "--plot a.svg: is the file to be measured, name another for its picture"),
    ],
)
def test_a_plot_that_cannot_be_is_refused_before_anything_is_measured(tmp_path, monkeypatch, capsys, words, says):
    monkeypatch.chdir(tmp_path)
    assert main(["measure", *words]) == 2
    said = capsys.readouterr()
    assert (said.out, said.err.strip()) == ("", says)


def test_a_plot_into_a_folder_that_is_not_there_is_one_line(tmp_path, capsys):
    file = write(tmp_path / "tone.wav", tone(1))
    assert main(["measure", str(file), "--plot", str(tmp_path / "no" / "x.svg")]) == 1
    assert "cannot be written: No such file" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["tone.wav"]


def test_a_file_that_cannot_be_read_leaves_no_picture(tmp_path, capsys):
    (tmp_path / "bad.wav").write_text("no sound")
    assert main(["measure", str(tmp_path / "bad.wav"), "--plot", str(tmp_path / "x.svg")]) == 1
    assert not (tmp_path / "x.svg").exists()


def test_stored_audio_is_traced_once_and_its_picture_goes_with_it(tmp_path):
    store = AudioStore(tmp_path / "audio")
    sha256 = store.put(tone(2, channels=2)).sha256
    path = store.path_of(sha256)
    assert kept_picture(path) is None
    made = picture_of(store, sha256)
    assert kept_picture(path) == made
    kept = path.with_suffix(ENDING)
    kept.write_text(kept.read_text().replace('"sample_rate": 48000', '"sample_rate": 44100'))
    assert picture_of(store, sha256).sample_rate == 44100  # read, not made anew
    for torn in ("", "{}", "[]", kept.read_text().replace('"tracer": 1', '"tracer": 0')):
        kept.write_text(torn)
        assert kept_picture(path) is None
        assert picture_of(store, sha256) == made
    store.remove(sha256)
    assert not kept.exists()


def test_a_process_of_its_own_makes_a_picture_or_says_why_not(tmp_path):
    store = AudioStore(tmp_path / "audio")
    sha256 = store.put(tone(1)).sha256
    command = [sys.executable, "-m", "oyez.clips.traced", "--data", str(tmp_path)]
    assert subprocess.run([*command, sha256], check=False, capture_output=True).returncode == 0
    assert kept_picture(store.path_of(sha256)) is not None
    gone = subprocess.run([*command, "0" * 64], check=False, capture_output=True, text=True)
    assert gone.returncode == 2
    assert len(gone.stderr.splitlines()) == 1
