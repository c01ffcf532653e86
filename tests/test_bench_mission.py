"""The first powered test on the fake robot: as built, and with each slip of the wiring that a student makes."""

import pytest
from link_bench import Bench

from behaviours.bench import BENCH, GOOD, BenchSettings
from drivers.agent.brick_agent import Agent
from drivers.agent.fake_world import FakeWorld
from drivers.agent.stand_in import WorldPort
from drivers.fake.backend import build
from robotcore.backend import parse_address
from robotcore.brain import Brain
from robotcore.layout import NEVER
from robotcore.log import Log
from robotcore.runtime import Limits, Run
from robotcore.settings import replaced
from tests.driving import calibration_of, rig_of


class Miswired(FakeWorld):
    """The fake robot behind a slip: `counts` changes a row, `powers` what is powered. The loops see what is told."""

    def __init__(self, fake, counts, powers):
        self._told, self._powered = counts, powers
        super().__init__(fake)
        self.truth, self.furthest_m = fake.world.truth, 0.0

    def look(self):
        return self._told(super().look())

    def step(self, powers, driven):
        row = super().step((*self._powered(*powers[:2]), *powers[2:]), driven)
        self.furthest_m = max(self.furthest_m, abs(self.truth.left_m), abs(self.truth.right_m))
        return self._told(row)


class MiswiredBench(Bench):
    """Such a robot at the far end of the link."""

    def __init__(self, rig, counts=tuple, powers=lambda left, right: (left, right)):
        self.slip = counts, powers
        super().__init__(rig)

    def restart_agent(self):
        self.world = Miswired(build(parse_address("fake:pad?seed=2"), self.rig), *self.slip)
        self.port = WorldPort(self.rig, self.world, self.wires, lambda: self.now_s)
        self.agent = Agent(self.port)


def on_bench(rig_name="harbour", settings=None, **slip):
    rig, log = rig_of(rig_name), Log()
    bench = MiswiredBench(rig, **slip)
    brain = Brain(rig, calibration_of(rig_name), BENCH, settings or BenchSettings(), log)
    outcome = Run(bench.backend("/dev/pts/bench"), brain, log, Limits(run_s=60.0)).run()
    assert outcome.finished, outcome.error
    return log, bench.world


def results(log):
    names = {"track": "side", "joint": "role"}
    return {d.fields[names[d.name]]: d.fields["result"] for d in log.decisions if d.name in names}


@pytest.mark.parametrize("rig_name", ["harbour", "harbour-clear", "harbour-optical", "harbour-bare"])
def test_a_robot_as_built_does_as_told(rig_name):
    log, _ = on_bench(rig_name)
    assert set(results(log).values()) == {GOOD}
    assert log.decisions[-1].fields["reason"] == "every motor did as told"
    joints = [role for role in ("gripper", "sorter") if rig_of(rig_name).role(role) is not None]
    assert list(results(log)) == ["left", "right", *joints]


def test_readings_are_told_before_anything_moves_and_all_along():
    log, _ = on_bench()
    told = [d for d in log.decisions if d.name == "readings"]
    start = next(d.tick for d in log.decisions if d.name == "start")
    assert told[0].tick < start
    assert 9 <= len(told) <= 12
    assert told[0].fields.keys() == {
        "floor_left", "floor_right", "front", "range_m", "left_m", "right_m", "gripper_rad", "sorter_rad",
        "pitch_rad", "roll_rad", "button", "battery_v",
    }  # fmt: skip
    assert told[0].fields["range_m"] in ("missing", "out of range"), "a word where there is no reading"
    assert told[-1].fields["left_m"] == pytest.approx(0.05, abs=0.01)


def test_a_device_that_the_rig_lacks_is_not_told():
    log, _ = on_bench("harbour-bare")
    lacking = {role for role in ("front", "gripper", "sorter", "tilt") if rig_of("harbour-bare").role(role) is None}
    told = next(d for d in log.decisions if d.name == "readings").fields
    assert lacking
    assert not any(key.startswith(tuple(lacking)) for key in told)


def column(role, channel=0):
    return rig_of("harbour").layout.slots[role].start + channel


def negate(at):
    return lambda row: (*row[:at], -row[at], *row[at + 1 :])


def missing(role):
    at = rig_of("harbour").layout.slots[role].age
    return lambda row: (*row[:at], NEVER, *row[at + 1 :])


def stuck():
    """A bridge that stays on once it was."""
    on = []

    def powers(left, right):
        on.extend([left] * (left > 0))
        return (1000 if on else left), right

    return powers


@pytest.mark.parametrize(
    ("slip", "what", "words"),
    [
        ({"counts": negate(column("drive"))}, "left", "its counts fall"),
        ({"counts": negate(column("drive", 1))}, "right", "its counts fall"),
        ({"powers": lambda left, right: (-left, right)}, "left", "its counts fall"),
        ({"powers": lambda left, right: (right, left)}, "left", "the other one turned"),
        ({"powers": lambda left, right: (left, 0)}, "right", "did not move"),
        ({"counts": missing("drive")}, "left", "did not move, or has no counts"),
        ({"powers": stuck()}, "left", "ran away"),
        ({"counts": negate(column("gripper"))}, "gripper", "its counts fall"),
        ({"counts": missing("sorter")}, "sorter", "did not move, or has no counts"),
    ],
)
def test_each_slip_is_named_and_no_motor_is_tried_after_it(slip, what, words):
    log, world = on_bench(**slip)
    told = results(log)
    assert words in told[what]
    assert list(told)[-1] == what
    assert [GOOD] * (len(told) - 1) == list(told.values())[:-1]
    assert log.decisions[-1].fields["reason"].startswith(what)
    assert world.furthest_m < 0.25, "what runs the wrong way is stopped before it has gone far"


def test_a_slower_and_shorter_run_is_judged_by_what_it_asked():
    log, _ = on_bench(settings=replaced(BenchSettings(), speed_m_s=0.1, run_s=0.5))
    assert set(results(log).values()) == {GOOD}
