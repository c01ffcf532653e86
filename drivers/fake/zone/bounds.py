"""What of a zone does not go with the rest of the board: walls over its edge, lines and things on the zone's floor.

Rules: each check notes its faults and goes on.
"""

from collections.abc import Iterator, Sequence
from itertools import pairwise

from drivers.fake.course.geometry import Point
from drivers.fake.course.path import Drawing
from drivers.fake.course.shapes import Wall
from drivers.fake.zone.layout import Zone
from robotcore.checking import Checker


def check_zone(
    zone: Zone, drawing: Drawing, walls: Sequence[Wall], width: float, height: float, checker: Checker
) -> None:
    """Note a zone that leaves the board (`width` by `height`, m), and what lies in it that must not.

    `walls` are those that the course draws by itself.
    """
    out = zone.wall_m
    if zone.left < out or zone.bottom < out or zone.right > width - out or zone.top > height - out:
        checker.fault("zone.at_mm", f"its walls leave the board ({width * 1000:.0f} by {height * 1000:.0f} mm); "
                      "move it, or enlarge course.size_mm")  # fmt: skip
    noted: set[str] = set()
    for source, what, points in (*_things(drawing), *_upright(walls)):
        inside = [(x, y) for x, y in points if _within(zone, x, y)]
        if inside and source not in noted:
            noted.add(source)
            x, y = inside[0]
            checker.fault(source, f"{what} at [{1000 * x:.0f}, {1000 * y:.0f}] mm lies in the zone, where there is "
                          "only floor, berths and objects; move it out")  # fmt: skip


def _within(zone: Zone, x: float, y: float) -> bool:
    inner = 0.003
    return zone.left + inner < x < zone.right - inner and zone.bottom + inner < y < zone.top - inner


def _things(drawing: Drawing) -> Iterator[tuple[str, str, list[Point]]]:
    for stroke in drawing.strokes:
        yield stroke.source, "the line", [point for piece in stroke.pieces for point in _along(piece.points())]
    for marker in drawing.markers:
        yield marker.source, "the marker", list(marker.corners())
    for strip in drawing.strips:
        yield strip.source, "the strip", [(strip.x, strip.y)]
    for bump in drawing.bumps:
        yield bump.source, "the bump", _along(((bump.ax, bump.ay), (bump.bx, bump.by)))
    for ramp in drawing.ramps:
        for plate in ramp.plates:
            yield ramp.source, "the ramp", _along(plate.corners())
    for solid in drawing.obstacles:
        yield solid.source, "the obstacle", [(solid.x, solid.y), *solid.corners]


def _upright(walls: Sequence[Wall]) -> Iterator[tuple[str, str, list[Point]]]:
    for wall in walls:
        yield wall.source, "the wall", _along(((wall.ax, wall.ay), (wall.bx, wall.by)))


def _along(points: tuple[Point, ...]) -> list[Point]:
    """Return points at most 20 mm apart on a chain."""
    found = list(points[:1])
    for (ax, ay), (bx, by) in pairwise(points):
        count = max(1, round(((bx - ax) ** 2 + (by - ay) ** 2) ** 0.5 / 0.02))
        found += [(ax + (bx - ax) * i / count, ay + (by - ay) * i / count) for i in range(1, count + 1)]
    return found
