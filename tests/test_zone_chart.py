"""The chart: what readings of walls square and askew tell, and which tell nothing.

Outside check: where a robot is driven, ranges and feet of beams are shapely's, in the walls of a room.
"""

import math
from typing import Any

import pytest

from behaviours.zone.chart import (
    ASKEW_RAD,
    EDGE_RAD,
    ENTRY,
    NEARER,
    NO_ECHO,
    NORMALS,
    ODD,
    QUARTER,
    RIM_M,
    SPREAD_RAD2_M,
    STILL_M,
    STILL_RAD,
    Chart,
)
from behaviours.zone.openings import Openings
from behaviours.zone.settings import ChartSettings, ExitSettings, SweepSettings
from robotcore.rig import Mount
from tests.chart_kit import MOUNT, ON_LEFT, SILENT, WALLS, WIDTH_M, Rolling, charted, heard, met_by_ray, room, tracks

FAR, LEFT, _, RIGHT = range(4)
ALIKE = (0.3,) * 4  #: walls of a room that is the same all round
SIDES = pytest.mark.parametrize("mount", [MOUNT, ON_LEFT], ids=["right", "left"])


def state(chart: Chart) -> tuple[Any, ...]:
    return chart.x, chart.y, chart.heading, chart.drift, chart.scrub, chart.slip, *chart.walls


class Tracks:
    """Rolls a chart on by a little more than what counts as motion, or by what is asked."""

    def __init__(self, chart: Chart) -> None:
        self.chart, self.left, self.right = chart, 0.0, 0.0
        chart.move(tracks(0.0, 0.0))

    def roll(self, way: float = 1.01 * STILL_M, turn: float = 0.0) -> None:
        self.left += way - 0.5 * WIDTH_M * turn
        self.right += way + 0.5 * WIDTH_M * turn
        self.chart.move(tracks(self.left, self.right))

    def to_and_fro(self) -> None:
        self.roll()
        self.roll(-1.01 * STILL_M)


# ---------------------------------------------------------------------------------------------- walls askew


@SIDES
@pytest.mark.parametrize("askew", [0.42, -0.42])
@pytest.mark.parametrize("wrong", [0.08, -0.08])
def test_a_wall_askew_puts_a_wrong_heading_right(mount, askew, wrong):
    """The robot drives slantwise to its wall in a room of 1.2 by 0.9 m."""
    chart = charted(0.4, 0.0, askew + wrong, mount)
    robot = Rolling(chart, room(), (0.4, 0.0, askew), mount).go(3.0, 0.08)
    assert not robot.offs
    assert chart.echo == NO_ECHO  # what is heard askew tells of no opening
    assert abs(robot.off_rad) < 0.15 * abs(wrong)
    assert abs(chart.y - robot.y) < 0.003
    assert chart.heading_sd_rad < 0.06


@SIDES
@pytest.mark.parametrize("askew", [0.45, -0.45])
@pytest.mark.parametrize("wrong", [0.06, -0.06])
@pytest.mark.parametrize("wall", range(4))
def test_the_slant_alone_tells_the_heading_where_the_place_is_known(mount, askew, wrong, wall):
    """To and fro on the spot."""
    true = wall * QUARTER - mount.heading_rad + askew
    chart = charted(0.0, 0.0, true + wrong, mount, ALIKE)
    chart.place(0.0, 0.0, true + wrong, 0.0005, 0.1)
    robot = Rolling(chart, room(ALIKE), (0.0, 0.0, true), mount)
    for _ in range(40):
        robot.go(0.04, 0.1).go(0.04, -0.1)
    assert abs(robot.off_rad) < 0.5 * abs(wrong)
    assert math.hypot(chart.x, chart.y) < 0.003


@pytest.mark.parametrize("beyond", [-0.02, 0.02])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_wall_that_is_turned_farther_says_nothing(beyond, sign):
    chart = charted(0.0, 0.0, sign * (ASKEW_RAD + beyond), walls=ALIKE)
    Tracks(chart).roll()
    before = state(chart)
    chart.hear(heard(0.01 + chart.expected(RIGHT)))
    assert (state(chart) == before) == (beyond > 0.0)


def foot(chart: Chart, wall: int, askew: float) -> float:
    """Return where the beam's near rim meets a wall, along its axis: a thin beam which is so much less askew does."""
    less = math.copysign(ChartSettings().beam_rad, askew)
    rim = Mount(MOUNT.ahead_m, MOUNT.left_m, MOUNT.up_m, MOUNT.heading_rad - less)
    alone = room([0.3 if other == wall else 9.0 for other in range(4)])
    met = met_by_ray(alone, chart.x, chart.y, chart.heading, rim)
    return float(met.y if wall % 2 == 0 else met.x)


@pytest.mark.parametrize("askew", [0.42, -0.42])
@pytest.mark.parametrize("wall", range(4))
@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize("what", ["corner", "opening"])
def test_nothing_is_corrected_askew_near_a_corner_or_an_opening(askew, wall, side, what):
    """Near where the beam's near rim meets the wall, nothing is; far from it, it is."""
    for near in (RIM_M - 0.005, 0.6):
        chart = charted(0.0, 0.0, wall * QUARTER - MOUNT.heading_rad + askew, walls=ALIKE)
        Tracks(chart).roll()
        end = foot(chart, wall, askew) + side * near
        if what == "opening":
            low, high = sorted((end, end + side * 0.28))
            chart.gaps = [(wall, low, high)]
        else:
            ahead = next(k for k, normal in enumerate(NORMALS) if normal[1 - wall % 2] == side)
            chart.walls[ahead] = side * end
        before = state(chart)
        chart.hear(heard(0.01 + chart.expected(wall)))
        assert (state(chart) == before) == (near < RIM_M)


@pytest.mark.parametrize("wall", range(4))
def test_an_opening_of_another_wall_leaves_a_wall_askew_as_it_is(wall):
    chart = charted(0.0, 0.0, wall * QUARTER - MOUNT.heading_rad + 0.42, walls=ALIKE)
    chart.gaps = [(other, -0.3, 0.3) for other in range(4) if other != wall]
    Tracks(chart).roll()
    before = state(chart)
    chart.hear(heard(0.01 + chart.expected(wall)))
    assert state(chart) != before


def test_of_a_wall_that_nobody_knows_nothing_is_learnt_askew():
    chart = charted(0.0, 0.0, 0.42, walls=ALIKE)
    chart.walls[RIGHT] = None
    Tracks(chart).roll()
    before = state(chart)
    chart.hear(heard(0.2))
    assert state(chart) == before


def test_a_wild_reading_askew_corrects_nothing_and_is_no_sign_of_a_lost_chart():
    chart = charted(0.0, 0.0, 0.42, walls=ALIKE)
    chart.place(0.0, 0.0, 0.42, 0.001, 0.001)
    body = Tracks(chart)
    for _ in range(2 * ODD):
        body.to_and_fro()
        before = state(chart)
        chart.hear(heard(chart.expected(RIGHT) - 0.1))
        assert state(chart) == before
    assert not chart.lost


# -------------------------------------------------------------------------------------- as of when it was taken


@pytest.mark.parametrize(("speed", "turn"), [(0.17, 0.0), (-0.17, 0.0), (0.0, 1.6), (0.0, -1.6)])
@pytest.mark.parametrize("late", [5, 10])
def test_a_reading_is_held_against_the_pose_of_when_it_was_taken(speed, turn, late):
    """The chart knows where it is: then no reading is off, however old, but it would be by where the robot is now."""
    chart = charted(0.5, 0.0, -0.15 * turn or 0.25)
    chart.place(chart.x, chart.y, chart.heading, 1e-4, 1e-4)
    robot = Rolling(chart, room(), late=late).go(0.3, speed, turn)
    assert chart.beside() == RIGHT
    assert len(robot.offs) > 3
    assert max(abs(off) for off in robot.offs) < 1e-4
    assert (chart.x, chart.y, chart.heading) == pytest.approx((robot.x, robot.y, robot.heading), abs=1e-4)
    assert abs(chart.expected(RIGHT) - robot.heard[-1]) > 0.001


@pytest.mark.parametrize("turn", [1.6, -1.6])
def test_a_turn_on_the_spot_with_late_readings_turns_no_chart(turn):
    """Readings 60 ms old: at this rate the beam was 0.1 rad back then."""
    chart = charted(0.55, 0.08, 0.2)
    robot = Rolling(chart, room(), late=6).go(math.tau / 1.6, 0.0, turn)
    assert abs(robot.off_rad) < 0.01
    assert math.hypot(chart.x - robot.x, chart.y - robot.y) < 0.003
    assert chart.heading_sd_rad < 0.09


def test_the_rate_is_that_at_which_the_chart_turns():
    """Tracks that lose part of a turn turn the chart by less, and so much slower."""
    chart = Chart(ChartSettings(scrub_mean=0.1), MOUNT, WIDTH_M)
    chart.move(tracks(0.0, 0.0))
    chart.move(tracks(-0.001, 0.001, -0.1, 0.1))
    assert chart.rate == pytest.approx(chart.heading / 0.01)
    assert chart.rate == pytest.approx(0.9 * 0.2 / WIDTH_M)


@SIDES
@pytest.mark.parametrize("askew", [0.0, 0.25, -0.25])
@pytest.mark.parametrize("wall", range(4))
def test_the_foot_is_where_the_middle_of_the_beam_met_the_wall(mount, askew, wall):
    """Of a robot that drives along the wall, more or less, with readings 80 ms old; by shapely."""
    chart = charted(0.0, 0.0, wall * QUARTER - mount.heading_rad + askew, mount, ALIKE)
    chart.place(0.0, 0.0, chart.heading, 1e-5, 1e-5)
    robot = Rolling(chart, room(ALIKE), mount=mount, late=8)
    places = []
    for _ in range(40):
        met = met_by_ray(robot.walls, robot.x, robot.y, robot.heading, mount)
        places.append(met.y if wall % 2 == 0 else met.x)
        robot.go(0.01, 0.17)
    assert chart.looks_at(wall) == pytest.approx(places[-1] + (places[-1] - places[-2]), abs=1e-4)
    assert chart.foot == pytest.approx(places[32], abs=1e-4)  # taken 32 ticks after the start, heard at the last one


def test_the_ends_of_an_opening_are_where_the_beam_is_as_of_when_it_was_taken():
    """An opening of 280 mm, passed at a slant of 0.15 rad, with readings 60 ms old."""
    chart = charted(0.2, -0.30, 0.15)
    chart.place(chart.x, chart.y, chart.heading, 1e-4, 1e-4)
    openings, taken = Openings(ExitSettings()), []
    robot = Rolling(chart, room(), late=None)
    for tick in range(400):
        robot.go(0.01, 0.17)
        along = met_by_ray(robot.walls, robot.x, robot.y, robot.heading).x
        taken.append(SILENT if 0.44 < along < 0.72 else heard(chart.expected(RIGHT)))
        if tick % 4 == 0 and tick > 6:
            reading = taken[-7]._replace(age_s=0.06)
            chart.hear(reading)
            openings.hear(chart, reading)
            if openings.found:
                break
    (found,) = openings.found
    assert (found.wall, found.sure) == (RIGHT, True)
    assert found.middle_m == pytest.approx(0.58, abs=0.004)
    assert found.width_m == pytest.approx(0.28, abs=0.008)


# ------------------------------------------------------------------------------------------- edges of openings


def with_edge(down: float, aside: float, askew: float = 0.0, beyond: float = 0.3) -> Chart:
    """Return a chart whose beam looks at the right wall, 0.8 m off, along the far wall, in which an opening begins.

    Its edge is so far down the beam and to the left of it; its other end is farther along the far wall.
    """
    chart = charted(0.0, 0.0, askew, walls=(0.0, 0.9, 0.9, 0.88))
    Tracks(chart).to_and_fro()
    sx, sy = chart.sensor()
    beam = askew + MOUNT.heading_rad
    y = sy + down * math.sin(beam) + aside * math.cos(beam)
    chart.walls[FAR] = sx + down * math.cos(beam) - aside * math.sin(beam)
    chart.gaps = [(FAR, *sorted((y, y + beyond)))]
    return chart


def is_corrected(chart: Chart) -> bool:
    """Tell whether a reading of a wall that is a little farther off corrects the chart; it is told in any case."""
    before = state(chart)
    chart.hear(heard(chart.expected(RIGHT) + 0.02))
    assert (chart.echo.wall, chart.echo.off_m) == (RIGHT, pytest.approx(0.02))
    return state(chart) != before


@pytest.mark.parametrize("askew", [0.0, 0.25, -0.25])
@pytest.mark.parametrize("beyond", [0.3, -1.0], ids=["towards the robot", "beyond the wall beside"])
@pytest.mark.parametrize("down", [0.28, 0.6])
def test_a_reading_with_an_openings_edge_in_the_beam_corrects_nothing(askew, beyond, down):
    widest = EDGE_RAD * down + RIM_M
    assert not is_corrected(with_edge(down, widest - 0.003, askew, beyond))
    assert is_corrected(with_edge(down, widest + 0.003, askew, beyond))


@pytest.mark.parametrize("down", [0.83, -0.03])
def test_an_edge_behind_the_wall_beside_or_behind_the_sensor_says_nothing(down):
    assert is_corrected(with_edge(down, 0.01, 0.0, math.copysign(0.3, -down)))


def test_an_edge_of_a_wall_that_nobody_knows_says_nothing():
    chart = with_edge(0.3, 0.1)
    chart.walls[FAR] = None
    assert is_corrected(chart)


def test_echoes_of_an_edge_never_lose_the_chart():
    chart = with_edge(0.4, 0.1)
    body = Tracks(chart)
    for _ in range(ODD):
        body.to_and_fro()
        chart.hear(heard(0.4))
    assert not chart.lost


# ------------------------------------------------------------------------------------------ unbelieved readings


def unbelieved(offs: list[float], chart: Chart | None = None) -> Chart:
    """Let a chart that knows where it is hear readings that are so far off, on the way along a wall."""
    chart = chart or charted(0.2, 0.0, 0.0, walls=(9.0, 0.45, 0.0, 0.45))
    body = Tracks(chart)
    for off in offs:
        body.roll(0.005)
        chart.hear(heard(chart.expected(RIGHT) + off))
    return chart


def test_walls_nearer_than_walls_can_be_mean_a_lost_chart():
    """Objects are lower than the beam: so nothing in the zone is nearer than its walls, and half a second is enough."""
    assert 10 < ODD // NEARER < 15  # a reading each 30 to 40 ms
    assert not unbelieved([-0.2] * (ODD // NEARER - 1)).lost
    chart = unbelieved([-0.2] * (ODD // NEARER - 1))
    sure = chart.heading_sd_rad
    assert unbelieved([-0.2], chart).lost
    assert chart.heading_sd_rad > math.hypot(sure, 0.07)


def test_no_opening_loses_the_chart_though_it_is_passed_with_all_its_readings_far():
    """An opening of 300 mm (the widest by common practice) at the sweep's speed, a reading each 30 ms."""
    count = math.ceil(0.30 / (SweepSettings().speed_m_s * 0.03))
    assert not unbelieved([0.3] * count).lost
    assert not unbelieved([0.3] * (ODD - 1)).lost
    assert unbelieved([0.3] * ODD).lost  # there is no wall at all


def test_once_all_openings_are_known_a_farther_reading_says_as_much_as_a_nearer_one():
    """What is farther then is no opening either."""
    for off in (0.3, -0.2):
        chart = charted(0.2, 0.0, 0.0, walls=(9.0, 0.45, 0.0, 0.45))
        chart.whole = True
        assert not unbelieved([off] * (ODD // NEARER - 1), chart).lost
        assert unbelieved([off], chart).lost
    assert not charted(0.2, 0.0, 0.0).whole


def test_a_reading_that_is_believed_begins_the_count_anew():
    nearly = [-0.2] * (ODD // NEARER - 1)
    assert not unbelieved([*nearly, 0.0, *nearly]).lost
    assert unbelieved([*nearly, 0.3, *nearly]).lost


def test_farther_readings_and_nearer_ones_count_together():
    assert not unbelieved([0.3] * (ODD - NEARER - 1) + [-0.2]).lost
    assert unbelieved([0.3] * (ODD - NEARER) + [-0.2]).lost


@pytest.mark.parametrize("distance", [0.10, 0.9])
def test_an_odd_reading_says_no_more_for_being_heard_again_and_again_where_the_robot_stands(distance):
    chart = charted(0.3, 0.0, 0.0)
    Tracks(chart).roll()
    for _ in range(300):
        chart.hear(heard(distance))
    assert not chart.lost


# ------------------------------------------------------------------------------------------------- what is new


@pytest.mark.parametrize("heading", [0.0, 0.42], ids=["beside", "askew"])
def test_readings_are_news_only_after_motion_and_way_and_turn_count_together(heading):
    chart = charted(0.4, 0.0, heading)
    body, news = Tracks(chart), []
    shares = [(0.0, 0.0), (0.4, 0.0), (0.4, 0.0), (0.3, 0.0), (0.0, -0.5), (0.0, 0.4), (-0.2, 0.0), (1.1, 0.0)]
    for way, turn in shares:
        body.roll(way * STILL_M, turn * STILL_RAD)
        before = state(chart)
        chart.hear(heard(chart.expected(RIGHT) + 0.01))
        news.append(state(chart) != before)
    assert news == [False, False, False, True, False, False, True, True]


@pytest.mark.parametrize("heading", [0.0, 0.42], ids=["beside", "askew"])
def test_asking_for_doubt_changes_nothing_that_a_later_reading_does(heading):
    """To the last bit, asked where the reading is heard; and all but that, asked anywhere on the way."""
    told = []
    for asked in ("never", "then", "always"):
        chart = charted(0.4, 0.0, heading)
        body = Tracks(chart)
        for number in range(20):
            for _ in range(3):
                body.roll(0.004, 0.001)
                if asked == "always":
                    chart.doubt_m(RIGHT), chart.heading_sd_rad
            if asked == "then":
                assert chart.doubt_m(RIGHT) == chart.doubt_m(RIGHT)
                assert chart.heading_sd_rad == chart.heading_sd_rad
            before = state(chart)
            chart.hear(heard(chart.expected(RIGHT) + (0.01, -0.01)[number % 2]))
            assert state(chart) != before
        told.append((*state(chart), chart.doubt_m(RIGHT), chart.heading_sd_rad))
    assert told[0] == told[1]
    assert told[2] == pytest.approx(told[0], rel=0.02, abs=1e-4)


@pytest.mark.parametrize("way", [0.1, 0.5])
def test_doubt_grows_on_the_way_without_a_reading(way):
    """Textbook: a drift that is not known adds its share of the way, what wanders its variance a metre."""
    s = ChartSettings()
    chart = charted(0.2, 0.0, 0.0)
    chart.place(0.2, 0.0, 0.0, 0.002, 0.01)
    sure = chart.doubt_m(RIGHT)
    body = Tracks(chart)
    body.roll(way)
    heading = math.sqrt(0.01**2 + (s.drift_rad_m * way) ** 2 + SPREAD_RAD2_M * way)
    assert chart.heading_sd_rad == pytest.approx(heading)
    body.roll(way)
    assert chart.doubt_m(RIGHT) > math.hypot(sure, 0.9 * way * heading)  # asked first, and no later than the way


def test_the_entry_is_an_opening_from_the_start():
    chart = Chart(ChartSettings(), MOUNT, WIDTH_M)
    assert [wall for wall, *_ in chart.gaps] == [ENTRY]
    assert tuple(chart.walls) != WALLS
