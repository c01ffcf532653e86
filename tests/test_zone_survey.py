"""Survey, openings next to corners, and what tells that a wall is too near or missing; made-up readings only."""

import math
from types import SimpleNamespace
from typing import Any

import pytest

from behaviours.zone import survey as module
from behaviours.zone.chart import QUARTER, Chart
from behaviours.zone.drive import dock, wall_is_missing
from behaviours.zone.leave import exits
from behaviours.zone.openings import Opening, Openings
from behaviours.zone.settings import ChartSettings, ExitSettings, FrontSettings, SweepSettings
from behaviours.zone.survey import View, agreed, fit, fixes
from robotcore.readings import OK, Drive, Range
from tests.chart_kit import MOUNT, SILENT, heard, nearest, room
from tests.zone_stand_in import PERIOD_S, StandIn, finish

FAR, LEFT, ENTRY, RIGHT = range(4)


def heard_at(x: float, y: float, width: float, depth: float) -> list[tuple[float, float]]:
    """Give (heading, range) all round in a box, by shapely: `depth` from the entry wall to the far one, and `width`."""
    walls = room((depth, 0.5 * width, 0.0, 0.5 * width))
    return [(heading, nearest(walls, x, y, heading)) for heading in (math.tau * i / 90 for i in range(90))]


@pytest.mark.parametrize(("x", "y"), [(0.16, 0.0), (0.3, -0.25), (0.7, 0.1)])
@pytest.mark.parametrize("turn", [0.0, 0.15])
def test_walls_are_found_from_ranges_all_round(x, y, turn):
    """Outside check: the ranges are shapely's, for a cone in a box of 0.9 by 1.2 m."""
    heard = [(heading - turn, reading) for heading, reading in heard_at(x, y, 0.9, 1.2)]
    score, walls = fit([(heading + turn, reading) for heading, reading in heard], MOUNT, 0.2)
    assert score > 0.5 * len(heard)
    for found, true in zip(walls, (1.2 - x, 0.45 - y, x, 0.45 + y), strict=True):
        assert found == pytest.approx(true, abs=0.012)
    if turn:
        assert fit(heard, MOUNT, 0.2)[0] < score


def test_openings_and_chance_echoes_do_not_move_a_wall():
    assert agreed([0.50] * 12 + [0.95] * 5 + [0.31, 0.72])[1] == pytest.approx(0.50)
    assert agreed([0.31] * 9 + [0.90] * 8)[1] == pytest.approx(0.90)  # an edge throws echoes back from before the wall
    assert agreed([0.50] * 5)[1] is None  # too few
    assert agreed([])[1] is None


def charted(x: float, y: float, heading: float) -> Chart:
    chart = Chart(ChartSettings(), MOUNT, 0.14)
    chart.walls = [1.2, 0.45, 0.0, 0.45]
    chart.place(x, y, heading, 0.02, 0.1)
    return chart


def test_a_survey_tells_quarter_turns_by_how_far_walls_are_apart():
    """The robot stands at (0.3, 0.2) and looks left; its chart was turned by a quarter and 0.1 rad beyond."""
    chart = charted(0.3, 0.1, 0.1)
    # Seen in the chart's frame: what it takes for the far wall is the left one, and so on round.
    view = View(-0.1, (0.25, 0.3, 0.65, 0.9), 0.8)
    fix = min(fixes(chart, view))
    assert fix.quarters == 1
    assert (fix.x, fix.y) == pytest.approx((0.3, 0.2))
    assert math.remainder(fix.heading_rad - QUARTER, math.tau) == pytest.approx(0.0)


def test_a_survey_where_the_chart_was_right_changes_no_quarter():
    fix = min(fixes(charted(0.3, 0.2, 0.0), View(0.02, (0.9, 0.25, 0.3, 0.65), 0.8)))
    assert (fix.quarters, fix.x, fix.y) == (0, pytest.approx(0.3), pytest.approx(0.2))


def test_what_a_survey_saw_puts_unknown_walls_on_the_chart_and_moves_no_known_one_far():
    chart = charted(0.3, 0.0, 0.0)
    chart.walls[LEFT] = None
    chart.seen((0.9, 0.47, 0.3, 0.9), 0.012)
    assert chart.walls[LEFT] == pytest.approx(0.47, abs=0.001)
    assert chart.walls[RIGHT] == pytest.approx(0.45, abs=0.001)  # half a metre off is not this wall


def test_a_survey_in_which_an_edge_was_heard_moves_no_chart_far_but_a_lost_one():
    chart = charted(0.3, 0.2, 0.0)
    alone = View(0.0, (0.7, 0.25, None, 0.65), 0.8)  # says x = 0.5, by the far wall only
    assert min(fixes(chart, alone)).x == pytest.approx(0.3)
    chart.lost = True
    assert min(fixes(chart, alone)).x == pytest.approx(0.5)


def looks(monkeypatch: pytest.MonkeyPatch, chart: Chart, view: View) -> tuple[Any, list[float]]:
    """Return a zone whose every look round gives `view`, and how well the heading was said to be known before each."""
    zone: Any = StandIn()
    zone.chart, known = chart, list[float]()
    zone.openings = SimpleNamespace(sift=lambda trusted: None, found=[], forget=lambda: None)

    async def look_round(z: Any, to_rad: float, sd_rad: float) -> View:
        known.append(sd_rad)
        return view

    async def to_more_room(z: Any, view: View) -> None:
        pass

    applied = list[View]()
    monkeypatch.setattr(module, "look_round", look_round)
    monkeypatch.setattr(module, "to_more_room", to_more_room)
    monkeypatch.setattr(module, "apply", lambda z, view, fix: applied.append(view))
    return zone, known


NOTHING = View(0.0, (None, None, None, None), 0.2)


def test_a_heading_in_doubt_is_searched_for_farther_and_a_lost_one_all_over(monkeypatch):
    chart = charted(0.3, 0.2, 0.0)
    zone, known = looks(monkeypatch, chart, View(0.0, (0.9, 0.25, 0.3, 0.65), 0.9))
    s = zone.s.survey
    for doubt, expected in ((0.0, s.before_rad), (0.4, math.hypot(0.1, 0.4))):
        chart.doubt(0.0, doubt)
        assert finish(module.survey(zone))
        assert known[-1] == pytest.approx(expected)
    chart.lost = True
    assert finish(module.survey(zone))
    assert known[-1] == s.lost_rad


@pytest.mark.parametrize(
    ("x", "share", "believed"), [(0.3, 0.5, True), (0.3, 0.4, False), (0.5, 0.5, False), (0.5, 0.7, True)]
)
def test_it_takes_more_to_believe_that_the_robot_is_elsewhere(monkeypatch, x, share, believed):
    """The chart says x = 0.3; the look says so too, or 0.5."""
    chart = charted(0.3, 0.2, 0.0)
    chart.lost = x > 0.3
    zone, known = looks(monkeypatch, chart, View(0.0, (1.2 - x, 0.25, x, 0.65), share))
    assert finish(module.survey(zone)) == believed
    assert len(known) == (1 if believed else zone.s.survey.tries)


def test_where_no_look_fits_the_chart_is_left_as_it_is_and_no_longer_called_lost(monkeypatch):
    """Else every behaviour that stops for a lost chart would stop for ever."""
    chart = charted(0.3, 0.2, 0.0)
    chart.lost = True
    zone, known = looks(monkeypatch, chart, NOTHING)
    assert not finish(module.survey(zone))
    assert known == [zone.s.survey.lost_rad] * zone.s.survey.tries
    assert not chart.lost
    assert (chart.x, chart.y, chart.heading) == (0.3, 0.2, 0.0)


# ------------------------------------------------------------------------------------------- when it is due


@pytest.mark.parametrize("asked_rad", [0.0, 0.04, 0.3])
@pytest.mark.parametrize("share", [0.9, 1.1])
@pytest.mark.parametrize("lost", [False, True])
def test_a_look_round_is_due_where_the_heading_is_in_doubt_or_the_chart_lost(monkeypatch, asked_rad, share, lost):
    """By so much as is asked, or as the settings say where nothing is."""
    chart = charted(0.3, 0.2, 0.0)
    zone, known = looks(monkeypatch, chart, View(0.0, (0.9, 0.25, 0.3, 0.65), 0.9))
    chart.place(0.3, 0.2, 0.0, 0.01, share * (asked_rad or zone.s.survey.due_rad))
    chart.lost = lost
    due = lost or share > 1.0
    assert finish(module.survey_if_due(zone, asked_rad) if asked_rad else module.survey_if_due(zone)) == due
    assert len(known) == due


def test_a_look_round_becomes_due_on_the_way_but_not_along_a_wall_that_is_heard(monkeypatch):
    """Dead reckoning alone loses the heading; along a wall that is heard it is kept, however long that takes."""
    for beside in (True, False):
        chart, way = charted(0.3, 0.0, 0.0), 0.0
        chart.walls[FAR] = 99.0
        chart.place(0.3, 0.0, 0.0, 0.01, 0.02)
        zone, known = looks(monkeypatch, chart, View(0.0, (98.7, 0.45, 0.3, 0.45), 0.9))
        chart.move(rolled(way))
        for _ in range(400):
            way += 0.005
            chart.move(rolled(way))
            chart.hear(heard(chart.expected(RIGHT)) if beside else SILENT)
        assert finish(module.survey_if_due(zone)) != beside
        assert len(known) == (not beside)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_bearings_are_those_of_when_the_range_was_taken_by_how_the_tracks_really_turned(sign):
    """The tracks turn slower than asked; ranges are 20 to 50 ms old when they are heard."""
    zone: Any = StandIn()
    zone.chart, rate = SimpleNamespace(heading=0.3, rate=sign * 0.7 * zone.s.survey.rate_rad_s), [0.0]
    headings = [0.3]

    async def step() -> Any:
        zone.chart.heading += rate[0] * PERIOD_S
        headings.append(zone.chart.heading)
        number = len(headings)
        age = 0.02 + 0.01 * (number % 4)
        zone.sample.side_range = Range(headings[max(0, number - 1 - round(age / PERIOD_S))], age, True, OK)
        return zone.sample

    def wheels(speed: float, turn: float) -> None:
        assert turn * zone.chart.rate > 0.0
        rate[0] = zone.chart.rate

    zone.step, zone.wheels = step, wheels
    kept: list[Any] = []
    finish(module.listen(zone, 0.3, 0.3 + sign * 1.5, kept))
    assert len(kept) > 20
    for heading, as_range in kept[2:]:
        assert heading == pytest.approx(as_range)


# ------------------------------------------------------------------------------------ openings at corners


def rolled(left: float) -> Drive:
    return Drive(left, left, left, 0.0, 0.0, 0.0, 0.0, True, OK)


def pass_by(readings, begin_x: float) -> Openings:
    """Drive along the right wall of a zone 1.2 m deep, 5 mm a reading, then turn away from it."""
    chart, openings = Chart(ChartSettings(slip_mean=0.0, scrub_mean=0.0), MOUNT, 0.14), Openings(ExitSettings())
    chart.walls = [1.2, 0.5, 0.0, 0.5]
    chart.place(begin_x, -0.35, 0.0, 0.001, 0.001)
    way = 0.0
    chart.move(rolled(way))
    for reading in readings:
        way += 0.005
        chart.move(rolled(way))
        chart.hear(reading)
        openings.hear(chart, reading)
    chart.heading += 0.8
    chart.hear(SILENT)
    openings.hear(chart, SILENT)
    return openings


WALL = Range(0.07, 0.0, True, OK)


def test_an_opening_that_begins_before_the_lane_is_known_by_its_end():
    found = pass_by([SILENT] * 40 + [WALL] * 40, 0.12).found  # the sensor begins at 0.15 and hears the wall at 0.35
    assert [(o.wall, o.sure) for o in found] == [(RIGHT, False)]
    assert found[0].middle_m == pytest.approx(0.35 + 0.0175 - 0.1375, abs=0.01)  # the beam's rim, half of 275 mm


def test_an_opening_that_goes_on_beyond_the_lane_is_known_by_its_beginning():
    found = pass_by([WALL] * 20 + [SILENT] * 30, 0.83).found  # from 0.96 on; the far wall is at 1.2
    assert [(o.wall, o.sure) for o in found] == [(RIGHT, False)]
    assert found[0].middle_m == pytest.approx(0.5 * (0.96 - 0.0175 + 1.2), abs=0.01)  # no wider than there is room


def test_half_an_opening_far_from_any_corner_is_one_only_where_it_was_passed_for_long():
    assert not pass_by([SILENT] * 16 + [WALL] * 40, 0.50).found
    (opening,) = pass_by([SILENT] * 22 + [WALL] * 40, 0.50).found
    assert not opening.sure
    assert not pass_by([WALL] * 20 + [SILENT] * 8, 0.83).found  # too little of it was passed


def test_what_was_measured_whole_is_not_replaced_by_half_a_measurement_and_comes_first():
    openings = Openings(ExitSettings())
    openings.add(Opening(RIGHT, 0.20, 0.27))
    openings.add(Opening(RIGHT, 0.23, 0.28, False))
    assert openings.found == [Opening(RIGHT, 0.20, 0.27)]
    openings.found.insert(0, Opening(FAR, 0.3, 0.28, False))
    zone: Any = SimpleNamespace(openings=openings)
    assert [o.sure for o in exits(zone)] == [True, False]


@pytest.mark.parametrize(
    ("new", "kept"),
    [
        (Opening(RIGHT, 0.23, 0.20), False),  # much narrower: the rim of the beam met its edges
        (Opening(RIGHT, 0.23, 0.26), True),  # a little narrower: the later one
        (Opening(RIGHT, 0.23, 0.31), True),
        (Opening(RIGHT, 0.60, 0.20), True),  # another one
        (Opening(LEFT, 0.23, 0.20), True),
    ],
)
def test_a_much_narrower_measurement_replaces_no_wider_one(new, kept):
    """What the beam's rim meets makes an opening seem narrower, never wider."""
    openings, old = Openings(ExitSettings()), Opening(RIGHT, 0.20, 0.28)
    openings.add(old)
    assert openings.add(new) == new  # who passed it is told what was measured
    other = new.wall != RIGHT or new.middle_m > 0.5
    assert openings.found == ([old, new] if other else [new] if kept else [old])


def test_a_whole_measurement_replaces_half_a_one_however_narrow_it_is():
    openings = Openings(ExitSettings())
    openings.add(Opening(RIGHT, 0.20, 0.28, False))
    openings.add(Opening(RIGHT, 0.23, 0.20))
    assert openings.found == [Opening(RIGHT, 0.23, 0.20)]


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (Opening(RIGHT, 0.20, 0.28), Opening(RIGHT, 0.23, 0.20)),  # not kept: nothing is lost with it
        (Opening(RIGHT, 0.20, 0.27), Opening(FAR, 0.10, 0.25)),  # kept, with a chart that was lost
    ],
)
def test_only_what_was_measured_lately_is_dropped_with_a_chart_that_was_lost(old, new):
    openings = Openings(ExitSettings())
    openings.add(old)
    openings.sift(True)
    openings.add(new)
    openings.sift(False)
    assert openings.found == [old]


# ------------------------------------------------------------------------- too near, missing, elsewhere


def test_silence_after_the_shortest_readings_means_that_the_wall_is_too_near():
    """The chart believes 60 mm to the wall beside; the sensor says 45, 38, and nothing more."""
    chart = charted(0.3, -0.45 + 0.14, 0.0)
    way = 0.0
    chart.move(rolled(way))
    for reading in [0.045, 0.038, *[None] * 30]:
        way += 0.005
        chart.move(rolled(way))
        chart.hear(SILENT if reading is None else Range(reading, 0.0, True, OK))
    assert chart.too_near
    assert chart.expected(RIGHT) < 0.035


def test_silence_at_a_good_distance_says_nothing_about_the_wall():
    chart = charted(0.3, -0.45 + 0.14, 0.0)
    chart.hear(Range(0.06, 0.0, True, OK))
    chart.hear(SILENT)
    assert not chart.too_near
    assert chart.expected(RIGHT) == pytest.approx(0.06, abs=1e-6)


def test_silence_for_longer_than_openings_are_wide_means_that_the_wall_is_too_near():
    chart = charted(0.3, -0.45 + 0.14, 0.0)
    way = 0.0
    chart.move(rolled(way))
    chart.hear(Range(0.06, 0.0, True, OK))
    for _ in range(66):
        way += 0.005
        chart.move(rolled(way))
        chart.hear(SILENT)
    assert not chart.too_near
    for _ in range(12):
        way += 0.005
        chart.move(rolled(way))
        chart.hear(SILENT)
    assert chart.too_near


def before_wall(clear_m: float, light: float, doubt_m: float = 0.005) -> Any:
    chart = SimpleNamespace(doubt_m=lambda wall: doubt_m, ahead=lambda: FAR, clear_m=lambda ahead_m: clear_m)
    front = SimpleNamespace(something=light > 0.05, level=light, hall=0.01)
    robot = SimpleNamespace(body=SimpleNamespace(front_m=0.1))
    return SimpleNamespace(s=SimpleNamespace(front=FrontSettings()), front=front, chart=chart, robot=robot)


@pytest.mark.parametrize(
    ("zone", "missing"),
    [
        (before_wall(0.02, 0.01), True),
        (before_wall(0.02, 0.90), False),  # there it is
        (before_wall(0.10, 0.01), False),  # too far to be seen
        (before_wall(0.02, 0.01, doubt_m=0.1), False),  # nobody knows where it is
    ],
)
def test_a_wall_that_should_be_there_and_gives_no_light_is_an_opening(zone, missing):
    assert wall_is_missing(zone) == missing


def test_a_touch_far_from_the_wall_is_no_dock_and_the_chart_is_in_doubt():
    """At x = 0.8 the front is 0.3 m short of the far wall: what it touched was an opening's edge, or an object."""
    zone: Any = StandIn()
    zone.flash, zone.chart = None, charted(0.8, 0.0, 0.05)
    zone.robot.body = SimpleNamespace(front_m=0.1)
    finish(dock(zone, FAR))
    assert zone.chart.lost
    assert zone.chart.heading == 0.05
    assert zone.way == 0.0  # nothing was pressed
    there: Any = StandIn()
    there.flash, there.chart, there.robot.body = None, charted(1.09, 0.0, 0.05), zone.robot.body
    finish(dock(there, FAR))
    assert not there.chart.lost
    assert abs(there.chart.heading) < 0.01
    assert SweepSettings().flat_m < 0.3
