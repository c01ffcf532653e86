"""Plane geometry in metres and radians that every part of a course shares.

Rules: pure Python floats, no numpy, so that the physics may use it on every tick; angles are counter-clockwise.
"""

import math
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from typing import TypeAlias

Point: TypeAlias = tuple[float, float]


def wrap(angle: float) -> float:
    """Return `angle` (rad) brought into [-pi, pi)."""
    return (angle + math.pi) % (2.0 * math.pi) - math.pi


def ahead(x: float, y: float, heading: float, along: float, left: float = 0.0) -> Point:
    """Return the point `along` metres in front of (x, y) and `left` metres to the left of that direction."""
    c, s = math.cos(heading), math.sin(heading)
    return x + along * c - left * s, y + along * s + left * c


def into_frame(x: float, y: float, origin: Point, heading: float) -> Point:
    """Return (x, y) as (along, left) in the frame at `origin` that looks along `heading`."""
    dx, dy = x - origin[0], y - origin[1]
    c, s = math.cos(heading), math.sin(heading)
    return dx * c + dy * s, dy * c - dx * s


def rectangle(x: float, y: float, heading: float, along: float, across: float) -> tuple[Point, ...]:
    """Return the corners, counter-clockwise, of a rectangle centred on (x, y)."""
    a, b = along / 2, across / 2
    return tuple(ahead(x, y, heading, u, v) for u, v in ((-a, -b), (a, -b), (a, b), (-a, b)))


def segment_distance(x: float, y: float, a: Point, b: Point) -> float:
    """Return the distance of (x, y) from the segment a-b."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    square = dx * dx + dy * dy
    t = 0.0 if square == 0.0 else max(0.0, min(1.0, ((x - a[0]) * dx + (y - a[1]) * dy) / square))
    return math.hypot(x - a[0] - t * dx, y - a[1] - t * dy)


def inside_convex(x: float, y: float, corners: Sequence[Point]) -> bool:
    """Tell whether (x, y) lies in or on a convex polygon given counter-clockwise."""
    px, py = corners[-1]
    for qx, qy in corners:
        if (qx - px) * (y - py) - (qy - py) * (x - px) < -1e-12:
            return False
        px, py = qx, qy
    return True


def polygon_distance(x: float, y: float, corners: Sequence[Point]) -> float:
    """Return the distance of (x, y) from a convex polygon, 0 inside."""
    if inside_convex(x, y, corners):
        return 0.0
    return min(segment_distance(x, y, corners[i - 1], corners[i]) for i in range(len(corners)))


def crossing(a: Point, b: Point, c: Point, d: Point) -> Point | None:
    """Return where the segments a-b and c-d cross or touch, or None (also where they are parallel)."""
    rx, ry, sx, sy = b[0] - a[0], b[1] - a[1], d[0] - c[0], d[1] - c[1]
    det = rx * sy - ry * sx
    if abs(det) < 1e-9 * math.hypot(rx, ry) * math.hypot(sx, sy) or det == 0.0:
        return None
    t = ((c[0] - a[0]) * sy - (c[1] - a[1]) * sx) / det
    u = ((c[0] - a[0]) * ry - (c[1] - a[1]) * rx) / det
    if 0.0 <= t <= 1.0 and 0.0 <= u <= 1.0:
        return a[0] + t * rx, a[1] + t * ry
    return None


def bounds(points: Iterable[Point]) -> tuple[float, float, float, float]:
    """Return (left, bottom, right, top) of some points."""
    xs, ys = zip(*points, strict=True)
    return min(xs), min(ys), max(xs), max(ys)


def is_convex(corners: Sequence[Point]) -> bool:
    """Tell whether corners given in order turn left at every corner, once round."""
    turned = 0.0
    for i in range(len(corners)):
        a, b, c = corners[i - 2], corners[i - 1], corners[i]
        bend = wrap(math.atan2(c[1] - b[1], c[0] - b[0]) - math.atan2(b[1] - a[1], b[0] - a[0]))
        if bend <= 1e-6:
            return False
        turned += bend
    return abs(turned - 2.0 * math.pi) < 1e-6


class Polyline:
    """A chain of straight segments with arc length.

    Args:
        points: at least one point; points that repeat their forerunner are dropped.
    """

    __slots__ = ("length", "points", "s")

    def __init__(self, points: Iterable[Point]) -> None:
        kept: list[Point] = []
        lengths: list[float] = []
        for point in points:
            step = math.hypot(point[0] - kept[-1][0], point[1] - kept[-1][1]) if kept else 0.0
            if kept and step < 1e-9:
                continue
            lengths.append(lengths[-1] + step if lengths else 0.0)
            kept.append(point)
        self.points = tuple(kept)
        self.s = tuple(lengths)
        self.length = self.s[-1]

    def _index(self, s: float) -> int:
        return max(0, min(len(self.s) - 2, bisect_right(self.s, s) - 1))

    def at(self, s: float) -> Point:
        """Return the point at arc length `s`, held within the chain."""
        if len(self.points) == 1:
            return self.points[0]
        i = self._index(s)
        (ax, ay), (bx, by) = self.points[i], self.points[i + 1]
        t = max(0.0, min(1.0, (s - self.s[i]) / (self.s[i + 1] - self.s[i])))
        return ax + t * (bx - ax), ay + t * (by - ay)

    def heading(self, s: float) -> float:
        """Return the direction (rad) of the segment at arc length `s`, that after a corner on a corner."""
        if len(self.points) == 1:
            return 0.0
        i = self._index(s)
        (ax, ay), (bx, by) = self.points[i], self.points[i + 1]
        return math.atan2(by - ay, bx - ax)

    def nearest(self, x: float, y: float, low: float = 0.0, high: float = math.inf) -> tuple[float, float]:
        """Return (arc length, distance) of the point of the chain within [low, high] nearest to (x, y)."""
        best_s, best = max(0.0, min(low, self.length)), math.inf
        points, lengths = self.points, self.s
        for i in range(self._index(low), len(points) - 1):
            if lengths[i] > high:
                break
            (ax, ay), (bx, by) = points[i], points[i + 1]
            size = lengths[i + 1] - lengths[i]
            along = ((x - ax) * (bx - ax) + (y - ay) * (by - ay)) / size
            along = max(0.0, low - lengths[i], min(size, high - lengths[i], along))
            away = math.hypot(x - ax - along * (bx - ax) / size, y - ay - along * (by - ay) / size)
            if away < best:
                best_s, best = lengths[i] + along, away
        return best_s, best

    def reversed(self) -> "Polyline":
        """Return the same chain from its other end."""
        return Polyline(self.points[::-1])
