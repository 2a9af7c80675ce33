"""`oyez plan` over several days, held against another file, and the README's own example of holidays."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from oyez.cli import main
from oyez.settings import folder
from oyez.venue.reader import read_venue

QUILLFIN = folder("demo_clips") / "quillfin.toml"
ROOT = Path(__file__).parents[2]


@pytest.fixture
def changed(tmp_path: Path) -> Path:
    """The demo venue with the closing call three minutes later, one rule gone and one new."""
    text = QUILLFIN.read_text(encoding="utf-8").replace('times = ["close-15"]', 'times = ["close-12"]')
    assert 'id = "briefing"\ntitle = "Morning' in text
    text = text.replace('id = "briefing"\ntitle = "Morning', 'id = "staff"\ntitle = "Morning')
    lengths = re.sub(r'(?m)^(file = "([^"]+)")$', lambda m: f"{m[1]}\nduration_ms = 5000", text)
    path = tmp_path / "changed.toml"
    path.write_text(lengths.replace('depth_db = "auto"', "depth_db = 12.0"), encoding="utf-8")
    return path


@pytest.fixture
def before(changed: Path, tmp_path: Path) -> Path:
    text = changed.read_text(encoding="utf-8")
    path = tmp_path / "before.toml"
    text = text.replace('times = ["close-12"]', 'times = ["close-15"]').replace(
        'id = "staff"\n', 'id = "briefing"\n'
    )
    path.write_text(text, encoding="utf-8")
    return path


def run(capsys, *words: object) -> tuple[int, str, str]:
    status = main(["plan", *map(str, words)])
    said = capsys.readouterr()
    return status, said.out, said.err


FRIDAY = ("--date", "2026-11-27")


def test_a_range_is_a_list_of_the_days_plans(capsys, before: Path):
    status, out, err = run(capsys, "--file", before, *FRIDAY, "--until", "2026-11-29", "--json")
    assert (status, err) == (0, "")
    days = json.loads(out)
    assert [d["date"] for d in days] == ["2026-11-27", "2026-11-28", "2026-11-29"]
    alone = json.loads(run(capsys, "--file", before, "--date", "2026-11-28", "--json")[1])
    assert days[1] == alone


def test_a_range_as_csv_has_one_line_of_columns(capsys, before: Path):
    _, out, _ = run(capsys, "--file", before, *FRIDAY, "--until", "2026-11-28", "--csv")
    rows = list(csv.DictReader(io.StringIO(out)))
    assert sum(row["outcome"] == "outcome" for row in rows) == 0
    assert {row["nominal"][:10] for row in rows} >= {"2026-11-27", "2026-11-28"}


def test_a_range_as_a_table_names_every_day(capsys, before: Path):
    _, out, _ = run(capsys, "--file", before, *FRIDAY, "--until", "2026-11-28")
    assert "Friday 27 November 2026" in out
    assert "Saturday 28 November 2026" in out


@pytest.mark.parametrize("until", ["2026-11-26", "2029-01-01", "soon"])
def test_an_until_that_is_none_is_one_line(capsys, before: Path, until: str):
    status, out, err = run(capsys, "--file", before, *FRIDAY, "--until", until)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert until in err


def test_against_another_file_says_what_moves_comes_and_goes(capsys, before: Path, changed: Path):
    status, out, err = run(capsys, "--file", before, "--against", changed, *FRIDAY, "--json")
    assert (status, err) == (0, "")
    tree = json.loads(out)
    found = {(d["kind"], d["rule"]) for d in tree["differences"]}
    assert found == {("moved", "closing-15"), ("dropped", "briefing"), ("added", "staff")}
    assert tree["counts"] == {"moved": 2, "added": 1, "dropped": 1, "changed": 0}
    moved = [d for d in tree["differences"] if d["kind"] == "moved"]
    assert [d["after_ms"] - d["before_ms"] for d in moved] == [180_000, 180_000]


def test_against_as_a_table_and_as_csv(capsys, before: Path, changed: Path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "200")
    _, table, _ = run(capsys, "--file", before, "--against", changed, *FRIDAY)
    assert "Friday 27 November 2026" in table
    assert "Fri night (Sat 01:15:00)" in table
    assert table.endswith("2 moved, 1 added, 1 dropped\n")
    _, text, _ = run(capsys, "--file", before, "--against", changed, *FRIDAY, "--csv")
    assert [r["kind"] for r in csv.DictReader(io.StringIO(text))].count("moved") == 2


def test_against_itself_nothing_differs(capsys, before: Path):
    _, out, _ = run(capsys, "--file", before, "--against", before, *FRIDAY, "--until", "2026-12-03")
    assert out.startswith("Nothing differs")


def test_a_comparison_is_the_same_bytes_whatever_the_hash_seed(before: Path, changed: Path):
    words = [
        sys.executable,
        "-m",
        "oyez.cli",
        "plan",
        "--file",
        str(before),
        "--against",
        str(changed),
        *FRIDAY,
        "--json",
    ]
    outs = {
        subprocess.run(words, capture_output=True, check=True, env={"PYTHONHASHSEED": seed}).stdout
        for seed in ("1", "4242")
    }
    assert len(outs) == 1


def test_the_readmes_example_of_holidays_and_campaigns_is_sound():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    (part,) = (t for t in re.findall(r"(?ms)^```toml\n(.*?)^```", readme) if "[holidays]" in t)
    rest = (
        'format = 1\n[venue]\nname = "Hall"\ntimezone = "Europe/London"\n[[zones]]\nid = "foyer"\nname = "Foyer"\n'
    )
    assert read_venue(rest + part, where="README.md", syntax="toml").findings == ()
