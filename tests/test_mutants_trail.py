"""The line's way, arms and gaps at their edges: what the rest of the tests would let pass.

`tests/benchmarks/mutants.py` holds these tests against seeded defects.
"""

import math

import pytest

from behaviours.follow import follow_line, is_sudden
from behaviours.junction import pass_arm
from behaviours.lost import carry_on
from behaviours.motion import ray_turn, turn_by
from behaviours.trail import Point, Ray, Trail
from tests.ideal_robot import AHEAD, DT, FLOOR, RED_PAINT, TAPE, WIDTH, Ideal, S, at, colour, line_of, looked, stripe


def test_an_eye_that_was_half_on_the_line_for_long_meets_no_arm():
    line, _ = looked(FLOOR, FLOOR, at(0.100))
    for step in range(1, 11):
        looked(colour(0.43), FLOOR, at(0.100 + 0.002 * step), line=line)
    looked(colour(0.19), FLOOR, at(0.122), line=line)
    assert not is_sudden(line.left, line, S)


def test_red_paint_is_not_black():
    line, _ = looked(RED_PAINT, FLOOR, at(0.1))
    assert line.left.black_m == -1.0
    looked(TAPE, FLOOR, at(0.2), line=line)
    assert line.left.black_m == 0.2


def first_turn(fresh):
    """Return the first turn asked for by a controller that has learnt a bend, on another line or not."""
    robot = Ideal(stripe())
    line = line_of(robot)
    line.fresh = fresh
    for _ in range(100):
        line.pid.update(0.3, DT)
    robot.run(follow_line(robot, line, S), 0.03)
    left, right = robot.driven[1]
    return (right - left) / WIDTH


def test_the_controller_remembers_the_bend_over_a_blank_but_not_another_line():
    assert first_turn(fresh=False) > first_turn(fresh=True) + 0.3 or first_turn(False) < first_turn(True) - 0.3


def test_a_shade_that_is_too_long_is_no_arm():
    robot = Ideal(lambda x, y: TAPE if y > 0.009 and 0.06 < x < 0.3 else stripe()(x, y))
    line = line_of(robot)
    assert robot.run(pass_arm(robot, line, 1, S)) is True
    assert robot.said == []
    assert robot.travel < S.arm.longest_m + 0.005


def test_on_a_ray_but_off_its_heading_the_robot_turns_back():
    robot = Ideal()
    line = line_of(robot)
    line.heading_rad = 0.1
    x, y = line.middle()
    ray = Ray(x, y, 1.0, 0.0)
    assert ray_turn(line, ray, 0.0, 0.1) == pytest.approx(-0.1 * math.sin(0.1) / AHEAD)
    assert ray_turn(line, ray, 0.0, 0.1, 0.01) == pytest.approx((0.01 - 0.1 * math.sin(0.1)) / AHEAD)


def test_an_arm_that_was_met_on_its_corner_is_left_far_enough_behind():
    """Three millimetres of it under the eye: the line's width and some more lie behind the robot all the same."""
    robot = Ideal(lambda x, y: TAPE if y > 0.009 and 0.06 < x < 0.073 else stripe()(x, y))
    line = line_of(robot)
    assert robot.run(pass_arm(robot, line, 1, S)) is True
    assert [name for name, _ in robot.said] == ["crossing"]
    assert robot.travel > line.width_m + S.arm.over_m - 0.001


def test_what_was_seen_just_before_an_arm_does_not_bend_the_ray():
    """The way of 90 mm runs east; only its last two points are pulled aside by the arm under the eye."""
    robot = Ideal(lambda x, y: TAPE if y > 0.009 and 0.06 < x < 0.08 else stripe()(x, y))
    line = line_of(robot)
    for step in range(18):
        aside = 0.004 if step > 15 else 0.0
        line.trail._points.append(Point(-0.085 + 0.005 * step, AHEAD - 0.085 + 0.005 * step, aside))
    robot.run(pass_arm(robot, line, 1, S), 0.3)
    assert abs(robot.heading) < 0.01


def test_a_glance_that_found_nothing_is_remembered():
    robot = Ideal()
    line = line_of(robot)
    line.contact_m = line.strong_m = 0.0
    line.travel_m = 0.02
    assert line.slipped(S.gap.slipped_m)
    robot.run(carry_on(robot, line, S), 8.0)
    assert line.glanced_m > -1.0


def test_the_weave_over_a_gap_is_as_wide_as_stated():
    robot = Ideal()
    line = line_of(robot)
    line.strong_m = -1.0
    beside = []
    robot.run(carry_on(robot, line, S), 5.0, each=lambda _: beside.append(abs(line.middle()[1])))
    assert 0.9 * S.gap.weave_m < max(beside) < 1.1 * S.gap.weave_m


def test_a_turn_on_the_spot_leaves_its_mark():
    robot = Ideal()
    line = line_of(robot)
    robot.run(turn_by(robot, line, 0.5, S.turn))
    assert line.swung_m > line.travel_m


@pytest.mark.parametrize("points", [9, 10, 11])
def test_the_ray_does_not_go_far_into_the_bend(points):
    """A bend of 150 mm radius, then so many points of 5 mm to the east."""
    trail = Trail(0.0)
    bend = [(-0.15 * math.sin(s / 0.15), 0.15 * (1.0 - math.cos(s / 0.15))) for s in (0.005 * i for i in range(23))]
    for x, y in reversed(bend):
        trail._points.append(Point(x, x, y))
    for i in range(1, points + 1):
        trail._points.append(Point(0.005 * i, 0.005 * i, 0.0))
    assert abs(trail.ray(0.045, 1.0, 0.5).heading_rad) < math.radians(2.5)


def test_round_a_corner_the_corner_is_remembered():
    """Behind a corner at x = 100 mm the line goes north; the trail begins where it turned."""
    robot = Ideal(lambda x, y: TAPE if abs(x - 0.1) < 0.0075 and y > 0.0 else stripe(until=0.1)(x, y))
    robot.x = -0.15
    line = line_of(robot)
    robot.run(follow_line(robot, line, S), 5.0)
    assert robot.run(pass_arm(robot, line, 1, S), 10.0) is True
    assert robot.said[-1][0] == "corner"
    first = line.trail._points[0]
    assert math.hypot(first.x_m - 0.25, first.y_m) < 0.006


def test_what_was_seen_counts_more_than_what_was_not():
    trail = Trail(0.0)
    for i in range(1, 25):
        aside = 0.0 if i % 2 else 0.0003 * i
        trail._points.append(Point(0.005 * i, 0.005 * i, aside, sure=bool(i % 2)))
    assert trail.ray(0.045, 1.0, 0.5).heading_rad == pytest.approx(0.0, abs=1e-9)


def test_a_corner_alone_gives_the_direction_to_the_eyes():
    trail = Trail(AHEAD)
    trail.note(0.0, 0.0)
    trail.x_m, trail.y_m = 0.02, 0.0
    eyes = 0.02 + AHEAD * math.cos(0.3), AHEAD * math.sin(0.3)
    assert trail.ray(0.045, 1.0, 0.3).heading_rad == pytest.approx(math.atan2(eyes[1], eyes[0]))
