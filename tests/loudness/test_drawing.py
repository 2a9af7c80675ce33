"""The picture of a measured file: what is traced, and that every shape stands where its number says."""

from __future__ import annotations

import dataclasses
import json
import xml.etree.ElementTree as ET

import numpy as np
import pytest
import scipy.signal

from oyez.loudness.drawing import BAND_PX, COLOURS, PAINTS, Area, Drawing, Line, Words, axes_of, draw
from oyez.loudness.meter import Meter, measure
from oyez.loudness.picture import COLUMNS_MOST, Picture, lifted, picture_tree, read_picture
from oyez.loudness.svg import to_svg
from oyez.loudness.tracing import Tracer
from tests.loudness.programmes import bursts, music, spoken

SVG = "{http://www.w3.org/2000/svg}"
SPEECH = spoken("Please keep your hands off the glass. The fish can feel every knock, and so can the rays.")


def traced(samples: np.ndarray, rate: int = 48_000, block: int = 65_536) -> Picture:
    tracer = Tracer(rate, samples.shape[1])
    for start in range(0, len(samples), block):
        tracer.push(samples[start : start + block])
    return tracer.picture()


def drawn(picture: Picture, width: float = 960) -> Drawing:
    return draw(picture, title="Hands off", width=width)


def shapes_of(drawing: Drawing, paint: str) -> list[Line | Area]:
    """The largest first: the legend has a small one of each too."""
    found = [s for s in drawing.shapes if not isinstance(s, Words) and s.paint == paint]
    return sorted(found, key=lambda s: -(max(x for x, _ in s.points) - min(x for x, _ in s.points)))


def middle(shape: Line | Area) -> float:
    ys = [y for _, y in shape.points]
    return (min(ys) + max(ys)) / 2


# ---- tracing


@pytest.mark.parametrize("rate", [8_000, 44_100, 48_000, 96_000])
def test_the_highest_column_is_the_measurement(rate):
    samples = bursts(7.3, 5, 2, rate)
    picture, measured = traced(samples, rate), measure(samples, rate)
    assert picture.highest[0] == pytest.approx(measured.true_peak_dbtp, abs=0.006)  # kept to 0.01 dB
    assert max(filter(None, picture.sample_peak_dbfs)) == pytest.approx(measured.sample_peak_dbfs, abs=0.006)
    top = [max(v for v in series if v is not None)
           for series in (picture.momentary_high_lufs, picture.short_term_high_lufs)]  # fmt: skip
    assert top == pytest.approx([measured.momentary_max_lufs, measured.short_term_max_lufs], abs=0.006)
    assert picture.integrated_lufs == measured.integrated_lufs
    assert picture.loudness_range_lu == measured.loudness_range_lu
    assert picture.columns * picture.column_s >= picture.duration_s > (picture.columns - 1) * picture.column_s


def test_columns_keep_the_extremes_of_the_samples_in_them():
    samples = music(4.0, 2)
    picture = traced(samples)
    step = round(picture.column_s * 48_000)
    for k in range(picture.columns):
        part = samples[k * step : (k + 1) * step]
        assert picture.wave_low[k] == pytest.approx(float(part.min()), abs=1e-5)
        assert picture.wave_high[k] == pytest.approx(float(part.max()), abs=1e-5)


def test_a_true_peak_column_agrees_with_another_interpolator():
    samples = (music(3.0, 8) * np.float32(0.8)).astype(np.float32)
    picture = traced(samples)
    raised = np.abs(scipy.signal.resample_poly(samples.astype(float), 8, 1, axis=0)).max(axis=1)
    step = round(picture.column_s * 48_000) * 8
    for k in range(1, picture.columns - 1):
        # A column may reach 32 samples back, and what lies by its end is looked at with the next one.
        # 4 times against 8 times: annex 2 of BS.1770-5, attachment 1, allows 0.69 dB.
        surely = 20 * np.log10(raised[k * step : (k + 1) * step - 12 * 8].max())
        at_most = 20 * np.log10(raised[k * step - 40 * 8 : (k + 1) * step + 12 * 8].max())
        assert surely - 0.7 <= picture.true_peak_dbtp[k] <= at_most + 0.1


def test_a_window_stands_where_it_ends():
    """A tone that begins at 2 s: the momentary loudness has risen to all of it at 2.4 s, and not before."""
    t = np.arange(5 * 48_000) / 48_000
    samples = (np.where(t >= 2.0, 0.25, 0.0) * np.sin(2 * np.pi * 997 * t))[:, None].astype(np.float32)
    picture = traced(samples)
    at = lambda seconds: picture.momentary_high_lufs[round(seconds / picture.column_s) - 1]  # noqa: E731
    # BS.1770: 997 Hz at full scale in one channel is -3.01 LUFS; 0.25 is 12.04 dB less
    assert at(2.4) == pytest.approx(-15.05, abs=0.05)
    assert at(2.3) < at(2.4) - 0.5
    assert at(2.0) is None  # digital silence
    assert picture.momentary_high_lufs[: round(0.39 / picture.column_s)] == (None,) * 39


@pytest.mark.parametrize("block", [1, 479, 48_000])
def test_how_the_audio_is_cut_into_blocks_changes_nothing(block):
    samples = music(1.2 if block == 1 else 3.0, 4)
    assert traced(samples, block=block) == traced(samples, block=1 << 20)


def test_two_hours_have_no_more_columns_than_a_minute_and_lose_no_peak():
    minute = np.tile(SPEECH, (12, 1))[: 60 * 8000]
    tracer = Tracer(8_000, 1)
    for k in range(120):
        block = minute.copy()
        if k == 77:
            block[1000] = 0.97
        tracer.push(block)
    picture = tracer.picture()
    assert picture.duration_s == 7200
    assert COLUMNS_MOST / 2 <= picture.columns < COLUMNS_MOST
    assert picture.highest[0] == pytest.approx(20 * np.log10(0.97), abs=0.2)
    assert picture.highest[1] == pytest.approx(77 * 60, abs=picture.column_s)
    assert len(json.dumps(picture_tree(picture))) < 90_000
    assert len(to_svg(drawn(picture, 2400))) < 200_000


def test_a_picture_survives_json_and_a_torn_one_is_refused():
    picture = traced(SPEECH)
    tree = json.loads(json.dumps(picture_tree(picture)))
    assert read_picture(tree) == picture
    for torn in ({**tree, "wave_low": tree["wave_low"][1:]}, {**tree, "more": 1}, [], {**tree, "wave_high": 3}):
        with pytest.raises(ValueError):
            read_picture(torn)


def test_the_gate_is_10_lu_under_the_mean_of_what_passes_the_absolute_gate():
    # ITU-R BS.1770-5 equation (6). A steady tone: all blocks are alike
    t = np.arange(4 * 48_000) / 48_000
    picture = traced((0.1 * np.sin(2 * np.pi * 997 * t))[:, None].astype(np.float32))
    assert picture.relative_gate_lufs == pytest.approx(picture.integrated_lufs - 10.0, abs=0.02)


# ---- geometry


@pytest.mark.parametrize("width", [240, 328, 960, 2400])
def test_the_integrated_band_stands_at_its_loudness(width):
    picture = traced(SPEECH)
    loudness = measure(SPEECH, 48_000).integrated_lufs
    band = shapes_of(drawn(picture, width), "integrated")[0]
    # worked out from the axis' own numbers: between the grid's words for 0 and -60
    words = {w.text: w.at[1] for w in drawn(picture, width).shapes if isinstance(w, Words) and w.anchor == "end"}
    top, bottom = words["0"], words["\N{MINUS SIGN}60"]
    assert middle(band) == pytest.approx(top - 5 + (bottom - top) * loudness / -60.0, abs=0.01)
    ys = [y for _, y in band.points]
    assert max(ys) - min(ys) == pytest.approx(2 * BAND_PX)
    # the twin: 1 LU quieter stands 3.6 px lower
    quieter = shapes_of(drawn(lifted(picture, -1.0), width), "integrated")[0]
    assert middle(quieter) - middle(band) == pytest.approx((bottom - top) / 60.0, abs=0.05)


def test_the_lines_go_through_the_meters_own_values():
    picture = traced(SPEECH)
    axes, drawing = axes_of(picture), drawn(picture)
    series = Meter(48_000, 1).push(SPEECH).series()
    line = max(shapes_of(drawing, "short-term"), key=lambda s: len(s.points))
    ends = {round((x - axes.left) / (axes.right - axes.left) * picture.duration_s, 2): y for x, y in line.points}
    for i in range(0, len(series.short_term_lufs) - 2, 7):
        wanted = axes.y(series.short_term_lufs[i])
        assert ends[round(3.0 + i * 0.01, 2)] == pytest.approx(wanted, abs=0.05)
        assert ends[round(3.0 + i * 0.01, 2)] != pytest.approx(axes.y(series.short_term_lufs[i] - 1.0), abs=0.05)


def test_the_gate_line_is_the_edge_of_what_is_not_counted():
    picture = traced(SPEECH)
    drawing, axes = drawn(picture), axes_of(picture)
    gate, ground = shapes_of(drawing, "gate")[0], shapes_of(drawing, "gated")[0]
    assert gate.points[0][1] == pytest.approx(axes.y(picture.relative_gate_lufs))
    assert min(y for _, y in ground.points) == pytest.approx(gate.points[0][1])
    assert max(y for _, y in ground.points) == pytest.approx(axes.loudness_bottom)


def test_the_mark_stands_over_the_highest_peak():
    samples = SPEECH.copy() * np.float32(0.3)
    samples[96_000] = 0.9
    picture = traced(samples)
    mark, axes = shapes_of(drawn(picture), "highest"), axes_of(picture)
    tip = max(mark[0].points, key=lambda p: p[1])
    tips = [max(m.points, key=lambda p: p[1]) for m in mark]
    tip = next(t for t in tips if t[1] < axes.wave_bottom)
    assert tip[0] == pytest.approx(axes.x(2.0), abs=2.0)
    assert tip[1] == pytest.approx(axes.wave_y(10 ** (picture.highest[0] / 20)) - 1)


def test_the_waveform_lies_inside_its_true_peaks():
    picture = traced(music(3.0, 6))
    drawing = drawn(picture)
    wave, peaks = shapes_of(drawing, "wave")[0], shapes_of(drawing, "peaks")[0]
    half = len(wave.points) // 2
    for (x, y), (px, py) in zip(wave.points[:half], peaks.points[:half], strict=True):
        assert x == px
        assert py <= y + 0.05  # kept to 0.01 dB


@pytest.mark.parametrize("width", [240, 320, 700, 1200])
def test_no_word_runs_over_the_side_and_columns_are_no_finer_than_pixels(width):
    for picture in (traced(SPEECH), traced(music(70, 3))):
        drawing = drawn(picture, width)
        for shape in drawing.shapes:
            if isinstance(shape, Words):
                wide = len(shape.text) * 7.0  # the page's typeface at 14 px is 6.8 px a character on average
                left = shape.at[0] - {"start": 0, "middle": wide / 2, "end": wide}[shape.anchor]
                assert left >= -1, shape
                assert left + wide <= width, shape
                assert shape.at[1] < drawing.height
            else:
                assert all(-0.01 <= x <= width + 0.01 for x, _ in shape.points)
                assert len(shape.points) <= 2 * width


def test_what_is_undefined_is_said_and_not_drawn():
    for samples in (np.zeros((24_000, 1), np.float32), np.zeros((0, 1), np.float32), SPEECH[:9600]):
        picture = traced(samples)
        drawing = drawn(picture)
        assert picture.integrated_lufs is None
        assert "No integrated loudness" in drawing.description
        assert not [s for s in drawing.shapes if s.paint == "integrated"]
        ET.fromstring(to_svg(drawing))


def test_samples_that_are_no_numbers_do_not_break_the_picture():
    samples = SPEECH.copy()
    samples[5000] = np.nan
    picture = traced(samples)
    assert picture.integrated_lufs is None
    assert all(np.isfinite(picture.wave_high))
    json.dumps(picture_tree(picture), allow_nan=False)


def test_a_quiet_recording_is_seen_and_a_hot_one_has_room():
    quiet = axes_of(traced(SPEECH * np.float32(0.003)))
    assert quiet.floor_lufs < -60
    hot = axes_of(traced(SPEECH * np.float32(9.0)))
    assert hot.full > 1.0
    assert hot.wave_y(1.0) > hot.wave_top


def test_the_same_sound_from_two_loudspeakers_is_drawn_3_01_lu_higher():
    one = traced(SPEECH)
    two = traced(np.repeat(SPEECH, 2, axis=1))
    higher = lifted(one, 10 * np.log10(2))
    assert higher.integrated_lufs == pytest.approx(two.integrated_lufs, abs=0.02)
    assert [v for v in higher.momentary_high_lufs if v] == pytest.approx(
        [v for v in two.momentary_high_lufs if v], abs=0.02
    )
    assert higher.wave_high == one.wave_high


# ---- SVG


def test_the_svg_says_in_words_what_it_shows():
    picture = traced(SPEECH)
    root = ET.fromstring(to_svg(draw(picture, title='<Hands> & "off"\x07', width=500)))
    assert root.get("role") == "img"
    assert root[0].tag == f"{SVG}title"
    assert root[0].text == 'Loudness of <Hands> & "off"\ufffd over time'
    assert root[1].tag == f"{SVG}desc"
    assert f"Integrated loudness \N{MINUS SIGN}{abs(picture.integrated_lufs):.1f} LUFS" in root[1].text
    assert "True peak" in root[1].text
    words = " ".join(text.text for text in root.iter(f"{SVG}text"))
    for said in (
        "LUFS",
        "time in seconds",
        "Momentary (400 ms)",
        "Short-term (3 s)",
        "dBTP",
        "Not counted under",
        "dBFS",
    ):
        assert said in words


def test_every_shape_has_its_paint_in_both_lights_and_none_without_style():
    drawing = drawn(traced(SPEECH))
    text = to_svg(drawing)
    light, dark = text.split("@media (prefers-color-scheme:dark)")
    for shape in drawing.shapes:
        assert f".{shape.paint}{{" in light
        assert f".{shape.paint}{{" in dark
    assert "<style" not in to_svg(drawing, styled=False)
    assert "style=" not in text
    used = {name for paint in PAINTS.values() for name in (paint.fill, paint.stroke) if name}
    assert used <= set(COLOURS)


def luminance(colour: str) -> float:  # WCAG 2.2, "relative luminance"
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("mode", [0, 1])
def test_words_and_lines_stand_out_in_light_and_dark(mode):
    def contrast(one: str, other: str) -> float:
        high, low = sorted((luminance(COLOURS[one][mode]), luminance(COLOURS[other][mode])), reverse=True)
        return (high + 0.05) / (low + 0.05)

    for words in ("ink", "ink-soft"):
        for behind in ("sheet", "ground"):
            assert contrast(words, behind) >= 4.5, (words, behind)  # success criterion 1.4.3
    for shape, behind in (("ribbon", "sheet"), ("ink", "accent" if mode == 0 else "sheet"), ("ink-soft", "sheet")):
        assert contrast(shape, behind) >= 3.0, (shape, behind)  # success criterion 1.4.11


def test_a_drawing_is_a_function_of_its_picture():
    picture = traced(SPEECH)
    assert to_svg(drawn(picture)) == to_svg(drawn(dataclasses.replace(picture)))
