"""A robot that truly drives in a walled room, and a chart that hears of it: tracks, and a range sensor by shapely.

Rules: the truth is integrated here, on its own; the range is the nearest point of the room's walls within the beam's
cone, by shapely. What the chart is told late is as old as it says.
"""

import math
from collections import deque

from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

from behaviours.zone.chart import QUARTER, Chart
from behaviours.zone.settings import ChartSettings
from robotcore.readings import OK, OUT_OF_RANGE, Drive, Range
from robotcore.rig import Mount

MOUNT = Mount(0.03, -0.08, 0.06, -QUARTER)  #: range sensor on the right
ON_LEFT = Mount(0.03, 0.08, 0.06, QUARTER)
WIDTH_M = 0.14
PERIOD_S, EVERY = 0.01, 4  #: a new range reading every 40 ms
WALLS = 1.2, 0.45, 0.0, 0.45
SILENT = Range(0.0, 0.0, False, OUT_OF_RANGE)


def heard(distance_m: float, age_s: float = 0.0) -> Range:
    return Range(distance_m, age_s, True, OK)


def tracks(left_m: float, right_m: float, left_m_s: float = 0.0, right_m_s: float = 0.0) -> Drive:
    turn = (right_m - left_m) / WIDTH_M
    return Drive(left_m, right_m, 0.5 * (left_m + right_m), turn, left_m_s, right_m_s, 0.0, True, OK)


def exact() -> ChartSettings:
    """Tracks that lose nothing."""
    return ChartSettings(slip_mean=0.0, scrub_mean=0.0)


def room(walls: tuple[float, float, float, float] = WALLS) -> BaseGeometry:
    """Return the walls, so far from the origin as on a chart: far (+x), left (+y), entry, right."""
    far, left, entry, right = walls
    return box(-entry, -right, far, left).exterior


def charted(x: float, y: float, heading: float, mount: Mount = MOUNT, walls: tuple[float, ...] = WALLS) -> Chart:
    """Return a chart that knows its walls for sure, and where it is to within 20 mm and 0.1 rad."""
    chart = Chart(exact(), mount, WIDTH_M)
    chart.walls, chart.gaps = list(walls), []
    chart.place(x, y, heading, 0.02, 0.1)
    return chart


def beam_of(x: float, y: float, heading: float, mount: Mount) -> tuple[float, float, float]:
    """Return where the range sensor is, and where it looks."""
    c, s = math.cos(heading), math.sin(heading)
    at = x + mount.ahead_m * c - mount.left_m * s, y + mount.ahead_m * s + mount.left_m * c
    return *at, heading + mount.heading_rad


def nearest(walls: BaseGeometry, x: float, y: float, heading: float, mount: Mount = MOUNT, half: float = 0.2) -> float:
    """Return how far the nearest point of the walls within the beam's cone is; inf where there is none."""
    sx, sy, beam = beam_of(x, y, heading, mount)
    rim = [(sx + 3.0 * math.cos(beam + a), sy + 3.0 * math.sin(beam + a)) for a in (-half, 0.0, half)]
    met = walls.intersection(Polygon([(sx, sy), *rim]))
    return math.inf if met.is_empty else float(Point(sx, sy).distance(met))


def met_by_ray(walls: BaseGeometry, x: float, y: float, heading: float, mount: Mount = MOUNT) -> Point:
    """Return where the middle of the beam meets the walls first."""
    sx, sy, beam = beam_of(x, y, heading, mount)
    met = walls.intersection(LineString([(sx, sy), (sx + 3.0 * math.cos(beam), sy + 3.0 * math.sin(beam))]))
    return min((Point(p) for part in getattr(met, "geoms", [met]) for p in part.coords), key=Point(sx, sy).distance)


class Rolling:
    """The robot, and the chart that hears of it.

    Args:
        chart: what hears.
        walls: where walls truly are.
        at: the true x, y, heading; where the chart says, if not given.
        mount: of the range sensor.
        late: so many ticks after it was taken a range reading arrives; None for no readings.

    """

    def __init__(
        self, chart: Chart, walls: BaseGeometry, at: tuple[float, float, float] | None = None, mount: Mount = MOUNT,
        late: int | None = 0,
    ) -> None:  # fmt: skip
        self.chart, self.walls, self.mount, self.late = chart, walls, mount, late
        self.x, self.y, self.heading = at or (chart.x, chart.y, chart.heading)
        self.left = self.right = 0.0
        self.heard: list[float] = []  # each new reading
        self.offs: list[float] = []  # ... less what the chart expected, of those it takes for a wall beside
        self._tick = 0
        self._under_way: deque[tuple[int, float]] = deque()
        self._last: tuple[int, float] | None = None
        chart.move(tracks(0.0, 0.0))

    @property
    def off_rad(self) -> float:
        """How far the chart's heading is to the left of the true one."""
        return math.remainder(self.chart.heading - self.heading, math.tau)

    def go(self, seconds: float, speed: float, turn: float = 0.0) -> "Rolling":
        """Drive at a speed and a rate of turn; the chart hears of every tick."""
        for _ in range(round(seconds / PERIOD_S)):
            middle = self.heading + 0.5 * turn * PERIOD_S
            self.x += speed * PERIOD_S * math.cos(middle)
            self.y += speed * PERIOD_S * math.sin(middle)
            self.heading += turn * PERIOD_S
            left, right = speed - 0.5 * WIDTH_M * turn, speed + 0.5 * WIDTH_M * turn
            self.left += left * PERIOD_S
            self.right += right * PERIOD_S
            self._tick += 1
            self.chart.move(tracks(self.left, self.right, left, right))
            self._hear()
        return self

    def _hear(self) -> None:
        if self.late is None:
            return
        if self._tick % EVERY == 0:
            self._under_way.append((self._tick, nearest(self.walls, self.x, self.y, self.heading, self.mount)))
        if self._under_way and self._under_way[0][0] + self.late <= self._tick:
            self._last = self._under_way.popleft()
        if self._last is None:
            return
        taken, distance = self._last
        age = (self._tick - taken) * PERIOD_S
        reading = heard(distance, age) if distance < 2.0 else Range(0.0, age, False, OUT_OF_RANGE)
        if self.chart.hear(reading):
            self.heard.append(distance)
            if self.chart.echo.wall >= 0:
                self.offs.append(self.chart.echo.off_m)
