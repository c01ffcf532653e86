"""What comes of what closed jaws met: taken, missed, jammed; and of a cube askew between them on the whole fake."""

import math
from types import SimpleNamespace
from typing import Any

import pytest

from behaviours.zone import collect
from behaviours.zone.hand import HELD, JAMMED, NOTHING
from behaviours.zone.scene import Zone
from drivers.fake.zone.things import LEFT
from robotcore.readings import OK, Position
from robotcore.settings import replaced
from tests.chart_kit import charted
from tests.zone_kit import hand_on, zone_text
from tests.zone_runner import Place, let
from tests.zone_stand_in import StandIn, finish

FRONT_M, HALF_M = 0.10, 0.085  #: the rig: as in drivers/rigs/harbour.toml


@pytest.fixture
def zone(monkeypatch) -> Any:
    """A zone in which jaws close as `states` says and hold what is taken as `takes` says; `done` is what was done."""
    z: Any = StandIn()
    z.done, z.states, z.takes, z.missed = [], [], [], False
    z.chart, z.half_m = charted(0.5, 0.0, 0.0), HALF_M
    z.robot.body = SimpleNamespace(front_m=FRONT_M)
    z.robot.fault = lambda kind, text: z.done.append(kind)
    z.sample.gripper = Position(0.1, 0.0, 0.0, True, OK)

    async def close(z: Any) -> str:
        return str(z.states.pop(0))

    async def take(z: Any, attempt: int) -> bool:
        return bool(z.takes.pop(0))

    async def straight(z: Any, way: float, *_: Any) -> None:
        z.done.append(("straight", way))
        z.chart.x += way * math.cos(z.chart.heading)
        z.chart.y += way * math.sin(z.chart.heading)

    async def aside(z: Any, left: float) -> None:
        z.done.append(("aside", left))
        z.chart.x, z.chart.y = z.chart.x - 0.1, z.chart.y + left

    def note(name: str) -> Any:
        async def call(z: Any) -> None:
            z.done.append(name)

        return call

    for name, call in (
        ("close_jaws", close), ("take", take), ("straight", straight), ("back_aside", aside),
        ("open_jaws", note("open")), ("slow_down", note("slow")),
    ):  # fmt: skip
        monkeypatch.setattr(collect, name, call)
    return z


@pytest.mark.parametrize(
    ("states", "takes", "took", "missed"),
    [
        ([NOTHING], [], False, False),
        ([HELD], [True], True, False),
        ([HELD, NOTHING], [False], False, True),  # it slipped, and rolled away
        ([JAMMED, NOTHING], [], False, True),
        ([JAMMED, HELD], [True], True, False),
        ([JAMMED] * 9, [], False, True),
        ([HELD] * 9, [False] * 9, False, True),
    ],
)
@pytest.mark.parametrize("before", [False, True])
def test_what_was_met_and_not_taken_is_a_miss(zone, states, takes, took, missed, before):
    zone.states, zone.takes, zone.missed = list(states), list(takes), before
    assert finish(collect.try_jaws(zone)) == took
    assert zone.missed == missed


@pytest.mark.parametrize("state", [HELD, JAMMED])
def test_what_was_tried_only_once_and_not_taken_is_a_miss_too(zone, state):
    zone.s = replaced(zone.s, hand=replaced(zone.s.hand, tries=1))
    zone.states, zone.takes = [state], [False]
    assert not finish(collect.try_jaws(zone))
    assert zone.missed


def jam(z: Any, attempt: int, off_rad: float) -> list[Any]:
    """Let jaws be jammed, so much farther closed than where one thing askew begins; return what is done."""
    z.sample.gripper = Position(z.s.hand.askew_rad + off_rad, 0.0, 0.0, True, OK)
    finish(collect.unjam(z, attempt))
    return list(z.done)


@pytest.mark.parametrize("attempt", [0, 2])
def test_a_cube_that_lies_askew_is_let_go_and_squared_by_the_front(zone, attempt):
    assert jam(zone, attempt, 0.01) == ["open", ("straight", zone.s.hand.square_m), "slow"]


@pytest.mark.parametrize(("room_m", "way"), [(0.2, "square_m"), (0.06, "room"), (0.03, "least"), (0.0, "least")])
def test_a_cube_is_squared_no_nearer_to_a_wall_than_it_has_room(zone, room_m, way):
    """Between front and wall: the robot would be held up by it, and the tracks would slip."""
    zone.chart.x = 1.2 - FRONT_M - room_m
    h = zone.s.hand
    (_, (_, driven), _) = jam(zone, 0, 0.01)
    assert driven == pytest.approx({"square_m": h.square_m, "room": room_m - h.behind_m, "least": 0.01}[way])


@pytest.mark.parametrize("heading", [0.0, 0.3, -0.3])
def test_the_front_has_room_until_one_of_its_ends_touches(zone, heading):
    """By the closed form: an end at (front, half) turned by the heading, and on by the way there is."""
    zone.chart.place(0.9, 0.0, heading, 0.01, 0.01)
    room_m = collect.front_room_m(zone)
    x = 0.9 + (FRONT_M + room_m) * math.cos(heading) + HALF_M * math.sin(abs(heading))
    assert x == pytest.approx(1.2)
    zone.chart.x = 1.19
    assert collect.front_room_m(zone) == 0.0


def test_it_comes_again_from_beside_no_farther_than_to_a_wall(zone):
    zone.chart.x = 1.2 - FRONT_M - 0.02
    done = jam(zone, 1, 0.01)
    assert done[2] == ("straight", pytest.approx(0.11))
    zone.done.clear()
    zone.chart.x = 1.2 - FRONT_M + 0.005  # it stands nearer than the chart says
    done = jam(zone, 1, 0.01)
    assert done[2] == ("straight", pytest.approx(0.095))


@pytest.mark.parametrize(("attempt", "off_rad"), [(0, -0.01), (1, -0.01), (1, 0.01)])
def test_of_two_things_one_is_met_from_beside_and_a_cube_that_stays_askew_too(zone, attempt, off_rad):
    """By turns from the left and from the right; it comes back as far as it went, and a little farther."""
    done = jam(zone, attempt, off_rad)
    left = zone.s.hand.aside_m * (1.0 if attempt == 0 else -1.0)
    assert done == ["open", ("aside", left), ("straight", pytest.approx(0.11)), "slow"]


def test_jaws_that_nobody_sees_are_taken_for_two_things(zone):
    zone.sample.gripper = Position(math.nan, 0.0, 0.0, False, OK)
    finish(collect.unjam(zone, 0))
    assert ("aside", zone.s.hand.aside_m) in zone.done


@pytest.mark.slow
@pytest.mark.parametrize("askew_deg", [22, 32, 42, -22, -32, -42])
def test_a_cube_askew_between_the_jaws_is_taken(tmp_path, askew_deg):
    """On the fake it jams the jaws by its corners, by MECHANICS.md from 20 to 45 degrees."""
    hand = hand_on(tmp_path, zone_text(("kit", [840, 600])), "seed=3").go(0.1).put(0.7, 0.6)
    hand.thing("kit-1").heading = math.radians(askew_deg)

    async def run(z: Zone) -> bool:
        return await collect.try_jaws(z)

    zone, took = let(hand, Place(), run)
    assert took
    assert not zone.missed
    assert hand.thing("kit-1").place == LEFT
    assert zone.load.holds["left"] == ["kit"]
