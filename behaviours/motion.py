"""Short drives and turns by the encoders, each until a stated distance or angle, or until something is seen.

Rules: each owns the tracks while it runs and looks at the floor every tick, so that what it passes is known. Angles
are counter-clockwise, distances forward. None of them ends without an end in sight: every one is bounded by its own
distance or angle, and by a time limit against blocked tracks.
"""

import math
from collections.abc import Callable

from behaviours.eyes import Line
from behaviours.settings import TurnSettings
from behaviours.trail import Ray
from robotcore.kernel import tick
from robotcore.robot import Robot

Seen = Callable[[], bool]
SWUNG_M = 0.008  #: so far behind a turn its swing has died away


def never() -> bool:
    """See nothing."""
    return False


def wheels(robot: Robot, speed_m_s: float, turn_rad_s: float) -> None:
    """Drive at a speed and a rate of turn."""
    half = 0.5 * robot.body.track_width_m * turn_rad_s
    robot.drive(speed_m_s - half, speed_m_s + half)


def wrap(angle_rad: float) -> float:
    """Return the same direction within half a turn to either side."""
    return math.remainder(angle_rad, math.tau)


async def drive_on(
    robot: Robot, line: Line, distance_m: float, s: TurnSettings, until: Seen = never, speed_m_s: float = 0.0
) -> bool:
    """Drive straight by `distance_m` (negative: back up) and stop; tell whether `until` ended it before."""
    speed = (speed_m_s or s.drive_m_s) * (1.0 if distance_m > 0.0 else -1.0)
    start, heading = line.travel_m, line.heading_rad
    ticks = math.ceil((abs(distance_m) / abs(speed) * 3.0 + 1.0) / robot.period_s)
    while abs(line.travel_m - start) < abs(distance_m) and ticks > 0:
        wheels(robot, speed, s.hold_per_s * (heading - line.heading_rad))
        line.look(await tick())
        ticks -= 1
        if until():
            return True
    return False


async def follow_ray(
    robot: Robot, line: Line, ray: Ray, distance_m: float, speed_m_s: float, until: Seen = never
) -> bool:
    """Keep the eyes' middle on `ray` for `distance_m`; tell whether `until` ended it before."""
    start = line.travel_m
    ticks = math.ceil((distance_m / speed_m_s * 3.0 + 1.0) / robot.period_s)
    while line.travel_m - start < distance_m and ticks > 0:
        wheels(robot, speed_m_s, ray_turn(line, ray, 0.0, speed_m_s))
        line.look(await tick())
        ticks -= 1
        if until():
            return True
    return False


def ray_turn(line: Line, ray: Ray, left_m: float, speed_m_s: float, left_m_s: float = 0.0) -> float:
    """Return the rate of turn that keeps the eyes' middle `left_m` to the left of `ray`, that grows by `left_m_s`.

    Turning at w moves the eyes sideways at ahead * w, driving at speed * sin(heading off the ray): both together shall
    close the distance with a time constant of 0.15 s.
    """
    x, y = line.trail.middle(line.travel_m, line.heading_rad)
    off = ray.left_of(x, y) - left_m
    drift = speed_m_s * (ray.ux * math.sin(line.heading_rad) - ray.uy * math.cos(line.heading_rad))
    turn = (left_m_s - off / 0.15 - drift) / line.ahead_m
    return max(-3.0, min(3.0, turn))


async def turn_by(
    robot: Robot,
    line: Line,
    angle_rad: float,
    s: TurnSettings,
    until: Seen = never,
    blind_rad: float = 0.0,
    rate_rad_s: float = 0.0,
    speed_m_s: float = 0.0,
) -> bool:
    """Turn on the spot by `angle_rad`, slowing down into the end; tell whether `until` ended it before.

    Nothing is seen for the first `blind_rad`. With a speed it is a bow.
    """
    target, start = line.heading_rad + angle_rad, line.heading_rad
    fastest = rate_rad_s or (s.fast_rad_s if until is never else s.search_rad_s)
    ticks = math.ceil((abs(angle_rad) / s.slowest_rad_s + 1.0) / robot.period_s)
    while ticks > 0:
        left = target - line.heading_rad
        if left * angle_rad <= 0.0:
            return False
        rate = min(fastest, max(s.slowest_rad_s, s.per_rad * abs(left)))
        wheels(robot, speed_m_s, math.copysign(rate, left))
        line.look(await tick())
        line.swung_m = line.travel_m + SWUNG_M
        ticks -= 1
        if abs(line.heading_rad - start) >= blind_rad and until():
            return True
    return False


async def settle(robot: Robot, line: Line, seconds: float = 0.12) -> None:
    """Stand until the tracks have come to rest and late readings have arrived."""
    for _ in range(math.ceil(seconds / robot.period_s)):
        robot.stand()
        line.look(await tick())
