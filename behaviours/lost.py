"""Where the line stops: across a gap straight on, and from a lost line back to it, but never back the way it came.

A gap follows a straight stretch (50 mm at least), so the line's own direction before it, taken from the trail, leads
to the other side. A line that is not there again after the longest gap was no gap's line: search to both sides, then
back to where it was last seen, and search there.
"""

import math

from behaviours.eyes import Line
from behaviours.motion import drive_on, ray_turn, settle, turn_by, wheels, wrap
from behaviours.settings import LineSettings
from behaviours.trail import Ray
from robotcore.kernel import tick
from robotcore.robot import Robot


async def carry_on(robot: Robot, line: Line, s: LineSettings) -> bool:
    """Go on straight where the line ended; True once an eye has a line again, False beyond the longest gap."""
    g = s.gap
    ended_m = line.contact_m
    if line.slipped(g.slipped_m):
        line.glanced_m = line.travel_m
        if await glance(robot, line, s):
            return True
    ray = line.trail.ray(g.fit_m, ended_m, line.heading_rad)
    again, start_m = 0, line.travel_m
    reach, wave = line.side * g.weave_m, math.tau / g.weave_length_m
    while again < g.readings:
        gone = line.travel_m - start_m
        if gone > g.longest_m:
            return False
        left, rate = reach * math.sin(wave * gone), reach * wave * g.speed_m_s * math.cos(wave * gone)
        wheels(robot, g.speed_m_s, ray_turn(line, ray, left, g.speed_m_s, rate))
        if not line.look(await tick()):
            return False
        again = again + 1 if line.left.dark > g.touch or line.right.dark > g.touch else 0
    line.swung_m = line.travel_m + g.land_m
    gone = line.travel_m - ended_m
    if gone > g.told_m:
        robot.decide("gap", length=round(gone, 3))
    return True


async def glance(robot: Robot, line: Line, s: LineSettings) -> bool:
    """Turn a little to the side on which the line was, and back: it may have slipped out from under that eye."""
    await settle(robot, line, 0.05)
    if await turn_by(robot, line, line.side * s.gap.glance_rad, s.turn, until=lambda: line.met):
        return True
    await turn_by(robot, line, -line.side * s.gap.glance_rad, s.turn)
    return False


async def find_line(robot: Robot, line: Line, ray: Ray, s: LineSettings) -> bool:
    """Search for a lost line: here to both sides, then where it was last seen; False if it stays lost."""
    robot.decide("lost", side="left" if line.side > 0 else "right")
    if await search(robot, line, ray, s.gap.search_rad, s):
        return True
    for _ in range(s.gap.tries):
        back = line.travel_m - line.contact_m if line.travel_m - line.contact_m > 0.01 else 0.06
        await turn_to(robot, line, ray.heading_rad, s)
        await drive_on(robot, line, -back, s.turn)
        if await search(robot, line, ray, s.gap.wide_rad, s):
            return True
        line.contact_m = line.travel_m
    return False


async def search(robot: Robot, line: Line, ray: Ray, angle_rad: float, s: LineSettings) -> bool:
    """Turn to where the line was last, then to the other side, each up to `angle_rad` off the line's heading."""
    await settle(robot, line, 0.05)
    for side in (line.side, -line.side):
        left = wrap(ray.heading_rad - line.heading_rad) + side * angle_rad
        if left * side > 0.0 and await turn_by(robot, line, left, s.turn, until=lambda: line.met):
            robot.decide("found", side="left" if side > 0 else "right")
            return True
    await turn_to(robot, line, ray.heading_rad, s)
    return False


async def turn_to(robot: Robot, line: Line, heading_rad: float, s: LineSettings) -> None:
    """Turn on the spot to a heading."""
    await turn_by(robot, line, wrap(heading_rad - line.heading_rad), s.turn)


async def sight_again(robot: Robot, line: Line) -> None:
    """Stand until all readings are back."""
    robot.fault("blind", "no readings of floor or tracks; standing until they are back")
    while True:
        robot.stand()
        if line.look(await tick()) and not line.left.misses and not line.right.misses and not line.misses:
            return
