"""The fake's beams against shapely, closed forms and handbook values."""

import math
import random

import pytest
import shapely
from fake_kit import age, columns, kit_rig, push, site_of, world_of
from hypothesis import given
from hypothesis import strategies as st

from drivers.fake.course.shapes import Pose, Solid, Wall, polygon
from drivers.fake.perturbations import Drawn
from drivers.fake.ranging import CORNER_M, make_cone, speed_of_sound

GREY = (0.4, 0.4, 0.4)
ALL_SLANTS = math.radians(90.0)


def box(x, y, along, across, turn=0.0):
    c, s = math.cos(turn), math.sin(turn)
    ends = ((-along, -across), (along, -across), (along, across), (-along, across))
    return polygon(tuple((x + a / 2 * c - b / 2 * s, y + a / 2 * s + b / 2 * c) for a, b in ends), 0.2, GREY)


def disc(x, y, radius):
    return Solid("circle", x, y, radius, (), 0.2, GREY)


def shape_of(solid):
    if solid.corners:
        return shapely.Polygon(solid.corners)
    return shapely.Point(solid.x, solid.y).buffer(solid.radius, quad_segs=2000)


def cone_of(x, y, heading, half, reach):
    far = reach / math.cos(half)
    rims = [(x + far * math.cos(heading + a), y + far * math.sin(heading + a)) for a in (-half, half)]
    return shapely.Polygon([(x, y), *rims])


@pytest.mark.parametrize("tilt", [0, 10, 20, 30, 45])
def test_a_tilted_wall_reads_as_the_closed_form_says(tilt):
    # CHECKS e: D = 200, H = 15 degrees: 200, 200, 200.76, 207.06, 230.94 (shapely equal there to .01)
    wall = Wall(0.2, -5.0, 0.2, 5.0, 0.2, 1e-9, GREY).solid()
    heading = math.radians(tilt)
    got, _ = make_cone([wall], math.radians(15.0), ALL_SLANTS, 3.0)(0.0, 0.0, heading)
    want = {0: 0.2, 10: 0.2, 20: 0.20076, 30: 0.20706, 45: 0.23094}[tilt]
    assert got == pytest.approx(want, abs=1e-5)


@given(st.integers(0, 10**6))
def test_a_cone_sees_what_shapely_cuts_out(seed):
    rng = random.Random(seed)
    solids = [box(rng.uniform(-1, 1), rng.uniform(-1, 1), rng.uniform(0.02, 0.6), rng.uniform(0.02, 0.6),
                  rng.uniform(0, 6)) for _ in range(3)]  # fmt: skip
    solids += [disc(rng.uniform(-1, 1), rng.uniform(-1, 1), rng.uniform(0.01, 0.3)) for _ in range(3)]
    origin = shapely.Point(0.0, 0.0)
    solids = [solid for solid in solids if shape_of(solid).distance(origin) > 0.005]
    half, heading = math.radians(rng.uniform(1, 40)), rng.uniform(-4, 4)
    got, _ = make_cone(solids, half, ALL_SLANTS, 1.5)(0.0, 0.0, heading)
    cone = cone_of(0.0, 0.0, heading, half, 3.0)
    want = min((shape_of(solid).intersection(cone).distance(origin) for solid in solids
                if shape_of(solid).intersects(cone)), default=math.inf)  # fmt: skip
    assert got == pytest.approx(want if want < 1.5 else math.inf, abs=2e-6)  # shapely's discs are polygons


def test_a_thin_ray_meets_walls_where_shapely_does():
    # CHECKS e: a thin ray at 45 degrees reads 282.84 where the cone reads 230.94
    wall = Wall(0.2, -5.0, 0.2, 5.0, 0.2, 1e-9, GREY).solid()
    got, _ = make_cone([wall], 1e-7, ALL_SLANTS, 3.0)(0.0, 0.0, math.radians(45.0))
    assert got == pytest.approx(0.28284, abs=1e-5)


def test_a_smooth_wall_at_a_slant_gives_no_echo():
    wall = Wall(0.2, -5.0, 0.2, 5.0, 0.2, 0.001, GREY).solid()
    nearest = make_cone([wall], math.radians(15.0), math.radians(35.0), 3.0)
    assert nearest(0.0, 0.0, math.radians(45.0))[0] < 0.25  # 30 degrees at the rim: an echo
    assert nearest(0.0, 0.0, math.radians(55.0)) == (math.inf, None)  # 40 degrees: none


def test_a_near_corner_scatters_and_a_far_one_does_not():
    cube = box(0.3, 0.0, 0.1, 0.1, math.radians(45.0))
    nearest = make_cone([cube], math.radians(5.0), math.radians(35.0), 3.0)
    assert nearest(0.0, 0.0, 0.0)[0] == pytest.approx(0.3 - 0.05 * math.sqrt(2), abs=1e-9)
    assert nearest(-CORNER_M, 0.0, 0.0) == (math.inf, None)


def test_the_nearest_of_many_hides_the_rest():
    nearest = make_cone([disc(1.0, 0.0, 0.1), disc(0.5, 0.0, 0.1)], 0.1, 1.0, 3.0)
    assert nearest(0.0, 0.0, 0.0)[0] == pytest.approx(0.4)
    assert nearest(0.0, 0.0, math.pi)[0] == math.inf


def test_the_speed_of_sound_is_the_handbooks():
    # CHECKS e, ISO 9613-1 form (from memory): 331.29, 343.20, 346.11; Cramer (JASA 93, 1993) with 50 % RH: 331.61,
    # 343.99, 347.13; .4 % covers the table.
    for celsius, iso, cramer in ((0, 331.29, 331.61), (20, 343.20, 343.99), (25, 346.11, 347.13)):
        assert speed_of_sound(celsius) == pytest.approx(iso, abs=0.01)
        assert speed_of_sound(celsius) == pytest.approx(cramer, rel=0.004)


def beside(distance, **kwargs):
    """A world with a long wall on the right, so far from the side sensor's face."""
    y = -0.08 - distance
    wall = Wall(-3.0, y, 3.0, y, 0.2, 1e-9, GREY).solid()
    return world_of(site_of(solids=[wall]), **kwargs)


def test_an_echo_takes_the_time_that_sound_needs():
    rig = kit_rig()
    world = beside(0.300)
    push(world, 0, 0, 10)
    echo, temperature = columns(rig, world.row, "side_range")
    assert echo == round(2 * 0.3 / 343.2 * 1e6)
    assert temperature == 200


def test_warm_air_and_a_wrong_thermometer_show():
    rig = kit_rig()
    world = beside(0.300, drawn=Drawn(air_c=30.0, thermometer_c=-2.0))
    push(world, 0, 0, 10)
    echo, temperature = columns(rig, world.row, "side_range")
    # CHECKS e: a fixed 343.2 m/s reads 6.1 mm short at 30 degrees, humidity included; 5.0 mm of it are dry air's
    assert 343.2 * echo / 2e6 == pytest.approx(0.300 - 0.0050, abs=2e-4)
    assert temperature == 280


def test_an_optical_sensor_reports_millimetres_or_nothing():
    rig = kit_rig(side_range='driver = "optical_mm"\nmount = { left_mm = -80, up_mm = 60, heading_deg = -90 }')
    near, far = beside(0.300, rig=rig), beside(1.3, rig=rig)
    push(near, 0, 0, 10)
    push(far, 0, 0, 10)
    assert columns(rig, near.row, "side_range") == (300,)
    assert columns(rig, far.row, "side_range") == (0xFFFF,)


def test_nothing_is_measured_nearer_than_the_burst_dies_away():
    rig = kit_rig()
    world = beside(0.020)
    push(world, 0, 0, 10)
    assert columns(rig, world.row, "side_range")[0] == 0


def test_a_beam_passes_over_what_is_low():
    rig = kit_rig()
    low = polygon(((-1.0, -0.5), (1.0, -0.5), (1.0, -0.4), (-1.0, -0.4)), 0.05, GREY)
    world = world_of(site_of(solids=[low]))
    push(world, 0, 0, 10)
    assert columns(rig, world.row, "side_range")[0] == 0


def test_the_age_of_a_range_tells_when_it_was_true():
    """A robot that drives away from a wall ahead: distance and age together give its way back."""
    rig = kit_rig(side_range='driver = "echo_us"\nmount = { up_mm = 60 }')
    wall = Wall(0.8, -1.0, 0.8, 1.0, 0.2, 1e-9, GREY).solid()
    world = world_of(site_of(solids=[wall], start=Pose(0.0, 0.0, 0.0)), rig=rig)
    places = [0.0]
    for _ in range(100):
        push(world, 600, 600, 1)
        places.append(world.truth.x)
        stamp = age(rig, world.row, "side_range")
        if stamp != 0xFFFF:
            was = places[-1 - stamp // 100]
            assert columns(rig, world.row, "side_range")[0] == pytest.approx(2e6 * (0.8 - was) / 343.2, abs=0.51)
            assert 100 <= stamp < 500
