"""Where the line was seen, and the straight line through the end of it.

Each point is the middle between the floor eyes, set right by what each eye had of the line: so it matters little how
the robot wriggled along it. The robot's own heading is not the line's: behind a bend the body still swings in for a
robot's length while the eyes are on the straight already.

Rules: metres and radians, from encoders alone; good over the last tenth of a metre, which is all that is asked.
"""

import math
from collections import deque
from collections.abc import Sequence
from typing import NamedTuple

STEP_M = 0.005  #: one point each
BACK_M = -STEP_M
MORE_POINTS = 4  #: by so many the way is lengthened as long as it is straight
SHORT = 0.6  #: points over less than this share of what is asked for do not tell a direction
STRAIGHT_M = 0.001  #: rms distance from a straight line up to which a way was straight
BENT_M = 0.002  #: rms distance from a straight line above which a way was not straight


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

    def at(self, x: float, y: float, on_m: float) -> tuple[float, float]:
        """Return the place on the line that is `on_m` behind the one nearest to (x, y)."""
        along = self.ux * (x - self.x) + self.uy * (y - self.y) + on_m
        return self.x + along * self.ux, self.y + along * self.uy

    def left_of(self, x: float, y: float) -> float:
        """Return how far (x, y) is to the left of the line."""
        return self.ux * (y - self.y) - self.uy * (x - self.x)


class Point(NamedTuple):
    """A point of the line's middle after so much travel; not sure where the line was just between the eyes, or none."""

    travel_m: float
    x_m: float
    y_m: float
    sure: bool = True


class Trail:
    """The way of the line, as far as the eyes saw it.

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
        self._points: deque[Point] = deque(maxlen=40)

    def clear(self) -> None:
        """Forget the way, not the place."""
        self._points.clear()

    def note(self, x_m: float, y_m: float) -> None:
        """Add a place that the line is known to go through, such as the corner behind the robot."""
        self._points.append(Point(self.travel_m, x_m, y_m))

    def follow(self, travel_m: float, heading_rad: float, left_m: float | None, sure: bool = True) -> None:
        """Make a point of the encoders' travel and heading; call it every `STEP_M`, which is what the sums cost.

        The line is `left_m` to the left of the middle between the eyes; None where they do not tell.
        """
        moved = travel_m - self.travel_m
        middle = 0.5 * (heading_rad + self.heading_rad)
        self.x_m += moved * math.cos(middle)
        self.y_m += moved * math.sin(middle)
        self.travel_m, self.heading_rad = travel_m, heading_rad
        if moved > 0.0 and left_m is not None:
            ahead, ux, uy = self.ahead_m, math.cos(heading_rad), math.sin(heading_rad)
            x, y = self.x_m + ahead * ux - left_m * uy, self.y_m + ahead * uy + left_m * ux
            self._points.append(Point(travel_m, x, y, sure))

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
        """Return the straight line through the way before the travel `until_m`.

        It goes through the last `length_m`, or through as much more as is straight. Where that was too short or not
        straight, as just behind a corner, the robot's heading tells more of the line.
        """
        points = [point for point in self._points if point.travel_m <= until_m]
        middle = self.middle(self.travel_m, heading_rad)
        if len(points) == 1:  # nothing but a corner: the line leads from there to where the eyes are
            points.append(Point(self.travel_m, *middle))
        ray = straight([point for point in points if point.sure], length_m) or straight(points, length_m)
        if ray is not None:
            return ray
        x, y = points[-1][1:3] if points else middle
        return Ray(x, y, math.cos(heading_rad), math.sin(heading_rad))


def straight(points: Sequence[Point], length_m: float) -> Ray | None:
    """Return the line through the last `length_m` of points or as many more as are straight; None where it is bent."""
    least, best, allowed_m = math.ceil(length_m / STEP_M), None, BENT_M
    for count in range(least, max(least, len(points)) + 1, MORE_POINTS):
        near = points[-count:]
        if len(near) < 2 or math.dist(near[0][1:3], near[-1][1:3]) < SHORT * length_m:
            break
        ray, off_m = fit(near)
        if off_m > allowed_m:
            break
        best, allowed_m = ray, STRAIGHT_M
    return best


def fit(points: Sequence[Point]) -> tuple[Ray, float]:
    """Return the line through points by least squares across its own direction, and their rms distance from it."""
    count = len(points)
    x = sum(point.x_m for point in points) / count
    y = sum(point.y_m for point in points) / count
    xx = sum((point.x_m - x) ** 2 for point in points)
    yy = sum((point.y_m - y) ** 2 for point in points)
    xy = sum((point.x_m - x) * (point.y_m - y) for point in points)
    angle = 0.5 * math.atan2(2.0 * xy, xx - yy)
    ux, uy = math.cos(angle), math.sin(angle)
    if ux * (points[-1].x_m - points[0].x_m) + uy * (points[-1].y_m - points[0].y_m) < 0.0:
        ux, uy = -ux, -uy
    across = uy * uy * xx - 2.0 * ux * uy * xy + ux * ux * yy
    return Ray(x, y, ux, uy), math.sqrt(max(0.0, across) / count)
