"""Openings in the walls: where the side range sensor suddenly looks far.

Rules: an opening is a stretch of a wall, from where to where along it, in the chart; only what is as wide as an opening
may be counts. Near the wall the beam is narrow, so both ends are seen as late as each other and the middle is right.
"""

import math
from typing import NamedTuple

from behaviours.zone.chart import NORMALS, Chart
from behaviours.zone.settings import ExitSettings
from robotcore.readings import OUT_OF_RANGE, Range

FAR_M = 0.06  #: so much farther than the wall is no wall
CLOSE_M = 0.033  #: no echo from nearer than this means too near, not gone
NEAR_M = 0.30  #: from farther than this ends are not measured


class Opening(NamedTuple):
    """An opening of a wall: its middle along the wall's axis (y for 0 and 2, x for 1 and 3), and its width."""

    wall: int
    middle_m: float
    width_m: float


def along(wall: int, x: float, y: float) -> float:
    """Return the co-ordinate along a wall."""
    return y if wall % 2 == 0 else x


class Openings:
    """The openings found so far; the latest measurement of each is kept.

    Args:
        s: how wide an opening may be.

    Attributes:
        found: all of them.

    """

    def __init__(self, s: ExitSettings) -> None:
        self._s = s
        self.found: list[Opening] = []
        self._wall = -1
        self._began: float | None = None
        self._before: float | None = None
        self._last = 0.0

    def hear(self, chart: Chart, reading: Range) -> Opening | None:
        """Take in a new range reading with the chart's opinion of it; return an opening that has just been passed."""
        wall = chart.beside()
        here = along(wall, *chart.sensor())
        if wall != self._wall or chart.walls[wall] is None or chart.expected(wall) > NEAR_M:
            self._wall, self._began, self._before = wall, None, None
            return None
        silent = reading.status == OUT_OF_RANGE and chart.expected(wall) > CLOSE_M
        far = silent or (reading.valid and chart.echo.wall == wall and chart.echo.off_m > FAR_M)
        wall_there = reading.valid and not far
        found = None
        if wall_there:
            if self._began is not None:
                found = self._end(wall, self._began, 0.5 * (here + self._last))
            self._began, self._before = None, here
        elif far:
            if self._began is None and self._before is not None and abs(here - self._before) < 0.05:
                self._began = 0.5 * (here + self._before)
            self._last = here
        return found

    def forget(self) -> None:
        """Forget the end that was seen last: a new pass begins."""
        self._began = self._before = None

    def _end(self, wall: int, began: float, ended: float) -> Opening | None:
        width = abs(ended - began)
        if not self._s.narrowest_m < width < self._s.widest_m:
            return None
        return self.add(Opening(wall, 0.5 * (began + ended), width))

    def add(self, new: Opening) -> Opening:
        """Keep an opening, instead of an older measurement of it."""
        self.found = [old for old in self.found if not same(old, new)]
        self.found.append(new)
        return new


def same(one: Opening, two: Opening) -> bool:
    """Tell whether two measurements are of one opening."""
    return one.wall == two.wall and abs(one.middle_m - two.middle_m) < 0.15


def before(chart: Chart, opening: Opening, off_m: float) -> tuple[float, float]:
    """Return the place before an opening's middle, `off_m` inside the wall."""
    nx, ny = NORMALS[opening.wall]
    distance = chart.walls[opening.wall] or 0.0
    inward = distance - off_m
    middle = opening.middle_m
    return (inward * nx, middle) if opening.wall % 2 == 0 else (middle, inward * ny)


def away_m(chart: Chart, opening: Opening) -> float:
    """Return how far the axle is from an opening's middle, along its wall."""
    return math.fabs(along(opening.wall, chart.x, chart.y) - opening.middle_m)
