"""Looking into corners, and teeth that touch walls only where they must: what is driven, on a stand-in's chart."""

import math
from types import SimpleNamespace
from typing import Any

import pytest

from behaviours.zone import comb
from behaviours.zone.drive import TOUCH
from behaviours.zone.openings import Opening
from tests.zone_stand_in import StandIn, finish, put

FRONT_M, HALF_M = 0.10, 0.085  #: the rig: as in drivers/rigs/harbour.toml


@pytest.fixture
def zone(monkeypatch) -> Any:
    """A zone of 1.2 by 0.9 m entered in the middle of a side; what is driven is written down, not driven."""
    z: Any = StandIn()
    z.done, z.half_m, z.turn, z.openings = [], HALF_M, 1, SimpleNamespace(found=[])
    z.robot.body = SimpleNamespace(front_m=FRONT_M)
    z.front.forget = lambda: None
    z.chart = SimpleNamespace(
        x=0.6,
        y=0.0,
        walls=[1.2, 0.45, 0.0, 0.45],
        doubt_m=lambda wall: z.doubt,
        room=lambda *_: 0.2,
        doubt=lambda sd_m, sd_rad: None,
    )
    z.corner = lambda number: ((1.2, 0.45), (0.0, 0.45), (0.0, -0.45), (1.2, -0.45))[number]

    async def go_to(z: Any, x: float, y: float, **_: Any) -> None:
        z.chart.x, z.chart.y = x, y

    def note(name: str, result: Any = None) -> Any:
        async def call(z: Any, *args: Any, **_: Any) -> Any:
            z.done.append((name, *args[:1]))
            return result

        return call

    put(monkeypatch, "go_to", go_to)
    put(monkeypatch, "strip_ahead", lambda z: None)
    for name, result in (
        ("turn_to", None), ("straight", ""), ("press", None), ("take_standing", False), ("survey_if_due", None),
        ("approach", TOUCH), ("dock", None),
    ):  # fmt: skip
        put(monkeypatch, name, note(name, result))
    return z


@pytest.mark.parametrize("corner", range(4))
def test_both_front_edges_come_to_a_corner_and_the_jaws_close_on_what_lies_in_it(zone, corner):
    """On a diagonal the front stops half its width before the corner; a ball of radius r lies r sqrt(2) from it."""
    finish(comb.into_corner(zone, corner))
    ways = {name: args for name, *args in zone.done}
    assert ways["turn_to"] == [pytest.approx((corner + 0.5) * math.pi / 2)]
    far = zone.s.drop.off_m - zone.done[[n for n, *_ in zone.done].index("straight")][1] - ways["press"][0]
    assert far <= FRONT_M + HALF_M  # pressed: the edges touch before the way is over
    assert [name for name, *_ in zone.done].index("take_standing") > [name for name, *_ in zone.done].index("press")
    ball_m = HALF_M - math.sqrt(2.0) * 0.0225
    assert 0.0 < ball_m < 0.055  # between the jaws, by the machine's table: 55 mm and less before the front


def test_a_corner_next_to_an_opening_is_left_alone(zone):
    zone.openings.found = [Opening(0, 0.31, 0.28)]
    finish(comb.into_corner(zone, 0))
    assert not zone.done
    finish(comb.into_corner(zone, 1))
    assert zone.done


@pytest.mark.parametrize(("doubt_m", "docks"), [(0.005, False), (0.02, True)])
def test_a_tooth_touches_the_wall_only_to_know_where_it_is(zone, doubt_m, docks):
    zone.doubt = doubt_m
    finish(comb.tooth(zone, 0, 0.3))
    names = [name for name, *_ in zone.done]
    assert "take_standing" in names
    assert ("dock" in names) == docks
