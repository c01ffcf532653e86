"""Backing into a berth, and taking along what is met on the way: what is done in which order, on a true chart."""

import math
from types import SimpleNamespace
from typing import Any

import pytest

from behaviours.zone import collect, deposit
from behaviours.zone.chart import QUARTER, Chart
from behaviours.zone.hand import HELD, JAMMED, NOTHING
from behaviours.zone.scene import Zone, outward
from behaviours.zone.settings import ChartSettings, ZoneSettings
from robotcore.rig import Mount
from tests.zone_stand_in import finish

REAR_M, HALF_M = 0.10, 0.085


@pytest.fixture
def zone(monkeypatch) -> Any:
    """A zone of 1.2 by 0.9 m; where the robot is told to go it is at once, and what was asked is kept in `asked`."""
    chart = Chart(ChartSettings(), Mount(0.03, -0.08, 0.06, -QUARTER), 0.14)
    chart.walls = [1.2, 0.45, 0.0, 0.45]
    z: Any = SimpleNamespace(
        s=ZoneSettings(), chart=chart, half_m=HALF_M, visited=set(), complete=False, asked=[],
        robot=SimpleNamespace(body=SimpleNamespace(rear_m=REAR_M), decide=lambda name, **fields: None),
    )  # fmt: skip
    z.corner = lambda number: Zone.corner(z, number)

    async def go_to(z: Any, x: float, y: float, **_: Any) -> None:
        z.asked.append("go")
        z.chart.x, z.chart.y = x, y

    async def turn_to(z: Any, heading: float) -> None:
        z.asked.append("turn")
        z.chart.heading = heading

    async def straight(z: Any, way: float, speed: float) -> None:
        z.asked.append("back" if way < 0.0 else "on")
        z.chart.x += way * math.cos(z.chart.heading)
        z.chart.y += way * math.sin(z.chart.heading)

    def note(name: str) -> Any:
        async def call(z: Any, *args: Any) -> bool:
            z.asked.append(name)
            return True

        return call

    for name, call in (
        ("go_to", go_to), ("turn_to", turn_to), ("straight", straight), ("survey", note("look")),
        ("rest", note("rest")), ("roll_and_try", note("jaws")),
    ):  # fmt: skip
        monkeypatch.setattr(deposit, name, call)
    return z


@pytest.mark.parametrize("corner", range(4))
def test_it_looks_round_before_it_backs_up(zone, corner):
    """No wall told on the way how the tracks slipped; after the look the place is taken up anew."""
    finish(deposit.berth(zone, corner))
    assert zone.asked == ["go", "jaws", "look", "go", "turn", "back", "rest"]
    assert zone.visited == {corner}


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


def test_jaws_are_closed_on_the_way_only_where_something_is_missing(zone):
    zone.complete = True
    finish(deposit.berth(zone, 0))
    assert "jaws" not in zone.asked


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
