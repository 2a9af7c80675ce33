"""Read a venue file and report everything that is wrong with it, or legal but useless, at once.

  oyez check quillfin.toml
  oyez check quillfin.toml --json

Exit status 2 when there is a fault, else 0. Changes nothing. Clips and folders of music must lie beside the file.
"""

from __future__ import annotations

import argparse
import dataclasses
import datetime as dt
import json
import time
from pathlib import Path

from oyez.clips.folder import VenueFolder, inspect
from oyez.errors import Fault
from oyez.settings import use_packaged_zone_rules
from oyez.venue.models import VenueFile


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", type=Path, metavar="FILE", help="the venue file, .toml or .json")
    parser.add_argument("--json", action="store_true", help="as JSON")


def run(args: argparse.Namespace) -> int:
    use_packaged_zone_rules()
    inspection = inspect(args.file)
    findings = inspection.findings
    if inspection.folder is not None:
        findings += useless(inspection.folder)
    faults = [f for f in findings if f.level == "fault"]
    warnings = [f for f in findings if f.level == "warning"]
    if args.json:
        tree = {
            "file": str(args.file),
            "ok": not faults,
            "faults": [finding_tree(f) for f in faults],
            "warnings": [finding_tree(f) for f in warnings],
        }
        print(json.dumps(tree, indent=2, ensure_ascii=False))
    else:
        for finding in findings:
            print(line(finding))
        size = "" if inspection.folder is None else f"{_size(inspection.folder.venue)}, "
        print(f"{args.file}: {size}{counted(len(faults), 'fault')}, {counted(len(warnings), 'warning')}")
    return 2 if faults else 0


def useless(folder: VenueFolder) -> tuple[Fault, ...]:
    """What the calendar shows to be useless, from the venue's present day on, beyond what the file alone shows."""
    from oyez.clips.lengths import clip_lengths
    from oyez.planning.day import operating_day
    from oyez.planning.warnings import find_warnings

    today: dt.date = operating_day(folder.venue, time.time_ns() // 1_000_000)
    found = find_warnings(folder.venue, today=today, facts=clip_lengths(folder))
    told = {w.entry for w in folder.warnings if w.code == "dates-backwards"}
    return tuple(dataclasses.replace(f, where=str(folder.path)) for f in found if f.entry not in told)


def line(finding: Fault) -> str:
    """One finding for people; a warning says that it is one."""
    if finding.level == "fault":
        return str(finding)
    return str(dataclasses.replace(finding, message=f"warning: {finding.message}"))


def finding_tree(finding: Fault) -> dict[str, str]:
    return {"entry": finding.entry, "message": finding.message, "code": finding.code}


def counted(count: int, noun: str) -> str:
    return f"{count or 'no'} {noun}{'' if count == 1 else 's'}"


def _size(venue: VenueFile) -> str:
    return f"{counted(len(venue.zones), 'zone')}, {counted(len(venue.rules), 'rule')}"
