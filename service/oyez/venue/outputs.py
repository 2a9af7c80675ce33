"""Outputs seen together with the zones they carry: channels that fit, and none used twice."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from typing import Literal

from oyez.venue.allowed import Place, quoted
from oyez.venue.finding import Finding
from oyez.venue.models import Output, VenueFile


def output_findings(venue: VenueFile) -> Iterator[Finding]:
    zones = {z.id: (i, z) for i, z in enumerate(venue.zones)}
    files: dict[str, int] = {}
    for i, output in enumerate(venue.outputs):
        at: Place = ("outputs", i)
        yield from _output_kind(at, output)
        if output.file is not None and files.setdefault(output.file, i) != i:
            message = (
                f"file is {quoted(output.file)}, as of output {files[output.file] + 1}, allowed is each file once"
            )
            also: tuple[Place, ...] = (("outputs", files[output.file], "file"),)
            yield Finding(place=(*at, "file"), also=also, message=message, code="same-file")
        users: dict[int, list[str]] = defaultdict(list)
        for zone_id, channels in output.zones.items():
            place: Place = (*at, "zones", zone_id)
            most = output.channels or 64
            for channel in channels:
                users[channel].append(zone_id)
                if not 1 <= channel <= most:
                    message = f"zones.{zone_id} has the channel {channel}, allowed are 1 to {most}"
                    yield Finding(place=place, also=((*at, "channels"),), message=message, code="bad-channel")
            number, zone = zones.get(zone_id, (0, None))
            if zone is not None and len(channels) != zone.channels:
                message = (
                    f"zones.{zone_id} has {_channels(len(channels))}, the zone has {_channels(zone.channels)}"
                )
                also = (("zones", number, "channels"), ("zones", number, "id"))
                yield Finding(place=place, also=also, message=message, code="channel-count")
        for channel, names in users.items():
            if len(names) > 1:
                message = f"zones: channel {channel} is used by {' and '.join(names)}, allowed is once"
                also = tuple((*at, "zones", name) for name in names)
                yield Finding(place=(*at, "zones"), also=also, message=message, code="same-channel")
    if venue.outputs:
        heard = {zone_id for output in venue.outputs for zone_id in output.zones}
        for i, zone in enumerate(venue.zones):
            if zone.id not in heard:
                message = "is on no output, nothing of it will be heard"
                yield Finding(
                    place=("zones", i, "id"),
                    also=(("outputs",),),
                    message=message,
                    code="no-output",
                    level="warning",
                    lacking=True,
                )


def _channels(count: int) -> str:
    return "1 channel" if count == 1 else f"{count} channels"


def _output_kind(at: Place, output: Output) -> Iterator[Finding]:
    kind: Literal["card", "recording"] = output.kind
    also = ((*at, "kind"),)
    if kind == "recording" and output.file is None:
        message = "is a recording without a file, allowed is one with a file, like foyer.wav"
        yield Finding(place=(*at, "file"), also=also, message=message, code="recording-without-file")
    if kind == "recording" and output.device is not None:
        message = f"is a recording with the device {quoted(output.device)}, allowed is a device for a card only"
        yield Finding(place=(*at, "device"), also=also, message=message, code="recording-with-device")
    if kind == "card" and output.file is not None:
        message = f"is a card with the file {quoted(output.file)}, allowed is a file for a recording only"
        yield Finding(place=(*at, "file"), also=also, message=message, code="card-with-file")
