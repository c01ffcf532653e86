"""Which part of the zone's floor the collector has passed over.

Rules: a grid of 20 mm; a cell counts as swept once its middle has been in the mouth: the rectangle before the body's
front, as wide as the collector and as deep as the jaws reach. A cell is reachable where some pose of the body, all of
it inside the walls, has it in the mouth. numpy, when somebody asks; poses nearer than 5 mm and 2 degrees to the one
before say nothing new.
"""

import math
from collections.abc import Iterable
from functools import lru_cache
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from drivers.fake.zone.gripper import REACH_M
from drivers.fake.zone.layout import Zone
from robotcore.rig import Body

CELL_M = 0.020
FRESH_M, FRESH_RAD = 0.005, math.radians(2.0)
HEADINGS = 72

Cells: TypeAlias = NDArray[Any]
"""Booleans, one a cell: rows from the south, columns from the west."""

Pose: TypeAlias = tuple[float, float, float]


def grid(zone: Zone) -> tuple[Cells, Cells]:
    """Return x and y (m) of the middles of all cells."""
    columns, rows = round(zone.width_m / CELL_M), round(zone.height_m / CELL_M)
    x = zone.left + (np.arange(columns) + 0.5) * zone.width_m / columns
    y = zone.bottom + (np.arange(rows) + 0.5) * zone.height_m / rows
    return np.meshgrid(x, y)


@lru_cache(maxsize=8)
def reachable(zone: Zone, body: Body) -> Cells:
    """Return the cells that the collector can be brought over."""
    x, y = grid(zone)
    found = np.zeros(x.shape, bool)
    half = 0.5 * body.collector_width_m
    points = [(body.front_m + share * REACH_M, left) for share in (0.0, 0.5, 1.0) for left in (-half, 0.0, half)]
    for i in range(HEADINGS):
        c, s = math.cos(i * math.tau / HEADINGS), math.sin(i * math.tau / HEADINGS)
        corners = [(a * c - b * s, a * s + b * c) for a in (-body.rear_m, body.front_m) for b in _sides(body)]
        low_x, high_x = min(p[0] for p in corners), max(p[0] for p in corners)
        low_y, high_y = min(p[1] for p in corners), max(p[1] for p in corners)
        for a, b in points:
            at_x, at_y = x - (a * c - b * s), y - (a * s + b * c)
            inside = (at_x + low_x >= zone.left) & (at_x + high_x <= zone.right)
            found |= inside & (at_y + low_y >= zone.bottom) & (at_y + high_y <= zone.top)
    return found


def _sides(body: Body) -> tuple[float, float]:
    return -0.5 * body.width_m, 0.5 * body.width_m


def swept(zone: Zone, body: Body, poses: Iterable[Pose]) -> Cells:
    """Return the cells that the mouth has passed over in these poses (axle's middle x, y, heading)."""
    x, y = grid(zone)
    rows, columns = x.shape
    done = np.zeros(x.shape, bool)
    middle, half = body.front_m + 0.5 * REACH_M, 0.5 * body.collector_width_m
    reach = math.hypot(0.5 * REACH_M, half)
    for px, py, heading in _fresh(poses):
        c, s = math.cos(heading), math.sin(heading)
        mx, my = px + middle * c, py + middle * s
        left, right = _span(mx - zone.left, reach, zone.width_m / columns, columns)
        low, high = _span(my - zone.bottom, reach, zone.height_m / rows, rows)
        if left >= right or low >= high:
            continue
        dx, dy = x[low:high, left:right] - mx, y[low:high, left:right] - my
        inside = np.abs(dx * c + dy * s) <= 0.5 * REACH_M
        done[low:high, left:right] |= inside & (np.abs(dy * c - dx * s) <= half)
    return done


def _span(at: float, reach: float, cell: float, count: int) -> tuple[int, int]:
    return max(0, math.floor((at - reach) / cell)), min(count, math.ceil((at + reach) / cell))


def _fresh(poses: Iterable[Pose]) -> Iterable[Pose]:
    last = (math.inf, math.inf, math.inf)
    for pose in poses:
        moved = math.hypot(pose[0] - last[0], pose[1] - last[1])
        if not (moved < FRESH_M and abs(pose[2] - last[2]) < FRESH_RAD):
            last = pose
            yield pose


def off_berths(zone: Zone) -> Cells:
    """Return the cells outside all berths."""
    x, y = grid(zone)
    return np.array([
        [not any(berth.holds(px, py) for berth in zone.berths) for px, py in zip(xs, ys, strict=True)]
        for xs, ys in zip(x.tolist(), y.tolist(), strict=True)
    ])  # fmt: skip
