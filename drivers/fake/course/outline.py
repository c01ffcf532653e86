"""The painted surfaces of a course as convex shapes with exact edges.

Rules: pure Python; pieces of a line meet edge to edge, ends are square and corners mitred.
"""

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import TypeAlias

from attrs import frozen

from drivers.fake.course.course import Course
from drivers.fake.course.geometry import Point, ahead, bounds, rectangle, wrap
from drivers.fake.course.shapes import Arc, Colour, Piece, Segment, Stroke

Box: TypeAlias = tuple[float, float, float, float]


@frozen
class Polygon:
    """A convex polygon, counter-clockwise."""

    corners: tuple[Point, ...]

    def box(self) -> Box:
        """Return (left, bottom, right, top)."""
        return bounds(self.corners)

    def outline(self) -> tuple[Point, ...]:
        """Return its corners."""
        return self.corners


@frozen
class Band:
    """A ring sector of at most 90 degrees: the line along an arc."""

    arc: Arc
    width: float

    def box(self) -> Box:
        """Return (left, bottom, right, top), a little too large."""
        half = self.width / 2 + self.arc.radius * (1 - math.cos(self.arc.sweep / 4))
        left, bottom, right, top = bounds([self.arc.point(i / 2) for i in range(3)])
        return left - half, bottom - half, right + half, top + half

    def outline(self) -> tuple[Point, ...]:
        """Return a polygon that follows it to 3 degrees."""
        arc, half = self.arc, self.width / 2
        outer = Arc(arc.cx, arc.cy, arc.radius + half, arc.start, arc.sweep).points()
        inner = Arc(arc.cx, arc.cy, max(0.0, arc.radius - half), arc.start, arc.sweep).points()
        return outer + inner[::-1]


Shape: TypeAlias = Polygon | Band


@frozen
class Layer:
    """Shapes of one colour."""

    colour: Colour
    shapes: tuple[Shape, ...]


def line_shapes(stroke: Stroke, width: float) -> Iterator[Shape]:
    """Yield the shapes of one stroke: bands and bars with square ends, mitred at corners."""
    for piece in stroke.pieces:
        if isinstance(piece, Arc):
            yield Band(piece, width)
        else:
            (ax, ay), (bx, by) = piece.points()
            heading, length = piece.headings()[0], math.hypot(bx - ax, by - ay)
            yield Polygon(rectangle((ax + bx) / 2, (ay + by) / 2, heading, length, width))
    for before, after in pairwise(stroke.pieces):
        yield from _mitre(before, after, width)


def _mitre(before: Piece, after: Piece, width: float) -> Iterator[Shape]:
    old, new = before.headings()[1], after.headings()[0]
    turn = wrap(new - old)
    if abs(turn) < 1e-6:
        return
    x, y = _first_point(after)
    side = -math.copysign(1.0, turn)  # the open wedge is on the outside of the turn
    half = width / 2
    one, two = ahead(x, y, old, 0.0, side * half), ahead(x, y, new, 0.0, side * half)
    tip = ahead(x, y, old, half * math.tan(abs(turn) / 2), side * half)
    corners = ((x, y), one, tip, two)
    yield Polygon(corners if side < 0 else corners[::-1])


def _first_point(piece: Piece) -> Point:
    return (piece.ax, piece.ay) if isinstance(piece, Segment) else piece.point(0.0)


def layers(course: Course) -> list[Layer]:
    """Return the painted layers, topmost first: strips, line, markers."""
    colours = {"red": course.colours.red, "silver": course.colours.silver, "green": course.colours.green}
    found = [Layer(colours[strip.kind], (Polygon(strip.corners()),)) for strip in course.strips[::-1]]
    line = [shape for stroke in course.strokes for shape in line_shapes(stroke, course.line_width_m)]
    found.append(Layer(course.colours.line, tuple(line)))
    markers = tuple(Polygon(marker.corners()) for marker in course.markers)
    found.append(Layer(course.colours.marker, markers))
    return found
