"""When closed jaws are known to have met something or nothing, and what comes of it: taken, missed, jammed.

And a cube askew between them on the whole fake.
"""

import math
from types import SimpleNamespace
from typing import Any

import pytest

from behaviours.zone import collect
from behaviours.zone.hand import HELD, JAMMED, NOTHING, close_jaws, jaws
from behaviours.zone.scene import Zone
from drivers.fake.zone.things import LEFT
from robotcore.readings import OK, STALE, Position
from robotcore.settings import replaced
from tests.chart_kit import charted
from tests.zone_kit import hand_on, zone_text
from tests.zone_runner import Place, let
from tests.zone_stand_in import PERIOD_S, StandIn, finish

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


# ------------------------------------------------------------------------------------------------ closing


class Closing(StandIn):
    """A robot whose jaws follow at 3 rad/s what is asked, no farther than `meets_rad`; `blind` ticks read nothing."""

    def __init__(self, meets_rad: float = math.inf, blind: range = range(0)) -> None:
        super().__init__()
        self.meets_rad, self.blind, self.asked, self.angle, self.ticks = meets_rad, blind, 0.0, 0.0, 0
        self.robot.gripper = self.gripper
        self.read(0.0)

    def gripper(self, angle_rad: float) -> None:
        self.asked = angle_rad

    def read(self, speed: float) -> None:
        valid = self.ticks not in self.blind
        self.sample.gripper = Position(self.angle, speed, 0.0, valid, OK if valid else STALE)

    async def step(self) -> Any:
        self.ticks += 1
        before, self.angle = self.angle, min(self.asked, self.meets_rad, self.angle + 3.0 * PERIOD_S)
        self.read((self.angle - before) / PERIOD_S)
        return await super().step()


STILL = 12  #: ticks of 10 ms make the 0.12 s for which jaws must stand still


def ticks_to(angle_rad: float) -> int:
    return math.ceil(angle_rad / (3.0 * PERIOD_S) - 1e-9)


def test_empty_jaws_are_known_as_soon_as_they_pass_where_the_least_thing_would_stop_them():
    """They need not stand still first: that takes as long again."""
    z: Any = Closing()
    h = z.s.hand
    assert finish(close_jaws(z)) == NOTHING
    assert z.ticks == ticks_to(h.closed_rad - h.something_rad)
    assert z.ticks < 0.55 * (ticks_to(h.grip_rad) + STILL)


@pytest.mark.parametrize(
    ("short", "state"),
    [("something_rad", HELD), ("jammed_rad", JAMMED), ("closed_rad", JAMMED)],
)
def test_jaws_that_hold_something_are_waited_for_until_they_stand_still(short, state):
    """Short of there they may still go on: what gives way a little is not judged before it stops."""
    z: Any = Closing()
    h = z.s.hand
    z.meets_rad = max(0.02, h.closed_rad - getattr(h, short) - 0.004)
    assert finish(close_jaws(z)) == state
    assert z.sample.gripper.angle_rad == z.meets_rad
    assert z.ticks == ticks_to(z.meets_rad) + STILL


def test_what_slips_out_of_jaws_that_had_stopped_for_a_moment_was_not_held():
    z: Any = Closing(meets_rad=0.5)
    step = z.step

    async def slip() -> Any:
        if z.ticks == ticks_to(0.5) + STILL - 2:
            z.meets_rad = math.inf
        return await step()

    z.step = slip
    h = z.s.hand
    assert finish(close_jaws(z)) == NOTHING
    assert z.ticks == ticks_to(0.5) + STILL - 2 + ticks_to(h.closed_rad - h.something_rad - 0.5)


def test_jaws_that_nobody_sees_pass_nothing():
    z: Any = Closing(blind=range(10, 30))
    assert finish(close_jaws(z)) == NOTHING
    assert z.ticks == 30


def test_jaws_that_are_told_of_no_such_place_go_all_the_way_and_stand_still():
    z: Any = Closing()
    h = z.s.hand
    assert finish(jaws(z, h.grip_rad, h.close_s)).angle_rad == pytest.approx(h.grip_rad)
    assert z.ticks == ticks_to(h.grip_rad) + STILL


# ----------------------------------------------------------------------------------------- what comes of it


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
