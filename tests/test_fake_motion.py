"""How the fake robot moves, against closed forms, scipy's integrator and Ohm's law."""

import itertools
import math

import pytest
from fake_kit import columns, kit_rig, push, site_of, world_of
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from drivers.fake.course.relief import Relief
from drivers.fake.course.shapes import Plate, Pose
from drivers.fake.motion import (
    CELL_OHM,
    DEAD_BAND,
    ELECTRONICS_A,
    GRAVITY,
    MOTOR_LAG_S,
    NOMINAL_V,
    PART_USED_V,
    POSITION_FREE_RAD_S,
    POSITION_LAG_S,
    RESERVE,
    STOP_MARGIN_RAD,
    WEIGHT_SHARE,
    WINDING_OHM,
)
from drivers.fake.perturbations import Drawn, Slip

FREE = RESERVE * 0.3
DEAD = DEAD_BAND * FREE


def test_a_step_of_power_follows_the_first_order_closed_form():
    # v(T) = .63212 u, v(T / 3) = .28347 u (CHECKS c, computed there by the package `control`)
    world = world_of()
    push(world, 400, 400, 8)
    u = 0.4 * FREE * world.truth.volts / NOMINAL_V - DEAD
    assert world.truth.left_speed == pytest.approx(0.63212 * u, rel=0.01)  # the battery sags by under 1 % meanwhile
    push(world, 400, 400, 192)
    u = 0.4 * FREE * world.truth.volts / NOMINAL_V - DEAD
    assert world.truth.left_speed == pytest.approx(u, rel=1e-6)


def test_a_start_is_what_scipy_integrates_battery_included():
    idle = PART_USED_V - CELL_OHM * ELECTRONICS_A
    back = NOMINAL_V / FREE

    def rate(_t, y):
        # terminal voltage by Ohm's law: brentq finds where battery and motors agree
        speed, duty = y[0], 0.5
        volts = brentq(lambda v: idle - CELL_OHM * 2 * duty * (duty * v - back * speed) / WINDING_OHM - v, 0.0, 10.0)
        return [(duty * FREE * volts / NOMINAL_V - DEAD - speed) / MOTOR_LAG_S, speed]

    world = world_of()
    push(world, 500, 500, 60)
    exact = solve_ivp(rate, (0.0, 0.6), [0.0, 0.0], rtol=1e-10, atol=1e-12).y[:, -1]
    assert world.truth.left_speed == pytest.approx(exact[0], rel=1e-3)
    assert world.truth.left_m == pytest.approx(exact[1], rel=5e-3)  # the step holds the voltage for 10 ms


def test_a_stalled_battery_sags_as_ohm_says():
    world = world_of()
    push(world, 1000, 1000, 1)
    both = WINDING_OHM / 2
    emf = PART_USED_V - CELL_OHM * ELECTRONICS_A
    assert world.truth.volts == pytest.approx(emf * both / (both + CELL_OHM), abs=1e-12)


def test_a_battery_runs_down_by_the_charge_drawn():
    world = world_of()
    push(world, 0, 0, 6000)
    used = ELECTRONICS_A * 60.0
    expected = PART_USED_V - CELL_OHM * ELECTRONICS_A - (8.2 - 7.0) * used / (1.5 * 3600)
    assert world.truth.volts == pytest.approx(expected, abs=1e-6)


def test_nothing_moves_inside_the_dead_band():
    world = world_of()
    push(world, 37, -37, 100)
    assert (world.truth.left_m, world.truth.right_m, world.truth.x) == (0.0, 0.0, 0.0)
    push(world, 45, 45, 100)
    assert world.truth.left_m > 0.0


@given(st.integers(-1000, 1000), st.integers(-1000, 1000))
@settings(max_examples=30)
def test_constant_speeds_drive_an_exact_arc(left, right):
    world = world_of()
    push(world, left, right, 150)  # at speed, but for the battery
    t = world.truth
    t.x, t.y, t.heading, t.sin, t.cos = 0.0, 0.0, 0.0, 0.0, 1.0
    before = t.left_m, t.right_m
    push(world, left, right, 1)
    dl, dr = t.left_m - before[0], t.right_m - before[1]

    def rate(_s, pose):
        along, turn = 0.5 * (dl + dr), (dr - dl) / 0.14
        return [along * math.cos(pose[2]), along * math.sin(pose[2]), turn]

    exact = solve_ivp(rate, (0.0, 1.0), [0.0, 0.0, 0.0], rtol=1e-12, atol=1e-15).y[:, -1]
    assert (t.x, t.y, t.heading) == pytest.approx(tuple(exact), abs=1e-10)


def incline(degrees: float) -> Relief:
    rise = 3.0 * math.tan(math.radians(degrees))
    return Relief((), (Plate(0.0, 1.0, 0.0, 3.0, 2.0, 0.0, rise),), 3.0, 2.0)


@pytest.mark.parametrize("degrees", [5.0, 15.0, 25.0])
def test_a_slope_slows_by_its_weight(degrees):
    world = world_of(site_of(relief=incline(degrees), start=Pose(0.5, 1.0, 0.0)))
    push(world, 500, 500, 200)
    angle = math.radians(degrees)
    assert world.truth.pitch == pytest.approx(angle, abs=1e-9)
    free = 0.5 * FREE * world.truth.volts / NOMINAL_V
    speed = free - WEIGHT_SHARE * MOTOR_LAG_S * GRAVITY * math.sin(angle) - DEAD
    assert world.truth.left_speed == pytest.approx(speed, rel=1e-4)
    assert world.truth.speed == pytest.approx(speed * math.cos(angle), rel=1e-4)  # in plan


def test_a_slope_speeds_up_on_the_way_down():
    up = world_of(site_of(relief=incline(20.0), start=Pose(0.5, 1.0, 0.0)))
    down = world_of(site_of(relief=incline(20.0), start=Pose(2.5, 1.0, math.pi)))
    push(up, 400, 400, 100)
    push(down, 400, 400, 100)
    assert down.truth.pitch == pytest.approx(-up.truth.pitch)
    assert down.truth.left_speed - up.truth.left_speed == pytest.approx(
        2 * WEIGHT_SHARE * MOTOR_LAG_S * GRAVITY * math.sin(math.radians(20.0)),
        rel=0.02,  # the battery sags less
    )


def test_slip_loses_ground_but_no_counts():
    rig = kit_rig()
    grip, slip = world_of(), world_of(drawn=Drawn(slip=Slip(left=0.04, right=0.04)))
    push(grip, 500, 500, 100)
    push(slip, 500, 500, 100)
    assert columns(rig, grip.row, "drive") == columns(rig, slip.row, "drive")
    assert slip.truth.x == pytest.approx(0.96 * grip.truth.x)


def test_scrub_loses_rotation_in_a_turn_on_the_spot_only():
    drawn = Drawn(slip=Slip(scrub=0.08))
    turning, straight = world_of(drawn=drawn), world_of(drawn=drawn)
    push(turning, -400, 400, 100)
    push(straight, 400, 400, 100)
    t = turning.truth
    assert t.heading == pytest.approx(0.92 * (t.right_m - t.left_m) / 0.14)
    assert straight.truth.x == pytest.approx(straight.truth.left_m)


def test_slip_wanders_slowly_and_stays_about_its_mean():
    from drivers.fake.perturbations import draw

    noisy = draw(1, {"slip": 1.0})
    drawn = Drawn(slip=Slip(left=0.02, right=0.02, wander=0.02), gaussians=noisy.gaussians)
    world = world_of(drawn=drawn)
    grips = []
    for _ in range(400):
        before = world.truth.left_m, world.truth.x
        push(world, 500, 500, 10)
        grips.append((world.truth.x - before[1]) / (world.truth.left_m - before[0]))
    mean = sum(grips) / len(grips)
    spread = math.sqrt(sum((grip - mean) ** 2 for grip in grips) / len(grips))
    assert mean == pytest.approx(0.98, abs=0.01)
    assert 0.007 < spread < 0.025  # two tracks of 2 % each: 0.02 / sqrt(2)
    steps = [abs(b - a) for a, b in itertools.pairwise(grips)]
    assert sum(steps) / len(steps) < spread


def test_a_gain_mismatch_pulls_to_the_weaker_side():
    world = world_of(drawn=Drawn(motors=(1.05, 0.95)))
    push(world, 500, 500, 100)
    assert world.truth.left_m > 1.08 * world.truth.right_m
    assert world.truth.heading < 0.0


def test_encoders_count_whole_degrees_of_the_wheel():
    rig = kit_rig()
    world = world_of()
    push(world, 700, 300, 137)
    left, right = columns(rig, world.row, "drive")
    assert left == math.floor(math.degrees(world.truth.left_m / 0.020))
    assert right == math.floor(math.degrees(world.truth.right_m / 0.020))
    push(world, -700, -300, 300)
    left, right = columns(rig, world.row, "drive")
    assert left == math.floor(math.degrees(world.truth.left_m / 0.020)) < 0


def test_a_positional_motor_lags_and_stalls_at_its_stop():
    world = world_of()
    joint = world.joints["gripper"]
    joint.power = 500
    push(world, 0, 0, 4)
    u = 0.5 * POSITION_FREE_RAD_S * world.truth.volts / NOMINAL_V - 0.05 * POSITION_FREE_RAD_S
    assert joint.speed == pytest.approx((1.0 - math.exp(-0.04 / POSITION_LAG_S)) * u, rel=0.005)
    push(world, 0, 0, 300)
    assert (joint.angle, joint.speed) == (pytest.approx(math.radians(150.0) + STOP_MARGIN_RAD), 0.0)


def test_two_half_ticks_are_one_tick():
    fine, coarse = kit_rig(), kit_rig()
    one, two = world_of(rig=coarse), world_of(rig=fine)
    one.power(600, 500)
    one.advance(15)
    two.power(600, 500)
    for tick in range(1, 16):
        two.advance(tick)
    assert (one.truth.x, one.truth.y, one.row) == (two.truth.x, two.truth.y, two.row)
