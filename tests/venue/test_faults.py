"""Every bad input has one line that names the entry and what would be right; the file without it is sound.

Each case is one edit of a sound file. The sound file is every case's twin: it has no finding at all.
"""

from __future__ import annotations

import pytest

from oyez.errors import Fault
from oyez.venue.faults import find_faults
from oyez.venue.reader import read_venue
from tests.venue.venues import GOOD


def findings(text: str) -> tuple[Fault, ...]:
    return read_venue(text, where="quillfin.toml", syntax="toml").findings


def edited(*pairs: tuple[str, str]) -> str:
    text = GOOD
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


def test_the_sound_file_has_no_finding():
    assert findings(GOOD) == ()


RULE = '[[rules]]\nid = "closing-15"\n'
SECOND_HALL = (
    'theatre = [3]}\n[[outputs]]\nid = "two"\nkind = "recording"\nfile = "hall.wav"\nzones = {foyer = [1, 2]}\n'
)
TIMES = "clock times (21:00, 21:00:30) and open, close, open+10, close-15"
LOCAL = "local times in whole seconds without an offset, like 2026-11-06T20:00:00"
BY_THEN = "day_starts 05:00; allowed are periods that end by then, or another day_starts"
INSIDE = "folder, without .. or / before them"
FIXED = '[rules.fixed]\ntimes = ["close-15"]\nexcept_dates = ["2026-12-24"]'

# what changes, the entry, the message, the code
FAULTS = {
    "priority of 101": (
        [("priority = 60", "priority = 101")],
        "rule 'closing-15'",
        "priority is 101, allowed are 0 to 100",
        "bad-value",
    ),
    "priority as text": (
        [("priority = 60", 'priority = "60"')],
        "rule 'closing-15'",
        "priority is '60', allowed are whole numbers 0 to 100",
        "bad-value",
    ),
    "priority in halves": (
        [("priority = 60", "priority = 60.5")],
        "rule 'closing-15'",
        "priority is 60.5, allowed are whole numbers 0 to 100",
        "bad-value",
    ),
    "unknown zone in a rule": (
        [('zones = ["public"]', 'zones = ["teatre"]')],
        "rule 'closing-15'",
        "zones: unknown zone 'teatre', the nearest is 'theatre'",
        "unknown-zone",
    ),
    "unknown zone in a group": (
        [('zones = ["foyer", "theatre"]', 'zones = ["foyer", "attic"]')],
        "group 'public'",
        "zones: unknown zone 'attic', known are foyer, theatre",
        "unknown-zone",
    ),
    "a group in a group": (
        [('zones = ["foyer", "theatre"]', 'zones = ["foyer", "all"]')],
        "group 'public'",
        "zones: unknown zone 'all', known are foyer, theatre",
        "unknown-zone",
    ),
    "unknown zone in a quiet window": (
        [('zones = ["theatre"]\nfrom', 'zones = ["loft"]\nfrom')],
        "quiet window 1",
        "zones: unknown zone 'loft', known are all, foyer, public, theatre",
        "unknown-zone",
    ),
    "unknown zone on an output": (
        [("theatre = [3]", "theatre = [3], theatr = [4]")],
        "output 'hall'",
        "zones: unknown zone 'theatr', the nearest is 'theatre'",
        "unknown-zone",
    ),
    "unknown clip": (
        [('clips = ["closing-15"]', 'clips = ["closing-16"]')],
        "rule 'closing-15'",
        "clips: unknown clip 'closing-16', the nearest is 'closing-15'",
        "unknown-clip",
    ),
    "unknown chime": (
        [('chime = "two-tone"', 'chime = "three-tone"')],
        "rule 'closing-15'",
        "chime: unknown clip 'three-tone', the nearest is 'two-tone'",
        "unknown-chime",
    ),
    "unknown source": (
        [('source = "house"', 'source = "hous"')],
        "zone 'foyer'",
        "source: unknown source 'hous', the nearest is 'house'",
        "unknown-source",
    ),
    "unknown hours of a zone": (
        [('hours = "cafe"', 'hours = "kafe"')],
        "zone 'foyer'",
        "hours: unknown hours set 'kafe', the nearest is 'cafe'",
        "unknown-hours",
    ),
    "unknown hours of a season": (
        [("[[seasons]]\n", '[[seasons]]\nhours = "shop"\n')],
        "season 1",
        "hours: unknown hours set 'shop', known are cafe, venue",
        "unknown-hours",
    ),
    "unknown key": (
        [("priority = 60", "priority = 60\nrepeats = 2")],
        "rule 'closing-15'",
        "unknown key 'repeats', the nearest allowed is 'repeat'",
        "unknown-key",
    ),
    "unknown key deep inside": (
        [("every_min = 40", "every_min = 40\nevry = 3")],
        "rule 'hands-off'",
        "interval: unknown key 'evry', the nearest allowed is 'every_min'",
        "unknown-key",
    ),
    "unknown table": (
        [("[[groups]]", "[[goups]]")],
        "",
        "unknown key 'goups', the nearest allowed is 'groups'",
        "unknown-key",
    ),
    "missing key": (
        [('title = "Closing in fifteen minutes"\nchime', "chime")],
        "rule 'closing-15'",
        "title is missing, allowed are texts of 1 to 200 characters",
        "missing-key",
    ),
    "an entry without its id": (
        [('[[rules]]\nid = "members"\n', "[[rules]]\n")],
        "rule 2",
        "id is missing, allowed are up to 64 of a-z, 0-9, - and _, the first a letter or digit",
        "missing-key",
    ),
    "a time that is none": (
        [('times = ["close-15"]', 'times = ["21:00", "25:00"]')],
        "rule 'closing-15'",
        f"fixed.times value 2 is '25:00', allowed are {TIMES}",
        "bad-value",
    ),
    "a number for a time": (
        [('end = "17:00"', "end = 17")],
        "rule 'hands-off'",
        f"interval.end is 17, allowed are {TIMES}",
        "bad-value",
    ),
    "a day that is none": (
        [('times = ["close-15"]', 'times = ["close-15"]\ndays = ["mo", "monday"]')],
        "rule 'closing-15'",
        "fixed.days value 2 is 'monday', allowed are 'mo', 'tu', 'we', 'th', 'fr', 'sa', 'su', 'ho'",
        "bad-value",
    ),
    "a date that is none": (
        [("2026-12-24", "2026-02-30")],
        "rule 'closing-15'",
        "fixed.except_dates value 1 is '2026-02-30', allowed are dates like 2026-12-24",
        "bad-value",
    ),
    "a period that is none": (
        [('mo = ["10:00-18:00"]', 'mo = ["10:00 to 18:00"]')],
        "hours",
        "mo value 1 is '10:00 to 18:00', allowed are opening periods like 10:00-18:00 (24:00 is midnight)",
        "bad-value",
    ),
    "a time zone that is none": (
        [("Europe/London", "Europe/Londn")],
        "venue",
        "timezone is 'Europe/Londn', allowed are IANA time zones like Europe/London",
        "bad-value",
    ),
    "not a number": (
        [("highpass_hz = 80.0", "highpass_hz = nan")],
        "zone 'foyer'",
        "eq.highpass_hz is NaN, allowed are 10 to 2000",
        "bad-value",
    ),
    "a value in a list of tables": (
        [("q = 1.4", "q = 300")],
        "zone 'foyer'",
        "eq.bands value 1, q is 300, allowed are 0.1 to 30",
        "bad-value",
    ),
    "a single value for a list": (
        [('zones = ["public"]', 'zones = "public"')],
        "rule 'closing-15'",
        "zones is 'public', allowed are lists",
        "bad-value",
    ),
    "an empty list of zones": (
        [('zones = ["public"]', "zones = []")],
        "rule 'closing-15'",
        "zones has 0 values, allowed are 1 or more values",
        "bad-value",
    ),
    "a depth that is neither auto nor a number": (
        [("priority = 60", 'priority = 60\nduck = {depth_db = "deep"}')],
        "rule 'closing-15'",
        "duck.depth_db is 'deep', allowed are 'auto' or numbers 0 to 60",
        "bad-value",
    ),
    "another format": ([("format = 1", "format = 2")], "", "format is 2, allowed is 1", "bad-value"),
    "an id in capitals": (
        [('[[rules]]\nid = "members"', '[[rules]]\nid = "The Members"')],
        "rule 'The Members'",
        "id is 'The Members', allowed are up to 64 of a-z, 0-9, - and _, the first a letter or digit",
        "bad-value",
    ),
    "a title of two lines": (
        [('name = "Foyer"', 'name = "Foyer\\nand more"')],
        "zone 'foyer'",
        "name has a line break or control character in it, allowed are texts on one line",
        "bad-value",
    ),
    "two zones with one id": (
        [("[[groups]]", '[[zones]]\nid = "theatre"\nname = "Again"\n\n[[groups]]')],
        "zone 'theatre'",
        "the id 'theatre' is given to zone 2 and zone 3, allowed is each id once",
        "same-id",
    ),
    "two rules with one id": (
        [('[[rules]]\nid = "members"', RULE.rstrip())],
        "rule 'closing-15'",
        "the id 'closing-15' is given to rule 1 and rule 2, allowed is each id once",
        "same-id",
    ),
    "a group with a zone's id": (
        [('[[groups]]\nid = "public"', '[[groups]]\nid = "foyer"'), ('zones = ["public"]', 'zones = ["foyer"]')],
        "group 'foyer'",
        "the id 'foyer' is given to zone 1 and group 1, allowed is each id once",
        "same-id",
    ),
    "a group called all": (
        [('[[groups]]\nid = "public"', '[[groups]]\nid = "all"'), ('zones = ["public"]', 'zones = ["all"]')],
        "group 'all'",
        "id is 'all', which means every zone, allowed is any other",
        "reserved-id",
    ),
    "hours called venue": (
        [('[[hours_sets]]\nid = "cafe"', '[[hours_sets]]\nid = "venue"'), ('hours = "cafe"\n', "")],
        "hours set 'venue'",
        "id is 'venue', which means the hours under [hours], allowed is any other",
        "reserved-id",
    ),
    "fixed and interval at once": (
        [("[rules.interval]", '[rules.fixed]\ntimes = ["12:00"]\n[rules.interval]')],
        "rule 'hands-off'",
        "has [rules.fixed] and [rules.interval], allowed is one of them, or none for a manual rule",
        "two-whens",
    ),
    "fixed without a time": (
        [(FIXED, "[rules.fixed]")],
        "rule 'closing-15'",
        "fixed has no time, allowed are times, or rrule with dtstart",
        "no-times",
    ),
    "an RRULE without its DTSTART": (
        [('dtstart = "2026-11-06T20:00:00"\n', "")],
        "rule 'members'",
        "fixed has rrule without dtstart, allowed is rrule with dtstart, like 2026-11-06T20:00:00",
        "rrule-alone",
    ),
    "a DTSTART without its RRULE": (
        [('rrule = "FREQ=MONTHLY;BYDAY=1FR"', 'times = ["20:00"]')],
        "rule 'members'",
        "fixed has dtstart without rrule, allowed is dtstart beside rrule only",
        "dtstart-alone",
    ),
    "an RRULE beside days": (
        [('rrule = "FREQ', 'days = ["fr"]\nuntil_date = "2027-01-01"\nrrule = "FREQ')],
        "rule 'members'",
        "fixed has rrule and days, until_date, allowed are those beside times only",
        "beside-rrule",
    ),
    "an RRULE that is none": (
        [("FREQ=MONTHLY;BYDAY=1FR", "FREQ=FORTNIGHTLY")],
        "rule 'members'",
        "fixed.rrule has FREQ=FORTNIGHTLY, allowed are SECONDLY, MINUTELY, HOURLY, DAILY, WEEKLY, MONTHLY, YEARLY",
        "bad-rrule",
    ),
    "a DTSTART with an offset": (
        [('dtstart = "2026-11-06T20:00:00"', "dtstart = 2026-11-06T20:00:00Z")],
        "rule 'members'",
        f"fixed.dtstart is '2026-11-06T20:00:00+00:00', allowed are {LOCAL}",
        "bad-value",
    ),
    "periods that overlap": (
        [('mo = ["10:00-18:00"]', 'mo = ["10:00-18:00", "17:59-20:00"]')],
        "hours",
        "mo has '10:00-18:00' and '17:59-20:00', which overlap; allowed are periods apart",
        "periods-overlap",
    ),
    "a period across day_starts": (
        [('mo = ["10:00-18:00"]', 'mo = ["19:00-05:01"]')],
        "hours",
        f"mo has '19:00-05:01', which crosses {BY_THEN}",
        "crosses-day-starts",
    ),
    "a set's period across day_starts": (
        [('mo = ["09:00-17:30"]', 'mo = ["04:00-06:00"]')],
        "hours set 'cafe'",
        f"mo has '04:00-06:00', which crosses {BY_THEN}",
        "crosses-day-starts",
    ),
    "an exception that overlaps itself": (
        [("closed = true", 'open = ["11:00-15:00", "14:00-16:00"]')],
        "hours exception 1",
        "open has '11:00-15:00' and '14:00-16:00', which overlap; allowed are periods apart",
        "periods-overlap",
    ),
    "two seasons for one set": (
        [
            (
                "[[hours_except]]",
                '[[seasons]]\nfrom_date = "2027-01-06"\nuntil_date = "2027-02-01"\n\n[[hours_except]]',
            )
        ],
        "season 2",
        "overlaps season 1 of 'venue' from 2027-01-06 to 2027-01-06, allowed is one a day",
        "seasons-overlap",
    ),
    "two exceptions for one date": (
        [("[limits]", '[[hours_except]]\ndate = "2026-12-25"\nhours = "cafe"\nclosed = true\n\n[limits]')],
        "hours exception 2",
        "is the second for 2026-12-25 and the hours 'cafe', after hours exception 1; allowed is one",
        "exceptions-compete",
    ),
    "an exception both open and closed": (
        [("closed = true", 'closed = true\nopen = ["11:00-15:00"]')],
        "hours exception 1",
        "has closed = true and open, allowed is one of them",
        "open-and-closed",
    ),
    "an exception neither open nor closed": (
        [("closed = true\n", "")],
        "hours exception 1",
        'is neither closed nor open, allowed is closed = true, or open = ["11:00-15:00"]',
        "neither-open-nor-closed",
    ),
    "a clip outside the folder": (
        [('file = "closing-15.flac"', 'file = "../closing-15.flac"')],
        "clip 'closing-15'",
        f"file is '../closing-15.flac', allowed are names inside the venue file's {INSIDE}",
        "outside-folder",
    ),
    "music outside the folder": (
        [('folder = "music"', 'folder = "/srv/music"')],
        "source 'house'",
        f"folder is '/srv/music', allowed are names inside the venue file's {INSIDE}",
        "outside-folder",
    ),
    "one channel for a stereo zone": (
        [("foyer = [1, 2]", "foyer = [1]")],
        "output 'hall'",
        "zones.foyer has 1 channel, the zone has 2 channels",
        "channel-count",
    ),
    "channel nought": (
        [("theatre = [3]", "theatre = [0]")],
        "output 'hall'",
        "zones.theatre has the channel 0, allowed are 1 to 4",
        "bad-channel",
    ),
    "a channel the card has not": (
        [("theatre = [3]", "theatre = [5]")],
        "output 'hall'",
        "zones.theatre has the channel 5, allowed are 1 to 4",
        "bad-channel",
    ),
    "two zones on one channel": (
        [("theatre = [3]", "theatre = [2]")],
        "output 'hall'",
        "zones: channel 2 is used by foyer and theatre, allowed is once",
        "same-channel",
    ),
    "one zone twice on one channel": (
        [("foyer = [1, 2]", "foyer = [1, 1]")],
        "output 'hall'",
        "zones: channel 1 is used by foyer and foyer, allowed is once",
        "same-channel",
    ),
    "a recording without a file": (
        [('kind = "card"', 'kind = "recording"')],
        "output 'hall'",
        "is a recording without a file, allowed is one with a file, like foyer.wav",
        "recording-without-file",
    ),
    "a card with a file": (
        [('kind = "card"', 'kind = "card"\nfile = "hall.wav"')],
        "output 'hall'",
        "is a card with the file 'hall.wav', allowed is a file for a recording only",
        "card-with-file",
    ),
    "a recording with a device": (
        [('kind = "card"', 'kind = "recording"\nfile = "hall.wav"\ndevice = "USB"')],
        "output 'hall'",
        "is a recording with the device 'USB', allowed is a device for a card only",
        "recording-with-device",
    ),
    "a recording outside its folder": (
        [('kind = "card"', 'kind = "recording"\nfile = "C:\\\\hall.wav"')],
        "output 'hall'",
        f"file is 'C:\\hall.wav', allowed are names inside the recordings' {INSIDE}",
        "outside-folder",
    ),
    "two recordings into one file": (
        [('kind = "card"', 'kind = "recording"\nfile = "hall.wav"'), ("theatre = [3]}\n", SECOND_HALL)],
        "output 'two'",
        "file is 'hall.wav', as of output 1, allowed is each file once",
        "same-file",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", FAULTS)
def test_a_fault_is_one_line_with_its_entry_and_what_would_be_right(case: str):
    pairs, entry, message, code = FAULTS[case]
    (found,) = findings(edited(*pairs))
    assert (found.level, found.entry, found.message, found.code) == ("fault", entry, message, code)
    assert str(found).startswith("quillfin.toml: ")
    assert "\n" not in str(found)


WITHOUT_HOURS = [
    ('[hours]\nmo = ["10:00-18:00"]\nfr = ["10:00-18:00", "19:30-01:30"]\n', ""),
]


def test_open_and_close_without_hours_are_faults_wherever_they_stand():
    found = findings(edited(*WITHOUT_HOURS))
    assert [(f.entry, f.code) for f in found] == [
        ("quiet window 1", "no-hours"),
        ("rule 'closing-15'", "no-hours"),
        ("rule 'hands-off'", "no-hours"),
    ]
    assert found[2].message == (
        "interval.start is 'open+20', but the venue has no [hours]; allowed are clock times, or give it [hours]"
    )


def test_open_and_close_of_a_named_set_need_no_hours_of_the_venue():
    named = [*WITHOUT_HOURS, ("min_priority = 80", 'min_priority = 80\nhours = "cafe"')]
    named += [
        ("priority = 60", 'priority = 60\nhours = "cafe"'),
        ("priority = 20", 'priority = 20\nhours = "cafe"'),
    ]
    assert findings(edited(*named)) == ()


def test_open_only_without_hours_is_always_open():
    times = [('until = "close-15"', 'until = "14:00"'), ('["close-15"]', '["21:00"]'), ('"open+20"', '"11:00"')]
    assert findings(edited(*WITHOUT_HOURS, *times, ("priority = 90", "priority = 90\nopen_only = true"))) == ()


@pytest.mark.parametrize(
    ("pairs", "entry", "said", "code"),
    [
        (
            [("[limits]\n", '[holidays]\ncountry = "XX"\n[limits]\n')],
            "holidays",
            "country is 'XX', which has no calendar of holidays",
            "unknown-holidays",
        ),
        (
            [("[limits]\n", '[holidays]\ncountry = "GB"\nsubdiv = "QQ"\n[limits]\n')],
            "holidays",
            "subdiv is 'QQ', allowed are ENG, NIR, SCT, WLS",
            "unknown-holidays",
        ),
        (
            [("[limits]\n", '[holidays]\ncountry = "gb"\n[limits]\n')],
            "holidays",
            "country is 'gb', allowed are two-letter country codes (ISO 3166-1) like GB",
            "bad-value",
        ),
        (
            [("[limits]\n", '[holidays]\nsubdiv = "ENG"\n[limits]\n')],
            "holidays",
            "subdiv is 'ENG' without a country, allowed is one beside a country",
            "subdiv-alone",
        ),
        (
            [('except_dates = ["2026-12-24"]', 'exdates = ["2026-12-24T17:45:00"]')],
            "rule 'closing-15'",
            "fixed has exdates without rrule, allowed is exdates beside rrule only",
            "exdates-alone",
        ),
        (
            [('except_dates = ["2026-12-24"]', 'rdates = ["2026-12-24T17:45:00"]')],
            "rule 'closing-15'",
            "fixed has rdates without rrule, allowed is rdates beside rrule only",
            "rdates-alone",
        ),
        (
            [('dtstart = "2026-11-06T20:00:00"', 'dtstart = "2026-11-06T20:00:00"\nexdates = ["2026-12-04"]')],
            "rule 'members'",
            "fixed.exdates value 1",
            "bad-value",
        ),
        (
            [('fr = ["10:00-18:00", "19:30-01:30"]', 'ho = ["10:00-18:00", "17:00-19:00"]')],
            "hours",
            "ho has '10:00-18:00' and '17:00-19:00', which overlap",
            "periods-overlap",
        ),
    ],
)
def test_holidays_campaigns_and_excepted_times_have_their_faults(pairs, entry: str, said: str, code: str):
    faults = [f for f in findings(edited(*pairs)) if f.level == "fault"]
    assert [(f.entry, f.code) for f in faults] == [(entry, code)]
    assert said in faults[0].message


def test_a_calendar_of_holidays_that_there_is_has_no_finding():
    given = '[holidays]\ncountry = "GB"\nsubdiv = "ENG"\ndates = ["2026-11-30"]\n[limits]\n'
    with_ho = edited(("[limits]\n", given), ('mo = ["09:00-17:30"]', 'mo = ["09:00-17:30"]\nho = []'))
    assert findings(with_ho) == ()


@pytest.mark.parametrize(
    "week",
    [
        'mo = ["10:00-18:00", "18:00-20:00"]',  # touching is not overlapping
        'mo = ["19:30-05:00"]',  # up to day_starts, not across
        'mo = ["05:00-05:00"]',  # the whole day
        'mo = ["20:00-24:00", "00:00-01:30"]',  # the second lies behind the first: the day starts at 05:00
        "mo = []",
    ],
)
def test_periods_that_only_touch_are_sound(week: str):
    assert findings(edited(('mo = ["10:00-18:00"]', week))) == ()


def test_an_exception_of_another_set_or_date_does_not_compete():
    one = '[[hours_except]]\ndate = "2026-12-25"\nhours = "venue"\nclosed = true\n'
    two = '[[hours_except]]\ndate = "2026-12-25"\nhours = "cafe"\nopen = []\n'
    three = '[[hours_except]]\ndate = "2026-12-26"\nclosed = true\n'
    assert findings(edited(('[[hours_except]]\ndate = "2026-12-25"\nclosed = true\n', one + two + three))) == ()


WARNINGS = {
    "dates the wrong way round": (
        [("except_dates = [", 'from_date = "2027-02-01"\nuntil_date = "2027-01-01"\nexcept_dates = [')],
        "rule 'closing-15'",
        "never applies: from_date 2027-02-01 is after until_date 2027-01-01",
    ),
    "a season the wrong way round": (
        [('until_date = "2027-01-06"', 'until_date = "2026-01-06"')],
        "season 1",
        "never applies: from_date 2026-12-01 is after until_date 2026-01-06",
    ),
    "a chime that is speech": (
        [('chime = "two-tone"', 'chime = "closing-15"')],
        "rule 'closing-15'",
        "chime is the clip 'closing-15' of the kind 'speech', it is levelled as such",
    ),
    "a campaign the wrong way round": (
        [
            (
                'title = "Closing"\n\n[[clips]]',
                'title = "Closing"\nfrom_date = "2027-01-02"\nuntil_date = "2027-01-01"\n\n[[clips]]',
            )
        ],
        "clip 'closing-15'",
        "is never valid: from_date 2027-01-02 is after until_date 2027-01-01",
    ),
    "holidays meant without any": (
        [("except_dates = [", "on_holidays = false\nexcept_dates = [")],
        "rule 'closing-15'",
        "on_holidays means public holidays, but the venue has none: give [holidays] a country or dates",
    ),
    "a holiday that never holds": (
        [
            ("except_dates = [", 'days = ["mo", "ho"]\non_holidays = false\nexcept_dates = ['),
            ("[limits]\n", '[holidays]\ncountry = "GB"\n[limits]\n'),
        ],
        "rule 'closing-15'",
        "has 'ho' in days, which never holds with on_holidays = false",
    ),
    "a zone on no output": (
        [(", theatre = [3]", "")],
        "zone 'theatre'",
        "is on no output, nothing of it will be heard",
    ),
}


@pytest.mark.parametrize("case", WARNINGS)
def test_what_is_legal_but_useless_is_a_warning_and_refuses_nothing(case: str):
    pairs, entry, message = WARNINGS[case]
    reading = read_venue(edited(*pairs), where="quillfin.toml", syntax="toml")
    (found,) = reading.findings
    assert (found.level, found.entry, found.message) == ("warning", entry, message)
    assert reading.venue is not None


def test_a_venue_made_without_a_file_is_checked_by_the_same_rules():
    venue = read_venue(GOOD, where="x", syntax="toml").venue
    assert venue is not None
    assert find_faults(venue) == ()
    broken = venue.model_copy(update={"clips": venue.clips[:1]})
    assert [str(f) for f in find_faults(broken)] == [
        "rule 'closing-15': chime: unknown clip 'two-tone', known are closing-15"
    ]
