"""Reading a zone from a course's tables: every fault is noted with its place and remedy.

Rules: millimetres in the text, metres here; nothing is placed by chance here, since one text is one course.
"""

import math
import re
from collections.abc import Iterator
from itertools import combinations

from drivers.fake.course.geometry import Point, polygon_distance
from drivers.fake.course.shapes import PAINTS, Colour
from drivers.fake.course.things import read_colour
from drivers.fake.zone.layout import CORNERS, SIDES, Berth, Item, Make, Opening, Zone
from robotcore.checking import Table, nearest

SHAPES = ("ball", "cube")
NARROWEST_MM, WIDEST_MM = 220.0, 400.0
MOST_ITEMS = 24
REACH_M = 0.040  #: no middle of an object nearer to a wall: the collector, 30 mm narrower a side than the body, gets it
SIZE_MM = {"ball": 45.0, "cube": 40.0}
TOUCH_M = 1e-9  #: sides that touch do not overlap, whatever rounding makes of whole millimetres
MASS_G = {"ball": 40.0, "cube": 30.0}
SILVER: Colour = (0.30, 0.30, 0.30)  #: a silver object scatters so much,
SILVER_SHINE = 0.4  #: and mirrors so much: brushed metal, common practice, no source


def read_zone(top: Table) -> Zone | None:
    """Return the zone of a course, None where it has none."""
    if not top.has("zone"):
        return None
    table = top.table("zone")
    left, bottom = (v / 1000 for v in table.numbers("at_mm", count=2))
    width, height = (v / 1000 for v in table.numbers("size_mm", count=2, low=600.0, high=3000.0))
    wall_height = table.number("wall_height_mm", 100.0, low=100.0, high=1000.0) / 1000
    thick = table.number("wall_thickness_mm", 10.0, low=2.0, high=100.0) / 1000
    colour = read_colour(table, "wall_colour", PAINTS["white"])
    apart = table.number("apart_mm", 150.0, low=60.0, high=500.0) / 1000
    openings = tuple(_opening(entry) for entry in table.tables("opening"))
    bare = Zone(left, bottom, width, height, wall_height, thick, colour, apart, openings, (), ())
    berths = tuple(_berth(entry, bare) for entry in table.tables("berth"))
    items = tuple(_items(table.tables("object")))
    table.close()
    zone = Zone(left, bottom, width, height, wall_height, thick, colour, apart, openings, berths, items)
    _check_openings(zone, table)
    _check_berths(zone, table)
    _check_items(zone, table)
    return zone


def _opening(table: Table) -> Opening:
    side = table.choice("side", SIDES)
    low = table.number("from_mm", low=0.0, high=3000.0) / 1000
    width = table.number("width_mm", 280.0, low=NARROWEST_MM, high=WIDEST_MM) / 1000
    strip = table.choice("strip", ("silver", "green"))
    deep = table.number("strip_mm", 25.0, low=10.0, high=100.0) / 1000
    table.close()
    return Opening(side, low, low + width, strip, deep, table.place)


def _berth(table: Table, zone: Zone) -> Berth:
    corner = table.choice("corner", CORNERS)
    name = table.text("name", corner)
    kinds = table.data.get("kinds")
    table.has("kinds")
    if not isinstance(kinds, list) or not kinds or not all(isinstance(kind, str) for kind in kinds):
        table.fault("kinds", 'is no list of kinds; name those that belong here, such as kinds = ["kit"]')
        kinds = []
    size = table.number("size_mm", 300.0, low=150.0, high=600.0) / 1000
    shape = table.choice("shape", ("triangle", "square"), "triangle")
    colour = read_colour(table, "colour", PAINTS["yellow"])
    mark = table.choice("mark", ("floor", "wall", "both"), "floor")
    table.close()
    area = _area(zone, corner, size, shape)
    return Berth(name, corner, tuple(kinds), area, size, colour, mark, table.place)


def _area(zone: Zone, corner: str, size: float, shape: str) -> tuple[Point, ...]:
    east, north = corner.endswith("east"), corner.startswith("north")
    x, y = (zone.right if east else zone.left), (zone.top if north else zone.bottom)
    dx, dy = (-size if east else size), (-size if north else size)
    points: tuple[Point, ...] = ((x, y), (x + dx, y), (x, y + dy))
    if shape == "square":
        points = ((x, y), (x + dx, y), (x + dx, y + dy), (x, y + dy))
    return points if dx * dy > 0.0 else points[::-1]


def _items(tables: list[Table]) -> Iterator[Item]:
    """Yield the objects of every table: `count` of them where their places are left to chance."""
    numbers: dict[str, int] = {}
    for table in tables:
        make = _make(table)
        count, at = table.integer("count", 1, low=1, high=MOST_ITEMS), None
        if table.data.get("at_mm", "random") != "random":
            x, y = table.numbers("at_mm", count=2)
            at = (x / 1000, y / 1000)
            if count != 1:
                table.fault("count", 'is for objects that lie anywhere; write at_mm = "random", or a table for each')
        table.has("at_mm")
        table.close()
        for _ in range(count):
            numbers[make.kind] = numbers.get(make.kind, 0) + 1
            yield Item(f"{make.kind}-{numbers[make.kind]}", make, at, table.place)


def _make(table: Table) -> Make:
    kind = table.text("kind")
    if not re.fullmatch(r"[a-z][a-z0-9_]*", kind) and isinstance(table.data.get("kind"), str):
        table.fault("kind", f"is {kind!r}; give a word of small letters, such as kit or silver")
    shape = table.choice("shape", SHAPES, "ball")
    size = table.number("size_mm", SIZE_MM.get(shape, 45.0), low=30.0, high=55.0) / 1000
    mass = table.number("mass_g", MASS_G.get(shape, 40.0), low=2.0, high=200.0) / 1000
    silver = table.data.get("colour") == "silver"
    colour = read_colour(table, "colour", PAINTS["blue"])
    shine = table.number("shine", SILVER_SHINE if silver else 0.0, low=0.0, high=1.0)
    return Make(kind, shape, size, mass, SILVER if silver else colour, shine)


def _check_openings(zone: Zone, table: Table) -> None:
    strips = [opening.strip for opening in zone.openings]
    for strip, what in (("silver", "entry"), ("green", "exit")):
        if strips.count(strip) != 1:
            table.fault("opening", f"has {strips.count(strip)} with the {strip} strip; give one {what}")
    for opening in zone.openings:
        if opening.high_m > zone.side_m(opening.side) + 1e-9:
            table.checker.fault(opening.source, f"ends {1000 * opening.high_m:.0f} mm along a side of "
                                f"{1000 * zone.side_m(opening.side):.0f} mm; lower from_mm")  # fmt: skip
        for berth in zone.berths:
            if opening.side in berth.corner.split("-") and _covers(zone, opening, berth):
                table.checker.fault(opening.source, f"opens onto the berth {berth.name!r}; move one of the two")
    for one, two in combinations(zone.openings, 2):
        if one.side == two.side and one.low_m < two.high_m + 0.1 and two.low_m < one.high_m + 0.1:
            table.checker.fault(two.source, f"is within 100 mm of {one.source}; move them apart")


def _covers(zone: Zone, opening: Opening, berth: Berth) -> bool:
    low, high = berth.span(opening.side, zone.side_m(opening.side))
    return opening.low_m < high - TOUCH_M and low + TOUCH_M < opening.high_m


def _check_berths(zone: Zone, table: Table) -> None:
    kinds = {item.make.kind for item in zone.items}
    corners: dict[str, str] = {}
    names: dict[str, str] = {}
    homes: dict[str, str] = {}
    for berth in zone.berths:
        for known, key, what in ((corners, berth.corner, "lies in the corner"), (names, berth.name, "has the name")):
            if key in known:
                table.checker.fault(berth.source, f"{what} of {known[key]} too; give each its own")
            known[key] = berth.source
        for kind in berth.kinds:
            if kind not in kinds:
                table.checker.fault(f"{berth.source}.kinds", f"names {kind!r}, which no object is; "
                                    f"{nearest(kind, sorted(kinds))}")  # fmt: skip
            if kind in homes:
                table.checker.fault(f"{berth.source}.kinds", f"names {kind!r}, whose berth is {homes[kind]} already")
            homes[kind] = berth.source
        if berth.size_m > 0.5 * min(zone.width_m, zone.height_m):
            table.checker.fault(f"{berth.source}.size_mm", "is over half of the zone's shorter side; make it smaller")
    for item in zone.items:
        if item.make.kind not in homes and item.name.endswith("-1"):
            table.checker.fault(f"{item.source}.kind", f"is {item.make.kind!r}, which no berth takes; name it in one")


def _check_items(zone: Zone, table: Table) -> None:
    if len(zone.items) > MOST_ITEMS:
        table.fault("object", f"makes {len(zone.items)} objects; give at most {MOST_ITEMS}")
    makes: dict[str, Make] = {}
    for item in zone.items:
        if makes.setdefault(item.make.kind, item.make) != item.make:
            table.checker.fault(item.source, f"makes {item.make.kind!r} otherwise than above; one kind, one make")
        if item.at is not None:
            _check_place(zone, item, item.at, table)
    for one, two in combinations([item for item in zone.items if item.at is not None], 2):
        assert one.at is not None
        assert two.at is not None
        if math.dist(one.at, two.at) < 0.5 * (one.make.size_m + two.make.size_m):
            table.checker.fault(two.source, f"lies on {one.source}; move one of the two")


def _check_place(zone: Zone, item: Item, at: Point, table: Table) -> None:
    x, y = at
    room = max(REACH_M, 0.72 * item.make.size_m)  # a cube may lie askew
    if not (zone.left + room <= x <= zone.right - room and zone.bottom + room <= y <= zone.top - room):
        where = f"is [{1000 * x:.0f}, {1000 * y:.0f}], within {1000 * room:.0f} mm of the zone's walls or outside"
        table.checker.fault(f"{item.source}.at_mm", f"{where}, where the collector cannot reach; move it inward")
    for berth in zone.berths:
        if polygon_distance(x, y, berth.area) < 0.5 * item.make.size_m:
            table.checker.fault(f"{item.source}.at_mm", f"lies in the berth {berth.name!r} already; move it out")
