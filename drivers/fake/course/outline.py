"""The painted surfaces of a course as convex shapes with exact edges.

Rules: pure Python; pieces of a line that meet overlap a little, free ends are square and corners mitred.
"""

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import TypeAlias

from attrs import frozen

from drivers.fake.course.course import Course
from drivers.fake.course.geometry import Point, Polyline, ahead, bounds, rectangle, wrap
from drivers.fake.course.graph import TOUCH_M
from drivers.fake.course.shapes import Arc, Colour, Piece, Segment, Stroke

LAP_M = 0.001
"""How far pieces that meet overlap: a pixel of the floor's raster."""

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
    """A ring sector of little more than 90 degrees at most: the line along an arc."""

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


def line_shapes(stroke: Stroke, width: float, joined: tuple[bool, bool] = (False, False)) -> Iterator[Shape]:
    """Yield the shapes of one stroke: bands and bars with square ends, mitred at corners.

    Ends that meet another piece overlap it by `LAP_M`, so that no seam shows; `joined` says whether the stroke's own
    first and last end do.
    """
    last = len(stroke.pieces) - 1
    for i, piece in enumerate(stroke.pieces):
        before = LAP_M if i > 0 or joined[0] else 0.0
        after = LAP_M if i < last or joined[1] else 0.0
        yield _thick(piece, width, before, after)
    for one, two in pairwise(stroke.pieces):
        yield from _mitre(one, two, width)


def _thick(piece: Piece, width: float, before: float, after: float) -> Shape:
    if isinstance(piece, Arc):
        left = math.copysign(1.0 / piece.radius, piece.sweep)
        start, sweep = piece.start - left * before, piece.sweep + left * (before + after)
        return Band(Arc(piece.cx, piece.cy, piece.radius, start, sweep), width)
    (ax, ay), (bx, by) = piece.points()
    heading, length = piece.headings()[0], math.hypot(bx - ax, by - ay)
    x, y = ahead(ax, ay, heading, (length + after - before) / 2)
    return Polygon(rectangle(x, y, heading, length + before + after, width))


def _joined(strokes: Sequence[Stroke]) -> list[tuple[bool, bool]]:
    """Tell of each stroke whether its first and its last end lie on another stroke, or on its own other end."""
    chains = [[Polyline(piece.points()) for piece in stroke.pieces] for stroke in strokes]
    boxes = [[bounds(chain.points) for chain in row] for row in chains]

    def meets(own: int, end: Point, other: Point) -> bool:
        if math.dist(end, other) <= TOUCH_M:
            return True
        x, y = end
        return any(
            box[0] - TOUCH_M <= x <= box[2] + TOUCH_M
            and box[1] - TOUCH_M <= y <= box[3] + TOUCH_M
            and chain.nearest(x, y)[1] <= TOUCH_M
            for index, row in enumerate(chains)
            if index != own
            for chain, box in zip(row, boxes[index], strict=True)
        )

    ends = [(row[0].points[0], row[-1].points[-1]) for row in chains]
    return [(meets(i, first, last), meets(i, last, first)) for i, (first, last) in enumerate(ends)]


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
    """Return the painted layers, topmost first: strips, line, markers, berths."""
    colours = {"red": course.colours.red, "silver": course.colours.silver, "green": course.colours.green}
    found = [Layer(colours[strip.kind], (Polygon(strip.corners()),)) for strip in course.strips[::-1]]
    line = [
        shape
        for stroke, joined in zip(course.strokes, _joined(course.strokes), strict=True)
        for shape in line_shapes(stroke, course.line_width_m, joined)
    ]
    found.append(Layer(course.colours.line, tuple(line)))
    markers = tuple(Polygon(marker.corners()) for marker in course.markers)
    found.append(Layer(course.colours.marker, markers))
    berths = () if course.zone is None else course.zone.berths
    return found + [Layer(berth.colour, (Polygon(berth.area),)) for berth in berths if berth.mark != "wall"]
