"""What a zone is made of: walls with openings, berths to drop objects in, and kinds of objects, as plain values.

Rules: metres and radians; frozen; the floor inside is an upright rectangle whose walls stand outside it.
"""

import math
from collections.abc import Iterator

from attrs import frozen

from drivers.fake.course.geometry import Point, inside_convex
from drivers.fake.course.shapes import Colour, Pose, Strip, Wall

SIDES = ("east", "north", "west", "south")
CORNERS = ("south-west", "south-east", "north-east", "north-west")
_OUTWARD = {"east": 0.0, "north": math.pi / 2, "west": math.pi, "south": -math.pi / 2}
LEAST_M = 0.0005  #: there is no shorter wall
PANEL_M = 0.0005  #: a painted wall side stands out so far


@frozen
class Opening:
    """A gap in a wall: `side`, from where to where along it (m from the side's west or south end), and its strip."""

    side: str
    low_m: float
    high_m: float
    strip: str  #: "silver" (entry) or "green" (exit)
    strip_m: float  #: how deep the strip is
    source: str

    @property
    def width_m(self) -> float:
        """Return how wide it is."""
        return self.high_m - self.low_m


@frozen
class Berth:
    """A place in a corner where objects of some kinds belong.

    `area` is its outline, counter-clockwise. `colour` is that of floor or wall sides, whichever `mark` names ("floor",
    "wall" or "both").
    """

    name: str
    corner: str
    kinds: tuple[str, ...]
    area: tuple[Point, ...]
    size_m: float
    colour: Colour
    mark: str
    source: str

    def holds(self, x: float, y: float) -> bool:
        """Tell whether (x, y) lies in it."""
        return inside_convex(x, y, self.area)

    def span(self, side: str, whole_m: float) -> tuple[float, float]:
        """Return what it takes of one of its two sides, `whole_m` long, counted as openings are."""
        across = self.corner.replace(side, "").strip("-")
        return (whole_m - self.size_m, whole_m) if across in ("north", "east") else (0.0, self.size_m)


@frozen
class Make:
    """How an object is made: "ball" (`size_m` its diameter) or "cube" (its edge); `shine` is its specular share."""

    kind: str
    shape: str
    size_m: float
    mass_kg: float
    colour: Colour
    shine: float


@frozen
class Item:
    """One object and where it starts: at (x, y), or, where `at` is None, somewhere that the seed decides."""

    name: str
    make: Make
    at: Point | None
    source: str


@frozen
class Zone:
    """A walled zone: inner floor from (left, bottom), `width_m` by `height_m`."""

    left: float
    bottom: float
    width_m: float
    height_m: float
    wall_height_m: float
    wall_m: float
    wall_colour: Colour
    apart_m: float
    openings: tuple[Opening, ...]
    berths: tuple[Berth, ...]
    items: tuple[Item, ...]

    @property
    def right(self) -> float:
        """Return the inner east edge."""
        return self.left + self.width_m

    @property
    def top(self) -> float:
        """Return the inner north edge."""
        return self.bottom + self.height_m

    def inside(self, x: float, y: float) -> bool:
        """Tell whether (x, y) lies on the inner floor."""
        return self.left <= x <= self.right and self.bottom <= y <= self.top

    def opening(self, strip: str) -> Opening:
        """Return the opening with that strip: "silver" is the entry, "green" the exit."""
        return next(opening for opening in self.openings if opening.strip == strip)

    def gate(self, strip: str) -> Pose:
        """Return the middle of an opening at the inner edge, looking the way it is passed: in, or out by "green"."""
        opening = self.opening(strip)
        x, y = self.along(opening.side, 0.5 * (opening.low_m + opening.high_m))
        outward = _OUTWARD[opening.side]
        return Pose(x, y, outward if strip == "green" else outward + math.pi)

    def along(self, side: str, metres: float, outward_m: float = 0.0) -> Point:
        """Return the point so far along a side from its west or south end, and so far outside the inner edge."""
        if side in ("east", "west"):
            x = self.right + outward_m if side == "east" else self.left - outward_m
            return x, self.bottom + metres
        return self.left + metres, self.top + outward_m if side == "north" else self.bottom - outward_m

    def side_m(self, side: str) -> float:
        """Return how long a side is inside."""
        return self.height_m if side in ("east", "west") else self.width_m

    def strips(self) -> Iterator[Strip]:
        """Yield the strips: each lies in its opening, from the inner edge outward."""
        for opening in self.openings:
            middle = 0.5 * (opening.low_m + opening.high_m)
            x, y = self.along(opening.side, middle, 0.5 * opening.strip_m)
            heading = _OUTWARD[opening.side] + (0.0 if opening.strip == "green" else math.pi)
            yield Strip(opening.strip, x, y, heading, opening.strip_m, opening.width_m, opening.source)

    def walls(self) -> Iterator[Wall]:
        """Yield the walls between openings, those of east and west as far as the outer corners."""
        for side in SIDES:
            reach = self.wall_m if side in ("east", "west") else 0.0
            ends = [-reach]
            for opening in sorted(self.openings, key=lambda entry: entry.low_m):
                if opening.side == side:
                    ends += [opening.low_m, opening.high_m]
            ends.append(self.side_m(side) + reach)
            for low, high in zip(ends[::2], ends[1::2], strict=True):
                if high - low > LEAST_M:  # an opening may begin in the corner
                    yield self._piece(side, low, high, 0.5 * self.wall_m, self.wall_m, self.wall_colour, f"zone.{side}")

    def panels(self) -> Iterator[Wall]:
        """Yield the painted wall sides at berths, as thin sheets that only the forward eye meets."""
        for berth in self.berths:
            for side in berth.corner.split("-") if berth.mark != "floor" else ():
                span = berth.span(side, self.side_m(side))
                yield self._piece(side, *span, -0.5 * PANEL_M, PANEL_M, berth.colour, berth.source)

    def _piece(self, side: str, low: float, high: float, out: float, thick: float, colour: Colour, source: str) -> Wall:
        ax, ay = self.along(side, low, out)
        bx, by = self.along(side, high, out)
        return Wall(ax, ay, bx, by, self.wall_height_m, thick, colour, source)
