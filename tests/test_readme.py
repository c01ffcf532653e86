"""The README tells the truth: its program prints what stands there, and what it quotes is what the code has."""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from robotcore.cli.main import VERBS, main
from robotcore.layout import NEVER
from robotcore.recording.reader import open_recording
from robotcore.recording.schema import schema_text

TOP = Path(__file__).parent.parent
README = (TOP / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
OPTIONS = ("README.md", "DEVELOPERS.md", "replays/README.md", "robotcore/replay/JUDGING.md", "drivers/link/WIRING.md")


def block(mark: str, text: str = README) -> str:
    """The code block that follows ``<!-- mark -->``."""
    found = re.search(rf"<!-- {re.escape(mark)} -->\n```\w*\n(.*?)```", text, re.DOTALL)
    assert found, f"no block after <!-- {mark} -->"
    return found[1]


def told_options() -> list[tuple[str, str]]:
    """Every (verb, option) in a command of the documents; a command goes on over lines that are indented."""
    told: dict[tuple[str, str], None] = {}
    for file in OPTIONS:
        text = re.sub(r"\n {8,}", " ", (TOP / file).read_text(encoding="utf-8"))
        for verb, rest in re.findall(r"(?:^|`|\$ |bin/)robotcore ([a-z]+)([^\n`]*)", text, re.MULTILINE):
            told |= {(verb, option): None for option in re.findall(r"(?<![\w-])--[a-z][a-z-]*", rest)}
    return sorted(told)


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


@pytest.mark.slow
def test_the_whole_mission_of_the_readme_comes_home(tmp_path, monkeypatch, capsys):
    """Where this fails another seed will do, as long as the README says how often it does not."""
    url = re.search(r"robotcore run '(fake:relief\?seed=\d+)' --mission full", README)[1]
    monkeypatch.chdir(tmp_path)
    assert main(["run", url, "--mission", "full", "--no-recording"]) == 0
    assert "the course was done" in capsys.readouterr().out


@pytest.mark.parametrize(("verb", "option"), told_options())
def test_every_option_that_is_named_exists(verb, option, capsys):
    with pytest.raises(SystemExit):
        main([verb, "--help"])
    assert re.search(rf"(?<![\w-]){option}(?![\w-])", capsys.readouterr().out)


def test_the_tables_of_two_runs_are_told():
    """They are what a team looks for the night before, and stood nowhere."""
    assert {("export", "--pair"), ("export", "--replayed")} <= set(told_options())


def test_a_run_that_goes_on_is_told_with_a_mission_that_can():
    from robotcore.cli import plugins
    from robotcore.cli.resume import _resume_fields

    mission = re.search(r"robotcore run serial:\S+ --mission (\w+) --resume", README)[1]
    assert _resume_fields(plugins.mission(mission))


def test_the_driver_of_the_guide_keeps_the_contract():
    names: dict = {}
    exec(block("driver", DEVELOPERS), names)
    exec(block("contract", DEVELOPERS), names)


def test_a_package_of_a_teams_own_brings_its_sensor_to_the_fake_robot(tmp_path):
    """As the guide says, in a process that knows nothing else: driver and model by entry points, and a rig."""
    package, info = tmp_path / "my_package", tmp_path / "my_package-1.0.dist-info"
    package.mkdir()
    info.mkdir()
    (package / "__init__.py").touch()
    (package / "sensor.py").write_text(block("driver", DEVELOPERS))
    (package / "on_fake.py").write_text(block("fake model", DEVELOPERS))
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: my-package\nVersion: 1.0\n")
    points = re.findall(r"```toml\n\[project\.entry-points\.\"(.+?)\"\]\n(.+?)\n```", DEVELOPERS)
    assert [group for group, _ in points] == ["robotcore.devices", "robotcore.fake_models"]
    (info / "entry_points.txt").write_text(
        "".join(f"[{group}]\n{line.replace(chr(34), '')}\n" for group, line in points)
    )
    rig = (TOP / "drivers" / "rigs" / "harbour.toml").read_text()
    (tmp_path / "harbour.toml").write_text(rig.replace('driver = "echo_us"', 'driver = "my_sensor"'))
    words = ["run", "fake:breakwater?seed=1", "--rig", "harbour.toml", "--quiet", "--out", "my.rec"]
    env = {**os.environ, "PYTHONPATH": f"{tmp_path}{os.pathsep}{TOP}"}
    command = [sys.executable, "-m", "robotcore", *words]
    done = subprocess.run(command, cwd=tmp_path, env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    recording = open_recording(tmp_path / "my.rec")
    assert "passed" in [decision.name for decision in recording.decisions], "it went round the obstacle by this sensor"
    columns = recording.columns()
    seen = set(columns["side_range.distance"][columns["side_range.age"] != NEVER]) - {255}
    assert min(seen) >= 4
    assert 10 < len(seen) <= 80, "whole centimetres"


def test_the_tables_of_a_recording_are_those_of_the_readme(tmp_path, monkeypatch):
    """The one line, on a recording of this house under the name that stands there."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "runs").mkdir()
    (tmp_path / "runs" / "a.rec").write_bytes((TOP / "replays" / "strip-left.rec").read_bytes())
    names: dict = {}
    exec(re.search(r"```python\n(from robotcore\.recording.*?)```", README, re.DOTALL)[1], names)
    lengths = {len(column) for column in names["columns"].values()}
    assert len(lengths) == 1
    assert {"tick", "time_s", "drive.left", "command.left_m_s"} <= set(names["columns"])
