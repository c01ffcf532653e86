"""Which stretch of a route is what kind of section, so that tracking errors can be told apart.

Rules: worked out from the route's own shape; curvature is the turn over 50 mm. Where something other than plain line
lies (corner, junction, gap, obstacle) or the kind changes, a stretch is "other".
"""

import math

from drivers.fake.course.geometry import wrap
from drivers.fake.course.route import Route

STEP_M = 0.005
HALF_M = 0.025  #: curvature is taken between so far behind and ahead
CLEAR_M = 0.05  #: the kind must be the same so far to both sides
AWAY_M = {"corner": 0.12, "junction": 0.12, "gap": 0.15, "obstacle": 0.45, "finish": 0.05}
STRAIGHT_M = 1.5  #: a radius above this is straight
ROUND_MM = 25

OTHER = "other"


class Sections:
    """The kinds along a route.

    Args:
        route: the route.

    """

    def __init__(self, route: Route) -> None:
        count = math.ceil(route.length_m / STEP_M) + 1
        raw = [_shape(route, i * STEP_M) for i in range(count)]
        for spot in route.spots:
            away = AWAY_M.get(spot.kind)
            if away is not None:
                low, high = _index(spot.s_m - away, count), _index(spot.end_m + away, count)
                raw[low : high + 1] = [OTHER] * (high + 1 - low)
        clear = round(CLEAR_M / STEP_M)
        self._kinds = [
            kind if raw[max(0, i - clear)] == kind == raw[min(count - 1, i + clear)] else OTHER
            for i, kind in enumerate(raw)
        ]

    def kind(self, s: float) -> str:
        """Return "straight", "curve 150" (mean radius in mm), or "other" at arc length `s`."""
        return self._kinds[_index(s, len(self._kinds))]


def _index(s: float, count: int) -> int:
    return max(0, min(count - 1, round(s / STEP_M)))


def _shape(route: Route, s: float) -> str:
    low, high = max(0.0, s - HALF_M), min(route.length_m, s + HALF_M)
    turned = abs(wrap(route.line.heading(high) - route.line.heading(low)))
    if turned * STRAIGHT_M < high - low:
        return "straight"
    return f"curve {round((high - low) / turned * 1000 / ROUND_MM) * ROUND_MM}"
