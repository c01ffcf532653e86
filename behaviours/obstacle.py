"""Obstacles on the line: seen by the forward colour sensor, located and passed by the side range sensor.

What stands ahead throws the sensor's own light back, the more the nearer: as one over the distance squared. So the
distance follows from how fast the light grows with the way driven, whatever the colour: d = 2 light / growth. Black
gives little back, but it hides the light of the hall behind it: what is ahead gets darker first. That slows the robot
down, so that the little light from near is seen in time.

The way round is on the side away from the range sensor, so that it looks at the obstacle. Turning away sweeps its beam
over the obstacle, which tells where the middle is; the robot drives a circle about it, wider where the beam says so.
It ends when an eye meets the line behind. The line then goes on to the side of the way round, whatever way it bends.
"""

import math
from collections import deque

from behaviours.eyes import Line, Met
from behaviours.motion import drive_on, settle, turn_by, wheels, wrap
from behaviours.settings import RIGHT_ANGLE, LineSettings, ObstacleSettings
from robotcore.kernel import tick
from robotcore.readings import SATURATED, Range
from robotcore.robot import Robot

EMPTY, DIM, LIT = 0, 1, 2


class Looming:
    """Works out what the forward sensor's light says: nothing there, something dim, or something lit, and how near.

    Args:
        s: thresholds.
        dt: seconds between readings.

    Attributes:
        empty: the light where nothing is ahead, first the mean of some readings.
        rise: the smoothed light above it.

    """

    def __init__(self, s: ObstacleSettings, dt: float) -> None:
        self._s = s
        self._share = dt / (s.smooth_s + dt)
        self._rise, self._fall, self._adapt = s.rise, -s.fall, s.adapt
        self._seen: deque[tuple[float, float]] = deque(maxlen=24)
        self._lit_m: float | None = None
        self._learnt, self._sum, self._learning = 0, 0.0, s.learn > 0
        self._flash, self._last, self._flashed, self._said = s.flash, 0.0, 0, EMPTY
        self._light = self.empty = self.rise = 0.0

    def forget(self) -> None:
        """Start anew: what is ahead now is the empty hall."""
        self._seen.clear()
        self._lit_m = None
        self._learnt, self._sum, self._learning = 0, 0.0, self._s.learn > 0
        self._flashed, self._said = 0, EMPTY

    def see(self, light: float, travel_m: float) -> int:
        """Take in the sensor's lightness at a travel; return `EMPTY`, `DIM` or `LIT`.

        What comes nearer grows brighter bit by bit. A jump is a flash, and changes nothing unless it lasts.
        """
        if self._learning:
            self._learnt += 1
            self._learning = self._learnt < self._s.learn
            self._sum += light
            self.empty = self._light = self._last = self._sum / self._learnt
            return EMPTY
        if light - self._last > self._flash and self._flashed < self._s.flashes:
            self._flashed += 1
            return self._said
        self._last, self._flashed = light, 0
        self._light = smooth = self._light + self._share * (light - self._light)
        self.rise = rise = smooth - self.empty
        if rise <= self._rise:
            self._lit_m = None
            self.empty += self._adapt * rise
            self._said = said = EMPTY if rise >= self._fall else DIM
            return said
        self.empty += 0.02 * self._adapt * rise
        if self._lit_m is None:
            self._lit_m = travel_m
            self._seen.clear()
        if not self._seen or travel_m - self._seen[-1][0] > self._s.step_m:
            self._seen.append((travel_m, rise))
        self._said = LIT
        return LIT

    def near(self, travel_m: float) -> float | None:
        """Return the distance of something lit that is near, or None.

        Just after it came into view its light has grown from nothing and says nothing of the distance. Only black
        gives so little light and yet is seen: it is near then.
        """
        s = self._s
        if self._lit_m is None:
            return None
        if self.rise < s.faint:
            return s.near_m
        distance = self._distance_m(travel_m, self._lit_m + s.view_m)
        return min(distance, s.near_m) if distance < s.near_m or self.rise > s.dazzle else None

    def _distance_m(self, travel_m: float, from_m: float) -> float:
        """Return the distance by the growth of the light, taken over readings since the travel `from_m`."""
        best = math.inf
        for travel, before in reversed(self._seen):
            way = travel_m - travel
            if travel < from_m or way > self._s.base_m + self._s.step_m:
                break
            if way >= 0.5 * self._s.base_m:
                growth = (self.rise - before) / way
                best = 2.0 * self.rise / growth if growth > 0.0 else math.inf
        return best


async def obstacle_ahead(robot: Robot, line: Line, looming: Looming, s: LineSettings) -> Met:
    """Return once an obstacle is near. From first sight on the robot is slowed down."""
    o, count, see = s.obstacle, 0, looming.see
    clear = False
    while True:
        front = (await tick())[4]
        if front[7] and front[7] != SATURATED:
            continue
        if see(front[3], line.travel_m) == EMPTY:
            if not clear:
                line.cap_m_s, count, clear = math.inf, 0, True
            continue
        line.cap_m_s, clear = o.approach_m_s, False
        distance = looming.near(line.travel_m)
        count = count + 1 if distance is not None else 0
        if distance is not None and count >= o.votes:
            return Met("obstacle", distance_m=distance)


def free_side(robot: Robot) -> int:
    """Return the side (+1 left, -1 right) on which to pass, so that the range sensor looks at the obstacle."""
    if not robot.has("side_range"):
        return 1
    return 1 if math.sin(robot.mount("side_range").heading_rad) < 0.0 else -1


async def go_round(robot: Robot, line: Line, distance_m: float, s: LineSettings) -> bool:
    """Pass an obstacle that is right ahead and turn onto the line behind it; False where no line was met."""
    o, side = s.obstacle, free_side(robot)
    name = "left" if side > 0 else "right"
    robot.decide("obstacle", side=name, distance=round(distance_m, 3))
    line.cap_m_s = math.inf
    await settle(robot, line)
    await drive_on(robot, line, -o.back_m, s.turn)
    middle = await locate(robot, line, side, distance_m, s)
    x, y = line.axle()
    towards = math.atan2(middle[1] - y, middle[0] - x)
    await turn_by(robot, line, wrap(towards + side * RIGHT_ANGLE - line.heading_rad), s.turn)
    orbit = Orbit(middle, side, towards, o)
    if not await circle(robot, line, orbit, s):
        return False
    robot.decide("passed", side=name)
    found = await turn_onto(robot, line, side, orbit.onward_rad(*line.middle()), s)
    line.forget()
    return found


async def turn_onto(robot: Robot, line: Line, side: int, onward_rad: float, s: LineSettings) -> bool:
    """Turn onto a line that the eyes have just met, into its direction onward; False where it is lost.

    Across the line the robot first drives on until a bow to `side` ends over it, and does not look while it turns away
    from where it crossed. At a slant the eyes are on the line for long, and what follows lines sets it right.
    """
    o = s.obstacle
    turn = max(0.0, side * wrap(onward_rad - line.heading_rad))
    radius = o.onto_m_s / s.turn.search_rad_s
    steep = turn > o.steep_rad
    over = line.ahead_m - radius * math.tan(0.5 * min(turn, 2.0)) if steep else o.over_share * line.ahead_m
    await drive_on(robot, line, max(over, 0.01), s.turn)
    blind = turn - o.onto_rad if steep else 0.0
    for angle in (turn + o.onto_rad, -2.0 * o.onto_rad):
        speed = o.onto_m_s if angle > 0.0 else 0.0
        if await turn_by(robot, line, side * angle, s.turn, until=lambda: line.met, blind_rad=blind, speed_m_s=speed):
            return True
        blind = 0.0
    return False


class Sweep:
    """Where the range sensor's beam met something near while the robot turned."""

    def __init__(self, s: ObstacleSettings) -> None:
        self._s = s
        self._met: list[tuple[float, float]] = []  # beam's direction, distance

    def see(self, echo: Range, beam_rad: float) -> None:
        """Take in a distance and the direction of the beam when it was measured."""
        if echo.valid and echo.distance_m < self._s.lost_m:
            self._met.append((beam_rad, echo.distance_m))

    def nearest(self) -> tuple[float, float] | None:
        """Return direction and distance of what was met: the middle of the directions in which it was nearest."""
        if not self._met:
            return None
        near = min(distance for _, distance in self._met)
        directions = [beam for beam, distance in self._met if distance < near + self._s.deep_m]
        return 0.5 * (min(directions) + max(directions)), near


async def locate(robot: Robot, line: Line, side: int, distance_m: float, s: LineSettings) -> tuple[float, float]:
    """Turn away from the obstacle, sweep it with the range sensor's beam, and return where its middle is."""
    o, sweep = s.obstacle, Sweep(s.obstacle)
    x, y = line.axle()
    room = 0.7 * distance_m + o.back_m + robot.body.front_m + o.bulk_m
    guess = x + room * math.cos(line.heading_rad), y + room * math.sin(line.heading_rad)
    if not robot.has("side_range"):
        return guess
    mount = robot.mount("side_range")

    def seen() -> bool:
        echo, drive = robot.sample.side_range, robot.sample.drive
        if echo.valid:
            turned = (drive.right_m_s - drive.left_m_s) / robot.body.track_width_m * echo.age_s
            sweep.see(echo, line.heading_rad - turned + mount.heading_rad)
        return False

    await turn_by(robot, line, side * o.sweep_rad, s.turn, until=seen)
    found = sweep.nearest()
    if found is None:
        return guess
    beam, distance = found
    cos, sin = math.cos(beam - mount.heading_rad), math.sin(beam - mount.heading_rad)
    x, y = line.axle()
    far = distance + o.bulk_m
    return (
        x + mount.ahead_m * cos - mount.left_m * sin + far * math.cos(beam),
        y + mount.ahead_m * sin + mount.left_m * cos + far * math.sin(beam),
    )


class Orbit:
    """The way round an obstacle: wide where the line is crossed, drawn in to the side sensor's distance abeam.

    Args:
        middle: the obstacle's, in the trail's frame.
        side: +1 to pass on the left.
        heading_rad: from where the robot stood to the middle: on a bend as much off the line there as behind.
        s: sizes.

    """

    def __init__(self, middle: tuple[float, float], side: int, heading_rad: float, s: ObstacleSettings) -> None:
        self._x, self._y = middle
        self._side, self._heading_rad, self._s = side, heading_rad, s
        self._last = math.inf
        self.radius_m = s.orbit_m

    def turn(self, x: float, y: float, heading_rad: float, echo: Range) -> float:
        """Return the rate of turn for the axle's place and heading and what the side sensor says."""
        s, side = self._s, self._side
        away = math.hypot(x - self._x, y - self._y)
        round_rad = math.atan2(y - self._y, x - self._x)
        self._adapt(away, echo)
        least = s.crossing_m if wrap(round_rad - self._heading_rad) * side < s.abeam_rad else s.least_m
        off = away - max(self.radius_m, least)
        slant = max(-s.slant_rad, min(off / s.slant_m, s.slant_rad))
        wanted = round_rad - side * (RIGHT_ANGLE + slant)
        return s.gain_per_s * wrap(wanted - heading_rad) - side * s.speed_m_s / away

    def beyond(self, x: float, y: float) -> bool:
        """Tell whether (x, y) is where the line may come out behind the obstacle."""
        bearing = wrap(math.atan2(y - self._y, x - self._x) - self._heading_rad)
        return bearing * self._side < self._s.abeam_rad

    def onward_rad(self, x: float, y: float) -> float:
        """Return the heading of a line that comes out behind the obstacle at (x, y), on a straight or a bend.

        On a circle the chords from before to the middle and on to behind turn by as much as the tangent does from the
        middle of one to the middle of the other; to the end of the second it is half as much again.
        """
        turned = wrap(math.atan2(y - self._y, x - self._x) - self._heading_rad)
        return self._heading_rad + 1.5 * turned

    def _adapt(self, away_m: float, echo: Range) -> None:
        s = self._s
        if echo.valid and echo.distance_m < s.lost_m:
            self._last = echo.distance_m
            wanted = away_m + s.side_m - echo.distance_m
            self.radius_m += s.draw * (min(max(wanted, s.least_m), s.most_m) - self.radius_m)
        elif not echo.valid and self._last < s.close_m:
            self.radius_m = min(max(self.radius_m, away_m + s.side_m), s.most_m)


async def circle(robot: Robot, line: Line, orbit: Orbit, s: LineSettings) -> bool:
    """Drive round an obstacle until an eye meets the line behind it; False after a full round."""
    o = s.obstacle
    start_m, start_rad, met = line.travel_m, line.heading_rad, 0
    while abs(line.heading_rad - start_rad) < o.round_rad and line.travel_m - start_m < o.longest_m:
        x, y = line.axle()
        wheels(robot, o.speed_m_s, orbit.turn(x, y, line.heading_rad, robot.sample.side_range))
        line.look(await tick())
        met = met + 1 if line.touched and orbit.beyond(*line.middle()) else 0
        if met >= 2:
            return True
    return False
