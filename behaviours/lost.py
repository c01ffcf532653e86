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
    if ended_m - line.strong_m < g.slipped_m and await glance(robot, line, s):
        return True
    ray = line.trail.ray(g.fit_m, ended_m, line.heading_rad)
    again, start_m = 0, line.travel_m
    while again < 2:
        gone = line.travel_m - ended_m
        if line.travel_m - start_m > g.longest_m:
            return False
        weave = 0.0
        if gone > g.weave_after_m:
            weave = line.side * g.weave_m * math.sin((gone - g.weave_after_m) / g.weave_length_m * math.tau)
        wheels(robot, g.speed_m_s, ray_turn(line, ray, weave, g.speed_m_s))
        if not line.look(await tick()):
            return False
        again = again + 1 if line.touched else 0
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
        left = wrap(ray.heading_rad + side * angle_rad - line.heading_rad)
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
