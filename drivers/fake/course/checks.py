"""What makes a course undrivable, beyond a wrong word or number: things off the board or too near to each other.

Rules: each check notes its faults and goes on; a check names the key to change and the remedy.
"""

import math
from collections.abc import Iterator, Sequence

from drivers.fake.course.geometry import Point, Polyline, inside_convex, polygon_distance, wrap
from drivers.fake.course.graph import Net
from drivers.fake.course.path import Drawing
from drivers.fake.course.relief import Relief
from drivers.fake.course.route import Route, Spot
from drivers.fake.course.shapes import Ramp, Solid, Wall
from drivers.fake.course.tracing import junction_of
from robotcore.checking import Checker

CLEAR_M = 0.15
"""Room an obstacle needs to junctions, gaps, ramps, the start and the finish."""

STRAIGHT_M = 0.05
"""Straight line that a gap needs before and after it."""

BESIDE_M = 0.12
"""Room beside the line that the robot itself needs: half its width and a little."""

STEP_M = 0.012
"""The highest step in the floor that the line may meet."""

_NEED_ROOM = ("junction", "gap", "ramp", "finish", "obstacle")


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
            checker.fault(
                source,
                f"{what} leaves the board ({width * 1000:.0f} by {height * 1000:.0f} mm) at "
                f"{_mm(x, y)}; move it, or enlarge course.size_mm",
            )


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


def check_drivable(
    drawing: Drawing, walls: Sequence[Wall], relief: Relief, net: Net, route: Route | None, checker: Checker
) -> None:
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
            _check_ramp(drawing.ramps[spot.index], spot, route.line, checker)
    _check_room(drawing.obstacles, walls, route, checker)
    _check_steps(route.line, relief, checker)


def _check_markers(drawing: Drawing, net: Net, checker: Checker) -> None:
    for marker in drawing.markers:
        corners = marker.corners()
        touches = any(_touches(edge.line, corners, drawing.line_width_m / 2 + 0.002) for edge in net.edges)
        if not touches:
            checker.fault(
                marker.source,
                f"the marker at {_mm(marker.x, marker.y)} touches no line; move its edge to the line's edge",
            )
        elif junction_of(net, marker) is None:
            checker.fault(
                marker.source,
                f"the marker at {_mm(marker.x, marker.y)} stands at no "
                "junction; move its middle to within 60 mm of one",
            )


def _touches(line: Polyline, corners: tuple[Point, ...], reach: float) -> bool:
    x = sum(corner[0] for corner in corners) / 4
    y = sum(corner[1] for corner in corners) / 4
    s, away = line.nearest(x, y)
    if away > reach + 0.05:
        return False
    return any(polygon_distance(*line.at(s + i * 0.004), corners) <= reach for i in range(-12, 13))


def _check_gap(line: Polyline, gap: Spot, checker: Checker) -> None:
    for low, high, side in ((gap.s_m - STRAIGHT_M, gap.s_m, "before"), (gap.end_m, gap.end_m + STRAIGHT_M, "after")):
        if low < 0.0 or high > line.length or _bend(line, low, high, line.heading(gap.s_m + 0.001)) > math.radians(5):
            checker.fault(
                "course",
                f"the gap at {_mm(gap.x, gap.y)} has less than 50 mm of "
                f"straight line {side} it; add straight_mm = 50 there",
            )


def _bend(line: Polyline, low: float, high: float, heading: float) -> float:
    """Return by how much (rad) the line between two arc lengths departs from `heading`."""
    count = max(2, round((high - low) / 0.005))
    headings = [line.heading(low + (high - low) * (i + 0.5) / count) for i in range(count)]
    return max(abs(wrap(angle - heading)) for angle in headings)


def _check_ramp(ramp: Ramp, spot: Spot, line: Polyline, checker: Checker) -> None:
    """Note where the route climbs a slope otherwise than straight up or down."""
    slopes = [plate for plate in ramp.plates if plate.near_m != plate.far_m]
    for i in range(max(1, round((spot.end_m - spot.s_m) / 0.01))):
        s = spot.s_m + 0.005 + 0.01 * i
        x, y = line.at(s)
        for plate in slopes:
            off = abs(math.sin(line.heading(s) - plate.heading))
            if off > math.sin(math.radians(20)) and inside_convex(x, y, plate.corners()):
                checker.fault(
                    ramp.source,
                    f"the line runs askew on a slope at {_mm(x, y)}; let it run straight up or down, within 20 degrees",
                )
                return


def _check_steps(line: Polyline, relief: Relief, checker: Checker) -> None:
    """Note steps in the floor on the route that no track climbs."""
    if relief.flat:
        return
    last = relief.height(*line.at(0.0))
    for i in range(1, int(line.length / 0.002) + 1):
        x, y = line.at(0.002 * i)
        height = relief.height(x, y)
        if abs(height - last) > STEP_M:
            checker.fault(
                "course",
                f"the line meets a step of {abs(height - last) * 1000:.0f} mm at {_mm(x, y)}; "
                "join the plates there, or move the line or the ramp",
            )
            return
        last = height


def _check_obstacle(solid: Solid, spot: Spot, route: Route, checker: Checker) -> None:
    for other in route.spots:
        if other.kind not in _NEED_ROOM or (other.kind == "obstacle" and other.index == spot.index):
            continue
        room = max(other.s_m - spot.end_m, spot.s_m - other.end_m)
        near = min(_solid_distance(solid, *route.line.at(s)) for s in (other.s_m, other.end_m))
        if room < CLEAR_M and near < CLEAR_M:
            what = "another obstacle" if other.kind == "obstacle" else f"the {other.kind}"
            checker.fault(
                solid.source,
                f"stands within 150 mm of {what} at {_mm(other.x, other.y)}, so that nobody "
                "can pass it; move it along the line",
            )


def _check_room(solids: Sequence[Solid], walls: Sequence[Wall], route: Route, checker: Checker) -> None:
    """Note solids that stand at the start, or beside the line where the robot needs to pass."""
    on_route = {spot.index for spot in route.spots if spot.kind == "obstacle"}
    for index, solid in enumerate(solids):
        if _solid_distance(solid, *route.points[0]) < CLEAR_M:
            checker.fault(solid.source, "stands within 150 mm of the start; move it on")
        elif index not in on_route:
            _check_beside(solid, route, checker)
    for wall in walls:
        _check_beside(wall.solid(), route, checker)


def _check_beside(solid: Solid, route: Route, checker: Checker) -> None:
    if route.line.nearest(solid.x, solid.y)[1] > solid.radius + BESIDE_M:
        return
    places = [route.line.at(s) for s in _marks(route)]
    away, (x, y) = min((_solid_distance(solid, *place), place) for place in places)
    if away < BESIDE_M:
        checker.fault(
            solid.source,
            f"stands {away * 1000:.0f} mm beside the line at {_mm(x, y)}, where the robot must "
            f"pass; keep {BESIDE_M * 1000:.0f} mm away, or put an obstacle on the line",
        )


def _marks(route: Route) -> list[float]:
    """Return arc lengths 10 mm apart on all of the route but its jump through a zone."""
    return [low + 0.01 * i for low, high in route.stretches() for i in range(int((high - low) / 0.01) + 1)]


def _solid_distance(solid: Solid, x: float, y: float) -> float:
    if solid.shape == "circle":
        return max(0.0, math.hypot(x - solid.x, y - solid.y) - solid.radius)
    return polygon_distance(x, y, solid.corners)


def _mm(x: float, y: float) -> str:
    return f"[{x * 1000:.0f}, {y * 1000:.0f}] mm"
