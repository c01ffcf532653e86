"""What a course is made of: line pieces, markers, strips, bumps, plates, solids and walls, as plain values.

Rules: metres and radians, counter-clockwise; frozen; no behaviour but their own geometry.
"""

import math
from typing import TypeAlias

from attrs import field, frozen

from drivers.fake.course.geometry import Point, ahead, bounds, rectangle

Colour: TypeAlias = tuple[float, float, float]
"""Reflectance of red, green and blue: 0 black, 1 a perfect matt white, above 1 a mirror that shines at the sensor."""

# Stand-ins: matt white board, black tape, and the green and red of a colour chart scaled to a board
# (CHECKS a: green share .48 to .52 and a level near .2 of white; red share .81). From no measured course.
WHITE: Colour = (0.85, 0.85, 0.85)
BLACK: Colour = (0.04, 0.04, 0.04)
GREEN: Colour = (0.11, 0.26, 0.16)
RED: Colour = (0.42, 0.055, 0.045)
SILVER: Colour = (1.6, 1.6, 1.6)
TABLE: Colour = (0.15, 0.15, 0.15)

PAINTS: dict[str, Colour] = {
    "white": WHITE,
    "grey": (0.35, 0.35, 0.35),
    "black": BLACK,
    "red": RED,
    "green": GREEN,
    "blue": (0.06, 0.10, 0.34),
    "yellow": (0.62, 0.50, 0.07),
    "orange": (0.55, 0.20, 0.05),
    "brown": (0.22, 0.13, 0.08),
    "silver": SILVER,
}
"""Colours a course may call by name."""


@frozen
class Pose:
    """A place and a direction on the floor."""

    x: float
    y: float
    heading: float


@frozen
class Segment:
    """A straight piece of line from (ax, ay) to (bx, by)."""

    ax: float
    ay: float
    bx: float
    by: float

    def points(self) -> tuple[Point, ...]:
        """Return both ends."""
        return (self.ax, self.ay), (self.bx, self.by)

    def headings(self) -> tuple[float, float]:
        """Return the direction at the start and at the end."""
        heading = math.atan2(self.by - self.ay, self.bx - self.ax)
        return heading, heading


@frozen
class Arc:
    """A piece of a circle: centre, radius, angle of the first point seen from the centre, signed sweep."""

    cx: float
    cy: float
    radius: float
    start: float
    sweep: float

    def point(self, share: float) -> Point:
        """Return the point at `share` (0 to 1) of the sweep."""
        angle = self.start + share * self.sweep
        return self.cx + self.radius * math.cos(angle), self.cy + self.radius * math.sin(angle)

    def points(self) -> tuple[Point, ...]:
        """Return a chain of points at most 3 degrees apart: off the circle by at most 0.035 % of the radius."""
        count = max(2, math.ceil(abs(self.sweep) / math.radians(3.0) - 1e-9))
        return tuple(self.point(i / count) for i in range(count + 1))

    def headings(self) -> tuple[float, float]:
        """Return the direction at the start and at the end."""
        quarter = math.copysign(math.pi / 2, self.sweep)
        return self.start + quarter, self.start + self.sweep + quarter


Piece: TypeAlias = Segment | Arc


@frozen
class Stroke:
    """Line painted without a break; `source` is its key path in the course's text."""

    pieces: tuple[Piece, ...]
    source: str


@frozen
class Marker:
    """A green square centred on (x, y) with sides along `heading`."""

    x: float
    y: float
    heading: float
    size_m: float
    source: str = ""

    def corners(self) -> tuple[Point, ...]:
        """Return its corners, counter-clockwise."""
        return rectangle(self.x, self.y, self.heading, self.size_m, self.size_m)


@frozen
class Strip:
    """A coloured band across the line: kind "red" (finish), "silver" (entry) or "green" (exit).

    `heading` is the direction of the line that it crosses.
    """

    kind: str
    x: float
    y: float
    heading: float
    along_m: float
    across_m: float
    source: str = ""

    def corners(self) -> tuple[Point, ...]:
        """Return its corners, counter-clockwise."""
        return rectangle(self.x, self.y, self.heading, self.along_m, self.across_m)


@frozen
class Solid:
    """Something that stops the robot and that a range sensor sees.

    `shape` is "circle" (x, y, radius) or "polygon" (convex `corners`, counter-clockwise; x, y is their mean and
    `radius` reaches the farthest corner). `box` is the upright box around it: left, bottom, right, top.
    """

    shape: str
    x: float
    y: float
    radius: float
    corners: tuple[Point, ...]
    height_m: float
    colour: Colour
    source: str = ""
    box: tuple[float, float, float, float] = field(init=False, repr=False, eq=False)

    @box.default
    def _box(self) -> tuple[float, float, float, float]:
        if self.corners:
            return bounds(self.corners)
        return self.x - self.radius, self.y - self.radius, self.x + self.radius, self.y + self.radius


@frozen
class Wall:
    """A wall along the segment (ax, ay)-(bx, by), `thickness_m` thick in all."""

    ax: float
    ay: float
    bx: float
    by: float
    height_m: float
    thickness_m: float
    colour: Colour
    source: str = ""

    def solid(self) -> Solid:
        """Return the wall as a thin polygon."""
        heading = math.atan2(self.by - self.ay, self.bx - self.ax)
        length = math.hypot(self.bx - self.ax, self.by - self.ay)
        x, y = (self.ax + self.bx) / 2, (self.ay + self.by) / 2
        corners = rectangle(x, y, heading, length, self.thickness_m)
        return polygon(corners, self.height_m, self.colour, self.source)


@frozen
class Bump:
    """A rounded strip on the floor, from (ax, ay) to (bx, by) along its ridge.

    Height falls with the distance d from the ridge as height * cos^2(pi d / width), and is 0 from width / 2 on.
    """

    ax: float
    ay: float
    bx: float
    by: float
    height_m: float
    width_m: float
    source: str = ""


@frozen
class Plate:
    """A flat rectangle of floor, raised: from `near_m` high at its near edge to `far_m` at its far edge.

    (x, y) is the middle of the near edge; `length_m` is measured in plan along `heading`.
    """

    x: float
    y: float
    heading: float
    length_m: float
    width_m: float
    near_m: float
    far_m: float
    source: str = ""

    def corners(self) -> tuple[Point, ...]:
        """Return its corners in plan, counter-clockwise."""
        x, y = ahead(self.x, self.y, self.heading, self.length_m / 2)
        return rectangle(x, y, self.heading, self.length_m, self.width_m)


@frozen
class Ramp:
    """Plates that are climbed one after another: up, level and down; any of the three may be left out."""

    plates: tuple[Plate, ...]
    source: str = ""


def polygon(corners: tuple[Point, ...], height_m: float, colour: Colour, source: str = "") -> Solid:
    """Return a polygon solid with its middle and reach worked out."""
    x = sum(corner[0] for corner in corners) / len(corners)
    y = sum(corner[1] for corner in corners) / len(corners)
    reach = max(math.hypot(px - x, py - y) for px, py in corners)
    return Solid("polygon", x, y, reach, corners, height_m, colour, source)
