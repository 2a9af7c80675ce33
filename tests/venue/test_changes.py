"""What differs between two venues, in words a person can act on."""

from __future__ import annotations

from hypothesis import HealthCheck, given, settings

from oyez.venue.changes import find_changes
from oyez.venue.models import VenueFile
from oyez.venue.reader import read_venue
from tests.venue.venues import GOOD, venues


def read(text: str) -> VenueFile:
    venue = read_venue(text, where="x", syntax="toml").venue
    assert venue is not None
    return venue


def changed(*pairs: tuple[str, str]) -> list[str]:
    text = GOOD
    for old, new in pairs:
        assert old in text
        text = text.replace(old, new, 1)
    return [str(c) for c in find_changes(read(GOOD), read(text))]


def test_a_changed_value_is_told_with_before_and_after():
    assert changed(("priority = 60", "priority = 70")) == ["rule 'closing-15': priority 60 -> 70"]


def test_a_value_inside_an_inner_table_is_told_with_its_path():
    assert changed(("every_min = 40", "every_min = 30")) == ["rule 'hands-off': interval.every_min 40 -> 30"]


def test_lists_and_words_are_told_as_they_are():
    assert changed(('times = ["close-15"]', 'times = ["21:00", "close-15"]'), ("London", "Paris")) == [
        "venue: timezone Europe/London -> Europe/Paris",
        "rule 'closing-15': fixed.times close-15 -> 21:00, close-15",
    ]


def test_entries_that_come_and_go_are_told():
    exception = ("[[hours_except]]", '[[hours_except]]\nhours = "cafe"')
    clip = '[[clips]]\nid = "gong"\nfile = "gong.flac"\ntitle = "Gong"\n\n[[rules]]\nid = "closing-15"'
    assert changed(('[[rules]]\nid = "closing-15"', clip), exception) == [
        "hours exception of every set on 2026-12-25: removed",
        "hours exception of 'cafe' on 2026-12-25: added",
        "clip 'gong': added",
    ]  # fmt: skip


def test_a_rule_made_manual_is_told():
    assert changed(('[rules.interval]\nevery_min = 40\nstart = "open+20"\nend = "17:00"\n', "")) == [
        "rule 'hands-off': interval every_min 40, start open+20, end 17:00 -> none"
    ]


def test_another_order_is_told_because_it_settles_ties():
    venue = read(GOOD)
    turned = venue.model_copy(update={"rules": venue.rules[::-1]})
    assert [str(c) for c in find_changes(venue, turned)] == [
        "rules: order changed (it settles which of two equals goes first)"
    ]


def test_a_first_venue_is_all_added():
    found = find_changes(None, read(GOOD))
    assert str(found[0]) == "venue: added, 'Quillfin Aquarium'"
    assert {c.kind for c in found} == {"added"}


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(one=venues(), two=venues())
def test_there_are_changes_exactly_where_two_venues_differ(one: VenueFile, two: VenueFile):
    assert find_changes(one, one) == ()
    assert bool(find_changes(one, two)) == (one != two)
    assert bool(find_changes(two, one)) == (one != two)
