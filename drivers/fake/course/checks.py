"""What makes a course undrivable, beyond a wrong word or number: things off the board or too near to each other.

Rules: each check notes its faults and goes on; a check names the key to change and the remedy.
"""

import math
from collections.abc import Iterator, Sequence

from drivers.fake.course.geometry import Point, Polyline, polygon_distance, wrap
from drivers.fake.course.graph import Net
from drivers.fake.course.path import Drawing
from drivers.fake.course.route import Route, Spot
from drivers.fake.course.shapes import Solid
from drivers.fake.course.tracing import junction_of
from robotcore.checking import Checker

CLEAR_M = 0.15
"""Room an obstacle needs to junctions, gaps, ramps, the start and the finish."""

STRAIGHT_M = 0.05
"""Straight line that a gap needs before and after it."""


def check_drawing(drawing: Drawing, width: float, height: float, checker: Checker) -> None:
    """Note whatever lies off the board, and a board without a line."""
    if not drawing.strokes and not checker.faults:
        checker.fault("line", "is missing; draw the course with [[line]] or [[tile]]")
    noted: set[str] = set()
    for source, what, points, room in _outlines(drawing):
        off = [(x, y) for x, y in points if not (room <= x <= width - room and room <= y <= height - room)]
        if off and source not in noted:
            noted.add(source)
            x, y = off[0]
            checker.fault(source, f"{what} leaves the board ({width * 1000:.0f} by {height * 1000:.0f} mm) at "
                          f"[{x * 1000:.0f}, {y * 1000:.0f}] mm; move it, or enlarge course.size_mm")


def _outlines(drawing: Drawing) -> Iterator[tuple[str, str, Sequence[Point], float]]:
    """Yield (key path, what it is, points, room needed) of everything that must lie on the board."""
    for stroke in drawing.strokes:
        ends = {stroke.pieces[0].points()[0], stroke.pieces[-1].points()[-1]}
        inner = [point for piece in stroke.pieces for point in piece.points() if point not in ends]
        yield stroke.source, "the line", inner, drawing.line_width_m / 2
        yield stroke.source, "the line", sorted(ends), -1e-9
    for marker in drawing.markers:
        yield marker.source, "the marker", marker.corners(), 0.0
    for strip in drawing.strips:
        yield strip.source, "the strip", [(strip.x, strip.y)], 0.0
    for bump in drawing.bumps:
        yield bump.source, "the bump", [((bump.ax + bump.bx) / 2, (bump.ay + bump.by) / 2)], 0.0
    for ramp in drawing.ramps:
        yield ramp.source, "the ramp", [(plate.x, plate.y) for plate in ramp.plates], 0.0
    for solid in drawing.obstacles:
        yield solid.source, "the obstacle", [(solid.x, solid.y)], 0.0


def check_drivable(drawing: Drawing, net: Net, route: Route | None, checker: Checker) -> None:
    """Note markers that say nothing, and what a robot could not pass."""
    _check_markers(drawing, net, checker)
    if route is None:
        return
    for spot in route.spots:
        if spot.kind == "gap":
            _check_gap(route.line, spot, checker)
        elif spot.kind == "obstacle":
            _check_obstacle(drawing.obstacles[spot.index], spot, route, checker)
        elif spot.kind == "ramp":
            _check_ramp(drawing.ramps[spot.index].source, spot, route.line, checker)
    for solid in drawing.obstacles:
        if _solid_distance(solid, *route.points[0]) < CLEAR_M:
            checker.fault(solid.source, "stands within 150 mm of the start; move it on")


def _check_markers(drawing: Drawing, net: Net, checker: Checker) -> None:
    for marker in drawing.markers:
        corners = marker.corners()
        touches = any(_touches(edge.line, corners, drawing.line_width_m / 2 + 0.002) for edge in net.edges)
        if not touches:
            checker.fault(marker.source, f"the marker at [{marker.x * 1000:.0f}, {marker.y * 1000:.0f}] mm touches no "
                          "line; move its edge to the line's edge")
        elif junction_of(net, marker) is None:
            checker.fault(marker.source, f"the marker at [{marker.x * 1000:.0f}, {marker.y * 1000:.0f}] mm stands at no "
                          "junction; move its middle to within 60 mm of one")


def _touches(line: Polyline, corners: tuple[Point, ...], reach: float) -> bool:
    x = sum(corner[0] for corner in corners) / 4
    y = sum(corner[1] for corner in corners) / 4
    s, away = line.nearest(x, y)
    if away > reach + 0.05:
        return False
    return any(
        polygon_distance(*line.at(s + i * 0.004), corners) <= reach for i in range(-12, 13)
    )


def _check_gap(line: Polyline, gap: Spot, checker: Checker) -> None:
    for low, high, side in ((gap.s_m - STRAIGHT_M, gap.s_m, "before"), (gap.end_m, gap.end_m + STRAIGHT_M, "after")):
        if low < 0.0 or high > line.length or _bend(line, low, high, line.heading(gap.s_m + 0.001)) > math.radians(5):
            checker.fault("course", f"the gap at [{gap.x * 1000:.0f}, {gap.y * 1000:.0f}] mm has less than 50 mm of "
                          f"straight line {side} it; add straight_mm = 50 there")


def _bend(line: Polyline, low: float, high: float, heading: float) -> float:
    """Return by how much (rad) the line between two arc lengths departs from `heading`."""
    count = max(2, round((high - low) / 0.005))
    headings = [line.heading(low + (high - low) * (i + 0.5) / count) for i in range(count)]
    return max(abs(wrap(angle - heading)) for angle in headings)


def _check_ramp(source: str, ramp: Spot, line: Polyline, checker: Checker) -> None:
    if ramp.end_m - ramp.s_m > 0.02 and _bend(line, ramp.s_m, ramp.end_m, line.heading(ramp.s_m + 0.003)) > math.pi / 4:
        checker.fault(source, "has a bend of the line on it; let the line run straight over the ramp")


def _check_obstacle(solid: Solid, spot: Spot, route: Route, checker: Checker) -> None:
    for other in route.spots:
        if other.kind not in ("junction", "gap", "ramp", "finish") and other.index == spot.index:
            continue
        if other.kind in ("bump", "corner"):
            continue
        room = max(other.s_m - spot.end_m, spot.s_m - other.end_m)
        near = _solid_distance(solid, *route.line.at(other.s_m))
        if room < CLEAR_M and min(near, _solid_distance(solid, *route.line.at(other.end_m))) < CLEAR_M:
            what = {"obstacle": "another obstacle"}.get(other.kind, f"a {other.kind}")
            checker.fault(solid.source, f"stands within 150 mm of {what} at [{other.x * 1000:.0f}, "
                          f"{other.y * 1000:.0f}] mm, so that nobody can pass; move it along the line")


def _solid_distance(solid: Solid, x: float, y: float) -> float:
    if solid.shape == "circle":
        return max(0.0, math.hypot(x - solid.x, y - solid.y) - solid.radius)
    return polygon_distance(x, y, solid.corners)
