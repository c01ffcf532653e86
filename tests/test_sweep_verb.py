"""``robotcore sweep`` and the one run behind it, on the fake robot: short runs, the real thing."""

import json
import os
import shlex
import signal
import sqlite3
import subprocess
import sys
from argparse import Namespace
from pathlib import Path

import pytest

from robotcore.backend import parse_address
from robotcore.brain import Brain
from robotcore.cli import plugins
from robotcore.cli.main import main
from robotcore.cli.setup import from_words
from robotcore.cli.single import build, code_digest, drive, settle
from robotcore.errors import UserError
from robotcore.log import Log
from robotcore.runtime import Limits, Run
from robotcore.stats import rms

TOP = Path(__file__).parent.parent


def setup(mission="line", rig="harbour", changes=()):
    return from_words(Namespace(mission=mission, rig=rig, calibration=None, settings=None, set=list(changes)))


# ---- one run


@pytest.mark.slow
@pytest.mark.parametrize(
    ("url", "mission", "limit_s"),
    [
        ("fake:quay?seed=3", "line", 480.0),
        ("fake:quay?seed=4&noise=4", "line", 30.0),
        ("fake:storm?seed=5", "line", 12.34),
        ("fake:pad?seed=5", "tests.sweep_kit:ENDS", 9.0),
        ("fake:quay?seed=6", "tests.sweep_kit:RAISES", 9.0),
    ],
)
def test_it_comes_to_what_the_runtime_comes_to(url, mission, limit_s):
    made = setup(mission)
    address = parse_address(url)
    world, log = plugins.backend(address)(address, made.rig), Log()
    brain = Brain(made.rig, made.calibration, made.mission, made.settings, log)
    outcome = Run(world, brain, log, Limits(run_s=limit_s)).run()
    settle(world, outcome.ticks, made.rig.period_s)
    result = drive(url, made, limit_s)
    assert (result.how, result.time_s) == (outcome.how, pytest.approx(outcome.seconds, abs=1e-9))
    assert result.error.split(":")[0] == ("" if outcome.error is None else type(outcome.error).__name__)
    assert result.decisions == len(log.decisions)
    if world.judge is not None:
        verdict = world.judge.verdict()
        assert (result.progress_m, result.finish_s) == (verdict.progress_m, verdict.finish_s)
        assert result.reasons[-len(verdict.reasons) :] == verdict.reasons
        assert result.success == (verdict.success and outcome.error is None)


@pytest.mark.slow
def test_the_same_run_twice_is_the_same_and_others_are_not():
    made = setup()
    one, two, other = (drive(f"fake:quay?seed={seed}", made, 6.0) for seed in (1, 1, 2))
    assert one == two
    assert one.decided != other.decided


def test_the_overall_error_is_that_of_all_ticks():
    result = drive("fake:quay?seed=1", setup(), 8.0)
    every = [error for error, ticks in result.sections.values() for _ in range(ticks)]
    assert result.rms_mm == pytest.approx(rms(every), rel=1e-12)


@pytest.mark.parametrize(
    ("name", "how", "error"),
    [("RAISES", "failed", "ValueError: a slip of the pen"), ("LEAVES", "failed", "SystemExit: 0")],
)
def test_what_a_behaviour_raises_is_a_result(name, how, error):
    result = drive("fake:pad?seed=1", setup(f"tests.sweep_kit:{name}"), 5.0)
    assert (result.success, result.how, result.error) == (False, "failed", error)
    assert result.reasons[0] == error


def test_without_a_judge_the_missions_own_end_is_success():
    assert drive("fake:pad?seed=1", setup("tests.sweep_kit:ENDS"), 5.0).success
    stuck = drive("fake:pad?seed=1", setup(), 1.0)
    assert (stuck.success, stuck.reasons) == (False, ("time limit",))


@pytest.mark.parametrize(
    ("url", "says"),
    [("fake:quay?pace=real", "wall clock"), ("serial:/dev/null", "hurt nobody"), ("fake:quay?nois=1", "did you mean")],
)
def test_a_world_that_is_not_for_sweeps_is_told(url, says):
    with pytest.raises(UserError, match=says):
        build(url, setup())


def test_the_digest_of_the_code_is_of_all_that_decides(tmp_path, monkeypatch):
    from robotcore.cli import single

    whole = code_digest(setup())
    assert whole == code_digest(setup(rig="harbour-clear"))
    files = [name for module in ("robotcore", "drivers", "behaviours.missions") for name, _ in single._files(module)]
    assert {
        "robotcore/brain.py",
        "drivers/fake/world.py",
        "drivers/fake/courses/storm.toml",
        "behaviours/follow.py",
    } < {*files}
    (tmp_path / "alone.py").write_text("x = 1\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    import alone  # type: ignore[import-not-found]

    before = single._code.__wrapped__((alone.__name__,))
    (tmp_path / "alone.py").write_text("x = 2\n")
    assert single._code.__wrapped__((alone.__name__,)) != before


# ---- the verb


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty folder to work in, with the tests' missions within reach."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(TOP))
    return tmp_path


def spoken(capsys, *words):
    code = main(words)
    out, err = capsys.readouterr()
    return code, out, err


@pytest.mark.slow
def test_a_sweep_is_told_resumed_and_each_failure_drives_again(here, capsys):
    words = [
        "sweep",
        "fake:quay",
        "--seeds",
        "7-9",
        "--vary",
        "noise=1,6",
        "--rig",
        "harbour-clear",
        "--time-limit",
        "60",
    ]
    code, out, err = spoken(capsys, *words, "--json", "all.json")
    assert (code, err) == (0, "")
    assert [line.split()[:2] for line in out.splitlines()[1:3]] == [["fake:quay", "1"], ["fake:quay", "6"]]
    data = json.loads(Path("all.json").read_text())
    failed = [run for run in data["runs"] if not run["success"]]
    assert failed, "noise of six times nominal should fail somewhere"
    for run in failed:
        assert f"  {run['command']}\n" in out
    self_driven(failed[0], capsys)
    again = spoken(capsys, *words)
    assert again[:2] == (0, out)
    assert "6 of 6 runs are there already" in again[2]


def self_driven(run, capsys):
    """The printed command comes to the same verdict, for the same reasons."""
    words = shlex.split(run["command"])
    assert words[:2] == ["robotcore", "run"]
    _, out, _ = spoken(capsys, *words[1:], "--no-recording")
    assert f"the course was not done: {'; '.join(run['reasons'])}" in out
    assert f"{run['decisions']} decisions" in out or run["how"] in out


@pytest.mark.slow
def test_a_new_seed_is_run_and_a_changed_setting_is_another_run(here, capsys):
    words = ["sweep", "fake:quay", "--time-limit", "3", "--jobs", "1"]
    spoken(capsys, *words, "--seeds", "1-2")
    assert "2 of 3 runs are there already" in spoken(capsys, *words, "--seeds", "1-3")[2]
    assert "already" not in spoken(capsys, *words, "--seeds", "1-3", "--set", "follow.cruise_m_s=0.2")[2]
    with sqlite3.connect("sweep.db") as file:
        assert file.execute("SELECT count(*), count(DISTINCT setup) FROM run").fetchone() == (6, 2)
    file.close()


@pytest.mark.slow
def test_a_changed_course_file_is_another_run(here, capsys):
    text = (TOP / "drivers/fake/courses/quay.toml").read_text()
    words = ["sweep", "fake:mine.toml", "--time-limit", "2", "--jobs", "1", "--seeds", "1"]
    for content in (text, text + "\n# another line\n"):
        Path("mine.toml").write_text(content)
        assert "already" not in spoken(capsys, *words)[2]
    assert "already" in spoken(capsys, *words)[2]


def test_behaviours_that_raise_are_counted_not_raised(here, capsys):
    words = ["sweep", "fake:pad", "--seeds", "1-3", "--mission", "tests.sweep_kit:RAISES", "--jobs", "1"]
    code, out, err = spoken(capsys, *words, "--at-least", "0.5")
    assert (code, err) == (1, "")
    assert out.splitlines()[1].split() == ["fake:pad", "0/3", "0.0", "%", "0.0", "to", "56.1", "%", "-", "-", "0", "3"]
    assert "failed: ValueError: a slip of the pen" in out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["fake:quay", "--seeds", "1-2", "--vary", "nois=1,2"], "option 'nois' is not known"),
        (["fake:quay", "--seeds", "1-2", "--vary", "noise=1,loud"], "noise=loud is no size"),
        (["fake:quay", "--seeds", "2-1"], "backwards"),
        (["fake:quay", "--seeds", "1-2", "--vary", "rig=harbor"], "rig 'harbor' does not exist"),
        (["fake:quay", "--seeds", "1-2", "--vary", "follow.cruise=1"], "cruise"),
        (["fake:quay", "--seeds", "1-2", "--mission", "lime"], "mission 'lime' does not exist"),
        (["fake:quai", "--seeds", "1-2"], "course 'quai'"),
        (["fake:quay", "--seeds", "1-2", "--jobs", "0"], "--jobs 0"),
        (["fake:quay", "--seeds", "1-2", "--store", "no/such/file.db"], "folder does not exist"),
        (["fake:quay", "--seeds", "1-2", "--time-limit", "-3"], "--time-limit"),
        (["fake:quay"], "--seeds"),
    ],
)
def test_bad_input_is_one_line_and_leaves_nothing(here, capsys, words, says):
    code, out, err = spoken(capsys, "sweep", *words)
    assert (code, out) == (2, "")
    assert says in err
    assert err.count("\n") == 1
    assert list(here.iterdir()) == []


@pytest.mark.slow
def test_ctrl_c_says_how_far_it_came(here):
    words = [sys.executable, "-m", "robotcore", "sweep", "fake:quay", "--seeds", "1-4000", "--time-limit", "4", "--bar"]
    with subprocess.Popen(words, stderr=subprocess.PIPE, stdout=subprocess.PIPE, start_new_session=True) as started:
        said = b""
        while b"] 1" not in said and b"] 2" not in said and b"] 4" not in said and b"] 8" not in said:
            said += os.read(started.stderr.fileno(), 4096)
        os.killpg(started.pid, signal.SIGINT)
        out, err = started.communicate(timeout=60)
    assert (started.returncode, out) == (130, b""), err
    last = err.decode().split("\r")[-1]
    assert last.startswith("stopped with ")
    assert last.count("\n") == 1
    with sqlite3.connect("sweep.db") as file:
        assert f"stopped with {file.execute('SELECT count(*) FROM run').fetchone()[0]} of 4000" in last
    file.close()


def test_the_robots_path_imports_none_of_it():
    script = (
        "import sys, robotcore.cli.run, robotcore.cli.main\n"
        "print([name for name in sys.modules if 'sweep' in name or 'compare' in name or 'single' in name])"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True, cwd=TOP)
    assert done.stdout.strip() == "[]"
