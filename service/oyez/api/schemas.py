"""What goes over the wire, each field with its unit and an example. Times: `_ms` is UTC milliseconds since 1970;
the same instant for people is ISO 8601 with the venue's offset, in the field that ends in `_at`.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from oyez.venue.allowed import quoted
from oyez.venue.models import Title

_MS = "milliseconds of UTC since 1970-01-01"
_AT = "ISO 8601 with the venue's UTC offset"
MS_EXAMPLE = 1795801500000
AT_EXAMPLE = "2026-11-27T17:45:00.000+00:00"


class Shown(BaseModel):
    """Base of all: what is not named here is refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, json_schema_serialization_defaults_required=True)


def ms(what: str, **more: Any) -> Any:
    return Field(description=f"{what}, in {_MS}", examples=[MS_EXAMPLE], **more)


def at(what: str, **more: Any) -> Any:
    return Field(description=f"{what}, {_AT}", examples=[AT_EXAMPLE], **more)


ZoneId = Annotated[str, Field(description="A zone's id in the venue file", examples=["foyer"])]
RuleId = Annotated[str, Field(description="A rule's id in the venue file", examples=["closing-15"])]
ClipId = Annotated[str, Field(description="A clip's id in the venue file", examples=["closing-15"])]
PlayId = Annotated[
    str,
    Field(
        description="A play's id: the rule, an @, its nominal start in ms", examples=["closing-15@1795801500000"]
    ),
]
TitleText = Annotated[str, Field(description="Title, as people read it", examples=["Closing in fifteen minutes"])]
Priority = Annotated[
    int, Field(description="Priority, 0 to 100; a higher number is more important", examples=[60])
]
Reason = Annotated[str, Field(description="Why, in plain words", examples=["on time"])]
Count = Annotated[int, Field(description="How many", examples=[12])]
Span = Annotated[
    tuple[int, int],
    Field(
        description=f"From (inclusive) to (exclusive), both in {_MS}", examples=[[1795801500000, 1795805100000]]
    ),
]
Corner = Annotated[
    tuple[int, float],
    Field(
        description=f"One corner: when, in {_MS}, and the music's gain there in dB",
        examples=[[1795801500000, -14.0]],
    ),
]


def _checked_asker(text: str) -> str:
    if len(text) > 80 or not text.strip():
        raise ValueError("is blank or longer than 80 characters, allowed are 1 to 80 on one line")
    return text


def _checked_id(text: str) -> str:
    if re.fullmatch(ID_PATTERN, text) is None:
        raise ValueError(f"is {quoted(text)}, allowed are up to 64 of a-z, 0-9, - and _, the first no - or _")
    return text


ID_PATTERN = "[a-z0-9][a-z0-9_-]{0,63}"
Asker = Annotated[
    Title,
    AfterValidator(_checked_asker),
    Field(
        description="Who asks, in at most 80 characters; goes into the log",
        examples=["Front desk"],
        json_schema_extra={"maxLength": 80},
    ),
]
NewId = Annotated[str, AfterValidator(_checked_id), Field(json_schema_extra={"pattern": f"^{ID_PATTERN}$"})]


class FaultView(Shown):
    entry: str = Field(description="Which entry is wrong", examples=["rule 'closing-15'"])
    message: str = Field(
        description="What is wrong and what would be right", examples=["priority is 101, allowed are 0 to 100"]
    )
    code: str = Field(description="The same as a stable word for programs", examples=["unknown-zone"])
    level: Literal["fault", "warning"] = Field(
        description="A fault refuses everything, a warning nothing", examples=["fault"]
    )
    where: str | None = Field(default=None, description="The file it stands in", examples=["quillfin.toml"])


class Problem(Shown):
    """RFC 9457 problem details."""

    type: str = Field(description="Address of this kind of problem", examples=["/api/problems/conflict"])
    title: str = Field(description="The kind of problem in words", examples=["It cannot be done as things stand"])
    status: int = Field(description="HTTP status code", examples=[409])
    detail: str = Field(
        description="What is wrong: what, which, got, allowed",
        examples=["rule 'closing-15': priority is 101, allowed are 0 to 100"],
    )
    instance: str | None = Field(default=None, description="Path asked for", examples=["/api/venue"])
    code: str = Field(description="The kind of problem as a stable word", examples=["conflict"])
    faults: list[FaultView] = Field(
        default=[], description="Every fault found, where there are several", examples=[[]]
    )


class ReadyView(Shown):
    playing: bool = Field(description="Whether the engine plays and follows the clock", examples=[True])
    state: str = Field(description="State in one sentence", examples=["All well"])
    code: str = Field(description="State as a stable word", examples=["ok"])
    version: str = Field(description="Version of Oyez", examples=["0.1.0"])


class HealthView(ReadyView):
    output: str = Field(
        description='Where sound goes: "card", "recording", "silent" or "none"', examples=["silent"]
    )
    now_ms: int = ms("The service's clock")
    now_at: str = at("The service's clock")
    timezone: str | None = Field(
        description="IANA name of the venue's time zone, null without a venue", examples=["Europe/London"]
    )
    zone_rules: str = Field(description="Version of the time zone rules", examples=["2026.2"])
    engine: dict[str, Any] = Field(
        description="The engine's own numbers as it gives them (xruns are counts)", examples=[{"xruns": 0}]
    )


class VenueChange(Shown):
    changes: list[str] = Field(
        description="What changes against the venue in force, one a line", examples=[["rule 'promo': added"]]
    )
    warnings: list[FaultView] = Field(description="Legal but useless entries", examples=[[]])
    dry_run: bool = Field(description="True: nothing was changed", examples=[True])


class LeftOutView(Shown):
    zone: ZoneId
    reason: Reason


class PlayView(Shown):
    rule: RuleId
    nominal_ms: int = ms("When the rule asks for it")
    start_ms: int = ms("Planned start")
    end_ms: int = ms("Planned end, without the duck")
    zones: list[ZoneId] = Field(description="Zone ids in which it sounds", examples=[["foyer"]])
    priority: Priority
    left_out: list[LeftOutView] = Field(description="Zones it leaves out, with the reason", examples=[[]])
    chime: str | None = Field(description="Clip id of its chime, null without", examples=["two-tone"])
    clips: list[ClipId] = Field(description="Clip ids of one round, in order", examples=[["closing-15"]])
    reason: Reason
    id: PlayId
    title: TitleText
    start_at: str = at("Planned start")


class UnplacedView(Shown):
    rule: RuleId
    nominal_ms: int = ms("When the rule asked for it")
    zones: list[ZoneId] = Field(description="Zone ids it asked for", examples=[["foyer"]])
    priority: Priority
    left_out: list[LeftOutView] = Field(description="Zones left out already, with the reason", examples=[[]])
    reason: Reason
    id: PlayId
    title: TitleText
    nominal_at: str = at("When the rule asked for it")


class ZoneOutcome(Shown):
    zone: ZoneId
    outcome: Literal["sounding", "sent", "cut", "not_sent"] = Field(
        description="What became of it in this zone", examples=["sent"]
    )
    end_ms: int | None = ms("When it ended here; null while it sounds or if it never did")
    loudness_lufs: float | None = Field(
        description="Loudness at the output while it played, in LUFS; null when not measured", examples=[-18.2]
    )
    duck_depth_db: float | None = Field(
        description="How far the music stepped back, in dB; null when not known", examples=[12.5]
    )


class HappenedView(Shown):
    """One line of the day's log: a play with both its records, what was not sent, or an event."""

    id: str | None = Field(description="The play's id, null for an event", examples=["closing-15@1795801500000"])
    rule: str | None = Field(description="The rule's id, null for an event", examples=["closing-15"])
    title: TitleText
    outcome: Literal["sounding", "sent", "cut", "not_sent", "event"] = Field(
        description="What became of it", examples=["sent"]
    )
    sentence: str = Field(description="The same in words", examples=["Sent to Foyer and Shop"])
    nominal_ms: int | None = ms("When it was asked for; null for an event")
    start_ms: int = ms("First sample at the converter; planned start while that is not known; an event's time")
    start_at: str = at("The same")
    end_ms: int | None = ms("When it ended; the planned end while it sounds; null if it never sounded")
    zones: list[ZoneOutcome] = Field(description="What became of it in each zone", examples=[[]])
    left_out: list[LeftOutView] = Field(description="Zones left out, with the reason", examples=[[]])
    asked_by: str | None = Field(description='Who or what asked for it: "plan" or a name', examples=["Front desk"])
    reason: str | None = Field(description="Why, in plain words", examples=["stopped by Front desk"])


class QuietView(Shown):
    zone: ZoneId
    start_ms: int = ms("Beginning")
    end_ms: int = ms("End")
    min_priority: int = Field(description="Nothing under this priority may sound", examples=[80])
    music_off: bool = Field(description="Whether the music is off as well", examples=[False])
    label: str = Field(description="In words", examples=["quiet 13:30-14:00"])


class ZoneHead(Shown):
    id: ZoneId
    name: str = Field(description="Name, as people read it", examples=["Foyer"])
    channels: Literal[1, 2] = Field(description="1 mono, 2 stereo", examples=[2])
    has_source: bool = Field(description="Whether it has music at all", examples=[True])
    in_service: bool = Field(description="False: left out of every plan", examples=[True])
    on: bool = Field(description="False: no music, announcements still sound", examples=[True])
    music_level_db: float = Field(description="Music level in dB, 0 is as levelled", examples=[0.0])


class LevelView(Shown):
    priority: Priority
    proven: bool = Field(
        description="Whether the plan is proven to be the best there is for this priority, given those above",
        examples=[True],
    )


class PlanView(Shown):
    """A day: the plan, what happened of it, and what the drawing of it needs."""

    venue: str = Field(description="Name of the venue", examples=["Quillfin Aquarium"])
    date: str = Field(description="Operating day, ISO 8601 date", examples=["2026-11-27"])
    timezone: str = Field(description="IANA name of its time zone", examples=["Europe/London"])
    starts_ms: int = ms("Beginning of the operating day")
    ends_ms: int = ms("End of the operating day")
    plays: list[PlayView] = Field(description="Planned plays, by start", examples=[[]])
    unplaced: list[UnplacedView] = Field(description="What found no place, with the reason", examples=[[]])
    ducks: dict[str, list[Corner]] = Field(
        description="Zone id to the corner points of its music gain: ms of UTC, dB",
        examples=[{"foyer": [[1795801499400, 0.0], [1795801500000, -14.0]]}],
    )
    levels: list[LevelView] = Field(
        description="How sure the plan is, by priority from high to low", examples=[[]]
    )
    today: str = Field(description="The operating day now, ISO 8601 date", examples=["2026-11-27"])
    now_ms: int = ms("The service's clock")
    zones: list[ZoneHead] = Field(description="The venue's zones, in the file's order", examples=[[]])
    music: dict[str, list[Span]] = Field(
        description="Zone id to the spans in which its music plays, in ms of UTC",
        examples=[{"foyer": [[1795773600000, 1795802400000]]}],
    )
    quiet: list[QuietView] = Field(description="The day's quiet windows, a zone each", examples=[[]])
    open: dict[str, list[Span]] = Field(
        description='Hours set to its opening periods, in ms of UTC; "venue" is the venue\'s own',
        examples=[{"venue": [[1795773600000, 1795802400000]]}],
    )
    happened: list[HappenedView] = Field(description="What happened so far, by start", examples=[[]])


class ZoneView(Shown):
    """One zone now."""

    id: ZoneId
    name: str = Field(description="Name, as people read it", examples=["Foyer"])
    channels: Literal[1, 2] = Field(description="1 mono, 2 stereo", examples=[2])
    music: bool | None = Field(
        description="Whether its music plays now; null when the engine does not say", examples=[True]
    )
    sounding: str | None = Field(
        description="Id of the play that sounds here, null when none", examples=["closing-15@1795801500000"]
    )
    title: str | None = Field(
        description="Title of what sounds, null when nothing does", examples=["Closing in fifteen minutes"]
    )
    since_ms: int | None = ms("Since when it sounds; null when nothing does")
    until_ms: int | None = ms("Until when it will; null when nothing does")
    level_lufs: float | None = Field(
        description="Short-term loudness at the output, in LUFS; null in silence", examples=[-20.4]
    )


class ZoneGainView(Shown):
    """What a clip gets, and what it comes to, in zones of one format."""

    zone_channels: Literal[1, 2] = Field(description="Format of the zones: 1 mono, 2 stereo", examples=[1])
    gain_db: float = Field(description="Gain in dB that it plays with", examples=[3.3])
    sounds_at_lufs: float | None = Field(
        description="Loudness expected in the zone in LUFS, limiter counted in; null when not known",
        examples=[-18.0],
    )
    target_lufs: float = Field(description="What its kind is brought to, in LUFS", examples=[-18.0])
    shortfall_lu: float = Field(description="How far under the target it stays, in LU", examples=[0.0])
    limited_by_peak: bool = Field(
        description="Whether the ceiling for its peaks, not the target, decided", examples=[False]
    )
    notes: list[str] = Field(description="What else is to be known of this gain, in words", examples=[[]])


class ClipUseView(Shown):
    """A rule that plays a clip."""

    rule: RuleId
    title: TitleText
    part: Literal["clip", "chime"] = Field(description="As what it plays it", examples=["clip"])


Verdict = Literal["fit", "look", "quiet", "unknown", "missing"]


class ClipView(Shown):
    id: ClipId
    title: TitleText
    kind: Literal["speech", "music", "chime", "effect"] = Field(description="Kind of clip", examples=["speech"])
    verdict: Verdict = Field(
        description="fit to air; fit but worth a look; too quiet (over 1 LU under its target somewhere it is "
        "used); of unknown loudness; its audio missing",
        examples=["fit"],
    )
    sentence: str = Field(
        description="The same in words, with what to do", examples=["Fit to air: sounds at -18.0 LUFS."]
    )
    stored: bool = Field(description="Whether its audio is in the store", examples=[True])
    sha256: str | None = Field(
        description="Identity of its audio: SHA-256 of its samples; null when not stored",
        examples=["9f86d081884c"],
    )
    duration_ms: int | None = Field(description="Length in milliseconds; null when not known", examples=[7400])
    channels: int | None = Field(description="1 mono, 2 stereo; null when not stored", examples=[1])
    integrated_lufs: float | None = Field(
        description="Integrated loudness in LUFS (ITU-R BS.1770-5); null when undefined", examples=[-21.3]
    )
    loudness_range_lu: float | None = Field(
        description="Loudness range in LU (EBU Tech 3342); null when undefined", examples=[3.1]
    )
    true_peak_dbtp: float | None = Field(description="True peak in dBTP; null when undefined", examples=[-3.2])
    lead_silence_ms: int | None = Field(
        description="Silence at its beginning, in ms; null when not known", examples=[120]
    )
    tail_silence_ms: int | None = Field(
        description="Silence at its end, in ms; null when not known", examples=[300]
    )
    original: str | None = Field(
        description="Name of the file it was taken from; null when not known", examples=["closing.flac"]
    )
    notes: list[str] = Field(description="Notes on its measurement, in words", examples=[[]])
    gains: list[ZoneGainView] = Field(
        description="One for each format of the venue's zones; none when not stored", examples=[[]]
    )
    used_by: list[ClipUseView] = Field(description="The rules that play it, in the file's order", examples=[[]])


class ImportedView(ClipView):
    """A clip that was just added."""


Levels = Annotated[list[float | None], Field(examples=[[-21.4, None]])]


class PictureView(Shown):
    """A clip's loudness, peaks and waveform over time, as measured, before any gain: columns of equal width."""

    duration_s: float = Field(description="Length of the audio in seconds", examples=[7.4])
    sample_rate: int = Field(description="Samples a second of the stored audio", examples=[48000])
    channels: int = Field(description="1 mono, 2 stereo", examples=[1])
    column_s: float = Field(
        description="Width of a column in seconds; column k begins at k times this, the last may be shorter",
        examples=[0.01],
    )
    wave_low: list[float] = Field(
        description="Lowest sample in each column over all channels, linear, 1.0 is full scale", examples=[[-0.2]]
    )
    wave_high: list[float] = Field(description="Highest sample in each column, alike", examples=[[0.21]])
    true_peak_dbtp: Levels = Field(
        description="Highest true peak in each column in dBTP; null where there are only zeros"
    )
    sample_peak_dbfs: Levels = Field(
        description="Highest sample peak in each column in dBFS; null where there are only zeros"
    )
    momentary_low_lufs: Levels = Field(
        description="Lowest momentary loudness (400 ms) of the windows that end in each column, in LUFS; null "
        "where none ends or digital silence is in it"
    )
    momentary_high_lufs: Levels = Field(
        description="Highest momentary loudness of the windows that end in each column, in LUFS; null where none "
        "ends or there is only digital silence"
    )
    short_term_low_lufs: Levels = Field(description="Lowest short-term loudness (3 s), alike, in LUFS")
    short_term_high_lufs: Levels = Field(description="Highest short-term loudness (3 s), alike, in LUFS")
    integrated_lufs: float | None = Field(
        description="Integrated loudness in LUFS; null when undefined", examples=[-21.3]
    )
    relative_gate_lufs: float | None = Field(
        description="Windows quieter than this, in LUFS, do not count for the integrated loudness; null when "
        "undefined",
        examples=[-31.6],
    )
    loudness_range_lu: float | None = Field(
        description="Loudness range in LU; null when undefined", examples=[3.1]
    )


class RuleView(Shown):
    id: RuleId
    title: TitleText
    kind: Literal["fixed", "interval", "manual"] = Field(
        description="At given times, every so often, or only by hand", examples=["manual"]
    )
    priority: Priority
    step: str = Field(description="Step of importance", examples=["urgent"])
    zones: list[ZoneId] = Field(description="Zone ids it asks for, groups resolved", examples=[["foyer"]])
    where: list[str] = Field(description="Names of these zones", examples=[["Foyer"]])
    next_ms: int | None = ms("Its next planned start today; null when none")
    sounding: list[str] = Field(description="Ids of its plays that sound now", examples=[[]])
    not_in_service: list[str] = Field(description="Names of its zones that are not in service", examples=[[]])


class FireRequest(Shown):
    by: Asker | None = Field(
        default=None, description="Who asks; goes into the log. Default: the address asked from", examples=["Desk"]
    )


class FiredView(Shown):
    """What a press led to."""

    id: PlayId
    title: TitleText
    start_ms: int = ms("When it starts")
    start_at: str = at("When it starts")
    end_ms: int = ms("When it will have ended")
    zones: list[ZoneId] = Field(description="Zone ids in which it sounds", examples=[["foyer"]])
    left_out: list[LeftOutView] = Field(description="Zones left out, with the reason", examples=[[]])
    reason: Reason
    sentence: str = Field(description="All of it in words", examples=["Starts now in Foyer and Shop"])


class StoppedView(Shown):
    id: PlayId
    sentence: str = Field(description="What happens, in words", examples=["Fading out in Foyer and Shop"])


class LogView(Shown):
    """One record of the log, as it stands in the chain."""

    number: int = Field(description="Number in the chain, from 1", examples=[412])
    at_ms: int = ms("When it was written")
    written_at: str = at("When it was written")
    kind: str = Field(description='"claim", "end", "unsent" or "event"', examples=["end"])
    hash: str = Field(description="Hash of this record and the one before it, hex", examples=["5f2c0e"])
    body: dict[str, Any] = Field(
        description="The record: times in ms of UTC, gains in dB, loudness in LUFS",
        examples=[{"id": "closing-15@1795801500000", "outcome": "sent"}],
    )


class LogPage(Shown):
    records: list[LogView] = Field(description="Records, oldest first", examples=[[]])
    more: bool = Field(description="Whether there are more after the last", examples=[False])


class VerifiedView(Shown):
    good: bool = Field(description="Whether the whole chain holds", examples=[True])
    records: Count
    first_bad: int | None = Field(
        description="Number of the first record that does not hold; null when all do", examples=[None]
    )
    reason: Reason
