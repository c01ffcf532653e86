"""Where the middle between the floor eyes went, and the straight line through the end of that way.

On a line that is followed well the eyes' middle is on the line, so its way is the line. The robot's own heading is
not: behind a bend the body still swings in for a robot's length while the eyes are on the straight already.

Rules: metres and radians, from encoders alone; good over the last tenth of a metre, which is all that is asked.
"""

import math
from collections import deque
from typing import NamedTuple

STEP_M = 0.005  #: one point each
BENT_M = 0.002  #: rms distance from a straight line above which a way was not straight
LEAST_POINTS = 5


class Ray(NamedTuple):
    """A straight line with a direction: through (x, y) along (ux, uy), metres and a unit vector."""

    x: float
    y: float
    ux: float
    uy: float

    @property
    def heading_rad(self) -> float:
        """The direction as an angle."""
        return math.atan2(self.uy, self.ux)

    def left_of(self, x: float, y: float) -> float:
        """Return how far (x, y) is to the left of the line."""
        return self.ux * (y - self.y) - self.uy * (x - self.x)


class Trail:
    """The way of the eyes' middle.

    Args:
        ahead_m: how far ahead of the axle the eyes are.

    Attributes:
        x_m, y_m: where the axle was at the last step.
        travel_m, heading_rad: the encoders' travel and heading then.

    """

    __slots__ = ("_points", "ahead_m", "heading_rad", "travel_m", "x_m", "y_m")

    def __init__(self, ahead_m: float) -> None:
        self.ahead_m = ahead_m
        self.x_m = self.y_m = self.travel_m = self.heading_rad = 0.0
        self._points: deque[tuple[float, float, float]] = deque(maxlen=40)

    def clear(self) -> None:
        """Forget the way, not the place."""
        self._points.clear()

    def follow(self, travel_m: float, heading_rad: float) -> None:
        """Make a point of the encoders' travel and heading; call it every `STEP_M`, which is what the sums cost."""
        moved = travel_m - self.travel_m
        middle = 0.5 * (heading_rad + self.heading_rad)
        self.x_m += moved * math.cos(middle)
        self.y_m += moved * math.sin(middle)
        self.travel_m, self.heading_rad = travel_m, heading_rad
        if moved > 0.0:
            ahead = self.ahead_m
            self._points.append(
                (travel_m, self.x_m + ahead * math.cos(heading_rad), self.y_m + ahead * math.sin(heading_rad))
            )

    def axle(self, travel_m: float, heading_rad: float) -> tuple[float, float]:
        """Return where the middle of the axle is, given the encoders' travel and heading now."""
        moved = travel_m - self.travel_m
        between = 0.5 * (heading_rad + self.heading_rad)
        return self.x_m + moved * math.cos(between), self.y_m + moved * math.sin(between)

    def middle(self, travel_m: float, heading_rad: float) -> tuple[float, float]:
        """Return where the eyes' middle is, given the encoders' travel and heading now."""
        x, y = self.axle(travel_m, heading_rad)
        return x + self.ahead_m * math.cos(heading_rad), y + self.ahead_m * math.sin(heading_rad)

    def ray(self, length_m: float, until_m: float, heading_rad: float) -> Ray:
        """Return the straight line through the last `length_m` of the way before the travel `until_m`.

        Where that was short or not straight, as just behind a corner, the way since then tells more of the line: the
        eyes went on with it between them. The robot's heading where there are not three points yet.
        """
        before = [(x, y) for travel, x, y in self._points if until_m - length_m <= travel <= until_m]
        if len(before) < 3:
            x, y = self.middle(self.travel_m, heading_rad)
            return Ray(x, y, math.cos(heading_rad), math.sin(heading_rad))
        ray, off_m = fit(before)
        short = (len(before) - 1) * STEP_M < 0.6 * length_m
        since = [(x, y) for travel, x, y in self._points if travel >= max(until_m, self.travel_m - length_m)]
        if (short or off_m > BENT_M) and len(since) >= LEAST_POINTS:
            ray, _ = fit(since)
        return ray


def fit(points: list[tuple[float, float]]) -> tuple[Ray, float]:
    """Return the line through points by least squares across its own direction, and their rms distance from it."""
    count = len(points)
    x = sum(point[0] for point in points) / count
    y = sum(point[1] for point in points) / count
    xx = sum((px - x) ** 2 for px, _ in points)
    yy = sum((py - y) ** 2 for _, py in points)
    xy = sum((px - x) * (py - y) for px, py in points)
    angle = 0.5 * math.atan2(2.0 * xy, xx - yy)
    ux, uy = math.cos(angle), math.sin(angle)
    if ux * (points[-1][0] - points[0][0]) + uy * (points[-1][1] - points[0][1]) < 0.0:
        ux, uy = -ux, -uy
    across = uy * uy * xx - 2.0 * ux * uy * xy + ux * ux * yy
    return Ray(x, y, ux, uy), math.sqrt(max(0.0, across) / count)
