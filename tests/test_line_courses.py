"""The mission `line` on the fake robot: every shipped course, every rig, and the same run twice.

Success is what the fake's judge says from the truth, never what the behaviours say of themselves. Figures over many
seeds come from tests/benchmarks/bench_success.py; here two seeds each show that nothing is broken.
"""

import os
import subprocess
import sys

import pytest

from tests.driving import RIGS, Run, drive

COURSES = ("quay", "slipway", "breakwater", "shoals", "storm")


def wants(run: Run) -> None:
    """Fail with all that the judge has to say."""
    verdict = run.world.judge.verdict()
    assert verdict.success, (verdict.reasons, [(d.time_s, d.name, dict(d.fields)) for d in run.decisions])
    assert run.ended


def said(run: Run, name: str, field: str) -> list[object]:
    return [decision.fields[field] for decision in run.decisions if decision.name == name]


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("course", COURSES)
def test_every_course_is_driven_to_its_red_strip_under_nominal_perturbations(course, seed):
    run = drive(f"fake:{course}?seed={seed}")
    wants(run)
    assert run.decisions[-1].fields["reason"] == "red"
    assert not run.faults


@pytest.mark.parametrize("rig", RIGS)
@pytest.mark.parametrize("course", ["storm", "breakwater"])
def test_another_sensor_means_another_rig_file_and_never_another_behaviour(course, rig):
    """One mission, one settings object, four rigs: two forms of colour sensor, two of range sensor, one bare."""
    wants(drive(f"fake:{course}?seed=4", rig))


def test_decisions_tell_what_the_course_holds():
    """Against the route that the course's own text gives, in order; the judge knows it, the behaviours do not."""
    run = drive("fake:shoals?seed=2")
    wants(run)
    route = run.world.judge.course.route
    marked = [spot.marker for spot in route.spots if spot.kind == "junction" and spot.marker != "none"]
    assert [side for side in said(run, "marker", "side") if side != "none"] == marked


def test_obstacles_are_each_decided_once_and_passed():
    run = drive("fake:breakwater?seed=5")
    wants(run)
    count = len(run.world.judge.course.obstacles)
    assert len(said(run, "obstacle", "side")) == len(said(run, "passed", "side")) == count
    assert not run.world.judge.touches


@pytest.mark.parametrize("seed", [6, 7])
@pytest.mark.parametrize("difficulty", [0.3, 1.0])
def test_courses_that_nobody_tuned_for(difficulty, seed):
    wants(drive(f"fake:random?seed={seed}&difficulty={difficulty}"))


def test_without_any_perturbation_it_works_as_well():
    wants(drive("fake:storm?perturb=0"))


def test_more_lost_readings_than_nominal_are_survived():
    wants(drive("fake:quay?seed=3&dropout=5"))


def test_the_same_run_twice_gives_the_same_commands_bit_for_bit():
    runs = [drive("fake:storm?seed=9", trace=True, seconds=40.0) for _ in range(2)]
    assert runs[0].commands == runs[1].commands
    assert runs[0].decisions == runs[1].decisions


def test_no_hash_seed_changes_a_run():
    script = (
        "from tests.driving import drive; import hashlib;"
        "r = drive('fake:storm?seed=9', trace=True, seconds=30.0);"
        "print(hashlib.sha256(repr((r.commands, r.decisions, r.faults)).encode()).hexdigest())"
    )
    digests = {
        subprocess.run(
            [sys.executable, "-c", script], env=os.environ | {"PYTHONHASHSEED": seed}, capture_output=True, text=True,
            check=True, timeout=120,
        ).stdout
        for seed in ("1", "2")
    }  # fmt: skip
    assert len(digests) == 1


@pytest.mark.parametrize("shuffle_seed", [1, 2])
def test_no_order_of_the_behaviours_breaks_a_run(shuffle_seed):
    """The scheduler's order is fixed in real runs; that nothing leans on it is shown by shuffling it."""
    wants(drive("fake:storm?seed=3", shuffle_seed=shuffle_seed))


def test_nobody_presses_start_and_nothing_moves():
    run = drive("fake:quay?seed=1", seconds=0.25, trace=True)
    assert not run.ended
    assert {(command.left_m_s, command.right_m_s) for command in run.commands} == {(0.0, 0.0)}


def test_an_empty_floor_ends_in_a_stand_and_a_fault():
    """A board without a line ahead: the robot searches, gives up, says so, and stands."""
    run = drive(f"fake:{_stub()}?seed=1&perturb=0", seconds=120.0, trace=True)
    assert run.ended
    assert run.decisions[-1].fields["reason"] == "lost"
    assert [fault.kind for fault in run.faults] == ["lost"]
    assert run.commands[-1][:2] == (0.0, 0.0)


def _stub() -> str:
    """Return the path of a course whose line has a gap of 200 mm that leads off the robot's way."""
    import tempfile
    from pathlib import Path

    path = Path(tempfile.mkdtemp()) / "stub.toml"
    path.write_text(
        '[course]\nname = "stub"\nsize_mm = [3000, 3000]\n[start]\nat_mm = [1300, 1500]\n[[line]]\n'
        'from_mm = [1200, 1500]\nmoves = [{ straight_mm = 400 }, { strip = "red" }, { straight_mm = 20 }]\n'
        "[colours]\nred = [0.85, 0.85, 0.85]\n",
        encoding="utf-8",
    )
    return str(path)
