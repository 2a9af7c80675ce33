"""The log: only added to, each record once, an occurrence completed once, every tampering seen."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from oyez.errors import InputError
from oyez.settings import Settings
from oyez.store import journal, log, venues
from oyez.store.chain import GENESIS, canonical
from oyez.store.database import Database, open_database
from oyez.store.head import keep_head, read_heads
from oyez.store.tables import LogRow
from tests.planning.building import rule, venue


@pytest.fixture
def database(tmp_path: Path):
    made = open_database(Settings(data_dir=tmp_path))
    with made.begin() as session:
        venues.write_venue(session, venue(rule("seals", at="10:00")))
    yield made
    made.close()


def claim(number: int = 1, **more) -> dict:
    return {
        "kind": "claim", "id": f"seals@{number}", "rule": "seals", "title": "Seals are fed", "priority": 60,
        "nominal_ms": number * 1000, "planned_ms": number * 1000, "planned_end_ms": number * 1000 + 500,
        "zones": ["foyer", "cafe"], "left_out": [["theatre", "quiet 13:30-14:00"]], "asked_by": "plan",
        "reason": "on time", "clips": [{"clip": "seals-clip", "sha256": "ab" * 32}],
        "per_zone": [{"zone": z, "gain_db": 2.5, "duck_depth_db": 14.0} for z in ("foyer", "cafe")],
        "at_ms": number * 1000 - 600, **more,
    }  # fmt: skip


def end(number: int = 1, **more) -> dict:
    return {
        "kind": "end", "id": f"seals@{number}", "rule": "seals", "title": "Seals are fed",
        "nominal_ms": number * 1000, "planned_ms": number * 1000, "actual_ms": number * 1000 + 3,
        "end_ms": number * 1000 + 503, "outcome": "sent", "reason": "on time", "rounds_done": 1,
        "per_zone": [
            {"zone": z, "outcome": "sent", "end_ms": number * 1000 + 503, "loudness_lufs": -18.04}
            for z in ("foyer", "cafe")
        ],
        "at_ms": number * 1000 + 600, **more,
    }  # fmt: skip


def unsent(number: int = 1, **more) -> dict:
    return {
        "kind": "unsent", "id": f"seals@{number}", "rule": "seals", "title": "Seals are fed", "priority": 60,
        "nominal_ms": number * 1000, "zones": ["foyer"], "left_out": [], "reason": "no place",
        "at_ms": number * 1000 + 60_000, **more,
    }  # fmt: skip


def fill(database: Database, count: int = 4) -> None:
    with database.begin() as session:
        for number in range(1, count + 1):
            log.append(session, 1, claim(number), boot="b", boot_seq=2 * number - 1)
            log.append(session, 1, end(number), boot="b", boot_seq=2 * number)


def verify(database: Database, kept=None):
    with database.read() as session:
        return log.verify(session, 1, kept)


def tamper(database: Database, sql: str, **values) -> None:
    with database.begin() as session:
        session.execute(text(sql), values)


def test_claim_and_end_are_one_entry(database: Database) -> None:
    fill(database, 1)
    with database.read() as session:
        (entry,) = log.read(session, 1)
    assert (entry.outcome, entry.nominal_ms, entry.planned_ms, entry.actual_ms, entry.end_ms) == (
        "sent", 1000, 1000, 1003, 1503,
    )  # fmt: skip
    assert entry.lateness_ms == 3
    assert entry.left_out == (("theatre", "quiet 13:30-14:00"),)
    assert entry.clips == (("seals-clip", "ab" * 32),)
    assert [(z.zone, z.gain_db, z.duck_depth_db, z.loudness_lufs) for z in entry.per_zone] == [
        ("foyer", 2.5, 14.0, -18.04),
        ("cafe", 2.5, 14.0, -18.04),
    ]
    assert (entry.asked_by, entry.rounds_done, entry.numbers) == ("plan", 1, (1, 2))


def test_a_claim_without_an_end_sounds(database: Database) -> None:
    with database.begin() as session:
        log.append(session, 1, claim(), boot="b", boot_seq=1)
    with database.read() as session:
        (entry,) = log.read(session, 1)
        assert [c.occurrence for c in log.open_claims(session, 1)] == ["seals@1"]
    assert (entry.outcome, entry.actual_ms, entry.lateness_ms) == ("sounding", None, None)


def test_what_never_began_is_one_record(database: Database) -> None:
    with database.begin() as session:
        log.append(session, 1, unsent())
    with database.read() as session:
        (entry,) = log.read(session, 1)
    assert (entry.outcome, entry.reason, entry.planned_ms, entry.zones) == (
        "not_sent",
        "no place",
        None,
        ("foyer",),
    )


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ({"from_ms": 2000}, [2, 3]),
        ({"until_ms": 3000}, [1, 2]),
        ({"zone": "cafe"}, [1, 2]),
        ({"zone": "theatre"}, [1, 2]),
        ({"zone": "shop"}, []),
        ({"outcome": "not_sent"}, [3]),
        ({"rule": "rays"}, []),
        ({"newest_first": True}, [3, 2, 1]),
        ({"newest_first": True, "limit": 1}, [3]),
    ],
)
def test_entries_are_found_by_time_zone_rule_and_outcome(database: Database, wanted: dict, found: list) -> None:
    fill(database, 2)
    with database.begin() as session:
        log.append(session, 1, unsent(3))
    with database.read() as session:
        assert [e.nominal_ms // 1000 for e in log.read(session, 1, **wanted)] == found


def test_a_line_of_an_engine_goes_over_once(database: Database) -> None:
    fill(database, 1)
    with database.begin() as session:
        again = log.append(session, 1, claim(), boot="b", boot_seq=1)
        assert (again.status, again.number) == ("known", 1)
        assert log.head(session, 1).number == 2


@pytest.mark.parametrize("late", [claim(), end(outcome="cut"), unsent()])
def test_an_occurrence_is_completed_at_most_once(database: Database, late: dict) -> None:
    fill(database, 1)
    with database.begin() as session:
        refused = log.append(session, 1, late)
        assert refused.status == "refused"
        assert "'seals@1' ended already" in str(refused.reason)
        assert log.head(session, 1).number == 2


def test_what_an_engine_says_a_second_time_is_kept_as_an_event(database: Database) -> None:
    fill(database, 1)
    with database.begin() as session:
        refused = log.append(session, 1, end(outcome="cut"), boot="b", boot_seq=3)
        assert (refused.status, refused.number) == ("refused", 3)
        assert log.append(session, 1, end(outcome="cut"), boot="b", boot_seq=3).status == "known"
    with database.read() as session:
        (event,) = log.read_events(session, 1)
        assert log.read(session, 1)[0].outcome == "sent"
    assert event.detail["refused"]["outcome"] == "cut"
    assert verify(database).ok


def test_the_table_itself_refuses_a_second_completion(database: Database) -> None:
    fill(database, 1)
    row = {"venue_id": 1, "kind": "unsent", "at_ms": 0, "occurrence": "seals@1", "nominal_ms": 0}
    with pytest.raises(IntegrityError), database.begin() as session:
        session.add(LogRow(**row, number=3, body="{}", prev="", hash=""))


@pytest.mark.parametrize(
    ("record", "words"),
    [
        ({"kind": "sigh"}, "kind is 'sigh', allowed are claim, end, unsent, event"),
        ({"kind": "claim", "id": 4}, "id is 4, needed is str"),
        ({k: v for k, v in claim().items() if k != "planned_ms"}, "planned_ms is None, needed is int"),
        (claim(nominal_ms=True), "nominal_ms is True, needed is int"),
    ],
)
def test_a_record_that_lacks_something_is_refused_in_words(database: Database, record: dict, words: str) -> None:
    with database.begin() as session, pytest.raises(InputError, match=words):
        log.append(session, 1, record)


def test_an_event_about_a_play_is_not_taken_for_the_play(database: Database) -> None:
    with database.begin() as session:
        log.append(session, 1, {"kind": "event", "what": "stuck", "at_ms": 1, "id": "seals@1"})
        assert log.known(session, 1, ["seals@1"]) == frozenset()
        assert log.append(session, 1, claim()).status == "added"


def test_a_number_that_json_cannot_say_is_refused(database: Database) -> None:
    with database.begin() as session, pytest.raises(ValueError, match="JSON"):
        log.append(session, 1, {"kind": "event", "what": "level", "at_ms": 1, "level": float("nan")})


def test_the_hash_is_over_the_bytes_the_page_says(database: Database) -> None:
    # FIPS 180-4 by Python's hashlib, over bytes put together here by hand from the description in store/chain.py
    with database.begin() as session:
        log.append(session, 1, {"kind": "event", "what": "café", "at_ms": 5, "reason": None})
    body = '{"at_ms":5,"kind":"event","reason":null,"what":"café"}'
    wanted = hashlib.sha256(f"oyez-log-1\n1\n1\n{'0' * 64}\n{body}".encode()).hexdigest()
    with database.read() as session:
        assert log.hash_of(session, 1, 1) == wanted


def test_canonical_json_does_not_depend_on_the_order_of_keys() -> None:
    assert canonical({"b": 1.5, "a": [True, None]}) == canonical({"a": [True, None], "b": 1.5})
    assert canonical({"b": 1.5, "a": "ü"}) == '{"a":"ü","b":1.5}'


def test_an_untouched_log_verifies(database: Database) -> None:
    fill(database)
    with database.read() as session:
        last = log.head(session, 1)
    found = verify(database, [last])
    assert (found.ok, found.records, found.first_bad, found.reason) == (True, 8, None, None)


def test_an_empty_log_verifies(database: Database) -> None:
    found = verify(database)
    assert (found.ok, found.records, found.head.hash) == (True, 0, GENESIS)


BODY = "SELECT body FROM log WHERE number = 3"
TAMPERINGS = {
    "an altered body": ("UPDATE log SET body = replace(body, 'Seals', 'Sealz') WHERE number = 3", 3, "altered"),
    "an altered hash": ("UPDATE log SET hash = prev WHERE number = 3", 3, "altered"),
    "an altered column": ("UPDATE log SET nominal_ms = 7 WHERE number = 3", 3, "nominal_ms is 7 beside the body"),
    "an altered kind": ("UPDATE log SET kind = 'event' WHERE number = 3", 3, "kind is 'event' beside the body"),
    "a removed record": ("DELETE FROM log WHERE number = 3", 3, "record 3 is gone"),
    "two removed records": ("DELETE FROM log WHERE number IN (3, 4)", 3, "records 3 to 4 are gone"),
    "the first one removed": ("DELETE FROM log WHERE number = 1", 1, "record 1 is gone"),
    "a body taken from another": (
        "UPDATE log SET body = (SELECT body FROM log WHERE number = 5) WHERE number = 3",
        3,
        "altered",
    ),
    "a body that is no record": ("UPDATE log SET body = '[' WHERE number = 3", 3, "altered"),
}


@pytest.mark.parametrize("what", TAMPERINGS)
def test_tampering_shows_and_where(database: Database, what: str) -> None:
    fill(database)
    sql, number, words = TAMPERINGS[what]
    tamper(database, sql)
    found = verify(database)
    assert not found.ok
    assert found.first_bad == number
    assert words in str(found.reason)


def test_two_records_that_changed_places_show(database: Database) -> None:
    fill(database)
    for was, now in ((3, 99), (4, 3), (99, 4)):
        tamper(database, "UPDATE log SET number = :now WHERE number = :was", was=was, now=now)
    assert verify(database).first_bad == 3


def test_a_record_closed_up_after_a_removal_shows(database: Database) -> None:
    fill(database)
    tamper(database, "DELETE FROM log WHERE number = 3")
    for number in range(4, 9):
        tamper(database, "UPDATE log SET number = :n - 1 WHERE number = :n", n=number)
    found = verify(database)
    assert (found.first_bad, found.reason) == (3, "record 3 does not follow the one before it")


def test_records_gone_from_the_end_show_against_the_kept_head_only(database: Database) -> None:
    fill(database)
    with database.read() as session:
        last = log.head(session, 1)
    tamper(database, "DELETE FROM log WHERE number > 6")
    alone = verify(database)
    assert alone.ok  # no chain can show this by itself
    assert "would not show" in str(alone.reason)
    found = verify(database, [last])
    assert (found.ok, found.first_bad) == (False, 7)
    assert "records 7 to 8 are gone from the end" in str(found.reason)


def test_a_chain_written_anew_shows_against_the_kept_head(database: Database) -> None:
    fill(database)
    with database.read() as session:
        last = log.head(session, 1)
    tamper(database, "DELETE FROM log")
    with database.begin() as session:
        for number in range(1, 9):
            log.append(session, 1, unsent(number))
    assert verify(database).ok
    assert verify(database, [last]).reason == "record 8 was written anew: its hash is not the one kept"


def test_the_head_follows_the_log(database: Database, tmp_path: Path) -> None:
    for count in (1, 2):
        fill(database, count)
        with database.read() as session:
            assert keep_head(
                tmp_path, 1, "log", log.head(session, 1), hash_of=lambda n, s=session: log.hash_of(s, 1, n)
            )
            assert read_heads(tmp_path, 1, "log") == (log.head(session, 1),)
    assert read_heads(tmp_path, 2, "log") is None


def test_an_older_head_does_not_replace_a_newer_one(database: Database, tmp_path: Path) -> None:
    fill(database, 1)
    with database.read() as session:
        first = log.head(session, 1)
    fill(database, 2)
    with database.read() as session:
        for noted in (log.head(session, 1), first):
            assert keep_head(tmp_path, 1, "log", noted, hash_of=lambda n, s=session: log.hash_of(s, 1, n))
        assert read_heads(tmp_path, 1, "log") == (log.head(session, 1),)


def test_a_contradicted_head_stays_listed(database: Database, tmp_path: Path) -> None:
    fill(database)
    with database.read() as session:
        keep_head(tmp_path, 1, "log", log.head(session, 1), hash_of=lambda n: None)
    tamper(database, "DELETE FROM log WHERE number > 6")
    with database.begin() as session:
        for number in range(10, 14):
            log.append(session, 1, unsent(number))
    for _ in range(2):
        with database.read() as session:
            good = keep_head(
                tmp_path, 1, "log", log.head(session, 1), hash_of=lambda n, s=session: log.hash_of(s, 1, n)
            )
            assert not good
    found = verify(database, read_heads(tmp_path, 1, "log"))
    assert (found.ok, found.first_bad) == (False, 8)


def change(database: Database, number: int) -> None:
    with database.begin() as session:
        journal.append(
            session,
            venue_id=1,
            at_ms=number,
            who="Ana",
            origin="command",
            what=f"venue loaded {number}",
            before=None if number == 1 else {"revision": number - 1},
            after={"revision": number, "gap_s": 3.0},
        )


def test_the_settings_journal_says_who_when_from_where_before_and_after(database: Database) -> None:
    for number in (1, 2, 3):
        change(database, number)
    with database.read() as session:
        newest, *_ = journal.read(session, 1, newest_first=True)
        assert [c.number for c in journal.read(session, 1, from_ms=2)] == [2, 3]
        assert journal.verify(session, 1).ok
    assert (newest.who, newest.origin, newest.at_ms) == ("Ana", "command", 3)
    assert (newest.before, newest.after) == ({"revision": 2}, {"revision": 3, "gap_s": 3.0})


@pytest.mark.parametrize(
    ("sql", "number"),
    [
        ("UPDATE settings_journal SET body = replace(body, 'Ana', 'Ben') WHERE number = 2", 2),
        ("UPDATE settings_journal SET who = 'Ben' WHERE number = 2", 2),
        ("DELETE FROM settings_journal WHERE number = 1", 1),
    ],
)
def test_a_tampered_settings_journal_shows(database: Database, sql: str, number: int) -> None:
    for count in (1, 2, 3):
        change(database, count)
    tamper(database, sql)
    with database.read() as session:
        found = journal.verify(session, 1)
    assert (found.ok, found.first_bad) == (False, number)


def test_a_body_is_kept_as_the_very_text_that_was_hashed(database: Database) -> None:
    fill(database, 1)
    with database.read() as session:
        row = session.get(LogRow, (1, 1))
        assert row is not None
        assert canonical(json.loads(row.body)) == row.body
