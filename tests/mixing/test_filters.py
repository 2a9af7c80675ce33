"""The zone's filters against the cookbook's worked examples, and what passes through the mixer against scipy."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import signal

from oyez.mixing.filters import FLAT, gain_db_at, highpass, peaking, settling_s, zone_sections
from tests.mixing.world import RATE, Shelf, programme, render, source, zone

# R. Bristow-Johnson, Audio EQ Cookbook (W3C note), worked at 48 kHz by scipy's bilinear transform and by SoX
# 14.4.2, which agree to 5e-16.
COOKBOOK = json.loads((Path(__file__).parent.parent / "vectors" / "eq_cookbook.json").read_text())
PEAKS = [e for e in COOKBOOK if isinstance(e, dict) and e.get("type") == "peak"]
HIGHPASSES = [e for e in COOKBOOK if isinstance(e, dict) and str(e.get("type", "")).lower() in {"hpf", "highpass"}]


def test_the_cookbook_file_has_examples_of_both_kinds():
    assert len(PEAKS) >= 3
    assert len(HIGHPASSES) >= 1


@pytest.mark.parametrize("example", PEAKS, ids=lambda e: e["name"])
def test_a_band_has_the_cookbooks_coefficients(example):
    got = peaking(example["f0"], example["dBgain"], example["Q_equiv"])
    assert got == pytest.approx((*example["b"], *example["a"][1:]), abs=1e-12)


@pytest.mark.parametrize("example", HIGHPASSES, ids=lambda e: e["name"])
def test_the_high_pass_has_the_cookbooks_coefficients(example):
    got = highpass(example["f0"], example.get("Q", np.sqrt(0.5)))
    assert got == pytest.approx((*example["b"], *example["a"][1:]), abs=1e-12)


@pytest.mark.parametrize("hz", [10.0, 80.0, 250.0, 2000.0])
def test_the_high_pass_is_scipys_butterworth_of_second_order(hz):
    b, a = signal.butter(2, hz, "highpass", fs=RATE)
    assert highpass(hz) == pytest.approx((*b, *a[1:]), abs=1e-9)


def test_a_band_and_its_opposite_undo_each_other():
    # Cookbook: with A*Q as the peaking filter's Q, a boost followed by the same cut is unity.
    hz = np.geomspace(20, 20_000, 200)
    both = [peaking(1000.0, 7.5, 1.4), peaking(1000.0, -7.5, 1.4)]
    assert np.abs(gain_db_at(both, hz)).max() < 1e-9


def test_a_band_of_no_gain_is_left_out():
    assert peaking(1000.0, 0.0, 1.4) == FLAT
    assert zone_sections(zone(bands=[(1000.0, 0.0, 1.4)])) == ()


@pytest.mark.parametrize("hz", [0.0, 24_000.0, -5.0])
def test_a_frequency_beyond_half_the_rate_is_refused(hz):
    with pytest.raises(ValueError, match="allowed are those between 0 and 24000"):
        highpass(hz)


BANDS = [(60.0, 4.0, 0.7), (250.0, -4.5, 1.41), (1000.0, 6.0, 1.0), (2500.0, 3.0, 1.4), (12_000.0, -3.0, 2.0)]


def impulse_response(one_zone):
    frames = 1 << 16
    click = np.zeros((frames, 1), dtype=np.float32)
    click[100] = 0.25
    shelf = Shelf(click=click)
    plan = programme(one_zone, sources=(source(shelf, "click"),))
    first = (10**9 // frames) * frames  # a round of the music begins here
    heard = render(shelf, plan, frames=frames, start_frame=first)
    return heard[:, 0].astype(float)[100:] / 0.25


def test_what_the_mixer_does_to_a_click_is_scipys_response_within_a_hundredth_of_a_db():
    setup = zone(highpass_hz=120.0, bands=BANDS)
    heard = impulse_response(setup)
    hz = np.geomspace(30, 20_000, 100)
    sos = [signal.butter(2, 120.0, "highpass", fs=RATE, output="sos")[0]]
    for f0, gain_db, q in BANDS:  # analogue prototype H(s) = (s^2 + s A/Q + 1) / (s^2 + s/(A Q) + 1), cookbook
        a = 10 ** (gain_db / 40)
        w = 2 * RATE * np.tan(np.pi * f0 / RATE)
        b_z, a_z = signal.bilinear([1, w * a / q, w * w], [1, w / (a * q), w * w], fs=RATE)
        sos.append(np.concatenate([b_z, a_z]))
    _, wanted = signal.sosfreqz(np.array(sos), worN=hz, fs=RATE)
    got = np.array([np.sum(heard * np.exp(-2j * np.pi * f * np.arange(len(heard)) / RATE)) for f in hz])
    difference = 20 * np.log10(np.abs(got)) - 20 * np.log10(np.abs(wanted))
    assert np.abs(difference).max() < 0.01
    # the twin: a band that is half a dB off shows
    off = impulse_response(zone(highpass_hz=120.0, bands=[*BANDS[:2], (1000.0, 6.5, 1.0), *BANDS[3:]]))
    got = np.array([np.sum(off * np.exp(-2j * np.pi * f * np.arange(len(off)) / RATE)) for f in hz])
    assert np.abs(20 * np.log10(np.abs(got)) - 20 * np.log10(np.abs(wanted))).max() > 0.4


def test_a_flat_zone_gives_back_the_very_samples():
    heard = impulse_response(zone())
    assert heard[0] == 1.0
    assert not heard[1:].any()


def test_the_settling_time_is_when_a_filter_has_rung_out():
    section = peaking(30.0, 6.0, 10.0)
    frames = int(settling_s([section], down_db=100.0) * RATE)
    rings = signal.lfilter(section[:3], (1.0, *section[3:]), np.r_[1.0, np.zeros(frames + RATE)])
    assert np.abs(rings[frames:]).max() < 1e-5 * np.abs(rings[1:]).max() * 2
    assert np.abs(rings[frames // 2 :]).max() > 1e-4 * np.abs(rings[1:]).max()
