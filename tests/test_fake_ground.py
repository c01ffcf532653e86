"""Bumps, ramps and collisions of the fake, against closed forms and shapely."""

import itertools
import math
import random

import pytest
import shapely
from fake_kit import columns, kit_rig, push, site_of, world_of
from hypothesis import given
from hypothesis import strategies as st

from drivers.fake.contact import body_corners, make_contact, overlap
from drivers.fake.course.relief import Relief
from drivers.fake.course.shapes import Bump, Plate, Pose, Solid, Wall, polygon
from drivers.fake.ground import Map, make_ground, rail_reach, rest
from drivers.fake.motion import GRAVITY, Truth
from drivers.fake.perturbations import Drawn, Slip

GREY = (0.4, 0.4, 0.4)
RIG = kit_rig()
BODY = RIG.body
HALF_M = 0.08  #: half the track's ground contact: 0.8 of the shorter end


def settled(relief, x, y=0.0, heading=0.0):
    truth = Truth(x, y, heading)
    settle = make_ground(relief, BODY, truth, 1.0)
    near = Map(relief, (), 0.3, rail_reach(BODY)).find(x, y)
    settle(near.edges if near else ())
    return truth


def hull_rest(points):
    """The rail by shapely's convex hull: height of its upper side at 0, and the slope there."""
    floor = min(h for _, h in points) - 1.0
    hull = shapely.MultiPoint([*points, (points[0][0], floor), (points[-1][0], floor)]).convex_hull
    cut = hull.intersection(shapely.LineString([(0.0, floor), (0.0, floor + 10.0)]))
    return cut.bounds[3]


# GEOS loses a corner of the hull where a height is below the smallest normal number (5e-324 m); ours does not.
FLOOR_POINTS = st.lists(
    st.tuples(st.floats(0.001, 0.08), st.floats(0.0, 0.02, allow_subnormal=False)), min_size=1, max_size=6
)


@given(FLOOR_POINTS, FLOOR_POINTS)
def test_a_rail_rests_on_the_upper_hull_under_its_weight(behind, before):
    points = sorted([(-x, h) for x, h in behind] + before)
    height, slope = rest(points)
    assert height == pytest.approx(hull_rest(points), abs=1e-9)
    assert all(h <= height + slope * x + 1e-9 for x, h in points)  # the floor nowhere pierces it


@pytest.mark.parametrize("heading", [0.0, math.pi])
def test_a_long_slope_pitches_by_its_angle(heading):
    relief = Relief((), (Plate(0.0, 0.0, 0.0, 2.0, 2.0, 0.0, 2.0 * math.tan(math.radians(20.0))),), 3.0, 3.0)
    truth = settled(relief, 1.0, 0.5, heading)
    assert truth.pitch == pytest.approx(math.copysign(math.radians(20.0), math.cos(heading)))
    assert truth.lift == pytest.approx(math.tan(math.radians(20.0)))


def test_across_a_slope_it_rolls():
    relief = Relief((), (Plate(0.0, 1.0, 0.0, 2.0, 2.0, 0.0, 2.0 * math.tan(math.radians(10.0))),), 3.0, 3.0)
    truth = settled(relief, 1.0, 1.0, math.pi / 2)
    assert truth.pitch == pytest.approx(0.0, abs=1e-9)
    assert truth.roll == pytest.approx(-math.radians(10.0))  # it looks north and the east is high: right side up


def test_the_front_of_the_tracks_climbs_the_ridge():
    relief = Relief((Bump(0.05, -1.0, 0.05, 1.0, 0.010, 0.04),), (), 3.0, 3.0)
    truth = settled(relief, 0.0)
    assert truth.pitch == pytest.approx(math.atan(0.010 / (0.05 + HALF_M)), rel=0.02)
    assert truth.lift == pytest.approx(HALF_M * math.tan(truth.pitch), rel=1e-6)


def test_a_ridge_under_the_weight_lifts_it_by_its_height():
    relief = Relief((Bump(0.0, -1.0, 0.0, 1.0, 0.010, 0.04),), (), 3.0, 3.0)
    assert settled(relief, 0.0).lift == pytest.approx(0.010, abs=2e-4)
    assert settled(relief, -0.3).flat
    assert settled(relief, 0.3).flat


def test_a_robot_tips_over_a_crest_in_its_time():
    steep = 0.2 * math.tan(math.radians(25.0))
    relief = Relief(
        (), (Plate(0.0, 0.0, 0.0, 0.2, 2.0, 0.0, steep), Plate(0.2, 0.0, 0.0, 1.0, 2.0, steep, steep)), 3.0, 3.0
    )
    world = world_of(site_of(relief=relief, start=Pose(0.15, 0.5, 0.0)))
    pitches = []
    for _ in range(200):
        push(world, 600, 600, 1)
        pitches.append(world.truth.pitch)
    assert max(pitches) == pytest.approx(math.radians(25.0), abs=1e-6)
    assert pitches[-1] == 0.0
    assert world.truth.lift == pytest.approx(steep)
    assert max(abs(b - a) for a, b in itertools.pairwise(pitches)) <= 0.03 + 1e-12


def test_a_robot_leaves_a_bump_level():
    relief = Relief((Bump(0.3, -1.0, 0.3, 1.0, 0.010, 0.04),), (), 3.0, 3.0)
    world = world_of(site_of(relief=relief))
    push(world, 700, 700, 400)
    assert world.truth.x > 0.6
    assert world.truth.flat
    assert (world.truth.pitch, world.truth.roll, world.truth.lift) == (0.0, 0.0, 0.0)


def test_the_tilt_sensor_feels_gravity_and_the_start():
    relief = Relief((), (Plate(0.0, 0.0, 0.0, 2.0, 2.0, 0.0, 2.0 * math.tan(math.radians(20.0))),), 3.0, 3.0)
    world = world_of(site_of(relief=relief, start=Pose(1.0, 0.5, 0.0)))
    push(world, 0, 0, 60)
    assert columns(RIG, world.row, "tilt")[0] == pytest.approx(1000 * math.sin(math.radians(20.0)), abs=1)
    assert columns(RIG, world.row, "tilt")[2] == pytest.approx(1000 * math.cos(math.radians(20.0)), abs=1)
    pitch, _ = RIG.role("tilt").device.lean(columns(RIG, world.row, "tilt"))
    assert pitch == pytest.approx(math.radians(20.0), abs=0.001)
    level = world_of()
    push(level, 1000, 1000, 2)
    assert columns(RIG, level.row, "tilt")[0] == pytest.approx(1000 * level.truth.accel / GRAVITY, abs=0.51)
    assert level.truth.accel > 1.0


def test_a_turn_is_felt_as_centripetal_acceleration():
    world = world_of()
    push(world, 500, 900, 100)
    t = world.truth
    assert columns(RIG, world.row, "tilt")[1] == pytest.approx(1000 * t.speed * t.turn / GRAVITY, abs=1)


def polygon_at(rng):
    n, turn = rng.randint(3, 7), rng.uniform(0, 6)
    x, y, r = rng.uniform(-0.25, 0.25), rng.uniform(-0.25, 0.25), rng.uniform(0.02, 0.12)
    return polygon(tuple((x + r * math.cos(turn + i * math.tau / n), y + r * math.sin(turn + i * math.tau / n))
                         for i in range(n)), 0.2, GREY)  # fmt: skip


@given(st.integers(0, 10**6))
def test_overlap_agrees_with_shapely(seed):
    rng = random.Random(seed)
    if rng.random() < 0.5:
        solid = polygon_at(rng)
        other = shapely.Polygon(solid.corners)
    else:
        solid = Solid(
            "circle", rng.uniform(-0.25, 0.25), rng.uniform(-0.25, 0.25), rng.uniform(0.01, 0.1), (), 0.2, GREY
        )
        other = shapely.Point(solid.x, solid.y).buffer(solid.radius, quad_segs=4000)
    heading = rng.uniform(-4, 4)
    corners = body_corners(BODY, 0.0, 0.0, math.cos(heading), math.sin(heading))
    mine = shapely.Polygon(corners)
    hit = overlap(corners, solid)
    if hit is None:
        assert mine.intersection(other).area < 1e-8
    else:
        assert mine.distance(other) < 1e-6
        pushed = shapely.affinity.translate(mine, hit.nx * hit.depth, hit.ny * hit.depth)
        assert pushed.intersection(other).area < 1e-8  # the depth is enough
        less = shapely.affinity.translate(mine, hit.nx * hit.depth * 0.98, hit.ny * hit.depth * 0.98)
        assert hit.depth < 1e-4 or less.intersects(other)  # and not too much


@given(st.integers(0, 10**6))
def test_contact_leaves_no_overlap(seed):
    rng = random.Random(seed)
    solid = polygon_at(rng)
    truth = Truth(0.0, 0.0, rng.uniform(-4, 4))
    # as deep as a step can bring it: up to 4 mm
    corners = body_corners(BODY, 0.0, 0.0, truth.cos, truth.sin)
    hit = overlap(corners, solid)
    if hit is None or hit.depth > 0.004:
        return
    assert make_contact(BODY, truth)((solid,)) == (solid,)
    after = overlap(body_corners(BODY, truth.x, truth.y, truth.cos, truth.sin), solid)
    assert after is None or after.depth < 1e-4
    assert math.hypot(truth.x, truth.y) < 0.02


def test_a_wall_stops_the_robot_while_the_tracks_go_on():
    touched = []
    wall = Wall(0.3, -1.0, 0.3, 1.0, 0.2, 0.01, GREY, "wall[1]").solid()
    world = world_of(site_of(solids=[wall]), touched=lambda time_s, solid: touched.append((time_s, solid.source)))
    push(world, 500, 500, 400)
    assert world.truth.x == pytest.approx(0.3 - 0.005 - 0.1, abs=1e-4)
    assert world.truth.left_m > 0.4
    assert columns(RIG, world.row, "drive")[0] > 1000
    assert [source for _, source in touched] == ["wall[1]"]  # one contact, not one a step
    assert touched[0][0] == pytest.approx(0.195 / (0.5 * 0.375), rel=0.2)
    push(world, -500, -500, 100)
    assert world.truth.x < 0.15  # it comes free again


def test_a_slanting_wall_turns_the_robot_along_it():
    wall = Wall(0.0, 0.3, 2.0, 0.3, 0.2, 0.01, GREY).solid()
    world = world_of(site_of(solids=[wall], start=Pose(0.0, 0.1, 0.3)))
    push(world, 500, 500, 400)
    assert world.truth.x > 0.4
    assert abs(world.truth.heading) < 0.1
    corners = body_corners(BODY, world.truth.x, world.truth.y, world.truth.cos, world.truth.sin)
    assert max(y for _, y in corners) < 0.2951


def test_two_contacts_are_two_touches():
    touched = []
    wall = Wall(0.3, -1.0, 0.3, 1.0, 0.2, 0.01, GREY).solid()
    world = world_of(site_of(solids=[wall]), touched=lambda time_s, solid: touched.append(time_s))
    push(world, 500, 500, 200)
    push(world, -500, -500, 100)
    push(world, 500, 500, 200)
    assert len(touched) == 2


def test_slip_on_a_ramp_costs_the_way_up():
    relief = Relief((), (Plate(0.0, 0.0, 0.0, 2.0, 2.0, 0.0, 2.0 * math.tan(math.radians(20.0))),), 3.0, 3.0)
    site = site_of(relief=relief, start=Pose(0.3, 0.5, 0.0))
    grip, slip = world_of(site), world_of(site, Drawn(slip=Slip(slope=0.2)))
    push(grip, 500, 500, 100)
    push(slip, 500, 500, 100)
    lost = 1.0 - slip.truth.speed / grip.truth.speed
    assert lost == pytest.approx(0.2 * math.sin(math.radians(20.0)), rel=1e-6)


def test_it_stands_on_a_slope_without_power():
    relief = Relief((), (Plate(0.0, 0.0, 0.0, 2.0, 2.0, 0.0, 2.0 * math.tan(math.radians(25.0))),), 3.0, 3.0)
    world = world_of(site_of(relief=relief, start=Pose(1.0, 0.5, 0.0)))
    push(world, 0, 0, 100)
    push(world, 45, 45, 100)  # a little over the dead band: not enough to climb
    assert world.truth.x == 1.0
