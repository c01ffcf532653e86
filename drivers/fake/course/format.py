"""Reading a course: TOML text to `Course`, every fault at once. FORMAT.md describes the format.

Rules: nothing in the text is executed; numbers are millimetres and degrees and become metres and radians here.
"""

import math
from functools import lru_cache

from drivers.fake.course.checks import check_drawing, check_drivable
from drivers.fake.course.course import Colours, Course
from drivers.fake.course.geometry import ahead
from drivers.fake.course.graph import Net
from drivers.fake.course.path import Drawing, Pen, draw
from drivers.fake.course.relief import Relief
from drivers.fake.course.route import Route
from drivers.fake.course.shapes import BLACK, GREEN, PAINTS, RED, SILVER, TABLE, WHITE, Marker, Pose, Wall
from drivers.fake.course.things import read_bump, read_colour, read_plate, read_ramp, read_solid, read_strip
from drivers.fake.course.tiles import draw_tiles
from drivers.fake.course.tracing import Scene, trace
from drivers.fake.zone.bounds import check_zone
from drivers.fake.zone.reading import read_zone
from robotcore.checking import Checker, Table, nearest, parse_toml


@lru_cache(maxsize=64)
def parse_course(text: str, source: str) -> Course:
    """Return the course that the TOML `text` describes.

    Args:
        text: the course in the format of FORMAT.md.
        source: the name that faults are reported under.

    Raises:
        UserError: the text is not TOML, or has faults; all of them are listed with place and remedy.
    """
    checker = Checker(source)
    top = Table(parse_toml(text, source), checker)
    head = top.table("course")
    name = head.text("name")
    width, height = (v / 1000 for v in head.numbers("size_mm", count=2, low=300.0, high=5000.0))
    drawing = Drawing(head.number("line_width_mm", 15.0, low=10.0, high=20.0) / 1000)
    head.close()
    colours = _colours(top.table("colours", {}))
    start = _pose(top.table("start"))
    draw_tiles(top.tables("tile"), drawing)
    _lines(top.tables("line"), drawing)
    _things(top, drawing)
    walls = tuple(_wall(table) for table in top.tables("wall"))
    zone = read_zone(top)
    top.close()
    if zone is not None and not checker.faults:
        drawing.strips += zone.strips()
        check_zone(zone, drawing, walls, width, height, checker)
        walls += tuple(zone.walls())
    check_drawing(drawing, width, height, checker)
    checker.finish()
    scene = Scene(
        start, drawing.line_width_m, drawing.markers, drawing.strips, drawing.bumps, drawing.ramps,
        drawing.obstacles, zone,
    )  # fmt: skip
    relief, route = _drivable(drawing, walls, scene, (width, height), checker)
    return Course(
        name, text, width, height, drawing.line_width_m, colours, start, tuple(drawing.strokes),
        tuple(drawing.markers), tuple(drawing.strips), tuple(drawing.bumps), tuple(drawing.ramps),
        tuple(drawing.obstacles), walls, relief, route, zone,
    )  # fmt: skip


def _drivable(
    drawing: Drawing, walls: tuple[Wall, ...], scene: Scene, size: tuple[float, float], checker: Checker
) -> tuple[Relief, Route]:
    """Return relief and route, or raise what makes the course undrivable."""
    net = Net(drawing.strokes)
    route = trace(net, scene, checker)
    relief = Relief(drawing.bumps, [plate for ramp in drawing.ramps for plate in ramp.plates], *size)
    check_drivable(drawing, walls, relief, net, route, checker)
    checker.finish()
    assert route is not None  # a route that failed left a fault
    return relief, route


def _colours(table: Table) -> Colours:
    found = Colours(
        read_colour(table, "floor", WHITE),
        read_colour(table, "line", BLACK),
        read_colour(table, "marker", GREEN),
        read_colour(table, "red", RED),
        read_colour(table, "silver", SILVER),
        read_colour(table, "green", GREEN),
        read_colour(table, "table", TABLE),
    )
    table.close()
    return found


def _pose(table: Table) -> Pose:
    """Return the pose that `at_mm` and `heading_deg` give."""
    pose = _at(table)
    table.close()
    return pose


def _at(table: Table) -> Pose:
    x, y = table.numbers("at_mm", count=2)
    return Pose(x / 1000, y / 1000, math.radians(table.number("heading_deg", 0.0, low=-360.0, high=360.0)))


def _lines(tables: list[Table], drawing: Drawing) -> None:
    for table in tables:
        heading = 0.0
        if table.has("from"):
            name = table.text("from")
            if name not in drawing.places:
                table.fault("from", f"is {name!r}, a place that no line above it has; {nearest(name, drawing.places)}")
            place = drawing.places.get(name, Pose(0.0, 0.0, 0.0))
            x, y, heading = place.x, place.y, place.heading
        else:
            x, y = (v / 1000 for v in table.numbers("from_mm", count=2))
        degrees = table.number("heading_deg", math.degrees(heading), low=-360.0, high=360.0)
        pen = Pen(drawing, x, y, math.radians(degrees), table.place)
        moves = table.tables("moves")
        if not moves:
            table.fault("moves", "is missing or empty; list the line's moves")
        draw(pen, moves)
        table.close()


def _things(top: Table, drawing: Drawing) -> None:
    """Read everything that is placed by its co-ordinates."""
    for table in top.tables("marker"):
        at = _at(table)
        size = table.number("size_mm", 25.0, low=10.0, high=60.0) / 1000
        drawing.markers.append(Marker(at.x, at.y, at.heading, size, table.place))
        table.close()
    drawing.strips += [read_strip(table, _at(table), "kind") for table in top.tables("strip")]
    drawing.bumps += [read_bump(table, _at(table)) for table in top.tables("bump")]
    drawing.ramps += [read_ramp(table, _at(table)) for table in top.tables("ramp")]
    drawing.ramps += [read_plate(table, _at(table)) for table in top.tables("plate")]
    drawing.obstacles += [read_solid(table, _at(table)) for table in top.tables("obstacle")]


def _wall(table: Table) -> Wall:
    ax, ay = (v / 1000 for v in table.numbers("from_mm", count=2))
    bx, by = (v / 1000 for v in table.numbers("to_mm", count=2))
    height = table.number("height_mm", 100.0, low=50.0, high=1000.0) / 1000
    thickness = table.number("thickness_mm", 10.0, low=1.0, high=200.0) / 1000
    colour = read_colour(table, "colour", PAINTS["white"])
    if (ax, ay) == (bx, by):
        table.fault("to_mm", "is the same place as from_mm; give the other end of the wall")
        bx, by = ahead(ax, ay, 0.0, 0.1)
    table.close()
    return Wall(ax, ay, bx, by, height, thickness, colour, table.place)
