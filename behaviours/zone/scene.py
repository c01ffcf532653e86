"""What the robot knows in the zone, and the one step that all of the zone's behaviours take: `Zone.step`.

Rules: whoever drives awaits `step` once a tick, so that chart, forward eye, openings and berths never miss a reading.
"""

import math
from collections import deque

from behaviours.zone.chart import NORMALS, QUARTER, Chart
from behaviours.zone.colours import floor_colour
from behaviours.zone.load import Load
from behaviours.zone.openings import Openings, gap
from behaviours.zone.settings import ClassSettings, FrontSettings, ZoneSettings
from robotcore.kernel import tick
from robotcore.readings import OK, SATURATED, Colour, Sample
from robotcore.robot import Robot

BERTH_STEP_M = 0.006  #: one floor colour is noted for each so much of way


class Front:
    """The forward eye.

    Attributes:
        level: lightness of the last reading.
        hall: that of the empty hall.
        peak: the greatest level since `forget`.
        dazzled: the last reading was cut off, or brighter than anything but a light wall.
        flashed: since `forget` one was dazzled, or the peak had a wall paint's hue.
        something: enough readings in a row were above the hall.

    """

    def __init__(self, s: FrontSettings, classes: ClassSettings, period_s: float) -> None:
        self._s, self._classes = s, classes
        self._adapt = period_s / s.hall_s
        self.level = self.hall = self.peak = 0.0
        self.dazzled = self.flashed = self.something = False
        self._known = False
        self._row = 0

    def see(self, colour: Colour) -> None:
        """Take in a reading."""
        if colour.status not in (OK, SATURATED):
            return
        s, level = self._s, colour.lightness
        self.level = level
        self.dazzled = colour.status == SATURATED or level > s.wall
        if level >= self.peak:
            self.peak = level
            painted = level > s.peak and floor_colour(colour, self._classes) != ""
            self.flashed = self.flashed or self.dazzled or painted
        if not self._known:
            self._known, self.hall = True, min(level, s.rise)
        above = level - self.hall
        if abs(above) < s.rise:
            self.hall += self._adapt * above
        self._row = self._row + 1 if above > s.rise else 0
        self.something = self._row >= s.votes

    @property
    def touches(self) -> bool:
        """Tell whether a wall has come so near that no light comes between."""
        return self.flashed and self.level < self._s.fall * self.peak

    def forget(self) -> None:
        """Begin a new approach."""
        self.peak = self.level
        self._row = 0
        self.flashed = self.something = False


class Zone:
    """Everything known in the zone.

    Args:
        robot: the robot.
        s: settings.
        load: what is on board.

    Attributes:
        chart: pose and walls.
        front: the forward eye.
        openings: in the walls.
        turn: which way round the walls go: +1 with the range sensor on the right, -1 on the left.
        sample: the last one.
        flash: where the axle will be in touch with the wall whose light dazzled the forward eye; None before that.
        reached: where the axle was when light last grew before something that then stayed as it was.
        missed: what the jaws met last was not taken: it lies near by.
        visited: corners in which something was dropped.
        inside: whether floor colours are berths: not so over the strips.

    """

    def __init__(self, robot: Robot, s: ZoneSettings, load: Load) -> None:
        mount = robot.mount("side_range")
        self.robot, self.s, self.load = robot, s, load
        self.chart = Chart(s.chart, mount, robot.body.track_width_m)
        self.front = Front(s.front, s.classes, robot.period_s)
        self.openings = Openings(s.exit)
        self.turn = 1 if mount.left_m < 0.0 else -1
        self.sample: Sample = robot.sample
        self.inside = self.missed = False
        self.reached = 0.0, 0.0
        self.visited: set[int] = set()
        self.flash: tuple[float, float] | None = None
        left, right = robot.mount("floor_left"), robot.mount("floor_right")
        self.eyes_m = 0.5 * (left.ahead_m + right.ahead_m)
        self.half_m = 0.5 * robot.body.width_m
        self.swing_m = math.hypot(max(robot.body.front_m, robot.body.rear_m), self.half_m) + s.sweep.swing_m
        self.colours: list[tuple[float, float, str]] = []
        self._noted = (math.inf, math.inf)
        self._last: deque[str] = deque(maxlen=3)

    async def step(self) -> Sample:
        """Wait for the next tick and take in its readings."""
        sample: Sample = await tick()
        self.sample = sample
        self.take_in(sample)
        return sample

    def take_in(self, sample: Sample) -> None:
        """Take in a sample."""
        chart = self.chart
        chart.move(sample.drive)
        if chart.hear(sample.side_range):
            found = self.openings.hear(chart, sample.side_range)
            if found is not None:
                chart.gaps.append(gap(found))
        self.front.see(sample.front)
        if self.inside:
            self._note_floor(sample)

    @property
    def counted(self) -> bool:
        """Tell whether it is known how many objects there are."""
        return all(kind.count for kind in self.s.kinds)

    @property
    def complete(self) -> bool:
        """Tell whether all objects are on board or dropped; never where nobody knows how many there are."""
        return self.counted and self.load.count + self.load.dropped >= sum(kind.count for kind in self.s.kinds)

    @property
    def late(self) -> bool:
        """Tell whether it is too late to sweep on: what is on board must be dropped, and the way out be found."""
        s, berths = self.s.sweep, {kind.name: kind.berth for kind in self.s.kinds}
        visits = len({berths.get(name) for hold in self.load.holds.values() for name in hold})
        return self.sample.time_s > s.end_s - s.leave_s - s.visit_s * visits - s.drop_s * self.load.count

    def lane_m(self, round_number: float) -> float:
        """Return how far from the wall the axle runs in a round, 0 being the first."""
        s = self.s.sweep
        return self.half_m + s.gap_m + round_number * s.pitch_m

    def wheels(self, speed_m_s: float, turn_rad_s: float) -> None:
        """Drive at a speed and a rate of turn."""
        half = 0.5 * self.robot.body.track_width_m * turn_rad_s
        self.robot.drive(speed_m_s - half, speed_m_s + half)

    def held_in(self, x: float, y: float) -> tuple[float, float]:
        """Return a place, moved so far in that the body can turn there."""
        far, left, entry, right = (math.inf if d is None else d - self.swing_m for d in self.chart.walls)
        return max(-entry, min(far, x)), max(-right, min(left, y))

    def _note_floor(self, sample: Sample) -> None:
        """Note where the floor is coloured: three readings alike, once every few millimetres."""
        named = floor_colour(sample.floor_left, self.s.classes) or floor_colour(sample.floor_right, self.s.classes)
        self._last.append(named)
        if not named or self._last.count(named) < 3:
            return
        self.note(*self.chart.at(self.eyes_m), named)

    def note(self, x: float, y: float, named: str) -> None:
        """Note a colour at a place, unless that was done a few millimetres before."""
        if abs(x - self._noted[0]) + abs(y - self._noted[1]) >= BERTH_STEP_M and len(self.colours) < 2000:
            self._noted = x, y
            self.colours.append((x, y, named))

    def corner(self, number: int) -> tuple[float, float] | None:
        """Return where corner `number` is: between wall `number` and the next one, counter-clockwise."""
        one, two = self.chart.walls[number % 4], self.chart.walls[(number + 1) % 4]
        if one is None or two is None:
            return None
        (ax, ay), (bx, by) = NORMALS[number % 4], NORMALS[(number + 1) % 4]
        return one * ax + two * bx, one * ay + two * by

    def ends(self, wall: int) -> tuple[int, int]:
        """Return the corners behind and ahead of a robot that follows a wall."""
        return ((wall - 1) % 4, wall) if self.turn > 0 else (wall, (wall - 1) % 4)

    def berths(self) -> dict[str, tuple[int, int]]:
        """Return colour -> (corner, how many places of that colour lie next to it)."""
        counts: dict[tuple[str, int], int] = {}
        corners = [(number, self.corner(number)) for number in range(4)]
        for x, y, named in self.colours:
            away = [(math.hypot(x - c[0], y - c[1]), number) for number, c in corners if c is not None]
            if away:
                key = named, min(away)[1]
                counts[key] = counts.get(key, 0) + 1
        found: dict[str, tuple[int, int]] = {}
        for (named, number), count in sorted(counts.items()):
            if count >= self.s.drop.least and count > found.get(named, (0, 0))[1]:
                found[named] = number, count
        return found


def outward(corner: int) -> float:
    """Return the direction out into corner `corner`: between its two walls."""
    return (corner + 0.5) * QUARTER
