"""What a behaviour can do to the robot, and what it is kept from doing."""

import math

import pytest

from robotcore.command import Command
from robotcore.errors import CommandError, OwnershipError
from robotcore.kernel import first, tick, together
from robotcore.log import Log
from tests.scripted import brain, row


def steps(run, rows=20):
    log = Log()
    mind = brain(run, log)
    commands = []
    for number in range(rows):
        commands.append(mind.step(number, row()))
        if mind.done:
            break
    mind.close()
    return commands, log, mind


def test_a_speed_lasts_as_long_as_the_behaviour_that_set_it():
    async def forward(robot):
        robot.drive(0.1, 0.2)
        await tick()
        await tick()

    async def run(robot):
        await first(forward(robot))
        await tick()

    commands, _, _ = steps(run)
    assert [c[:2] for c in commands] == [(0.1, 0.2), (0.1, 0.2), (0.0, 0.0), (0.0, 0.0)]


def test_the_next_behaviour_takes_over_within_the_tick():
    async def one(robot):
        robot.drive(0.1, 0.1)
        await tick()
        robot.drive(0.1, 0.1)

    async def run(robot):
        await first(one(robot))
        robot.drive(-0.1, -0.1)
        await tick()

    commands, _, _ = steps(run)
    assert [c.left_m_s for c in commands] == [0.1, -0.1, 0.0]


def test_two_owners_in_one_tick_is_an_error_that_names_both():
    async def left(robot):
        while True:
            robot.drive(0.1, 0.1)
            await tick()

    async def right(robot):
        await tick()
        robot.drive(0.2, 0.2)

    async def run(robot):
        await together(left(robot), right(robot))

    with pytest.raises(OwnershipError, match=r"right.*left.*drive.*tick 1"):
        steps(run)


def test_a_parent_that_waits_has_let_go():
    async def child(robot):
        robot.drive(0.2, 0.2)
        await tick()

    async def run(robot):
        robot.drive(0.1, 0.1)
        await first(child(robot))

    assert steps(run)[0][0].left_m_s == 0.2


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_no_number_that_is_not_finite_leaves(value):
    async def run(robot):
        robot.drive(0.1, value)
        await tick()

    with pytest.raises(CommandError, match=r"scripted commands .* to the drive"):
        steps(run)


def test_a_gripper_angle_that_is_not_finite_is_refused():
    async def run(robot):
        robot.gripper(math.nan)

    with pytest.raises(CommandError, match="gripper"):
        steps(run)


def test_what_is_beyond_the_limits_is_cut_and_counted():
    async def run(robot):
        robot.drive(9.0, -9.0)
        robot.gripper(9.0)
        await tick()

    commands, _, mind = steps(run)
    assert commands[0] == Command(0.3, -0.3, math.radians(90), 0.0)
    assert mind.robot.clipped == 3


def test_the_gripper_holds_its_place_after_its_behaviour_ended():
    async def grip(robot):
        robot.gripper(0.5)
        await tick()

    async def run(robot):
        await first(grip(robot))
        await tick()
        await tick()

    assert [c.gripper_rad for c in steps(run)[0]] == [0.5, 0.5, 0.5, 0.5]


def test_a_decision_tells_who_decided_and_where():
    async def look(robot):
        await tick()
        robot.decide("marker", side="left", share=0.43)

    async def run(robot):
        await look(robot)

    _, log, _ = steps(run)
    (decision,) = log.decisions
    assert (decision.tick, decision.name, decision.behaviour) == (1, "marker", "look")
    assert decision.fields == {"side": "left", "share": 0.43}
    assert decision.place.startswith("tests/test_robot.py:")


def test_a_decision_with_a_number_that_is_none_is_said_in_words():
    async def run(robot):
        robot.decide("marker", share=math.nan)
        await tick()

    assert steps(run)[1].decisions[0].fields == {"share": "nan"}


def test_a_clean_up_cannot_move_a_robot_whose_mission_is_over():
    async def run(robot):
        try:
            robot.drive(0.1, 0.1)
            await tick()
        finally:
            robot.drive(0.3, 0.3)

    commands, _, _ = steps(run)
    assert commands[-1][:2] == (0.0, 0.0)
