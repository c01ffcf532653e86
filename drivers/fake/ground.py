"""How the floor carries the robot: pitch, roll and lift on bumps and ramps, and what is near.

Rules: the tracks are two stiff straight rails, as long ahead of the axle's middle as behind it, and the robot's weight
acts at that middle; it never leaves the ground. A rail rests on the edge of the floor profile's upper hull that lies
under the weight; on a crest it stays as it was within what the crest allows. A coarse map of what is near answers
"level floor, nothing about" at the cost of one look-up.
"""

import math
from collections.abc import Callable, Iterable
from typing import NamedTuple

from drivers.fake.course.relief import Relief
from drivers.fake.course.shapes import Solid
from drivers.fake.motion import Truth
from robotcore.rig import Body

CELL_M = 0.1
RAIL_SHARE = 0.8  #: the track's ground contact over the body's shorter end; common practice, no source
POINTS = 7  #: a rail's contact points; at 100 mm one every 17 mm, where bumps are 40 mm wide
FRESH_M = 0.0015  #: the profile is looked at again after so much travel (bumps: 0.2 mm of height at the steepest)


class Near(NamedTuple):
    """What may matter to a robot in a cell: whether the floor is uneven, and the solids within reach."""

    rough: bool
    solids: tuple[Solid, ...]


NOTHING = Near(False, ())




class Map:
    """What is near, by cells of 100 mm.

    Args:
        relief: the floor's bumps and plates.
        solids: everything that stops the robot.
        reach_m: how far from the axle's middle things matter.

    """

    __slots__ = ("cells", "find")

    def __init__(self, relief: Relief, solids: Iterable[Solid], reach_m: float) -> None:
        self.cells: dict[tuple[int, int], Near] = {}
        reach = reach_m + CELL_M * math.sqrt(0.5)
        for bump in relief.bumps:
            ends = (bump.ax, bump.ay), (bump.bx, bump.by)
            self._roughen(ends, reach + bump.width_m / 2)
        for plate in relief.plates:
            self._roughen(plate.corners(), reach)
        for solid in solids:
            self._place(solid, reach + solid.radius)
        self.find = self._finder()

    def _finder(self) -> Callable[[float, float], Near | None]:
        """Return ``find(x, y)``: what is near there, or None."""
        get, floor, scale = self.cells.get, math.floor, 1.0 / CELL_M

        def find(x: float, y: float) -> Near | None:
            return get((floor(x * scale), floor(y * scale)))

        return find

    def _roughen(self, points: Iterable[tuple[float, float]], margin: float) -> None:
        xs, ys = zip(*points, strict=True)
        for key in _keys(min(xs) - margin, min(ys) - margin, max(xs) + margin, max(ys) + margin):
            self.cells[key] = Near(True, self.cells.get(key, NOTHING).solids)

    def _place(self, solid: Solid, margin: float) -> None:
        for key in _keys(solid.x - margin, solid.y - margin, solid.x + margin, solid.y + margin):
            known = self.cells.get(key, NOTHING)
            middle = (key[0] + 0.5) * CELL_M, (key[1] + 0.5) * CELL_M
            if math.hypot(middle[0] - solid.x, middle[1] - solid.y) <= margin:
                self.cells[key] = Near(known.rough, (*known.solids, solid))


def _keys(left: float, bottom: float, right: float, top: float) -> Iterable[tuple[int, int]]:
    for column in range(math.floor(left / CELL_M), math.floor(right / CELL_M) + 1):
        for row in range(math.floor(bottom / CELL_M), math.floor(top / CELL_M) + 1):
            yield column, row


def rest(profile: list[float], spacing: float, before: float) -> tuple[float, float]:
    """Return (height of the middle, slope) of a stiff rail with its weight at the middle of `profile`.

    Args:
        profile: floor heights (m) at an odd number of points `spacing` metres apart, from rear to front.
        spacing: metres.
        before: the slope until now, kept within what a crest allows.

    """
    half = len(profile) // 2
    middle = profile[half]
    best, slope = middle, 0.0
    for i in range(1, half + 1):
        rear = profile[half - i]
        for k in range(1, half + 1):
            front = profile[half + k]
            height = rear + (front - rear) * i / (i + k)
            if height > best + 1e-12:
                best, slope = height, (front - rear) / ((i + k) * spacing)
    if best > middle:
        return best, slope
    low = max((profile[half + k] - middle) / (k * spacing) for k in range(1, half + 1))
    high = min((middle - profile[half - i]) / (i * spacing) for i in range(1, half + 1))
    return middle, min(max(before, low), high)


def make_ground(relief: Relief, body: Body, truth: Truth) -> Callable[[], None]:
    """Return ``settle()``: pitch, roll and lift where the robot stands now. Call it where the floor may be rough."""
    half_length = RAIL_SHARE * min(body.rear_m, body.front_m)
    half = POINTS // 2
    spacing = half_length / half
    steps = [(i - half) * spacing for i in range(POINTS)]
    side = body.track_width_m / 2
    height = relief.height
    seen_x = seen_y = seen_heading = math.inf

    def profile(left: float) -> list[float]:
        c, s = truth.cos, truth.sin
        x, y = truth.x - left * s, truth.y + left * c
        return [height(x + step * c, y + step * s) for step in steps]

    def settle() -> None:
        nonlocal seen_x, seen_y, seen_heading
        moved = abs(truth.x - seen_x) + abs(truth.y - seen_y) + abs(truth.heading - seen_heading) * half_length
        if moved < FRESH_M:
            return
        seen_x, seen_y, seen_heading = truth.x, truth.y, truth.heading
        left, right = profile(side), profile(-side)
        if not any(left) and not any(right):
            truth.flat = True
            truth.pitch = truth.roll = truth.lift = 0.0
            return
        before = math.tan(truth.pitch)
        left_up, left_slope = rest(left, spacing, before)
        right_up, right_slope = rest(right, spacing, before)
        truth.flat = False
        truth.pitch = math.atan(0.5 * (left_slope + right_slope))
        truth.roll = math.atan((left_up - right_up) / (2.0 * side))
        truth.lift = 0.5 * (left_up + right_up)

    return settle
