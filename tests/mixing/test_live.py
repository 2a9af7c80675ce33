"""What others change while the mixer runs: arming, cutting, new programmes, sound that is late from the disk."""

from __future__ import annotations

import dataclasses
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from oyez.mixing.buffers import PIECE_FRAMES
from oyez.mixing.limiter import LOOKAHEAD_FRAMES
from oyez.mixing.mixer import GLIDE_FRAMES, Mixer
from oyez.mixing.score import armed, cut
from tests.mixing.world import (
    RATE,
    T0,
    T0_MS,
    Shelf,
    constant,
    cue,
    noise,
    programme,
    source,
    tone,
    zone,
)

BLOCK = 480


def live(shelf, plan, *, start_frame=T0):
    mixer = Mixer(plan, shelf, start_frame=start_frame)
    mixer.feed()
    return mixer


def run(mixer, seconds, *, at=None, block=BLOCK):
    """Render for a while, feeding as the feeder would; `at` maps seconds to what is done then."""
    todo = sorted((at or {}).items())
    made = []
    for n in range(round(seconds * RATE / block)):
        while todo and todo[0][0] <= n * block / RATE:
            todo.pop(0)[1]()
        if n % 10 == 0:
            mixer.feed()
        made.append(mixer.render(block).copy())
    return np.concatenate(made)


def steepest_db(gain):
    """The fastest move in dB a millisecond."""
    level_db = 20 * np.log10(np.maximum(np.abs(gain), 1e-9))
    return np.abs(level_db[48:] - level_db[:-48]).max()


MUSIC = 0.1


def music_only(channels=1, **more):
    shelf = Shelf(
        music=constant(RATE, MUSIC),
        words=np.zeros((3 * RATE, 1), dtype=np.float32),
        loud=constant(3 * RATE, 0.2),
    )
    return shelf, programme(zone(channels=channels, **more), sources=(source(shelf, "music"),))


# ---- firing


def test_a_cue_that_was_not_planned_falls_under_its_own_first_sound():
    shelf, plan = music_only()
    mixer = live(shelf, plan)
    fired = cue(shelf, "words", at_ms=0, fall_ms=200)
    started = []
    heard = run(
        mixer, 6, at={1.0: lambda: started.append(mixer.arm(dataclasses.replace(fired, start_ms=0, end_ms=3_000)))}
    )
    start = started[0] - T0
    assert RATE + LOOKAHEAD_FRAMES <= start <= RATE + LOOKAHEAD_FRAMES + 2 * BLOCK
    gain_db = 20 * np.log10(heard[:, 0] / MUSIC)
    assert np.abs(gain_db[: start + 1]).max() < 1e-5
    assert gain_db[start + 200 * 48] == pytest.approx(-14.0, abs=1e-3)
    assert gain_db[start + 100 * 48] == pytest.approx(-7.0, abs=1e-3)
    assert steepest_db(heard[:, 0]) < 14 / 200 * 1.02


def test_a_cue_armed_in_time_is_exactly_the_offline_one():
    shelf, plan = music_only()
    spoken = cue(shelf, "loud", at_ms=2_000)
    mixer = live(shelf, plan)
    heard = run(mixer, 6, at={0.5: lambda: mixer.arm(spoken)})
    still = Mixer(plan, shelf, start_frame=T0, offline=True)
    still.arm(spoken, join=True)
    assert np.array_equal(heard, still.render(6 * RATE))


def test_the_same_cue_is_never_armed_twice():
    shelf, plan = music_only()
    mixer = live(shelf, plan)
    mixer.arm(cue(shelf, "words", at_ms=2_000))
    with pytest.raises(ValueError, match="armed already"):
        mixer.arm(cue(shelf, "words", at_ms=2_000))


def test_a_second_cue_while_the_music_is_coming_up_makes_no_jump():
    shelf, plan = music_only()
    mixer = live(shelf, plan)
    late = dataclasses.replace(cue(shelf, "words", at_ms=0, name="late", fall_ms=200), start_ms=0, end_ms=3_000)
    # The first one's music is half way up again, 1.05 s after its end, when the second one comes.
    heard = run(
        mixer, 9, at={0.2: lambda: mixer.arm(cue(shelf, "words", at_ms=1_000)), 5.05: lambda: mixer.arm(late)}
    )
    assert steepest_db(heard[:, 0]) < 14 / 200 * 1.02


# ---- cutting


def test_a_cut_fades_in_150_ms_in_its_zone_only_and_the_music_comes_back():
    shelf, _ = music_only()
    plan = programme(zone("a"), zone("b"), sources=(source(shelf, "music"),))
    mixer = live(shelf, plan)
    spoken = cue(shelf, "loud", "a", "b", at_ms=1_000)
    ends = []
    heard = run(
        mixer,
        8,
        at={0.1: lambda: mixer.arm(spoken), 2.0: lambda: ends.append(mixer.cut(spoken.id, ["a"], mixer.position))},
    )
    ducked = MUSIC * 10 ** (-14 / 20)
    end = ends[0] - T0
    assert end - 150 * 48 == pytest.approx(2 * RATE, abs=LOOKAHEAD_FRAMES + 3 * BLOCK)
    middle = end - 75 * 48
    assert heard[end - 150 * 48 - 1, 0] == pytest.approx(0.2 + ducked, rel=1e-5)
    assert heard[middle, 0] == pytest.approx(0.1 + ducked, rel=1e-3)
    assert heard[end, 0] == pytest.approx(ducked, rel=1e-5)
    # hold and rise count from the end of the fade
    assert heard[end + 300 * 48, 0] == pytest.approx(ducked, rel=1e-4)
    assert heard[end + 1_800 * 48, 0] == np.float32(MUSIC)
    # the other zone goes on to the end
    assert heard[3 * RATE + RATE // 2, 1] == pytest.approx(0.2 + ducked, rel=1e-5)


def test_a_cue_taken_back_before_its_start_never_sounds_and_its_music_turns_round():
    shelf, plan = music_only()
    mixer = live(shelf, plan)
    spoken = cue(shelf, "loud", at_ms=2_000)
    heard = run(mixer, 6, at={0.1: lambda: mixer.arm(spoken), 1.7: lambda: mixer.disarm(spoken.id)})[:, 0]
    assert heard.max() == np.float32(MUSIC)  # nothing of the clip
    lowest_db = 20 * np.log10(heard.min() / MUSIC)
    assert lowest_db == pytest.approx(-14 * 0.3 / 0.6, abs=0.8)
    assert steepest_db(heard) < 14 / 600 * 1.02
    assert heard[int(1.75 * RATE) + int(1.5 * RATE)] == np.float32(MUSIC)


def test_a_cue_cut_before_its_fall_leaves_no_trace():
    shelf, plan = music_only()
    mixer = live(shelf, plan)
    spoken = cue(shelf, "loud", at_ms=2_000)
    heard = run(mixer, 4, at={0.1: lambda: mixer.arm(spoken), 0.5: lambda: mixer.disarm(spoken.id)})
    assert np.all(heard == np.float32(MUSIC))


def test_a_second_cut_only_ever_ends_it_sooner():
    shelf, plan = music_only()
    play = armed(cue(shelf, "loud", at_ms=0), T0, floor_frame=0, zones=["foyer"], bridges_back={"foyer": True})
    once = cut(play, None, T0 + RATE, 7_200)
    assert once.zones[0].ends(once.end_frame) == T0 + RATE + 7_200
    assert cut(once, None, T0 + 2 * RATE, 7_200) == once
    assert cut(play, None, play.end_frame - 10, 7_200) == play
    del plan


def test_what_sounds_is_told_with_its_ends():
    shelf, plan = music_only()
    mixer = live(shelf, plan)
    spoken = cue(shelf, "loud", at_ms=500)
    mixer.arm(spoken)
    run(mixer, 1)
    (now,) = mixer.what_sounds()
    assert (now.cue.id, now.start_frame, now.ends) == (spoken.id, T0 + 24_000, {"foyer": T0 + 24_000 + 3 * RATE})
    end = mixer.cut(spoken.id, None, mixer.position)
    assert mixer.what_sounds()[0].ends == {"foyer": end}
    run(mixer, 1)
    assert mixer.what_sounds() == ()


# ---- new programmes


def test_levels_glide():
    shelf, plan = music_only()
    mixer = live(shelf, plan)
    lower = programme(zone(music_level_db=-20.0), sources=plan.sources, revision=2)
    heard = run(mixer, 2, at={1.0: lambda: mixer.set_programme(lower)})[:, 0]
    assert np.abs(np.diff(heard)).max() < MUSIC / GLIDE_FRAMES * 1.01
    assert heard[RATE + LOOKAHEAD_FRAMES + GLIDE_FRAMES] == pytest.approx(MUSIC / 10, rel=1e-6)
    assert heard[RATE - 1] == np.float32(MUSIC)


def test_another_source_comes_in_without_a_click():
    shelf = Shelf(low=tone(RATE, 100.0), high=tone(RATE, 160.0))
    low, high = source(shelf, "low", name="low"), source(shelf, "high", name="high")
    mixer = live(shelf, programme(zone(source="low"), sources=(low, high)))
    heard = run(
        mixer, 2, at={1.0: lambda: mixer.set_programme(programme(zone(source="high"), sources=(low, high)))}
    )[:, 0].astype(float)
    # no step faster than the tones' own slope and the turn together
    slope = 0.1 * 2 * np.pi * 160 / RATE
    assert np.abs(np.diff(heard)).max() < slope * 1.05
    spectrum = np.abs(np.fft.rfft(heard[-RATE // 2 :]))
    assert np.argmax(spectrum) * 2 == 160
    assert mixer.starved == 0


def test_music_turned_off_fades():
    shelf, plan = music_only()
    mixer = live(shelf, plan)
    off = programme(zone(music=()), sources=plan.sources, revision=2)
    heard = run(mixer, 2, at={1.0: lambda: mixer.set_programme(off)})[:, 0]
    assert np.abs(np.diff(heard)).max() < MUSIC / GLIDE_FRAMES * 1.01
    assert not heard[-RATE // 2 :].any()


def test_a_programme_for_a_new_day_does_not_fade_music_that_is_on():
    shelf, _ = music_only()
    sources = (source(shelf, "music"),)
    today = programme(zone(music=((0, T0_MS + 60_000),)), sources=sources)
    tomorrow = programme(zone(music=((T0_MS + 900, T0_MS + 90_000),)), sources=sources, revision=2)
    mixer = live(shelf, today)
    heard = run(mixer, 2, at={1.0: lambda: mixer.set_programme(tomorrow)})
    assert np.all(heard == np.float32(MUSIC))


def test_a_zone_that_comes_leaves_the_others_alone():
    shelf = Shelf(music=noise(RATE, 2, rms=0.4, seed=7), words=noise(2 * RATE, 1, rms=0.2, seed=8))
    sources = (source(shelf, "music"),)
    one = programme(zone("b", 2, highpass_hz=100.0), sources=sources)
    two = programme(zone("a", 1), zone("b", 2, highpass_hz=100.0), sources=sources, revision=2)
    spoken = cue(shelf, "words", "b", at_ms=1_500)

    def heard(change):
        mixer = live(shelf, one)
        mixer.arm(spoken)
        made = []
        for n in range(400):
            if n == 200 and change:
                mixer.set_programme(two)
            mixer.feed()
            block = mixer.render(BLOCK)
            made.append(block[:, mixer.lanes["b"]].copy())
        assert mixer.zones == (frozenset({"a", "b"}) if change else frozenset({"b"}))
        return np.concatenate(made)

    assert np.array_equal(heard(change=True), heard(change=False))


# ---- the disk


def test_sound_that_is_not_there_in_time_is_silence_and_is_counted():
    shelf, plan = music_only()
    mixer = Mixer(plan, shelf, start_frame=T0)
    heard = mixer.render(BLOCK)
    assert not heard.any()
    assert mixer.starved == BLOCK + LOOKAHEAD_FRAMES
    mixer.feed()
    assert mixer.render(2 * BLOCK)[-1, 0] == np.float32(MUSIC)
    assert mixer.starved == BLOCK + LOOKAHEAD_FRAMES


def test_rendering_reads_nothing():
    shelf, plan = music_only()
    mixer = live(shelf, plan)
    mixer.arm(cue(shelf, "loud", at_ms=200))
    mixer.feed()
    before = {name: sound.reads for name, sound in shelf.sounds.items()}
    for _ in range(100):
        mixer.render(BLOCK)
    assert {name: sound.reads for name, sound in shelf.sounds.items()} == before
    assert mixer.starved == 0


def test_a_clip_that_cannot_be_read_is_told_and_the_rest_plays():
    shelf, plan = music_only()
    spoken = cue(shelf, "loud", at_ms=200)
    del shelf.sounds["loud"]
    mixer = live(shelf, plan)
    mixer.arm(spoken)
    mixer.feed()
    assert "not in the store" in str(mixer.fault)
    heard = run(mixer, 1)
    assert heard[0, 0] == np.float32(MUSIC)
    assert mixer.starved > 0


def test_what_is_past_is_let_go_and_what_is_kept_stays():
    shelf = Shelf(music=noise(20 * RATE, 1), words=noise(RATE, 1))
    plan = programme(zone(), sources=(source(shelf, "music"),))
    mixer = live(shelf, plan)
    mixer.keep([("words", RATE)])
    run(mixer, 30)
    held = mixer._reserve._pieces
    assert ("words", 0) in held
    assert len(held) <= 2 + (4 * RATE) // PIECE_FRAMES + 2
    mixer.keep([])
    mixer.feed()
    assert ("words", 0) not in mixer._reserve._pieces


def test_others_may_change_things_while_it_renders():
    """Threads arm, cut and replace while blocks are made: no error, no block of another width, no jump."""
    shelf, plan = music_only()
    mixer = live(shelf, plan)
    stop = threading.Event()
    errors = []

    def meddle():
        n = 0
        while not stop.is_set():
            n += 1
            try:
                one = dataclasses.replace(cue(shelf, "words", at_ms=0, name=f"c{n}"), start_ms=0, end_ms=300)
                mixer.arm(one)
                mixer.cut(one.id, None, mixer.position)
                mixer.set_programme(programme(zone(music_level_db=float(-(n % 3))), sources=plan.sources))
                mixer.feed()
                mixer.what_sounds()
            except Exception as error:  # noqa: BLE001 - the test shows it
                errors.append(error)
                return
            stop.wait(0.002)

    thread = threading.Thread(target=meddle)
    thread.start()
    heard = np.concatenate([mixer.render(BLOCK).copy() for _ in range(600)])
    stop.set()
    thread.join(5.0)
    assert errors == []
    assert heard.shape == (600 * BLOCK, 1)
    assert np.abs(np.diff(heard[:, 0])).max() < 0.002


def test_a_real_time_mixer_has_every_kernel_ready_before_its_first_block():
    code = (
        "from tests.mixing.world import *\n"
        "from oyez.mixing import endstage, kernels\n"
        "def ready():\n"
        "    kernels_ = [k for m in (kernels, endstage) for k in vars(m).values() if hasattr(k, 'signatures')]\n"
        "    return [len(k.signatures) for k in kernels_]\n"
        "shelf = Shelf(music=noise(RATE, 2), words=noise(RATE))\n"
        "plan = programme(zone('a', 2), zone('b'), sources=(source(shelf, 'music', crossfade=99),))\n"
        "assert sum(ready()) == 0\n"
        "mixer = Mixer(plan, shelf, start_frame=T0)\n"
        "before = ready()\n"
        "mixer.arm(cue(shelf, 'words', 'a', 'b', at_ms=100))\n"
        "mixer.feed()\n"
        "for _ in range(50): mixer.render(480)\n"
        "mixer.set_programme(programme(zone('b', 2), sources=plan.sources))\n"
        "for _ in range(50): mixer.render(480)\n"
        "assert ready() == before, (before, ready())\n"
        "assert sum(before) >= 9 and max(before) == 1, before\n"
    )
    root = Path(__file__).resolve().parents[2]
    subprocess.run([sys.executable, "-c", code], check=True, cwd=root)
