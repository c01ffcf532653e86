"""Finding berths, backing into one, taking along what is met there: what is done in which order, on a true chart."""

import math
from types import SimpleNamespace
from typing import Any

import pytest

from behaviours.zone import collect, comb, deposit, survey
from behaviours.zone.chart import QUARTER, Chart
from behaviours.zone.hand import HELD, JAMMED, NOTHING
from behaviours.zone.load import Load
from behaviours.zone.openings import Opening
from behaviours.zone.scene import Zone, outward
from behaviours.zone.settings import ChartSettings, ResumeSettings, ZoneSettings
from robotcore.rig import Mount
from tests.zone_stand_in import finish

REAR_M, HALF_M = 0.10, 0.085


@pytest.fixture
def zone(monkeypatch) -> Any:
    """A zone of 1.2 by 0.9 m; where the robot is told to go it is at once, and what was asked is kept in `asked`.

    What is driven straight on with an eye on strips is noted in `watched`, with the place it leads to.
    """
    chart = Chart(ChartSettings(), Mount(0.03, -0.08, 0.06, -QUARTER), 0.14)
    chart.walls = [1.2, 0.45, 0.0, 0.45]
    chart.place(0.6, 0.0, 0.0, 0.01, 0.01)
    z: Any = SimpleNamespace(
        s=ZoneSettings(), chart=chart, half_m=HALF_M, visited=set(), complete=False, asked=[], watched=[], colours=[],
        openings=SimpleNamespace(found=[]), sample=SimpleNamespace(time_s=100.0), load=Load(ResumeSettings()), said=[],
        robot=SimpleNamespace(body=SimpleNamespace(rear_m=REAR_M)),
    )  # fmt: skip
    z.robot.decide = lambda name, **fields: z.said.append((name, fields.get("corner")))
    z.robot.fault = lambda kind, text: z.said.append((kind, text))
    z.corner = lambda number: Zone.corner(z, number)
    z.berths = lambda: Zone.berths(z)

    async def go_to(z: Any, x: float, y: float, **_: Any) -> None:
        z.asked.append("go")
        assert len(z.asked) < 200, "it goes on for ever"
        z.chart.x, z.chart.y = x, y

    async def turn_to(z: Any, heading: float) -> None:
        z.asked.append("turn")
        z.chart.heading = heading

    async def straight(z: Any, way: float, speed: float, stop: Any = None) -> None:
        z.asked.append("back" if way < 0.0 else "on")
        z.chart.x += way * math.cos(z.chart.heading)
        z.chart.y += way * math.sin(z.chart.heading)
        if stop is not None:
            z.watched.append((z.chart.x, z.chart.y))

    def note(name: str) -> Any:
        async def call(z: Any, *args: Any) -> bool:
            z.asked.append(name)
            return True

        return call

    monkeypatch.setattr(survey, "survey", note("look"))
    monkeypatch.setattr(comb, "go_to", go_to)
    monkeypatch.setattr(deposit, "strip_ahead", lambda z: "strips")
    for name, call in (
        ("turn_to", turn_to), ("straight", straight), ("survey", note("look")),
        ("rest", note("rest")), ("roll_and_try", note("jaws")),
    ):  # fmt: skip
        monkeypatch.setattr(deposit, name, call)
    return z


@pytest.mark.parametrize("corner", range(4))
@pytest.mark.parametrize("share", [0.9, 1.1])
def test_it_looks_round_before_it_backs_up_where_the_heading_is_in_doubt(zone, corner, share):
    """Where no wall told on the way how the tracks slipped; after the look the place is taken up anew."""
    zone.chart.place(0.6, 0.0, 0.0, 0.01, share * zone.s.drop.due_rad)
    finish(deposit.berth(zone, corner))
    looks = ["look", "go"] if share > 1.0 else []
    assert zone.asked == ["go", "jaws", *looks, "turn", "back", "rest"]
    assert zone.visited == {corner}


@pytest.mark.parametrize("corner", range(4))
def test_the_place_is_taken_up_anew_where_the_look_round_moved_it(zone, monkeypatch, corner):
    async def look(z: Any) -> None:
        z.chart.place(z.chart.x + 0.03, z.chart.y - 0.02, 0.4, 0.01, 0.01)

    monkeypatch.setattr(survey, "survey", look)
    zone.chart.place(0.6, 0.0, 0.0, 0.01, 1.0)
    finish(deposit.berth(zone, corner))
    x, y = zone.corner(corner)
    away = outward(corner)
    assert abs((zone.chart.x - x) * math.sin(away) - (zone.chart.y - y) * math.cos(away)) < 1e-9  # on its diagonal


@pytest.mark.parametrize("corner", range(4))
def test_both_rear_edges_end_nearly_at_the_walls_of_the_corner(zone, corner):
    """On a diagonal, by the textbook: rear edges stand at 45 degrees, so each is (gap / sqrt 2) from its wall."""
    finish(deposit.berth(zone, corner))
    chart, away = zone.chart, outward(corner)
    assert math.cos(chart.heading - away) == pytest.approx(-1.0)
    left, right = chart.at(-REAR_M, HALF_M), chart.at(-REAR_M, -HALF_M)
    free = min(min(1.2 - x, x, 0.45 - y, 0.45 + y) for x, y in (left, right))
    assert free == pytest.approx(zone.s.drop.clear_m / math.sqrt(2.0))


def test_a_lost_chart_is_put_right_before_the_way_to_the_corner(zone):
    zone.chart.lost = True
    finish(deposit.berth(zone, 0))
    assert zone.asked[:2] == ["look", "go"]


# ------------------------------------------------------------------------------------------- berths not seen


def paint(z: Any, colour: str, corner: int, places: int = 0) -> None:
    """Let so many places in a corner have been seen in a colour, as many as make a berth if not given."""
    x, y = z.corner(corner)
    inward = outward(corner) + math.pi
    for i in range(places or z.s.drop.least):
        z.colours.append((x + (0.1 + 0.006 * i) * math.cos(inward), y + (0.1 + 0.006 * i) * math.sin(inward), colour))


def searched(z: Any) -> list[int]:
    return [corner for name, corner in z.said if name == "berth search"]


def seen_at(z: Any, monkeypatch: pytest.MonkeyPatch, colour: str, corner: int) -> None:
    """Let a berth be seen once the robot has driven up to its corner."""
    straight = deposit.straight

    async def up_to(z: Any, way: float, *args: Any) -> None:
        await straight(z, way, *args)
        x, y = z.corner(corner)
        if math.hypot(x - z.chart.x, y - z.chart.y) < z.s.drop.look_m + 1e-6:
            paint(z, colour, corner)

    monkeypatch.setattr(deposit, "straight", up_to)


def test_a_berth_that_was_not_seen_is_looked_for_in_corners_that_have_none(zone, monkeypatch):
    """Blue lies in corner 0, an opening beside corner 2, the robot stands nearer to corner 1; yellow lies in 3."""
    zone.load.holds["left"] += ["kit"]
    paint(zone, "blue", 0)
    zone.openings.found = [Opening(3, 0.15, 0.28)]
    zone.chart.place(0.3, 0.2, 0.0, 0.01, 0.01)
    seen_at(zone, monkeypatch, "yellow", 3)
    known = finish(deposit.find_berths(zone))
    assert searched(zone) == [1, 3]
    assert known == {"blue": 0, "yellow": 3}
    assert zone.asked == ["go", "turn", "on", "back"] * 2  # not docked, and nothing dropped


def test_the_search_stops_once_what_is_missing_is_found(zone, monkeypatch):
    zone.load.holds["left"] += ["kit"]
    zone.chart.place(0.9, 0.2, 0.0, 0.01, 0.01)
    seen_at(zone, monkeypatch, "yellow", 0)
    assert finish(deposit.find_berths(zone)) == {"yellow": 0}
    assert searched(zone) == [0]


def test_a_foreign_berth_does_not_end_the_search_and_corners_beside_openings_come_last(zone, monkeypatch):
    """What was taken for an opening may be none; a berth may lie there."""
    zone.load.holds["left"] += ["kit"]
    zone.chart.place(0.9, 0.2, 0.0, 0.01, 0.01)
    seen_at(zone, monkeypatch, "red", 0)
    zone.openings.found = [Opening(2, 0.0, 0.25), Opening(1, 0.15, 0.28), Opening(3, 1.05, 0.28)]
    assert finish(deposit.find_berths(zone)) == {}
    assert searched(zone) == [0, 2, 1, 3]


@pytest.mark.parametrize("corner", range(4))
def test_it_drives_up_to_a_corner_with_an_eye_on_strips_and_back(zone, corner):
    zone.load.holds["left"] += ["kit"]
    x, y = zone.corner(corner)
    zone.chart.place(0.5 * (x + 0.6), 0.5 * y, 0.0, 0.01, 0.01)
    finish(deposit.find_berths(zone))
    first, *_ = zone.watched
    assert searched(zone)[0] == corner
    assert math.hypot(x - first[0], y - first[1]) == pytest.approx(zone.s.drop.look_m)
    assert math.atan2(y - first[1], x - first[0]) == pytest.approx(math.remainder(outward(corner), math.tau))
    assert len(zone.watched) == 4  # each is looked into once, and only the way there is
    x, y = zone.corner(searched(zone)[-1])
    assert math.hypot(x - zone.chart.x, y - zone.chart.y) == pytest.approx(zone.s.drop.off_m)


def test_no_corner_is_driven_at_that_nobody_knows(zone):
    zone.load.holds["left"] += ["kit"]
    zone.chart.walls[0] = None
    finish(deposit.find_berths(zone))
    assert sorted(searched(zone)) == [1, 2]


def whole(z: Any, monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, int]]:
    """Deposit, with what is dropped only noted."""
    dropped: list[tuple[str, int]] = []

    async def drop(z: Any, visit: deposit.Visit, corner: int) -> bool:
        dropped.append((visit.colour, corner))
        del z.load.holds[visit.side][: visit.number]
        return True

    monkeypatch.setattr(deposit, "drop", drop)
    finish(deposit.deposit(z))
    return dropped


def test_what_the_search_found_is_dropped_there(zone, monkeypatch):
    zone.load.holds["left"] += ["kit"]
    zone.load.holds["right"] += ["black"]
    paint(zone, "blue", 0)
    seen_at(zone, monkeypatch, "yellow", 2)
    assert whole(zone, monkeypatch) == [("yellow", 2), ("blue", 0)]
    assert zone.load.count == 0
    assert "no berth" not in [name for name, _ in zone.said]


def test_where_two_berths_seem_to_lie_in_one_corner_both_are_looked_for_anew(zone, monkeypatch):
    """A chart that came back turned by a quarter has put them there: nothing is dropped by what it noted."""
    zone.load.holds["left"] += ["kit"]
    zone.load.holds["right"] += ["black"]
    zone.chart.place(0.9, 0.2, 0.0, 0.01, 0.01)
    paint(zone, "blue", 1)
    paint(zone, "yellow", 1)
    seen_at(zone, monkeypatch, "yellow", 3)
    assert whole(zone, monkeypatch) == [("yellow", 3)]
    assert "berths contested" in [name for name, _ in zone.said]
    assert {1, 3} <= set(searched(zone))
    assert zone.load.holds["right"] == ["black"]  # its berth is not known any more, and not guessed


@pytest.mark.parametrize("missing", ["nothing on board", "all known", "too late"])
def test_nothing_is_looked_for_without_need_or_time(zone, monkeypatch, missing):
    paint(zone, "blue", 0)
    zone.load.holds["right"] += ["black"]
    if missing == "nothing on board":
        zone.load.holds["right"].clear()
    elif missing == "too late":
        zone.load.holds["left"] += ["kit"]
        zone.sample.time_s = zone.s.drop.until_s + 1.0
    dropped = whole(zone, monkeypatch)
    assert searched(zone) == []
    assert dropped == ([("blue", 0)] if missing == "all known" else [])


def test_jaws_are_closed_on_the_way_only_where_something_is_missing(zone):
    zone.complete = True
    finish(deposit.berth(zone, 0))
    assert "jaws" not in zone.asked


@pytest.mark.parametrize("others", [0, 1], ids=["the hold is emptied", "more stays in it"])
def test_those_that_lie_in_a_berth_are_pushed_deeper_before_each_that_has_no_room_beside_them(
    zone, monkeypatch, others
):
    """Backward farther than it came forward, and forward again farther than that, so that they are let go of."""
    ways: list[float] = []
    flaps: list[float] = []

    async def straight(z: Any, way: float, speed: float) -> None:
        ways.append(way)

    async def flap(z: Any, angle: float) -> Any:
        flaps.append(angle)
        return SimpleNamespace(valid=True, angle_rad=angle)

    async def berth(z: Any, corner: int) -> None:
        pass

    for name, call in (("straight", straight), ("flap", flap), ("berth", berth)):
        monkeypatch.setattr(deposit, name, call)
    zone.load.holds["left"] += ["kit"] * 4 + ["silver"] * others
    assert finish(deposit.drop(zone, deposit.Visit("left", "yellow", 4), 0))
    s, gate = zone.s.drop, zone.s.hand.gate_rad
    assert s.deeper_m > 0.0
    back = s.step_m + s.deeper_m
    push = [-back, back + s.push_m]
    last = [] if others else [s.step_m]
    assert ways[:-1] == pytest.approx([s.step_m, s.step_m, *push, *push, *last])
    assert ways[-1] > 0.0
    assert flaps == ([gate, 0.0] * 4 + [0.0] if others else [gate, 0.0])  # open as long as all may go
    assert (zone.load.holds["left"], zone.load.dropped) == (["silver"] * others, 4)


# --------------------------------------------------------------------------------------- closing the jaws standing


@pytest.mark.parametrize(("state", "took"), [(NOTHING, False), (HELD, True), (HELD, False), (JAMMED, True)])
def test_standing_jaws_take_what_they_hold_and_open_on_the_way_where_they_hold_nothing(monkeypatch, state, took):
    done: list[Any] = []
    z: Any = SimpleNamespace(robot=SimpleNamespace(gripper=lambda angle: done.append(angle)))

    async def close(z: Any) -> str:
        done.append("close")
        return state

    async def take(z: Any, found: str) -> bool:
        done.append(found)
        return took

    monkeypatch.setattr(collect, "close_jaws", close)
    monkeypatch.setattr(collect, "try_jaws", take)
    assert finish(collect.take_standing(z)) == took
    assert done == ["close", 0.0 if state == NOTHING else state]
