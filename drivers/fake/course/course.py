"""A course, read and checked: everything the physics, the sensors, a judge and a picture need to know of it."""

from attrs import field, frozen

from drivers.fake.course.relief import Relief
from drivers.fake.course.route import Route
from drivers.fake.course.shapes import (
    Bump,
    Colour,
    Marker,
    Pose,
    Ramp,
    Solid,
    Strip,
    Stroke,
    Wall,
)
from drivers.fake.zone.layout import Zone


@frozen
class Colours:
    """Reflectances of the painted surfaces and of the table around the board."""

    floor: Colour
    line: Colour
    marker: Colour
    red: Colour
    silver: Colour
    green: Colour
    table: Colour


@frozen
class Course:
    """One course. Two courses are equal where name and text are.

    `text` is the TOML it came from, so that a recording can hold it. `start` lies on the line. `bumps` and
    `ramps` are also in `relief`; `walls` (those of the zone among them) are not in `obstacles`; the strips in the
    zone's openings are in `strips`.
    """

    name: str
    text: str
    width_m: float = field(eq=False)
    height_m: float = field(eq=False)
    line_width_m: float = field(eq=False)
    colours: Colours = field(eq=False)
    start: Pose = field(eq=False)
    strokes: tuple[Stroke, ...] = field(eq=False)
    markers: tuple[Marker, ...] = field(eq=False)
    strips: tuple[Strip, ...] = field(eq=False)
    bumps: tuple[Bump, ...] = field(eq=False)
    ramps: tuple[Ramp, ...] = field(eq=False)
    obstacles: tuple[Solid, ...] = field(eq=False)
    walls: tuple[Wall, ...] = field(eq=False)
    relief: Relief = field(eq=False)
    route: Route = field(eq=False)
    zone: Zone | None = field(default=None, eq=False)

    @property
    def finish(self) -> Strip | None:
        """Return the red strip on which the route ends."""
        x, y = self.route.points[-1]
        reds = [strip for strip in self.strips if strip.kind == "red"]
        return min(reds, key=lambda strip: (strip.x - x) ** 2 + (strip.y - y) ** 2, default=None)
