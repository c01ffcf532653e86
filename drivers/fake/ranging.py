"""What a beam meets: the nearest surface within a cone, exactly, for circles and straight edges in plan.

Rules: pure Python floats; positions in metres, angles in radians. A surface met at a slant returns too little: an edge
of a polygon seen at more than the sensor's grazing limit from its normal is not seen, but its corners scatter and
are seen up to `CORNER_M`. A round thing is not seen where the cone holds only its flanks.

The closest point of an edge within the cone is the foot of the perpendicular where the cone holds it, else a corner, or
where the cone's rim cuts the edge; of a circle it is on the line to its middle, else on the rim. Hence for a wall
tilted by t and a half-angle H: D for t <= H, D / cos(t - H) beyond (D: distance along the perpendicular).
"""

import math
from collections.abc import Callable, Iterable

from drivers.fake.course.shapes import Colour, Solid

NEAR_M = 1e-6  #: what is farther than the reach by more than this is not looked at
CORNER_M = 0.6  #: corners scatter too little from beyond this; from memory

Sight = tuple[float, Colour | None]
NOTHING: Sight = (math.inf, None)


def make_cone(
    solids: Iterable[Solid], half_angle: float, grazing: float, reach_m: float
) -> Callable[[float, float, float], Sight]:
    """Return ``nearest(x, y, heading)``: metres to the nearest surface seen, and its colour; inf and None for nothing.

    Args:
        solids: what may be met.
        half_angle: the cone's half-angle, below a quarter turn.
        grazing: a surface is seen up to this angle from its normal.
        reach_m: nothing is seen beyond.

    """
    circle, edge = _circle_meter(half_angle, grazing), _edge_meter(half_angle, grazing)
    solids = tuple(solids)
    circles = [(s.x, s.y, s.radius, s.colour) for s in solids if not s.corners]
    edges = [(s.x, s.y, reach_m + s.radius + NEAR_M, s.radius, _edges(s), s.colour) for s in solids if s.corners]
    cos_half, sin_half = math.cos(half_angle), math.sin(half_angle)
    sin, cos = math.sin, math.cos

    def nearest(x: float, y: float, heading: float) -> Sight:
        c, s = cos(heading), sin(heading)
        best, colour = reach_m, None
        for px, py, radius, paint in circles:
            dx, dy = px - x, py - y
            u = dx * c + dy * s
            if u + radius > 0.0 and u - radius < best:
                distance = circle(u, abs(dy * c - dx * s), radius)
                if distance < best:
                    best, colour = distance, paint
        for px, py, far, radius, sides, paint in edges:
            dx, dy = px - x, py - y
            if not (-far < dx < far and -far < dy < far):
                continue
            u, v = dx * c + dy * s, abs(dy * c - dx * s)
            if u + radius <= 0.0 or u - radius >= best or v * cos_half - u * sin_half >= radius:
                continue
            for ax, ay, bx, by in sides:
                ax, ay, bx, by = ax - x, ay - y, bx - x, by - y
                distance = edge(ax * c + ay * s, ay * c - ax * s, bx * c + by * s, by * c - bx * s)
                if distance < best:
                    best, colour = distance, paint
        return NOTHING if colour is None else (best, colour)

    return nearest


def _circle_meter(half_angle: float, grazing: float) -> Callable[[float, float, float], float]:
    """Return ``circle(u, v, radius)``: how far a circle is whose middle lies `u` along and `v` >= 0 off the axis."""
    tan, cos_half, sin_half = math.tan(half_angle), math.cos(half_angle), math.sin(half_angle)
    sin_grazing, sqrt, inf = math.sin(grazing), math.sqrt, math.inf

    def circle(u: float, v: float, radius: float) -> float:
        if v <= u * tan:
            return sqrt(u * u + v * v) - radius
        along, off = u * cos_half + v * sin_half, v * cos_half - u * sin_half
        if along <= 0.0 or off >= radius * sin_grazing:
            return inf
        return along - sqrt(radius * radius - off * off)

    return circle


def _edge_meter(half_angle: float, grazing: float) -> Callable[[float, float, float, float], float]:
    """Return ``edge(au, av, bu, bv)``: how far the edge from a to b is, in the cone's frame; inf where not seen.

    The solid lies on the edge's left, so the sensor must stand on its right.
    """
    tan, cos_grazing = math.tan(half_angle), math.cos(grazing)
    sqrt, inf = math.sqrt, math.inf

    def clip(au: float, av: float, du: float, dv: float) -> tuple[float, float]:
        """Return the part of the edge, in shares of its length, that lies in the cone; empty where low > high."""
        low, high = 0.0, 1.0
        for inside, step in ((au * tan - av, du * tan - dv), (au * tan + av, du * tan + dv)):
            if step > 0.0:
                low = max(low, -inside / step)
            elif step < 0.0:
                high = min(high, -inside / step)
            elif inside < 0.0:
                return 1.0, 0.0
        return low, high

    def edge(au: float, av: float, bu: float, bv: float) -> float:
        du, dv = bu - au, bv - av
        away = av * du - au * dv  # twice a triangle's area, positive where the sensor stands outside
        if away <= 0.0:
            return inf
        low, high = clip(au, av, du, dv)
        if low > high:
            return inf
        square = du * du + dv * dv
        foot = -(au * du + av * dv) / square
        t = low if foot < low else high if foot > high else foot
        u, v = au + t * du, av + t * dv
        distance = sqrt(u * u + v * v)
        slanting = away < cos_grazing * distance * sqrt(square)
        return inf if slanting and not (t in (0.0, 1.0) and distance < CORNER_M) else distance

    return edge


def _edges(solid: Solid) -> list[tuple[float, float, float, float]]:
    return [(*solid.corners[i - 1], *solid.corners[i]) for i in range(len(solid.corners))]


def speed_of_sound(celsius: float) -> float:
    """Return m/s in air: 343.2 sqrt(T / 293.15) (form of ISO 9613-1, from memory; CHECKS e)."""
    return 343.2 * math.sqrt((celsius + 273.15) / 293.15)
