"""Zones in the course format: what is read, what is refused, and where walls, strips and route come to lie."""

import math
import random

import pytest
from attrs import evolve
from shapely.geometry import LineString, Point, Polygon, box

from drivers.fake.course.catalogue import load_course, shipped
from drivers.fake.course.floor import Floor
from drivers.fake.course.format import parse_course
from drivers.fake.course.scenery import of_facts, scenery
from drivers.fake.zone.generator import random_relief_text, random_zone_text
from drivers.fake.zone.placing import OPEN_M, place_items
from robotcore.errors import Faults, UserError
from tests.zone_kit import HEAD, zone_course, zone_text

ZONES = [name for name in shipped() if load_course(name).zone is not None]


def faults_of(text):
    with pytest.raises(Faults) as caught:
        parse_course(text, "z.toml")
    return caught.value.faults


def test_the_shipped_zone_courses():
    assert ZONES == ["basin", "basin-cove", "basin-roads", "basin-sound", "relief"]
    layouts = {(load_course(name).zone.gate("silver").heading, load_course(name).zone.width_m) for name in ZONES}
    assert len(layouts) >= 4
    kinds = [spot.kind for spot in load_course("relief").route.spots]
    assert kinds[-5:] == ["silver", "zone", "green", "gap", "finish"]
    assert kinds[0] == "junction"


def test_the_sizes_are_those_of_the_trade():
    """About 1200 by 900 mm, balls of 40 to 50 mm, walls of 100 mm at least (CHECKS i; common practice, no source)."""
    for name in ZONES:
        zone = load_course(name).zone
        assert 0.7 < zone.width_m * zone.height_m < 1.6
        assert zone.wall_height_m >= 0.1
        assert all(0.040 <= item.make.size_m <= 0.050 for item in zone.items)
        assert all(0.2499 < opening.width_m < 0.3001 for opening in zone.openings)


@pytest.mark.parametrize("name", ZONES)
def test_walls_close_the_zone_but_for_its_openings(name):
    """The walls' area, by shapely, is the ring around the floor less the openings; no two of them overlap."""
    zone = load_course(name).zone
    t = zone.wall_m
    floor = box(zone.left, zone.bottom, zone.right, zone.top)
    ring = box(zone.left - t, zone.bottom - t, zone.right + t, zone.top + t).difference(floor)
    walls = [Polygon(wall.solid().corners) for wall in zone.walls()]
    open_area = sum(opening.width_m * t for opening in zone.openings)
    whole = walls[0]
    for wall in walls[1:]:
        whole = whole.union(wall)
    assert sum(wall.area for wall in walls) == pytest.approx(ring.area - open_area, rel=1e-9)
    assert whole.difference(ring.buffer(1e-9)).area == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("side", ["north", "south", "east", "west"])
@pytest.mark.parametrize("end", ["low", "high"])
def test_an_opening_may_begin_in_a_corner(side, end):
    """Then there is no wall beside it, and none of no length: that has no direction to push a robot in."""
    zone = zone_course().zone
    low = 0.0 if end == "low" else zone.side_m(side) - 0.27
    zone = evolve(zone, openings=(evolve(zone.openings[0], side=side, low_m=low, high_m=low + 0.27),))
    walls = [Polygon(wall.solid().corners) for wall in zone.walls()]
    assert len(walls) == (4 if side in ("north", "south") else 5)
    assert min(wall.area for wall in walls) > 1e-5


def test_the_route_jumps_from_silver_to_green():
    course = zone_course()
    low, high = course.route.zone
    assert course.route.at(low)[:2] == pytest.approx((0.5, 0.55))
    assert course.route.at(high)[:2] == pytest.approx((1.1, 1.1))
    assert high - low == pytest.approx(math.hypot(0.6, 0.55))
    assert course.route.outside_m == pytest.approx(course.route.length_m - (high - low))
    assert course.route.counted(0.5 * (low + high)) == pytest.approx(low)
    assert [spot.kind for spot in course.route.spots] == ["silver", "zone", "green", "finish"]


def test_strips_and_berths_are_painted_and_the_line_ends_under_the_strip():
    course = zone_course()
    look = Floor.of(course, 0.004).look
    assert look(0.487, 0.55)[1] == pytest.approx(course.colours.silver[1], abs=0.01)
    assert look(0.487, 0.68)[1] == pytest.approx(course.colours.silver[1], abs=0.01)  # across the whole opening
    assert look(0.52, 0.55) == pytest.approx(course.colours.floor, abs=0.01)
    assert look(1.1, 1.112) == pytest.approx(course.colours.green, abs=0.01)
    assert look(1.65, 0.25) == pytest.approx(course.zone.berths[0].colour, abs=0.01)
    assert look(1.45, 0.45) == pytest.approx(course.colours.floor, abs=0.01)  # beyond the triangle's long side


@pytest.mark.parametrize("corner", ["south-west", "south-east", "north-east", "north-west"])
@pytest.mark.parametrize(("shape", "share"), [("triangle", 0.5), ("square", 1.0)])
def test_berths_fill_their_corner(corner, shape, share):
    text = zone_text(("silver", [1100, 600]), ("kit", [1000, 600]), ("black", [900, 600]))
    text = text.replace('corner = "north-east"', 'corner = "south-west"' if corner == "south-east" else 'corner = "x"')
    text = text.replace('corner = "south-east"', f'corner = "{corner}"\nshape = "{shape}"\nsize_mm = 200')
    text = text.replace('corner = "x"', 'corner = "south-east"' if corner != "south-east" else 'corner = "south-west"')
    text = text.replace("from_mm = 210", "from_mm = 320").replace("[250, 550]", "[250, 660]")
    text = text.replace("from_mm = [80, 550]", "from_mm = [80, 660]").replace(
        'corner = "south-west"\nkinds = ["black"]', 'corner = "south-west"\nkinds = ["black"]'
    )
    berth = parse_course(text, "z.toml").zone.berths[0]
    area = Polygon(berth.area)
    assert area.area == pytest.approx(share * 0.04)
    assert area.exterior.is_ccw
    x, y = (1.7 if "east" in corner else 0.5), (1.1 if "north" in corner else 0.2)
    assert area.distance(Point(x, y)) == 0.0
    assert berth.holds(*area.centroid.coords[0])


def test_all_faults_are_listed_at_once():
    text = HEAD.replace('strip = "green"', 'strip = "silver"').replace('corner = "north-east"', 'corner = "south-east"')
    text += '[[zone.object]]\nkind = "crate"\nshape = "ball"\nsize_mm = 90\n'
    text += '[[zone.object]]\nkind = "kit"\nat_mm = [505, 600]\ncolour = "bleu"\n'
    found = "\n".join(faults_of(text))
    for words in (
        "zone.opening: has 2 with the silver strip; give one entry",
        "zone.opening: has 0 with the green strip; give one exit",
        "zone.berth[2]: lies in the corner of zone.berth[1] too",
        "zone.object[1].size_mm: is 90; give a number from 30 to 55",
        "zone.object[1].kind: is 'crate', which no berth takes",
        "zone.object[2].at_mm: is [505, 600], within 40 mm of the zone's walls",
        "zone.object[2].colour: is 'bleu'; did you mean 'blue'",
        "zone.berth[1].kinds: names 'silver', which no object is",
    ):
        assert words in found


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("size_mm = [1200, 900]", "size_mm = [1600, 900]", "zone.at_mm: its walls leave the board"),
        ("straight_mm = 395", "straight_mm = 480", "mm lies in the zone, where there is only floor"),
        ("from_mm = [1100, 1135]", "from_mm = [1140, 1135]", "zone.opening[2]: has no line that begins there"),
        ("from_mm = [80, 550]\nmoves = [{ straight_mm = 395 }]", "from_mm = [80, 550]\nmoves = [{ straight_mm = 300 }]",
         "no line straight ahead within 200 mm"),
        ("from_mm = 460", "from_mm = 800", "zone.opening[2]: opens onto the berth 'far'"),
        ("from_mm = 460", "from_mm = 1000", "zone.opening[2]: ends 1280 mm along a side of 1200 mm"),
        ('side = "north"\nfrom_mm = 460', 'side = "west"\nfrom_mm = 560', "within 100 mm of zone.opening[1]"),
        ('kinds = ["black"]', 'kinds = ["black", "kit"]', "names 'kit', whose berth is zone.berth[1] already"),
        ('kinds = ["black"]', 'kinds = "black"', "zone.berth[2].kinds: is no list of kinds"),
        ('corner = "north-east"', 'corner = "north-east"\nsize_mm = 500', "over half of the zone's shorter side"),
        ("[[zone.opening]]", "[[obstacle]]\nat_mm = [900, 500]\nshape = 'round'\ndiameter_mm = 90\n[[zone.opening]]",
         "the obstacle at [900, 500] mm lies in the zone"),
        ("[[zone.opening]]", "[[wall]]\nfrom_mm = [900, 400]\nto_mm = [900, 600]\n[[zone.opening]]",
         "the wall at [900, 400] mm lies in the zone"),
    ],
)  # fmt: skip
def test_what_is_refused(old, new, words):
    text = zone_text()
    assert old in text
    assert any(words in fault for fault in faults_of(text.replace(old, new, 1)))


def test_objects_may_not_lie_on_each_other_nor_in_a_berth():
    assert "lies on zone.object[1]" in "\n".join(faults_of(zone_text(("silver", [900, 500]), ("kit", [910, 500]))))
    assert "lies in the berth 'lee'" in "\n".join(faults_of(zone_text(("silver", [1620, 270]))))


def test_random_places_keep_to_the_rules():
    """Apart from walls, berths, openings and each other, by shapely; the same seed gives the same places."""
    zone = load_course("basin-roads").zone
    floor = box(zone.left, zone.bottom, zone.right, zone.top)
    gates = [Point(zone.gate(strip).x, zone.gate(strip).y) for strip in ("silver", "green")]
    for seed in range(30):
        places = place_items(zone, random.Random(seed), 0.0)
        assert places == place_items(zone, random.Random(seed), 0.0)
        spots = [Point(x, y) for x, y, _ in places]
        for spot, item in zip(spots, zone.items, strict=True):
            half = 0.5 * item.make.size_m
            assert floor.contains(spot)
            assert floor.exterior.distance(spot) >= half + 0.030 - 1e-9
            assert all(gate.distance(spot) >= OPEN_M - 1e-9 for gate in gates)
            assert all(Polygon(berth.area).distance(spot) >= half + 0.02 - 1e-9 for berth in zone.berths)
        assert all(a.distance(b) >= zone.apart_m for i, a in enumerate(spots) for b in spots[:i])


def test_an_object_of_its_own_place_is_shifted_by_placement_only():
    zone = zone_course(("silver", [900, 500])).zone
    calm = place_items(zone, random.Random(1), 0.0)
    moved = place_items(zone, random.Random(1), 0.02)
    assert calm[0][:2] == (0.9, 0.5)
    assert 0.0 < max(abs(a - b) for a, b in zip(calm[0][:2], moved[0][:2], strict=True)) <= 0.02
    assert calm[0][2] == moved[0][2]


@pytest.mark.parametrize("make", [random_zone_text, random_relief_text])
def test_random_zone_courses_are_good_and_repeat(make):
    for seed in range(12):
        for difficulty in (0.0, 0.5, 1.0):
            text = make(seed, difficulty)
            assert text == make(seed, difficulty)
            course = parse_course(text, "random")
            way = LineString(course.route.points)
            assert course.route.zone is not None
            assert way.length == pytest.approx(course.route.length_m)
    assert make(1, 0.5) != make(2, 0.5)


def test_an_opening_may_end_where_a_berth_begins():
    """The south opening of this seed ends at 620 + 260 mm, and the berth begins at 1180 - 300 mm of that side."""
    assert "from_mm = 620\nwidth_mm = 260" in random_zone_text(93064)
    assert load_course("random-zone", 93064).zone is not None


def test_the_catalogue_knows_random_zones():
    assert load_course("random-relief", 3).name == "random relief 3"
    assert load_course("random-zone", 3).zone is not None
    with pytest.raises(UserError, match="did you mean 'random-zone'"):
        load_course("random-zon")


def test_the_picture_shows_walls_and_objects():
    course = zone_course(("silver", [900, 500]))
    figures = scenery(course)
    assert [figure.name for figure in figures if figure.layer == "object"] == ["silver-1", "kit-1", "black-1"]
    facts = {"course_toml": course.text, "objects": '[["silver-1", 1.0, 0.6, 0.0], ["nobody", 1.0, 1.0, 0.0]]'}
    shown = [figure for figure in of_facts(facts).figures if figure.layer == "object"]
    assert [(figure.name, figure.points[0], figure.radius) for figure in shown] == [("silver-1", (1.0, 0.6), 0.0225)]
    assert of_facts({**facts, "objects": "no list"}) is not None
