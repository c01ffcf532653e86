"""What the front sensor and the range sensor make of a zone, against published optics, closed forms and shapely."""

import math
import re
from pathlib import Path

import colour
import numpy as np
import pytest
from shapely.geometry import Point, Polygon
from shapely.ops import unary_union

from drivers.fake.course.shapes import Pose, Solid
from drivers.fake.motion import Truth
from drivers.fake.optics import FRONT_HALF_ANGLE, FRONT_Q_M, Lighting, Place, returned
from drivers.fake.perturbations import Drawn
from drivers.fake.ranging import make_cone
from drivers.fake.zone.reading import SILVER, SILVER_SHINE
from drivers.fake.zone.sight import make_yard_eye, over_objects, shining
from drivers.fake.zone.things import LEFT
from tests.zone_kit import hand_on, harbour, yard_of, zone_course, zone_text

MECHANICS = (Path(__file__).parents[1] / "drivers/fake/zone/MECHANICS.md").read_text(encoding="utf-8")
PLACE = Place(0.100, 0.0, 0.060, 0.0, 0.060)


def seen(*objects, x=0.7, y=0.6, solids=(), turn=0.0):
    """Light at the front sensor of a robot at (x, y), all walls of the zone in view."""
    course = zone_course(*objects)
    yard = yard_of(course, x, y, turn)
    walls = [*(wall.solid() for wall in course.walls), *solids]
    view = make_cone(walls, FRONT_HALF_ANGLE, math.radians(80.0), 0.150)
    lighting = Lighting.of(Drawn(), (1.0, 0.7, 1.0, 0.7))
    return make_yard_eye(view, PLACE, lighting, yard.truth, yard)()


def test_light_at_the_pocket_is_as_the_document_says():
    nothing, silver = seen(("silver", [1100, 900])), seen(("silver", [840, 600]))
    kit, black = seen(("kit", [840, 600])), seen(("black", [840, 600]))
    assert nothing == pytest.approx((0.015,) * 3, abs=0.001)
    assert silver[1] == pytest.approx(1.06, abs=0.03)
    assert max(silver) / min(silver) < 1.05
    assert (kit[2], kit[0]) == pytest.approx((0.45, 0.08), abs=0.005)
    assert black == pytest.approx((0.065,) * 3, abs=0.002)
    for number in ("1.06", "0.45", "0.08", "0.065", "0.015"):
        assert number in MECHANICS


def test_black_is_told_from_nothing_only_when_near():
    nothing = seen(("black", [1300, 900]))[1]
    light = {mm: seen(("black", [800 + mm, 600]))[1] for mm in (30, 60, 90, 120)}
    assert light[30] > 5.0 * nothing
    assert light[60] > 1.5 * nothing
    assert light[90] > 1.05 * nothing
    assert light[120] < 1.1 * nothing


def test_objects_fill_the_share_of_the_field_that_they_take():
    """The field is 24 degrees wide in plan; the share that a ball covers, by shapely from a fan of thin triangles."""
    x, y, r = 0.095, 0.018, 0.0225
    ball, covered = Point(x, y).buffer(r, 256), 0
    rays = np.radians(np.linspace(-12.0, 12.0, 2001))
    for angle in rays:
        ray = Polygon([(0, 0), (0.2 * math.cos(angle), 0.2 * math.sin(angle)), (0, 1e-9)])
        covered += ray.intersects(ball)
    share = covered / len(rays)
    near = math.hypot(math.hypot(x, y), 0.060 - r) - r
    f = returned(near, FRONT_Q_M) / returned(0.040, FRONT_Q_M)
    found = seen(("black", [800 + 1000 * x, 600 + 1000 * y]))[1]
    assert 0.2 < share < 0.8
    assert found == pytest.approx(share * 0.04 * (f + 0.15) + (1.0 - share) * 0.015, rel=0.005)


def test_a_mirror_ball_against_ray_tracing():
    """Rays from a point lamp, reflected by a sphere: the density of those that come back beside it (law of reflection).

    The lamp is at distance c from the sphere's middle; a ray that starts at angle a meets the sphere, turns by the
    normal, and crosses the lamp's plane at some distance: the ratio of areas is the irradiance over the lamp's
    intensity. Against it: a matt white that fills the field returns Q / (pi d^2) with Q = pi tan^2(12 degrees).
    """
    r, d = 0.0225, 0.0323
    c, a = r + d, 1e-4
    along = c * math.cos(a) - math.sqrt(r * r - (c * math.sin(a)) ** 2)
    hit = np.array([along * math.cos(a), along * math.sin(a)])
    normal = (hit - np.array([c, 0.0])) / r
    ray = np.array([math.cos(a), math.sin(a)])
    back = ray - 2.0 * (ray @ normal) * normal
    off = hit[1] + back[1] / -back[0] * hit[0]
    irradiance = (math.pi * a * a) / (math.pi * off * off)  # the cone's solid angle over the area it comes back on
    matt = math.tan(FRONT_HALF_ANGLE) ** 2 / d**2
    assert shining(r, d) == pytest.approx(irradiance / matt, rel=1e-4)


def test_silver_is_as_neutral_as_measured_metals_and_brighter_than_matt_grey():
    """CHECKS a.8: Fresnel reflectance of aluminium and silver .906 to .990, shares of .330 to .336."""
    shares = np.array(SILVER) / sum(SILVER)
    assert np.all(np.abs(shares - 1 / 3) < 0.006)
    assert SILVER[1] + SILVER_SHINE <= 0.99
    silver, grey = seen(("silver", [840, 600])), seen(("silver", [840, 600 + 21]))
    assert silver[1] > 1.3 * grey[1]  # off the axis the lamp's image is out of sight


def test_a_silver_ball_is_told_from_the_kit_and_from_black_under_measured_lamps():
    """Share of blue and level, with the kit's share between those of a chart's blue patch (CHECKS a: .68 to .76).

    The patch under D65 comes from colour-science (ISO 17321-1).
    """
    sds = colour.SDS_COLOURCHECKERS["ISO 17321-1"]["blue"]
    lamp = colour.SDS_ILLUMINANTS["D65"]
    blue, red = (np.mean([sds[nm] * lamp[nm] for nm in band]) for band in (range(430, 481, 10), range(600, 651, 10)))
    kit, silver, black = (seen((kind, [840, 600])) for kind in ("kit", "silver", "black"))
    assert blue > 3.0 * red
    assert kit[2] > 3.0 * kit[0]
    assert kit[2] / sum(kit) > 0.6 > 0.4 > silver[2] / sum(silver)
    assert silver[1] > 4.0 * kit[1] > 4.0 * black[1]


def test_a_wall_ahead_is_seen_as_before_and_hides_what_is_behind():
    wall = Solid("circle", 0.9, 0.6, 0.02, (), 0.2, (0.85, 0.85, 0.85))
    assert seen(("silver", [960, 600]), solids=[wall]) == seen(("silver", [1300, 900]), solids=[wall])
    f = returned(0.08, FRONT_Q_M) / returned(0.040, FRONT_Q_M)
    assert seen(("silver", [1300, 900]), solids=[wall])[1] == pytest.approx(0.85 * (f + 0.15), rel=1e-9)


def test_what_is_carried_off_is_not_seen(tmp_path):
    hand = hand_on(tmp_path, zone_text(("silver", [840, 600]))).put(0.7, 0.6).go(1.0, grip=45)
    assert hand.counts("front")[1] > 400
    hand.go(1.5, grip=125)
    assert hand.counts("front")[1] < 25
    hand.go(1.0, sort=35)
    assert hand.thing("silver-1").place == LEFT
    assert hand.counts("front")[1] < 25


# --- range ---


@pytest.mark.parametrize("heading", [0.0, 20.0, 75.0, 90.0, 130.0, 200.0, 300.0])
def test_the_beam_meets_the_walls_where_shapely_does(heading):
    """The nearest point of all walls within the cone of 15 degrees, for walls met within 35 degrees of their normal."""
    course = zone_course()
    solids = [wall.solid() for wall in course.walls]
    x, y, angle = 1.0, 0.5, math.radians(heading)
    found = make_cone(solids, math.radians(15.0), math.radians(89.9), 2.0)(x, y, angle)[0]
    rim = [angle + math.radians(-15.0 + 0.05 * i) for i in range(601)]
    fan = Polygon([(x, y), *((x + 3 * math.cos(a), y + 3 * math.sin(a)) for a in rim)])
    walls = unary_union([Polygon(solid.corners) for solid in solids]).intersection(fan)
    assert found == pytest.approx(walls.distance(Point(x, y)), abs=1e-4)


def test_the_range_sensor_sees_walls_over_objects(tmp_path):
    """A ball of 45 mm lies under a beam at 60 mm; the wall is 320 mm off, at 343.2 m/s (20 C, CHECKS e)."""
    hand = hand_on(tmp_path, zone_text(("silver", [1030, 400]))).put(1.0, 0.6).go(0.5)
    metres = hand.counts("side_range")[0] * 1e-6 * 343.2 / 2.0
    assert metres == pytest.approx(0.6 - 0.2 - 0.08, abs=0.001)


def test_a_low_sensor_would_see_objects():
    yard = yard_of(zone_course(("silver", [1000, 400])))
    nearest = over_objects(lambda x, y, heading: (0.3, (1.0, 1.0, 1.0)), yard, 0.020, 0.26, 0.6, 2.0)
    assert nearest(1.0, 0.6, -math.pi / 2)[0] == pytest.approx(0.2 - 0.0225)
    assert nearest(1.0, 0.6, math.pi / 2)[0] == 0.3
    high = over_objects(nearest, yard, 0.060, 0.26, 0.6, 2.0)
    assert high is nearest


def test_a_marked_wall_side_shows_its_colour(tmp_path):
    text = zone_text(more="").replace(
        'kinds = ["black"]\ncolour = "blue"', 'kinds = ["black"]\ncolour = "blue"\nmark = "both"'
    )
    hand = hand_on(tmp_path, text).put(1.54, 1.0).go(0.3)
    red, _, blue = hand.counts("front")
    assert blue > 2 * red
    assert Pose(*hand.robot.truth()) == Pose(1.54, 1.0, 0.0)


@pytest.mark.parametrize("place", [(1.50, 0.85), (1.40, 1.0), (1.60, 0.75)])
def test_paint_on_a_wall_is_seen_and_not_ranged(tmp_path, place):
    """All round, the range is that of bare walls: paint is as thick as nothing, and its ends throw no echo back."""
    plain = zone_text()
    marked = plain.replace('kinds = ["black"]\ncolour = "blue"', 'kinds = ["black"]\ncolour = "blue"\nmark = "wall"')
    assert marked != plain
    bare, painted = (hand_on(tmp_path, text).go(0.1) for text in (plain, marked))
    ranges, blues = [], []
    for degrees in range(0, 360, 4):
        for hand in (bare, painted):
            hand.put(*place, degrees).go(0.15)
        ranges.append((bare.counts("side_range"), painted.counts("side_range")))
        blues.append((bare.counts("front")[2], painted.counts("front")[2]))
    assert all(one == two for one, two in ranges)
    assert len({one for one, _ in ranges}) > 20
    assert any(two != one for one, two in blues)


def test_the_rig_looks_as_the_document_says():
    mount = harbour().mount("front")
    assert (mount.ahead_m, mount.up_m) == (0.1, 0.06)
    assert harbour().body.collector_width_m == pytest.approx(0.110)
    assert re.search(r"collector of 110 mm", MECHANICS)
    assert Truth().volts > 7.4


def test_walls_ahead_are_as_bright_as_the_document_says():
    for mm, light in (("150", "0.19"), ("70", "0.42"), ("40", "0.98")):
        assert f"{light} at {mm} mm" in MECHANICS
        found = seen(("silver", [1000, 300]), x=1.7 - 0.1 - float(mm) / 1000 + 1e-9, y=0.66)
        assert found[1] == pytest.approx(float(light), abs=0.005)
