"""The judge: what counts as having done the course, and what does not."""

import math

import pytest
from fake_kit import course_of, fake, kit_rig

from drivers.fake.course.catalogue import load_course
from drivers.fake.course.shapes import Solid
from drivers.fake.judge import Judge
from drivers.fake.sections import Sections

STRAIGHT = '{ straight_mm = 1500 }, { strip = "red" }, { straight_mm = 100 }'
AHEAD_M = 0.07


class Ghost:
    """Moves a pose as told, without any physics, and shows it to a judge."""

    def __init__(self, course):
        self.judge = Judge(course, kit_rig())
        self.tick = 0
        self.pose = (0.0, 0.0, 0.0)

    def middle(self, x, y, heading):
        """Put the middle of the floor sensors there."""
        self.pose = x - AHEAD_M * math.cos(heading), y - AHEAD_M * math.sin(heading), heading
        self.judge.note((self.tick, *self.pose))
        self.tick += 1

    def along(self, low, high, left=0.0, step=0.002):
        route = self.judge.course.route
        count = max(1, round(abs(high - low) / step))
        for i in range(count + 1):
            x, y, heading = route.at(low + (high - low) * i / count)
            self.turn_to(heading, x, y)
            self.middle(x - left * math.sin(heading), y + left * math.cos(heading), heading)
        return self

    def turn_to(self, heading, x, y):
        turn = math.remainder(heading - self.pose[2], math.tau)
        if abs(turn) > 0.5 and self.tick:
            for i in range(1, 20):
                self.middle(x, y, heading - turn * (1.0 - i / 20))

    def rest(self, ticks=30):
        for _ in range(ticks):
            self.judge.note((self.tick, *self.pose))
            self.tick += 1
        return self.judge.verdict()


@pytest.mark.parametrize("name", ["quay", "slipway", "breakwater", "shoals", "storm"])
def test_a_ghost_on_the_route_does_every_course(name):
    course = load_course(name)
    verdict = Ghost(course).along(0.0, course.route.length_m).rest()
    assert verdict.reasons == ()
    assert verdict.success
    assert verdict.progress_m == pytest.approx(course.route.length_m, abs=0.01)
    assert max(verdict.rms_mm.values()) < 3.0  # a corner's two sides


@pytest.mark.parametrize("name", ["quay", "slipway", "breakwater", "shoals", "storm"])
def test_stopping_short_does_not(name):
    course = load_course(name)
    verdict = Ghost(course).along(0.0, 0.6 * course.route.length_m).rest()
    assert not verdict.success
    assert verdict.progress_m == pytest.approx(0.6 * course.route.length_m, abs=0.15)
    assert any("along the route" in reason for reason in verdict.reasons)
    assert any("finish" in reason for reason in verdict.reasons)


def test_a_shortcut_to_the_finish_does_not_count():
    course = load_course("quay")
    ghost = Ghost(course).along(0.0, 0.5)
    x, y, heading = course.route.at(course.route.length_m)
    start = ghost.pose[:2]
    for i in range(400):
        ghost.middle(start[0] + (x - start[0]) * i / 400, start[1] + (y - start[1]) * i / 400, heading)
    ghost.along(course.route.length_m - 0.01, course.route.length_m)
    verdict = ghost.rest()
    assert not verdict.success
    assert verdict.progress_m < 0.5 * course.route.length_m


def test_the_wrong_way_round_gains_nothing():
    course = load_course("quay")
    verdict = Ghost(course).along(course.route.length_m, 0.0).rest()
    assert verdict.progress_m < 1.0


def test_backing_up_costs_nothing():
    course = course_of(STRAIGHT)
    ghost = Ghost(course).along(0.0, 0.8)
    for i in range(100):
        x, y, heading = course.route.at(0.8 - 0.001 * i)
        ghost.middle(x, y, heading)
    verdict = ghost.along(0.7, course.route.length_m).rest()
    assert verdict.success


def test_rolling_over_the_finish_is_not_standing_at_it():
    course = course_of(STRAIGHT)
    length = course.route.length_m
    ghost = Ghost(course).along(0.0, length)
    assert ghost.judge.verdict().reasons == ("does not stand at the finish",)
    assert ghost.rest().success
    far = Ghost(course).along(0.0, length)
    x, y, heading = course.route.at(length)
    for i in range(200):
        far.middle(x + 0.001 * i, y, heading)
    assert far.rest().reasons == ("does not stand at the finish",)


def test_time_and_finish_are_told():
    course = course_of(STRAIGHT)
    ghost = Ghost(course).along(0.0, course.route.length_m)
    ticks = ghost.tick
    verdict = ghost.rest(50)
    assert verdict.time_s == pytest.approx((ticks + 49) * 0.01)
    assert verdict.finish_s == pytest.approx(ticks * 0.01, abs=0.03)


def test_the_lateral_error_is_that_of_the_sensors_middle():
    course = course_of(STRAIGHT)
    ghost = Ghost(course)
    length = course.route.length_m
    for i in range(1000):
        s = i / 1000 * length
        x, y, heading = course.route.at(s)
        ghost.middle(x, y + 0.005 * math.sin(math.tau * s / 0.1), heading)
    verdict = ghost.rest()
    assert verdict.rms_mm["straight"] == pytest.approx(5.0 / math.sqrt(2.0), rel=0.05)


def test_turning_round_is_not_a_tracking_error():
    course = course_of(STRAIGHT)
    ghost = Ghost(course).along(0.0, 0.7)
    x, y, _ = ghost.pose
    for i in range(200):
        heading = math.tau * i / 200
        ghost.judge.note((ghost.tick, x, y, heading))  # about its axle: the sensors swing 70 mm around
        ghost.tick += 1
    verdict = ghost.along(0.7, course.route.length_m).rest()
    assert verdict.success
    assert verdict.rms_mm["straight"] < 20.0  # a third of the turn still looks along the route


def test_curves_are_told_apart_by_their_radius():
    course = course_of(
        "{ straight_mm = 300 }, { arc_deg = 90, radius_mm = 150 }, { straight_mm = 300 }, "
        '{ arc_deg = -90, radius_mm = 250 }, { straight_mm = 400 }, { strip = "red" }, { straight_mm = 50 }',
        "[3000, 2000]",
    )
    verdict = Ghost(course).along(0.0, course.route.length_m, left=0.003).rest()
    assert {"straight", "curve 150", "curve 250"} <= set(verdict.rms_mm)
    assert set(verdict.rms_mm) <= {"straight", "curve 150", "curve 250", "other"}
    assert verdict.rms_mm["curve 150"] == pytest.approx(3.0, abs=0.1)
    sections = Sections(course.route)
    arc = math.pi / 2 * 0.15
    assert sections.kind(0.25 + arc / 2) == "curve 150"
    assert sections.kind(0.15) == "straight"
    assert sections.kind(0.25) == "other"  # where straight and curve meet


OBSTACLE = (
    '{ straight_mm = 700 }, { obstacle = { shape = "box", size_mm = [80, 100] } }, { straight_mm = 900 }, '
    '{ strip = "red" }, { straight_mm = 50 }'
)


def detour(ghost, out, back, aside):
    x0, y0, heading = ghost.judge.course.route.at(out)
    x1, _, _ = ghost.judge.course.route.at(back)
    for x_to, y_to in ((x0, y0 + aside), (x1, y0 + aside), (x1, y0)):
        x, y = ghost.pose[0] + AHEAD_M, ghost.pose[1]
        count = max(1, round(math.hypot(x_to - x, y_to - y) / 0.002))
        for i in range(1, count + 1):
            ghost.middle(x + (x_to - x) * i / count, y + (y_to - y) * i / count, heading)
    return ghost


def test_a_detour_around_an_obstacle_is_allowed():
    course = course_of(OBSTACLE)
    spot = course.route.spot("obstacle")
    ghost = detour(Ghost(course).along(0.0, spot.s_m - 0.15), spot.s_m - 0.15, spot.end_m + 0.3, 0.3)
    verdict = ghost.along(spot.end_m + 0.3, course.route.length_m).rest()
    assert verdict.success
    assert verdict.left_course_s is None


def test_the_same_detour_with_no_obstacle_is_not():
    course = course_of(STRAIGHT)
    ghost = detour(Ghost(course).along(0.0, 0.5), 0.5, 1.0, 0.45)
    verdict = ghost.along(1.0, course.route.length_m).rest()
    assert not verdict.success
    assert verdict.left_course_s is not None


def test_leaving_the_board_is_leaving_the_course():
    course = course_of(STRAIGHT)
    ghost = Ghost(course).along(0.0, 0.1)
    for i in range(600):
        ghost.middle(0.4, 0.45 - 0.001 * i, -math.pi / 2)
    verdict = ghost.rest()
    assert any(reason.startswith("left the course at") for reason in verdict.reasons)


def test_touches_are_counted_and_do_not_fail_the_run():
    course = course_of(STRAIGHT)
    ghost = Ghost(course).along(0.0, course.route.length_m)
    ghost.judge.touch(3.25, Solid("circle", 0, 0, 0.1, (), 0.2, (0, 0, 0), "obstacle[1]"))
    verdict = ghost.rest()
    assert verdict.success
    assert [(touch.time_s, touch.source) for touch in verdict.touches] == [(3.25, "obstacle[1]")]
    assert "touched obstacle[1] at 3.25 s" in verdict.lines()


def test_a_verdict_reads_as_a_few_lines():
    course = course_of(STRAIGHT)
    done = Ghost(course).along(0.0, course.route.length_m).rest().lines()
    assert done[0].startswith("the course was done (1.4")
    not_done = Ghost(course).along(0.0, 0.5).rest().lines()
    assert not_done[0].startswith("the course was not done: came 0.50 of 1.4")


def test_no_tick_no_verdict():
    verdict = Judge(course_of(STRAIGHT), kit_rig()).verdict()
    assert (verdict.success, verdict.progress_m, verdict.time_s) == (False, 0.0, 0.0)


def test_a_backend_shows_its_judge_every_tick():
    robot = fake("fake:quay?perturb=0")
    from robotcore.command import Command

    for tick in range(100):
        robot.sense(tick)
        robot.act(Command(0.1, 0.1, 0.0, 0.0))
    assert robot.judge.verdict().progress_m == pytest.approx(robot.truth()[0] - 0.3 + AHEAD_M, abs=0.003)
    assert fake("fake:pad").judge is None
