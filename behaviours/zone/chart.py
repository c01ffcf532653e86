"""Where the robot is in the zone, and where the walls are: dead reckoning, corrected by what walls tell.

The zone is an upright rectangle. The chart's x axis points from the entry straight in, y to the left of it, and the
origin is where the silver strip ends. Wall `k` faces outward in direction k times a quarter turn: 0 is the far wall, 1
the left one, 2 that of the entry, 3 the right one. `walls[k]` is how far it is from the origin, outward; None where
nobody knows yet.

An extended Kalman filter (textbook form) holds ten states: x, y, heading; how the tracks slip here: the heading's drift
on a straight way (they slip unequally), the share of a turn on the spot that is lost, the share of the way that is
lost; and the four walls. So what tracks do on this floor is learnt while driving along walls, and a wall that was
measured badly is put right when the round closes. Noise figures stand in `ChartSettings` and beside the code.

Rules: metres and radians, from readings alone. A range reading far from what is expected corrects nothing.
"""

import math
from typing import NamedTuple

from behaviours.zone.settings import ChartSettings
from robotcore.readings import ABSENT, MISSING, Drive, Range
from robotcore.rig import Mount

N = 10
DRIFT, SCRUB, SLIP, WALLS = 3, 4, 5, 6  #: places of the states after x, y and heading
QUARTER = 0.5 * math.pi
NORMALS = ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))
ENTRY = 2  #: the wall with the silver strip
LEFT, RIGHT = 1, 3
ENTRY_GAP = ENTRY, -0.15, 0.15
SPREAD_M2_M = 1.0e-4  #: variance of place that a metre's way adds
SPREAD_RAD2_M = 3.0e-3  #: of heading, a metre's way: slip wanders
SPREAD_RAD2_RAD = 4.0e-4  #: of heading, a radian's turn on the spot
SQUARE_RAD = 0.008  #: a body pressed against a wall stands so square
STILL_M, STILL_RAD = 0.003, 0.01  #: less motion since the last correction than this: nothing new is learnt
ASKEW_RAD, ASKEW_SD_RAD = 0.55, 0.08  #: a wall turned by so much still tells the heading; how well the beam is known
RIM_M = 0.06  #: ... as far as it is so far from openings and corners
EDGE_RAD = 0.30  #: an opening's edge is heard so far off the beam's middle
GAP_M = 0.02  #: the beam is so wide before an opening's ends
NEAREST_M, BLIND_M = 0.040, 0.024  #: silence after a reading of less than the first means about the second
DEAF_M, WIDEST_M = 0.15, 0.34  #: a wall nearer than the first is heard, and no opening is wider than the second
ODD = 72  #: so many unbelieved readings in a row, and the chart doubts itself: three seconds; an opening takes less
NEARER = 6  #: one that cannot be an opening counts for so many

Entry = tuple[int, float]


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
        drift, scrub, slip: how the tracks slip here.
        walls: distance of each wall from the origin, None where not known.
        gaps: openings, each (wall, from, to) along the wall's axis: readings there correct nothing.
        echo: what the last range reading was worth.
        too_near: the wall beside is, or was when it was last heard, almost too near to be heard.
        rate: of turn, rad/s.
        foot: co-ordinate along the wall beside of where the last new range reading was taken.
        whole: all walls were followed, so that all openings are known.
        lost: readings have contradicted the chart for so long that it is to be found anew.

    """

    def __init__(self, s: ChartSettings, mount: Mount, track_width_m: float) -> None:
        self._s, self._mount, self._width = s, mount, track_width_m
        self.walls: list[float | None] = [None, None, 0.0, None]
        self.gaps: list[tuple[int, float, float]] = [ENTRY_GAP]
        self.echo = NO_ECHO
        self._left: float | None = None
        self._right = self.rate = self._speed = self.foot = 0.0
        self._age = -1.0
        self._odd = 0
        self.lost = self.too_near = self.whole = False
        self._beside = -1
        self._way = self._turned = self._dx = self._dy = self._rolled = self._swung = 0.0
        self._motion = 0.0  # since a reading was last held against a wall, in shares of what counts
        self._p = [[0.0] * N for _ in range(N)]
        self.drift, self.scrub, self.slip = 0.0, s.scrub_mean, s.slip_mean
        for place, sd in ((DRIFT, s.drift_rad_m), (SCRUB, s.scrub), (SLIP, s.slip)):
            self._p[place][place] = sd * sd
        self.place(0.0, 0.0, 0.0, 0.02, 0.1)

    def place(self, x: float, y: float, heading: float, sd_m: float, sd_rad: float) -> None:
        """Take it that the robot is there, to within standard deviations; what else was learnt stays."""
        self.x, self.y, self.heading = x, y, heading
        self._heard = x, y
        for i, variance in enumerate((sd_m * sd_m, sd_m * sd_m, sd_rad * sd_rad)):
            for j in range(N):
                self._p[i][j] = self._p[j][i] = 0.0
            self._p[i][i] = variance

    def move(self, drive: Drive) -> None:
        """Go on by what the tracks rolled since the last call."""
        if not drive.valid:
            return
        if self._left is None:
            self._left, self._right = drive.left_m, drive.right_m
        left, right = drive.left_m - self._left, drive.right_m - self._right
        self.rate = (1.0 - self.scrub) * (drive.right_m_s - drive.left_m_s) / self._width
        self._speed = 0.5 * (drive.left_m_s + drive.right_m_s)
        if not (left or right):
            return
        self._left, self._right = drive.left_m, drive.right_m
        way, turn = 0.5 * (left + right), (right - left) / self._width
        lost = turn * abs(right - left) / (abs(left) + abs(right))
        change = turn - self.scrub * lost + self.drift * way
        middle = self.heading + 0.5 * change
        dx, dy = way * math.cos(middle), way * math.sin(middle)
        self.x += (1.0 - self.slip) * dx
        self.y += (1.0 - self.slip) * dy
        self.heading += change
        self._dx += dx
        self._dy += dy
        self._way += way
        self._turned -= lost
        self._rolled += abs(way)
        self._swung += abs(lost)
        self._motion += abs(way) / STILL_M + abs(lost) / STILL_RAD

    def hear(self, reading: Range) -> bool:
        """Take in a range reading; True for a new one. `echo` then says what it is worth."""
        if reading.status in (MISSING, ABSENT):
            return False
        new = reading.age_s <= self._age or self._age < 0.0
        self._age = reading.age_s
        if not new:
            return False
        late = max(0.0, reading.age_s)
        turned, way = late * self.rate, late * self._speed
        dx, dy = way * math.cos(self.heading), way * math.sin(self.heading)
        self.heading, self.x, self.y = self.heading - turned, self.x - dx, self.y - dy
        self._take_in(reading)
        self.foot = self.looks_at(self.beside())
        self.heading, self.x, self.y = self.heading + turned, self.x + dx, self.y + dy
        return True

    def _take_in(self, reading: Range) -> None:
        """Take in a new range reading, with the pose as it was when it was taken."""
        self.echo = NO_ECHO
        wall = self.beside()
        if wall != self._beside:
            self._beside, self.too_near = wall, False
        if reading.valid:
            self.too_near = reading.distance_m < NEAREST_M
        if wall >= 0 and (reading.valid or self.too_near):
            self._compare(wall, reading.distance_m if reading.valid else BLIND_M)
        elif wall < 0 and reading.valid:
            self._compare_askew(reading.distance_m)
        self._note_silence(wall, reading)

    def _note_silence(self, wall: int, reading: Range) -> None:
        """Note a wall that must be too near to be heard: an opening would end sooner."""
        silent = wall >= 0 and not reading.valid and not self.too_near and self.expected(wall) < DEAF_M
        if not silent:
            self._heard = self.x, self.y
        if math.hypot(self.x - self._heard[0], self.y - self._heard[1]) > WIDEST_M:
            self.too_near = True

    def beside(self) -> int:
        """Return the wall that the range sensor looks at; -1 for none."""
        wall = round(self.beam / QUARTER) % 4
        return wall if abs(wrap(self.beam - wall * QUARTER)) < self._s.square_rad else -1

    def expected(self, wall: int) -> float:
        """Return the range reading that a wall should give; inf where its place is not known."""
        tilt = abs(wrap(self.beam - wall * QUARTER))
        return self._before(wall) / math.cos(max(0.0, tilt - self._s.beam_rad))

    @property
    def beam(self) -> float:
        """The direction in which the range sensor looks, rad."""
        return self.heading + self._mount.heading_rad

    def _before(self, wall: int) -> float:
        """Return how far before a wall the range sensor is; inf where its place is not known."""
        distance, (nx, ny) = self.walls[wall], NORMALS[wall]
        sx, sy = self.sensor()
        return math.inf if distance is None else distance - sx * nx - sy * ny

    def limits(self, wall: int) -> tuple[float, float]:
        """Return from where to where a wall goes, along its axis; infinitely far where nobody knows."""
        low, high = self.walls[3 if wall % 2 == 0 else 2], self.walls[1 if wall % 2 == 0 else 0]
        return -math.inf if low is None else -low, math.inf if high is None else high

    def looks_at(self, wall: int) -> float:
        """Return the co-ordinate along a wall of where the beam's middle meets it; of the sensor where it cannot."""
        (sx, sy), (nx, ny) = self.sensor(), NORMALS[wall]
        c, s = math.cos(self.beam), math.sin(self.beam)
        across = c * nx + s * ny
        way = 0.0 if self.walls[wall] is None or across < 0.5 else max(0.0, self._before(wall)) / across
        return sy + way * s if wall % 2 == 0 else sx + way * c

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

    def clear_m(self, ahead_m: float, aside_rad: float = 0.0, left_m: float = 0.0) -> float:
        """Return how far it is straight on, or so far aside, from a point ahead of the axle to the nearest wall."""
        x, y = self.at(ahead_m, left_m)
        c, s = math.cos(self.heading + aside_rad), math.sin(self.heading + aside_rad)
        nearest = math.inf
        for wall, (nx, ny) in enumerate(NORMALS):
            distance, along = self.walls[wall], c * nx + s * ny
            if distance is not None and along > 0.05:
                nearest = min(nearest, (distance - x * nx - y * ny) / along)
        return nearest

    def doubt_m(self, wall: int) -> float:
        """Return the standard deviation of how far the robot is from a wall, after what was driven since as well."""
        self._spread()
        h = self._across(wall)
        return math.sqrt(max(0.0, sum(a * b * self._p[i][j] for i, a in h for j, b in h)))

    @property
    def heading_sd_rad(self) -> float:
        """The standard deviation of the heading, after what was driven since the last correction as well."""
        self._spread()
        return math.sqrt(max(0.0, self._p[2][2]))

    def _across(self, wall: int) -> list[Entry]:
        """Return how the distance to a wall depends on the states."""
        nx, ny = NORMALS[wall]
        return [(0, -nx) if nx else (1, -ny), (WALLS + wall, 1.0)]

    def _compare(self, wall: int, measured_m: float) -> None:
        """Hold a reading against the wall beside; correct by it where it is believed."""
        expected = self.expected(wall)
        if expected == math.inf:
            self.echo = Echo(wall, math.inf)
            return
        off = measured_m - expected
        self.echo = Echo(wall, off)
        if self._in_gap(wall) or self._motion < 1.0 or self._edge_in_sight(expected):
            return
        self._spread()
        self._motion = 0.0
        if abs(off) < self._s.gate_m + 2.0 * self.doubt_m(wall):
            self._odd = 0
            self._correct(self._reading(wall, expected, 0.0), off, self._s.range_sd_m**2)
        else:
            self._puzzle(off)

    def _compare_askew(self, measured_m: float) -> None:
        """Hold a reading against a wall that is turned by more: its slant tells the heading."""
        wall = round(self.beam / QUARTER) % 4
        tilt, expected = wrap(self.beam - wall * QUARTER), self.expected(wall)
        if abs(tilt) > ASKEW_RAD or expected == math.inf or self._motion < 1.0:
            return
        slant = math.copysign(max(0.0, abs(tilt) - self._s.beam_rad), tilt)
        if self._edge_in_sight(expected) or self._corner_in_sight(wall, tilt, expected):
            return
        if not self._solid(wall, expected * math.sin(slant)):
            return
        self._spread()
        self._motion = 0.0
        off = measured_m - expected
        if abs(off) < self._s.gate_m + 2.0 * self.doubt_m(wall):
            vague = ASKEW_SD_RAD * expected * math.sin(slant)
            self._correct(self._reading(wall, expected, slant), off, self._s.range_sd_m**2 + vague * vague)

    def _reading(self, wall: int, expected_m: float, slant_rad: float) -> list[Entry]:
        """Return how a wall's reading depends on the states, its part nearest in the beam being so far aside."""
        c, s, mount = math.cos(self.heading), math.sin(self.heading), self._mount
        (nx, ny), cosine = NORMALS[wall], math.cos(slant_rad)
        px, py = -mount.ahead_m * s - mount.left_m * c, mount.ahead_m * c - mount.left_m * s
        turn = expected_m * math.sin(slant_rad) - px * nx - py * ny
        return [*((place, a / cosine) for place, a in self._across(wall)), (2, turn / cosine)]

    def _corner_in_sight(self, wall: int, tilt_rad: float, expected_m: float) -> bool:
        """Tell whether the beam's far rim may meet the next wall from as near as this one."""
        other = (wall + (1 if tilt_rad > 0.0 else 3)) % 4
        return self._before(other) < (expected_m + RIM_M) * math.sin(abs(tilt_rad) + self._s.beam_rad)

    def _solid(self, wall: int, aside_m: float) -> bool:
        """Tell whether a wall is sure to be there, so far aside of the range sensor's foot on it (to the left)."""
        nx, ny = NORMALS[wall]
        x, y = self.sensor()
        x, y = x - aside_m * ny, y + aside_m * nx
        here = y if wall % 2 == 0 else x
        low, high = self.limits(wall)
        return low + RIM_M < here < high - RIM_M and not self._open_at(wall, here, RIM_M)

    def doubt(self, sd_m: float, sd_rad: float) -> None:
        """Trust the pose less: the robot may have been pushed about."""
        for i, sd in enumerate((sd_m, sd_m, sd_rad)):
            self._p[i][i] += sd * sd

    def _in_gap(self, wall: int) -> bool:
        """Tell whether the range sensor looks at an opening."""
        x, y = self.sensor()
        return self._open_at(wall, y if wall % 2 == 0 else x, GAP_M)

    def _open_at(self, wall: int, here: float, beside_m: float) -> bool:
        """Tell whether a place along a wall lies in an opening, or no more than so far beside it."""
        return any(gap == wall and low - beside_m < here < high + beside_m for gap, low, high in self.gaps)

    def _edge_in_sight(self, expected_m: float) -> bool:
        """Tell whether an opening's edge may throw an echo back from nearer than a wall does."""
        sx, sy = self.sensor()
        c, s = math.cos(self.beam), math.sin(self.beam)
        for wall, low, high in self.gaps:
            distance = self.walls[wall]
            if distance is None:
                continue
            for place in (low, high):
                x, y = (NORMALS[wall][0] * distance, place) if wall % 2 == 0 else (place, NORMALS[wall][1] * distance)
                u, v = (x - sx) * c + (y - sy) * s, (y - sy) * c - (x - sx) * s
                if 0.0 < u < expected_m - 0.01 and abs(v) < EDGE_RAD * u + RIM_M:
                    return True
        return False

    def _puzzle(self, off_m: float) -> None:
        """Count an unbelieved reading; after too many the pose itself is doubted.

        Objects are lower than the beam: so nothing in the zone is nearer than the walls, while an opening is farther.

        """
        self._odd += 1 if off_m > 0.0 and not self.whole else NEARER
        if self._odd >= ODD:
            self._odd = 0
            self.lost = True
            self.doubt(0.04, 0.08)

    def squared(self, wall: int, reach_m: float, sd_m: float) -> None:
        """Take it that the front lies flat against a wall, `reach_m` ahead of the axle, known to within `sd_m`."""
        self._spread()
        self._correct([(2, 1.0)], wrap(wall * QUARTER - self.heading), SQUARE_RAD**2)
        nx, ny = NORMALS[wall]
        there = self.x * nx + self.y * ny + reach_m
        distance = self.walls[wall]
        if distance is None:
            self._found(wall, there, sd_m)
        else:
            self._correct(self._across(wall), reach_m - (distance - there + reach_m), sd_m * sd_m)

    def _found(self, wall: int, distance_m: float, sd_m: float) -> None:
        """Put a new wall on the chart: as sure as the place, less the measurement's own doubt."""
        self.walls[wall] = distance_m
        p, (nx, ny), new = self._p, NORMALS[wall], WALLS + wall
        row = [nx * p[0][j] + ny * p[1][j] for j in range(N)]
        row[new] = nx * row[0] + ny * row[1] + sd_m * sd_m
        for j in range(N):
            p[new][j] = p[j][new] = row[j]

    def turned(self, off_rad: float, sd_rad: float) -> None:
        """Take it that the heading is off by so much, to within a standard deviation."""
        self._spread()
        self._correct([(2, 1.0)], off_rad, sd_rad * sd_rad)

    def seen(self, distances: tuple[float | None, ...], sd_m: float) -> None:
        """Take in how far from the axle walls were seen; one far from where it is known to be corrects nothing."""
        self._spread()
        for wall, distance in enumerate(distances):
            if distance is None:
                continue
            if self.walls[wall] is None:
                nx, ny = NORMALS[wall]
                self._found(wall, self.x * nx + self.y * ny + distance, sd_m)
            elif abs(off := distance - self.room(wall)) < self._s.gate_m + 2.0 * self.doubt_m(wall):
                self._correct(self._across(wall), off, sd_m * sd_m)

    def edge(self, wall: int, distance_m: float) -> None:
        """Put a wall on the chart that was only seen, by the strip in its opening."""
        if self.walls[wall] is None:
            self._found(wall, distance_m, 0.015)

    def _spread(self) -> None:
        """Let the covariance grow by what was driven since that was done last."""
        if not (self._rolled or self._swung):
            return
        p, way, turned, dx, dy = self._p, self._way, self._turned, self._dx, self._dy
        for row in p:  # P F'
            heading, slip = row[2], row[SLIP]
            row[0] -= dy * heading + dx * slip
            row[1] += dx * heading - dy * slip
            row[2] += way * row[DRIFT] + turned * row[SCRUB]
        zero, one, two, drift, scrub, slips = p[0], p[1], p[2], p[DRIFT], p[SCRUB], p[SLIP]
        for i in range(N):  # F (P F')
            heading, slip = two[i], slips[i]
            zero[i] -= dy * heading + dx * slip
            one[i] += dx * heading - dy * slip
            two[i] = heading + way * drift[i] + turned * scrub[i]
        zero[0] += SPREAD_M2_M * self._rolled
        one[1] += SPREAD_M2_M * self._rolled
        two[2] += SPREAD_RAD2_M * self._rolled + SPREAD_RAD2_RAD * self._swung
        drift[DRIFT] += 2e-4 * self._rolled
        self._way = self._turned = self._dx = self._dy = self._rolled = self._swung = 0.0

    def _correct(self, h: list[Entry], off: float, variance: float) -> None:
        """Correct by a measurement that is linear in the states: `off` is measured less expected."""
        p = self._p
        ph = [sum(row[j] * a for j, a in h) for row in p]
        total = variance + sum(ph[j] * a for j, a in h)
        rate = off / total
        self.x += ph[0] * rate
        self.y += ph[1] * rate
        self.heading += ph[2] * rate
        self.drift += ph[DRIFT] * rate
        self.scrub += ph[SCRUB] * rate
        self.slip += ph[SLIP] * rate
        for wall, distance in enumerate(self.walls):
            if distance is not None:
                self.walls[wall] = distance + ph[WALLS + wall] * rate
        for row, value in zip(p, ph, strict=True):
            gain = value / total
            if gain:
                row[:] = [old - gain * other for old, other in zip(row, ph, strict=True)]
