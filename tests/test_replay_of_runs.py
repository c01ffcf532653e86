"""From a run to a verdict: what the runtime records is what a replay is held against, errors included."""

import pytest

from robotcore.cli import plugins
from robotcore.cli.judging import Request, judge_file
from robotcore.cli.main import main
from robotcore.kernel import tick
from robotcore.log import Log
from robotcore.mission import Mission
from robotcore.recording.reader import open_recording
from robotcore.recording.schema import Header
from robotcore.recording.writer import Recorder
from robotcore.runtime import Limits, Run
from tests import scripted
from tests.replay_kit import CALIBRATION, CROSSING, Settings, brain, rows


class SlipError(Exception):
    """Raised on purpose."""


async def slips(robot, s):
    robot.drive(0.1, 0.1)
    for _ in range(20):
        await tick()
    raise SlipError("at the twentieth")


SLIPS = Mission("crossing", slips, Settings, "")


@pytest.fixture
def today(monkeypatch):
    known = {"crossing": CROSSING}
    monkeypatch.setattr(plugins, "mission", lambda name, **how: known[name])
    return known


def run(path, mission, raws, *, run_s=480.0):
    """A whole run on scripted rows, recorded as `robotcore run` does."""
    rig, log = scripted.rig(), Log()
    header = Header(
        path.stem, "2000-01-01T12:00:00+0000", "crossing", rig.name, scripted.RIG, CALIBRATION, "", "scripted", "0",
        rig.period_s, {},
    )  # fmt: skip
    recorder = Recorder(path, header, rig.layout, blocking=True)

    def keep(entry):
        (recorder.decision if hasattr(entry, "fields") else recorder.fault)(*entry)

    log.tell = keep
    mind = brain(Settings(), log, mission)
    outcome = Run(scripted.ScriptedBackend(raws), mind, log, Limits(run_s=run_s), recorder=recorder).run()
    recorder.close(outcome.how if outcome.finished else f"stopped: {outcome.how}", outcome.seconds)
    return str(path)


def test_a_run_to_the_end_is_the_same(tmp_path, today):
    report = judge_file(run(tmp_path / "a.rec", CROSSING, rows()), Request())
    assert (report.verdict, report.decisions, report.ticks) == ("same", 3, 291)


def test_a_run_that_ended_in_a_behaviours_error_is_the_same_while_it_does_and_changed_once_it_is_mended(
    tmp_path, today
):
    path = run(tmp_path / "a.rec", SLIPS, rows())
    (fault,) = open_recording(path).faults
    assert (fault.tick, fault.kind, fault.detail, fault.behaviour) == (
        20,
        "error",
        "SlipError: at the twentieth",
        "runtime",
    )
    today["crossing"] = SLIPS
    assert judge_file(path, Request()).verdict == "same"
    today["crossing"] = CROSSING
    report = judge_file(path, Request())
    assert report.verdict == "changed"
    assert "recorded  error text=SlipError: at the twentieth" in "\n".join(report.lines)


def test_a_run_that_a_lost_link_ended_is_no_error_of_the_behaviours(tmp_path, today):
    report = judge_file(run(tmp_path / "a.rec", CROSSING, [*rows(ticks=50), OSError("gone")]), Request())
    assert report.verdict == "same"
    assert "mid-run (failed)" in "\n".join(report.lines)


def test_a_run_that_the_time_limit_ended_is_judged_up_to_there(tmp_path, today):
    report = judge_file(run(tmp_path / "a.rec", CROSSING, rows(), run_s=1.5), Request())
    assert (report.verdict, report.end_s) == ("same", 1.5)
    assert "mid-run (time limit)" in "\n".join(report.lines)


def test_a_button_stop_is_judged_up_to_there(tmp_path, today):
    raws = [*rows(ticks=50), scripted.row(button=1), *rows(ticks=50)]
    report = judge_file(run(tmp_path / "a.rec", CROSSING, raws), Request())
    assert (report.verdict, report.ticks) == ("same", 51)


@pytest.mark.slow
def test_a_run_on_the_fake_robot_replays_as_same(tmp_path, capsys):
    path = tmp_path / "quay.rec"
    main(["run", "fake:quay?seed=3", "--out", str(path), "--time-limit", "20", "--quiet"])
    capsys.readouterr()
    assert main(["replay", str(path)]) == 0
    assert " same " in capsys.readouterr().out
