"""The parts of the line behaviours, each with made-up readings: no world, no ticks."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from behaviours.eyes import Line
from behaviours.follow import is_coloured, is_sudden
from behaviours.junction import Look, is_before, is_line
from behaviours.missions import MISSIONS
from behaviours.motion import ray_turn, wrap
from behaviours.obstacle import DIM, EMPTY, LIT, Looming, Orbit, Sweep, free_side
from behaviours.settings import FollowSettings, LineSettings, MarkerSettings, ObstacleSettings, StripSettings
from behaviours.start import Swing
from behaviours.strips import is_green, is_red, paint
from behaviours.trail import Point, Ray, Trail, fit
from robotcore.mission import read_settings
from robotcore.readings import SATURATED
from robotcore.settings import fields_of, replaced
from tests.line_kit import (
    BLACK,
    GREEN,
    MISSING_COLOUR,
    RED,
    WHITE,
    StillRobot,
    colour,
    drive,
    echo,
    mix,
    sample,
)

S = LineSettings()
M, T = S.marker, S.strip


def line() -> Line:
    return Line(StillRobot(), S)  # type: ignore[arg-type]


class TestPaint:
    # Shares of green over white-only normalised readings, least and greatest over seven lights: CHECKS a, computed by
    # colour-science 0.4.7 from the ISO 17321-1 chart and a camera's sensitivities (Nikon 5100; label R).
    @pytest.mark.parametrize("share", [0.475, 0.520])
    def test_green_of_the_chart_is_green_under_every_light(self, share):
        level, rest = 0.2, (1.0 - share) / 2.0
        assert is_green(colour(*(3.0 * level * x for x in (rest, share, rest))), M)

    @pytest.mark.parametrize("share", [0.381, 0.395, 0.333, 0.331, 0.345, 0.387])  # bluish green, greys, yellow
    def test_what_is_not_marker_green_is_not(self, share):
        level, rest = 0.2, (1.0 - share) / 2.0
        assert not is_green(colour(*(3.0 * level * x for x in (rest, share, rest))), M)

    def test_yellow_green_is_kept_out_by_the_lead_over_red(self):
        # yellow as the CIE 1931 observer's channels see it: share of green up to .472, red close behind (CHECKS a, R)
        assert not is_green(colour(0.6 * 0.44, 0.6 * 0.472, 0.6 * 0.088), M)

    @given(st.floats(0.5, 1.5))
    def test_brightness_changes_no_verdict(self, k):
        for paint_, green, red in ((GREEN, True, False), (RED, False, True), (WHITE, False, False)):
            seen = colour(*(k * channel for channel in paint_[:3]))
            assert is_green(seen, M) is green
            assert is_red(seen, T) is red

    def test_too_dark_for_a_colour_is_no_colour(self):
        assert not is_green(colour(0.01, 0.09, 0.01), M)
        assert not is_red(colour(0.09, 0.01, 0.01), T)

    def test_missing_readings_are_no_paint(self):
        assert not is_green(MISSING_COLOUR, M)
        assert not is_red(MISSING_COLOUR, T)
        assert not is_coloured(MISSING_COLOUR)
        assert paint(MISSING_COLOUR, 1.0, M, T) == "unknown"

    @pytest.mark.parametrize(
        ("seen", "name"),
        [
            (WHITE, "white"),
            (BLACK, "black"),
            (GREEN, "green"),
            (RED, "red"),
            (colour(1.6), "silver"),
            (colour(0.1, 0.15, 0.6), "unknown"),
            (colour(0.4), "black"),
        ],
    )
    def test_every_paint_has_its_name(self, seen, name):
        assert paint(seen, 1.0, M, T) == name

    def test_silver_is_judged_against_the_floor_here(self):
        assert paint(colour(1.5), 1.3, M, T) == "white"

    def test_tinted_light_makes_no_red(self):
        # a lamp 5 % too red and a hall 20 % too red leave white far from a strip's share
        assert not is_red(colour(0.25 * 1.25, 0.25 * 0.95, 0.25 * 0.95), T)

    @pytest.mark.parametrize("share", [i / 10 for i in range(11)])
    def test_the_edge_from_floor_to_line_is_never_coloured(self, share):
        assert not is_coloured(mix(share, BLACK, WHITE))

    @pytest.mark.parametrize("paint_", [GREEN, RED])
    def test_paint_is_coloured_before_it_is_dark_enough_for_an_arm(self, paint_):
        for share in (i / 200 for i in range(201)):
            seen = mix(share, paint_, WHITE)
            dark = 1.0 - seen.contrast
            assert dark < S.arm.dark or is_coloured(seen)


class TestLook:
    def look_at(self, readings):
        look = Look(M)
        for left_m, seen in readings:
            look.see(seen, 1.0 - seen.contrast, left_m)
        return look.sides()

    @staticmethod
    def swing(markers: str, off_m: float):
        """Readings every millimetre across a line 15 mm wide that lies `off_m` to the left of the robot's middle."""
        for i in range(-30, 31):
            place = i * 0.001
            away = place - off_m
            green = 0.0075 < away < 0.0325 and markers in ("left", "both")
            green = green or (-0.0325 < away < -0.0075 and markers in ("right", "both"))
            yield place, BLACK if abs(away) < 0.0075 else GREEN if green else WHITE

    @pytest.mark.parametrize("markers", ["left", "right", "both", "none"])
    @pytest.mark.parametrize("off_m", [-0.012, 0.0, 0.012])
    def test_markers_are_found_wherever_the_robot_stands_over_the_line(self, markers, off_m):
        assert self.look_at(self.swing(markers, off_m)) == markers

    def test_a_few_green_readings_are_no_marker(self):
        assert self.look_at([(0.02, GREEN)] * (M.confirm - 1)) == "none"

    def test_missing_readings_do_not_count(self):
        assert self.look_at([(0.02, MISSING_COLOUR)] * 50) == "none"


class TestEyes:
    def test_darkness_is_one_on_black_and_nought_on_the_floor_whatever_the_light(self):
        for level in (0.6, 1.0, 1.5):
            known = line()
            known.learn(level, level, 0.015)
            white = WHITE._replace(contrast=level)
            known.look(sample(1, white, BLACK._replace(contrast=0.0)))
            assert known.left.dark == pytest.approx(0.0, abs=0.01)
            assert known.right.dark == pytest.approx(1.0, abs=0.01)

    def test_a_missing_reading_keeps_the_last_and_is_never_nan(self):
        known = line()
        known.look(sample(1, BLACK, WHITE))
        before = known.left.dark
        for tick in range(2, 12):
            assert known.look(sample(tick, MISSING_COLOUR, WHITE))
        assert known.left.dark == before
        assert known.left.misses == 10

    def test_blindness_is_told_after_a_while_and_ends_with_the_next_reading(self):
        known = line()
        patience = math.ceil(S.follow.blind_s / 0.01)
        seen = [known.look(sample(tick, MISSING_COLOUR, WHITE)) for tick in range(patience + 1)]
        assert seen == [True] * patience + [False]
        assert known.look(sample(99))

    def test_stale_tracks_are_blindness_too(self):
        known = line()
        stale = drive(0.0)._replace(valid=False, status=2)
        assert not all(known.look(sample(tick, drive=stale)) for tick in range(40))

    def test_a_saturated_eye_sees_bright_floor_not_nothing(self):
        known = line()
        known.look(sample(1, WHITE._replace(valid=False, status=SATURATED), WHITE))
        assert known.left.misses == 0

    def test_a_nose_that_lifts_dims_both_eyes_and_is_no_line(self):
        known = line()
        for tick in range(1, 30):
            dim = WHITE._replace(contrast=max(0.4, 1.0 - 0.05 * tick))
            known.look(sample(tick, dim, dim, drive=drive(0.0015 * tick)))
        assert not known.touched
        assert known.travel_m - known.rough_m < 0.003

    def test_an_arm_under_both_eyes_is_an_arm(self):
        known = line()
        for tick in range(1, 9):
            seen = mix(min(1.0, 0.25 * tick), BLACK, WHITE)
            known.look(sample(tick, seen, seen, drive=drive(0.002 * tick)))
            if known.left.dark > S.arm.dark:
                break
        assert known.left.dark > S.arm.dark
        assert is_sudden(known.left, known, S)
        assert known.rough_m < 0.0

    def test_a_bend_of_the_line_is_not_sudden_and_an_own_swing_neither(self):
        for travel_m, heading_rad in ((0.002, 0.0), (0.0002, 0.02)):
            known = line()
            for tick in range(1, 21):
                seen = mix(0.05 * tick, BLACK, WHITE)
                known.look(sample(tick, seen, WHITE, drive=drive(travel_m * tick, heading_rad * tick)))
            assert known.left.dark > S.arm.dark
            assert not is_sudden(known.left, known, S)

    def test_the_light_is_followed_across_the_field_but_a_dark_field_is_not_taken_for_floor(self):
        known = line()
        for tick in range(1, 2000):
            dim = WHITE._replace(contrast=max(0.75, 1.0 - 0.0003 * tick))
            known.look(sample(tick, dim, dim))
        assert known.left.dark < 0.06
        for tick in range(2000, 9000):
            known.look(sample(tick, colour(0.12), colour(0.12)))
        assert known.left.dark > 0.7

    def test_green_just_behind_black_stands_behind_a_junction(self):
        known = line()
        known.look(sample(1, BLACK, WHITE, drive=drive(0.100)))
        known.look(sample(2, GREEN, WHITE, drive=drive(0.108)))
        assert not is_before(known, known.left, M)
        known.look(sample(3, GREEN, WHITE, drive=drive(0.120)))
        assert is_before(known, known.left, M)

    @pytest.mark.parametrize("share", [0.6, 0.75, 0.9, 1.0])
    def test_a_search_ends_on_a_line_and_not_on_the_edge_of_a_marker(self, share):
        known = line()
        known.look(sample(1, mix(share, BLACK, WHITE), WHITE))
        assert known.met
        for paint_ in (GREEN, RED):
            known.look(sample(1, mix(share, paint_, WHITE), WHITE))
            assert not known.met

    def test_a_line_slipped_if_it_went_just_after_it_was_all_under_one_eye(self):
        known = line()
        known.look(sample(1, BLACK, WHITE, drive=drive(0.200)))
        known.look(sample(2, WHITE, WHITE, drive=drive(0.220)))
        assert known.slipped(S.gap.slipped_m)
        known.glanced_m = 0.210
        assert not known.slipped(S.gap.slipped_m)
        faint = line()
        faint.look(sample(1, mix(0.3, BLACK, WHITE), WHITE, drive=drive(0.200)))
        faint.look(sample(2, WHITE, WHITE, drive=drive(0.220)))
        assert not faint.slipped(S.gap.slipped_m)

    def test_an_eye_that_a_turn_left_on_the_line_sees_no_arm(self):
        known = line()
        for tick in range(1, 5):
            known.look(sample(tick, mix(min(1.0, 0.4 * tick), BLACK, WHITE), WHITE, drive=drive(0.002 * tick)))
        assert is_sudden(known.left, known, S)
        known.swung_m = 0.009
        assert not is_sudden(known.left, known, S)

    def test_only_black_is_line(self):
        known = line()
        for seen, is_it in ((BLACK, True), (GREEN, False), (RED, False), (WHITE, False), (MISSING_COLOUR, False)):
            known.look(sample(1, seen, WHITE))
            assert is_line(known.left, seen, S) is is_it


class TestSwing:
    def test_the_floor_is_learnt_between_line_and_bumps(self):
        seen = Swing()
        for contrast in [0.0] * 20 + [0.5] * 6 + [0.9, 0.91, 0.89] * 25 + [1.4] * 5:
            seen.see(WHITE._replace(contrast=contrast), 0.0)
        assert seen.white == pytest.approx(0.9, abs=0.02)

    def test_nothing_seen_leaves_the_calibration(self):
        seen = Swing()
        seen.see(MISSING_COLOUR, 0.0)
        assert (seen.white, seen.dark_rad) == (1.0, 0.0)


class TestTrail:
    @given(st.floats(-3.0, 3.0), st.floats(0.0, 0.002), st.integers(0, 1000))
    def test_the_fit_is_the_total_least_squares_line(self, heading, noise, seed):
        """Against the first principal direction and the second singular value by numpy."""
        rng = np.random.default_rng(seed)
        along = np.arange(12)[:, None] * 0.005 * np.array([[math.cos(heading), math.sin(heading)]])
        points = along + rng.normal(0.0, noise, (12, 2))
        ray, off_m = fit([Point(0.0, float(x), float(y)) for x, y in points])
        _, sizes, axes = np.linalg.svd(points - points.mean(axis=0))
        assert abs(ray.ux * axes[0][1] - ray.uy * axes[0][0]) < 1e-6
        assert ray.ux * math.cos(heading) + ray.uy * math.sin(heading) > 0.5
        assert off_m == pytest.approx(sizes[1] / math.sqrt(12), abs=1e-9)

    def test_behind_a_bend_the_ray_is_the_lines_heading_and_not_the_bodys(self):
        """Eyes kept on a 100 mm bend and 60 mm of straight: a pulled body (tractrix) still points 17 degrees off."""
        trail, travel, heading, x, y = Trail(0.07), 0.0, 0.0, 0.0, 0.0
        eye = (0.07, 0.0)
        for i in range(4000):
            s = i * 0.0001
            turn = min(s, 0.157) / 0.1
            eye = (eye[0] + 0.0001 * math.cos(turn), eye[1] + 0.0001 * math.sin(turn))
            heading = math.atan2(eye[1] - y, eye[0] - x)
            step = math.hypot(eye[0] - x, eye[1] - y) - 0.07
            x, y, travel = x + step * math.cos(heading), y + step * math.sin(heading), travel + step
            if travel - trail.travel_m > 0.005:
                trail.follow(travel, heading, 0.0)
            if s > 0.157 + 0.06:
                break
        ray = trail.ray(0.04, travel, heading)
        assert abs(wrap(ray.heading_rad - 1.57)) < math.radians(5.0)
        assert abs(wrap(heading - 1.57)) > math.radians(15.0)

    def test_just_behind_a_corner_the_heading_tells_more_than_the_way(self):
        """Eyes swing 30 mm across to the line of a corner: that way says nothing of the line's direction."""
        trail = Trail(0.0)
        for i in range(1, 11):
            x_m = 0.001 * i if i < 6 else 0.005 * i - 0.02
            trail._points.append(Point(0.1 + 0.005 * i, x_m, -0.005 * min(i, 6)))
        assert abs(trail.ray(0.045, 0.150, 0.1).heading_rad - 0.1) < 0.001
        assert abs(trail.ray(0.045, 0.115, 0.1).heading_rad - 0.1) < 0.001

    def test_the_longer_the_way_is_straight_the_better_the_rays_direction(self):
        """A wriggle of 1 mm over the last 45 mm alone would turn the ray by two degrees."""
        trail = Trail(0.0)
        for i in range(1, 41):
            trail._points.append(Point(0.005 * i, 0.005 * i, 0.0009 * math.sin(0.35 * i)))
        assert abs(trail.ray(0.045, 1.0, 0.3).heading_rad) < math.radians(0.7)
        assert abs(fit(list(trail._points)[-9:])[0].heading_rad) > math.radians(1.5)

    def test_a_point_is_where_the_eyes_say_the_line_is(self):
        trail = Trail(0.07)
        trail.follow(0.01, 0.0, 0.004)
        trail.follow(0.02, 0.0, None)
        assert list(trail._points) == [Point(0.01, pytest.approx(0.08), pytest.approx(0.004))]

    def test_a_ray_of_too_few_points_is_the_bodys_heading(self):
        assert Trail(0.07).ray(0.05, 0.0, 0.5).heading_rad == pytest.approx(0.5)

    @given(st.floats(-0.02, 0.02))
    def test_steering_to_a_ray_closes_the_distance(self, left_m):
        known, ray = line(), Ray(0.07, 0.0, 1.0, 0.0)
        x = y = heading = 0.0
        y = left_m
        for _ in range(150):
            known.trail.x_m, known.trail.y_m, known.trail.heading_rad, known.heading_rad = x, y, heading, heading
            turn = ray_turn(known, ray, 0.0, 0.12)
            heading += 0.01 * turn
            x, y = x + 0.0012 * math.cos(heading), y + 0.0012 * math.sin(heading)
        assert abs(ray.left_of(x + 0.07 * math.cos(heading), y + 0.07 * math.sin(heading))) < 0.001


class TestObstacle:
    sizes = S.obstacle

    @pytest.mark.parametrize("paint_", [0.06, 0.2, 0.8])
    def test_distance_follows_from_the_growth_of_light(self, paint_):
        """Light by the inverse square law (textbook radiometry) without hall light: d = 2 L / L'.

        Growth is taken over the way just driven, so it lags by half of it, and the distance seems a little greater.
        """
        looming = Looming(replaced(self.sizes, smooth_s=0.0), 0.01)
        for _ in range(self.sizes.learn):
            looming.see(0.0, 0.0)
        for i in range(1, 60):
            travel = 0.001 * i
            looming.see(paint_ * (0.04 / (0.15 - travel)) ** 2, travel)
        near = looming._distance_m(0.059, 0.0)
        assert 0.091 <= near <= 1.3 * 0.091

    def test_something_that_comes_into_view_sideways_is_not_near_yet(self):
        looming = Looming(self.sizes, 0.01)
        for i in range(40):
            looming.see(0.02, 0.0015 * i)
        near = []
        for i in range(40, 60):
            looming.see(0.06, 0.0015 * i)
            near.append(looming.near(0.0015 * i) is not None)
        assert sum(near) < self.sizes.votes

    def test_black_hides_the_hall_before_it_shines(self):
        looming = Looming(self.sizes, 0.01)
        assert {looming.see(0.02, 0.0) for _ in range(40)} == {EMPTY}
        assert DIM in {looming.see(0.005, 0.002) for _ in range(5)}
        for i in range(20):
            what = looming.see(0.03, 0.003 + 0.0001 * i)
        assert what == LIT

    def test_a_slow_change_of_the_halls_light_is_nothing(self):
        looming = Looming(self.sizes, 0.01)
        assert {looming.see(0.02 + 0.00001 * i, 0.002 * i) for i in range(1000)} == {EMPTY}

    def test_one_freak_reading_at_first_makes_no_obstacle_of_the_empty_hall(self):
        looming = Looming(self.sizes, 0.01)
        looming.see(0.010, 0.0)
        assert {looming.see(0.020, 0.001 * i) for i in range(200)} == {EMPTY}

    def test_what_was_said_of_the_last_obstacle_is_forgotten_with_it(self):
        """Then a flash over the empty hall is a flash there too, from its first reading to the longest allowed."""
        looming = Looming(self.sizes, 0.01)
        for i in range(self.sizes.learn + 20):
            what = looming.see(0.02 if i < self.sizes.learn else 0.02 + 0.9 * self.sizes.flash, 0.001 * i)
        assert what == LIT
        for _ in range(self.sizes.flashes):
            looming.see(1.0, 0.1)
        looming.forget()
        for _ in range(self.sizes.learn):
            looming.see(0.02, 0.2)
        assert {looming.see(1.0, 0.2) for _ in range(self.sizes.flashes)} == {EMPTY}

    @pytest.mark.parametrize("radius_m", [0.25, -0.4, 1e6])
    def test_the_line_behind_an_obstacle_has_the_heading_of_the_bend(self, radius_m):
        """Points of a circle through the obstacle, a quarter of a metre before and behind: closed form."""

        def on_bend(s):
            return radius_m * math.sin(s / radius_m), radius_m * (1.0 - math.cos(s / radius_m))

        (ax, ay), (bx, by) = on_bend(-0.2), on_bend(0.2)
        orbit = Orbit((0.0, 0.0), 1, math.atan2(-ay, -ax), self.sizes)
        assert abs(wrap(orbit.onward_rad(bx, by) - 0.2 / radius_m)) < 0.001

    def test_the_sweep_finds_the_middle_of_the_nearest(self):
        sweep = Sweep(self.sizes)
        for beam, distance in ((-0.3, 0.20), (-0.2, 0.09), (0.0, 0.07), (0.2, 0.09), (0.4, 0.24)):
            sweep.see(echo(distance), beam)
        sweep.see(echo(0.9), 0.6)
        sweep.see(echo(0.01)._replace(valid=False), 0.7)
        assert sweep.nearest() == (pytest.approx(0.0), 0.07)
        assert Sweep(self.sizes).nearest() is None

    @pytest.mark.parametrize("side", [1, -1])
    @pytest.mark.parametrize("half_m", [0.03, 0.075])
    def test_the_orbit_keeps_the_side_sensors_distance_and_is_wide_behind(self, side, half_m):
        """A round thing at the origin, seen by an ideal sensor abeam; passed on either side."""
        orbit = Orbit((0.0, 0.0), side, 0.0, self.sizes)
        x, y, heading, abeam, behind = -0.22, 0.0, side * 1.57, [], []
        for _ in range(900):
            away = math.hypot(x, y)
            heading += 0.01 * orbit.turn(x, y, heading, echo(away - half_m - 0.08))
            x += 0.01 * self.sizes.speed_m_s * math.cos(heading)
            y += 0.01 * self.sizes.speed_m_s * math.sin(heading)
            bearing = abs(math.atan2(y, x))
            (abeam if 1.3 < bearing < 1.7 else behind if bearing < 0.3 else []).append(math.hypot(x, y))
            if abs(math.atan2(y, x)) < 0.1:
                break
        assert min(abeam) - half_m - 0.085 > 0.03
        assert min(behind) > half_m + 0.131 + 0.02  # a corner of the body swings 131 mm out
        assert min(behind) > 0.21
        assert y * side > -0.03

    def test_no_echo_after_a_short_one_is_too_near_and_widens_the_orbit(self):
        orbit = Orbit((0.0, 0.0), 1, 0.0, self.sizes)
        orbit.turn(0.0, 0.17, 0.0, echo(0.035))
        before = orbit.radius_m
        orbit.turn(0.0, 0.17, 0.0, echo(math.nan)._replace(valid=False))
        assert orbit.radius_m >= max(before, 0.17 + self.sizes.side_m)

    def test_lines_beside_the_obstacle_are_not_the_line_behind(self):
        orbit = Orbit((0.0, 0.0), 1, 0.0, self.sizes)
        assert not orbit.beyond(0.0, 0.2)
        assert not orbit.beyond(-0.2, 0.1)
        assert orbit.beyond(0.2, 0.1)
        assert orbit.beyond(0.2, -0.05)

    def test_the_side_to_pass_on_lets_the_sensor_look_at_the_obstacle(self):
        assert free_side(StillRobot()) == 1  # type: ignore[arg-type]
        assert free_side(StillRobot(side_heading_rad=1.57)) == -1  # type: ignore[arg-type]
        assert free_side(StillRobot(absent=("side_range",))) == 1  # type: ignore[arg-type]


class TestSettings:
    def test_every_number_has_its_limits(self):
        for kind in (FollowSettings, MarkerSettings, ObstacleSettings, StripSettings, LineSettings):
            for name in fields_of(kind) or ():
                value = getattr(kind(), name)
                if isinstance(value, float | int):
                    with pytest.raises(ValueError, match=name):
                        kind(**{name: 1e9 if isinstance(value, float) else 10**9})

    def test_every_number_says_what_it_means(self):
        import ast
        import inspect

        from behaviours import settings

        for node in ast.parse(inspect.getsource(settings)).body:
            if isinstance(node, ast.ClassDef) and node.name != "LineSettings":
                for field, words in zip(node.body[1::2], node.body[2::2], strict=True):
                    assert isinstance(field, ast.AnnAssign)
                    assert isinstance(words, ast.Expr)

    def test_nan_is_refused(self):
        with pytest.raises(ValueError, match="cruise_m_s"):
            FollowSettings(cruise_m_s=math.nan)

    def test_settings_come_from_toml(self):
        found = read_settings(MISSIONS["line"].settings, "[follow]\ncruise_m_s = 0.1\n", "here")
        assert found.follow.cruise_m_s == 0.1
        assert found.marker == MarkerSettings()
