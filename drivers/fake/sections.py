"""Which stretch of a route is what kind of section, so that tracking errors can be told apart.

Rules: worked out from the route's own shape; curvature is that over 50 mm. Where something other than plain line
lies (corner, junction, gap, obstacle) or the kind changes, a stretch is "other".
"""

import math
from functools import lru_cache

from drivers.fake.course.geometry import Point, Polyline
from drivers.fake.course.route import Route, Spot

STEP_M = 0.005
HALF_M = 0.025  #: curvature is taken between so far behind and ahead
CLEAR_M = 0.05  #: the kind must be the same so far to both sides
AWAY_M = {"corner": 0.12, "junction": 0.12, "gap": 0.15, "obstacle": 0.45, "finish": 0.05, "zone": 0.12}
STRAIGHT_M = 1.5  #: a radius above this is straight
ROUND_MM = 25

OTHER = "other"


class Sections:
    """The kinds along a route.

    Args:
        route: the route.

    """

    def __init__(self, route: Route) -> None:
        self._kinds = _kinds(route.points, route.spots)

    def kind(self, s: float) -> str:
        """Return "straight", "curve 150" (mean radius in mm), or "other" at arc length `s`."""
        return self._kinds[_index(s, len(self._kinds))]


@lru_cache(maxsize=16)
def _kinds(points: tuple[Point, ...], spots: tuple[Spot, ...]) -> list[str]:
    """Return the kind every `STEP_M`; kept, since a sweep asks for few courses again and again."""
    line = Polyline(points)
    count = math.ceil(line.length / STEP_M) + 1
    raw = [_shape(line, i * STEP_M) for i in range(count)]
    for spot in spots:
        away = AWAY_M.get(spot.kind)
        if away is not None:
            low, high = _index(spot.s_m - away, count), _index(spot.end_m + away, count)
            raw[low : high + 1] = [OTHER] * (high + 1 - low)
    clear = round(CLEAR_M / STEP_M)
    return [
        kind if raw[max(0, i - clear)] == kind == raw[min(count - 1, i + clear)] else OTHER
        for i, kind in enumerate(raw)
    ]


def _index(s: float, count: int) -> int:
    return max(0, min(count - 1, round(s / STEP_M)))


def _shape(line: Polyline, s: float) -> str:
    """Tell the kind by the circle through three points: curvature is four times the area over the sides' product."""
    s = max(HALF_M, min(line.length - HALF_M, s))
    a, b, c = (line.at(s + off) for off in (-HALF_M, 0.0, HALF_M))
    area = 0.5 * abs((b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]))
    sides = math.dist(a, b) * math.dist(b, c) * math.dist(a, c)
    if 4.0 * area * STRAIGHT_M <= sides:
        return "straight"
    return f"curve {round(sides / (4.0 * area) * 1000 / ROUND_MM) * ROUND_MM}"
