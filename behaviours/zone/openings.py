"""Openings in the walls: where the side range sensor suddenly looks far.

Rules: an opening is a stretch of a wall, from where to where along it, in the chart; only what is as wide as an opening
may be counts. Near the wall the beam is narrow, so both ends are seen as late as each other and the middle is right.
"""

import math
from typing import NamedTuple

from behaviours.zone.chart import ENTRY, ENTRY_GAP, NORMALS, Chart
from behaviours.zone.settings import ExitSettings
from robotcore.readings import OUT_OF_RANGE, Range

FAR_M = 0.06  #: so much farther than the wall is no wall
CLOSE_M = 0.033  #: no echo from nearer than this means too near, not gone
PART_M = 0.05  #: so much of an opening must be passed
NOMINAL_M = 0.275  #: width of openings, 250 to 300 mm by common practice
RIM = 0.25  #: an edge is heard so early for each metre to the wall: the beam's rim still meets it
CORNER_M = 0.50  #: an opening of which only one end was passed has a corner so near
LONG_M = 0.09  #: ... or must be passed for so long
NARROWER = 0.85  #: a measurement that gives less than this share of a width was taken askew
NEAR_M = 0.30  #: from farther than this ends are not measured


class Opening(NamedTuple):
    """An opening of a wall: its middle along the wall's axis (y for 0 and 2, x for 1 and 3), and its width.

    Next to a corner only one end is passed: then it is not `sure`, and as wide as openings are, or as there is room.

    """

    wall: int
    middle_m: float
    width_m: float
    sure: bool = True


THE_ENTRY = Opening(ENTRY, 0.0, 0.28)  #: the chart begins in its middle


def along(wall: int, x: float, y: float) -> float:
    """Return the co-ordinate along a wall."""
    return y if wall % 2 == 0 else x


class Openings:
    """The openings found so far; the latest measurement of each is kept.

    Args:
        s: how wide an opening may be.

    Attributes:
        found: all of them.
        latest: the last one that was measured, whether it was kept or not.

    """

    def __init__(self, s: ExitSettings) -> None:
        self._s = s
        self.found: list[Opening] = []
        self.latest: Opening | None = None
        self._recent: list[Opening] = []  # since the chart was last known to be right
        self._wall = -1
        self._first: float | None = None  # where hearing of this wall began
        self._began: float | None = None
        self._before: float | None = None
        self._last: float | None = None  # where the latest reading beyond the wall was

    def hear(self, chart: Chart, reading: Range) -> Opening | None:
        """Take in a new range reading with the chart's opinion of it; return an opening that has just been passed."""
        wall = chart.beside()
        here = chart.foot
        if wall < 0 or wall != self._wall or chart.walls[wall] is None or chart.expected(wall) > NEAR_M:
            found = self._cut_off(chart)
            self._wall = wall
            self.forget()
            return found
        silent = reading.status == OUT_OF_RANGE and chart.expected(wall) > CLOSE_M and not chart.too_near
        far = silent or (reading.valid and chart.echo.wall == wall and chart.echo.off_m > FAR_M)
        if self._first is None:
            self._first = here
        found = None
        if reading.valid and not far:
            found = self._wall_again(chart, here)
            self._began, self._before, self._last = None, here, None
        elif far:
            if self._began is None and self._before is not None and abs(here - self._before) < 0.05:
                self._began = 0.5 * (here + self._before)
            self._last = here
        return found

    def _wall_again(self, chart: Chart, here: float) -> Opening | None:
        """Return the opening that ends here, where the wall is heard again, if one does."""
        if self._last is None:
            return None
        ended = 0.5 * (here + self._last)
        if self._began is not None:
            return self._end(self._wall, self._began, ended)
        if self._before is None and self._first is not None and abs(ended - self._first) > PART_M:
            return self._half(chart, ended, self._first - ended)
        return None

    def _cut_off(self, chart: Chart) -> Opening | None:
        """Return the opening in which the wall is left, if one is."""
        if self._wall < 0 or self._began is None or self._last is None or abs(self._last - self._began) < PART_M:
            return None
        return self._half(chart, self._began, self._last - self._began)

    def _half(self, chart: Chart, edge: float, onward: float) -> Opening | None:
        """Keep an opening of which one end was passed, and that goes on from there: towards a corner, or for long."""
        sign, seen_m = math.copysign(1.0, onward), abs(onward)
        edge -= sign * RIM * min(NEAR_M, chart.expected(self._wall))
        low, high = chart.limits(self._wall)
        room = high - edge if sign > 0.0 else edge - low
        width = min(NOMINAL_M, room)
        if not self._s.narrowest_m < width or (room > CORNER_M and seen_m < LONG_M):
            return None
        return self.add(Opening(self._wall, edge + 0.5 * sign * width, width, False))

    def forget(self) -> None:
        """Forget the end that was seen last: a new pass begins."""
        self._first = self._began = self._before = self._last = None

    def _end(self, wall: int, began: float, ended: float) -> Opening | None:
        width = abs(ended - began)
        if not self._s.narrowest_m < width < self._s.widest_m:
            return None
        return self.add(Opening(wall, 0.5 * (began + ended), width))

    def add(self, new: Opening) -> Opening:
        """Keep an opening, instead of an older measurement of it that was no surer and not much wider.

        What the beam's rim meets makes an opening seem narrower, never wider: much narrower is worse measured.

        """
        self.latest = new
        sure = [old for old in self.found if same(old, new) and old.sure]
        if sure and (not new.sure or new.width_m < NARROWER * sure[0].width_m):
            return new
        self.found = [old for old in self.found if not same(old, new)]
        self.found.append(new)
        self._recent.append(new)
        return new

    def drop(self, wrong: Opening) -> None:
        """Forget an opening that is none."""
        self.found = [old for old in self.found if not same(old, wrong)]

    def gaps(self) -> list[tuple[int, float, float]]:
        """Return all openings as the chart keeps them, the entry first."""
        return [ENTRY_GAP, *(gap(opening) for opening in self.found)]

    def sift(self, trusted: bool) -> None:
        """Take it that what was measured lately was measured with a chart that was right, or else drop it."""
        if not trusted:
            self.found = [old for old in self.found if old not in self._recent]
        self._recent.clear()


def gap(opening: Opening) -> tuple[int, float, float]:
    """Return an opening as the chart keeps it: wall, from, to."""
    half = 0.5 * opening.width_m
    return opening.wall, opening.middle_m - half, opening.middle_m + half


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
