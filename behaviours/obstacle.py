"""Obstacles on the line: seen by the forward colour sensor, passed at the side range sensor's arm's length.

What stands ahead throws the sensor's own light back, the more the nearer: as one over the distance squared. So the
distance follows from how fast the light grows with the way driven, whatever the colour: d = 2 light / growth.

The way round is on the side away from the range sensor, so that it looks at the obstacle. It ends when an eye meets
the line behind it; the line then goes on to that same side, whatever way the robot came round.
"""

import math
from collections import deque

from behaviours.eyes import Line, Met
from behaviours.motion import drive_on, settle, turn_by, wheels
from behaviours.settings import LineSettings, ObstacleSettings
from robotcore.kernel import tick
from robotcore.readings import Range
from robotcore.robot import Robot


class Looming:
    """Works out how near something is by how its light grows.

    Args:
        s: thresholds.

    """

    def __init__(self, s: ObstacleSettings) -> None:
        self._s = s
        self._seen: deque[tuple[float, float]] = deque(maxlen=24)
        self.empty: float | None = None  #: the light where nothing is ahead

    def see(self, light: float, travel_m: float) -> bool:
        """Take in the sensor's lightness at a travel; tell whether something is there at all."""
        if self.empty is None:
            self.empty = light
        rise = light - self.empty
        there = rise > self._s.rise
        if not there:
            self.empty += self._s.adapt * rise
        if not self._seen or travel_m - self._seen[-1][0] > self._s.step_m:
            self._seen.append((travel_m, rise))
        return there

    def distance_m(self, light: float, travel_m: float) -> float:
        """Return how far ahead it is, or inf as long as too little has been driven towards it."""
        if self.empty is None:
            return math.inf
        rise = light - self.empty
        for travel, before in reversed(self._seen):
            way = travel_m - travel
            if way >= self._s.base_m:
                growth = (rise - before) / way
                return 2.0 * rise / growth if growth > 0.0 and before > 0.3 * self._s.rise else math.inf
        return math.inf


async def obstacle_ahead(robot: Robot, line: Line, looming: Looming, s: LineSettings) -> Met:
    """Return once an obstacle is near. From first sight on the robot is slowed down."""
    o, count, near = s.obstacle, 0, 0
    while True:
        front = (await tick())[4]
        if not front[6]:
            continue
        light = front[3]
        there = looming.see(light, line.travel_m)
        count = min(count + 1, 2 * o.votes) if there else max(count - 1, 0)
        line.cap_m_s = o.approach_m_s if count >= 2 else math.inf
        if count < o.votes:
            near = 0
            continue
        distance = looming.distance_m(light, line.travel_m)
        near = near + 1 if distance < o.near_m or light - (looming.empty or 0.0) > o.dazzle else 0
        if near >= 2:
            return Met("obstacle", distance_m=distance)


def free_side(robot: Robot) -> int:
    """Return the side (+1 left, -1 right) on which to pass, so that the range sensor looks at the obstacle."""
    if not robot.has("side_range"):
        return 1
    mount = robot.mount("side_range")
    return 1 if math.sin(mount.heading_rad) < 0.0 else -1


async def go_round(robot: Robot, line: Line, distance_m: float, s: LineSettings) -> bool:
    """Pass an obstacle that is right ahead and turn onto the line behind it; False where no line was met."""
    o, side = s.obstacle, free_side(robot)
    robot.decide("obstacle", side="left" if side > 0 else "right", distance=round(min(distance_m, 9.0), 3))
    line.cap_m_s = math.inf
    await settle(robot, line)
    room = distance_m if distance_m < o.near_m else 0.6 * o.near_m
    await drive_on(robot, line, -max(o.back_m, o.circle_m - robot.body.front_m - room - o.bulk_m), s.turn)
    await turn_by(robot, line, side * o.turn_rad, s.turn)
    if not await keep_beside(robot, line, side, s):
        return False
    robot.decide("passed", side="left" if side > 0 else "right")
    await drive_on(robot, line, o.over_share * line.ahead_m, s.turn)
    found = await turn_by(robot, line, side * o.onto_rad, s.turn, until=lambda: line.touched)
    line.forget()
    return found


class Beside:
    """Steers round an obstacle: a circle, drawn in or widened by what the side range sensor says.

    A distance steers by how it changes with the way driven, which is the angle to the obstacle's side: that damps. No
    echo just after a short one means too near to measure, not far.
    """

    def __init__(self, s: ObstacleSettings) -> None:
        self._s = s
        self._seen: deque[tuple[float, float]] = deque(maxlen=40)
        self._last = math.inf

    def turn(self, echo: Range, travel_m: float) -> float:
        """Return the rate of turn, positive away from the obstacle."""
        s, round_ = self._s, -self._s.speed_m_s / self._s.circle_m
        if not echo.valid or echo.distance_m > s.lost_m:
            self._seen.clear()
            return s.away_rad_s if self._last < s.close_m else round_
        self._last = distance = echo.distance_m
        slope = self._slope(distance, travel_m)
        wanted = max(-s.slant, min((s.side_m - distance) / s.slant_m, s.slant))
        return max(-s.in_rad_s, min(round_ - s.gain_rad_s * (slope - wanted), s.away_rad_s))

    def _slope(self, distance_m: float, travel_m: float) -> float:
        """Return how the distance grows for each metre driven, over the last centimetres."""
        seen = self._seen
        if not seen or travel_m - seen[-1][0] > 0.003:
            seen.append((travel_m, distance_m))
        for travel, before in reversed(seen):
            if travel_m - travel > self._s.slope_m:
                return (distance_m - before) / (travel_m - travel)
        return 0.0


async def keep_beside(robot: Robot, line: Line, side: int, s: LineSettings) -> bool:
    """Drive round the obstacle until an eye meets the line; False after a full round."""
    o, beside = s.obstacle, Beside(s.obstacle)
    start_m, start_rad, met = line.travel_m, line.heading_rad, 0
    while (line.heading_rad - start_rad) * side > -o.round_rad and line.travel_m - start_m < o.longest_m:
        wheels(robot, o.speed_m_s, side * beside.turn(robot.sample.side_range, line.travel_m))
        line.look(await tick())
        met = met + 1 if line.touched and line.travel_m - start_m > o.leave_m else 0
        if met >= 2:
            return True
    return False
