"""The net of lines, the route by the rules of the field, relief and things: closed forms and shapely."""

import math
import random
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import LineString, Point, Polygon

from drivers.fake.course.catalogue import load_course, shipped
from drivers.fake.course.format import parse_course
from drivers.fake.course.geometry import Polyline, crossing, inside_convex, is_convex, polygon_distance, wrap
from drivers.fake.course.graph import Net
from drivers.fake.course.outline import Band, layers
from drivers.fake.course.relief import piece_height
from drivers.fake.course.scenery import LAYERS, scenery
from drivers.fake.course.shapes import Arc
from robotcore.errors import Faults


def course_of(moves, *, more="", width=15, start="[200, 600]", line="[150, 600]", size="[2400, 1200]"):
    return parse_course(
        f'[course]\nname = "t"\nsize_mm = {size}\nline_width_mm = {width}\n[start]\nat_mm = {start}\n'
        f"[[line]]\nfrom_mm = {line}\nmoves = [{moves}]\n{more}",
        "t",
    )


FINISH = '{ strip = "red" }, { straight_mm = 20 }'
coordinate = st.floats(-2.0, 2.0).map(lambda value: round(value, 3))
place = st.tuples(coordinate, coordinate)


def test_the_route_is_as_long_as_its_moves():
    # Closed form: straights add up, arcs are radius times sweep; 3 degree chords lose 1 - sin(x)/x, x = 1.5 degrees.
    course = course_of(
        f"{{ straight_mm = 400 }}, {{ arc_deg = 90, radius_mm = 200 }}, {{ straight_mm = 60 }}, "
        f"{{ gap_mm = 80 }}, {{ straight_mm = 100 }}, {FINISH}"
    )
    exact = 0.35 + 0.2 * math.pi / 2 + 0.06 + 0.08 + 0.1
    assert course.route.length_m == pytest.approx(exact, abs=0.2 * math.pi / 2 * 1.2e-4 + 1e-5)
    x, y, heading = course.route.at(course.route.length_m)
    assert (x, y) == pytest.approx((0.75, 1.04), abs=1e-4)
    assert heading == pytest.approx(math.pi / 2)


@given(st.floats(0.05, 2.0), st.floats(-math.pi, math.pi), st.floats(-math.pi, math.pi))
def test_points_of_an_arc_lie_on_its_circle_and_follow_it_closely(radius, start, sweep):
    arc = Arc(0.3, -0.2, radius, start, sweep or 0.1)
    points = arc.points()
    assert all(math.dist(point, (0.3, -0.2)) == pytest.approx(radius) for point in points)
    for (ax, ay), (bx, by) in pairwise(points):
        sagitta = radius - math.dist(((ax + bx) / 2, (ay + by) / 2), (0.3, -0.2))
        assert sagitta <= radius * 3.5e-4


@given(place, place, place, place)
def test_crossings_agree_with_shapely(a, b, c, d):
    if math.dist(a, b) < 1e-3 or math.dist(c, d) < 1e-3:
        return
    ours, theirs = crossing(a, b, c, d), LineString([a, b]).intersection(LineString([c, d]))
    if ours is not None:
        assert theirs.distance(Point(ours)) < 1e-6 or LineString([a, b]).distance(LineString([c, d])) < 1e-9
    elif not theirs.is_empty:
        # parallel and overlapping, or touching within rounding
        inner = min(
            Point(p).distance(s)
            for p, s in (
                (a, LineString([c, d])),
                (b, LineString([c, d])),
                (c, LineString([a, b])),
                (d, LineString([a, b])),
            )
        )
        assert inner < 1e-9


@given(st.lists(place, min_size=2, max_size=8, unique=True), place)
def test_the_nearest_point_of_a_chain_agrees_with_shapely(points, spot):
    chain, theirs = Polyline(points), LineString(points)
    s, away = chain.nearest(*spot)
    assert away == pytest.approx(theirs.distance(Point(spot)), abs=1e-9)
    assert math.dist(chain.at(s), spot) == pytest.approx(away, abs=1e-9)
    assert chain.length == pytest.approx(theirs.length)


@given(place)
def test_distance_from_a_polygon_agrees_with_shapely(spot):
    corners = ((0.0, 0.0), (1.0, -0.2), (1.4, 0.7), (0.3, 0.9))
    assert is_convex(corners)
    assert not is_convex(corners[::-1])
    theirs = Polygon(corners)
    assert polygon_distance(*spot, corners) == pytest.approx(theirs.distance(Point(spot)), abs=1e-9)
    assert inside_convex(*spot, corners) == (theirs.distance(Point(spot)) < 1e-9)


def test_lines_that_cross_make_a_junction_of_four_and_one_that_ends_on_another_of_three():
    course = course_of(
        f"{{ straight_mm = 900 }}, {FINISH}",
        more="""
[[line]]
from_mm = [500, 300]
heading_deg = 90
moves = [ { straight_mm = 700 } ]
[[line]]
from_mm = [800, 600]
heading_deg = -45
moves = [ { straight_mm = 300 } ]
""",
    )
    net = Net(course.strokes)
    found = {(round(node.x, 3), round(node.y, 3)): len(node.arms) for node in net.nodes if len(node.arms) > 2}
    assert found == {(0.5, 0.6): 4, (0.8, 0.6): 3}
    assert [(spot.kind, round(spot.s_m, 4), spot.go) for spot in course.route.spots] == [
        ("junction", 0.3, "ahead"),
        ("junction", 0.6, "ahead"),
        ("finish", 0.85, ""),
    ]


def test_a_stub_that_another_line_takes_up_counts_once():
    course = course_of(
        '{ straight_mm = 400 }, { place = "p" }, { junction = ["left"], marker = "left", go = "end" }',
        more=f'[[line]]\nfrom = "p"\nheading_deg = 90\nmoves = [ {{ straight_mm = 300 }}, {FINISH} ]\n'
        '[[line]]\nfrom = "p"\nmoves = [ { straight_mm = 200 } ]\n',
    )
    net = Net(course.strokes)
    assert sorted(len(node.arms) for node in net.nodes) == [1, 1, 1, 2, 2, 3]
    assert next((spot.kind, spot.marker, spot.go) for spot in course.route.spots) == ("junction", "left", "left")


@pytest.mark.parametrize(
    ("marker", "after", "go", "turn"),
    [
        ("left", "none", "left", math.pi / 2),
        ("right", "left", "right", -math.pi / 2),
        ("none", "none", "ahead", 0.0),
        ("none", "left", "ahead", 0.0),
        ("none", "both", "ahead", 0.0),
        ("left", "both", "left", math.pi / 2),
    ],
)
def test_markers_before_the_junction_lead_and_those_after_it_do_not(marker, after, go, turn):
    course = course_of(
        f'{{ straight_mm = 400 }}, {{ junction = ["left", "ahead", "right"], marker = "{marker}", '
        f'after = "{after}" }}, {{ straight_mm = 300 }}, {FINISH}'
    )
    spot = course.route.spots[0]
    assert (spot.kind, spot.marker, spot.decoy, spot.go) == ("junction", marker, after, go)
    assert spot.s_m == pytest.approx(0.35)
    assert wrap(course.route.at(0.5)[2] - turn) == pytest.approx(0.0)


def test_a_marker_stands_beside_the_line_just_before_the_junction():
    course = course_of(
        f'{{ straight_mm = 400 }}, {{ junction = ["left", "ahead"], marker = "left" }}, '
        f"{{ straight_mm = 300 }}, {FINISH}"
    )
    marker = course.markers[0]
    assert (marker.x, marker.y) == pytest.approx((0.55 - 0.02, 0.6 + 0.02))
    assert max(x for x, _ in marker.corners()) == pytest.approx(0.55 - 0.0075)
    assert min(y for _, y in marker.corners()) == pytest.approx(0.6 + 0.0075)


def test_a_decoy_on_the_way_out_is_the_marker_on_the_way_back():
    spots = load_course("shoals").route.spots
    there = next(i for i, spot in enumerate(spots) if spot.marker == "both") - 1
    out, turn, back = spots[there : there + 3]
    assert (out.marker, out.decoy, out.go) == ("none", "left", "ahead")
    assert turn.go == "back"
    assert (back.marker, back.go) == ("right", "right")
    assert (out.x, out.y) == pytest.approx((back.x, back.y))


def test_a_loop_crosses_its_own_line_straight_on():
    spots = [spot for spot in load_course("shoals").route.spots if spot.kind == "junction"][-2:]
    assert [spot.go for spot in spots] == ["ahead", "ahead"]
    assert (spots[0].x, spots[0].y) == pytest.approx((spots[1].x, spots[1].y), abs=0.002)
    # Closed form: from the crossing to the loop 150 mm, three quarters of a circle of 150 mm, 150 mm back.
    assert spots[1].s_m - spots[0].s_m == pytest.approx(0.3 + 1.5 * math.pi * 0.15, abs=2e-4)


def test_spots_begin_and_end_where_things_do():
    course = course_of(
        "{ straight_mm = 300 }, { bump = { width_mm = 30 } }, { straight_mm = 300 }, "
        '{ obstacle = { shape = "round", diameter_mm = 80 } }, { straight_mm = 300 }, '
        "{ ramp = { up_deg = 10, rise_mm = 50, level_mm = 100, down_deg = 20 } }, { straight_mm = 200 }, "
        '{ strip = "silver" }, { straight_mm = 100 }, ' + FINISH
    )
    spots = {spot.kind: (spot.s_m, spot.end_m) for spot in course.route.spots}
    assert list(spots) == ["bump", "obstacle", "ramp", "silver", "finish"]
    long = 0.05 / math.tan(math.radians(10)) + 0.1 + 0.05 / math.tan(math.radians(20))
    assert spots["bump"] == pytest.approx((0.235, 0.265), abs=1e-5)
    assert spots["obstacle"] == pytest.approx((0.51, 0.59), abs=1e-5)
    assert spots["ramp"] == pytest.approx((0.85, 0.85 + long), abs=1e-5)
    assert spots["silver"] == pytest.approx((1.05 + long - 0.0125, 1.05 + long + 0.0125), abs=1e-5)
    assert course.route.length_m == pytest.approx(1.15 + long, abs=1e-5)


def test_projection_knows_the_way_out_from_the_way_back():
    route = load_course("shoals").route
    turn = next(spot for spot in route.spots if spot.marker == "both")
    x, y, heading = route.at(turn.s_m - 0.05)
    assert route.project(x, y + 0.01, turn.s_m - 0.05) == pytest.approx((turn.s_m - 0.05, 0.01), abs=1e-6)
    out, _ = route.project(x, y + 0.01, turn.s_m, heading=heading)
    back, _ = route.project(x, y + 0.01, turn.s_m, heading=heading + math.pi)
    assert (out, back) == pytest.approx((turn.s_m - 0.05, turn.s_m + 0.05), abs=1e-6)


def agreeing(route, x, y, low, high, heading):
    """The nearest point of each piece that runs along the heading, asked for one by one."""
    points, lengths = route.line.points, route.line.s
    found = [
        route.line.nearest(x, y, max(low, lengths[i]), min(high, lengths[i + 1] - 1e-9))
        for i, ((ax, ay), (bx, by)) in enumerate(pairwise(points))
        if lengths[i + 1] >= low and lengths[i] <= high
        and (bx - ax) * math.cos(heading) + (by - ay) * math.sin(heading) > 0.0
    ]  # fmt: skip
    return min(found, key=lambda one: one[1]) if found else route.line.nearest(x, y, low, high)


@pytest.mark.parametrize("name", ["shoals", "storm"])
def test_projection_gives_to_the_bit_what_the_pieces_give_one_by_one(name):
    route, chance = load_course(name).route, random.Random(name)
    for _ in range(2000):
        s, back, ahead = chance.uniform(-0.1, route.length_m + 0.1), chance.uniform(0, 0.2), chance.uniform(0, 0.4)
        x, y, heading = route.at(s)
        x, y, heading = x + chance.gauss(0, 0.05), y + chance.gauss(0, 0.05), heading + chance.gauss(0, 1.0)
        found = route.project(x, y, s, back_m=back, ahead_m=ahead, heading=heading)
        assert found == agreeing(route, x, y, s - back, s + ahead, heading)
    corner = route.line.s[5]
    x, y, heading = route.at(corner)
    for low in (corner, corner - 1e-9, corner - 5e-10):  # a window that begins in the gap between two pieces
        found = route.project(x, y, low, back_m=0.0, ahead_m=0.0, heading=heading)
        assert found == agreeing(route, x, y, low, low, heading)


@pytest.mark.parametrize("name", ["breakwater", "quay", "shoals", "slipway", "storm"])
def test_every_point_of_the_route_projects_on_itself_and_lies_on_paint_or_in_a_gap(name):
    course = load_course(name)
    route, gaps = course.route, [spot for spot in course.route.spots if spot.kind == "gap"]
    chains = [LineString(piece.points()) for stroke in course.strokes for piece in stroke.pieces]
    for i in range(int(route.length_m / 0.03)):
        s = 0.03 * i
        x, y, heading = route.at(s)
        found, away = route.project(x, y, s, heading=heading)
        assert (found, away) == pytest.approx((s, 0.0), abs=1e-6)
        if not any(gap.s_m < s < gap.end_m for gap in gaps):
            assert min(chain.distance(Point(x, y)) for chain in chains) < 1e-6


def test_a_bump_is_a_raised_cosine_across_its_ridge():
    course = course_of(f"{{ straight_mm = 400 }}, {{ bump = {{ skew_deg = 30 }} }}, {{ straight_mm = 400 }}, {FINISH}")
    bump = course.bumps[0]
    assert course.relief.height(0.55, 0.6) == pytest.approx(0.010)
    # Closed form: d beside the ridge; the ridge runs at 90 + 30 degrees, so x ahead is x cos 30 away from it.
    for ahead_m in (0.004, 0.01, 0.019):
        d = ahead_m * math.cos(math.radians(30))
        assert course.relief.height(0.55 + ahead_m, 0.6) == pytest.approx(0.01 * math.cos(math.pi * d / 0.04) ** 2)
    assert course.relief.height(0.55 + 0.0235, 0.6) == 0.0
    assert math.dist((bump.ax, bump.ay), (bump.bx, bump.by)) == pytest.approx(0.2)


@pytest.mark.parametrize(("up", "down"), [(25, 25), (10, 20), (15, 5)])
def test_a_ramp_rises_and_falls_by_its_angles(up, down):
    course = course_of(
        f"{{ straight_mm = 300 }}, {{ ramp = {{ up_deg = {up}, rise_mm = 60, level_mm = 150, "
        f"down_deg = {down} }} }}, {{ straight_mm = 200 }}, {FINISH}"
    )
    height, foot = course.relief.height, 0.45
    rise, fall = 0.06 / math.tan(math.radians(up)), 0.06 / math.tan(math.radians(down))
    assert height(foot + 0.1, 0.6) == pytest.approx(0.1 * math.tan(math.radians(up)))
    assert height(foot + rise + 0.07, 0.6) == pytest.approx(0.06)
    assert height(foot + rise + 0.15 + fall - 0.05, 0.6) == pytest.approx(0.05 * math.tan(math.radians(down)))
    assert height(foot - 0.001, 0.6) == height(foot + rise + 0.15 + fall + 0.001, 0.6) == 0.0
    assert height(foot + 0.1, 0.6 + 0.149) > 0.0 == height(foot + 0.1, 0.6 + 0.151)
    assert course.ramps[0].plates[0].length_m == pytest.approx(rise)


def test_the_grid_of_the_relief_hides_nothing():
    course = load_course("storm")
    heights = [piece_height(piece) for piece in (*course.relief.bumps, *course.relief.plates)]
    raised = 0
    for i in range(255):
        for j in range(210):
            x, y = i * 0.01 + 0.0003, j * 0.01 + 0.0007
            exact = max(height(x, y) for height in heights)
            assert course.relief.height(x, y) == exact
            raised += exact > 0.0
    assert raised > 1000
    assert course.relief.height(-1.0, 5.0) == course.relief.height(99.0, 0.1) == 0.0


def test_obstacles_are_convex_counter_clockwise_and_as_large_as_said():
    course = load_course("breakwater")
    areas = []
    for solid in course.obstacles:
        assert solid.height_m >= 0.15
        assert all(0.0 <= value <= 1.0 for value in solid.colour)
        if solid.shape == "polygon":
            assert is_convex(solid.corners)
            areas.append(Polygon(solid.corners).area)
            assert solid.radius == pytest.approx(max(math.dist(c, (solid.x, solid.y)) for c in solid.corners))
    # Closed forms: box a b, regular hexagon (3/2) sqrt(3) R².
    assert areas == pytest.approx([0.08 * 0.12, 1.5 * math.sqrt(3) * 0.07**2, 0.1 * 0.1])


def test_a_wall_is_a_thin_solid():
    course = course_of(
        f"{{ straight_mm = 300 }}, {FINISH}",
        more="[[wall]]\nfrom_mm = [1000, 300]\nto_mm = [1000, 900]\nthickness_mm = 20",
    )
    solid = course.walls[0].solid()
    assert Polygon(solid.corners).bounds == pytest.approx((0.99, 0.3, 1.01, 0.9))
    assert Polygon(solid.corners).area == pytest.approx(0.012)
    assert is_convex(solid.corners)


def test_line_shapes_have_the_area_of_line_width_times_length():
    course = course_of("{ straight_mm = 300 }, { arc_deg = 90, radius_mm = 150 }, { straight_mm = 100 }, " + FINISH)
    line = layers(course)[1]
    area = Polygon()
    for shape in line.shapes:
        area = area.union(Polygon(shape.outline()))
        if isinstance(shape, Band):
            x0, y0, x1, y1 = shape.box()
            assert Polygon([(x0, y0), (x1, y0), (x1, y1), (x0, y1)]).covers(Polygon(shape.outline()))
    assert area.area == pytest.approx(0.015 * (0.42 + 0.15 * math.pi / 2), rel=1e-3)


def test_scenery_comes_lowest_first_and_names_every_thing():
    for name in shipped():
        course = load_course(name)
        figures = scenery(course)
        order = [LAYERS.index(figure.layer) for figure in figures]
        assert order == sorted(order)
        assert sum(figure.layer == "solid" for figure in figures) == len(course.obstacles)
        assert sum(figure.layer == "bump" for figure in figures) == len(course.bumps)
        assert figures[0].name == "board"


def test_two_arms_alike_are_refused():
    with pytest.raises(Faults, match=r"junction at \[550, 600\] mm has two arms alike to ahead") as caught:
        course_of(
            f"{{ straight_mm = 400 }}, {{ turn_deg = 20 }}, {{ straight_mm = 300 }}, {FINISH}",
            more="[[line]]\nfrom_mm = [550, 600]\nheading_deg = -20\nmoves = [ { straight_mm = 200 } ]",
        )
    assert caught.value.spots == (pytest.approx((0.55, 0.6)),)


def test_a_finish_that_begins_before_a_joint_ends_in_the_strips_middle():
    for joint in (-20, -12, -5, 0, 5):
        course = course_of(
            f"{{ straight_mm = {300 + joint} }}, {{ straight_mm = {200 - joint} }}, {{ straight_mm = 30 }}",
            more='[[strip]]\nkind = "red"\nat_mm = [450, 600]',
        )
        assert course.route.length_m == pytest.approx(0.25, abs=1e-5)
        assert course.finish is course.strips[0]
