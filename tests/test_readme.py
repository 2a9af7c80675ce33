"""The README's examples run as they stand, its pictures are there, and CI runs the very command it gives."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

from oyez.venue.reader import read_venue

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def fences(language: str, text: str = README) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)


def marked(name: str) -> str:
    """The one command under its mark."""
    found = re.search(rf"<!-- {name} command -->\n```sh\n(.*?)\n```", README)
    assert found is not None
    return found[1]


EXAMPLES = [line for fence in fences("sh") for line in fence.splitlines() if line.startswith("oyez ")]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("readme")
    shutil.copytree(ROOT / "demo_clips", made / "demo_clips")
    return made


def test_the_examples_run_in_their_order(folder: Path) -> None:
    assert {"check", "plan", "measure", "rehearse", "load", "dump", "log"} <= {e.split()[1] for e in EXAMPLES}
    for line in EXAMPLES:
        command = [sys.executable, "-m", "oyez.cli", *shlex.split(line)[1:]]
        environment = {**os.environ, "OYEZ_DATA": str(folder / "data")}
        done = subprocess.run(command, cwd=folder, env=environment, capture_output=True, text=True, check=False)
        assert done.returncode == 0, f"{line}\n{done.stdout}{done.stderr}"
    assert (folder / "closing.wav").stat().st_size > 30 * 48_000 * 2 * 3  # 30 s, stereo, 24 bit
    assert (folder / "handover" / "quillfin.toml").is_file()


def test_both_commands_are_one_line_that_sets_itself_up() -> None:
    for name, last in (("demo", ".venv/bin/oyez demo"), ("test", ".venv/bin/python -m pytest")):
        steps = marked(name).split(" && ")
        assert "\n" not in marked(name)
        assert steps[0] == "python3 -m venv .venv"
        assert steps[1].startswith(".venv/bin/pip install")
        assert "-c requirements.txt" in steps[1]
        assert steps[-1] == last


def test_ci_runs_the_command_that_the_readme_gives(tmp_path: Path) -> None:
    """The script's own way of finding it, run alone."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    finding = next(line for line in script.splitlines() if line.startswith("command="))
    done = subprocess.run(
        ["bash", "-euc", f'{finding}\nprintf "%s" "$command"'],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout == marked("test")
    assert "export CI=true" in script


def test_every_picture_and_link_is_there() -> None:
    targets = re.findall(r"\]\(([^)#:]+)\)|src=\"([^\"]+)\"", README)
    names = [a or b for a, b in targets]
    assert len(names) > 6
    assert [n for n in names if not (ROOT / n).exists()] == []


def test_the_sound_card_example_is_a_sound_part_of_a_venue_file() -> None:
    (outputs,) = (t for t in fences("toml") if "[[outputs]]" in t)
    zones = tomllib.loads(outputs)["outputs"][0]["zones"]
    rooms = "".join(
        f'[[zones]]\nid = "{zone}"\nname = "{zone}"\nchannels = {len(channels)}\n'
        for zone, channels in zones.items()
    )
    venue = f'format = 1\n[venue]\nname = "Hall"\ntimezone = "Europe/London"\n{rooms}\n{outputs}'
    assert [str(f) for f in read_venue(venue, where="README.md", syntax="toml").findings] == []


def test_every_runtime_dependency_stands_in_the_table() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    names = {re.split(r"[<>=!;\[ ]", d, maxsplit=1)[0] for d in project["dependencies"]}
    rows = {
        row.split("|")[1].split()[0] for row in README.splitlines() if row.startswith("| ") and "---" not in row
    }
    assert names - rows == set()


def test_the_cautions_are_said() -> None:
    for words in (
        "not a voice-alarm or evacuation system",
        "Loud sound harms hearing",
        "can shock",
        "needs a licence",
    ):
        assert words in README
