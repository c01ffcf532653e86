"""Where the robot is in the zone: dead reckoning, corrected by what is known of the walls.

The zone is an upright rectangle. The chart's x axis points from the entry straight in, y to the left of it, and the
origin is where the silver strip ends. Wall `k` faces outward in direction k times a quarter turn: 0 is the far wall, 1
the left one, 2 that of the entry, 3 the right one. `walls[k]` is how far it is from the origin, outward; None where
nobody knows yet.

An extended Kalman filter holds five states: x, y, heading, the heading's drift on a straight way (tracks slip
unequally) and the share of a turn on the spot that is lost. So what tracks do on this floor is learnt while driving
along walls. Textbook form; noise figures stand in `ChartSettings` and beside the code.

Rules: metres and radians, from readings alone. A range reading far from what is expected corrects nothing.
"""

import math
from typing import NamedTuple

from behaviours.zone.settings import ChartSettings
from robotcore.readings import ABSENT, MISSING, Drive, Range
from robotcore.rig import Mount

N = 5
QUARTER = 0.5 * math.pi
NORMALS = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))
ENTRY = 2  #: the wall with the silver strip
SPREAD_M2_M = 2.0e-4  #: variance of place that a metre's way adds
SPREAD_RAD2_M = 1.5e-3  #: of heading, a metre's way: slip wanders
SPREAD_RAD2_RAD = 4.0e-4  #: of heading, a radian's turn on the spot
ODD = 80  #: unbelieved readings in a row after which the chart doubts itself: three seconds; an opening takes less

State = list[float]


def wrap(angle_rad: float) -> float:
    """Return the same direction within half a turn to either side."""
    return math.remainder(angle_rad, math.tau)


class Echo(NamedTuple):
    """What a new range reading is worth: the wall it was expected from (-1 for none), and reading less expected."""

    wall: int
    off_m: float


NO_ECHO = Echo(-1, 0.0)


class Chart:
    """Pose and walls.

    Args:
        s: noise and gates.
        mount: where the range sensor sits.
        track_width_m: of the rig.

    Attributes:
        x, y, heading: the pose (m, m, rad).
        walls: distance of each wall from the origin, None where not known.
        firm: whether a wall's distance was measured by docking.
        echo: what the last range reading was worth.

    """

    def __init__(self, s: ChartSettings, mount: Mount, track_width_m: float) -> None:
        self._s, self._mount, self._width = s, mount, track_width_m
        self.walls: list[float | None] = [None, None, 0.0, None]
        self.firm = [False, False, True, False]
        self.echo = NO_ECHO
        self._left: float | None = None
        self._right = 0.0
        self._age = -1.0
        self._odd = 0
        self._way = self._turned = self._dx = self._dy = self._rolled = self._swung = 0.0
        self.place(0.0, 0.0, 0.0, 0.02, 0.1)
        self.drift, self.scrub = 0.0, s.scrub_mean
        self._p[3][3], self._p[4][4] = s.drift_rad_m**2, s.scrub**2

    def place(self, x: float, y: float, heading: float, sd_m: float, sd_rad: float) -> None:
        """Take it that the robot is there, to within standard deviations; what was learnt of its tracks stays."""
        self.x, self.y, self.heading = x, y, heading
        before = getattr(self, "_p", [[0.0] * N for _ in range(N)])
        self._p = [[0.0] * N for _ in range(N)]
        self._p[3][3], self._p[4][4] = before[3][3], before[4][4]
        self._p[0][0] = self._p[1][1] = sd_m * sd_m
        self._p[2][2] = sd_rad * sd_rad

    def move(self, drive: Drive) -> None:
        """Go on by what the tracks rolled since the last call."""
        if not drive.valid:
            return
        if self._left is None:
            self._left, self._right = drive.left_m, drive.right_m
        left, right = drive.left_m - self._left, drive.right_m - self._right
        self._left, self._right = drive.left_m, drive.right_m
        if not (left or right):
            return
        way, turn = 0.5 * (left + right), (right - left) / self._width
        lost = turn * abs(right - left) / (abs(left) + abs(right))
        change = turn - self.scrub * lost + self.drift * way
        middle = self.heading + 0.5 * change
        dx, dy = way * math.cos(middle), way * math.sin(middle)
        self.x += dx
        self.y += dy
        self.heading += change
        self._dx += dx
        self._dy += dy
        self._way += way
        self._turned -= lost
        self._rolled += abs(way)
        self._swung += abs(lost)

    def hear(self, reading: Range) -> bool:
        """Take in a range reading; True for a new one. `echo` then says what it is worth."""
        if reading.status in (MISSING, ABSENT):
            return False
        new = reading.age_s <= self._age or self._age < 0.0
        self._age = reading.age_s
        if not new:
            return False
        self.echo = NO_ECHO
        wall = self.beside()
        if wall >= 0:
            self._compare(wall, reading)
        return True

    def beside(self) -> int:
        """Return the wall that the range sensor looks at; -1 for none."""
        beam = self.heading + self._mount.heading_rad
        wall = round(beam / QUARTER) % 4
        return wall if abs(wrap(beam - wall * QUARTER)) < self._s.square_rad else -1

    def expected(self, wall: int) -> float:
        """Return the range reading that a wall should give; inf where its place is not known."""
        distance = self.walls[wall]
        if distance is None:
            return math.inf
        sx, sy = self.sensor()
        nx, ny = NORMALS[wall]
        tilt = abs(wrap(self.heading + self._mount.heading_rad - wall * QUARTER))
        return (distance - sx * nx - sy * ny) / math.cos(max(0.0, tilt - self._s.beam_rad))

    def sensor(self) -> tuple[float, float]:
        """Return where the range sensor is."""
        return self.at(self._mount.ahead_m, self._mount.left_m)

    def at(self, ahead_m: float, left_m: float = 0.0) -> tuple[float, float]:
        """Return the place so far ahead and to the left of the axle."""
        c, s = math.cos(self.heading), math.sin(self.heading)
        return self.x + ahead_m * c - left_m * s, self.y + ahead_m * s + left_m * c

    def room(self, wall: int, ahead_m: float = 0.0) -> float:
        """Return how far from a wall the point so far ahead is; inf where the wall is not known."""
        distance = self.walls[wall]
        if distance is None:
            return math.inf
        x, y = self.at(ahead_m)
        return distance - x * NORMALS[wall][0] - y * NORMALS[wall][1]

    def ahead(self) -> int:
        """Return the wall that the robot faces most."""
        return round(self.heading / QUARTER) % 4

    def clear_m(self, ahead_m: float) -> float:
        """Return how far it is straight on, from a point ahead of the axle, to the nearest known wall."""
        x, y = self.at(ahead_m)
        c, s = math.cos(self.heading), math.sin(self.heading)
        nearest = math.inf
        for wall, (nx, ny) in enumerate(NORMALS):
            distance, along = self.walls[wall], c * nx + s * ny
            if distance is not None and along > 0.05:
                nearest = min(nearest, (distance - x * nx - y * ny) / along)
        return nearest

    def _compare(self, wall: int, reading: Range) -> None:
        expected = self.expected(wall)
        if not reading.valid:
            return
        if expected == math.inf:
            self.echo = Echo(wall, math.inf)
            return
        off = reading.distance_m - expected
        self.echo = Echo(wall, off)
        self._spread()
        wide = self._s.gate_m + 2.0 * math.sqrt(self._along(wall))
        if abs(off) < wide:
            self._odd = 0
            self._hear_wall(wall, off)
            return
        self._odd += 1
        if self._odd >= ODD:  # not an opening, not a passing thing: the chart itself is off
            self._odd = 0
            self._p[0][0] += 0.04**2
            self._p[1][1] += 0.04**2
            self._p[2][2] += 0.08**2

    def _along(self, wall: int) -> float:
        """Return the variance of the place across a wall."""
        return self._p[wall % 2][wall % 2]

    def _hear_wall(self, wall: int, off: float) -> None:
        (nx, ny), mount = NORMALS[wall], self._mount
        c, s = math.cos(self.heading), math.sin(self.heading)
        px, py = -mount.ahead_m * s - mount.left_m * c, mount.ahead_m * c - mount.left_m * s
        self._correct([-nx, -ny, -(px * nx + py * ny), 0.0, 0.0], off, self._s.range_sd_m**2)

    def squared(self, wall: int, reach_m: float, facing: bool) -> None:
        """Take it that the front (or, not facing, the rear) lies flat against a wall, `reach_m` from the axle."""
        self._spread()
        (nx, ny), distance = NORMALS[wall], self.walls[wall]
        heading = wall * QUARTER if facing else wall * QUARTER + math.pi
        self._correct([0.0, 0.0, 1.0, 0.0, 0.0], wrap(heading - self.heading), 0.008**2)
        there = self.x * nx + self.y * ny
        if distance is None or (not self.firm[wall] and there + reach_m > distance):
            self.walls[wall] = there + reach_m
            self.firm[wall] = True
        else:
            self._correct([nx, ny, 0.0, 0.0, 0.0], distance - reach_m - there, 0.004**2)

    def _spread(self) -> None:
        """Let the covariance grow by what was driven since the last correction."""
        p, way, turned, dx, dy = self._p, self._way, self._turned, self._dx, self._dy
        for row in p:  # P F'
            heading, drift, scrub = row[2], row[3], row[4]
            row[0] -= dy * heading
            row[1] += dx * heading
            row[2] += way * drift + turned * scrub
        heading_row, drift_row, scrub_row = list(p[2]), p[3], p[4]
        for i in range(N):  # F (P F')
            p[0][i] -= dy * heading_row[i]
            p[1][i] += dx * heading_row[i]
            p[2][i] += way * drift_row[i] + turned * scrub_row[i]
        p[0][0] += SPREAD_M2_M * self._rolled
        p[1][1] += SPREAD_M2_M * self._rolled
        p[2][2] += SPREAD_RAD2_M * self._rolled + SPREAD_RAD2_RAD * self._swung
        p[3][3] += 2e-4 * self._rolled
        self._way = self._turned = self._dx = self._dy = self._rolled = self._swung = 0.0

    def _correct(self, h: State, off: float, variance: float) -> None:
        """Correct by a measurement that is linear in the states: `off` is measured less expected."""
        p = self._p
        ph = [sum(row[j] * h[j] for j in range(N) if h[j]) for row in p]
        total = variance + sum(h[i] * ph[i] for i in range(N) if h[i])
        gain = [value / total for value in ph]
        self.x += gain[0] * off
        self.y += gain[1] * off
        self.heading += gain[2] * off
        self.drift += gain[3] * off
        self.scrub += gain[4] * off
        for i in range(N):
            for j in range(N):
                p[i][j] -= gain[i] * ph[j]
