"""Reading what stands or lies on the board: bumps, ramps, obstacles, strips and colours.

Rules: each reader takes its table and the place where it stands, and reads no `at_mm` itself, so that the same words
serve a move of the pen and a thing placed by its co-ordinates.
"""

import math

from drivers.fake.course.geometry import ahead, rectangle
from drivers.fake.course.shapes import PAINTS, Bump, Colour, Plate, Pose, Ramp, Solid, Strip, polygon
from robotcore.checking import Table, nearest

STRIPS = ("red", "silver", "green")


def read_colour(table: Table, key: str, default: Colour) -> Colour:
    """Return a colour given by name or as three reflectances."""
    if not table.has(key):
        return default
    value = table.data[key]
    if isinstance(value, str):
        if value not in PAINTS:
            table.fault(key, f"is {value!r}; {nearest(value, PAINTS)} or give [red, green, blue] from 0 to 4")
        return PAINTS.get(value, default)
    red, green, blue = table.numbers(key, count=3, low=0.0, high=4.0)
    return red, green, blue


def read_bump(table: Table, at: Pose) -> Bump:
    """Return the bump that lies across `at`."""
    height = table.number("height_mm", 10.0, low=1.0, high=20.0) / 1000
    width = table.number("width_mm", 40.0, low=15.0, high=200.0) / 1000
    across = table.number("across_mm", 200.0, low=20.0, high=3000.0) / 1000
    skew = math.radians(table.number("skew_deg", 0.0, low=-75.0, high=75.0))
    table.close()
    ridge = at.heading + math.pi / 2 + skew
    ax, ay = ahead(at.x, at.y, ridge, -across / 2)
    bx, by = ahead(at.x, at.y, ridge, across / 2)
    return Bump(ax, ay, bx, by, height, width, table.place)


def read_ramp(table: Table, at: Pose) -> Ramp:
    """Return the ramp whose foot is at `at`: plates up, level and down, lengths in plan."""
    up = table.number("up_deg", low=1.0, high=25.0)
    down = table.number("down_deg", up, low=1.0, high=25.0)
    rise = table.number("rise_mm", low=5.0, high=400.0) / 1000
    level = table.number("level_mm", 200.0, low=0.0, high=5000.0) / 1000
    width = table.number("width_mm", 300.0, low=150.0, high=2000.0) / 1000
    table.close()
    plates, gone = [], 0.0
    parts = (
        (rise / math.tan(math.radians(up or 1.0)), 0.0, rise),
        (level, rise, rise),
        (rise / math.tan(math.radians(down or 1.0)), rise, 0.0),
    )
    for length, near, far in parts:
        if length > 0.0:
            x, y = ahead(at.x, at.y, at.heading, gone)
            plates.append(Plate(x, y, at.heading, length, width, near, far, table.place))
            gone += length
    return Ramp(tuple(plates), table.place)


def read_plate(table: Table, at: Pose) -> Ramp:
    """Return one plate of floor whose near edge is at `at`."""
    length = table.number("length_mm", low=20.0, high=10000.0) / 1000
    width = table.number("width_mm", 300.0, low=20.0, high=10000.0) / 1000
    near = table.number("near_mm", low=0.0, high=400.0) / 1000
    far = table.number("far_mm", low=0.0, high=400.0) / 1000
    table.close()
    steep = math.degrees(math.atan2(abs(far - near), length or 1.0))
    if steep > 25.05:
        table.fault("far_mm", f"makes a slope of {steep:.1f} degrees; keep it to 25 with more length or less height")
    return Ramp((Plate(at.x, at.y, at.heading, length, width, near, far, table.place),), table.place)


def read_strip(table: Table, at: Pose, key: str) -> Strip:
    """Return the strip that lies across `at`."""
    kind = table.choice(key, STRIPS)
    along = table.number("along_mm", 25.0, low=10.0, high=100.0) / 1000
    across = table.number("across_mm", 200.0, low=50.0, high=1000.0) / 1000
    table.close()
    return Strip(kind, at.x, at.y, at.heading, along, across, table.place)


def read_solid(table: Table, at: Pose) -> Solid:
    """Return the obstacle that stands at `at`."""
    shape = table.choice("shape", ("box", "round", "prism"))
    left = table.number("left_mm", 0.0, low=-500.0, high=500.0) / 1000
    turn = at.heading + math.radians(table.number("turn_deg", 0.0, low=-360.0, high=360.0))
    height = table.number("height_mm", 200.0, low=150.0, high=1000.0) / 1000
    colour = read_colour(table, "colour", PAINTS["blue"])
    x, y = ahead(at.x, at.y, at.heading, 0.0, left)
    if shape == "box":
        along, across = table.numbers("size_mm", count=2, low=10.0, high=1000.0)
        table.close()
        return polygon(rectangle(x, y, turn, along / 1000, across / 1000), height, colour, table.place)
    radius = table.number("diameter_mm", low=10.0, high=1000.0) / 2000
    sides = table.integer("sides", low=3, high=12) if shape == "prism" else 0
    table.close()
    if not sides:
        return Solid("circle", x, y, radius, (), height, colour, table.place)
    corners = tuple(ahead(x, y, turn + i * math.tau / sides, radius) for i in range(sides))
    return polygon(corners, height, colour, table.place)
