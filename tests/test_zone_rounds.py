"""What is swept in which order: rounds, comb, middle; each wall of the comb; lanes; and what stands in the way."""

import itertools
import math
from types import SimpleNamespace
from typing import Any

import pytest

from behaviours.zone import comb, sweep
from behaviours.zone.chart import ENTRY, LEFT, NORMALS, QUARTER, Chart
from behaviours.zone.drive import SEEN, STRIP, THERE, lane_along
from behaviours.zone.openings import Opening
from behaviours.zone.scene import Zone
from behaviours.zone.settings import ChartSettings
from robotcore.rig import Mount
from tests.zone_stand_in import StandIn, finish, put

FRONT_M, HALF_M = 0.10, 0.085  #: the rig: as in drivers/rigs/harbour.toml
JAWS_M, MOUTH_M, LARGEST_M = 0.060, 0.110, 0.050  #: of jaws and objects, by MECHANICS.md


@pytest.fixture
def zone(monkeypatch) -> Any:
    """A zone of 1.2 by 0.9 m that knows its walls, and where `called` names what is only noted in `done`."""
    z: Any = StandIn()
    z.done, z.half_m, z.turn, z.openings = [], HALF_M, 1, SimpleNamespace(found=[])
    z.swing_m, z.complete, z.late, z.counted = math.hypot(FRONT_M, HALF_M) + 0.01, False, False, True
    z.robot.body = SimpleNamespace(front_m=FRONT_M)
    z.robot.fault = lambda kind, text: z.done.append((kind,))
    z.chart = Chart(ChartSettings(), Mount(0.03, -0.08, 0.06, -QUARTER), 0.14)
    z.chart.walls = [1.2, 0.45, 0.0, 0.45]
    z.chart.place(0.6, 0.1, 0.0, 0.001, 0.001)
    z.ends = lambda wall: Zone.ends(z, wall)
    z.held_in = lambda x, y: Zone.held_in(z, x, y)
    z.lane_m = lambda number: Zone.lane_m(z, number)

    async def go_to(z: Any, x: float, y: float, **_: Any) -> None:
        z.done.append(("go_to", x, y))
        z.chart.x, z.chart.y = x, y

    async def turn_to(z: Any, heading: float) -> None:
        z.chart.heading = heading

    put(monkeypatch, "go_to", go_to)
    put(monkeypatch, "turn_to", turn_to)
    return z


def note(z: Any, monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    """Note calls of these in `done` instead of doing them."""
    for name in names:

        async def call(z: Any, *args: Any, name: str = name, **_: Any) -> None:
            z.done.append((name, *args))
            assert len(z.done) < 200, "it goes on for ever"
            if callable(z.after.get(name)):
                z.after[name]()

        put(monkeypatch, name, call)
    z.after = {}


# --------------------------------------------------------------------------------------------- the whole


def whole(z: Any, monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    note(z, monkeypatch, "first_round", "later_rounds", "find_exit", "comb", "middle")
    finish(sweep.sweep(z))
    return [entry if len(entry) > 1 else entry[0] for entry in z.done if entry != ("find_exit",)]


def ends(z: Any, name: str, what: str, count: int = 1) -> Any:
    """Return what makes `z.what` true after so many calls of `name`."""
    return lambda: setattr(z, what, sum(entry[0] == name for entry in z.done) >= count)


def order(z: Any, monkeypatch: pytest.MonkeyPatch, name: str, what: str, count: int = 1) -> list[Any]:
    note(z, monkeypatch, "first_round", "later_rounds", "find_exit", "comb", "middle")
    z.after[name] = ends(z, name, what, count)
    finish(sweep.sweep(z))
    return [entry if len(entry) > 1 else entry[0] for entry in z.done if entry != ("find_exit",)]


def test_rounds_then_the_comb_then_the_middle_then_lanes_between_and_the_comb_until_all_is_found(zone, monkeypatch):
    assert order(zone, monkeypatch, "comb", "complete", 3) == [
        "first_round", ("later_rounds", 1.0), "comb", "middle", ("later_rounds", 0.5), "comb", "comb"
    ]  # fmt: skip


def test_nothing_is_combed_with_all_on_board(zone, monkeypatch):
    assert order(zone, monkeypatch, "later_rounds", "complete") == ["first_round", ("later_rounds", 1.0)]


def test_the_comb_is_not_begun_once_it_is_late(zone, monkeypatch):
    assert "comb" not in order(zone, monkeypatch, "later_rounds", "late")


def test_where_nobody_knows_how_many_there_are_it_is_combed_once(zone, monkeypatch):
    zone.counted = False
    assert whole(zone, monkeypatch) == ["first_round", ("later_rounds", 1.0), "comb"]


def test_with_a_wall_missing_nothing_more_is_swept_and_that_is_said(zone, monkeypatch):
    zone.chart.walls[3] = None
    assert whole(zone, monkeypatch) == ["first_round", "lost"]


# --------------------------------------------------------------------------------------------- the comb


@pytest.mark.parametrize("turn", [1, -1])
def test_each_wall_is_combed_and_then_the_corner_to_which_its_teeth_lead(zone, monkeypatch, turn):
    zone.turn, zone.chart.heading = turn, 0.0
    note(zone, monkeypatch, "before_tooth", "tooth", "into_corner")
    finish(comb.comb(zone))
    walls = [entry[1] for entry in zone.done if entry[0] == "tooth"]
    assert list(dict.fromkeys(walls)) == [(ENTRY + turn * i) % 4 for i in range(4)]  # from the wall behind it on
    for i, (name, *args) in enumerate(zone.done):
        if name == "into_corner":
            _, wall, place, _ = next(entry for entry in zone.done[i::-1] if entry[0] == "tooth" and not entry[3])
            x, y = Zone.corner(zone, args[0]) or (0.0, 0.0)
            beside = zone.swing_m + zone.s.sweep.aside_m
            assert abs(place - (y if wall % 2 == 0 else x)) == pytest.approx(beside)  # its last tooth is there
    assert sum(entry[0] == "into_corner" for entry in zone.done) == 4
    firsts = [entry[1] for entry in zone.done if entry[0] == "before_tooth" and entry[3]]
    assert firsts == [*dict.fromkeys(walls), ENTRY]  # to the entry's doors once more across the floor


@pytest.mark.parametrize(("misses", "driven_in"), [(0, 1), (1, 2), (9, 2)])
def test_a_corner_is_driven_into_once_more_and_the_wall_beside_it_where_something_was_not_taken(
    zone, monkeypatch, misses, driven_in
):
    """What was let go of lies before the corner or at the wall beside it then."""
    note(zone, monkeypatch, "before_tooth", "tooth", "into_corner")
    left = [misses]

    def met() -> None:
        zone.missed, left[0] = left[0] > 0, left[0] - 1

    zone.after["into_corner"] = met
    zone.corner = lambda number: Zone.corner(zone, number)
    finish(comb.comb_corner(zone, LEFT))
    corner = zone.ends(LEFT)[1]
    x, _ = Zone.corner(zone, corner) or (0.0, 0.0)
    assert [args for name, *args in zone.done if name == "into_corner"] == [[corner]] * driven_in
    beside = [(wall, place, into) for name, wall, place, into in (e for e in zone.done if e[0] == "tooth")]
    assert beside == [
        (LEFT, pytest.approx(x + math.copysign(zone.swing_m + zone.s.sweep.aside_m, 0.6 - x)), False)
    ] * min(misses, driven_in)


@pytest.mark.parametrize("turn", [1, -1])
def test_the_front_goes_into_openings_by_their_doors_once_all_walls_and_corners_are_combed(zone, monkeypatch, turn):
    """What lies beside an opening, and beside the way to it, was taken or pushed away from it by then."""
    zone.turn = turn
    note(zone, monkeypatch, "before_tooth", "tooth", "into_corner")
    zone.robot.decide = lambda what, **_: zone.done.append((what,))
    zone.openings.found = [Opening(LEFT, 0.6, 0.28)]
    finish(comb.comb(zone))
    walls, said = [(ENTRY + turn * i) % 4 for i in range(4)], zone.done.index(("combed",))
    for told, into in ((zone.done[:said], False), (zone.done[said + 1 :], True)):
        places = {wall: comb.doors(zone, wall) if into else comb.teeth(zone, wall) for wall in walls}
        driven = [tuple(tooth) for name, *tooth in told if name == "tooth"]
        assert driven == [(wall, place, into) for wall in walls for place in places[wall]]
    corners = [i for i, (name, *_) in enumerate(zone.done) if name == "into_corner"]
    assert len(corners) == 4
    assert max(corners) < said
    opened = dict.fromkeys(wall for _, wall, _, into in (e for e in zone.done if e[0] == "tooth") if into)
    assert list(opened) == [wall for wall in walls if wall in (LEFT, ENTRY)]
    for (name, *come), (then, *tooth) in itertools.pairwise(zone.done):
        assert name != "before_tooth" or (then, tooth[:2]) == ("tooth", come[:2])


@pytest.mark.parametrize("what", ["complete", "late"])
def test_no_opening_is_gone_into_once_there_is_no_need_or_no_time(zone, monkeypatch, what):
    zone.openings.found = [Opening(LEFT, 0.6, 0.28)]
    note(zone, monkeypatch, "before_tooth", "tooth", "into_corner")
    zone.after["tooth"] = lambda: setattr(zone, what, zone.done[-1][3])  # with the first door
    finish(comb.comb(zone))
    assert sum(entry[3] for entry in zone.done if entry[0] == "tooth") == 1


@pytest.mark.parametrize("what", ["complete", "late"])
def test_the_comb_ends_with_the_tooth_after_which_there_is_no_need_or_no_time(zone, monkeypatch, what):
    note(zone, monkeypatch, "before_tooth", "tooth", "into_corner")
    zone.after["tooth"] = ends(zone, "tooth", what, 3)
    finish(comb.comb(zone))
    assert [entry[0] for entry in zone.done] == ["before_tooth", "tooth"] * 3


def plan_of(z: Any) -> list[tuple[float, bool]]:
    """Return places along the left wall: all its teeth, then the doors of the opening there."""
    z.openings.found = [Opening(LEFT, 0.6, 0.28)]
    return [(place, False) for place in comb.teeth(z, LEFT)] + [(place, True) for place in comb.doors(z, LEFT)]


def miss(z: Any, monkeypatch: pytest.MonkeyPatch, numbers: set[int]) -> list[tuple[float, bool]]:
    """Comb the left wall, where teeth of these numbers meet what they do not take; return what was driven."""
    plan = plan_of(z)
    note(z, monkeypatch, "before_tooth", "tooth")
    count = itertools.count(1)

    def met() -> None:
        z.missed = z.missed or next(count) in numbers

    z.after["tooth"] = met
    finish(comb.comb_wall(z, LEFT, plan))
    return [(entry[2], entry[3]) for entry in z.done if entry[0] == "tooth"]


def test_where_something_was_met_and_not_taken_the_places_beside_are_combed_once_more_and_then_the_rest(
    zone, monkeypatch
):
    plan, driven, pitch = plan_of(zone), miss(zone, monkeypatch, {4}), zone.s.sweep.comb_m
    place = plan[3][0]
    assert driven[:4] == plan[:4]
    assert sorted(driven[4:7]) == [(pytest.approx(place + off), False) for off in (-pitch, 0.0, pitch)]
    assert driven[7:] == plan[4:]
    firsts = [entry[3] for entry in zone.done if entry[0] == "before_tooth"]
    assert firsts == [True] + [False] * (len(firsts) - 1)


@pytest.mark.parametrize("end", [0, 1])
def test_beside_a_miss_next_to_a_corner_it_stays_within_the_bodys_reach(zone, monkeypatch, end):
    zone.openings.found = [Opening(LEFT, 0.6, 0.28)]
    places, reach = comb.teeth(zone, LEFT), comb.reach(zone, LEFT)
    number = min(range(len(places)), key=lambda i: abs(places[i] - reach[end]))
    driven = miss(zone, monkeypatch, {number + 1})
    inward = reach[end] + zone.s.sweep.comb_m * (1.0, -1.0)[end]
    again = sorted((place for place, _ in driven[number + 1 : number + 4]), key=lambda place: abs(place - reach[end]))
    assert again == pytest.approx([reach[end], reach[end], inward])


def test_it_comes_again_so_often_along_a_wall_and_to_the_wall_only(zone, monkeypatch):
    driven = miss(zone, monkeypatch, set(range(1, 200)))
    assert zone.s.sweep.again > 0
    assert len(driven) == len(plan_of(zone)) + 3 * zone.s.sweep.again
    assert sum(into for _, into in driven) == len(comb.doors(zone, LEFT))


def test_a_miss_at_a_door_is_combed_again_before_the_line(zone, monkeypatch):
    last = len(plan_of(zone))
    driven = miss(zone, monkeypatch, {last})
    assert [into for _, into in driven[last - 1 :]] == [True, False, False, False]


@pytest.mark.parametrize("wall", range(4))
@pytest.mark.parametrize("onward", [0.11, -0.11])
def test_the_next_tooth_is_backed_to_in_an_s(zone, monkeypatch, wall, onward):
    """Facing the wall, its left is a quarter turn further: by the dot product the S must go where the place is."""
    note(zone, monkeypatch, "back_aside", "make_room")
    here = 0.0 if wall % 2 == 0 else 0.5
    zone.chart.place(*((0.6, here) if wall % 2 == 0 else (here, 0.1)), wall * QUARTER, 0.001, 0.001)
    finish(comb.before_tooth(zone, wall, here + onward, False))
    (name, left), *more = zone.done
    lx, ly = math.cos(wall * QUARTER + QUARTER), math.sin(wall * QUARTER + QUARTER)
    assert not more
    assert name == "back_aside"
    assert left * (ly if wall % 2 == 0 else lx) == pytest.approx(onward)


@pytest.mark.parametrize("wall", range(4))
@pytest.mark.parametrize("turned", range(4))
@pytest.mark.parametrize("farther", [-0.01, 0.01])
def test_the_s_is_slow_where_another_walls_opening_is_near(zone, monkeypatch, wall, turned, farther):
    """The rear kicks what lies behind or beside; before the own wall's opening it goes away from it."""
    asked: list[float] = []

    async def aside(z: Any, left: float, speed_m_s: float = 0.0) -> None:
        asked.append(speed_m_s)

    put(monkeypatch, "back_aside", aside)
    s, opened = zone.s.sweep, (wall + turned) % 4
    zone.chart.place(0.6, 0.0, wall * QUARTER, 0.001, 0.001)
    zone.chart.walls = [1.6, 1.0, 0.4, 1.0]  # a metre away each
    zone.chart.walls[opened] = s.kick_m + farther + (0.6, 0.0, -0.6, 0.0)[opened]
    low = 0.6 if opened % 2 else 0.0
    zone.chart.gaps = [(opened, low - 0.14, low + 0.14)]
    place = (0.0 if wall % 2 == 0 else 0.6) + 0.1
    finish(comb.before_tooth(zone, wall, place, False))
    assert asked == [s.slow_m_s if opened != wall and farther < 0.0 else s.comb_m_s]
    assert s.slow_m_s < s.comb_m_s


@pytest.mark.parametrize("wall", range(4))
@pytest.mark.parametrize("first", [True, False])
def test_the_first_tooth_and_a_far_one_are_gone_to_across_the_floor(zone, monkeypatch, wall, first):
    note(zone, monkeypatch, "back_aside", "make_room")
    place = 0.2 if wall % 2 == 0 else 0.7
    near = place + (0.01 if first else 0.2)
    zone.chart.place(*((0.6, near) if wall % 2 == 0 else (near, 0.0)), 1.0, 0.001, 0.001)
    finish(comb.before_tooth(zone, wall, place, first))
    assert [entry[0] for entry in zone.done] == ["make_room", "go_to"]  # it stands there, so nothing is left aside
    assert (zone.chart.y if wall % 2 == 0 else zone.chart.x) == pytest.approx(place)
    assert math.cos(zone.chart.heading - wall * QUARTER) == pytest.approx(1.0)
    nx, ny = NORMALS[wall]
    room = zone.chart.walls[wall] - zone.chart.x * nx - zone.chart.y * ny
    assert room > zone.swing_m
    assert room > math.hypot(FRONT_M + JAWS_M, 0.5 * MOUTH_M) + LARGEST_M  # no jaw sweeps what lies at the wall along


# --------------------------------------------------------------------------------------------- inner rounds


def test_a_leg_ends_where_the_next_lane_begins_and_the_last_of_a_round_where_the_next_round_does(zone, monkeypatch):
    """Zone 1.2 by 0.9 m: lanes at 0.225, 0.32 and 0.415 m, and to 0.45 m at the last one's end."""
    note(zone, monkeypatch, "inner_leg")
    zone.chart.heading = 0.0
    finish(sweep.later_rounds(zone, 1.0))
    offs = [(entry[1].off_m, entry[2]) for entry in zone.done]
    lanes = [min(0.45, zone.lane_m(number)) for number in (1, 2, 3)]
    rounds = [offs[i : i + 4] for i in range(0, len(offs), 4)]
    assert len(rounds) == 3  # from 0.415 m the middle is swept as well
    for legs, off, after in zip(rounds, lanes, [*lanes[1:], 0.45], strict=False):
        assert legs[:3] == [(pytest.approx(off), pytest.approx(off))] * 3
        assert legs[3] == (pytest.approx(off), pytest.approx(after))


def inner(z: Any, monkeypatch: pytest.MonkeyPatch, reasons: list[str], room_m: float = 0.5) -> list[Any]:
    note(z, monkeypatch, "survey_if_due", "turn_and_fetch", "approach", "try_jaws", "straight", "roll_and_try")

    async def run(z: Any, lane: Any, end: float) -> str:
        z.done.append(("run",))
        return reasons.pop(0)

    put(monkeypatch, "run_lane", run)
    z.chart.place(1.2 - room_m, 0.0, 0.3, 0.01, 0.01)
    finish(sweep.inner_leg(z, lane_along(z, 3, 0.3), 0.3))
    return [entry[0] for entry in z.done]


def test_a_leg_fetches_what_it_sees_and_goes_on(zone, monkeypatch):
    assert inner(zone, monkeypatch, [SEEN, SEEN, THERE]) == [
        "survey_if_due", "turn_and_fetch", *["run", "approach", "try_jaws"] * 2, "run", "roll_and_try"
    ]  # fmt: skip


def test_a_leg_backs_off_a_strip(zone, monkeypatch):
    assert inner(zone, monkeypatch, [STRIP])[2:] == ["run", "straight", "roll_and_try"]
    assert next(entry for entry in zone.done if entry[0] == "straight")[1] < 0.0


def test_a_leg_without_way_is_not_driven(zone, monkeypatch):
    assert inner(zone, monkeypatch, [], room_m=0.315) == []


# ------------------------------------------------------------------------------------- what stands in the way


@pytest.mark.parametrize("turn", [1, -1])
def test_what_holds_the_robot_up_is_come_at_from_the_inside_and_the_tracks_slip_is_no_way(zone, monkeypatch, turn):
    """Light last grew at x = 0.7: there the robot has stood since, though its tracks went on by 40 mm."""
    zone.turn, zone.reached = turn, (0.70, 0.10)
    zone.chart.place(0.74, 0.10, 0.0, 0.01, 0.01)
    note(zone, monkeypatch, "back_aside", "survey")

    async def try_jaws(z: Any) -> bool:
        z.chart.x -= 0.03  # backing off and coming again by as much less
        return False

    put(monkeypatch, "try_jaws", try_jaws)
    before = zone.chart.heading_sd_rad
    assert finish(sweep.unblock(zone, lane_along(zone, 3, 0.2), 0))
    assert (zone.chart.x, zone.chart.y) == (pytest.approx(0.67), pytest.approx(0.10))
    assert zone.chart.heading_sd_rad > before
    (name, left), *more = zone.done
    assert (name, more) == ("back_aside", [])
    assert left * turn > 0.0  # the range sensor, and so the wall, is on the other side
    assert not finish(sweep.unblock(zone, lane_along(zone, 3, 0.2), 1))
    assert zone.done[-1] == ("survey",)


def test_what_was_pushed_along_is_taken_and_the_tracks_told_the_truth(zone, monkeypatch):
    zone.reached = 0.70, 0.10
    zone.chart.place(0.74, 0.10, 0.0, 0.01, 0.01)

    async def try_jaws(z: Any) -> bool:
        return True

    put(monkeypatch, "try_jaws", try_jaws)
    assert finish(sweep.unblock(zone, lane_along(zone, 3, 0.2), 0))
    assert zone.chart.x == pytest.approx(0.74)


@pytest.mark.parametrize("corner", range(4))
def test_pressed_into_a_corner_the_tracks_slip_and_the_body_may_turn(zone, monkeypatch, corner):
    """The way on which nothing can stop the body yet counts; what is pressed beyond that does not."""
    note(zone, monkeypatch, "survey_if_due", "take_standing")
    zone.corner = lambda number: Zone.corner(zone, number)
    put(monkeypatch, "strip_ahead", lambda z: None)
    ways: list[float] = []

    async def onward(z: Any, way: float, *_: Any) -> None:
        ways.append(way)
        z.chart.x += way * math.cos(z.chart.heading)
        z.chart.y += way * math.sin(z.chart.heading)

    put(monkeypatch, "straight", onward)
    put(monkeypatch, "press", onward)
    finish(comb.into_corner(zone, corner))
    driven, pressed, back = ways
    assert pressed > 0.02
    assert back < 0.0
    cx, cy = zone.corner(corner)
    away = math.hypot(cx - zone.chart.x, cy - zone.chart.y)
    assert away == pytest.approx(FRONT_M + HALF_M - back)  # both front edges were at the walls
    assert driven > 0.0
    assert zone.chart.heading_sd_rad >= zone.s.sweep.twist_rad


# ------------------------------------------------------------------------------------------------ the way out


@pytest.mark.parametrize("found_on", [1, 3])
def test_the_walls_are_passed_until_a_way_out_is_found(zone, monkeypatch, found_on):
    note(zone, monkeypatch, "survey_if_due", "pass_wall")
    put(monkeypatch, "say_openings", lambda z, wall: None)
    put(monkeypatch, "exits", lambda z: [e for e in z.done if e[0] == "pass_wall"][found_on - 1 :])
    finish(sweep.find_exit(zone))
    walls = [entry[1] for entry in zone.done if entry[0] == "pass_wall"]
    assert walls == [(3 + number) % 4 for number in range(found_on)]


def test_no_wall_is_passed_where_the_way_out_is_known_or_time_is_short(zone, monkeypatch):
    note(zone, monkeypatch, "survey_if_due", "pass_wall")
    put(monkeypatch, "exits", lambda z: [1])
    finish(sweep.find_exit(zone))
    put(monkeypatch, "exits", lambda z: [])
    zone.late = True
    finish(sweep.find_exit(zone))
    assert not zone.done
