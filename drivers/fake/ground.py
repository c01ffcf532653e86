"""How the floor carries the robot: pitch, roll and lift on bumps and ramps, and what is near.

Rules: the tracks are two stiff straight rails, as long ahead of the axle's middle as behind it, and the robot's weight
acts at that middle; it never leaves the ground. A rail rests on the edge of the floor profile's upper hull that lies
under the weight. Only a rail's ends, the edges of plates and the round of a bump can be corners of that hull, so only
these are looked at. Where the weight passes a crest the robot tips, and takes its time.

A coarse map of what is near answers "level floor, nothing about" at the cost of one look-up.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from typing import NamedTuple

from drivers.fake.course.geometry import Point, bounds, polygon_distance, segment_distance
from drivers.fake.course.relief import Relief
from drivers.fake.course.shapes import Bump, Plate, Solid
from drivers.fake.motion import Truth
from robotcore.rig import Body

CELL_M = 0.05
RAIL_SHARE = 0.8  #: the track's ground contact over the body's shorter end; common practice, no source
ROUND = tuple((share, math.cos(math.pi * share) ** 2) for share in (-0.25, -0.125, 0.0, 0.125, 0.25))
"""Points on a bump's round, as shares of its width from the ridge and of its height: beyond, it curves inward."""

SKEW_MIN = 0.2  #: a rail that crosses a ridge at less than this (sine) rides on its ends
TIP_RAD_S = 3.0  #: a robot tips no faster; from memory: a body of 80 mm half length falls 25 degrees in about 0.15 s
FRESH_M = 0.0005  #: nothing is worked out anew before so much travel

Points = list[Point]
Edge = tuple[float, float, float, float, float, float]  #: from (x, y) to (x, y), height there, width of its round


class Near(NamedTuple):
    """What may matter to a robot in a cell: whether bumps or plates are in reach, their edges there, and solids."""

    rough: bool
    edges: tuple[Edge, ...]
    solids: tuple[Solid, ...]


NOTHING = Near(False, (), ())


def rail_reach(body: Body) -> float:
    """Return how far from the axle's middle the floor carries the robot, in metres."""
    return math.hypot(RAIL_SHARE * min(body.rear_m, body.front_m), body.track_width_m / 2)


class Map:
    """What is near, by cells of 50 mm.

    Args:
        relief: the floor's bumps and plates.
        solids: everything that stops the robot.
        body_m: how far from the axle's middle solids matter.
        rails_m: how far the floor's height does.

    """

    __slots__ = ("cells", "find")

    def __init__(self, relief: Relief, solids: Iterable[Solid], body_m: float, rails_m: float) -> None:
        self.cells: dict[tuple[int, int], Near] = {}
        half = CELL_M * math.sqrt(0.5)
        for bump in relief.bumps:
            ridge = _ridge(bump)
            self._roughen((ridge,), (ridge[0:2], ridge[2:4]), rails_m + half + bump.width_m)
        for plate in relief.plates:
            self._roughen(_edges(plate), plate.corners(), rails_m + half)
        for solid in solids:
            self._place(solid, body_m + half + solid.radius)
        self.find = self._finder()

    def _finder(self) -> Callable[[float, float], Near | None]:
        """Return ``find(x, y)``: what is near there, or None."""
        get, floor, scale = self.cells.get, math.floor, 1.0 / CELL_M

        def find(x: float, y: float) -> Near | None:
            return get((floor(x * scale), floor(y * scale)))

        return find

    def _roughen(self, edges: Sequence[Edge], corners: Sequence[Point], margin: float) -> None:
        left, bottom, right, top = bounds(corners)
        area = corners if len(corners) > 2 else ()
        for key in _keys(left - margin, bottom - margin, right + margin, top + margin):
            x, y = (key[0] + 0.5) * CELL_M, (key[1] + 0.5) * CELL_M
            known = self.cells.get(key, NOTHING)
            close = [edge for edge in edges if segment_distance(x, y, edge[0:2], edge[2:4]) <= margin]
            fresh = [edge for edge in close if not any(_same(edge, other) for other in known.edges)]
            if close or (area and polygon_distance(x, y, area) <= margin):
                self.cells[key] = Near(True, (*known.edges, *fresh), known.solids)

    def _place(self, solid: Solid, margin: float) -> None:
        for key in _keys(solid.x - margin, solid.y - margin, solid.x + margin, solid.y + margin):
            known = self.cells.get(key, NOTHING)
            middle = (key[0] + 0.5) * CELL_M, (key[1] + 0.5) * CELL_M
            if math.dist(middle, (solid.x, solid.y)) <= margin:
                self.cells[key] = known._replace(solids=(*known.solids, solid))


def _keys(left: float, bottom: float, right: float, top: float) -> Iterable[tuple[int, int]]:
    for column in range(math.floor(left / CELL_M), math.floor(right / CELL_M) + 1):
        for row in range(math.floor(bottom / CELL_M), math.floor(top / CELL_M) + 1):
            yield column, row


def _ridge(bump: Bump) -> Edge:
    return bump.ax, bump.ay, bump.bx, bump.by, bump.height_m, bump.width_m


def _edges(plate: Plate) -> list[Edge]:
    corners = plate.corners()
    found = []
    for (ax, ay), (bx, by) in zip(corners, (*corners[1:], corners[0]), strict=True):
        a, b = (_plate_height(plate, x, y) for x, y in ((ax, ay), (bx, by)))
        if a == b:  # the sides are no place to rest on: whoever drives over them falls off
            found.append((ax, ay, bx, by, a, 0.0))
    return found


def _same(edge: Edge, other: Edge) -> bool:
    """Tell whether two plates meet here, so that one edge serves for both."""
    ends = edge[0] + edge[2], edge[1] + edge[3], edge[4]
    return math.dist(ends, (other[0] + other[2], other[1] + other[3], other[4])) < 1e-6


def _plate_height(plate: Plate, x: float, y: float) -> float:
    along = (x - plate.x) * math.cos(plate.heading) + (y - plate.y) * math.sin(plate.heading)
    return plate.far_m if along > 0.5 * plate.length_m else plate.near_m


def rest(points: Sequence[Point]) -> tuple[float, float]:
    """Return (height of the middle, slope) of a stiff rail with its weight at 0.

    Args:
        points: (place along the rail, height of the floor there), metres, with points on both sides of 0.

    """
    if len(points) == 2 and points[0][0] <= 0.0 < points[1][0]:  # nearly always
        (rear, low), (front, high) = points
        slope = (high - low) / (front - rear)
        return low - slope * rear, slope
    best, slope = -math.inf, 0.0
    for rear, low in points:
        if rear > 0.0:
            continue
        for front, high in points:
            if front <= 0.0:
                continue
            tilt = (high - low) / (front - rear)
            height = low - tilt * rear
            if height > best:
                best, slope = height, tilt
    return best, slope


def make_profiles(relief: Relief, half_length: float, side: float) -> Callable[..., tuple[Points, Points]]:
    """Return ``profiles(x, y, c, s, edges)``: the points that the left and the right rail may rest on.

    (x, y) is the axle's middle, (c, s) the direction; a rail lies `side` to either side and reaches `half_length`
    ahead and behind.
    """
    height = relief.height

    def cross(points: Points, a: Point, b: Point, off: float, edge: Edge) -> None:
        """Add where the rail at `off` crosses the edge, whose ends in the robot's frame are a and b."""
        (a_along, a_off), (b_along, b_off) = a, b
        if (a_off - off) * (b_off - off) > 0.0 or a_off == b_off:
            return
        at = a_along + (off - a_off) * (b_along - a_along) / (b_off - a_off)
        width = edge[5]
        if not width:
            if -half_length < at < half_length:
                points.append((at, edge[4]))
            return
        skew = abs(b_off - a_off) / math.hypot(b_off - a_off, b_along - a_along)
        if skew > SKEW_MIN:
            around = [(at + share * width / skew, edge[4] * part) for share, part in ROUND]
            points.extend(point for point in around if -half_length < point[0] < half_length)

    def profiles(x: float, y: float, c: float, s: float, edges: tuple[Edge, ...]) -> tuple[Points, Points]:
        dx, dy, sx, sy = half_length * c, half_length * s, side * s, side * c
        left = [(-half_length, height(x - dx - sx, y - dy + sy)), (half_length, height(x + dx - sx, y + dy + sy))]
        right = [(-half_length, height(x - dx + sx, y - dy - sy)), (half_length, height(x + dx + sx, y + dy - sy))]
        for edge in edges:
            ax, ay, bx, by, _, width = edge
            ax, ay, bx, by = ax - x, ay - y, bx - x, by - y
            a_along, b_along = ax * c + ay * s, bx * c + by * s
            far = half_length + width
            if (a_along > far and b_along > far) or (a_along < -far and b_along < -far):
                continue
            a, b = (a_along, ay * c - ax * s), (b_along, by * c - bx * s)
            cross(left, a, b, side, edge)
            cross(right, a, b, -side, edge)
        return left, right

    return profiles


def make_ground(relief: Relief, body: Body, truth: Truth, h: float) -> Callable[[tuple[Edge, ...]], None]:
    """Return ``settle(edges)``: pitch, roll and lift after a step of `h` seconds. Call it where edges are near."""
    half_length, side = RAIL_SHARE * min(body.rear_m, body.front_m), body.track_width_m / 2
    profiles = make_profiles(relief, half_length, side)
    most, tan, atan = TIP_RAD_S * h, math.tan, math.atan
    seen = (math.inf, math.inf, math.inf)
    pitch = roll = lift = 0.0

    def look(edges: tuple[Edge, ...]) -> None:
        nonlocal pitch, roll, lift
        left, right = profiles(truth.x, truth.y, truth.cos, truth.sin, edges)
        left_up, left_slope = rest(left)
        right_up, right_slope = rest(right)
        pitch = atan(0.5 * (left_slope + right_slope))
        roll = atan((left_up - right_up) / (2.0 * side))
        lift = 0.5 * (left_up + right_up)

    def settle(edges: tuple[Edge, ...]) -> None:
        nonlocal seen
        x, y, heading = truth.x, truth.y, truth.heading
        if abs(x - seen[0]) + abs(y - seen[1]) + abs(heading - seen[2]) * half_length >= FRESH_M:
            seen = x, y, heading
            look(edges)
        truth.lift = lift
        if pitch != truth.pitch:
            truth.pitch += min(max(pitch - truth.pitch, -most), most)
            truth.rise_ahead = tan(truth.pitch)
        if roll != truth.roll:
            truth.roll += min(max(roll - truth.roll, -most), most)
            truth.rise_left = tan(truth.roll)
        truth.flat = not (lift or truth.pitch or truth.roll)

    return settle
