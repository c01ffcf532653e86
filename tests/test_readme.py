"""The README tells the truth: its program prints what stands there, and what it quotes is what the code has."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from robotcore.cli.main import VERBS
from robotcore.recording.schema import schema_text

TOP = Path(__file__).parent.parent
README = (TOP / "README.md").read_text(encoding="utf-8")


def block(mark: str) -> str:
    """The code block that follows ``<!-- mark -->``."""
    found = re.search(rf"<!-- {re.escape(mark)} -->\n```\w*\n(.*?)```", README, re.DOTALL)
    assert found, f"README.md has no block after <!-- {mark} -->"
    return found[1]


def run(command: str, folder: Path) -> str:
    words = command.replace("'", "").split()
    assert words[0] == "robotcore"
    done = subprocess.run(
        [sys.executable, "-m", *words],
        capture_output=True,
        text=True,
        cwd=folder,
        env={**os.environ, "PYTHONPATH": str(TOP)},
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout + done.stderr


def test_the_program_prints_what_stands_below_it(tmp_path):
    team = tmp_path / "team"
    team.mkdir()
    (team / "square.py").write_text(block("program: square.py"), encoding="utf-8")
    shown = ""
    for line in block("program output").splitlines():
        if line.startswith("$ "):
            shown += f"{line}\n{run(line[2:], team)}"
    assert shown == block("program output")


def test_the_mission_is_the_one_that_runs():
    assert block("mission") in (TOP / "behaviours" / "line_mission.py").read_text(encoding="utf-8")


def test_the_schema_is_the_one_that_is_written():
    assert block("schema") == schema_text()


def test_the_run_command_names_a_course_that_ships():
    course = re.search(r"fake:(\w+)", block("run command"))[1]
    assert (TOP / "drivers" / "fake" / "courses" / f"{course}.toml").exists()


@pytest.mark.parametrize(
    "verb", sorted(set(re.findall(r"(?:^|`|\$ )robotcore (\w+)", README, re.MULTILINE)) - {"VERB"})
)
def test_every_verb_that_is_named_exists(verb):
    assert verb in VERBS


@pytest.mark.parametrize("path", sorted(set(re.findall(r"\]\(([^)#:]+)\)", README))))
def test_every_file_that_is_linked_exists(path):
    assert (TOP / path).exists()
