"""Outputs and listeners: wiring, the ring, a card that comes and goes, recordings, slow readers."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import ExitStack
from pathlib import Path

import numpy as np
import pytest
import soundfile

from oyez.errors import NotFound
from oyez.mixing.programme import OutputSetup
from oyez.playout.clock import StreamClock, WallClock
from oyez.playout.history import History
from oyez.playout.listen import stream_zone, to_s16le
from oyez.playout.outputs.card import CardOutput, Ring, find_device
from oyez.playout.outputs.driver import OutputLost, routing
from oyez.playout.outputs.keeper import NO_OUTPUT, OutputKeeper
from oyez.playout.outputs.recording import Recording
from oyez.playout.outputs.silent import SilentOutput
from oyez.playout.renderer import Renderer
from tests.fakes import RATE, FakeClock, FakePortAudio
from tests.playout.running import soon

LANES = {"foyer": slice(0, 1), "theatre": slice(1, 3)}


class CountingMixer:
    """Lane n plays (frame number modulo 1000 + 1000 n) / 10000: every sample says where it comes from."""

    def __init__(self, position: int) -> None:
        self.position = position
        self.lanes: Mapping[str, slice] = LANES

    def render(self, frames: int) -> np.ndarray:
        numbers = (self.position + np.arange(frames)) % 1000
        self.position += frames
        return ((numbers[:, None] + np.array([0.0, 1000.0, 2000.0])) / 10_000.0).astype(np.float32)


@pytest.fixture
def renderer() -> Iterator[Renderer]:
    clock = StreamClock(WallClock(monotonic_s=time.monotonic(), utc_s=time.time()))
    made = Renderer(CountingMixer(round(time.time() * RATE)), clock)
    made.start()
    yield made
    made.stop()


# ---- wiring


def test_zones_reach_the_channels_they_are_given():
    matrix = routing(LANES, {"foyer": (3,), "theatre": (1, 2)}, 4)
    out = np.array([[0.1, 0.2, 0.3]], dtype=np.float32) @ matrix
    assert out[0] == pytest.approx([0.2, 0.3, 0.1, 0.0])


def test_a_mono_zone_on_two_channels_sounds_from_both_and_a_stereo_zone_on_one_at_minus_three_db():
    matrix = routing(LANES, {"foyer": (1, 2), "theatre": (3,)}, 3)
    out = np.array([[0.1, 0.2, 0.2]], dtype=np.float32) @ matrix
    assert out[0] == pytest.approx([0.1, 0.1, 0.4 / np.sqrt(2.0)])


def test_zones_that_share_a_channel_add_up_and_a_zone_that_is_gone_is_left_out():
    matrix = routing({"a": slice(0, 1), "b": slice(1, 2)}, {"a": (1,), "b": (1,), "gone": (2,)}, 2)
    assert (np.array([[0.1, 0.2]], dtype=np.float32) @ matrix)[0] == pytest.approx([0.3, 0.0])


def test_a_channel_past_the_last_is_refused():
    with pytest.raises(OutputLost, match="zone 'foyer' asks for channel 5, the output has 2"):
        routing(LANES, {"foyer": (5,)}, 2)


def test_a_ring_gives_back_what_was_put_in_across_its_end():
    ring = Ring(1000, 1)
    out = np.empty((300, 1), dtype=np.float32)
    for n in range(20):
        head, tail = ring.span(ring.written, 300)
        numbers = np.arange(n * 300, n * 300 + 300, dtype=np.float32)[:, None]
        head[:], tail[:] = numbers[: len(head)], numbers[len(head) :]
        ring.written += 300
        assert ring.take(out) == 300
        assert np.array_equal(out, numbers)
    assert ring.take(out) == 0
    assert not out.any()


# ---- the silent output


def test_the_silent_output_keeps_time_by_absolute_deadlines():
    clock = FakeClock()
    output = SilentOutput(clock=clock.monotonic)
    output.start()
    written = 0
    for _ in range(10_000):
        clock.pass_(0.0037)  # a sleeper that is never on time
        while output.room() >= 480:
            output.write(np.zeros((480, 1), dtype=np.float32))
            written += 480
    assert written == pytest.approx(37.0 * RATE, abs=2 * 480)
    assert output.xruns == 0


def test_a_machine_that_slept_is_a_gap_and_not_caught_up_with():
    clock = FakeClock()
    output = SilentOutput(clock=clock.monotonic)
    output.start()
    clock.pass_(3600.0)
    assert output.room() < RATE
    assert output.xruns == 1


# ---- the card


def open_fake(library: FakePortAudio, zones: Mapping[str, tuple[int, ...]] | None = None) -> CardOutput:
    return CardOutput(
        id="main",
        device="usb audio",
        channels=None,
        latency_s=0.03,
        lanes=LANES,
        zones=zones or {"foyer": (1,), "theatre": (3, 4)},
        library=library,
    )


def test_a_card_plays_every_frame_in_order_on_its_channels(renderer: Renderer):
    library = FakePortAudio()
    card = open_fake(library)
    assert library.opened == [0]
    assert card.channels == 4
    renderer.play_into(card)
    time.sleep(1.0)
    xruns = card.xruns
    card.close()
    assert xruns == 0
    sound = np.concatenate(library.heard)
    begun = int(np.flatnonzero(sound[:, 2] > 0.05)[0])
    numbers = np.rint(sound[begun:, 0] * 10_000.0)
    steps = np.diff(numbers)[: RATE // 2]
    assert set(steps) <= {1.0, -999.0}
    assert np.allclose(sound[begun:, 3] - sound[begun:, 2], 0.1, atol=1e-4)
    assert not sound[:, 1].any()


def test_the_frame_at_the_converter_is_the_instant_it_is_named_after(renderer: Renderer):
    """Frames are named by UTC; the fake card says when each of its buffers is at its converter."""
    card = open_fake(FakePortAudio(latency_s=0.04))
    renderer.play_into(card)
    for _ in range(20):
        time.sleep(0.05)
        renderer.observe()
    # One period of the card (20 ms) is how far the first guess may be off; from then on nothing moves.
    assert abs(renderer.clock.lag_ms(renderer.mixer.position)) < 21.0
    lag_ms = renderer.clock.lag_ms(renderer.mixer.position)
    time.sleep(0.5)
    renderer.observe()
    assert renderer.clock.lag_ms(renderer.mixer.position) == pytest.approx(lag_ms, abs=2.0)
    card.close()


def test_a_renderer_that_is_late_costs_silence_that_is_counted():
    library = FakePortAudio()
    card = open_fake(library)
    card.start()
    soon(lambda: card.xruns > 0, within_s=3.0)
    card.close()


def test_devices_are_found_by_name_and_a_wrong_name_lists_what_there_is():
    library = FakePortAudio()
    assert find_device(library, "BUILT-IN", 2) == (1, "Built-in Speaker")
    assert find_device(library, None, 2) == (1, "Built-in Speaker")
    with pytest.raises(
        OutputLost, match=r"no such sound card: 'attic' is not there, there are 'Hall Interface, USB Audio', "
    ):
        find_device(library, "attic", 2)
    with pytest.raises(OutputLost, match="has 2 channels, 4 are asked for"):
        find_device(library, "built-in", 4)
    library.devices.clear()
    with pytest.raises(OutputLost, match="no sound hardware found"):
        find_device(library, None, 2)


# ---- keeping them


CARD = OutputSetup(
    id="main", kind="card", device="usb", file=None, channels=None, latency_s=0.03, zones={"foyer": (1,)}
)
TAPE = OutputSetup(
    id="tape",
    kind="recording",
    device=None,
    file="evening.wav",
    channels=None,
    latency_s=0.1,
    zones={"theatre": (1, 2)},
)


class Kept:
    def __init__(self, renderer: Renderer, folder: Path, library: FakePortAudio) -> None:
        self.events: list[tuple[str, str]] = []
        self.library = library

        def open_card(setup: OutputSetup, lanes: Mapping[str, slice]) -> CardOutput:
            return CardOutput(
                id=setup.id,
                device=setup.device,
                channels=setup.channels,
                latency_s=setup.latency_s,
                lanes=lanes,
                zones=setup.zones,
                library=library,
            )

        self.keeper = OutputKeeper(
            renderer,
            recordings=folder,
            tell=lambda what, reason: self.events.append((what, reason)),
            utc_s=time.time,
            open_card=open_card,
        )


@pytest.fixture
def keep(renderer: Renderer, tmp_path: Path) -> Iterator[Callable[[FakePortAudio], Kept]]:
    with ExitStack() as stack:

        def make(library: FakePortAudio) -> Kept:
            kept = Kept(renderer, tmp_path / "recordings", library)
            stack.callback(kept.keeper.close)
            return kept

        yield make


def test_without_a_card_in_the_venue_it_is_silent_and_says_so(keep: Callable[[FakePortAudio], Kept]):
    kept = keep(FakePortAudio())
    kept.keeper.start(())
    assert kept.keeper.silent
    assert kept.keeper.silent_reason == NO_OUTPUT
    assert kept.events == []


def test_a_card_that_does_not_open_is_said_once_and_opened_when_it_can_be(
    keep: Callable[[FakePortAudio], Kept], monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("oyez.playout.outputs.keeper.RETRY_S", 0.2)
    library = FakePortAudio(refuses="Device unavailable [PaErrorCode -9985]")
    kept = keep(library)
    kept.keeper.start((CARD,))
    assert "cannot be opened: Device unavailable" in str(kept.keeper.silent_reason)
    (silent, waiting) = kept.keeper.state()
    assert (silent["id"], waiting["health"]) == ("silent", "waiting")
    time.sleep(0.7)
    assert [what for what, _ in kept.events] == ["output not opened"]
    library.refuses = None
    soon(lambda: not kept.keeper.silent, within_s=5.0)
    assert kept.events[-1] == ("output opened", "playing on 'Hall Interface, USB Audio'")
    assert kept.keeper.state()[0]["health"] == "playing"


def test_a_card_that_vanishes_leaves_the_sound_going_in_silence_and_comes_back_in_step(
    keep: Callable[[FakePortAudio], Kept], renderer: Renderer, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("oyez.playout.outputs.keeper.RETRY_S", 0.3)
    library = FakePortAudio()
    kept = keep(library)
    kept.keeper.start((CARD,))
    assert kept.keeper.name() == "main"
    time.sleep(0.3)
    library.unplugged = True
    soon(lambda: kept.keeper.silent, within_s=4.0)
    assert kept.events[-1][0] == "output lost"
    assert "has stopped asking for sound" in kept.events[-1][1]
    assert kept.keeper.state()[1]["health"] == "lost"
    before = renderer.rendered
    time.sleep(0.2)
    assert renderer.rendered > before
    renderer.observe()
    assert abs(renderer.clock.lag_ms(renderer.mixer.position)) < 30.0
    library.unplugged = False
    soon(lambda: not kept.keeper.silent, within_s=8.0)
    assert kept.events[-1][0] == "output back"
    time.sleep(0.2)
    renderer.observe()
    assert abs(renderer.clock.lag_ms(renderer.mixer.position)) < 30.0


def test_a_second_card_is_named_as_not_played(keep: Callable[[FakePortAudio], Kept]):
    second = OutputSetup(
        id="other", kind="card", device="built", file=None, channels=None, latency_s=0.1, zones={"theatre": (1, 2)}
    )
    kept = keep(FakePortAudio())
    kept.keeper.start((CARD, second))
    state = {o["id"]: o for o in kept.keeper.state()}
    assert state["main"]["health"] == "playing"
    assert state["other"]["health"] == "unused"
    assert state["other"]["detail"].startswith("not played: 'main' sets the time")


# ---- recordings


def recorded(folder: Path) -> np.ndarray:
    (path,) = folder.glob("*.wav")
    samples, rate = soundfile.read(path, dtype="float32", always_2d=True)
    assert rate == RATE
    return samples


def test_a_recording_has_every_frame_and_a_header_that_other_programs_read(
    keep: Callable[[FakePortAudio], Kept], tmp_path: Path
):
    kept = keep(FakePortAudio())
    kept.keeper.start((TAPE,))
    time.sleep(1.0)
    assert next(o for o in kept.keeper.state() if o["id"] == "tape")["health"] == "playing"
    kept.keeper.close()
    samples = recorded(tmp_path / "recordings")
    assert samples.shape[1] == 2
    assert len(samples) > 0.7 * RATE
    steps = np.diff(np.rint(samples[:, 0] * 10_000.0))
    assert set(steps) <= {1.0, -999.0}
    assert np.allclose(samples[:, 1] - samples[:, 0], 0.1, atol=1e-4)


def test_a_full_disk_costs_the_recording_and_is_said(renderer: Renderer, tmp_path: Path):
    renderer.play_into(SilentOutput())
    recording = Recording(
        id="tape",
        folder=tmp_path,
        name="evening.wav",
        channels=None,
        lanes=LANES,
        zones={"theatre": (1, 2)},
        history=renderer.history,
        utc_s=time.time,
        free_bytes=lambda _: 1024,
    )
    soon(lambda: recording.lost_frames > 0, within_s=3.0)
    assert recording.health == "lost"
    assert recording.detail == "not recording: under 200 MB free, kept for the log"
    before = renderer.rendered
    time.sleep(0.1)
    assert renderer.rendered > before
    recording.close()


def test_a_recordings_name_cannot_leave_its_folder(renderer: Renderer, tmp_path: Path):
    renderer.play_into(SilentOutput())
    folder = tmp_path / "recordings"
    recording = Recording(
        id="tape",
        folder=folder,
        name="../../away.wav",
        channels=None,
        lanes=LANES,
        zones={"foyer": (1,)},
        history=renderer.history,
        utc_s=time.time,
    )
    soon(lambda: recording.path, within_s=3.0)
    recording.close()
    assert recording.path is not None
    assert recording.path.parent == folder


# ---- followers


def test_a_follower_that_keeps_up_loses_nothing_and_one_that_does_not_is_told():
    history = History(lanes=1, frames=10_000)
    place = 0
    for n in range(100):
        history.push(np.full((480, 1), n, dtype=np.float32))
        read = history.read(place, slice(0, 1), at_most=480)
        assert (read.lost, len(read.block), float(read.block[0, 0])) == (0, 480, n)
        place = read.next
    late = history.read(0, slice(0, 1), at_most=10**9)
    assert late.lost == 48_000 - len(late.block)
    assert late.next == 48_000


def test_samples_become_sixteen_bits_by_rounding_and_never_wrap():
    block = np.array([[0.0], [1.0], [-1.0], [2.0], [-2.0], [0.5 / 32768], [1.5 / 32768]], dtype=np.float32)
    assert np.frombuffer(to_s16le(block), "<i2").tolist() == [0, 32767, -32768, 32767, -32768, 0, 2]


def listening(renderer: Renderer, zone: str) -> tuple[socket.socket, threading.Thread, list[int]]:
    ours, theirs = socket.socketpair()
    dropped: list[int] = []

    def run() -> None:
        with theirs:
            dropped.append(stream_zone(theirs, renderer, zone))

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return ours, thread, dropped


def test_a_listener_hears_its_zone_from_now_on(renderer: Renderer):
    renderer.play_into(SilentOutput())
    ours, thread, dropped = listening(renderer, "theatre")
    with ours, ours.makefile("rb") as stream:
        head = stream.readline()
        assert b'"channels": 2' in head
        frames = np.frombuffer(stream.read(RATE * 4), "<i2").reshape(-1, 2) / 32768.0
    thread.join(3.0)
    numbers = np.rint(frames[:, 0] * 10_000.0)
    assert set(np.diff(numbers)) <= {1.0, -999.0}
    assert np.allclose(frames[:, 1] - frames[:, 0], 0.1, atol=2e-4)
    assert dropped == [0]


def test_a_slow_listener_delays_nobody_and_loses_the_oldest(renderer: Renderer):
    renderer.play_into(SilentOutput())
    ours, thread, dropped = listening(renderer, "foyer")
    with ours:
        ours.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        before = renderer.rendered
        time.sleep(4.5)
        assert (renderer.rendered - before) * 480 == pytest.approx(4.5 * RATE, rel=0.1)
        assert renderer.late_blocks < 20
        with ours.makefile("rb") as stream:
            stream.readline()
            stream.read(400_000)
    thread.join(3.0)
    assert dropped[0] > RATE // 2


def test_listening_to_a_zone_that_is_not_there_is_refused(renderer: Renderer):
    ours, theirs = socket.socketpair()
    with (
        ours,
        theirs,
        pytest.raises(NotFound, match="zone 'moon': the engine has no such zone, it has foyer, theatre"),
    ):
        stream_zone(theirs, renderer, "moon")
