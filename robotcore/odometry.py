"""Dead reckoning of a differential drive: where the robot is by what its two sides have rolled.

Rules: metres and radians; x ahead and y to the left of where it started, headings count counter-clockwise. The pose
is a plain value and the caller keeps it. Nothing here corrects for slip: the caller's track width may be an effective
one, and tracked drives need one, measured (see `umbmark`).
"""

import math
from typing import NamedTuple


class Pose(NamedTuple):
    """A place on the floor and a heading.

    The heading is not wrapped: two turns to the left are 4π. Use `wrap_angle` or `between` to compare headings.
    """

    x_m: float = 0.0
    y_m: float = 0.0
    heading_rad: float = 0.0


class Gap(NamedTuple):
    """How far apart two poses are: a distance of 0 or more, and a turn within [-π, π]."""

    distance_m: float
    turn_rad: float


class SquareErrors(NamedTuple):
    """What a `umbmark` run shows: true over nominal track width, and right over left wheel diameter."""

    track_ratio: float
    wheel_ratio: float


def advance(pose: Pose, left_m: float, right_m: float, track_width_m: float) -> Pose:
    """Return the pose after the sides rolled `left_m` and `right_m` metres at a constant ratio of their speeds.

    Exact for that arc: the chord is ds sin(Δθ/2)/(Δθ/2), in the direction of the mean heading. The form R (sin θ2 -
    sin θ1) loses half the digits when Δθ is near 1e-8, and a series below a limit leaves a step at the limit; here
    sin(h)/h is good to the last digit for all h but 0 itself.

    Raises:
        ValueError: a distance is not finite, or track_width_m is not a finite number above 0.

    """
    if not 0.0 < track_width_m < math.inf:
        raise ValueError(f"track_width_m is {track_width_m!r}; give a width above 0, in metres")
    half = (right_m - left_m) / track_width_m * 0.5
    chord = (left_m + right_m) * 0.5
    if not -math.inf < half + chord < math.inf:
        raise ValueError(f"left_m is {left_m!r} and right_m is {right_m!r}; give finite distances in metres")
    if half:
        chord *= math.sin(half) / half
    x, y, heading = pose
    middle = heading + half
    return Pose(x + chord * math.cos(middle), y + chord * math.sin(middle), heading + 2.0 * half)


def wrap_angle(angle_rad: float) -> float:
    """Return the same direction within [-π, π]; the two ends mean the same.

    Raises:
        ValueError: the angle is not finite.

    """
    if not -math.inf < angle_rad < math.inf:
        raise ValueError(f"angle_rad is {angle_rad!r}; give a finite angle in radians")
    return math.remainder(angle_rad, math.tau)


def between(start: Pose, end: Pose) -> Gap:
    """Return the straight distance from `start` to `end`, and the shorter turn between their headings.

    Raises:
        ValueError: a heading is not finite.

    """
    distance = math.hypot(end.x_m - start.x_m, end.y_m - start.y_m)
    return Gap(distance, wrap_angle(end.heading_rad - start.heading_rad))


def umbmark(x_cw_m: float, x_ccw_m: float, side_m: float, track_width_m: float) -> SquareErrors:
    """Return what is wrong with the track width and the wheels, from squares driven both ways round.

    Drive a square of straight sides and turns on the spot, once clockwise and once counter-clockwise (better: the
    mean of five each), and measure how far the robot then stands from where its odometry says, along its first side.
    One way round is not enough: the two errors can cancel in it and double in the other.

    Borenstein and Feng, "Measurement and Correction of Systematic Odometry Errors in Mobile Robots", 1996 (formulas
    from memory, small angles): α = (x_cw + x_ccw) / -4L, β = (x_cw - x_ccw) / -4L, track ratio 90° / (90° - α), radius
    of a "straight" side R = (L/2) / sin(β/2), wheel ratio (R + b/2) / (R - b/2), written here so that β may be 0.

    Args:
        x_cw_m: x error at the end of the clockwise square.
        x_ccw_m: x error at the end of the counter-clockwise square.
        side_m: side L of the square.
        track_width_m: nominal track width b.

    Raises:
        ValueError: side_m or track_width_m is not above 0, or an error is as large as the square.

    """
    if not (0.0 < side_m < math.inf and 0.0 < track_width_m < math.inf):
        raise ValueError(f"side_m is {side_m!r} and track_width_m is {track_width_m!r}; give lengths above 0")
    if not abs(x_cw_m) + abs(x_ccw_m) < side_m:
        raise ValueError(f"x_cw_m is {x_cw_m!r} and x_ccw_m is {x_ccw_m!r}; give errors below the square's side")
    alpha = (x_cw_m + x_ccw_m) / (-4.0 * side_m)
    beta = (x_cw_m - x_ccw_m) / (-4.0 * side_m)
    bow = track_width_m * math.sin(0.5 * beta)
    quarter = 0.5 * math.pi
    return SquareErrors(quarter / (quarter - alpha), (side_m + bow) / (side_m - bow))
