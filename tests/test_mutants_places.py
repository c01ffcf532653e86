"""Gaps, the lost line, the start and obstacles, on an ideal robot.

`tests/benchmarks/mutants.py` holds these tests against seeded defects.
"""

import math

import pytest

from behaviours import line_mission
from behaviours.follow import BLANK, follow_line
from behaviours.line_mission import recover
from behaviours.lost import carry_on, find_line, sight_again
from behaviours.obstacle import DIM, EMPTY, LIT, Looming, Orbit, Sweep, circle, free_side, obstacle_ahead
from behaviours.start import Swing, learn_floor, start_pressed
from behaviours.trail import Ray
from robotcore import readings as r
from robotcore.kernel import tick
from tests.ideal_robot import AHEAD, DT, FLOOR, GONE, TAPE, WIDTH, Ideal, S, at, colour, line_of, stripe

# -- lost and found


def test_a_gap_is_crossed_straight_on_and_said():
    def floor(x, y):
        return FLOOR if 0.3 < x < 0.45 else stripe()(x, y)

    robot = Ideal(floor)
    line = line_of(robot)
    assert robot.run(follow_line(robot, line, S)) == BLANK
    assert robot.run(carry_on(robot, line, S)) is True
    assert abs(robot.y) < 0.01
    assert robot.said == [("gap", {"length": pytest.approx(0.15, abs=0.03)})]


def test_beyond_the_longest_gap_it_is_lost():
    robot = Ideal(stripe(until=0.3))
    line = line_of(robot)
    robot.run(follow_line(robot, line, S))
    assert robot.run(carry_on(robot, line, S)) is False
    assert S.gap.longest_m <= line.travel_m - line.contact_m < S.gap.longest_m + S.follow.blank_m + 0.006
    assert robot.said == []


def test_a_short_blank_is_not_worth_a_word():
    robot = Ideal(lambda x, y: FLOOR if 0.3 < x < 0.35 else stripe()(x, y))
    line = line_of(robot)
    assert robot.run(follow_line(robot, line, S)) == BLANK
    assert robot.run(carry_on(robot, line, S)) is True
    assert robot.said == []


def test_one_reading_is_no_line_again():
    robot = Ideal(stripe(until=0.3))
    line = line_of(robot)
    robot.run(follow_line(robot, line, S))

    def each(number):
        robot.over = {"floor_left": TAPE} if number in (30, 33, 36) else {}

    assert robot.run(carry_on(robot, line, S), each=each) is False


def test_without_readings_a_gap_is_not_crossed():
    robot = Ideal(stripe(until=0.3))
    line = line_of(robot)
    robot.run(follow_line(robot, line, S))
    robot.over = {"floor_right": GONE}
    assert robot.run(carry_on(robot, line, S)) is False
    assert robot.number <= 27


@pytest.mark.parametrize("side", [1, -1])
def test_a_line_that_slipped_out_is_looked_for_on_its_side(side):
    robot = Ideal(stripe(heading=side * 0.45, x=0.0))
    line = line_of(robot)
    line.side, line.strong_m, line.contact_m = side, 0.0, 0.0
    assert robot.run(carry_on(robot, line, S)) is True
    assert robot.heading * side > 0.1
    assert abs(robot.travel) < 0.005


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("last", [1, -1])
def test_a_lost_line_is_found_on_either_side(side, last):
    robot = Ideal(stripe(x=0.0, y=side * 0.035, heading=0.0))
    line = line_of(robot)
    line.side = last
    assert robot.run(find_line(robot, line, Ray(AHEAD, 0.0, 1.0, 0.0), S)) is True
    names = {1: "left", -1: "right"}
    assert robot.said == [("lost", {"side": names[last]}), ("found", {"side": names[side]})]
    assert robot.heading * side > 0.0


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("last", [1, -1])
def test_the_second_search_is_wider(side, last):
    """So far beside that the eyes reach it only when the robot looks well past 0.7 rad; `last` 1: where it was."""
    robot = Ideal(stripe(y=side * 0.078))
    line = line_of(robot)
    line.side = side * last
    assert robot.run(find_line(robot, line, Ray(AHEAD, 0.0, 1.0, 0.0), S), 60.0) is True
    assert robot.x == pytest.approx(-0.06, abs=0.005), "it backed up before"
    assert side * robot.heading > 0.9


def test_a_line_that_is_not_there_is_given_up():
    robot = Ideal()
    line = line_of(robot)
    line.contact_m = -0.1
    assert robot.run(find_line(robot, line, Ray(AHEAD, 0.0, 1.0, 0.0), S), 120.0) is False
    assert robot.said == [("lost", {"side": "left"})]
    assert robot.x == pytest.approx(-0.1 - 2 * 0.06, abs=0.03), "back to where it was seen, and on from there"
    turned = [(right - left) / WIDTH * DT for left, right in robot.driven]
    assert max(turned) > 0
    assert min(turned) < 0
    assert abs(robot.heading) < 0.1


def test_giving_up_stands_and_says_so():
    robot = Ideal()
    line = line_of(robot)
    assert robot.run(recover(robot, line, S), 120.0) is False
    assert robot.faults == ["lost"]
    assert robot.driven[-1] == (0.0, 0.0)
    found = Ideal(stripe(y=0.035))
    line = line_of(found)
    line.fresh = False
    assert found.run(recover(found, line, S), 60.0) is True
    assert line.fresh
    assert found.faults == []


@pytest.mark.parametrize("role", ["floor_left", "floor_right", "drive"])
def test_blind_it_stands_until_all_is_back(role):
    robot = Ideal()
    line = line_of(robot)
    robot.drive(0.1, 0.1)
    gone = at(0.0, status=r.STALE) if role == "drive" else GONE

    def each(number):
        robot.over = {role: gone} if number < 40 else {}

    robot.run(sight_again(robot, line), each=each)
    assert robot.number in (40, 41)
    assert set(robot.driven) == {(0.0, 0.0)}
    assert robot.faults == ["blind"]


# -- start


def test_it_starts_when_the_button_is_let_go():
    robot = Ideal()
    robot.drive(0.1, 0.1)

    def each(number):
        pressed, valid = 20 <= number < 40, not 30 <= number < 35
        robot.over = {"start_button": r.Button(pressed and valid, 0.0, valid, r.OK if valid else r.MISSING)}

    robot.run(start_pressed(robot), each=each)
    assert robot.number in (40, 41)
    assert set(robot.driven) == {(0.0, 0.0)}
    assert robot.said == [("start", {"by": "button"})]


def test_an_untrusted_press_starts_nothing():
    robot = Ideal()

    def each(number):
        robot.over = {"start_button": r.Button(20 <= number < 40, 9.0, number >= 40, r.OK if number >= 40 else r.STALE)}

    assert robot.run(start_pressed(robot), 1.0, each) is None
    assert robot.said == []


def test_a_rig_without_a_button_starts_at_once():
    robot = Ideal(button=False)

    async def start():
        await start_pressed(robot)
        await tick()

    robot.run(start())
    assert robot.said == [("start", {"by": "no button on this rig"})]


def test_the_floor_is_learnt_under_each_eye():
    robot = Ideal(lambda x, y: colour(0.9) if y > 0.02 else colour(0.8) if y < -0.02 else TAPE)
    line = line_of(robot)
    robot.run(learn_floor(robot, line, S))
    white = {side: (value - 0.05) / 0.95 for side, value in (("left", 0.9), ("right", 0.9))}
    assert line.left.white == pytest.approx(white["left"])
    assert line.right.white == pytest.approx((0.8 - 0.05) / 0.95)
    assert abs(robot.heading) < 0.02
    assert robot.said[0][0] == "floor learnt"
    said = {"left": round(line.left.white, 3), "right": round(line.right.white, 3), "width": round(line.width_m, 4)}
    assert robot.said[0][1] == said


@pytest.mark.parametrize("width_m", [0.010, 0.015, 0.020])
def test_the_lines_width_is_learnt_wherever_the_robot_stands_on_it(width_m):
    for y in (-0.006, 0.0, 0.006):
        robot = Ideal(stripe(y=y, width=width_m))
        line = line_of(robot)
        robot.run(learn_floor(robot, line, S))
        assert line.width_m == pytest.approx(width_m, abs=0.0015)


def test_the_floor_is_high_among_the_bright_readings_and_not_a_freak():
    bright = Swing()
    for value in [0.05, 0.1] * 20 + [0.9] * 20 + [3.0]:
        bright.see(colour(value), 0.0)
    for _ in range(30):
        bright.see(colour(2.0, status=r.STALE), 0.0)
    assert bright.white in (pytest.approx((0.9 - 0.05) / 0.95), pytest.approx((3.0 - 0.05) / 0.95))
    even = Swing()
    for value in range(100):
        even.see(colour(0.8 + 0.001 * value), 0.0)
    assert even.white == pytest.approx((0.88 - 0.05) / 0.95, abs=0.002)
    assert Swing().white == 1.0
    dark = Swing()
    dark.see(TAPE, 0.0)
    assert dark.white == 1.0


# -- obstacles


WARM = 60  #: readings after which the hall's light is known


def used_to(light):
    """Return what has seen the empty hall for a while."""
    looming = Looming(S.obstacle, DT)
    for _ in range(WARM):
        looming.see(light, 0.0)
    return looming


@pytest.mark.parametrize("constant", [0.001, 0.003])
@pytest.mark.parametrize("step", [0.001, 0.002])
def test_distance_follows_from_how_the_light_grows(constant, step):
    """Light falls with the square of the distance, so d = 2 light / growth whatever is lit."""
    looming = used_to(0.02)
    said = []
    for number in range(round(0.13 / step)):
        true, travel = 0.18 - step * number, step * number
        looming.see(0.02 + constant / true**2, travel)
        near = looming.near(travel)
        if near is not None and number > 12:
            said.append((true, near))
    assert 0.05 < said[0][0] < 0.085
    for true, near in said:
        assert near <= S.obstacle.near_m
        assert near == pytest.approx(true, abs=0.03)


def test_little_light_is_black_from_near():
    looming = used_to(0.02)
    for number in range(20):
        looming.see(0.029, 0.001 * number)
    assert looming.near(0.02) == S.obstacle.near_m


def test_dazzling_light_is_near_whatever_its_growth():
    looming = used_to(0.02)
    for number in range(60):
        looming.see(0.9, 0.001 * number)
    assert looming.near(0.06) == S.obstacle.near_m
    other = used_to(0.02)
    for number in range(30):
        other.see(0.4, 0.001 * number)
    assert other.near(0.03) is None, "lit, and not growing: far"


def test_an_empty_hall_is_empty_whatever_its_light():
    looming = Looming(S.obstacle, DT)
    for number in range(500):
        assert looming.see(0.02 + 0.00002 * number, 0.002 * number) == EMPTY
        assert looming.near(0.002 * number) is None


def test_less_light_is_something_dim_and_more_is_something_lit():
    looming = used_to(0.05)
    assert {looming.see(0.03, 0.001 * n) for n in range(8)} >= {DIM}
    looming = used_to(0.05)
    assert looming.see(0.2, 0.001) == LIT
    looming.forget()
    assert looming.see(0.9, 0.0) == EMPTY, "what is ahead now is the empty hall"


def test_what_is_lit_is_not_learnt_as_empty():
    looming = used_to(0.02)
    for _ in range(200):
        last = looming.see(0.06, 0.0)
    assert last == LIT


def ahead(lights, line=None, robot=None):
    """Run the look ahead over lightness values, None where the reading is missing."""
    robot = robot or Ideal()
    line = line or line_of(robot)
    looming = Looming(S.obstacle, DT)

    def each(number):
        value = lights[number] if number < len(lights) else 0.02
        robot.over = {"front": GONE if value is None else colour(value)}
        line.travel_m = 0.001 * number

    return robot.run(obstacle_ahead(robot, line, looming, S), (len(lights) + 5) * DT, each), robot, line


def test_six_near_readings_in_a_row_are_an_obstacle():
    nearer = [0.35, 0.65, 0.95]
    met, robot, line = ahead([0.02] * WARM + nearer + [1.0] * 12)
    assert met.kind == "obstacle"
    assert WARM + 4 <= robot.number <= WARM + 10
    assert line.cap_m_s == S.obstacle.approach_m_s
    assert ahead([0.02] * WARM + nearer + [1.0])[0] is None


def test_light_that_jumps_is_an_obstacle_only_when_it_stays():
    flashes = S.obstacle.flashes
    assert ahead([0.02] * WARM + [2.0] * flashes + [0.02] * 20)[0] is None
    met, robot, _ = ahead([0.02] * WARM + [2.0] * (flashes + 12))
    assert met.kind == "obstacle"
    assert robot.number > WARM + flashes + 4


def test_the_cap_is_lifted_when_nothing_is_ahead_any_more():
    met, _, line = ahead([0.02] * WARM + [0.05] * 3 + [0.02] * 30)
    assert met is None
    assert line.cap_m_s == math.inf


def test_missing_readings_ahead_are_no_obstacle():
    met, _, line = ahead([0.02] * WARM + [None] * 50)
    assert met is None
    assert line.cap_m_s == math.inf


def test_the_free_side_is_away_from_the_range_sensor():
    assert free_side(Ideal(side_range=-90.0)) == 1
    assert free_side(Ideal(side_range=90.0)) == -1
    robot = Ideal()
    robot.roles.discard("side_range")
    assert free_side(robot) == 1


def test_a_sweep_finds_the_middle_of_what_was_nearest():
    sweep = Sweep(S.obstacle)
    assert sweep.nearest() is None
    for beam, distance in ((-0.4, 0.20), (-0.2, 0.11), (0.0, 0.10), (0.4, 0.12), (0.6, 0.2)):
        sweep.see(r.Range(distance, 0.0, True, r.OK), beam)
    sweep.see(r.Range(0.02, 0.0, False, r.STALE), 2.0)
    sweep.see(r.Range(0.9, 0.0, True, r.OK), 3.0)
    assert sweep.nearest() == (pytest.approx(0.1), 0.10)


NO_ECHO = r.Range(1.0, 0.0, False, r.OUT_OF_RANGE)


def circled(side, echo_of=lambda away: NO_ECHO, start=0.0, seconds=6.0):
    """Drive round (0, 0) from the west, coming from heading 0; return the ideal robot and how far away it was."""
    s = S.obstacle
    orbit, robot = Orbit((0.0, 0.0), side, 0.0, s), Ideal()
    robot.x, robot.heading = -s.orbit_m - start, side * math.pi / 2
    away = []
    for _ in range(round(seconds / DT)):
        distance = math.hypot(robot.x, robot.y)
        turn = orbit.turn(robot.x, robot.y, robot.heading, echo_of(distance))
        robot.drive(s.speed_m_s - turn * WIDTH / 2, s.speed_m_s + turn * WIDTH / 2)
        robot.move()
        away.append((distance, math.atan2(robot.y, robot.x)))
    return robot, away, orbit


@pytest.mark.parametrize("side", [1, -1])
def test_the_way_round_is_a_circle_on_its_side(side):
    _robot, away, _ = circled(side, seconds=4.0)
    assert all(distance == pytest.approx(S.obstacle.orbit_m, abs=0.03) for distance, _ in away)
    assert side * away[150][1] > 0.3, "on the side that was chosen"
    assert abs(away[-1][1]) < 1.9, "on to behind the obstacle"


@pytest.mark.parametrize("start", [0.06, -0.03])
def test_the_way_round_is_drawn_in_and_out(start):
    _, away, _ = circled(1, start=start, seconds=4.0)
    assert away[250][0] == pytest.approx(S.obstacle.orbit_m, abs=0.025)


def test_the_radius_follows_the_echo_within_bounds():
    s = S.obstacle
    for surface, wanted in ((0.09, 0.165), (0.2, 0.26), (0.5, 0.30)):
        _, _away, orbit = circled(
            1, lambda d, surface=surface: r.Range(max(0.03, d - surface), 0.0, True, r.OK), seconds=3.0
        )
        assert orbit.radius_m == pytest.approx(max(s.least_m, min(wanted, s.most_m)), abs=0.03)


def test_behind_the_obstacle_the_way_is_wide_for_the_bodys_corner():
    _, away, _ = circled(1, lambda d: r.Range(max(0.03, d - 0.09), 0.0, True, r.OK), seconds=5.0)
    behind = [distance for distance, bearing in away if -0.6 < bearing < 0.6]
    assert behind
    assert max(behind) > 0.21


def test_no_echo_after_a_near_one_is_too_near():
    orbit = Orbit((0.0, 0.0), 1, 0.0, S.obstacle)
    orbit.turn(-0.2, 0.0, 1.57, r.Range(0.03, 0.0, True, r.OK))
    before = orbit.radius_m
    orbit.turn(-0.2, 0.0, 1.57, NO_ECHO)
    assert orbit.radius_m > before
    other = Orbit((0.0, 0.0), 1, 0.0, S.obstacle)
    other.turn(-0.2, 0.0, 1.57, NO_ECHO)
    assert other.radius_m == S.obstacle.orbit_m


@pytest.mark.parametrize("side", [1, -1])
def test_beyond_is_behind_the_obstacle(side):
    orbit = Orbit((0.0, 0.0), side, 0.0, S.obstacle)
    assert orbit.beyond(0.2, 0.0)
    assert orbit.beyond(0.2, -side * 0.1)
    assert not orbit.beyond(-0.2, side * 0.1)
    assert not orbit.beyond(0.0, side * 0.2)


@pytest.mark.parametrize("side", [1, -1])
def test_a_line_beside_the_obstacle_is_not_the_one_behind_it(side):
    behind = stripe()

    def floor(x, y):
        if abs(x + 0.05) < 0.0075 and side * y > 0.1:
            return TAPE
        return behind(x, y) if x > 0.0 else FLOOR

    robot = Ideal(floor)
    robot.x, robot.heading = -S.obstacle.orbit_m, side * math.pi / 2
    line = line_of(robot)
    line.trail.x_m, line.trail.y_m, line.trail.heading_rad = robot.x, robot.y, robot.heading
    assert robot.run(circle(robot, line, Orbit((0.0, 0.0), side, 0.0, S.obstacle), S)) is True
    assert robot.x > 0.1


def test_behind_an_obstacle_the_halls_light_is_learnt_anew(monkeypatch):
    """The hall may be a little brighter there, as bright as black from near would be."""
    robot = Ideal()
    passed = []

    async def stay(*given):
        while True:
            await tick()

    async def round_it(*given):
        passed.append(robot.number)
        await tick()
        return True

    monkeypatch.setattr(line_mission, "stay_on_line", stay)
    monkeypatch.setattr(line_mission, "marker_ahead", stay)
    monkeypatch.setattr(line_mission, "go_round", round_it)

    def each(number):
        light = 0.0285 if passed else 0.02 if number < WARM else 2.0
        robot.over = {"front": colour(light)}

    robot.run(line_mission.line_field(robot, line_of(robot), S), 3.0, each)
    assert len(passed) == 1
