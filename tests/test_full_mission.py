"""The zone and the whole mission in closed loop on the fake robot, and going on after a lack of progress."""

import math

import pytest

from behaviours.zone.chart import QUARTER
from behaviours.zone.settings import MissionSettings
from robotcore.cli.main import main
from robotcore.recording.reader import open_recording
from tests.driving import drive, rig_of
from tests.zone_team import settings_for

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def run():
    """One run of the zone with nominal perturbations."""
    return drive("fake:basin?seed=2", mission="zone", settings=settings_for("basin", 2), seconds=480.0, trace=True)


def test_the_zone_is_entered_swept_and_left(run):
    names = run.names()
    for name in ("silver strip", "zone entered", "corner", "opening", "round", "exit found", "left zone", "finish"):
        assert name in names, name
    verdict = run.world.judge.verdict()
    assert verdict.success, verdict.reasons
    assert verdict.zone.left_s is not None
    assert run.ended


def test_nothing_is_dropped_in_a_foreign_berth(run):
    verdict = run.world.judge.verdict()
    assert verdict.zone.wrong_drops == 0
    said = [d.fields["kind"] for d in run.decisions if d.name == "dropped"]
    done = sorted(fate.kind for fate in verdict.zone.objects if fate.right)
    assert sorted(said) == done


def test_the_motors_are_off_at_the_end(run):
    world = run.world.world
    assert world.truth.speed == 0.0
    assert all(joint.power == 0 for joint in world.joints.values())


def test_every_decision_about_an_object_is_voted(run):
    seen = [d for d in run.decisions if d.name == "object seen" and d.fields["kind"] != "unsure"]
    assert seen
    assert all(d.fields["votes"] >= 0.75 * d.fields["looks"] for d in seen)


def test_a_lane_is_the_offset_curve_of_the_walls():
    """Outside check, closed form: the curve at distance d inside a rectangle is the rectangle with each side moved
    in by d; on a leg of the second round the axle is 0.225 m (130 mm and a pitch of 95) from the wall beside it."""
    run = drive("fake:basin?seed=2", mission="zone", settings=MissionSettings(), seconds=100.0, trace=True)
    zone = run.world.judge.course.zone
    rounds = [d.tick for d in run.decisions if d.name == "round"][:2]
    off = []
    for tick in range(*rounds):
        x, y, heading = run.poses[tick]
        command = run.commands[tick]
        straight = command.left_m_s > 0.15 and command.right_m_s > 0.15
        if not straight or abs(math.remainder(heading, QUARTER)) > math.radians(4.0):
            continue
        toward = round((heading - QUARTER) / QUARTER) % 4
        beside = (zone.right - x, zone.top - y, x - zone.left, y - zone.bottom)[toward]
        off.append(beside - 0.225)
    assert len(off) > 300
    assert math.sqrt(sum(v * v for v in off) / len(off)) < 0.012


def test_the_same_run_twice_decides_the_same():
    url, settings = "fake:basin?seed=5", settings_for("basin", 5)
    one, two = (drive(url, mission="zone", settings=settings, seconds=60.0) for _ in range(2))
    assert one.decisions == two.decisions


def test_a_rig_without_a_gripper_is_refused_in_one_line(capsys):
    assert main(["run", "fake:basin", "--mission", "zone", "--rig", "harbour-bare", "--no-recording"]) == 2
    assert "this rig has no gripper" in capsys.readouterr().err


def test_lifted_by_the_operator_it_goes_on_with_its_load():
    run = drive("fake:basin?seed=2&lift_at=60", mission="zone", settings=settings_for("basin", 2), seconds=100.0)
    names = run.names()
    stopped = run.decisions[names.index("stopped by hand")]
    resumed = run.decisions[names.index("resumed")]
    assert stopped.fields["stops"] == 1
    assert stopped.fields == resumed.fields
    assert resumed.fields["checkpoint"] == "zone"
    assert stopped.fields["left"] or stopped.fields["right"]
    again = names[names.index("resumed") :]
    assert "zone entered" in again


def test_after_a_power_cycle_the_recording_tells_where_to_go_on(tmp_path, capsys):
    """The first run is cut off in the zone; the second begins at the checkpoint with the load of the first."""
    one, two = tmp_path / "one.rec", tmp_path / "two.rec"
    words = ["run", "fake:basin?seed=2", "--mission", "zone", "--quiet", "--out"]
    assert main([*words, str(one), "--time-limit", "60"]) == 1
    assert main([*words, str(two), "--time-limit", "2", "--resume", str(one)]) == 1
    load = [d.fields for d in open_recording(one).decisions if "left" in d.fields][-1]
    first = next(d for d in open_recording(two).decisions if d.name == "checkpoint")
    assert first.fields["place"] == "zone"
    assert {key: first.fields[key] for key in ("left", "right", "dropped", "stops")} == {
        key: load[key] for key in ("left", "right", "dropped", "stops")
    }
    assert load["left"] or load["right"]
    capsys.readouterr()
    assert main(["run", "fake:quay", "--quiet", "--no-recording", "--resume", str(one)]) == 2
    assert "cannot go on from a checkpoint" in capsys.readouterr().err
    assert main(["run", "fake:basin", "--mission", "full", "--quiet", "--resume", str(tmp_path / "no.rec")]) == 2


def test_the_whole_mission_knows_what_it_needs():
    assert rig_of("harbour").role("gripper") is not None
