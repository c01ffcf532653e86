"""The floor against exact areas, computed by shapely."""

import math
import random
import subprocess
import sys

import pytest
import shapely
from shapely.geometry import LineString, Point, Polygon, box
from shapely.ops import unary_union

from drivers.fake.course.catalogue import load_course
from drivers.fake.course.floor import Floor
from drivers.fake.course.format import parse_course
from drivers.fake.course.geometry import Polyline
from drivers.fake.course.shapes import Arc

HEAD = '[course]\nname = "t"\nsize_mm = [1200, 900]\nline_width_mm = 16\n[start]\nat_mm = [250, 300]\n'
STRAIGHT = (
    HEAD
    + """
[[line]]
from_mm = [200, 300]
moves = [ { straight_mm = 700 }, { strip = "red" }, { straight_mm = 30 } ]
[[strip]]
kind = "silver"
at_mm = [500, 300]
"""
)


def fine_points(piece):
    return [piece.point(i / 300) for i in range(301)] if isinstance(piece, Arc) else list(piece.points())


def exact_areas(course):
    """Every painted surface as (what is seen of it, colour): strips over line over markers over floor."""
    chains = [Polyline(p for piece in stroke.pieces for p in fine_points(piece)) for stroke in course.strokes]
    half = course.line_width_m / 2
    line = unary_union(
        [LineString(chain.points).buffer(half, cap_style="flat", join_style="mitre", mitre_limit=5) for chain in chains]
    )
    colours = course.colours
    stack = [(Polygon(strip.corners()), getattr(colours, strip.kind)) for strip in course.strips[::-1]]
    stack += [(line, colours.line), (unary_union([Polygon(m.corners()) for m in course.markers]), colours.marker)]
    stack += [(box(0, 0, course.width_m, course.height_m), colours.floor)]
    seen, hidden = [], Polygon()
    for area, colour in stack:
        seen.append((area.difference(hidden), colour))
        hidden = hidden.union(area)
    return [(area, colour) for area, colour in seen if not area.is_empty]


def exact_look(areas, table, x, y, radius):
    disc = Point(x, y).buffer(radius, quad_segs=32)
    shares = [(area.intersection(disc).area / disc.area, colour) for area, colour in areas]
    rest = 1.0 - sum(share for share, _ in shares)
    return tuple(sum(share * colour[i] for share, colour in shares) + rest * table[i] for i in range(3))


@pytest.mark.parametrize("name", ["quay", "shoals", "storm"])
def test_looks_differ_from_exact_areas_by_at_most_14_thousandths_of_full_scale(name):
    # Outside check: shapely's exact polygon areas; 1 is full scale. Places: on and beside the route, and at its spots.
    course = load_course(name)
    floor, areas, rng = Floor.of(course), exact_areas(course), random.Random(5)
    for area, _ in areas:
        shapely.prepare(area)
    errors = []
    for i in range(300):
        spot = rng.choice(course.route.spots)
        x, y = (spot.x, spot.y) if i % 2 else course.route.at(rng.random() * course.route.length_m)[:2]
        x, y = x + rng.gauss(0, 0.013), y + rng.gauss(0, 0.013)
        exact = exact_look(areas, course.colours.table, x, y, 0.004)
        errors.append(max(abs(a - b) for a, b in zip(floor.look(x, y), exact, strict=True)))
    assert max(errors) < 0.014  # at a free corner; along edges 0.0104
    assert sorted(errors)[295] < 0.0105
    assert math.sqrt(sum(error**2 for error in errors) / len(errors)) < 0.004


def test_a_disc_half_on_the_line_sees_the_mean_of_black_and_white():
    course = parse_course(STRAIGHT, "t")
    for radius in (0.0015, 0.004, 0.007):
        look = Floor.of(course, radius).look
        assert look(0.353, 0.308)[1] == pytest.approx((0.85 + 0.04) / 2, abs=0.004)
        assert look(0.353, 0.3)[1] == pytest.approx(0.04, abs=0.004)


def test_a_segment_of_the_disc_on_the_line_follows_the_circle_formula():
    # Closed form: the part of a disc of radius r beyond a chord at distance d is r² acos(d/r) - d sqrt(r² - d²).
    course = parse_course(STRAIGHT, "t")
    look, r = Floor.of(course, 0.006).look, 0.006
    for i in range(-11, 12):
        d = i * 0.0005
        part = (r * r * math.acos(d / r) - d * math.sqrt(r * r - d * d)) / (math.pi * r * r)
        assert look(0.4003, 0.308 + d)[0] == pytest.approx(0.85 + part * (0.04 - 0.85), abs=0.009)


def test_bare_floor_is_one_and_the_same_object():
    look = Floor.of(parse_course(STRAIGHT, "t")).look
    assert look(0.6, 0.6) is look(0.6, 0.7)
    assert look(0.6, 0.6) == (0.85, 0.85, 0.85)


@pytest.mark.parametrize("place", [(-1.0, 0.3), (0.3, -0.05), (1.3, 0.3), (0.3, 5.0), (math.nan, 0.3), (math.inf, 0.3)])
def test_beside_the_board_lies_the_table(place):
    assert Floor.of(parse_course(STRAIGHT, "t")).look(*place) == (0.15, 0.15, 0.15)


def test_the_edge_of_the_board_is_blurred_too():
    look = Floor.of(parse_course(STRAIGHT, "t")).look
    assert look(0.6, 0.0)[0] == pytest.approx(0.5, abs=0.005)
    assert look(0.6, 0.9)[0] == pytest.approx(0.5, abs=0.005)
    assert look(1.2, 0.5)[0] == pytest.approx(0.5, abs=0.005)


def test_silver_is_brighter_than_white_and_barely_darkens_what_is_beside_it():
    look = Floor.of(parse_course(STRAIGHT, "t")).look
    seen = [look(0.48 + i * 0.0003, 0.33)[1] for i in range(140)]
    assert max(seen) == pytest.approx(1.6)
    assert min(seen) == pytest.approx(0.85, abs=0.005)


def test_where_tiles_meet_there_is_no_seam():
    kinds = ("straight", "wave", "straight", "finish")
    tiles = "".join(f'[[tile]]\nat = [{i}, 0]\nkind = "{kind}"\n' for i, kind in enumerate(kinds))
    text = HEAD.replace("[250, 300]", "[50, 150]").replace("line_width_mm = 16", "line_width_mm = 15") + tiles
    look = Floor.of(parse_course(text, "t")).look
    for seam in (0.3, 0.6, 0.9):
        for i in range(-12, 13):
            assert look(seam + i * 0.0005, 0.15)[0] == pytest.approx(0.04, abs=0.003)


def test_a_floor_is_built_once_for_a_course_and_footprint():
    course = load_course("quay")
    assert Floor.of(course) is Floor.of(load_course("quay"))
    assert Floor.of(course) is not Floor.of(course, 0.003)


@pytest.mark.parametrize("radius", [-0.001, 0.041, math.nan])
def test_an_impossible_footprint_is_refused(radius):
    with pytest.raises(ValueError, match="give a radius from 0 to"):
        Floor.of(load_course("quay"), radius)


def test_looks_are_the_same_in_any_process():
    code = (
        "from drivers.fake.course.format import parse_course\nfrom drivers.fake.course.floor import Floor\n"
        f"look = Floor.of(parse_course({STRAIGHT!r}, 't')).look\n"
        "print([look(0.48 + i * 0.0017, 0.31 + i * 0.0003) for i in range(20)])"
    )
    outputs = {
        subprocess.run(
            [sys.executable, "-c", code],
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": "."},
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        for seed in ("1", "2")
    }
    assert len(outputs) == 1
