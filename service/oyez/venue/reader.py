"""The text of a venue file (TOML or JSON) becomes a venue, or a list of everything that is wrong with it.

Takes text; who reads it from disk is outside. All faults come at once: what cannot be read is replaced, for
looking on only, by a stand-in, and what would be said about a stand-in is left unsaid.
"""

from __future__ import annotations

import copy
import datetime as dt
import json
import re
import tomllib
from dataclasses import dataclass
from typing import Any, Literal

from pydantic import ValidationError

from oyez.errors import Fault
from oyez.venue.allowed import Place, allowed, example, keys_at, nearest, quoted, shown, slot_at
from oyez.venue.faults import find_all
from oyez.venue.finding import Finding
from oyez.venue.models import VenueFile
from oyez.venue.names import entry_name, path_words

Syntax = Literal["toml", "json"]

_DEEPEST = 20
_PASSES = 8  # a stand-in may itself lack keys; each pass goes one table deeper


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """venue     the venue, None when there is any fault
    findings  every fault and warning, in the file's order
    readable  what could be read, with stand-ins where it could not; None when not even that
    stand_ins the places of the stand-ins
    """

    venue: VenueFile | None
    findings: tuple[Fault, ...]
    readable: VenueFile | None = None
    stand_ins: frozenset[Place] = frozenset()

    @property
    def faults(self) -> tuple[Fault, ...]:
        return tuple(f for f in self.findings if f.level == "fault")


def read_venue(text: str, *, where: str, syntax: Syntax) -> Reading:
    """Read a whole venue file.

    where   what the person called it, e.g. "quillfin.toml"; stands in every finding
    Never raises for what stands in the text: faults are data.
    """
    try:
        raw = _parsed(text, syntax)
    except _NotReadable as error:
        fault = Fault(where=where, entry=error.entry, message=str(error), code="syntax")
        return Reading(venue=None, findings=(fault,))
    if not isinstance(raw, dict):
        message = f"is {shown(raw)}, allowed are tables of keys and values, starting with format = 1"
        return Reading(venue=None, findings=(Fault(where=where, entry="", message=message, code="syntax"),))
    return read_tree(raw, where=where)


def read_tree(raw: dict[str, Any], *, where: str | None) -> Reading:
    """The same from a tree that was already parsed (TOML's or JSON's values)."""
    if not _shallow(raw):
        message = f"is nested more than {_DEEPEST} levels deep, which no venue file is"
        return Reading(venue=None, findings=(Fault(where=where, entry="", message=message, code="syntax"),))
    findings: list[Finding] = []
    tree = _plain(raw, (), findings)
    venue, stand_ins = _checked(tree, findings)
    if venue is not None:
        findings += [f for f in find_all(venue) if not _about_stand_in(f, stand_ins)]
    order = list(raw)
    findings.sort(key=lambda f: _file_order(f.place, order))
    faults = tuple(
        Fault(where=where, entry=entry_name(tree, f.place), message=f.message, code=f.code, level=f.level)
        for f in findings
    )
    sound = venue if not any(f.level == "fault" for f in faults) else None
    return Reading(venue=sound, findings=faults, readable=venue, stand_ins=frozenset(stand_ins))


class _NotReadable(Exception):
    def __init__(self, entry: str, message: str) -> None:
        super().__init__(message)
        self.entry = entry


def _parsed(text: str, syntax: Syntax) -> Any:
    try:
        if syntax == "toml":
            return tomllib.loads(text)
        return json.loads(text, object_pairs_hook=_no_key_twice, parse_constant=_no_constant)
    except RecursionError:
        raise _NotReadable("", f"is nested too deeply to be a {syntax.upper()} venue file") from None
    except json.JSONDecodeError as error:
        said = error.msg[:1].lower() + error.msg[1:]
        raise _NotReadable(f"line {error.lineno}, column {error.colno}", f"is not JSON: {said}") from None
    except ValueError as error:  # TOMLDecodeError, a key given twice, a number of thousands of digits
        said, line, column = _toml_place(str(error), text)
        entry = f"line {line}, column {column}" if line else ""
        raise _NotReadable(entry, f"is not {syntax.upper()}: {said}") from None


def _toml_place(message: str, text: str) -> tuple[str, int, int]:
    """What tomllib says is "... (at line 3, column 5)" or "(at end of document)"; line 0 when it says neither."""
    found = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|end of document)\)", message, re.DOTALL)
    if "integer string conversion" in message:
        return "a number has thousands of digits", 0, 0
    said = message if not found else found[1]
    said = said[:1].lower() + said[1:] if said[1:2].islower() else said
    if not found:
        return said, 0, 0
    if found[2]:
        return said, int(found[2]), int(found[3])
    return f"{said} at the end of the file", text.count("\n") + 1, len(text) - text.rfind("\n")


def _no_key_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for key, value in pairs:
        if key in made:
            raise ValueError(f"the key {quoted(key)} is given twice in one object")
        made[key] = value
    return made


def _no_constant(name: str) -> Any:
    raise ValueError(f"the value {name} is no JSON number")


def _shallow(tree: Any) -> bool:
    """Whether a tree is as flat as any venue file; without recursion, as it is there to prevent one."""
    level = [tree]
    for _ in range(_DEEPEST):
        level = [
            inner
            for value in level
            if isinstance(value, (dict, list))
            for inner in (value.values() if isinstance(value, dict) else value)
        ]
        if not level:
            return True
    return False


def _plain(value: Any, place: Place, findings: list[Finding]) -> Any:
    """TOML's dates and times as the texts that stand for them; a broken character is a finding."""
    if isinstance(value, dict):
        return {key: _plain(inner, (*place, key), findings) for key, inner in value.items()}
    if isinstance(value, list):
        return [_plain(inner, (*place, i), findings) for i, inner in enumerate(value)]
    if isinstance(value, (dt.date, dt.time)):
        return value.isoformat()
    if isinstance(value, str) and not value.isascii():
        try:
            value.encode("utf-8")
        except UnicodeEncodeError:
            message = f"{path_words(place)} has half a surrogate pair in it, allowed are whole characters"
            findings.append(Finding(place=place, message=message, code="bad-value"))
            return value.encode("utf-8", "replace").decode("utf-8")
    return value


def _checked(tree: dict[str, Any], findings: list[Finding]) -> tuple[VenueFile | None, set[Place]]:
    """The venue of a tree, every value checked; what is wrong goes to `findings` and gets a stand-in."""
    stand_ins: set[Place] = set()
    mended: Any = tree
    for number in range(_PASSES):
        try:
            text = json.dumps(mended)
            return VenueFile.model_validate_json(text, strict=True), stand_ins
        except ValidationError as error:
            if number == 0:
                mended = copy.deepcopy(tree)
            seen: set[Place] = set()
            for one in error.errors(include_url=False):
                place, finding = _worded(mended, one)
                inside = any(p[: len(place)] == place for p in seen)  # said already, or counted without bad values
                if not inside and number == 0:
                    findings.append(finding)
                seen.add(place)
            stand_ins |= seen | {_meant(place) for place in seen}
            # The longest first: what lies inside a table is mended before the table itself is replaced.
            for place in sorted(seen, key=lambda p: -len(p)):
                _mend(mended, place)
    return None, stand_ins


def _worded(tree: Any, error: Any) -> tuple[Place, Finding]:
    """One of pydantic's errors as our own finding, at the place where the tree still has a value."""
    place, got, key = _located(tree, error["loc"])
    words = path_words(place)
    if key is not None:
        name_rule = (slot_at(place) or {}).get("propertyNames", {}).get("allowed", "")
        message = f"{words} has the key {quoted(key)}, allowed are {name_rule}"
        return (*place, key), Finding(place=(*place, key), message=message, code="bad-key")
    if error["type"] == "extra_forbidden":
        known = keys_at(place[:-1])
        near = nearest(str(place[-1]), known)
        hint = f"the nearest allowed is '{near}'" if near else f"allowed are {', '.join(known)}"
        inside = path_words(place[:-1]) if len(place) > 2 else ""
        said = f"unknown key {quoted(str(place[-1]))}, {hint}"
        return place, Finding(place=place, message=f"{inside}: {said}" if inside else said, code="unknown-key")
    slot = slot_at(place) or {}
    may_be = f"allowed {'is' if 'const' in slot else 'are'} {allowed(slot, got)}"
    code = "bad-value"
    if error["type"] == "missing":
        said, code = f"is missing, {may_be}", "missing-key"
    elif error["type"] == "value_error":
        said = str(error["ctx"]["error"])
    elif isinstance(got, list) and slot.get("type") == "array":
        said = f"has {len(got)} values, {may_be}"
    elif isinstance(got, str) and error["type"] in {"string_too_long", "string_too_short"}:
        said = f"has {len(got)} characters, {may_be}"
    else:
        said = f"is {shown(got)}, {may_be}"
    return place, Finding(place=place, message=f"{words} {said}".lstrip(), code=code)


def _located(tree: Any, loc: tuple[str | int, ...]) -> tuple[Place, Any, str | None]:
    """Follow an error's location while the tree has it; what lies beyond names a branch of a union."""
    place: list[str | int] = []
    value = tree
    for i, step in enumerate(loc):
        if i + 1 < len(loc) and loc[i + 1] == "[key]":
            return tuple(place), value, str(step)
        if isinstance(value, dict) and isinstance(step, str):
            place.append(step)
            if step not in value:
                return tuple(place), None, None
            value = value[step]
        elif isinstance(value, list) and isinstance(step, int) and step < len(value):
            place.append(step)
            value = value[step]
        else:
            break
    return tuple(place), value, None


def _meant(place: Place) -> Place:
    """A table whose name was mistyped is unreadable as well, under the name that was meant."""
    near = nearest(str(place[0]), keys_at(())) if len(place) == 1 and slot_at(place) is None else None
    return place if near is None else (near,)


def _mend(tree: Any, place: Place) -> None:
    """Put a stand-in where a value could not be read; take out a key that is not allowed."""
    *above, last = place
    holder: Any = tree
    for step in above:
        try:
            holder = holder[step]
        except (LookupError, TypeError):
            return  # what held it was itself replaced
    slot = slot_at(place)
    if isinstance(holder, dict):
        if slot is None or (last in holder and _bad_key(place)):
            holder.pop(last, None)
        else:
            holder[last] = example(slot)
    elif isinstance(holder, list) and isinstance(last, int) and slot is not None:
        holder[last] = example(slot)


def _bad_key(place: Place) -> bool:
    above = slot_at(place[:-1]) or {}
    return "patternProperties" in above and not any(
        re.search(p, str(place[-1])) for p in above["patternProperties"]
    )


def _about_stand_in(finding: Finding, stand_ins: set[Place]) -> bool:
    """Whether a finding speaks of something that only stands in for what could not be read."""
    for place in (finding.place, *finding.also):
        if any(place[: len(s)] == s for s in stand_ins):
            return True
        if finding.lacking and any(s[: len(place)] == place for s in stand_ins):
            return True
    return False


def _file_order(place: Place, tables: list[str]) -> tuple[int, int]:
    """Faults in the order in which a person meets them reading down the file."""
    first = tables.index(str(place[0])) if place and str(place[0]) in tables else -1
    second = next((step for step in place[1:2] if isinstance(step, int)), -1)
    return first, second
