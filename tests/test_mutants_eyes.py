"""What the eyes make of readings, and how the line is followed, on made-up readings and an ideal robot.

`tests/benchmarks/mutants.py` holds these tests against seeded defects.
"""

import math
from itertools import pairwise

import pytest

from behaviours.eyes import Line, make_pid
from behaviours.follow import BLANK, BLIND, follow_line, is_coloured, is_sudden
from robotcore import readings as r
from tests.ideal_robot import (
    AHEAD,
    DT,
    FLOOR,
    GONE,
    GREEN_PAINT,
    RED_PAINT,
    SIDE,
    TAPE,
    WIDTH,
    Ideal,
    S,
    at,
    colour,
    line_of,
    looked,
    stripe,
)

# -- eyes


def test_darkness_is_by_contrast_and_by_each_eyes_own_white():
    line = Line(Ideal(), S)
    line.learn(1.0, 0.8, 0.015)
    looked(colour(0.525), colour(0.81), line=line)
    assert (line.left.dark, line.right.dark) == (pytest.approx(0.5), pytest.approx(0.0, abs=1e-9))
    looked(FLOOR, colour(0.43), line=line)
    assert (line.left.dark, line.right.dark) == (pytest.approx(0.0, abs=1e-9), pytest.approx(0.5))
    line.learn(0.9, 0.8, 0.012)
    assert (line.left.white, line.right.white, line.width_m) == (0.9, 0.8, 0.012)


def test_a_missing_reading_leaves_the_last_and_is_counted():
    line, _ = looked(TAPE, FLOOR)
    looked(GONE, FLOOR, line=line, times=3)
    assert (line.left.misses, line.right.misses) == (3, 0)
    assert line.left.dark == pytest.approx(1.0)
    looked(FLOOR, GONE, line=line)
    assert (line.left.misses, line.right.misses) == (0, 1)
    assert line.left.dark == pytest.approx(0.0, abs=0.01)


@pytest.mark.parametrize("status", [r.MISSING, r.STALE])
def test_an_old_reading_is_not_used(status):
    line, _ = looked(FLOOR, FLOOR)
    looked(TAPE._replace(status=status, valid=False), TAPE._replace(status=status, valid=False), line=line)
    assert line.left.dark == pytest.approx(0.0, abs=0.01)
    assert line.right.dark == pytest.approx(0.0, abs=0.01)
    assert line.left.misses == line.right.misses == 1


def test_a_saturated_reading_is_bright_floor():
    line, _ = looked(TAPE, TAPE)
    looked(colour(1.1, status=r.SATURATED), FLOOR, line=line)
    assert line.left.misses == 0
    assert line.left.dark < 0.05


@pytest.mark.parametrize("role", ["left", "right", "drive"])
def test_patience_ends_after_the_stated_time(role):
    gone = {"left": {"left": GONE}, "right": {"right": GONE}, "drive": {"drive": at(0.0, status=r.STALE)}}[role]
    line, _ = looked()
    assert looked(**gone, line=line, times=25)[1]
    assert not looked(**gone, line=line)[1]
    assert looked(line=line)[1]


def test_encoders_are_followed_and_stale_ones_are_not():
    line, _ = looked(drive=at(0.5, 0.2))
    assert (line.travel_m, line.heading_rad) == (0.5, 0.2)
    looked(drive=at(0.9, 0.9, r.STALE), line=line)
    assert (line.travel_m, line.heading_rad, line.misses) == (0.5, 0.2, 1)


def test_contact_and_side():
    line, _ = looked(TAPE, FLOOR, at(0.1))
    assert (line.contact_m, line.side, line.strong_m) == (0.1, 1, 0.1)
    looked(FLOOR, TAPE, at(0.2), line=line)
    assert (line.contact_m, line.side) == (0.2, -1)
    looked(FLOOR, FLOOR, at(0.3), line=line)
    assert (line.contact_m, line.side) == (0.2, -1)
    looked(colour(0.85), FLOOR, at(0.4), line=line)
    assert (line.contact_m, line.strong_m) == (0.4, 0.2)


def test_touched_is_either_eye():
    assert looked(TAPE, FLOOR)[0].touched
    assert looked(FLOOR, TAPE)[0].touched
    assert not looked(FLOOR, FLOOR)[0].touched
    assert not looked(colour(0.87), FLOOR)[0].touched


def test_eyes_by_side_and_their_place():
    line = Line(Ideal(), S)
    assert line.eye(1) is line.left
    assert line.eye(-1) is line.right
    assert (line.ahead_m, line.side_m) == (pytest.approx(AHEAD), pytest.approx(SIDE))


def test_floor_and_black_are_remembered_by_place():
    line, _ = looked(FLOOR, TAPE, at(0.1, 0.3))
    assert (line.left.bright_m, line.left.bright_rad, line.right.black_m) == (0.1, 0.3, 0.1)
    looked(GREEN_PAINT, FLOOR, at(0.2, 0.4), line=line)
    assert (line.left.bright_m, line.left.black_m) == (0.1, -1.0), "paint is neither floor nor black"
    assert (line.right.bright_m, line.right.bright_rad) == (0.2, 0.4)


@pytest.mark.parametrize("side", [1, -1])
def test_a_markers_edge_beside_the_line_is_not_black(side):
    """A twentieth of white in a black spot, and that green: the eye has half a marker's edge, and no arm."""
    edge, black = colour(0.07, 0.11, 0.08), colour(0.06, 0.07, 0.06)
    line, _ = looked(*((edge, FLOOR) if side > 0 else (FLOOR, edge)), at(0.1))
    assert line.eye(side).black_m == -1.0
    looked(*((black, FLOOR) if side > 0 else (FLOOR, black)), at(0.2), line=line)
    assert line.eye(side).black_m == 0.2


def test_an_eye_at_full_scale_sees_floor_and_learns_nothing():
    line, _ = looked()
    before = line.left.white
    looked(colour(2.5, status=r.SATURATED), FLOOR, line=line, times=40)
    assert (line.left.dark, line.left.misses) == (0.0, 0)
    assert line.left.white == pytest.approx(before)


@pytest.mark.parametrize("width_m", [0.010, 0.015, 0.020])
@pytest.mark.parametrize("left_m", [-0.005, -0.004, 0.004, 0.005])
def test_where_the_line_is_between_the_eyes(width_m, left_m):
    """The eyes stand 12 mm off the middle and see 8 mm: what they have of a line of known width says where it is."""
    robot = Ideal(stripe(y=left_m, width=width_m))
    line = line_of(robot)
    line.width_m, line.left.bright_m, line.right.bright_m = width_m, -1.0, -1.0
    line.look(robot.sense())
    off_m, sure = line._offset()
    assert sure
    assert off_m == pytest.approx(left_m, abs=0.0005)


def test_what_is_suddenly_dark_says_nothing_of_the_line():
    line, _ = looked(FLOOR, FLOOR, at(0.100))
    looked(colour(0.2), FLOOR, at(0.104), line=line)
    assert line._offset() == (None, False), "across an edge: an arm"
    for travel in (0.110, 0.116, 0.122):
        looked(colour(0.2), FLOOR, at(travel), line=line)
    assert line._offset()[1], "along an edge: the line"
    looked(GREEN_PAINT, FLOOR, at(0.130), line=line)
    assert line._offset() == (None, False)
    looked(FLOOR, FLOOR, at(0.140), line=line)
    assert line._offset() == (0.0, False)


def test_a_brighter_place_is_learnt_at_once_and_a_darker_one_slowly():
    line, _ = looked()
    looked(colour(1.1), colour(1.1), times=60, line=line)
    assert abs(line.left.dark) < 0.03
    assert abs(line.right.dark) < 0.03
    line, _ = looked()
    looked(colour(0.9), colour(0.9), times=60, line=line)
    assert 0.05 < line.left.dark < 0.1
    looked(colour(0.9), colour(0.9), times=1500, line=line)
    assert line.left.dark < 0.03


def test_light_is_not_learnt_from_the_line():
    line, _ = looked()
    looked(TAPE, FLOOR, times=300, line=line)
    assert line.left.dark > 0.95
    looked(TAPE, TAPE, at(0.0), times=300, line=line)
    assert line.left.dark > 0.95


def test_a_lifted_nose_is_undone_under_both_eyes_and_noted():
    """Both eyes lose the same share of their light: what is left of the difference is the line."""
    line, _ = looked(drive=at(0.1))
    looked(colour(0.5), colour(0.5), at(0.110), line=line)
    looked(colour(0.5), colour(0.5), at(0.120), line=line)
    assert abs(line.left.dark) < 0.1
    assert abs(line.right.dark) < 0.1
    assert line.rough_m == pytest.approx(0.120)
    looked(colour(0.5), colour(0.3), at(0.130), line=line)
    assert 0.2 < line.right.dark < 0.6


def test_both_eyes_on_an_arm_are_no_lifted_nose():
    line, _ = looked(drive=at(0.1))
    for travel in (0.102, 0.106, 0.110, 0.115):
        looked(TAPE, TAPE, at(travel), line=line)
    assert line.rough_m < 0.0
    assert line.left.dark > 0.9


def test_an_eye_nearer_to_the_floor_is_a_rough_floor():
    line, _ = looked(drive=at(0.1))
    looked(colour(1.35), FLOOR, at(0.2), line=line)
    assert line.rough_m == pytest.approx(0.2)
    looked(FLOOR, FLOOR, at(0.3), line=line)
    assert line.rough_m == pytest.approx(0.2)


def test_forgetting_starts_a_new_line():
    line, _ = looked(TAPE, FLOOR, at(0.2))
    line.fresh, line.bend_rad_s = False, 1.0
    for travel in (0.3, 0.31, 0.32, 0.33):
        looked(colour(0.7), FLOOR, at(travel), line=line)
    assert line.trail._points
    line.forget()
    assert line.fresh
    assert (line.contact_m, line.bend_rad_s) == (0.33, 0.0)
    assert not line.trail._points


# -- the controller, and following


def test_the_controller_has_the_settings_gains_limits_and_anti_windup():
    pid, f = make_pid(S), S.follow
    first = pid.update(0.1, DT)
    assert first == pytest.approx(f.kp_rad_s * 0.1 + f.ki_rad_s2 * 0.1 * DT)
    kicked = pid.update(0.2, DT) - f.kp_rad_s * 0.2 - f.ki_rad_s2 * 0.3 * DT
    assert kicked == pytest.approx(f.kd_rad * 0.1 / (f.filter_s + DT))
    for _ in range(300):
        assert -f.turn_limit_rad_s <= pid.update(1.0, DT) <= f.turn_limit_rad_s
    assert pid.update(1.0, DT) == f.turn_limit_rad_s
    for _ in range(30):
        last = pid.update(0.0, DT)
    assert last < 0.8 * f.turn_limit_rad_s, "the integral was held back while the output was at its limit"
    for _ in range(300):
        pid.update(-1.0, DT)
    assert pid.update(-1.0, DT) == -f.turn_limit_rad_s


@pytest.mark.parametrize("side", [1, -1])
def test_following_turns_with_the_line(side):
    robot = Ideal(stripe(x=AHEAD, heading=side * 0.12, width=0.02))
    robot.run(follow_line(robot, line_of(robot), S), 3.0)
    assert robot.heading == pytest.approx(side * 0.12, abs=0.03)
    assert robot.y == pytest.approx(math.tan(side * 0.12) * (robot.x - AHEAD), abs=0.004)


def test_following_a_straight_line_reaches_cruise_and_no_more():
    robot = Ideal(stripe(width=0.02))
    robot.run(follow_line(robot, line_of(robot), S), 3.0)
    left, right = robot.driven[-1]
    assert (left + right) / 2 == pytest.approx(S.follow.cruise_m_s, abs=0.003)
    rises = [sum(b) / 2 - sum(a) / 2 for a, b in pairwise(robot.driven[1:])]
    assert max(rises) <= S.follow.rise_m_s2 * DT + 1e-9


def test_following_keeps_to_the_cap():
    robot = Ideal(stripe())
    line = line_of(robot)
    line.cap_m_s = 0.08
    robot.run(follow_line(robot, line, S), 2.0)
    assert sum(robot.driven[-1]) / 2 == pytest.approx(0.08)


def test_following_slows_down_for_an_error_but_never_stands():
    robot = Ideal(lambda x, y: FLOOR)
    line = line_of(robot)
    robot.over = {"floor_left": colour(0.30)}  # a line that stays under one eye, neither paint nor arm
    robot.run(follow_line(robot, line, S), 1.0)
    speed = sum(robot.driven[-1]) / 2
    assert S.follow.slowest_m_s - 1e-9 <= speed < 0.5 * S.follow.cruise_m_s
    assert robot.heading > 0.5


def test_following_ends_in_a_blank_after_the_stated_way():
    robot = Ideal(stripe(until=0.3))
    line = line_of(robot)
    assert robot.run(follow_line(robot, line, S)) == BLANK
    assert line.travel_m - line.contact_m == pytest.approx(S.follow.blank_m, abs=0.004)


@pytest.mark.parametrize("side", [1, -1])
def test_without_a_trace_it_leans_towards_where_the_line_was(side):
    robot = Ideal(stripe(y=side * 0.03))
    robot.over = {"floor_left": TAPE} if side > 0 else {"floor_right": TAPE}
    robot.sample = robot.sense()
    line = line_of(robot)
    robot.over = {}
    robot.sample = robot.sense()
    robot.run(follow_line(robot, line, S), 0.15)
    assert robot.heading * side > 0.02


@pytest.mark.parametrize("role", ["floor_left", "floor_right"])
def test_following_ends_blind_and_holds_until_then(role):
    robot = Ideal(stripe())
    line = line_of(robot)

    def each(number):
        robot.over = {role: GONE} if number >= 100 else {}

    assert robot.run(follow_line(robot, line, S), each=each) == BLIND
    assert robot.number == 125, "patience is 25 ticks"


@pytest.mark.parametrize(("side", "event"), [(1, "arm left"), (-1, "arm right")])
def test_an_arm_ends_following(side, event):
    def floor(x, y):
        return TAPE if abs(x - 0.3) < 0.008 and side * y > 0 else stripe()(x, y)

    robot = Ideal(floor)
    assert robot.run(follow_line(robot, line_of(robot), S)) == event
    assert robot.x + AHEAD == pytest.approx(0.295, abs=0.006)


@pytest.mark.parametrize("paint", [GREEN_PAINT, RED_PAINT])
@pytest.mark.parametrize("side", [1, -1])
def test_paint_beside_the_line_steers_nothing_and_is_no_arm(paint, side):
    def floor(x, y):
        return paint if abs(x - 0.3) < 0.012 and side * y > 0.0075 else stripe()(x, y)

    robot = Ideal(floor)
    assert robot.run(follow_line(robot, line_of(robot), S), 3.0) in (None, BLANK)
    assert robot.x + AHEAD > 0.312, "it is past the paint"
    assert abs(robot.y) < 0.006


@pytest.mark.parametrize("role", ["floor_left", "floor_right"])
def test_a_stale_reading_makes_no_arm(role):
    """What an eye saw last may be black by now; only a reading of this tick tells."""
    robot = Ideal(stripe())
    line = line_of(robot)

    def each(number):
        gone = r.Colour(0.05, 0.05, 0.05, 0.05, 0.0, 1.0, False, r.STALE)
        robot.over = {role: gone} if 100 <= number < 105 else {}
        if number == 100:
            (line.left if role == "floor_left" else line.right).dark = 0.95

    assert robot.run(follow_line(robot, line, S), 1.1, each) is None


def test_on_a_rough_floor_turning_departs_little_from_that_of_late():
    robot = Ideal(stripe())
    line = line_of(robot)

    def each(number):
        robot.over = {"floor_left": colour(1.4), "floor_right": colour(0.4)} if 100 <= number < 112 else {}

    robot.run(follow_line(robot, line, S), 1.12, each)
    turning = [(right - left) / WIDTH for left, right in robot.driven[101:]]
    assert max(map(abs, turning)) < S.rough.turn_rad_s + 0.6


def test_no_arm_is_seen_on_a_rough_floor():
    robot = Ideal(stripe())
    line = line_of(robot)

    def each(number):
        bump = {"floor_left": colour(1.4), "floor_right": TAPE}
        robot.over = bump if 100 <= number < 105 else {}

    assert robot.run(follow_line(robot, line, S), 1.2, each) is None


def test_sudden_is_a_short_way_without_a_swing():
    line, _ = looked(drive=at(0.1))
    looked(TAPE, FLOOR, at(0.106), line=line)
    assert is_sudden(line.left, line, S)
    looked(TAPE, FLOOR, at(0.111), line=line)
    assert not is_sudden(line.left, line, S), "too slow"
    line, _ = looked(drive=at(0.1))
    looked(TAPE, FLOOR, at(0.102, 0.05), line=line)
    assert not is_sudden(line.left, line, S), "swung onto the line"
    line, _ = looked(drive=at(0.1))
    looked(TAPE, FLOOR, at(0.102, -0.05), line=line)
    assert not is_sudden(line.left, line, S)


@pytest.mark.parametrize(
    ("reading", "yes"),
    [(GREEN_PAINT, True), (RED_PAINT, True), (TAPE, False), (colour(0.4), False), (colour(0.02, 0.03, 0.02), False)],
)
def test_coloured(reading, yes):
    assert is_coloured(reading) is yes


@pytest.mark.parametrize("side", [1, -1])
def test_a_search_ends_on_line_and_not_on_the_edge_of_paint(side):
    def met(reading):
        return looked(*((reading, FLOOR) if side > 0 else (FLOOR, reading)))[0].met

    assert met(TAPE)
    assert met(colour(0.3))
    assert not met(colour(0.7)), "its edge"
    assert not met(FLOOR)
    for paint in (GREEN_PAINT, RED_PAINT):
        edge = [0.6 * value + 0.4 for value in paint[:3]] if paint is RED_PAINT else list(paint[:3])
        assert not met(colour(*edge))
        assert not met(paint)
    assert looked(TAPE, GREEN_PAINT)[0].met
    assert looked(GREEN_PAINT, TAPE)[0].met


@pytest.mark.parametrize("role", ["floor_left", "floor_right"])
def test_a_line_that_was_all_under_one_eye_is_missed_at_once(role):
    """It slipped out to that side; a line that thinned out between the eyes may come back by itself."""
    robot = Ideal()
    line = line_of(robot)

    def each(number):
        robot.over = {role: colour(0.33)} if number < 40 else {}

    assert robot.run(follow_line(robot, line, S), each=each) == BLANK
    assert line.travel_m - line.contact_m == pytest.approx(S.gap.slipped_m, abs=0.003)
