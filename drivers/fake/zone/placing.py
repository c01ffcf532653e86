"""Where the objects lie at the start of a run: as the course says, or anywhere, decided by the run's seed.

Rules: random objects lie at least `EDGE_M` and half their size from walls, off berths and openings, and `apart_mm`
from each other; where so many do not fit, each in turn lies as far from the others as forty tries find.
"""

import math
import random

from drivers.fake.course.geometry import Point, polygon_distance
from drivers.fake.zone.layout import Item, Zone

EDGE_M = 0.030  #: free floor between an object and a wall
OPEN_M = 0.250  #: from the middle of an opening, so that nothing lies where the robot comes in
BERTH_M = 0.020
_TRIES = 40


def place_items(zone: Zone, rng: random.Random, jitter_m: float) -> list[tuple[float, float, float]]:
    """Return (x, y, heading rad) of every object, in the order of the zone's list.

    Args:
        zone: the zone.
        rng: draws; the same numbers are taken whatever `jitter_m` is.
        jitter_m: objects with a place of their own lie up to so far from it, along x and y.

    """
    found: list[tuple[float, float, float]] = []
    for item in zone.items:
        dx, dy, heading = rng.uniform(-1.0, 1.0), rng.uniform(-1.0, 1.0), rng.uniform(-math.pi / 4, math.pi / 4)
        if item.at is None:
            x, y = _anywhere(zone, item, found, rng)
        else:
            x, y = _held_in(zone, item, item.at[0] + jitter_m * dx, item.at[1] + jitter_m * dy)
        found.append((x, y, heading))
    return found


def _room(item: Item) -> float:
    return EDGE_M + 0.5 * item.make.size_m * (1.0 if item.make.shape == "ball" else math.sqrt(2.0))


def _held_in(zone: Zone, item: Item, x: float, y: float) -> Point:
    room = 0.5 * item.make.size_m * (1.0 if item.make.shape == "ball" else math.sqrt(2.0)) + 0.001
    return (
        max(zone.left + room, min(zone.right - room, x)),
        max(zone.bottom + room, min(zone.top - room, y)),
    )


def _anywhere(zone: Zone, item: Item, others: list[tuple[float, float, float]], rng: random.Random) -> Point:
    room = _room(item)
    best, best_away = (zone.left + 0.5 * zone.width_m, zone.bottom + 0.5 * zone.height_m), -1.0
    for _ in range(_TRIES):
        x = rng.uniform(zone.left + room, zone.right - room)
        y = rng.uniform(zone.bottom + room, zone.top - room)
        if not _free(zone, item, x, y):
            continue
        away = min((math.hypot(x - ox, y - oy) for ox, oy, _ in others), default=math.inf)
        if away >= zone.apart_m:
            return x, y
        if away > best_away:
            best, best_away = (x, y), away
    return best


def _free(zone: Zone, item: Item, x: float, y: float) -> bool:
    half = 0.5 * item.make.size_m
    for opening in zone.openings:
        gate = zone.gate(opening.strip)
        if math.hypot(x - gate.x, y - gate.y) < OPEN_M:
            return False
    return all(polygon_distance(x, y, berth.area) >= half + BERTH_M for berth in zone.berths)
