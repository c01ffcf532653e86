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
BATCH = 1000  #: poses worked on at once

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
    done = np.zeros(x.shape, bool)
    middle = body.front_m + 0.5 * REACH_M
    mouths = []
    for px, py, heading in _fresh(poses):
        c, s = math.cos(heading), math.sin(heading)
        mouths.append((px + middle * c, py + middle * s, c, s))
    for first in range(0, len(mouths), BATCH):
        _sweep(zone, body, np.array(mouths[first : first + BATCH]).T[:, :, None], (x[0], y[:, 0]), done)
    return done


def _sweep(zone: Zone, body: Body, mouths: Cells, middles: tuple[Cells, Cells], done: Cells) -> None:
    """Mark the cells whose middles lie in the mouths: rows of x, y, cosine and sine, one column of one a mouth."""
    (mx, my, c, s), (xs, ys), half = mouths, middles, 0.5 * body.collector_width_m
    reach = math.hypot(0.5 * REACH_M, half)
    column, close_x = _span(mx - zone.left, reach, zone.width_m / len(xs), len(xs))
    row, close_y = _span(my - zone.bottom, reach, zone.height_m / len(ys), len(ys))
    dx, dy, c, s = (xs[column] - mx)[:, None, :], (ys[row] - my)[:, :, None], c[:, None], s[:, None]
    inside = np.abs(dx * c + dy * s) <= 0.5 * REACH_M
    inside &= np.abs(dy * c - dx * s) <= half
    which, i, j = np.nonzero(inside & close_x[:, None, :] & close_y[:, :, None])
    done[row[which, i], column[which, j]] = True


def _span(at: Cells, reach: float, cell: float, count: int) -> tuple[Cells, Cells]:
    """Return the cells that `reach` to both sides of `at` may hold, clipped to those there are, and which are there."""
    first = np.floor((at - reach) / cell).astype(int)
    cells = first + np.arange(math.ceil(2.0 * reach / cell) + 2)
    return np.clip(cells, 0, count - 1), (cells >= 0) & (cells < count)


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
