"""Claims, late starts, bridges and lost frames in simulated time: the real mixer into a simulated card."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from oyez.errors import Conflict, NotFound, WorkFailed
from oyez.mixing.programme import FRAMES_PER_MS, Programme
from oyez.playout.clock import StreamClock, WallClock
from oyez.playout.engine import shifted
from oyez.playout.journal import Journal
from oyez.playout.renderer import Renderer
from oyez.playout.roster import Roster
from oyez.playout.sound import Sound, make_mixer, warm_up
from tests.fakes import RATE, FakeClock, SimulatedCard
from tests.playout.made import Material, chirp, cue, programme, stock, zone


class Desk:
    """The engine's inner parts on a clock moved by hand, in steps of 10 ms."""

    def __init__(
        self, folder: Path, kernels: Path, made: Programme, card: SimulatedCard, clock: FakeClock
    ) -> None:
        self.clock, self.card = clock, card
        self.stream = StreamClock(WallClock(monotonic_s=clock.monotonic(), utc_s=clock.utc()))
        warm_up(kernels)
        start_frame = round(clock.utc() * RATE)
        mixer = make_mixer(shifted(made, 0), folder / "audio", start_frame=start_frame)
        self.journal = Journal(folder / "engine", boot="boot")
        self.sound = Sound(mixer, folder / "audio")
        self.renderer = Renderer(mixer, self.stream, now_s=clock.monotonic)
        self.roster = Roster(journal=self.journal, clock=self.stream, sound=self.sound, now_ms=self.now_ms)
        self.roster.replace(made.cues)
        self.sound.feed(2.0)
        self.renderer.play_into(card)

    def now_ms(self) -> float:
        return self.stream.wall.utc_at(self.clock.monotonic()) * 1000.0

    def run(self, seconds: float) -> None:
        for n in range(round(seconds * 100)):
            self.clock.pass_(0.01)
            while self.renderer.turn() == 0.0:
                pass
            if n % 2 == 0:
                self.stream.wall.observe(monotonic_s=self.clock.monotonic(), utc_s=self.clock.utc())
                self.renderer.observe()
                self.roster.turn(int(self.stream.sample.frame_at(self.clock.monotonic())))
            if n % 50 == 0:
                self.sound.feed(2.0)

    def heard_ms(self, *, after_ms: float, over: float = 0.15) -> float | None:
        """UTC of the first loud sample at the card's converter after an instant."""
        shift_s = self.clock.utc() - self.clock.monotonic()
        found_s = self.card.first_sound_s(0, over=over, after_s=after_ms / 1000.0 - shift_s)
        return None if found_s is None else (found_s + shift_s) * 1000.0

    def record(self, kind: str, name: str) -> dict[str, object]:
        (found,) = [
            dict(line.record)
            for line in self.journal.since(0, 1000)[0]
            if line.record["kind"] == kind and line.record["id"] == name
        ]
        return found


@pytest.fixture
def material(tmp_path: Path) -> Material:
    return stock(tmp_path / "audio")


@pytest.fixture
def clock() -> FakeClock:
    return FakeClock()


def first_loud_ms() -> float:
    """How far into the words their first sample over 0.15 lies."""
    return float(np.flatnonzero(np.abs(chirp()[:, 0]) > 0.15)[0]) * 1000.0 / RATE


@pytest.mark.parametrize("ppm", [200.0, -200.0])
def test_starts_follow_utc_although_the_cards_clock_is_off(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock, ppm: float
):
    """After 90 s at 200 ppm the card is 18 ms away from nominal; starts still are where they should be."""
    begin_ms = round(clock.utc() * 1000)
    starts = [begin_ms + s * 1000 for s in (10, 45, 90)]
    made = programme(material, [cue(material, f"c@{n}", at, depth_db=60.0) for n, at in enumerate(starts)])
    desk = Desk(tmp_path, kernels, made, SimulatedCard(clock, ppm=ppm, jitter_s=0.0003), clock)
    desk.run(92.0)
    for n, at in enumerate(starts):
        heard = desk.heard_ms(after_ms=at - 150)
        assert heard is not None
        assert heard - first_loud_ms() == pytest.approx(at, abs=2.0)
        assert desk.record("end", f"c@{n}")["actual_ms"] == pytest.approx(at, abs=2)
    assert abs(desk.stream.lag_ms(desk.sound.position)) == pytest.approx(18.0, abs=2.0)
    assert desk.renderer.mixer.position - round(begin_ms * FRAMES_PER_MS) == pytest.approx(
        92.05 * desk.card.rate, abs=960
    )


def test_a_start_that_ignored_the_drift_would_be_noticed(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock
):
    """The twin: the same card, a clock that never looks at it."""
    at = round(clock.utc() * 1000) + 90_000
    desk = Desk(
        tmp_path,
        kernels,
        programme(material, [cue(material, "c@1", at, depth_db=60.0)]),
        SimulatedCard(clock, ppm=200.0),
        clock,
    )
    desk.renderer.observe = lambda: False  # type: ignore[method-assign]
    desk.run(92.0)
    heard = desk.heard_ms(after_ms=at - 150)
    assert heard is not None
    assert abs(heard - first_loud_ms() - at) > 10.0


def test_a_clock_set_forward_by_an_hour_moves_the_starts_and_not_the_sound(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock
):
    begin_ms = round(clock.utc() * 1000)
    at = begin_ms + 3_600_000 + 8000
    gone = begin_ms + 60_000
    made = programme(material, [cue(material, "after@1", at), cue(material, "gone@1", gone)])
    desk = Desk(tmp_path, kernels, made, SimulatedCard(clock), clock)
    desk.run(3.0)
    blocks = len(desk.card.blocks)
    clock.set_utc(3600.0)
    desk.run(6.0)
    assert len(desk.card.blocks) - blocks == pytest.approx(600, abs=2)
    levels = [float(np.abs(block).max()) for _, block in desk.card.blocks[blocks - 50 : blocks + 50]]
    assert min(levels) > 0.09
    assert desk.record("end", "after@1")["actual_ms"] == pytest.approx(at, abs=2)
    assert "latest start has passed" in str(desk.record("unsent", "gone@1")["reason"])


def test_a_card_that_stood_still_for_a_moment_delays_nothing_that_comes_later(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock
):
    at = round(clock.utc() * 1000) + 8000
    desk = Desk(tmp_path, kernels, programme(material, [cue(material, "c@1", at)]), SimulatedCard(clock), clock)
    desk.run(3.0)
    desk.card.stall(0.03)
    desk.run(6.0)
    assert desk.record("end", "c@1")["actual_ms"] == pytest.approx(at, abs=1)
    assert desk.stream.lag_ms(desk.sound.position) == pytest.approx(30.0, abs=1.0)


def test_the_claim_is_written_a_fall_and_a_second_before_the_start(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock
):
    at = round(clock.utc() * 1000) + 5000
    made = programme(material, [cue(material, "c@1", at, fall_ms=600)])
    desk = Desk(tmp_path, kernels, made, SimulatedCard(clock), clock)
    desk.run(3.2)
    assert desk.roster.claimed() == ()
    desk.run(0.4)
    assert [p.cue.id for p in desk.roster.claimed()] == ["c@1"]
    assert desk.record("claim", "c@1")["at_ms"] == pytest.approx(at - 1600, abs=100)


def test_a_play_that_the_music_bridges_to_is_claimed_before_the_music_would_rise(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock
):
    first = round(clock.utc() * 1000) + 3000
    second = first + 500 + 4000
    long = {"fall_ms": 600, "hold_ms": 300, "rise_ms": 1500, "bridge_ms": 2000}
    made = programme(material, [cue(material, "a@1", first, **long), cue(material, "b@1", second, **long)])
    desk = Desk(tmp_path, kernels, made, SimulatedCard(clock), clock)
    desk.run(9.0)
    between = first + 500 + 2000
    shift_ms = (clock.utc() - clock.monotonic()) * 1000.0
    quiet = [
        float(np.abs(b[:, 0]).max())
        for at_s, b in desk.card.blocks
        if abs(at_s * 1000 + shift_ms - between) < 1000
    ]
    assert max(quiet) == pytest.approx(0.1 * 10 ** (-12 / 20), rel=0.02)


def test_a_zone_that_is_taken_is_waited_for_and_then_given_up(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock
):
    begin_ms = round(clock.utc() * 1000)
    made = programme(
        material,
        [
            cue(material, "long@1", begin_ms + 3000, duration_ms=4000),
            cue(material, "patient@1", begin_ms + 5000, patience_ms=4000),
            cue(material, "strict@1", begin_ms + 5100, patience_ms=1000),
            cue(material, "elsewhere@1", begin_ms + 5000, zones=("theatre",)),
        ],
    )
    desk = Desk(tmp_path, kernels, made, SimulatedCard(clock), clock)
    desk.run(10.0)
    assert desk.record("end", "elsewhere@1")["actual_ms"] == pytest.approx(begin_ms + 5000, abs=1)
    assert desk.record("end", "patient@1")["actual_ms"] == pytest.approx(begin_ms + 7000, abs=10)
    assert desk.record("claim", "patient@1")["reason"] == "2.0 s late: its zones were taken by 'Title of long@1'"
    assert str(desk.record("unsent", "strict@1")["reason"]).startswith("its zones were taken by 'Title of long@1'")


def test_what_begins_at_once_follows_the_order_of_a_press(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock
):
    """With a chime it sounds at once and the music falls under it; without one the music falls first."""
    desk = Desk(tmp_path, kernels, programme(material), SimulatedCard(clock), clock)
    desk.run(1.0)
    ready_ms = desk.stream.utc_ms_at(desk.sound.open_frame)
    now_ms = round(desk.now_ms())
    chimes = desk.roster.begin(cue(material, "a!1", now_ms, chime=True, patience_ms=9000), [])
    speaks = desk.roster.begin(cue(material, "b!1", now_ms, zones=("theatre",), patience_ms=9000), [])
    assert 0 < chimes.cue.start_ms - ready_ms < 40
    assert 200 < speaks.cue.start_ms - ready_ms < 240


def test_beginning_twice_too_late_or_nowhere_is_refused(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock
):
    desk = Desk(tmp_path, kernels, programme(material), SimulatedCard(clock), clock)
    desk.run(1.0)
    now_ms = round(desk.now_ms())
    desk.roster.begin(cue(material, "a!1", now_ms, patience_ms=5000), [])
    with pytest.raises(Conflict, match="begun before"):
        desk.roster.begin(cue(material, "a!1", now_ms, patience_ms=5000), [])
    with pytest.raises(Conflict, match="its latest start has passed"):
        desk.roster.begin(cue(material, "b!1", now_ms - 5000, zones=("theatre",), patience_ms=100), [])
    with pytest.raises(NotFound, match="no zone 'moon'"):
        desk.roster.begin(cue(material, "c!1", now_ms, zones=("moon",), patience_ms=5000), [])
    assert [p.cue.id for p in desk.roster.claimed()] == ["a!1"]


def test_without_a_claim_on_the_disk_nothing_sounds(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
):
    at = round(clock.utc() * 1000) + 2000
    made = programme(material, [cue(material, "c@1", at, patience_ms=2000)], zones=[zone("foyer", music=False)])
    desk = Desk(tmp_path, kernels, made, SimulatedCard(clock), clock)

    def refuse(_record: object) -> int:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(desk.journal, "append", refuse)
    with pytest.raises(WorkFailed, match="nothing was begun"):
        desk.roster.begin(cue(material, "b!1", at, patience_ms=9000), [])
    desk.run(6.0)
    assert desk.card.first_sound_s(0, over=1e-6) is None
    monkeypatch.undo()
    desk.run(0.1)
    assert desk.record("unsent", "c@1")["reason"] == "the journal could not be written"


def test_an_end_that_could_not_be_written_is_written_when_there_is_room_again(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock, monkeypatch: pytest.MonkeyPatch
):
    at = round(clock.utc() * 1000) + 2000
    desk = Desk(tmp_path, kernels, programme(material, [cue(material, "c@1", at)]), SimulatedCard(clock), clock)
    desk.run(1.5)

    def refuse(_record: object) -> int:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(desk.journal, "append", refuse)
    desk.run(2.0)
    monkeypatch.undo()
    desk.run(0.1)
    assert desk.record("end", "c@1")["outcome"] == "sent"


def test_rounds_count_when_heard_to_four_fifths(
    tmp_path: Path, kernels: Path, material: Material, clock: FakeClock
):
    desk = Desk(tmp_path, kernels, programme(material), SimulatedCard(clock), clock)
    desk.run(1.0)
    play = desk.roster.begin(
        cue(material, "a!1", round(desk.now_ms()), chime=True, repeat=3, patience_ms=9000), []
    )
    # Chime 0.3 s and pause 0.1 s, rounds of 0.5 s with 0.1 s between: 80 % of the second is over at 1.4 s.
    desk.run((play.cue.start_ms - desk.now_ms()) / 1000.0 + 1.4)
    desk.roster.stop("a!1", by="Mara", zones=None, reason=None)
    desk.run(1.0)
    assert desk.record("end", "a!1")["rounds_done"] == 2
