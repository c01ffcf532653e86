"""Light at the fake's colour sensors, against the optics that it claims."""

import math
import statistics

import numpy as np
import pytest
from fake_kit import age, columns, course_of, fake, kit_rig, push, site_of, world_of
from scipy.integrate import dblquad

from drivers.fake.course.floor import Floor
from drivers.fake.course.relief import Relief
from drivers.fake.course.shapes import Bump, Pose, Solid, polygon
from drivers.fake.models import RESPONSE
from drivers.fake.optics import AMBIENT, FLOOR_Q_M, FOOTPRINT_M, FRONT_HEIGHT_M, FRONT_Q_M, leaked, returned
from drivers.fake.perturbations import Drawn, Shift, draw


def test_what_comes_back_falls_with_the_square_of_a_large_height_and_dies_in_touch():
    assert returned(0.4, FLOOR_Q_M) / returned(0.2, FLOOR_Q_M) == pytest.approx(0.25, rel=0.001)
    assert returned(0.0002, FLOOR_Q_M) < 1e-4 * returned(0.008, FLOOR_Q_M)
    brightest = max((returned(h / 1e5, FLOOR_Q_M), h / 1e5) for h in range(20, 2000))[1]
    assert brightest == pytest.approx(FLOOR_Q_M * math.sqrt(3.0), abs=2e-5)  # where its derivative is zero


def test_what_comes_back_is_lamberts_and_the_inverse_square_law_integrated_over_a_small_spot():
    def integral(h):
        # lamp at (-q, h), detector at (q, h); each of the four cosines is h over the path, the paths square in both
        def density(y, x):
            lamp = (x + FLOOR_Q_M) ** 2 + y**2 + h * h
            eye = (x - FLOOR_Q_M) ** 2 + y**2 + h * h
            return h**4 / (lamp * lamp * eye * eye)

        side = 0.02 * h  # the spot grows with the height
        return dblquad(density, -side, side, -side, side)[0]

    for h in (0.003, 0.005, 0.012, 0.03):
        ratio = returned(h, FLOOR_Q_M) / returned(0.008, FLOOR_Q_M)
        assert integral(h) / integral(0.008) == pytest.approx(ratio, rel=2e-3)


def test_ambient_light_leaks_in_as_the_view_factor_of_a_disc_leaves_open():
    # the disc hides 2 * integral of cos(t) sin(t) dt up to the angle of its rim
    for h, shade in ((0.008, 0.025), (0.03, 0.025), (0.1, 0.02)):
        angles = np.linspace(0.0, math.atan2(shade, h), 20001)
        hidden = np.trapezoid(2.0 * np.cos(angles) * np.sin(angles), angles)
        assert leaked(h, shade) == pytest.approx(1.0 - hidden, abs=1e-8)


def counts(world, role, ticks=4):
    push(world, 0, 0, ticks)
    return columns(kit_rig(), world.row, role)


def test_white_reads_as_lamp_and_leak_say():
    light = 0.85 * (1.0 + AMBIENT * leaked(0.008))
    red, green, blue = (int(480 * 1.04 * light * share + 6.5) for share in RESPONSE)
    assert counts(world_of(), "floor_left") == (red, green, blue)
    assert counts(world_of(), "floor_right")[1] == int(480 * 0.96 * light + 6.5)


def test_a_brighter_lamp_and_a_tint_scale_channel_by_channel():
    plain, tinted = counts_of(world_of()), counts_of(world_of(drawn=Drawn(lamp=(1.1, 1.0, 0.9), ambient=(0, 0, 0))))
    leak = 1.0 + AMBIENT * leaked(0.008)
    for was, now, factor in zip(plain, tinted, (1.1, 1.0, 0.9), strict=True):
        assert now - 6 == pytest.approx((was - 6) * factor / leak, abs=2)


def counts_of(world):
    return counts(world, "floor_left")


def test_a_sensor_mounted_higher_reads_less():
    high = world_of(drawn=Drawn(mounts={"floor_left": Shift(up_m=0.002)}))
    factor = returned(0.010, FLOOR_Q_M) / returned(0.008, FLOOR_Q_M)
    light = 0.85 * (factor + AMBIENT * leaked(0.010))
    assert counts_of(high)[1] == int(480 * 1.04 * light + 6.5)


def test_a_gradient_is_seen_from_edge_to_edge():
    site = site_of(start=Pose(0.5 - 0.07, 0.0, 0.0))
    level = counts_of(world_of(site, Drawn(ambient=(0, 0, 0))))
    bright = counts_of(world_of(site, Drawn(ambient=(0, 0, 0), floor_gradient=(0.1, 0.0))))
    assert bright[1] - 6 == pytest.approx(1.05 * (level[1] - 6), abs=1.5)  # half way to the edge


def test_the_sensor_looks_where_it_is_mounted():
    def stripe(x, y):
        return (0.0, 0.0, 0.0) if x > 0.0 else (1.0, 1.0, 1.0)

    before = world_of(site_of(look=stripe, start=Pose(-0.0705, 0.0, 0.0)))
    after = world_of(site_of(look=stripe, start=Pose(-0.0695, 0.0, 0.0)))
    ahead = world_of(site_of(look=stripe, start=Pose(-0.0705, 0.0, 0.0)),
                     Drawn(mounts={"floor_left": Shift(ahead_m=0.001)}))  # fmt: skip
    assert counts_of(before)[1] > 400
    assert counts_of(after)[1] == 6
    assert counts_of(ahead)[1] == 6


def test_a_moving_sensor_shows_where_it_was_and_its_age_says_when():
    def slope(x, y):
        return (0.5 + x, 0.5 + x, 0.5 + x)

    rig = kit_rig()
    world = world_of(site_of(look=slope), Drawn(ambient=(0, 0, 0), delays_s={"floor_left": 0.0042}))
    push(world, 700, 700, 100)
    speed = world.truth.speed
    stamp = age(rig, world.row, "floor_left")
    assert stamp == 62  # 2 ms of its own and 4.2 drawn
    seen = (columns(rig, world.row, "floor_left")[1] - 6.0) / (480 * 1.04) - 0.5 - 0.07
    was = world.truth.x - speed * stamp * 1e-4
    assert seen == pytest.approx(was, abs=0.0012)  # half a count is 1 mm
    assert abs(seen - world.truth.x) > 0.0005


def test_a_raised_sensor_sees_a_wider_spot():
    """At 6 mm beside a line a spot of 4 mm sees none of it; raised to twice the height it does."""
    course = course_of('{ straight_mm = 2400 }, { strip = "red" }, { straight_mm = 50 }')
    floor = Floor.of(course, FOOTPRINT_M)
    ridge = Relief((Bump(1.005, 0.2, 1.005, 0.7, 0.010, 0.04),), (), 3.0, 0.9)

    def share(relief, off):
        line = counts_of(world_of(site_of(look=floor.look, relief=relief, start=Pose(0.95, 0.4575 + off - 0.012, 0))))
        white = counts_of(world_of(site_of(relief=relief, start=Pose(0.95, 0.0, 0.0)))) if relief is None else None
        far = counts_of(world_of(site_of(look=floor.look, relief=relief, start=Pose(0.95, 0.6, 0.0))))
        assert white is None or white == far
        return (line[1] - 6) / (far[1] - 6)

    assert share(None, 0.006) == pytest.approx(1.0, abs=0.003)
    assert share(ridge, 0.006) < 0.97
    assert share(ridge, 0.0) == pytest.approx(share(None, 0.0), abs=0.03)  # half black, half white either way


def test_a_lifted_nose_darkens_white_by_exactly_the_height():
    rig = kit_rig()
    ridge = Relief((Bump(0.06, -0.3, 0.06, 0.3, 0.010, 0.04),), (), 1.0, 1.0)
    # the ridge lies under the front half of the tracks
    world = world_of(site_of(relief=ridge, start=Pose(0.005, 0.0, 0.0)), Drawn(ambient=(0, 0, 0)))
    push(world, 0, 0, 40)
    t = world.truth
    assert t.pitch > 0.02
    floor = 0.010 * math.cos(math.pi * 0.015 / 0.04) ** 2  # what the sensor has beneath it, 15 mm past the ridge
    h = t.lift + 0.07 * math.tan(t.pitch) + 0.008 - floor
    factor = returned(h, FLOOR_Q_M) / returned(0.008, FLOOR_Q_M)
    got = columns(rig, world.row, "floor_left")[1]
    assert got == int(480 * 1.04 * 0.85 * factor + 6.5)


def test_the_front_sensor_sees_colour_near_and_nothing_far():
    rig = kit_rig()
    red = (0.42, 0.05, 0.05)

    def ahead(distance):
        cube = polygon(
            tuple((0.1 + distance + a, b) for a, b in ((0.0, -0.05), (0.1, -0.05), (0.1, 0.05), (0.0, 0.05))), 0.2, red
        )
        world = world_of(site_of(solids=[cube]), Drawn(ambient=(0, 0, 0)))
        push(world, 0, 0, 6)
        return columns(rig, world.row, "front")

    at_home = ahead(FRONT_HEIGHT_M)
    assert at_home[0] == pytest.approx(480 * 0.42 * RESPONSE[0] + 6, abs=1)
    factor = returned(0.08, FRONT_Q_M) / returned(FRONT_HEIGHT_M, FRONT_Q_M)
    assert ahead(0.08)[0] == pytest.approx(480 * 0.42 * RESPONSE[0] * factor + 6, abs=1)
    assert ahead(0.2) == (6, 6, 6)
    assert at_home[0] > 4 * at_home[1]


def test_nothing_ahead_is_dark_but_for_ambient_light():
    assert 6 < counts(world_of(), "front", 6)[1] < 20
    assert counts(world_of(drawn=Drawn(ambient=(0, 0, 0))), "front", 6) == (6, 6, 6)


def test_noise_grows_with_light_as_shot_noise_does():
    drawn = draw(5, {"noise": 1.0})

    def spread(shade):
        world = world_of(site_of(look=lambda x, y: (shade, shade, shade)), drawn)
        greens = []
        for _ in range(2000):
            push(world, 0, 0, 1)
            greens.append(columns(kit_rig(), world.row, "floor_left")[1])
        return statistics.pstdev(greens), statistics.fmean(greens)

    (dark, level), (bright, high) = spread(0.0), spread(0.85)
    assert level == pytest.approx(6, abs=0.3)
    assert dark**2 == pytest.approx(1.2**2 + 1 / 12, rel=0.1)  # and what rounding adds
    assert bright**2 == pytest.approx(1.2**2 + 0.03 * high + 1 / 12, rel=0.1)


def test_full_scale_is_the_end_and_dark_noise_does_not_go_below_zero():
    glare = world_of(site_of(look=lambda x, y: (4.0, 4.0, 4.0)))
    assert counts_of(glare) == (1023, 1023, 1023)
    night = world_of(site_of(look=lambda x, y: (0.0, 0.0, 0.0)), draw(5, {"noise": 10.0}))
    lows = []
    for _ in range(200):
        push(night, 0, 0, 1)
        lows.append(columns(kit_rig(), night.row, "floor_left")[1])
    assert min(lows) == 0


def test_sixteen_bits_count_in_proportion_to_the_integration_time():
    def seen(integration_ms):
        rig = kit_rig(floor_left=f'driver = "rgbc16"\noptions = {{ integration_ms = {integration_ms} }}\n'
                      "mount = { ahead_mm = 70, left_mm = 12, up_mm = 8 }")  # fmt: skip
        world = world_of(rig=rig)
        push(world, 0, 0, 20)
        return columns(rig, world.row, "floor_left"), age(rig, world.row, "floor_left"), rig

    (short, _, rig), (long, stamp, _) = seen(5), seen(20)
    assert long[2] - 12 == pytest.approx(4 * (short[2] - 12), abs=4)
    assert short[0] == int(0.4 * sum(short[1:]))
    assert rig.role("floor_left").device.light(short)[1] == pytest.approx(0.45 * 1.04 * 0.85, rel=0.06)
    assert stamp >= 110  # half the integration and a millisecond


@pytest.mark.parametrize(("floor", "level"), [("white", 0.85), ("black", 0.04), ("dark", 0.0)])
def test_the_pad_gives_a_calibration(floor, level):
    rig = kit_rig()
    robot = fake(f"fake:pad?floor={floor}&perturb=0")
    for tick in range(10):
        row = robot.sense(tick)
    light = level * (1.0 + AMBIENT * leaked(0.008))
    assert columns(rig, row, "floor_left")[1] == int(480 * 1.04 * light + 6.5)
    card = level * (1.0 + 0.3 * AMBIENT)
    assert columns(rig, row, "front")[1] == int(480 * card + 6.5)


def test_a_disc_ahead_is_seen_as_well():
    rig = kit_rig()
    buoy = Solid("circle", 0.1 + 0.04 + 0.02, 0.0, 0.02, (), 0.2, (0.9, 0.9, 0.9))
    world = world_of(site_of(solids=[buoy]), Drawn(ambient=(0, 0, 0)))
    push(world, 0, 0, 6)
    assert columns(rig, world.row, "front")[1] == int(480 * 0.9 + 6.5)
