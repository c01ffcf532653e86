"""The path a perfect robot would take, for judges of runs; behaviours never see it.

Rules: arc length counts from the start pose; a line driven twice (there and back) lies on the route twice, so a look-up
needs to know roughly where the robot was.
"""

import math
from bisect import bisect_left

from attrs import frozen

from drivers.fake.course.geometry import Point, Polyline

Piece = tuple[float, float, float, float, float, float]
"""A straight piece of the path: where it begins (x, y), how far it goes (dx, dy), and from where to where along it."""


@frozen
class Spot:
    """Something on the route, from `s_m` to `end_m` along it, at (x, y) where it begins.

    `kind` is "junction", "gap", "corner", "bump", "ramp", "obstacle", "silver", "zone", "green" or "finish". A junction
    also has the `marker` that holds for this approach ("left", "right", "both", "none"), whether a decoy stands after
    it, and where to `go` ("left", "right", "back", "ahead"). `index` counts bumps, ramps, obstacles or strips as the
    course lists them, else -1.
    """

    kind: str
    s_m: float
    end_m: float
    x: float
    y: float
    marker: str = ""
    decoy: str = ""
    go: str = ""
    index: int = -1


class Route:
    """The intended path and what lies on it.

    Args:
        line: the path from start to finish.
        spots: what lies on it, in the order met.
        zone: from where to where the route jumps straight through a zone (m along it), if it does.
    """

    __slots__ = ("_pieces", "line", "spots", "zone")

    def __init__(self, line: Polyline, spots: tuple[Spot, ...], zone: tuple[float, float] | None = None) -> None:
        self.line = line
        self.spots = spots
        self.zone = zone
        pairs = zip(line.points, line.points[1:], line.s, line.s[1:], strict=False)
        self._pieces: list[Piece] = [
            (a[0], a[1], b[0] - a[0], b[1] - a[1], begins, ends) for a, b, begins, ends in pairs
        ]

    @property
    def length_m(self) -> float:
        """Return the length from start to finish."""
        return self.line.length

    @property
    def outside_m(self) -> float:
        """Return the length without the jump through the zone."""
        return self.counted(self.line.length)

    def counted(self, s: float) -> float:
        """Return arc length `s` without what of it jumps through the zone."""
        if self.zone is None or s <= self.zone[0]:
            return s
        return s - (min(s, self.zone[1]) - self.zone[0])

    def stretches(self) -> tuple[tuple[float, float], ...]:
        """Return from where to where (m along it) there is a line to be followed."""
        if self.zone is None:
            return ((0.0, self.line.length),)
        return (0.0, self.zone[0]), (self.zone[1], self.line.length)

    @property
    def points(self) -> tuple[Point, ...]:
        """Return the corners of the path."""
        return self.line.points

    def at(self, s: float) -> tuple[float, float, float]:
        """Return (x, y, heading) at arc length `s`."""
        x, y = self.line.at(s)
        return x, y, self.line.heading(s)

    def project(
        self,
        x: float,
        y: float,
        near_s: float,
        *,
        back_m: float = 0.15,
        ahead_m: float = 0.25,
        heading: float | None = None,
    ) -> tuple[float, float]:
        """Return (arc length, distance) of the nearest point of the route around `near_s`.

        Only the stretch from `back_m` behind to `ahead_m` in front of `near_s` is searched. Where `heading` (rad) is
        given, stretches that run against it count only if there is no other: so a robot that turned round is seen to
        be on its way back.
        """
        low, high = near_s - back_m, near_s + ahead_m
        if heading is None:
            return self.line.nearest(x, y, low, high)
        return self._nearest_along(x, y, low, high, heading) or self.line.nearest(x, y, low, high)

    def spot(self, kind: str, after_s: float = 0.0) -> Spot | None:
        """Return the first spot of this kind that begins at `after_s` or later."""
        return next((spot for spot in self.spots if spot.kind == kind and spot.s_m >= after_s), None)

    def _nearest_along(self, x: float, y: float, low: float, high: float, heading: float) -> tuple[float, float] | None:
        """Return what `Polyline.nearest` does, of the pieces alone that do not run against `heading`.

        The very ends of a piece belong to two; it keeps off the one that may run the other way. This is most of what a
        verdict costs, so the sums of `Polyline.nearest` stand here again, in the same order.
        """
        c, s, hypot, pieces = math.cos(heading), math.sin(heading), math.hypot, self._pieces
        best_s, best = None, math.inf
        for i in range(max(0, bisect_left(self.line.s, low) - 1), len(pieces)):
            ax, ay, dx, dy, begins, ends = pieces[i]
            if begins > high:
                break
            if dx * c + dy * s <= 0.0:
                continue
            first, last = low if low > begins else begins, ends - 1e-9
            if high < last:
                last = high
            if not (begins <= last and first < ends):  # shorter than the gap that is kept to the next one
                at, away = self.line.nearest(x, y, first, last)
            else:
                size = ends - begins
                along = ((x - ax) * dx + (y - ay) * dy) / size
                top, bottom = last - begins, first - begins
                along = size if size < top and size < along else top if top < along else along
                along = bottom if bottom > along else along
                away = hypot(x - ax - along * dx / size, y - ay - along * dy / size)
                at = begins + along
            if best_s is None or away < best:
                best_s, best = at, away
        return None if best_s is None else (best_s, best)
