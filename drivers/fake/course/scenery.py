"""A course as a list of plain figures, for whoever draws it.

Rules: no plotting library here; figures come in the order in which they are to be painted, lowest first.
"""

import json
import math
from collections.abc import Mapping, Sequence

from attrs import evolve, frozen

from drivers.fake.course.course import Course
from drivers.fake.course.format import parse_course
from drivers.fake.course.geometry import Point, ahead, rectangle
from drivers.fake.course.outline import layers
from drivers.fake.course.shapes import Bump, Colour, Plate, Pose, Solid
from drivers.fake.zone.layout import Make, Zone
from robotcore import odometry
from robotcore.picture.scene import Scene

LAYERS = ("board", "ramp", "paint", "bump", "solid", "wall", "object", "start")
"""The layers, lowest first."""

Place = tuple[str, float, float, float]
"""Where an object lies: its name, x and y in metres, heading in radians."""


@frozen
class Figure:
    """One figure: "polygon" (points), "circle" (one point and a radius) or "line" (points and a width).

    Colour is reflectance, 0 to 1 and not the screen's; `screen` turns it into what a picture wants.
    """

    kind: str
    layer: str
    points: tuple[Point, ...]
    colour: Colour
    radius: float = 0.0
    width_m: float = 0.0
    name: str = ""


def screen(colour: Colour) -> Colour:
    """Return a reflectance as the (red, green, blue) of a screen, 0 to 1, by the power law of 1 / 2.2."""
    red, green, blue = (min(1.0, max(0.0, value)) ** (1 / 2.2) for value in colour)
    return red, green, blue


def scenery(course: Course, places: Sequence[Place] = ()) -> list[Figure]:
    """Return everything to draw, in metres; a zone's objects at these places, else where the course lays them."""
    board = rectangle(course.width_m / 2, course.height_m / 2, 0.0, course.width_m, course.height_m)
    figures = [Figure("polygon", "board", board, course.colours.floor, name="board")]
    figures += [_plate(plate, course.colours.floor) for ramp in course.ramps for plate in ramp.plates]
    for layer in layers(course)[::-1]:
        figures += [Figure("polygon", "paint", shape.outline(), layer.colour) for shape in layer.shapes]
    figures += [_bump(bump, course.colours.floor) for bump in course.bumps]
    figures += [_solid(solid, "solid") for solid in course.obstacles]
    figures += [_solid(wall.solid(), "wall") for wall in course.walls]
    if course.zone is not None:
        figures += _zone(course.zone, places or [(item.name, *item.at, 0.0) for item in course.zone.items if item.at])
    return [*figures, _start(course.start)]


def _zone(zone: Zone, places: Sequence[Place]) -> list[Figure]:
    """Return a zone's walls, darker than they are so that they show, its painted wall sides and its objects."""
    found = [_solid(wall.solid(), "wall") for wall in zone.walls()]
    found = [evolve(figure, colour=_shade(figure.colour, 0.3)) for figure in found]
    for panel in zone.panels():
        ends = (panel.ax, panel.ay), (panel.bx, panel.by)
        found.append(Figure("line", "wall", ends, panel.colour, width_m=0.01, name="panel"))
    items = {item.name: item for item in zone.items}
    for name, x, y, heading in places:
        if name in items:
            found.append(_object(items[name].make, name, x, y, heading))
    return found


def _object(make: Make, name: str, x: float, y: float, heading: float) -> Figure:
    colour = _shade(make.colour, 1.0 + make.shine)
    if make.shape == "ball":
        return Figure("circle", "object", ((x, y),), colour, radius=0.5 * make.size_m, name=name)
    return Figure("polygon", "object", rectangle(x, y, heading, make.size_m, make.size_m), colour, name=name)


def _shade(colour: Colour, share: float) -> Colour:
    return colour[0] * share, colour[1] * share, colour[2] * share


def _plate(plate: Plate, floor: Colour) -> Figure:
    """Return a plate in a grey that says up (darker), level or down (lighter)."""
    slope = (plate.far_m > plate.near_m) - (plate.far_m < plate.near_m)
    return Figure("polygon", "ramp", plate.corners(), _shade(floor, 0.75 - 0.15 * slope), name="plate")


def _bump(bump: Bump, floor: Colour) -> Figure:
    ridge = (bump.ax, bump.ay), (bump.bx, bump.by)
    return Figure("line", "bump", ridge, _shade(floor, 0.4), width_m=bump.width_m, name="bump")


def _solid(solid: Solid, layer: str) -> Figure:
    if solid.shape == "circle":
        return Figure("circle", layer, ((solid.x, solid.y),), solid.colour, radius=solid.radius, name=layer)
    return Figure("polygon", layer, solid.corners, solid.colour, name=layer)


def _start(start: Pose) -> Figure:
    turns = ((0.03, 0.0), (0.02, 2 * math.pi / 3), (0.02, -2 * math.pi / 3))
    points = tuple(ahead(start.x, start.y, start.heading + turn, reach) for reach, turn in turns)
    return Figure("polygon", "start", points, (0.9, 0.3, 0.0), name="start")


def _places(facts: Mapping[str, str]) -> list[Place]:
    """Return where a recording's facts say the objects lay at the start; what is no such list counts as none."""
    try:
        told = json.loads(facts.get("objects", "[]"))
        return [(str(name), float(x), float(y), float(heading)) for name, x, y, heading in told]
    except (ValueError, TypeError):
        return []


def of_facts(facts: Mapping[str, str]) -> Scene | None:
    """Return the scene that a recording's facts tell of, in screen colours; None on a calibration pad.

    Raises:
        UserError: the course in the facts is not one that today's format knows.

    """
    text = facts.get("course_toml", "")
    if not text:
        return None
    course = parse_course(text, "course in the recording")
    figures = [evolve(figure, colour=screen(figure.colour)) for figure in scenery(course, _places(facts))]
    return Scene(figures, odometry.Pose(course.start.x, course.start.y, course.start.heading))
