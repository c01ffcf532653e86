"""Dead reckoning against an ODE solver, closed forms and the square-path formulas.

Outside sources: scipy's `solve_ivp`, plane geometry, and the UMBmark formulas (Borenstein and Feng 1996, formulas from
memory; the numbers are a separate simulation of ours, not the paper's measurements). R: computed with the named
package before this code was written.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robotcore.odometry import Gap, Pose, advance, between, umbmark, wrap_angle

steps = st.floats(-0.3, 0.3)
angles = st.floats(-50.0, 50.0)
poses = st.builds(Pose, st.floats(-5.0, 5.0), st.floats(-5.0, 5.0), angles)


def test_sixty_steps_follow_the_ode_of_a_differential_drive():
    # Source: scipy.integrate.solve_ivp, rtol 1e-12 (R). Tolerance 1e-9 mm.
    import random

    from scipy.integrate import solve_ivp

    draw = random.Random(7)
    b, pose, state = 0.12, Pose(), [0.0, 0.0, 0.0]
    for _ in range(60):
        left, right = draw.uniform(-0.02, 0.04), draw.uniform(-0.02, 0.04)
        pose = advance(pose, left, right, b)
        v, w = (left + right) / 2, (right - left) / b
        solved = solve_ivp(
            lambda t, q, v=v, w=w: [v * math.cos(q[2]), v * math.sin(q[2]), w],
            (0.0, 1.0),
            state,
            method="DOP853",
            rtol=1e-12,
            atol=1e-15,
        )
        state = solved.y[:, -1].tolist()
    assert pose == pytest.approx(state, abs=1e-12)


def test_quarter_turn_ends_one_radius_ahead_and_one_to_the_left():
    # Source: plane geometry. R = 200 mm, b = 120 mm.
    quarter = math.pi / 2
    pose = advance(Pose(), 0.14 * quarter, 0.26 * quarter, 0.12)
    assert pose == pytest.approx((0.2, 0.2, quarter), abs=1e-15)


@pytest.mark.parametrize("exponent", range(-16, 0))
def test_tiny_turns_keep_their_digits(exponent):
    # Source: the arc's Taylor series to seventh order in the turn, in exact fractions: x = s (1 - t²/6 + t⁴/120 - ...),
    # y = s (t/2 - t³/24 + ...).
    from fractions import Fraction

    turn = 1.9 * 10.0**exponent if exponent < -1 else 0.01
    left, right = 0.05 - turn * 0.05, 0.05 + turn * 0.05
    t, s = (Fraction(right) - Fraction(left)) / Fraction(0.1), (Fraction(left) + Fraction(right)) / 2
    pose = advance(Pose(), left, right, 0.1)
    assert pose.x_m == pytest.approx(float(s * (1 - t**2 / 6 + t**4 / 120 - t**6 / 5040)), rel=1e-14, abs=0)
    assert pose.y_m == pytest.approx(float(s * (t / 2 - t**3 / 24 + t**5 / 720)), rel=1e-13, abs=0)


def test_chord_of_the_midpoint_rule_is_short_by_a_24th_of_the_turn_squared():
    # Source: series of sin(h)/h; .000417 at a turn of .1 rad (R).
    pose = advance(Pose(), 0.995, 1.005, 0.1)
    assert 1.0 - math.hypot(pose.x_m, pose.y_m) == pytest.approx(0.1**2 / 24, rel=1e-3)


def test_straight_ahead_and_turn_on_the_spot():
    assert advance(Pose(1.0, 2.0, 0.0), 0.5, 0.5, 0.1) == Pose(1.5, 2.0, 0.0)
    x, y, heading = advance(Pose(1.0, 2.0, 0.0), -0.1, 0.1, 0.1)
    assert (x, y) == (1.0, 2.0)
    assert heading == pytest.approx(2.0, abs=1e-15)


@given(poses, steps, steps, st.floats(0.05, 0.5))
def test_rolling_back_returns(pose, left, right, width):
    back = advance(advance(pose, left, right, width), -left, -right, width)
    assert back == pytest.approx(pose, abs=1e-12)


@given(poses, steps, steps, st.floats(0.05, 0.5), st.integers(2, 7))
def test_an_arc_in_pieces_is_the_same_arc(pose, left, right, width, pieces):
    parts = pose
    for _ in range(pieces):
        parts = advance(parts, left / pieces, right / pieces, width)
    assert parts == pytest.approx(advance(pose, left, right, width), abs=1e-12)


@given(angles)
def test_wrapped_angle_points_the_same_way(angle):
    wrapped = wrap_angle(angle)
    assert -math.pi <= wrapped <= math.pi
    assert math.cos(wrapped) == pytest.approx(math.cos(angle), abs=1e-13)
    assert math.sin(wrapped) == pytest.approx(math.sin(angle), abs=1e-13)


@given(poses, poses)
def test_gap_is_symmetric_in_size(a, b):
    there, back = between(a, b), between(b, a)
    assert there.distance_m == back.distance_m
    assert abs(there.turn_rad) == pytest.approx(abs(back.turn_rad), abs=1e-12)


def test_gap_counts_the_shorter_turn():
    gap = between(Pose(0.0, 0.0, math.radians(179.0)), Pose(0.003, 0.004, math.radians(-179.0)))
    assert gap == pytest.approx(Gap(0.005, math.radians(2.0)))


def drive_square(track_ratio, wheel_ratio, turn, side=4.0, nominal=0.34):
    """Drive a square blindly with a robot that is not as its rig says; the odometry would end at the origin."""
    left, right = 2.0 / (1.0 + wheel_ratio), 2.0 * wheel_ratio / (1.0 + wheel_ratio)
    quarter = turn * math.pi / 4 * nominal
    pose = Pose()
    for _ in range(4):
        pose = advance(pose, side * left, side * right, nominal * track_ratio)
        pose = advance(pose, -quarter * left, quarter * right, nominal * track_ratio)
    return pose


@pytest.mark.parametrize(
    ("true_track", "true_wheels", "cw_mm", "ccw_mm", "track", "wheels"),
    [  # own simulation, made before this code: ends in mm, then what the formulas recover
        (1.014706, 1.0, (-177.8, -190.3), (-177.8, 190.3), 1.014350, 1.000000),
        (1.0, 1.002, (-181.1, -199.0), (194.3, -176.9), 0.999472, 1.001996),
        (1.008824, 1.001, (-196.5, -214.5), (-16.7, 16.6), 1.008555, 1.000955),
    ],
)
def test_squares_both_ways_round_show_the_errors(true_track, true_wheels, cw_mm, ccw_mm, track, wheels):
    cw, ccw = drive_square(true_track, true_wheels, -1), drive_square(true_track, true_wheels, 1)
    assert [1000 * v for v in cw[:2]] == pytest.approx(cw_mm, abs=0.06)
    assert [1000 * v for v in ccw[:2]] == pytest.approx(ccw_mm, abs=0.06)
    found = umbmark(cw.x_m, ccw.x_m, 4.0, 0.34)
    assert found == pytest.approx((track, wheels), abs=2e-6)
    assert found.track_ratio == pytest.approx(true_track, abs=6e-4)
    assert found.wheel_ratio == pytest.approx(true_wheels, abs=6e-5)


def test_one_way_round_hides_errors_that_cancel():
    # Source: the same simulation, ccw 0.0 mm against cw 357 mm; here within the rounding of the ratio.
    cw, ccw = drive_square(1.01, 1.00134, -1), drive_square(1.01, 1.00134, 1)
    assert math.hypot(ccw.x_m, ccw.y_m) < 0.001
    assert math.hypot(cw.x_m, cw.y_m) == pytest.approx(0.357, abs=0.001)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_bad_numbers_are_named(bad):
    with pytest.raises(ValueError, match="left_m is"):
        advance(Pose(), bad, 0.1, 0.1)
    with pytest.raises(ValueError, match="right_m is"):
        advance(Pose(), 0.1, bad, 0.1)
    with pytest.raises(ValueError, match="angle_rad is"):
        wrap_angle(bad)
    with pytest.raises(ValueError, match="angle_rad is"):
        between(Pose(), Pose(0.0, 0.0, bad))


@pytest.mark.parametrize("width", [0.0, -0.1, math.nan, math.inf])
def test_impossible_track_widths_are_refused(width):
    with pytest.raises(ValueError, match="track_width_m is"):
        advance(Pose(), 0.1, 0.1, width)
    with pytest.raises(ValueError, match="track_width_m is"):
        umbmark(0.0, 0.0, 4.0, width)


def test_errors_as_large_as_the_square_are_refused():
    with pytest.raises(ValueError, match="x_cw_m is"):
        umbmark(3.0, 2.0, 4.0, 0.34)
    with pytest.raises(ValueError, match="x_cw_m is"):
        umbmark(math.nan, 0.0, 4.0, 0.34)
