"""The painted surfaces of a course as convex shapes with exact edges, and how much of a pixel each covers.

Rules: numpy, for the laptop only. Shapes of one layer add up (pieces of a line that meet edge to edge leave no seam);
layers are laid from the top down, each taking what is left of the pixel, which is right both where a marker touches the
line and where the line lies over it.
"""

import math
from collections.abc import Iterable, Iterator
from itertools import pairwise
from typing import Any, TypeAlias

import numpy as np
from attrs import frozen
from numpy.typing import NDArray

from drivers.fake.course.course import Course
from drivers.fake.course.geometry import Point, ahead, bounds, rectangle, wrap
from drivers.fake.course.shapes import Arc, Colour, Piece, Segment, Stroke

Array: TypeAlias = NDArray[Any]
"""Floats, one a pixel."""

Box: TypeAlias = tuple[float, float, float, float]


@frozen
class Polygon:
    """A convex polygon, counter-clockwise."""

    corners: tuple[Point, ...]

    def box(self) -> Box:
        """Return (left, bottom, right, top)."""
        return bounds(self.corners)

    def cover(self, x: Array, y: Array, pixel: float) -> Array:
        """Return the share of the pixels centred on x and y that the polygon covers."""
        covered: Any = 1.0
        for i in range(len(self.corners)):
            (ax, ay), (bx, by) = self.corners[i - 1], self.corners[i]
            length = math.hypot(bx - ax, by - ay)
            nx, ny = (ay - by) / length / pixel, (bx - ax) / length / pixel
            covered = covered * np.clip(0.5 + (x - ax) * nx + (y - ay) * ny, 0.0, 1.0)
        return covered  # type: ignore[no-any-return]


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

    def cover(self, x: Array, y: Array, pixel: float) -> Array:
        """Return the share of the pixels centred on x and y that the band covers."""
        arc = self.arc
        dx, dy = x - arc.cx, y - arc.cy
        away = np.abs(np.hypot(dx, dy) - arc.radius)
        covered: Any = np.clip(0.5 + (self.width / 2 - away) / pixel, 0.0, 1.0)
        side = math.copysign(1.0 / pixel, arc.sweep)
        for angle, sign in ((arc.start, side), (arc.start + arc.sweep, -side)):
            past = (dy * math.cos(angle) - dx * math.sin(angle)) * sign
            covered = covered * np.clip(0.5 + past, 0.0, 1.0)
        return covered  # type: ignore[no-any-return]


Shape: TypeAlias = Polygon | Band


def sum_cover(shapes: Iterable[Shape], x: Array, y: Array, pixel: float) -> Array:
    """Return the share of each pixel that shapes of one layer cover together (may pass 1 where they overlap)."""
    total: Any = 0.0
    for shape in shapes:
        total = total + shape.cover(x, y, pixel)
    return total  # type: ignore[no-any-return]


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
