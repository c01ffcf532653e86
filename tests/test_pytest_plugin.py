"""The pytest plugin: recordings as tests, acceptance with a reason, and fixtures for a team's own tests."""

import sys
import xml.etree.ElementTree as ElementTree

import pytest

import drivers.fake.backend  # noqa: F401 - numpy can be loaded once only, and pytester unloads what it saw come
from robotcore.cli import plugins
from tests.replay_kit import CROSSING, Settings, record, rows, think
from tests.test_verdict import breaks_at

pytest_plugins = ["pytester"]


@pytest.fixture
def missions(monkeypatch):
    known = {"crossing": CROSSING}
    real = plugins.mission
    monkeypatch.setattr(plugins, "mission", lambda name, **how: known.get(name) or real(name, **how))
    return known


@pytest.fixture
def run(pytester, missions):
    """Run pytest with the plugin in a folder of recordings."""

    def inside(*words):
        return pytester.runpytest_inprocess("-p", "robotcore.pytest_plugin", "-rs", *words)

    return inside


def changed(folder, name="red"):
    """A recording that said green once and says red today."""
    return record(folder / f"{name}.rec", think(rows(), Settings(colour="green")))


def test_every_recording_is_a_test(pytester, run):
    record(pytester.path / "red.rec", think(rows()))
    record(pytester.mkdir("deep") / "cut.rec", think(rows(), cut=150))
    result = run("-v")
    result.assert_outcomes(passed=2)
    result.stdout.fnmatch_lines(["*deep/cut.rec::replay PASSED*", "*red.rec::replay PASSED*"])


def test_a_changed_one_fails_with_the_story_and_without_a_traceback(pytester, run):
    changed(pytester.path)
    result = run()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(
        [
            "*replay of red.rec*",
            "changed: strip at 2.70 s: colour is red instead of green",
            "*recorded  strip colour=green at 2.70 s by crossing in tests/replay_kit.py:*",
            "*readings around tick 270*",
        ]
    )
    assert "Traceback" not in result.stdout.str()
    assert "judging.py" not in result.stdout.str()


def test_undecided_is_skipped_with_its_horizon_or_fails_on_demand(pytester, run):
    record(pytester.path / "fast.rec", think(rows(), Settings(speed_m_s=0.12)))
    result = run()
    result.assert_outcomes(skipped=1)
    result.stdout.fnmatch_lines(["*undecided: nothing is known after 0.* of 2.90 s*"])
    run("--undecided=fail").assert_outcomes(failed=1)


def test_bad_input_fails_with_its_line(pytester, run):
    (pytester.path / "foreign.rec").write_bytes(b"?")
    result = run()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*foreign.rec: not a recording*"])
    assert "Traceback" not in result.stdout.str()


def test_sentences_are_checked(pytester, run):
    record(pytester.path / "red.rec", think(rows()))
    (pytester.path / "red.expect.txt").write_text("exactly 3 stripes\n")
    result = run("--accept", "whatever")
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*not met: exactly 3 stripes (line 1): 2 stripes, the last at 2.00 s; wanted 3"])


def test_accepting_writes_the_reason_beside_the_changed_recordings_only(pytester, run):
    changed(pytester.path)
    record(pytester.path / "other.rec", think(rows()))
    run("--accept", "the strip is red now").assert_outcomes(passed=2)
    text = (pytester.path / "red.accepted.toml").read_text()
    assert 'reason = "the strip is red now"' in text
    assert not (pytester.path / "other.accepted.toml").exists()
    run().assert_outcomes(passed=2)


def test_what_was_accepted_bites(pytester, run, missions):
    changed(pytester.path)
    run("--accept", "the strip is red now").assert_outcomes(passed=1)
    (pytester.path / "red.accepted.toml").write_text(
        (pytester.path / "red.accepted.toml").read_text().replace('colour = "red"', 'colour = "blue"')
    )
    result = run()
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*accepted  strip colour=blue at 2.70 s*"])


@pytest.mark.parametrize("reason", ["", "   "])
def test_an_empty_reason_is_refused_before_anything_runs(pytester, run, reason):
    changed(pytester.path)
    result = run(f"--accept={reason}")
    assert result.ret == pytest.ExitCode.USAGE_ERROR
    result.stderr.fnmatch_lines(["*--accept: the reason is empty*"])
    assert not list(pytester.path.glob("*.toml"))


def test_an_error_is_not_accepted(pytester, run, missions):
    record(pytester.path / "red.rec", think(rows()))
    missions["crossing"] = breaks_at(40)
    result = run("--accept", "fine")
    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*red.rec: the replay ended in BrokenError: on purpose; mend that*"])
    assert not list(pytester.path.glob("*.accepted.toml"))


def test_junit_tells_verdict_and_trust(pytester, run):
    changed(pytester.path)
    record(pytester.path / "same.rec", think(rows()))
    run("--junitxml=all.xml")
    cases = ElementTree.parse(pytester.path / "all.xml").getroot().iter("testcase")
    found = {case.get("classname"): {p.get("name"): p.get("value") for p in case.iter("property")} for case in cases}
    assert found["red.rec"]["verdict"] == "changed"
    assert found["same.rec"] == {"verdict": "same", "held_against": "recorded", "trusted_s": "2.90", "end_s": "2.90"}


TEAM_TESTS = """
import pytest
from robotcore.errors import UserError

def test_a_rig(rig):
    assert rig().name == "harbour"
    assert rig("harbour-bare").role("tilt") is None

def test_a_course(course):
    assert course("quay").name == "quay"

def test_a_run(drive_course):
    run = drive_course("fake:quay?seed=3", mission="nudge", seconds=2)
    assert run.outcome.finished
    assert run.names() == ["nudged"]
    assert not run.verdict.success
    assert 0.0 < run.verdict.progress_m < 0.3

def test_no_real_robot(drive_course):
    with pytest.raises(UserError, match="no real robot"):
        drive_course("serial:/dev/ttyACM0")

def test_a_recording(recording):
    assert len(recording("deep/red.rec")) == 291
"""


def test_fixtures_for_a_teams_own_tests(pytester, run, missions):
    from robotcore.kernel import sleep
    from robotcore.mission import Mission

    async def nudge(robot, s):
        robot.drive(0.1, 0.1)
        await sleep(0.5)
        robot.decide("nudged")

    missions["nudge"] = Mission("nudge", nudge, Settings, "", handles_button=True)
    record(pytester.mkdir("deep") / "red.rec", think(rows()))
    pytester.makepyfile(test_team=TEAM_TESTS)
    run("test_team.py").assert_outcomes(passed=5)


def test_it_costs_nothing_where_it_is_not_used():
    """pytest loads it everywhere: nothing of ours but the file itself is imported."""
    import subprocess

    script = "import sys, robotcore.pytest_plugin; print(sorted(m for m in sys.modules if m.startswith('robotcore')))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "['robotcore', 'robotcore.pytest_plugin']"
