"""Reading a venue file: everything at once, in the file's order, in our own words, whatever the text."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from oyez.venue.models import VenueFile
from oyez.venue.reader import read_tree, read_venue
from oyez.venue.writer import venue_tree
from tests.venue.venues import GOOD

IDS = "up to 64 of a-z, 0-9, - and _, the first a letter or digit"
TIMES = "clock times (21:00, 21:00:30) and open, close, open+10, close-15"
ONCE = "allowed is each id once"
MANY = (
    GOOD
    + """
[[rules]]
id = "closing-15"
title = "Twice"
clips = ["gone"]
zones = ["attic", "foyer"]
priority = 101
prioity = 3
[rules.fixed]
times = ["25:00"]

[[zones]]
name = "Attic"
channels = 3
hours = "shop"
"""
)


def lines(text: str, syntax: Any = "toml") -> list[str]:
    return [str(f) for f in read_venue(text, where="quillfin.toml", syntax=syntax).findings]


def test_every_fault_is_listed_at_once_in_the_files_order():
    assert lines(MANY) == [
        f"quillfin.toml: zone 3: id is missing, allowed are {IDS}",
        "quillfin.toml: zone 3: channels is 3, allowed are 1, 2",
        "quillfin.toml: zone 3: hours: unknown hours set 'shop', known are cafe, venue",
        "quillfin.toml: rule 'closing-15': priority is 101, allowed are 0 to 100",
        f"quillfin.toml: rule 'closing-15': fixed.times value 1 is '25:00', allowed are {TIMES}",
        "quillfin.toml: rule 'closing-15': unknown key 'prioity', the nearest allowed is 'priority'",
        f"quillfin.toml: rule 'closing-15': the id 'closing-15' is given to rule 1 and rule 5, {ONCE}",
        "quillfin.toml: rule 'closing-15': clips: unknown clip 'gone', known are closing-15, two-tone",
        "quillfin.toml: rule 'closing-15': zones: unknown zone 'attic', known are all, foyer, public, theatre",
    ]  # fmt: skip


def test_a_file_with_faults_gives_no_venue():
    reading = read_venue(MANY, where="x", syntax="toml")
    assert reading.venue is None
    assert len(reading.faults) == 9


def test_what_stands_in_for_an_unreadable_value_is_never_spoken_of():
    text = GOOD.replace('[[groups]]\nid = "public"', "[[groups]]\nid = 7").replace(
        'zones = ["public"]', "zones = [7]"
    )
    assert [line.partition(", allowed")[0] for line in lines(text)] == [
        "quillfin.toml: group 1: id is 7",
        "quillfin.toml: rule 'closing-15': zones value 1 is 7",
    ]


def test_a_whole_table_that_cannot_be_read_makes_no_name_unknown():
    assert lines(re.sub(r"\[\[clips\]\].*?(?=\[\[rules\]\])", "", GOOD, flags=re.DOTALL) + "[clips]\n") == [
        "quillfin.toml: clips is a table, allowed are lists"
    ]


# tomllib's own words differ between versions of Python; place and file must be there
@pytest.mark.parametrize(
    ("text", "line", "column"),
    [
        ("format = 1\nvenue = \n", 2, 9),
        ('format = 1\n[venue]\nname = "x\n', 3, 10),
        ("format = 1\nformat = 2\n", 2, 11),
    ],
)
def test_a_syntax_error_is_one_fault_with_its_line_and_column(text: str, line: int, column: int):
    (found,) = lines(text)
    assert found.startswith(f"quillfin.toml: line {line}, column {column}: is not TOML: ")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ('{"format": 1,}', "line 1, column 1"),
        ('{"format": 1, "format": 1}', "the key 'format' is given twice in one object"),
        ('{"format": NaN}', "the value NaN is no JSON number"),
        ('{"format": ' + "9" * 5000 + "}", "a number has thousands of digits"),
        ("[]", "is a list, allowed are tables of keys and values, starting with format = 1"),
        ("7", "is 7, allowed are tables of keys and values"),
        ("[" * 100_000, "is nested too deeply to be a JSON venue file"),
    ],
)
def test_json_that_is_none_is_one_fault(text: str, said: str):
    (found,) = lines(text, "json")
    assert said in found


@pytest.mark.parametrize("depth", [30, 150, 500, 900, 3000, 100_000])
@pytest.mark.parametrize("syntax", ["toml", "json"])
def test_nesting_of_any_depth_is_one_fault(depth: int, syntax: str):
    nest = "[" * depth + "]" * depth
    (found,) = lines(f"format = {nest}" if syntax == "toml" else f'{{"format": {nest}}}', syntax)
    assert "is nested" in found


def test_a_number_of_thousands_of_digits_is_one_fault_in_toml_too():
    assert lines("format = " + "9" * 5000) == ["quillfin.toml: is not TOML: a number has thousands of digits"]


def test_half_a_surrogate_pair_is_a_fault_and_not_a_crash():
    tree = venue_tree(sound())
    tree["zones"][0]["name"] = "Foyer \ud800"
    assert lines(json.dumps(tree), "json") == [
        "quillfin.toml: zone 'foyer': name has half a surrogate pair in it, allowed are whole characters"
    ]


def test_tomls_own_dates_and_times_mean_what_the_texts_mean():
    native = GOOD.replace('date = "2026-12-25"', "date = 2026-12-25").replace('from = "13:30"', "from = 13:30:00")
    native = native.replace('dtstart = "2026-11-06T20:00:00"', "dtstart = 2026-11-06T20:00:00")
    reading = read_venue(native, where="x", syntax="toml")
    assert reading.venue is not None
    assert reading.venue.hours_except == sound().hours_except
    assert reading.venue.rules == sound().rules


def sound() -> VenueFile:
    venue = read_venue(GOOD, where="x", syntax="toml").venue
    assert venue is not None
    return venue


_JUNK: st.SearchStrategy[Any] = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(-(10**20), 10**20),
        st.floats(),
        st.text(max_size=8),
        st.sampled_from(["foyer", "all", "open+10", "venue"]),
    ),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)),
    max_leaves=6,
)


def _places(tree: Any, at: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [at]
    items = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, inner in items:
        found += _places(inner, (*at, key))
    return found


_TREE = venue_tree(sound())
_PYDANTIC = re.compile(r"Input should|Field required|Extra inputs|validat|pydantic|value_error|type=|Traceback")


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(data=st.data())
def test_any_value_anywhere_gives_findings_in_our_words_and_never_an_exception(data: st.DataObject):
    tree = json.loads(json.dumps(_TREE))
    for _ in range(data.draw(st.integers(1, 3))):
        *above, last = data.draw(st.sampled_from(_places(tree)[1:]))
        holder = tree
        for step in above:
            holder = holder[step]
        holder[last] = data.draw(_JUNK)
    reading = read_tree(tree, where="x")
    assert (reading.venue is None) == bool(reading.faults)
    for finding in reading.findings:
        assert "\n" not in str(finding)
        assert not _PYDANTIC.search(finding.message), finding.message
        assert "unreadable" not in str(finding)


@settings(max_examples=200, deadline=None)
@given(text=st.text(max_size=200), syntax=st.sampled_from(["toml", "json"]))
def test_any_text_at_all_gives_findings_and_never_an_exception(text: str, syntax: Any):
    reading = read_venue(text, where="x", syntax=syntax)
    assert reading.venue is None
    assert reading.faults
