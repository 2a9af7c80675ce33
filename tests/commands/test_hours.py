"""`oyez hours import`: into a venue file without losing a word of it, into the database, or nowhere at all."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from oyez.cli import main
from oyez.settings import Settings
from oyez.store import journal, venues
from oyez.store.database import open_database
from oyez.venue.reader import read_venue
from tests.store.filled import fill, open_new
from tests.venue.venues import GOOD

ICS = """\
BEGIN:VCALENDAR
VERSION:2.0
PRODID:-//Test//
BEGIN:VEVENT
UID:1@test
DTSTART;VALUE=DATE:20270104
DTEND;VALUE=DATE:20270105
RRULE:FREQ=WEEKLY;COUNT=2
SUMMARY:Closed for cleaning
END:VEVENT
BEGIN:VEVENT
UID:2@test
DTSTART;TZID=Europe/London:20270108T110000
DTEND;TZID=Europe/London:20270108T150000
SUMMARY:Open for members
END:VEVENT
BEGIN:VEVENT
UID:3@test
DTSTART;VALUE=DATE:20270109
SUMMARY:Staff party
END:VEVENT
END:VCALENDAR
"""
SPAN = ("--from", "2026-11-27", "--until", "2027-06-30")


@pytest.fixture
def ics(tmp_path: Path) -> Path:
    path = tmp_path / "season.ics"
    path.write_text(ICS, encoding="utf-8")
    return path


@pytest.fixture
def file(tmp_path: Path) -> Path:
    path = tmp_path / "quillfin.toml"
    path.write_text("# our own venue\n" + GOOD, encoding="utf-8")
    return path


def run(capsys, *words: object) -> tuple[int, str, str]:
    status = main(["hours", "import", *map(str, words)])
    said = capsys.readouterr()
    return status, said.out, said.err


def exceptions(path: Path) -> list[tuple[str, str | None, bool, tuple[str, ...] | None]]:
    reading = read_venue(
        path.read_text(encoding="utf-8"), where="x", syntax="toml" if path.suffix == ".toml" else "json"
    )
    assert reading.venue is not None
    return [(str(e.date), e.hours, e.closed, e.open) for e in reading.venue.hours_except]


def test_a_venue_file_gets_the_days_at_its_end_and_keeps_every_word(capsys, ics: Path, file: Path):
    before = file.read_text(encoding="utf-8")
    status, out, err = run(capsys, ics, "--file", file, *SPAN)
    assert (status, err) == (0, "")
    assert file.read_text(encoding="utf-8").startswith(before)
    assert exceptions(file)[1:] == [
        ("2027-01-04", "venue", True, None),
        ("2027-01-08", "venue", False, ("11:00-15:00",)),
        ("2027-01-11", "venue", True, None),
    ]
    assert out.splitlines() == [
        "Mon 2027-01-04: closed",
        "Fri 2027-01-08: 11:00-15:00",
        "Mon 2027-01-11: closed",
        "not taken: 'Staff party' (2027-01-09): says neither open nor closed",
        f"{ics}: 3 days taken, 1 not taken",
    ]


def test_a_second_time_there_is_nothing_to_take(capsys, ics: Path, file: Path):
    run(capsys, ics, "--file", file, *SPAN)
    before = file.read_bytes()
    status, out, _ = run(capsys, ics, "--file", file, *SPAN)
    assert status == 0
    assert out.endswith("no days taken, 3 as the venue says already, 1 not taken\n")
    assert file.read_bytes() == before


def test_a_dry_run_says_the_same_and_changes_nothing(capsys, ics: Path, file: Path):
    before = file.read_bytes()
    status, out, _ = run(capsys, ics, "--file", file, *SPAN, "--dry-run", "--json")
    tree = json.loads(out)
    assert (status, tree["dry_run"], len(tree["taken"])) == (0, True, 3)
    assert tree["taken"][1] == {"date": "2027-01-08", "hours": "venue", "closed": False, "open": ["11:00-15:00"]}
    assert tree["not_taken"] == [{"what": "'Staff party' (2027-01-09)", "why": "says neither open nor closed"}]
    assert file.read_bytes() == before


def test_replacing_writes_the_file_anew_and_says_that_comments_are_lost(capsys, ics: Path, file: Path):
    text = file.read_text(encoding="utf-8")
    mine = '\n[[hours_except]]\ndate = "2027-01-04"\nhours = "venue"\nopen = ["12:00-13:00"]\n'
    file.write_text(text + mine, encoding="utf-8")
    _, out, _ = run(capsys, ics, "--file", file, *SPAN)
    assert "not taken: 2027-01-04: the venue has another exception for that day: kept" in out
    status, out, err = run(capsys, ics, "--file", file, *SPAN, "--replace")
    assert status == 0
    assert "without its comments" in err
    assert "Mon 2027-01-04: closed, instead of what the venue had" in out
    assert ("2027-01-04", "venue", True, None) in exceptions(file)
    assert len(exceptions(file)) == 4


def test_json_and_exceptions_written_in_line_are_written_anew(capsys, ics: Path, tmp_path: Path):
    venue = read_venue(GOOD, where="x", syntax="toml").venue
    assert venue is not None
    plain = tmp_path / "venue.json"
    from oyez.venue.writer import venue_tree

    plain.write_text(json.dumps(venue_tree(venue)), encoding="utf-8")
    assert run(capsys, ics, "--file", plain, *SPAN)[0] == 0
    assert len(exceptions(plain)) == 4
    in_line = tmp_path / "venue.toml"
    table = '[[hours_except]]\ndate = "2026-12-25"\nclosed = true\n'
    assert table in GOOD
    text = GOOD.replace(table, "").replace(
        "format = 1\n", 'format = 1\nhours_except = [{date = "2026-12-25", closed = true}]\n'
    )
    in_line.write_text(text, encoding="utf-8")
    status, _, err = run(capsys, ics, "--file", in_line, *SPAN)
    assert (status, "without its comments" in err) == (0, True)
    assert len(exceptions(in_line)) == 4


def test_the_database_takes_it_as_one_change_that_is_in_the_journal(capsys, ics: Path, tmp_path: Path):
    database = open_new(tmp_path / "data")
    venue_id = fill(database)
    database.close()
    status, _, _ = run(capsys, ics, "--data", tmp_path / "data", *SPAN, "--hours", "cafe")
    assert status == 0
    database = open_database(Settings(data_dir=tmp_path / "data"))
    with database.read() as session:
        found = venues.read_venue(session, venue_id).hours_except
        (change,) = journal.read(session, venue_id)
        revision = venues.revision(session, venue_id)
    database.close()
    assert [str(e.date) for e in found if e.hours == "cafe"] == ["2027-01-04", "2027-01-08", "2027-01-11"]
    assert change.what == "opening hours taken from season.ics"
    assert revision == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--hours", "shop"), "--hours is 'shop', allowed are venue, cafe, all"),
        (("--from", "soon"), "--from is 'soon', allowed are dates like 2026-11-27"),
        (("--until", "2020-01-01"), "--until is 2020-01-01, allowed are"),
    ],
)
def test_wrong_words_are_one_line(capsys, ics: Path, file: Path, words, said: str):
    status, out, err = run(capsys, ics, "--file", file, *words)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert said in err


def test_a_file_that_is_no_calendar_or_not_there_is_one_line_and_changes_nothing(
    capsys, file: Path, tmp_path: Path
):
    before = file.read_bytes()
    for name, content in (
        ("a.ics", b"hello\n"),
        ("b.ics", b""),
        ("c.ics", b"BEGIN:VCALENDAR\n\xff\n"),
        ("d.ics", None),
    ):
        path = tmp_path / name
        if content is not None:
            path.write_bytes(content)
        status, out, err = run(capsys, path, "--file", file)
        assert (status, out, err.count("\n")) == (2, "", 1)
        assert err.startswith(f"{path}: ")
    assert file.read_bytes() == before


def test_what_the_venue_would_refuse_is_not_written(capsys, ics: Path, file: Path):
    # 03:00 is the start of this venue's operating day: a period over it is not taken, the rest is.
    late = ICS.replace("20270108T110000", "20270108T230000").replace("20270108T150000", "20270109T040000")
    ics.write_text(late, encoding="utf-8")
    file.write_text(
        file.read_text(encoding="utf-8").replace("timezone =", 'day_starts = "03:00"\ntimezone ='),
        encoding="utf-8",
    )
    status, out, _ = run(capsys, ics, "--file", file, *SPAN)
    assert status == 0
    assert "goes on past the start of the operating day (03:00)" in out
    assert len(exceptions(file)) == 3
