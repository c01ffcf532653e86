"""Leaving at its seams: which strip it is, where the silver one puts the robot, and what is tried after a failure."""

import math
from types import SimpleNamespace
from typing import Any

import pytest

from behaviours.settings import MarkerSettings
from behaviours.zone import leave as module
from behaviours.zone import survey as survey_module
from behaviours.zone.chart import ENTRY, ENTRY_GAP, NORMALS, QUARTER, Chart
from behaviours.zone.leave import BESIDE_M, GREEN, NOTHING, Strips, at_entry, exits, leave, try_exit
from behaviours.zone.load import Load
from behaviours.zone.openings import Opening, Openings
from behaviours.zone.scene import Zone
from behaviours.zone.settings import ChartSettings, ExitSettings, ResumeSettings, ZoneSettings
from robotcore.readings import OK, Colour
from robotcore.rig import Mount
from tests.zone_stand_in import finish

WHITE, SHINE, PAINT = (1.0, 1.0, 1.0), (1.9, 1.9, 1.9), (0.11 / 0.85, 0.26 / 0.85, 0.16 / 0.85)
RIGHT = 3


def colour(channels: tuple[float, float, float]) -> Colour:
    red, green, blue = channels
    light = (red + green + blue) / 3.0
    return Colour(red, green, blue, light, light, 0.0, True, OK)


def zone() -> Any:
    """Give a zone that only knows its openings and its chart, and keeps what is decided."""
    chart = Chart(ChartSettings(), Mount(0.03, -0.08, 0.06, -QUARTER), 0.14)
    chart.walls = [1.2, 0.45, 0.0, 0.45]
    said: list[str] = []
    robot = SimpleNamespace(decide=lambda name, **fields: said.append(name), fault=lambda kind, text: said.append(kind))
    return SimpleNamespace(
        s=ZoneSettings(), chart=chart, openings=Openings(ExitSettings()), robot=robot, eyes_m=0.07, said=said,
        load=Load(ResumeSettings()),
        sample=SimpleNamespace(time_s=300.0, floor_left=colour(WHITE), floor_right=colour(WHITE)),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("left", "right", "strip"), [(PAINT, WHITE, GREEN), (WHITE, SHINE, "silver"), (WHITE, WHITE, "")]
)
def test_a_strip_is_green_or_silver_by_the_votes_of_one_eye(left, right, strip):
    z = zone()
    says = Strips(z, MarkerSettings())
    assert [says() for _ in range(5)] == [""] * 5
    z.sample = SimpleNamespace(floor_left=colour(left), floor_right=colour(right))
    heard = [says() for _ in range(6)]
    assert heard[0] == ""  # one reading says nothing
    assert heard[-1] == strip


def test_the_entry_tells_where_the_robot_is():
    """Its eyes met the silver strip, and it backed away by twice their reach: the chart's origin is the strip's end."""
    z = zone()
    z.chart.place(0.9, 0.3, 0.2, 0.3, 1.0)
    at_entry(z)
    assert (z.chart.x, z.chart.y, z.chart.heading) == (pytest.approx(0.21), 0.0, math.pi)
    assert ENTRY_GAP in z.chart.gaps


def test_an_opening_of_which_half_was_seen_is_tried_to_either_side(monkeypatch):
    z, tried = zone(), []
    half = Opening(RIGHT, 0.25, 0.275, False)

    async def measure(z, opening):
        return opening

    async def go_out(z, opening, marker):
        tried.append(round(opening.middle_m - half.middle_m, 3))
        return NOTHING

    monkeypatch.setattr(module, "measure", measure)
    monkeypatch.setattr(module, "go_out", go_out)
    for before in range(3):
        assert finish(try_exit(z, half, MarkerSettings(), before)) == NOTHING
    assert tried == list(BESIDE_M)
    assert finish(try_exit(z, Opening(RIGHT, 0.25, 0.27), MarkerSettings(), 1)) == NOTHING
    assert tried[-1] == 0.0  # measured whole: where it is
    assert z.said == ["no exit here"] * 4


def plan(monkeypatch, outcomes: dict[str, list[str]]) -> list[str]:
    """Let `try_exit` and `search` end as told, in turn; return who was asked."""
    asked: list[str] = []

    def ends(name):
        async def end(*args):
            asked.append(name)
            return outcomes[name].pop(0)

        return end

    async def survey(z):
        asked.append("survey")
        return True

    for where in (module, survey_module):
        monkeypatch.setattr(where, "survey", survey)
    monkeypatch.setattr(module, "try_exit", ends("try_exit"))
    monkeypatch.setattr(module, "search", ends("search"))
    return asked


def test_where_no_exit_is_known_the_walls_are_followed(monkeypatch):
    z = zone()
    z.openings.add(Opening(ENTRY, 0.01, 0.25))
    assert exits(z) == []
    asked = plan(monkeypatch, {"search": [GREEN], "try_exit": []})
    assert finish(leave(z, MarkerSettings()))
    assert asked == ["survey", "search"]


def test_where_the_exit_was_not_where_it_should_be_the_walls_are_followed_and_silver_leads_back_to_it(monkeypatch):
    z = zone()
    z.openings.add(Opening(RIGHT, 0.3, 0.25))
    asked = plan(monkeypatch, {"try_exit": [NOTHING, GREEN], "search": ["silver"]})
    assert finish(leave(z, MarkerSettings()))
    assert asked == ["survey", "try_exit", "search", "survey", "try_exit"]


@pytest.mark.parametrize("share", [0.9, 1.1])
@pytest.mark.parametrize("lost", [False, True])
def test_before_the_way_out_it_looks_round_only_where_the_heading_is_in_doubt(monkeypatch, share, lost):
    """As sure as before a berth: the way out is driven blind just as well."""
    z = zone()
    z.openings.add(Opening(RIGHT, 0.3, 0.25))
    z.chart.place(0.6, 0.0, 0.0, 0.01, share * z.s.drop.due_rad)
    z.chart.lost = lost
    asked = plan(monkeypatch, {"try_exit": [GREEN], "search": []})
    assert finish(leave(z, MarkerSettings()))
    assert asked == (["survey", "try_exit"] if lost or share > 1.0 else ["try_exit"])


def test_after_a_failure_it_looks_round_however_sure_it_is(monkeypatch):
    z = zone()
    z.openings.add(Opening(RIGHT, 0.3, 0.25))
    z.chart.place(0.6, 0.0, 0.0, 0.001, 0.001)
    asked = plan(monkeypatch, {"try_exit": [NOTHING, GREEN], "search": ["silver"]})
    assert finish(leave(z, MarkerSettings()))
    assert asked == ["try_exit", "search", "survey", "try_exit"]


def test_it_is_tried_so_often_and_then_said_aloud(monkeypatch):
    z = zone()
    tries = z.s.exit.tries
    asked = plan(monkeypatch, {"try_exit": [], "search": [NOTHING] * tries})
    assert not finish(leave(z, MarkerSettings()))
    assert asked.count("search") == tries
    assert z.said == ["lost"]


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("wall", range(4))
def test_a_wall_has_a_corner_behind_and_one_ahead(wall, turn):
    """Corner k lies between walls k and k + 1; a robot follows its wall from the wall behind to the wall ahead."""
    stand: Any = SimpleNamespace(turn=turn)
    behind, ahead = Zone.ends(stand, wall)
    assert {behind, (behind + 1) % 4} == {wall, (wall - turn) % 4}
    assert {ahead, (ahead + 1) % 4} == {wall, (wall + turn) % 4}


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("wall", range(4))
@pytest.mark.parametrize("dropped", ["nowhere", "behind", "ahead", "both"])
def test_a_search_keeps_off_corners_in_which_something_was_dropped(monkeypatch, wall, turn, dropped):
    z = zone()
    z.turn, z.swing_m = turn, 0.142
    z.chart.place(0.6, 0.0, 0.0, 0.01, 0.01)
    z.ends = lambda number: Zone.ends(z, number)
    behind, ahead = z.ends(wall)
    z.visited = {"nowhere": set(), "behind": {behind}, "ahead": {ahead}, "both": {behind, ahead}}[dropped]
    went: list[float] = []

    async def go_to(z, x, y):
        beside = (wall, (wall - turn) % 4)
        went.extend(z.chart.walls[k] - x * NORMALS[k][0] - y * NORMALS[k][1] for k in beside)

    async def along_wall(z, lane, end, stop):
        went.append(end)
        return NOTHING

    async def turn_to(z, heading):
        pass

    monkeypatch.setattr(module, "go_to", go_to)
    monkeypatch.setattr(module, "along_wall", along_wall)
    monkeypatch.setattr(module, "turn_to", turn_to)
    finish(module.pass_wall(z, wall))
    off, clear = z.s.exit.off_m, z.s.exit.clear_m
    kept = [off, off + clear * (behind in z.visited), off + clear * (ahead in z.visited)]
    assert went == pytest.approx(kept)


@pytest.mark.parametrize(
    ("dropped", "middle_m", "over"), [(True, 0.80, True), (False, 0.80, False), (True, 0.60, False)]
)
def test_no_opening_is_measured_through_what_was_dropped_before_it(dropped, middle_m, over):
    """The left wall, followed back to the entry, has the far corner behind it, at x = 1.2; to measure an opening the
    robot begins 255 mm before its middle."""
    z = zone()
    z.turn = 1
    z.ends = lambda wall: Zone.ends(z, wall)
    z.corner = lambda number: Zone.corner(z, number)
    z.visited = {z.ends(1)[0]} if dropped else set()
    assert module.over_berth(z, 1, middle_m + 0.255, 0.3) == over


def test_an_opening_that_is_a_whole_wall_when_passed_is_dropped_and_not_driven_into(monkeypatch):
    z, wrong, right = zone(), Opening(RIGHT, 0.25, 0.275), Opening(0, 0.1, 0.27)
    for opening in (wrong, right):
        z.openings.add(opening)
        z.chart.gaps.append((opening.wall, 0.0, 0.1))

    async def measure(z, opening):
        return None

    async def go_out(z, opening, marker):
        raise AssertionError("it drives at a wall")

    monkeypatch.setattr(module, "measure", measure)
    monkeypatch.setattr(module, "go_out", go_out)
    assert finish(try_exit(z, wrong, MarkerSettings(), 0)) == NOTHING
    assert z.openings.found == [right]
    assert {wall for wall, _, _ in z.chart.gaps} == {ENTRY, 0}
    assert z.said == ["no exit here"]


@pytest.mark.parametrize(
    ("passed", "lost", "known"),
    [
        (None, False, None),
        (None, True, "old"),  # with a chart that is lost nobody knows what was passed
        (Opening(RIGHT, 0.31, 0.26), False, "new"),
        (Opening(RIGHT, 0.31, 0.10), False, "old"),  # met, but askew: it is there
    ],
)
def test_to_measure_an_opening_tells_what_the_range_heard_on_the_way(monkeypatch, passed, lost, known):
    z, old = zone(), Opening(RIGHT, 0.30, 0.25)
    z.turn, z.visited, z.swing_m = 1, set(), 0.15
    z.held_in = lambda x, y: (x, y)
    z.ends = lambda wall: Zone.ends(z, wall)
    z.corner = lambda number: Zone.corner(z, number)
    z.openings.add(old)
    z.openings.latest = Opening(0, 0.0, 0.27)  # measured before: says nothing of this pass

    async def still(*args, **kwargs):
        return None

    async def along_wall(z, lane, end_m, stop=None, most_m=0.0):
        z.chart.lost = lost
        if passed is not None:
            z.openings.add(passed)
        return "there"

    for name in ("go_to", "turn_to", "rest"):
        monkeypatch.setattr(module, name, still)
    monkeypatch.setattr(module, "along_wall", along_wall)
    assert finish(module.measure(z, old)) == {None: None, "old": old, "new": passed}[known]


def test_of_ways_out_the_surest_comes_first_and_of_alike_ones_the_latest():
    z = zone()
    first, second, sure = Opening(0, -0.2, 0.275, False), Opening(0, 0.2, 0.275, False), Opening(RIGHT, 0.3, 0.25)
    for opening in (first, sure, second, Opening(ENTRY, 0.0, 0.27)):
        z.openings.add(opening)
    assert exits(z) == [sure, second, first]
