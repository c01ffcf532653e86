"""Verdicts: what a replay comes to, and that it is never called better than what is known."""

import math

import pytest

from robotcore.kernel import tick
from robotcore.mission import Mission
from robotcore.replay import Tolerance, Verdict
from robotcore.replay.course_of_run import first_unlike
from tests.replay_kit import CROSSING, Settings, again, crossing, judged, rows, think


def mission(run, name="crossing") -> Mission:
    return Mission(name, run, Settings, "")


RUN = think(rows())


def test_the_kit_decides_as_it_says():
    assert [(d.tick, d.name) for d in RUN.log.decisions] == [(100, "stripe"), (200, "stripe"), (270, "strip")]
    assert (RUN.outcome, RUN.last_tick) == ("finished", 290)


def test_unchanged_code_is_the_same():
    judgement = judged(RUN)
    assert judgement.verdict == Verdict.SAME
    assert judgement.held
    assert len(judgement.replayed.commands) == 291


def test_a_zero_of_another_sign_is_not_the_same_but_equivalent():
    async def signed(robot, s):
        robot.drive(-0.0, 0.0)
        await tick()

    async def plain(robot, s):
        robot.drive(0.0, 0.0)
        await tick()

    run = think(rows(ticks=5), mission=mission(plain))
    judgement = judged(run, mission=mission(signed))
    assert judgement.verdict == Verdict.EQUIVALENT
    assert judgement.replayed.signs == 0


def test_commands_that_keep_the_robot_in_place_are_equivalent():
    judgement = judged(RUN, Settings(speed_m_s=0.1 + 1e-9))
    assert judgement.verdict == Verdict.EQUIVALENT
    assert not judgement.replayed.equal
    assert judgement.replayed.first == 0


def test_commands_that_lead_elsewhere_are_undecided_and_the_replay_stops_there():
    judgement = judged(RUN, Settings(speed_m_s=0.12))
    assert judgement.verdict == Verdict.UNDECIDED
    assert judgement.trusted_tick < 30
    assert not judgement.waiting
    assert judgement.replayed.ticks[-1] == judgement.trusted_tick
    assert "the robot" in judgement.why


def test_a_decision_that_differs_beyond_the_horizon_is_not_called_changed():
    judgement = judged(RUN, Settings(speed_m_s=0.12, colour="green"))
    assert judgement.verdict == Verdict.UNDECIDED
    assert judgement.difference is None


def test_a_decision_that_differs_inside_the_horizon_is_changed():
    judgement = judged(RUN, Settings(colour="green"))
    assert judgement.verdict == Verdict.CHANGED
    difference = judgement.difference
    assert (difference.tick, difference.recorded.fields, difference.replayed.fields) == (
        270, {"colour": "red"}, {"colour": "green"},
    )  # fmt: skip
    assert difference.replayed.behaviour == "crossing"
    assert difference.replayed.place.startswith("tests/replay_kit.py:")


def test_the_first_differing_decision_is_the_one_shown():
    judgement = judged(RUN, Settings(colour="green", dark=-1.0))
    assert (judgement.difference.recorded.name, judgement.difference.recorded.tick) == ("stripe", 100)


@pytest.mark.parametrize(("late_s", "verdict"), [(0.09, Verdict.EQUIVALENT), (0.2, Verdict.CHANGED)])
def test_a_decision_may_come_late_by_the_tolerance(late_s, verdict):
    """The tracks go on meanwhile, so the commands stay as they were."""
    assert judged(RUN, Settings(late_s=late_s)).verdict == verdict


def test_the_time_tolerance_is_an_option():
    assert judged(RUN, Settings(late_s=0.09), tolerance=Tolerance(time_s=0.05)).verdict == Verdict.CHANGED


def test_a_recorded_decision_that_does_not_come_is_changed_once_its_time_is_over():
    async def blind(robot, s):
        while min(robot.sample.floor_left.contrast, robot.sample.floor_right.contrast) > 0.5 or robot.sample.tick < 270:
            robot.drive(s.speed_m_s, s.speed_m_s)
            await tick()
        await crossing(robot, s)

    judgement = judged(RUN, mission=mission(blind))
    assert judgement.verdict == Verdict.CHANGED
    assert (judgement.difference.recorded.tick, judgement.difference.tick) == (100, 110)
    assert judgement.difference.time_s == pytest.approx(1.1)


def test_a_decision_that_was_due_just_before_the_horizon_is_undecided():
    """The tracks turn off so that trust ends after the stripe's time and before its tolerance is over."""

    async def turns_off(robot, s):
        while robot.sample.tick < 98:
            robot.drive(s.speed_m_s, s.speed_m_s)
            await tick()
        while True:
            robot.drive(s.speed_m_s, s.speed_m_s + 0.1)
            await tick()

    judgement = judged(RUN, mission=mission(turns_off))
    assert 100 < judgement.trusted_tick < 110
    assert judgement.verdict == Verdict.UNDECIDED
    assert judgement.waiting


def test_one_decision_more_is_changed():
    async def talks(robot, s):
        robot.decide("hello")
        await crossing(robot, s)

    judgement = judged(RUN, mission=mission(talks))
    assert judgement.verdict == Verdict.CHANGED
    assert judgement.difference.replayed.name == "hello"


def test_decisions_in_another_order_are_changed():
    def two(one, other):
        async def both(robot, s):
            robot.decide(one)
            robot.decide(other)
            await tick()

        return mission(both)

    assert judged(think(rows(ticks=9), mission=two("a", "b")), mission=two("b", "a")).verdict == Verdict.CHANGED


def says(**fields):
    async def say(robot, s):
        robot.decide("word", **fields)
        await tick()

    return mission(say)


@pytest.mark.parametrize(
    ("old", "new", "verdict"),
    [
        ({"share": 0.40}, {"share": 0.40 * (1 + 1e-10)}, Verdict.SAME),
        ({"share": 0.40}, {"share": 0.41}, Verdict.EQUIVALENT),
        ({"share": 0.40}, {"share": 0.43}, Verdict.CHANGED),
        ({"turn": 1e-5}, {"turn": -1e-5}, Verdict.EQUIVALENT),
        ({"votes": 40}, {"votes": 41}, Verdict.CHANGED),
        ({"votes": 1}, {"votes": True}, Verdict.CHANGED),
        ({"votes": 2}, {"votes": 2.0}, Verdict.SAME),
        ({"side": "left"}, {"side": "right"}, Verdict.CHANGED),
        ({"side": "left"}, {}, Verdict.CHANGED),
        ({}, {"side": "left"}, Verdict.CHANGED),
        ({"sure": True}, {"sure": False}, Verdict.CHANGED),
    ],
)
def test_fields_of_decisions(old, new, verdict):
    """Numbers with a fraction within 5 % or 0.001; whole numbers, texts and truth values equal."""
    assert judged(think(rows(ticks=9), mission=says(**old)), mission=says(**new)).verdict == verdict


def test_a_mission_that_ends_much_earlier_is_changed():
    async def gives_up(robot, s):
        while robot.sample.tick < 50:
            robot.drive(s.speed_m_s, s.speed_m_s)
            await tick()

    judgement = judged(RUN, mission=mission(gives_up))
    assert judgement.verdict == Verdict.CHANGED
    assert judgement.difference.replayed.name == "mission ended"


def ends_after(ticks):
    async def waits(robot, s):
        while robot.sample.tick < ticks:
            await tick()

    return mission(waits)


@pytest.mark.parametrize(
    ("old", "new", "verdict"),
    [
        (50, 50, Verdict.SAME),
        (50, 45, Verdict.EQUIVALENT),
        (50, 20, Verdict.CHANGED),
        (50, 51, Verdict.CHANGED),
        (50, 500, Verdict.CHANGED),
    ],
)
def test_the_mission_ends_within_the_tolerance_or_is_changed(old, new, verdict):
    """What has not ended by the recording's end has not ended: there is no later sample to wait for."""
    run = think(rows(ticks=100, strip=None, stripes=()), mission=ends_after(old))
    assert judged(run, mission=ends_after(new)).verdict == verdict


@pytest.mark.parametrize(
    "outcome", [None, "stopped: stop button", "stopped: time limit", "stopped: interrupted by SIGINT"]
)
def test_a_recording_that_ends_in_mid_run_is_judged_up_to_there(outcome):
    run = think(rows(), cut=230)
    run.outcome = outcome
    judgement = judged(run)
    assert judgement.verdict == Verdict.SAME
    assert "ends in mid-run" in judgement.expected.ending
    assert judged(run, Settings(dark=-1.0)).verdict == Verdict.CHANGED


def test_what_is_due_after_a_cut_recordings_end_is_not_held_against_it():
    run = think(rows(), cut=206)
    run.outcome = None
    judgement = judged(run, Settings(late_s=0.09))
    assert judgement.verdict == Verdict.UNDECIDED
    assert judgement.waiting


@pytest.mark.parametrize(
    ("at", "verdict"), [(219, Verdict.CHANGED), (220, Verdict.UNDECIDED), (229, Verdict.UNDECIDED)]
)
def test_one_decision_more_counts_unless_the_cut_off_run_may_have_been_about_to_make_it(at, verdict):
    """The recording's last tick is 229; with 10 ticks of tolerance what was decided up to 219 would be in it."""

    async def extra(robot, s):
        while True:
            if robot.sample.tick == at:
                robot.decide("more")
            robot.drive(s.speed_m_s, s.speed_m_s)
            await tick()

    async def plain(robot, s):
        while True:
            robot.drive(s.speed_m_s, s.speed_m_s)
            await tick()

    run = think(rows(), mission=mission(plain), cut=230)
    assert judged(run, mission=mission(extra)).verdict == verdict


def test_a_mission_that_ends_early_stands_while_the_recorded_one_drove_on():
    """0.3 m/s for 8 ticks are 24 mm: inside the time tolerance, and beyond trust."""

    def drives_for(ticks):
        async def drives(robot, s):
            while robot.sample.tick < ticks:
                robot.drive(0.3, 0.3)
                await tick()

        return mission(drives)

    judgement = judged(think(rows(), mission=drives_for(50)), mission=drives_for(42))
    assert judgement.verdict == Verdict.UNDECIDED
    assert 42 <= judgement.trusted_tick < 45
    assert judgement.replayed.commands[-1][:2] == (0.0, 0.0)


def test_the_first_command_that_differs_may_come_after_the_missions_end():
    def stands_and_nudges(stands, nudges):
        async def run(robot, s):
            while robot.sample.tick < stands + nudges:
                robot.drive(0.05 if robot.sample.tick >= stands else 0.0, 0.0)
                await tick()

        return mission(run)

    judgement = judged(think(rows(), mission=stands_and_nudges(50, 3)), mission=stands_and_nudges(48, 0))
    assert judgement.verdict == Verdict.EQUIVALENT
    assert judgement.replayed.first == 50


class BrokenError(Exception):
    """Raised on purpose."""


def breaks_at(number, text="on purpose"):
    async def breaks(robot, s):
        while robot.sample.tick < number:
            robot.drive(s.speed_m_s, s.speed_m_s)
            await tick()
        raise BrokenError(text)

    return mission(breaks)


def test_the_same_error_in_the_same_tick_is_the_same():
    run = think(rows(), mission=breaks_at(40))
    assert run.error == "BrokenError: on purpose"
    assert judged(run, mission=breaks_at(40)).verdict == Verdict.SAME


def test_an_errors_place_in_memory_does_not_count():
    def at(text):
        return breaks_at(40, f"<Eye object at {text}>")

    run = think(rows(), mission=at("0x7f01"))
    assert judged(run, mission=at("0x9a02")).verdict == Verdict.SAME
    run.error = "BrokenError: " + "x" * (4095 - len("BrokenError: ")) + "…"
    assert judged(run, mission=breaks_at(40, "x" * 5000)).verdict == Verdict.SAME


@pytest.mark.parametrize("changed", [breaks_at(41), breaks_at(39), breaks_at(40, "otherwise"), CROSSING])
def test_another_error_or_none_is_changed(changed):
    assert judged(think(rows(), mission=breaks_at(40)), mission=changed).verdict == Verdict.CHANGED


@pytest.mark.parametrize("number", [0, 100, 285, 290])
def test_an_error_in_a_run_without_one_is_changed_and_named(number):
    def slips(at):
        async def slip(robot, s):
            robot.decide("start")
            while robot.sample.tick < at:
                await tick()
            raise BrokenError("here")

        return mission(slip)

    async def calm(robot, s):
        robot.decide("start")
        while robot.sample.tick < 290:
            await tick()

    difference = judged(think(rows(), mission=mission(calm)), mission=slips(number)).difference
    assert (difference.replayed.name, difference.replayed.fields["text"]) == ("error", "BrokenError: here")
    assert difference.replayed.place.startswith("tests/test_verdict.py:")
    assert difference.replayed.behaviour == "slip"


def test_an_error_at_the_end_of_a_cut_recording_is_changed():
    run = think(rows(), cut=40)
    assert judged(run, mission=breaks_at(39)).verdict == Verdict.CHANGED


def test_a_gripper_that_parts_ends_trust_at_once():
    judgement = judged(RUN, Settings(gripper_rad=math.radians(10)))
    assert judgement.verdict == Verdict.UNDECIDED
    assert judgement.trusted_tick == 0
    assert "gripper" in judgement.why
    assert judged(RUN, Settings(gripper_rad=math.radians(2))).verdict == Verdict.EQUIVALENT


def test_two_replays_are_alike_or_the_first_tick_that_differs_is_named():
    one = again(RUN)
    assert first_unlike(one, again(RUN)) is None
    assert first_unlike(one, again(RUN, Settings(colour="blue"))) == 270
    assert first_unlike(one, again(RUN, Settings(late_s=0.03))) == 100
    assert first_unlike(one, again(RUN, Settings(speed_m_s=0.1 + 1e-12))) == 0
    shorter = one._replace(ticks=one.ticks[:-1], commands=one.commands[:-1])
    assert first_unlike(one, shorter) == 290
    fewer = one._replace(decisions=one.decisions[:2])
    assert first_unlike(one, fewer) == first_unlike(fewer, one) == 270


def test_skipped_ticks_are_driven_for_as_long_as_they_lasted():
    """A command lasts to the next recorded tick: half the ticks, the same horizon in time."""
    other = Settings(left_extra_m_s=0.01)
    whole, half = think(rows(ticks=200, strip=None)), think(rows(ticks=200, strip=None))
    half.rows = half.rows[::2]
    one, two = again(whole, other).horizon, again(half, other).horizon
    assert abs(one.tick - two.tick) <= 2
