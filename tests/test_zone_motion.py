"""Loose objects against textbook mechanics: rolling, sliding, collisions, walls, and the robot's push."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import dblquad, solve_ivp
from shapely.geometry import Polygon

from drivers.fake.motion import GRAVITY
from drivers.fake.zone.chances import Chances, draw_chances
from drivers.fake.zone.contacts import BODY_E, WALL_E, Hit, bounce, bounce_apart, meet_thing, yield_to
from drivers.fake.zone.layout import Make
from drivers.fake.zone.things import FELT, ROLLING, SLIDING, SQUARE_MEAN, Thing, drag, glide
from tests.zone_kit import yard_of, zone_course

BALL = Make("ball", "ball", 0.045, 0.040, (0.3, 0.3, 0.3), 0.0)
HEAVY = Make("heavy", "ball", 0.050, 0.120, (0.3, 0.3, 0.3), 0.0)
CUBE = Make("cube", "cube", 0.040, 0.030, (0.1, 0.1, 0.3), 0.0)

SPEEDS = st.floats(-1.0, 1.0)


def thing(make=BALL, x=0.0, y=0.0, vx=0.0, vy=0.0, heading=0.0, spin=0.0) -> Thing:
    made = Thing("t", make, x, y, heading)
    made.vx, made.vy, made.spin = vx, vy, spin
    return made


@pytest.mark.parametrize(("make", "share"), [(BALL, ROLLING), (CUBE, SLIDING)])
@pytest.mark.parametrize("h", [0.005, 0.013])
def test_a_free_object_goes_v_squared_over_two_mu_g_whatever_the_step(make, share, h):
    """Textbook: constant friction mu g stops a speed v after v^2 / (2 mu g) and v / (mu g)."""
    body = thing(make, vx=0.3, vy=0.4)
    steps = 0
    while not body.resting:
        glide(body, drag(body, 1.0, False), h)
        steps += 1
    assert math.hypot(body.x, body.y) == pytest.approx(0.25 / (2.0 * share * GRAVITY), rel=1e-12)
    assert body.y / body.x == pytest.approx(4.0 / 3.0)
    assert steps == math.ceil(0.5 / (share * GRAVITY) / h)


def test_felt_stops_a_ball_four_times_sooner():
    assert drag(thing(), 1.0, True) / drag(thing(), 1.0, False) == pytest.approx(FELT / ROLLING)
    assert drag(thing(CUBE), 1.0, True) == drag(thing(CUBE), 1.0, False)


def test_the_mean_distance_of_a_square_from_its_middle():
    """By quadrature with scipy."""
    mean, _ = dblquad(lambda y, x: math.hypot(x, y), -0.5, 0.5, -0.5, 0.5)
    assert pytest.approx(mean, rel=1e-9) == SQUARE_MEAN


def test_a_spinning_cube_slows_as_friction_spread_over_its_face_says():
    """I dw/dt = -mu m g d with I = m a^2 / 6 and the mean lever d: integrated by scipy."""
    body = thing(CUBE, spin=8.0)
    torque = SLIDING * GRAVITY * CUBE.mass_kg * SQUARE_MEAN * CUBE.size_m
    inertia = CUBE.mass_kg * CUBE.size_m**2 / 6.0
    lasts = 0.9 * 8.0 * inertia / torque
    exact = solve_ivp(lambda t, y: [y[1], -torque / inertia], (0.0, lasts), [0.0, 8.0], rtol=1e-10, atol=1e-12)
    for _ in range(9):
        glide(body, drag(body, 1.0, False), lasts / 9)
    assert (body.heading, body.spin) == pytest.approx((exact.y[0][-1], exact.y[1][-1]), rel=1e-6)


def meet(one: Thing, two: Thing) -> None:
    hit = meet_thing(one, two)
    assert hit is not None
    bounce_apart(one, two, hit)


@given(SPEEDS, SPEEDS, SPEEDS, SPEEDS, st.floats(0.0, math.tau))
def test_balls_keep_their_momentum_and_part_by_the_restitution(ax, ay, bx, by, angle):
    """Newton's law of restitution along the line of middles; nothing changes across it (textbook)."""
    nx, ny = math.cos(angle), math.sin(angle)
    one, two = thing(BALL, 0.0, 0.0, ax, ay), thing(HEAVY, 0.047 * nx, 0.047 * ny, bx, by)
    meet(one, two)
    for before, after in ((0.04 * ax + 0.12 * bx, 0.04 * one.vx + 0.12 * two.vx),
                          (0.04 * ay + 0.12 * by, 0.04 * one.vy + 0.12 * two.vy)):  # fmt: skip
        assert after == pytest.approx(before, abs=1e-12)
    closing, parting = (ax - bx) * nx + (ay - by) * ny, (two.vx - one.vx) * nx + (two.vy - one.vy) * ny
    if closing > 0.02:
        assert parting == pytest.approx(0.6 * closing)
    elif closing > 0.0:
        assert parting == pytest.approx(0.0, abs=1e-12)
    assert (one.vy * nx - one.vx * ny) == pytest.approx(ay * nx - ax * ny, abs=1e-12)


@given(SPEEDS, SPEEDS, st.floats(-3.0, 3.0), st.floats(-0.019, 0.019))
def test_a_cube_hit_off_its_middle_keeps_momentum_and_spin(vx, vy, spin, off):
    """The impulse J at a lever b changes spin by J b / I; no energy is gained (textbook)."""
    ball, cube = thing(BALL, -0.042, off, vx, vy), thing(CUBE, spin=spin)
    energy = 0.5 * 0.04 * (vx**2 + vy**2) + 0.5 * cube.inertia * spin**2
    hit = meet_thing(ball, cube)
    assert hit is not None
    assert (hit.nx, hit.ny) == pytest.approx((-1.0, 0.0))
    bounce_apart(ball, cube, hit)
    push = cube.mass * cube.vx
    assert 0.04 * ball.vx + push == pytest.approx(0.04 * vx, abs=1e-12)
    assert cube.inertia * (cube.spin - spin) == pytest.approx(-push * hit.py, abs=1e-12)
    after = 0.5 * 0.04 * (ball.vx**2 + ball.vy**2) + 0.5 * cube.mass * cube.vx**2 + 0.5 * cube.inertia * cube.spin**2
    assert after <= energy + 1e-12


@given(st.floats(0.05, 1.0), st.floats(-1.2, 1.2))
def test_a_wall_reflects_by_its_restitution(speed, angle):
    ball = thing(vx=speed * math.cos(angle), vy=speed * math.sin(angle))
    bounce(ball, Hit(-1.0, 0.0, 0.001, 0.0225, 0.0), 0.0, 0.0, 0.5)
    slow = speed * math.cos(angle) < 0.02
    assert ball.vx == pytest.approx(0.0 if slow else -0.5 * speed * math.cos(angle), abs=1e-12)
    assert ball.vy == pytest.approx(speed * math.sin(angle))


@given(st.floats(-0.03, 0.03), st.floats(-0.03, 0.03), st.floats(0.0, 1.6), st.sampled_from([BALL, CUBE]))
def test_overlap_of_a_cube_is_undone(dx, dy, heading, make):
    """After giving way by the depth found, shapely sees at most the overlap that turning leaves."""
    one, two = thing(make, dx, dy, heading=0.3), thing(CUBE, heading=heading)
    hit = meet_thing(one, two)
    if hit is None:
        return
    before = outline(one).intersection(outline(two)).area
    for _ in range(8):
        hit = meet_thing(one, two)
        if hit is None:
            break
        yield_to(one, hit)
    assert outline(one).intersection(outline(two)).area <= 0.02 * before + 1e-9


def outline(body: Thing) -> Polygon:
    if not body.ball:
        return Polygon(body.corners())
    ring = [i * math.tau / 256 for i in range(256)]
    return Polygon([(body.x + body.half * math.cos(a), body.y + body.half * math.sin(a)) for a in ring])


# --- in the zone ---


def step(yard, times=1):
    for _ in range(times):
        yard.step()


def drive(yard, speed, steps, turn=0.0):
    """Move the robot by hand and step the yard."""
    truth = yard.truth
    for _ in range(steps):
        truth.x += 0.01 * speed * truth.cos
        truth.y += 0.01 * speed * truth.sin
        truth.heading += 0.01 * turn
        truth.cos, truth.sin = math.cos(truth.heading), math.sin(truth.heading)
        yard.step()


def test_a_ball_rolls_and_comes_back_from_a_wall():
    """From 100 mm before the wall at v it meets it at sqrt(v^2 - 2 c g 0.1) and comes back by e^2 of what is left."""
    yard = yard_of(zone_course(("silver", [900, 322.5])))
    ball = yard.things[0]
    ball.vy = -0.5
    step(yard, 600)
    at_wall = 0.25 - 2.0 * ROLLING * GRAVITY * 0.1
    back = WALL_E**2 * at_wall / (2.0 * ROLLING * GRAVITY)
    assert ball.resting
    assert ball.x == pytest.approx(0.9)
    assert ball.y == pytest.approx(0.2 + ball.half + back, abs=0.003)  # the step of 2.5 mm in which it meets the wall


def test_a_ball_off_both_walls_of_a_corner_stays_inside():
    yard = yard_of(zone_course(("silver", [560, 260])))
    ball = yard.things[0]
    ball.vx, ball.vy = -0.7, -0.6
    for _ in range(300):
        yard.step()
        assert 0.5 + ball.half - 1e-9 <= ball.x
        assert 0.2 + ball.half - 1e-9 <= ball.y
    assert ball.resting


def test_a_push_carries_a_ball_before_the_robot():
    """The ball never lies in the body, goes at least as fast, and rolls on v^2 / (2 c g) when the robot stops."""
    yard = yard_of(zone_course(("silver", [900, 600])), 0.75, 0.6)
    ball = yard.things[0]
    drive(yard, 0.15, 200)
    assert ball.x >= yard.truth.x + 0.1 + ball.half - 1e-9
    assert ball.y == pytest.approx(0.6, abs=1e-9)
    at, speed = ball.x, ball.vx
    assert speed == pytest.approx(0.15, abs=0.03)
    step(yard, 400)
    assert ball.resting
    assert ball.x - at == pytest.approx(speed**2 / (2.0 * ROLLING * GRAVITY), abs=0.002)


def test_a_cube_stops_where_the_robot_stops():
    yard = yard_of(zone_course(("kit", [900, 600])), 0.75, 0.6)
    cube = yard.things[0]
    cube.heading = 0.0
    drive(yard, 0.15, 200)
    step(yard, 50)
    slid = 0.15**2 / (2.0 * SLIDING * GRAVITY)
    assert cube.resting
    assert 0.0 <= cube.x - 0.02 - (yard.truth.x + 0.1) <= 2.0 * slid


def test_a_cube_that_is_pushed_turns_its_face_to_the_robot():
    """Pushed by a flat front a square slider ends flat on it (stable pushing, textbook)."""
    yard = yard_of(zone_course(("kit", [900, 600])), 0.75, 0.6)
    cube = yard.things[0]
    cube.heading = math.radians(25.0)
    drive(yard, 0.1, 400)
    off = math.remainder(cube.heading, math.pi / 2)
    assert abs(off) < math.radians(3.0)


def test_a_pinned_ball_stops_the_robot():
    """A ball between front and wall keeps its diameter: the body cannot come nearer."""
    yard = yard_of(zone_course(("silver", [1100, 322.5])), 1.1, 0.5, -math.pi / 2)
    drive(yard, 0.1, 300)
    assert yard.truth.y - 0.1 - 0.2 == pytest.approx(0.045, abs=0.0015)
    assert yard.things[0].y == pytest.approx(0.2225, abs=0.001)


@pytest.mark.parametrize(
    ("ball", "robot", "heading", "speed", "turn"),
    [
        ((1.1000, 0.2225), (1.186, 0.3445), 1.40, 0.0, 1.7),  # a turn on the spot over a ball at a wall
        ((1.1000, 0.2225), (1.200, 0.3345), 3.49, 0.1, -1.0),
        ((1.6775, 0.2225), (1.5615, 0.3145), 5.15, 0.1, -1.0),  # the same, and one that lies in a corner
        ((1.6775, 0.2225), (1.5535, 0.3115), 6.27, -0.17, -1.0),  # the front corner, of a body that backs up in a bend
    ],
)
def test_a_body_that_gives_way_to_a_pinned_ball_does_not_hit_it_with_that(ball, robot, heading, speed, turn):
    """A heavy body gives what rests at most (1 + e) of its own speed where they touch (textbook); giving way is none.

    Only a wedge gives more, of body and wall at a sharp angle, by 1 / sin of that: not in these scenes.
    """
    yard = yard_of(zone_course(("silver", [1100, 600])), *robot, heading)
    pinned = yard.things[0]
    pinned.x, pinned.y = ball
    fastest = 0.0
    for _ in range(150):
        drive(yard, speed, 1, turn)
        fastest = max(fastest, math.hypot(pinned.vx, pinned.vy))
    reach = math.hypot(yard.body.front_m, 0.5 * yard.body.width_m)
    assert pinned.moved
    assert fastest <= (1.0 + BODY_E) * (abs(speed) + abs(turn) * reach)


def test_a_ball_pushes_a_ball():
    yard = yard_of(zone_course(("silver", [900, 600]), ("black", [1000, 600])), 0.75, 0.6)
    silver, black = yard.things[0], yard.things[1]
    drive(yard, 0.15, 250)
    assert black.x - silver.x >= 0.045 - 0.0005
    assert silver.x >= yard.truth.x + 0.1 + silver.half - 0.0005
    assert black.moved


def test_a_robot_in_the_hand_pushes_nothing():
    yard = yard_of(zone_course(("silver", [900, 600])), 0.777, 0.6)
    yard.take(True)
    drive(yard, 0.1, 20)
    assert not yard.things[0].moved
    yard.take(False)
    drive(yard, 0.1, 1)
    assert yard.things[0].moved


def test_the_jaws_push_what_lies_beside_them():
    """An object beside the mouth is pushed aside by the jaw when the robot turns, and does not come through it."""
    yard = yard_of(zone_course(("silver", [930, 690])), 0.8, 0.6)
    ball = yard.things[0]
    drive(yard, 0.0, 100, turn=0.4)
    ahead, left = yard.frame.into(ball.x, ball.y)
    assert ball.moved
    assert left >= 0.055 + ball.half - 0.001 or ahead >= 0.16


def test_nothing_is_computed_while_all_is_at_rest_and_far(monkeypatch):
    yard = yard_of(zone_course(("silver", [1100, 600])))
    monkeypatch.setattr(yard, "_part", lambda h: pytest.fail("computed"))
    drive(yard, 0.1, 20)
    assert not yard.things[0].moved


def test_friction_and_restitution_are_drawn_once_a_run():
    calm, rough = draw_chances(3, {}), draw_chances(3, {"friction": 1.0})
    assert (calm.friction, calm.restitution) == (1.0, 1.0)
    assert rough.friction != 1.0
    assert 0.7 <= rough.friction <= 1.3
    assert (calm.placing_seed, calm.later_seed) == (rough.placing_seed, rough.later_seed)
    yard = yard_of(zone_course(("silver", [900, 600])), chances=Chances(friction=0.5))
    yard.things[0].vx = 0.2
    step(yard, 500)
    assert yard.things[0].x - 0.9 == pytest.approx(0.04 / (ROLLING * GRAVITY), rel=1e-9)
