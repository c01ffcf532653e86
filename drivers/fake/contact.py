"""Solids stop the robot: overlap of the body, a turned rectangle, with circles and convex polygons.

Rules: separating axes, so exact for convex shapes. A contact is undone along its normal by the cheapest mix of sliding
along the tracks, sliding across them and turning (weighted least squares): the tracks go on and slip, which is what
encoders then see. What a track lets happen is `common practice, no source`: it slips lengthwise first, turns next, and
hardly slides sideways.
"""

import itertools
import math
from collections.abc import Callable, Iterable
from typing import NamedTuple

from drivers.fake.course.geometry import Point
from drivers.fake.course.shapes import Solid
from drivers.fake.motion import Truth
from robotcore.rig import Body

ACROSS = 0.3  #: how readily tracks slide sideways, lengthwise being 1
LEVER_M = 0.05  #: a turn of one radian is as dear as sliding by this
ROUNDS = 4
SKIN_M = 1e-6


class Overlap(NamedTuple):
    """How deep two shapes overlap, the direction that frees the robot, and where it is touched."""

    depth: float
    nx: float
    ny: float
    px: float
    py: float


def body_corners(body: Body, x: float, y: float, c: float, s: float) -> tuple[Point, ...]:
    """Return the body's corners on the floor, counter-clockwise; `c` and `s` are its heading's cosine and sine."""
    half = body.width_m / 2
    ends = ((-body.rear_m, -half), (body.front_m, -half), (body.front_m, half), (-body.rear_m, half))
    return tuple((x + a * c - b * s, y + a * s + b * c) for a, b in ends)


def overlap(corners: tuple[Point, ...], solid: Solid) -> Overlap | None:
    """Return how the rectangle `corners` overlaps `solid`, or None."""
    axes = [
        *itertools.islice(_normals(corners), 2),
        *(_normals(solid.corners) if solid.corners else _to_circle(corners, solid)),
    ]
    best: Overlap | None = None
    for nx, ny in axes:
        low, high = _extent(corners, nx, ny)
        s_low, s_high = _solid_extent(solid, nx, ny)
        for depth, sign in ((s_high - low, 1.0), (high - s_low, -1.0)):
            if depth <= 0.0:
                return None
            if best is None or depth < best.depth:
                best = Overlap(depth, sign * nx, sign * ny, 0.0, 0.0)
    if best is None:
        return None
    px, py = _touched(corners, solid, best.nx, best.ny)
    return best._replace(px=px, py=py)


def _normals(corners: tuple[Point, ...]) -> Iterable[Point]:
    px, py = corners[-1]
    for qx, qy in corners:
        size = math.hypot(qx - px, qy - py)
        yield (qy - py) / size, (px - qx) / size
        px, py = qx, qy


def _to_circle(corners: tuple[Point, ...], solid: Solid) -> Iterable[Point]:
    x, y = min(corners, key=lambda corner: (corner[0] - solid.x) ** 2 + (corner[1] - solid.y) ** 2)
    size = math.hypot(x - solid.x, y - solid.y)
    if size > 0.0:
        yield (x - solid.x) / size, (y - solid.y) / size


def _extent(corners: tuple[Point, ...], nx: float, ny: float) -> tuple[float, float]:
    along = [x * nx + y * ny for x, y in corners]
    return min(along), max(along)


def _solid_extent(solid: Solid, nx: float, ny: float) -> tuple[float, float]:
    if solid.corners:
        return _extent(solid.corners, nx, ny)
    middle = solid.x * nx + solid.y * ny
    return middle - solid.radius, middle + solid.radius


def _touched(corners: tuple[Point, ...], solid: Solid, nx: float, ny: float) -> Point:
    """Return the middle of the contact: of the parts of both shapes that reach farthest into each other."""
    mine = _foremost(corners, -nx, -ny)
    theirs = _foremost(solid.corners, nx, ny) if solid.corners else [(solid.x, solid.y)]
    along = sorted(x * -ny + y * nx for x, y in mine)
    other = sorted(x * -ny + y * nx for x, y in theirs)
    low, high = max(along[0], other[0]), min(along[-1], other[-1])
    if low > high:  # two corners that do not face each other: the one on the shorter side
        low = high = along[0] if len(mine) == 1 else other[0]
    shift, depth = 0.5 * (low + high), mine[0][0] * nx + mine[0][1] * ny
    return depth * nx - shift * ny, depth * ny + shift * nx


def _foremost(corners: tuple[Point, ...], nx: float, ny: float) -> list[Point]:
    most = max(x * nx + y * ny for x, y in corners)
    return [corner for corner in corners if corner[0] * nx + corner[1] * ny > most - 1e-4]


def _make_clear(body: Body, truth: Truth) -> Callable[[Solid], bool]:
    """Return ``clear(solid)``: at little cost, whether the body is clear of the circle, or upright box, around it."""
    half, ahead, behind = 0.5 * body.width_m, body.front_m, -body.rear_m

    def clear(solid: Solid) -> bool:
        x, y, c, s, r = truth.x, truth.y, truth.cos, truth.sin, solid.radius
        dx, dy = solid.x - x, solid.y - y
        u = dx * c + dy * s
        if u - r > ahead or u + r < behind or abs(dy * c - dx * s) - r > half:
            return True
        left, bottom, right, top = solid.box
        side, front, rear = half * abs(s), ahead * c, behind * c
        if x + (front if front > rear else rear) + side < left or x + (rear if front > rear else front) - side > right:
            return True
        side, front, rear = half * abs(c), ahead * s, behind * s
        return y + (front if front > rear else rear) + side < bottom or (
            y + (rear if front > rear else front) - side > top
        )

    return clear


def make_contact(body: Body, truth: Truth) -> Callable[[tuple[Solid, ...]], tuple[Solid, ...]]:
    """Return ``resolve(solids)``: push the robot out of what it overlaps; gives the solids that it touched."""
    stiff_across, stiff_turn = ACROSS, 1.0 / (LEVER_M * LEVER_M)
    clear = _make_clear(body, truth)

    def yield_to(hit: Overlap) -> None:
        c, s = truth.cos, truth.sin
        ahead, left = hit.nx * c + hit.ny * s, hit.ny * c - hit.nx * s
        lever = (hit.px - truth.x) * hit.ny - (hit.py - truth.y) * hit.nx
        share = (hit.depth + SKIN_M) / (ahead * ahead + stiff_across * left * left + stiff_turn * lever * lever)
        along, across = share * ahead, share * stiff_across * left
        truth.x += along * c - across * s
        truth.y += along * s + across * c
        truth.heading += share * stiff_turn * lever
        truth.cos, truth.sin = math.cos(truth.heading), math.sin(truth.heading)

    def resolve(solids: tuple[Solid, ...]) -> tuple[Solid, ...]:
        touched: list[Solid] = []
        for _ in range(ROUNDS):
            free = True
            for solid in solids:
                if clear(solid):
                    continue
                hit = overlap(body_corners(body, truth.x, truth.y, truth.cos, truth.sin), solid)
                if hit is not None:
                    free = False
                    yield_to(hit)
                    if solid not in touched:
                        touched.append(solid)
            if free:
                break
        return tuple(touched)

    return resolve
