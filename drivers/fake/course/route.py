"""The path a perfect robot would take, for judges of runs; behaviours never see it.

Rules: arc length counts from the start pose; a line driven twice (there and back) lies on the route twice, so a look-up
needs to know roughly where the robot was.
"""

import math

from attrs import frozen

from drivers.fake.course.geometry import Point, Polyline


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

    __slots__ = ("line", "spots", "zone")

    def __init__(self, line: Polyline, spots: tuple[Spot, ...], zone: tuple[float, float] | None = None) -> None:
        self.line = line
        self.spots = spots
        self.zone = zone

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
        best = None
        for part_low, part_high in self._agreeing(low, high, heading):
            found = self.line.nearest(x, y, part_low, part_high)
            if best is None or found[1] < best[1]:
                best = found
        return best if best is not None else self.line.nearest(x, y, low, high)

    def spot(self, kind: str, after_s: float = 0.0) -> Spot | None:
        """Return the first spot of this kind that begins at `after_s` or later."""
        return next((spot for spot in self.spots if spot.kind == kind and spot.s_m >= after_s), None)

    def _agreeing(self, low: float, high: float, heading: float) -> list[tuple[float, float]]:
        found: list[tuple[float, float]] = []
        points, lengths = self.line.points, self.line.s
        for i in range(len(points) - 1):
            if lengths[i + 1] < low or lengths[i] > high:
                continue
            (ax, ay), (bx, by) = points[i], points[i + 1]
            if (bx - ax) * math.cos(heading) + (by - ay) * math.sin(heading) > 0.0:
                # The very ends belong to two stretches; keep off the one that runs the other way.
                found.append((max(low, lengths[i]), min(high, lengths[i + 1] - 1e-9)))
        return found
