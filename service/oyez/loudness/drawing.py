"""A picture of loudness laid out: lines, areas and words at places in pixels. Pure; `svg` writes it down.

Above, loudness in LUFS over time: the integrated loudness as a band right across, in front of it the momentary
loudness between its extremes, the short-term loudness as a line, and what the relative gate leaves out as ground.
Below, on the same time, the waveform as a ribbon in front of its true peaks, its highest one marked. Under both
stands in words what each shape means, with its number.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from oyez.loudness.picture import ABSOLUTE_GATE_LUFS, Picture, Values

Point = tuple[float, float]

WIDTH_LEAST, WIDTH_MOST, WIDTH = 240, 2400, 960

_LEFT, _RIGHT = 62.0, 14.0
_MARGIN, _NARROW = 10.0, 520.0
_HEAD = 30.0  # above the loudness panel: its unit
_LOUDNESS_HIGH, _BETWEEN, _WAVE_HIGH = 216.0, 34.0, 92.0
_TIME_HIGH = 44.0
_LINE_HIGH = 24.0  # of the words below
_FLOOR_LUFS = -60.0
_LOWEST_FLOOR_LUFS = -90.0
SIZE_PX: Final = 14.0
_CHARACTER_PX = 7.8  # on average, a little generous
BAND_PX: Final = 4.0  # from the middle of the integrated loudness to its edge
_TICKS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200)
_TICK_APART_PX = 76.0
_SAMPLE_PX = 26.0  # a shape before its words


@dataclass(frozen=True, slots=True, kw_only=True)
class Paint:
    """How a shape looks. `fill` and `stroke` name colours; width and dash in px."""

    fill: str | None = None
    stroke: str | None = None
    width: float = 1.0
    dash: tuple[float, ...] = ()


# The page's own colours, light and dark.
COLOURS: Final[dict[str, tuple[str, str]]] = {
    "sheet": ("#fffefb", "#1d2427"),
    "ground": ("#e9e6dd", "#2c3639"),
    "rule": ("#dcd8cd", "#38444a"),
    "ink": ("#1a2125", "#f0ece3"),
    "ink-soft": ("#55605f", "#a9b2b2"),
    "ribbon": ("#7d8b91", "#7f9098"),
    "accent": ("#f5b017", "#f5b017"),
    "accent-soft": ("#f3cf78", "#7d611a"),
}

PAINTS: Final[dict[str, Paint]] = {
    "sheet": Paint(fill="sheet"),
    "grid": Paint(stroke="rule"),
    "gated": Paint(fill="ground"),
    "gate": Paint(stroke="ink-soft", width=1.5, dash=(3.0, 4.0)),
    "integrated": Paint(fill="accent", stroke="ink-soft", width=1.0),
    "momentary": Paint(fill="ribbon", stroke="ribbon", width=1.8),
    "short-term": Paint(stroke="ink", width=2.4),
    "peaks": Paint(fill="accent-soft", stroke="accent-soft", width=1.0),
    "wave": Paint(fill="ribbon", stroke="ribbon", width=0.8),
    "full-scale": Paint(stroke="ink-soft", width=1.0, dash=(1.5, 4.0)),
    "highest": Paint(fill="ink"),
    "words": Paint(fill="ink"),
    "soft-words": Paint(fill="ink-soft"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    points: tuple[Point, ...]
    paint: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Area:
    points: tuple[Point, ...]
    paint: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Words:
    """`at` is on the base line; `halo`: set off from what lies behind."""

    at: Point
    text: str
    paint: str = "words"
    anchor: Literal["start", "middle", "end"] = "start"
    halo: bool = False


Shape = Line | Area | Words


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Shapes from back to front. `description` says the same in words."""

    width: float
    height: float
    title: str
    description: str
    shapes: tuple[Shape, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Axes:
    """Where what stands: x by time, y by loudness in the upper panel and by sample value in the lower one."""

    width: float
    duration_s: float
    top_lufs: float
    floor_lufs: float
    full: float  # the sample value at the edge of the lower panel, 1.0 or more

    @property
    def left(self) -> float:
        return _LEFT

    @property
    def right(self) -> float:
        return self.width - _RIGHT

    @property
    def loudness_top(self) -> float:
        return _HEAD

    @property
    def loudness_bottom(self) -> float:
        return _HEAD + _LOUDNESS_HIGH

    @property
    def wave_top(self) -> float:
        return self.loudness_bottom + _BETWEEN

    @property
    def wave_bottom(self) -> float:
        return self.wave_top + _WAVE_HIGH

    def x(self, seconds: float) -> float:
        return self.left + (self.right - self.left) * seconds / self.duration_s

    def y(self, lufs: float) -> float:
        """Loudness outside the axis stands at its edge."""
        share = (self.top_lufs - lufs) / (self.top_lufs - self.floor_lufs)
        return self.loudness_top + _LOUDNESS_HIGH * min(1.0, max(0.0, share))

    def wave_y(self, value: float) -> float:
        share = (self.full - value) / (2.0 * self.full)
        return self.wave_top + _WAVE_HIGH * min(1.0, max(0.0, share))


def axes_of(picture: Picture, width: float = WIDTH) -> Axes:
    """0 to -60 LUFS, so that pictures can be compared; further where this audio would not be seen otherwise."""
    loudest = max((v for v in picture.momentary_high_lufs if v is not None), default=0.0)
    floor = _FLOOR_LUFS
    if picture.relative_gate_lufs is not None:
        floor = max(_LOWEST_FLOOR_LUFS, min(floor, 10.0 * math.floor((picture.relative_gate_lufs - 5.0) / 10.0)))
    peaks = [10.0 ** (peak / 20.0) for peak in picture.true_peak_dbtp if peak is not None]
    return Axes(
        width=float(min(WIDTH_MOST, max(WIDTH_LEAST, width))),
        duration_s=max(picture.duration_s, 1e-3),
        top_lufs=max(0.0, 10.0 * math.ceil(loudest / 10.0)),
        floor_lufs=floor,
        full=max(1.0, *peaks) if peaks else 1.0,
    )


def draw(picture: Picture, *, title: str, width: float = WIDTH) -> Drawing:
    """Lay a picture out `width` px wide (240 to 2400). Its size in shapes is bounded by the width."""
    axes = axes_of(picture, width)
    described = describe(picture, title)
    shapes: list[Shape] = []
    shapes += _loudness_ground(picture, axes)
    shapes += _loudness(picture, axes)
    shapes += _wave(picture, axes)
    shapes += _time(axes)
    words, height = _legend(picture, axes)
    shapes += words
    back = Area(points=_box(0.0, 0.0, axes.width, height), paint="sheet")
    return Drawing(
        width=axes.width,
        height=height,
        title=f"Loudness of {title} over time",
        description=described,
        shapes=(back, *shapes),
    )


def describe(picture: Picture, title: str) -> str:
    """What the drawing shows, for who does not see it."""
    said = [f"{title}: {_clock(picture.duration_s)} long, {_channels(picture.channels)}."]
    if picture.integrated_lufs is not None:
        said.append(f"Integrated loudness {number(picture.integrated_lufs)} LUFS.")
    else:
        said.append("No integrated loudness.")
    if picture.loudness_range_lu is not None:
        said.append(f"Loudness range {picture.loudness_range_lu:.1f} LU.")
    for name, series in (("Momentary", picture.momentary_high_lufs), ("Short-term", picture.short_term_high_lufs)):
        top = max(((v, -k) for k, v in enumerate(series) if v is not None), default=None)
        if top is not None:
            said.append(f"{name} loudness at most {number(top[0])} LUFS, at {_clock(-top[1] * picture.column_s)}.")
    if picture.relative_gate_lufs is not None:
        said.append(f"What is quieter than {number(picture.relative_gate_lufs)} LUFS is not counted.")
    if picture.highest is not None:
        peak, at_s = picture.highest
        said.append(f"True peak {number(peak)} dBTP at {_clock(at_s)}.")
    return " ".join(said)


def number(value: float) -> str:
    """One decimal, with a minus that is as wide as a plus."""
    text = f"{value:.1f}"
    return "0.0" if text == "-0.0" else text.replace("-", "\N{MINUS SIGN}")


def _loudness_ground(picture: Picture, axes: Axes) -> Iterator[Shape]:
    gate = picture.relative_gate_lufs
    if gate is not None and axes.floor_lufs < gate < axes.top_lufs:
        y = axes.y(gate)
        yield Area(points=_box(axes.left, y, axes.right, axes.loudness_bottom), paint="gated")
    for lufs in range(int(axes.top_lufs), int(axes.floor_lufs) - 1, -10):
        y = axes.y(lufs)
        yield Line(points=((axes.left, y), (axes.right, y)), paint="grid")
        yield Words(at=(axes.left - 8, y + 5), text=number(lufs)[:-2], paint="soft-words", anchor="end")
    yield Words(at=(axes.left - 8, _HEAD - 12), text="LUFS", paint="soft-words", anchor="end")
    if gate is not None and axes.floor_lufs < gate < axes.top_lufs:
        yield Line(points=((axes.left, axes.y(gate)), (axes.right, axes.y(gate))), paint="gate")


def _loudness(picture: Picture, axes: Axes) -> Iterator[Shape]:
    if picture.integrated_lufs is not None:
        y = axes.y(picture.integrated_lufs)
        yield Area(points=_box(axes.left, y - BAND_PX, axes.right, y + BAND_PX), paint="integrated")
    for run in _runs(picture.momentary_low_lufs, picture.momentary_high_lufs, picture, axes):
        yield Area(points=_ribbon([(x, axes.y(high), axes.y(low)) for x, low, high in run]), paint="momentary")
    for run in _runs(picture.short_term_low_lufs, picture.short_term_high_lufs, picture, axes):
        yield Line(points=tuple((x, axes.y(high)) for x, _, high in run), paint="short-term")
    if picture.integrated_lufs is not None:
        text = f"{number(picture.integrated_lufs)} LUFS"
        yield Words(at=(axes.right - 4, y - 14), text=text, anchor="end", halo=True)


def _runs(low: Values, high: Values, picture: Picture, axes: Axes) -> Iterator[list[tuple[float, float, float]]]:
    """(x, lowest, highest) of columns put together to the drawing's own, in pieces where nothing is missing.

    A value stands where its column ends: that is when a window that ends in it has been heard.
    """
    run: list[tuple[float, float, float]] = []
    for group in _groups(picture, axes):
        tops = [v for v in high[group.start : group.stop] if v is not None]
        if not tops:
            if run:
                yield run
            run = []
            continue
        pairs = zip(low[group.start : group.stop], high[group.start : group.stop], strict=True)
        lows = [axes.floor_lufs if a is None else a for a, b in pairs if b is not None]
        run.append((axes.x(min(picture.duration_s, group.stop * picture.column_s)), min(lows), max(tops)))
    if run:
        yield run


def _groups(picture: Picture, axes: Axes) -> Iterator[range]:
    """Columns that fall on one pixel of the drawing."""
    step = max(1, math.ceil(picture.columns / (axes.right - axes.left)))
    for first in range(0, picture.columns, step):
        yield range(first, min(first + step, picture.columns))


def _wave(picture: Picture, axes: Axes) -> Iterator[Shape]:
    for value in (1.0, -1.0):
        y = axes.wave_y(value)
        yield Line(points=((axes.left, y), (axes.right, y)), paint="full-scale")
    middle = axes.wave_y(0.0)
    yield Line(points=((axes.left, middle), (axes.right, middle)), paint="grid")
    yield Words(at=(axes.left - 8, axes.wave_y(1.0) + 5), text="0 dBFS", paint="soft-words", anchor="end")
    peaks, wave = [], []
    for group in _groups(picture, axes):
        x = axes.x(min(picture.duration_s, (group.start + group.stop) / 2 * picture.column_s))
        found = [p for p in picture.true_peak_dbtp[group.start : group.stop] if p is not None]
        top = 10.0 ** (max(found) / 20.0) if found else 0.0
        peaks.append((x, axes.wave_y(top), axes.wave_y(-top)))
        low = min(picture.wave_low[group.start : group.stop])
        high = max(picture.wave_high[group.start : group.stop])
        wave.append((x, axes.wave_y(high), axes.wave_y(low)))
    if peaks:
        yield Area(points=_ribbon(peaks), paint="peaks")
        yield Area(points=_ribbon(wave), paint="wave")
    if picture.highest is not None:
        peak, at_s = picture.highest
        x, y = axes.x(min(picture.duration_s, at_s + picture.column_s / 2)), axes.wave_y(10.0 ** (peak / 20.0))
        yield Area(points=((x - 6, y - 11), (x + 6, y - 11), (x, y - 1)), paint="highest")


def _time(axes: Axes) -> Iterator[Shape]:
    room = (axes.right - axes.left) / _TICK_APART_PX
    step = next((t for t in _TICKS_S if axes.duration_s / t <= room), _TICKS_S[-1])
    y = axes.wave_bottom
    for k in range(math.floor(axes.duration_s / step + 1e-9) + 1):
        x = axes.x(k * step)
        yield Line(points=((x, axes.loudness_bottom), (x, axes.loudness_bottom + 6)), paint="grid")
        yield Line(points=((x, y), (x, y + 6)), paint="grid")
        text = _clock(k * step, unit=False)
        wide = len(text) * _CHARACTER_PX / 2
        at = min(max(x, axes.left), axes.width - wide)
        yield Words(at=(at, y + 21), text=text, paint="soft-words", anchor="middle")
    unit = "time in seconds" if axes.duration_s < 60 else "time in min:s"
    if axes.duration_s >= 3600:
        unit = "time in h:min:s"
    yield Words(at=(axes.left, y + 38), text=unit, paint="soft-words")


def _legend(picture: Picture, axes: Axes) -> tuple[list[Shape], float]:
    """The shapes in words, in as many lines as they need; and where the drawing ends."""
    entries: list[tuple[str, str]] = [("momentary", "Momentary (400 ms)"), ("short-term", "Short-term (3 s)")]
    if picture.integrated_lufs is not None:
        entries.append(("integrated", f"Integrated {number(picture.integrated_lufs)} LUFS"))
    else:
        entries.append(("", "No integrated loudness"))
    if picture.relative_gate_lufs is not None:
        entries.append(("gate", f"Not counted under {number(picture.relative_gate_lufs)} LUFS"))
    else:
        entries.append(("", f"Nothing over {number(ABSOLUTE_GATE_LUFS)} LUFS"))
    entries.append(("wave", "Waveform"))
    if picture.highest is not None:
        peak, at_s = picture.highest
        entries.append(("peaks", f"True peak {number(peak)} dBTP at {_clock(at_s)}"))
    shapes: list[Shape] = []
    left = axes.left if axes.width > _NARROW else _MARGIN
    x, y = left, axes.wave_bottom + _TIME_HIGH + _LINE_HIGH
    for paint, text in entries:
        wide = len(text) * _CHARACTER_PX + (_SAMPLE_PX if paint else 0.0)
        if x > left and x + wide > axes.right:
            x, y = left, y + _LINE_HIGH
        if paint:
            shapes += _sample(paint, x, y)
        shapes.append(Words(at=(x + (_SAMPLE_PX if paint else 0.0), y), text=text))
        x += wide + 20
    return shapes, y + 14.0


def _sample(paint: str, x: float, y: float) -> Iterator[Shape]:
    middle = y - 5
    across = ((x, middle), (x + 18, middle))
    if paint == "gate":
        yield Area(points=_box(x, middle, x + 18, middle + 7), paint="gated")
    if paint == "integrated":
        yield Area(points=_box(x, middle - BAND_PX, x + 18, middle + BAND_PX), paint=paint)
    elif paint in {"wave", "peaks"}:
        yield Area(points=_box(x, middle - 5, x + 18, middle + 5), paint=paint)
        if paint == "peaks":
            yield Area(points=((x + 3, middle - 6), (x + 15, middle - 6), (x + 9, middle + 4)), paint="highest")
    elif paint == "momentary":
        yield Area(points=across, paint=paint)
    else:
        yield Line(points=across, paint=paint)


def _ribbon(columns: Sequence[tuple[float, float, float]]) -> tuple[Point, ...]:
    """The outline of (x, upper y, lower y): along the top, and back along the bottom."""
    top = [(x, upper) for x, upper, _ in columns]
    return (*top, *((x, lower) for x, _, lower in reversed(columns)))


def _box(left: float, top: float, right: float, bottom: float) -> tuple[Point, ...]:
    return ((left, top), (right, top), (right, bottom), (left, bottom))


def _clock(seconds: float, *, unit: bool = True) -> str:
    """7.4 s; 2:07; 1:02:07."""
    if seconds < 60:
        return f"{seconds:g}" if not unit else f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}" + (" min" if unit else "")


def _channels(channels: int) -> str:
    return {1: "mono", 2: "stereo"}.get(channels, f"{channels} channels")
