"""Colours, votes, the second look, short drives and turns, and the trail, in numbers.

`tests/benchmarks/mutants.py` holds these tests against seeded defects.
"""

import math

import pytest

from behaviours.follow import follow_line
from behaviours.junction import Look, creep_over, is_before, is_line, line_ahead, marker_ahead, pass_arm, turn_round
from behaviours.motion import drive_on, follow_ray, ray_turn, settle, turn_by, wrap
from behaviours.strips import BLACK, GREEN, RED, SILVER, UNKNOWN, WHITE, is_green, is_red, paint, red_strip
from behaviours.trail import Ray, Trail
from robotcore import readings as r
from tests.ideal_robot import (
    AHEAD,
    DT,
    FLOOR,
    GONE,
    GREEN_PAINT,
    RED_PAINT,
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

# -- colours


@pytest.mark.parametrize(
    ("reading", "yes"),
    [
        (GREEN_PAINT, True),
        (colour(0.3 * 0.11, 0.3 * 0.26, 0.3 * 0.16), False),  # too dark for a share
        (colour(0.11, 0.26, 0.16, status=r.STALE), False),
        (colour(0.5, 0.9, 0.5), False),  # brighter than paint
        (colour(0.25, 0.26, 0.05), False),  # yellow
        (colour(0.05, 0.26, 0.25), False),  # cyan
        (colour(0.15, 0.16, 0.15), False),  # grey
        (RED_PAINT, False),
    ],
)
def test_green(reading, yes):
    assert is_green(reading, S.marker) is yes


@pytest.mark.parametrize(
    ("reading", "yes"),
    [
        (RED_PAINT, True),
        (colour(0.049, 0.0065, 0.0053), False),
        (RED_PAINT._replace(valid=False, status=r.STALE), False),
        (colour(0.4, 0.25, 0.25), False),
        (GREEN_PAINT, False),
    ],
)
def test_red(reading, yes):
    assert is_red(reading, S.strip) is yes


@pytest.mark.parametrize(
    ("reading", "name"),
    [
        (FLOOR, WHITE),
        (TAPE, BLACK),
        (colour(0.3), BLACK),
        (GREEN_PAINT, GREEN),
        (RED_PAINT, RED),
        (colour(1.6), SILVER),
        (colour(0.8, 0.5, 0.5), UNKNOWN),
        (GONE, UNKNOWN),
    ],
)
def test_paint_has_a_name(reading, name):
    assert paint(reading, 1.0, S.marker, S.strip) == name


def voted(behaviour_of, role, reading, pattern):
    """Give `reading` where the pattern has an x; return the tick in which the behaviour ended, or None."""
    robot = Ideal()
    line = line_of(robot)

    def each(number):
        robot.over = {role: reading} if pattern[number : number + 1] == "x" else {}
        robot.sample = robot.sense()

    result = robot.run(behaviour_of(robot, line), (len(pattern) + 3) * DT, each)
    return (None if result is None else robot.number), result, robot


@pytest.mark.parametrize(("role", "eye"), [("floor_left", "left"), ("floor_right", "right")])
def test_four_of_five_red_readings_of_one_eye_make_a_strip(role, eye):
    def strip(robot, line):
        return red_strip(robot, S)

    ended, _, robot = voted(strip, role, RED_PAINT, "...xxxx")
    assert ended == 6
    assert robot.said[0][0] == "red strip"
    assert robot.said[0][1]["eye"] == eye
    assert robot.said[0][1]["share"] == pytest.approx(0.806, abs=0.01)
    assert voted(strip, role, RED_PAINT, "..xx.xx")[0] == 6
    assert voted(strip, role, RED_PAINT, "..xxx...xxx..x.x")[0] is None
    assert voted(strip, role, RED_PAINT, "x.x.x.x.x.x.x.x.")[0] is None


@pytest.mark.parametrize(("role", "side"), [("floor_left", 1), ("floor_right", -1)])
def test_three_of_four_green_readings_of_one_eye_are_a_suspicion(role, side):
    def marker(robot, line):
        line.arm_m = -1.0
        return marker_ahead(robot, line, S)

    ended, met, _ = voted(marker, role, GREEN_PAINT, "...xxx")
    assert (ended, met.kind, met.side) == (5, "marker", side)
    assert voted(marker, role, GREEN_PAINT, "..xx.x")[0] == 5
    assert voted(marker, role, GREEN_PAINT, "..xx..xx...x.x..x")[0] is None
    assert voted(marker, role, GREEN_PAINT, "..xx.......x......")[0] is None, "votes do not last"


def test_green_behind_an_arm_or_behind_black_is_no_suspicion():
    line, _ = looked(drive=at(1.0))
    line.arm_m, line.left.black_m = 0.5, 0.5
    assert is_before(line, line.left, S.marker)
    line.arm_m = 0.96
    assert not is_before(line, line.left, S.marker)
    line.arm_m, line.left.black_m = 0.5, 0.99
    assert not is_before(line, line.left, S.marker)
    assert is_before(line, line.right, S.marker)


@pytest.mark.parametrize(("role", "own", "other"), [("floor_left", "left", "right"), ("floor_right", "right", "left")])
def test_green_is_judged_by_the_past_of_its_own_eye(role, own, other):
    def behind(which):
        def marker(robot, line):
            getattr(line, which).black_m = -0.005
            return marker_ahead(robot, line, S)

        return marker

    assert voted(behind(own), role, GREEN_PAINT, "...xxxx")[0] is None
    assert voted(behind(other), role, GREEN_PAINT, "...xxxx")[0] == 5


@pytest.mark.parametrize("side", [1, -1])
def test_creeping_finds_the_arm_behind_green_and_no_arm_without_green(side):
    def floor(x, y):
        if abs(x - 0.13) < 0.0075:
            return TAPE
        return GREEN_PAINT if with_green and 0.09 < x < 0.1225 and side * y > 0.0 else FLOOR

    for with_green in (True, False):
        robot = Ideal(floor)
        passed = robot.run(creep_over(robot, line_of(robot), side, S))
        assert (passed is not None) == with_green
        if passed is not None:
            assert passed.arm_m + AHEAD == pytest.approx(0.1225, abs=0.003)
            assert 0.0 < passed.middle_m < passed.arm_m
    robot = Ideal(lambda x, y: GREEN_PAINT if side * y > 0.0 else FLOOR)
    assert robot.run(creep_over(robot, line_of(robot), side, S)) is None, "no junction behind the green"
    assert robot.x == pytest.approx(S.marker.reach_m, abs=0.003)


@pytest.mark.parametrize("side", [1, -1])
def test_peeking_for_a_line_ahead_ends_where_it_began_or_on_the_line(side):
    robot = Ideal()
    assert robot.run(line_ahead(robot, line_of(robot), side, S)) is False
    assert abs(robot.heading) < 0.02
    robot = Ideal(stripe())
    assert robot.run(line_ahead(robot, line_of(robot), side, S)) is True
    assert 0.02 < -side * robot.heading <= S.arm.peek_m / AHEAD + 0.02


@pytest.mark.parametrize("side", [1, -1])
def test_an_arm_is_passed_no_farther_than_needed(side):
    def floor(x, y):
        return TAPE if abs(x - 0.3) < 0.0075 and side * y > 0.0 else stripe()(x, y)

    robot = Ideal(floor)
    line = line_of(robot)
    assert robot.run(follow_line(robot, line, S)) == ("arm left" if side > 0 else "arm right")
    assert robot.run(pass_arm(robot, line, side, S)) is True
    assert robot.said[0][0] == "crossing"
    assert robot.said[0][1]["arms"] == ("left" if side > 0 else "right")
    assert 0.3075 < robot.x + AHEAD < 0.335


def test_turning_round_passes_over_the_arms_to_the_line_that_it_came_on():
    arms = [stripe(heading=math.pi / 2, width=0.015), stripe(heading=math.pi, width=0.015)]

    def floor(x, y):
        return TAPE if min(arm(x, y).red for arm in arms) < 0.5 else FLOOR

    robot = Ideal(floor)
    assert robot.run(turn_round(robot, line_of(robot), S)) is True
    assert 2.6 < abs(robot.heading) < 3.6


def test_black_is_too_dark_for_a_colour():
    line, _ = looked(TAPE, TAPE)
    assert is_line(line.left, TAPE, S)
    assert not is_line(line.left, GREEN_PAINT, S)
    assert not is_line(line.left, TAPE._replace(valid=False, status=r.STALE), S)
    line, _ = looked(FLOOR, FLOOR)
    assert not is_line(line.left, TAPE, S)


# -- the second look


def look_at(left=0, right=0, middle=0.0, valid=True):
    look = Look(S.marker)
    for _ in range(5):
        look.see(TAPE, 0.95, middle)
        look.see(FLOOR, 0.0, middle + 0.03)
        look.see(GREEN_PAINT._replace(valid=False, status=r.STALE) if not valid else FLOOR, 0.8, middle + 0.02)
    for count, place in ((left, middle + 0.02), (right, middle - 0.02)):
        for _ in range(count):
            look.see(GREEN_PAINT, 0.8, place)
    return look


@pytest.mark.parametrize("middle", [0.0, 0.025, -0.025])
@pytest.mark.parametrize(
    ("left", "right", "sides"),
    [(8, 0, "left"), (0, 8, "right"), (8, 8, "both"), (7, 7, "none"), (0, 0, "none"), (8, 7, "left"), (7, 8, "right")],
)
def test_a_marker_is_enough_green_on_a_side_of_the_line(left, right, sides, middle):
    assert look_at(left, right, middle).sides() == sides


def test_the_second_look_tells_the_share_and_uses_valid_readings_only():
    assert look_at(8).share == pytest.approx(0.26 / 0.53)
    look = Look(S.marker)
    for _ in range(20):
        look.see(GREEN_PAINT._replace(valid=False, status=r.STALE), 0.8, 0.02)
        look.see(TAPE._replace(valid=False, status=r.STALE), 0.99, 0.09)
    assert look.sides() == "none"
    assert not look._line


# -- motion


@pytest.mark.parametrize("way", [0.1, -0.05])
def test_driving_on_goes_so_far_and_straight(way):
    robot = Ideal()
    assert robot.run(drive_on(robot, line_of(robot), way, S.turn)) is False
    assert robot.x == pytest.approx(way, abs=0.002)
    assert abs(robot.heading) < 1e-9


def test_driving_on_holds_its_heading():
    robot = Ideal()
    line = line_of(robot)

    def each(number):
        if number == 20:
            robot.heading += 0.1

    robot.run(drive_on(robot, line, 0.15, S.turn), each=each)
    assert abs(robot.heading) < 0.04


@pytest.mark.parametrize("part", ["drive", "turn", "ray"])
def test_blocked_tracks_hold_nothing_up_for_ever(part):
    robot = Ideal()
    robot.stuck = True
    line = line_of(robot)
    ray = Ray(0.0, 0.0, 1.0, 0.0)
    behaviour = {
        "drive": lambda: drive_on(robot, line, 0.1, S.turn),
        "turn": lambda: turn_by(robot, line, 1.0, S.turn),
        "ray": lambda: follow_ray(robot, line, ray, 0.1, 0.1),
    }[part]
    assert robot.run(behaviour(), 10.0) is False


@pytest.mark.parametrize("angle", [1.0, -2.0, 0.1])
def test_turning_goes_so_far_on_the_spot_and_slows_down(angle):
    robot = Ideal()
    assert robot.run(turn_by(robot, line_of(robot), angle, S.turn)) is False
    assert robot.heading == pytest.approx(angle, abs=0.012)
    assert math.hypot(robot.x, robot.y) < 1e-9
    rates = [abs(right - left) / WIDTH for left, right in robot.driven]
    assert rates[-1] == pytest.approx(S.turn.slowest_rad_s, rel=0.2)
    assert max(rates) <= S.turn.fast_rad_s + 1e-9


def test_turning_ends_when_seen_but_not_while_blind():
    robot = Ideal()
    line = line_of(robot)
    assert robot.run(turn_by(robot, line, 1.5, S.turn, until=lambda: True, blind_rad=0.5)) is True
    assert robot.heading == pytest.approx(0.5, abs=0.03)
    assert robot.run(turn_by(robot, line, 1.5, S.turn, until=lambda: True)) is True
    assert robot.heading == pytest.approx(0.5, abs=0.06)


def test_driving_and_following_end_when_seen():
    robot = Ideal()
    line = line_of(robot)
    assert robot.run(drive_on(robot, line, 1.0, S.turn, until=lambda: robot.x > 0.03)) is True
    assert robot.x < 0.04
    ray = Ray(robot.x, 0.0, 1.0, 0.0)
    assert robot.run(follow_ray(robot, line, ray, 1.0, 0.1, until=lambda: robot.x > 0.08)) is True
    assert robot.x < 0.09


@pytest.mark.parametrize(("y", "heading"), [(0.02, 0.0), (-0.02, 0.0), (0.0, 0.3), (0.01, -0.3)])
def test_following_a_ray_brings_the_eyes_onto_it(y, heading):
    robot = Ideal()
    robot.y, robot.heading = 0.0, 0.0
    line = line_of(robot)
    ux, uy = math.cos(heading), math.sin(heading)
    ray = Ray(AHEAD - y * uy, y * ux, ux, uy)
    robot.run(follow_ray(robot, line, ray, 0.25, 0.12))
    x, eye_y = robot.x + AHEAD * math.cos(robot.heading), robot.y + AHEAD * math.sin(robot.heading)
    assert abs(ray.left_of(x, eye_y)) < 0.002
    assert robot.heading == pytest.approx(heading, abs=0.04)
    assert abs(ray_turn(line, Ray(0.0, 5.0, 1.0, 0.0), 0.0, 0.1)) == 3.0


def test_wrapping_keeps_the_direction():
    assert wrap(math.tau + 0.3) == pytest.approx(0.3)
    assert wrap(-math.pi * 1.5) == pytest.approx(math.pi / 2)
    assert wrap(2.0) == pytest.approx(2.0)


def test_settling_stands_for_its_time():
    robot = Ideal()
    line = line_of(robot)
    robot.drive(0.1, 0.1)
    robot.run(settle(robot, line, 0.12))
    assert robot.number == 12
    assert set(robot.driven) == {(0.0, 0.0)}


# -- the trail


def test_the_trail_follows_exact_arcs():
    trail, radius, travel = Trail(0.0), 0.2, 0.0
    while travel < 0.3:
        travel += 0.005
        trail.follow(travel, travel / radius, 0.0)
    x, y = trail.axle(travel, travel / radius)
    assert x == pytest.approx(radius * math.sin(travel / radius), abs=1e-4)
    assert y == pytest.approx(radius * (1 - math.cos(travel / radius)), abs=1e-4)
    x, y = trail.axle(travel + 0.003, (travel + 0.003) / radius)
    assert y == pytest.approx(radius * (1 - math.cos((travel + 0.003) / radius)), abs=1e-4)


@pytest.mark.parametrize("heading", [0.0, 0.5, 2.0, -2.5])
def test_the_ray_goes_through_the_end_of_the_way(heading):
    trail = Trail(AHEAD)
    for step in range(1, 41):
        trail.follow(0.005 * step, heading, 0.0)
    ray = trail.ray(0.045, 0.2, heading)
    assert wrap(ray.heading_rad - heading) == pytest.approx(0.0, abs=1e-6)
    x, y = trail.middle(0.2, heading)
    assert ray.left_of(x, y) == pytest.approx(0.0, abs=1e-9)
    assert ray.left_of(x - math.sin(heading), y + math.cos(heading)) == pytest.approx(1.0)


def test_the_ray_is_of_the_asked_stretch_alone():
    trail, travel, heading = Trail(0.0), 0.0, 0.0
    for step in range(60):
        travel += 0.005
        heading = 0.0 if step < 30 else 1.0
        trail.follow(travel, heading, 0.0)
    assert trail.ray(0.045, travel, 9.0).heading_rad == pytest.approx(1.0, abs=0.05)
    assert trail.ray(0.045, 0.15, 9.0).heading_rad == pytest.approx(0.0, abs=0.05)
    trail.clear()
    assert trail.ray(0.045, travel, 0.7).heading_rad == pytest.approx(0.7), "without a way the heading counts"
