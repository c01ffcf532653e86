"""The comb and what goes with it: teeth, openings, sight in a turn, the middle; on a true chart, driving at once."""

import itertools
import math
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from behaviours.zone import comb, sweep
from behaviours.zone.chart import ENTRY, NORMALS, QUARTER, Chart
from behaviours.zone.comb import THE_ENTRY, doors, gaps_of, is_open, outward_from, play, side_by_side, teeth
from behaviours.zone.drive import LATE, SEEN, STRIP, THERE, TOUCH, lane_along, lane_start
from behaviours.zone.openings import NOMINAL_M, Opening
from behaviours.zone.scene import Zone
from behaviours.zone.settings import ChartSettings
from behaviours.zone.sweep import Sight, turn_and_fetch
from robotcore.rig import Mount
from tests.zone_stand_in import StandIn, finish, put

FRONT_M, HALF_M = 0.10, 0.085  #: the rig: as in drivers/rigs/harbour.toml
WALLS = 1.2, 0.45, 0.0, 0.45


@pytest.fixture
def zone(monkeypatch) -> Any:
    """A zone of 1.2 by 0.9 m; driving takes no time, and what was asked stands in `done`."""
    z: Any = StandIn()
    z.done, z.half_m, z.turn, z.openings = [], HALF_M, 1, SimpleNamespace(found=[])
    z.swing_m, z.complete, z.late = math.hypot(FRONT_M, HALF_M) + z.s.sweep.swing_m, False, False
    z.robot.body = SimpleNamespace(front_m=FRONT_M)
    z.front.forget = lambda: z.done.append(("forget",))
    z.front.something = True
    z.chart = Chart(ChartSettings(), Mount(0.03, -0.08, 0.06, -QUARTER), 0.14)
    z.chart.walls = list(WALLS)
    z.chart.place(0.6, 0.1, 0.0, 0.001, 0.001)
    z.reason, z.took = THERE, []

    async def go_to(z: Any, x: float, y: float, **_: Any) -> None:
        z.done.append(("go_to", x, y))
        z.chart.x, z.chart.y = x, y

    async def straight(z: Any, way: float, speed: float, stop: Any = None, end: float = 0.03) -> str:
        z.done.append(("straight", way, speed, end))
        z.chart.x += way * math.cos(z.chart.heading)
        z.chart.y += way * math.sin(z.chart.heading)
        return str(z.reason)

    async def take_standing(z: Any) -> bool:
        z.done.append(("jaws", z.chart.room(z.chart.ahead(), FRONT_M)))
        return bool(z.took.pop(0)) if z.took else False

    async def approach(z: Any, most: float, *args: Any, **_: Any) -> str:
        z.done.append(("approach", most))
        z.chart.x += most * math.cos(z.chart.heading)
        z.chart.y += most * math.sin(z.chart.heading)
        return TOUCH

    def note(name: str) -> Any:
        async def call(z: Any, *args: Any, **_: Any) -> bool:
            z.done.append((name, *args))
            return False

        return call

    put(monkeypatch, "strip_ahead", lambda z: None)
    for name, call in (
        ("go_to", go_to), ("straight", straight), ("take_standing", take_standing), ("approach", approach),
        *((name, note(name)) for name in ("dock", "rest", "try_jaws", "survey_if_due", "inner_leg")),
    ):  # fmt: skip
        put(monkeypatch, name, call)
    return z


def names(z: Any) -> list[str]:
    return [name for name, *_ in z.done]


# ------------------------------------------------------------------------------------------- sight in a turn


def test_light_where_no_wall_can_be_is_something_on_the_floor(zone):
    assert Sight(zone)() == SEEN
    zone.front.something = False
    assert Sight(zone)() == ""


@pytest.mark.parametrize(("y", "heading"), [(0.415, 0.0), (-0.415, 0.0)], ids=["at +field", "at -field"])
def test_light_may_be_a_wall_at_the_rim_of_the_eyes_field(zone, y, heading):
    """Straight on it is half a metre to the wall; a quarter radian aside 35 mm / sin 0.25 = 141 mm."""
    zone.chart.place(0.6, y, heading, 0.001, 0.001)
    assert zone.chart.clear_m(FRONT_M) == pytest.approx(0.5)
    assert Sight(zone)() == ""
    zone.chart.y *= 0.9  # 76 mm: 0.31 m
    assert Sight(zone)() == SEEN


def test_light_may_be_the_wall_straight_ahead(zone):
    far = zone.s.front.reach_m + sweep.SURE_M
    zone.chart.place(1.2 - FRONT_M - far + 0.002, 0.0, 0.0, 0.001, 0.001)  # aside it is farther off than that
    assert Sight(zone)() == ""
    zone.chart.x -= 0.004
    assert Sight(zone)() == SEEN


def turns(monkeypatch: pytest.MonkeyPatch, outcomes: list[str]) -> None:
    """Let turns that look out end as told at some heading; others end where they should."""

    async def turn_to(z: Any, heading: float, stop: Any = None) -> str:
        z.done.append(("turn_to", heading, stop is not None))
        seen = stop is not None and outcomes.pop(0) == SEEN
        z.chart.heading = 0.7 if seen else heading
        return SEEN if seen else THERE

    put(monkeypatch, "turn_to", turn_to)


def test_what_comes_into_sight_in_a_turn_is_gone_for_and_the_turn_goes_on_from_where_it_was(zone, monkeypatch):
    turns(monkeypatch, [SEEN, THERE])
    finish(turn_and_fetch(zone, QUARTER))
    assert [name for name in names(zone) if name != "rest"] == [
        "forget", "turn_to", "approach", "try_jaws", "straight", "forget", "turn_to", "turn_to"
    ]  # fmt: skip
    assert (zone.chart.x, zone.chart.y, zone.chart.heading) == (pytest.approx(0.6), pytest.approx(0.1), QUARTER)
    assert ("approach", zone.s.sweep.fetch_m) in zone.done


def test_it_comes_back_along_its_heading_though_it_was_pushed_aside_meanwhile(zone, monkeypatch):
    turns(monkeypatch, [SEEN, THERE])

    async def aside(z: Any, *_: Any) -> bool:
        z.chart.x -= 0.02 * math.sin(0.7)
        z.chart.y += 0.02 * math.cos(0.7)
        return True

    put(monkeypatch, "try_jaws", aside)
    finish(turn_and_fetch(zone, QUARTER))
    assert (zone.chart.x - 0.6, zone.chart.y - 0.1) == pytest.approx((-0.02 * math.sin(0.7), 0.02 * math.cos(0.7)))


def test_it_fetches_so_often_and_ends_at_the_heading_asked_for(zone, monkeypatch):
    turns(monkeypatch, [SEEN] * 9)
    finish(turn_and_fetch(zone, QUARTER))
    assert names(zone).count("approach") == zone.s.sweep.fetches
    assert zone.done[-1] == ("turn_to", QUARTER, False)
    assert zone.chart.heading == QUARTER


def test_with_everything_on_board_nothing_is_gone_for(zone, monkeypatch):
    turns(monkeypatch, [SEEN] * 9)
    zone.complete = True
    finish(turn_and_fetch(zone, QUARTER))
    assert names(zone) == ["forget", "turn_to", "turn_to"]


# ----------------------------------------------------------------------------------------- teeth and openings


def ends_of(wall: int) -> tuple[float, float]:
    """Return where a wall begins and ends on its own axis."""
    return (-0.45, 0.45) if wall % 2 == 0 else (0.0, 1.2)


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("wall", [0, 1, 3])
def test_teeth_stand_side_by_side_from_corner_to_corner_in_the_order_in_which_the_wall_is_followed(zone, wall, turn):
    zone.turn = turn
    places, (low, high) = teeth(zone, wall), ends_of(wall)
    assert max(abs(b - a) for a, b in itertools.pairwise(places)) <= zone.s.sweep.comb_m + 1e-9
    off = zone.swing_m + zone.s.sweep.aside_m  # as near to the corner as the body can turn and back up in an S
    assert min(places) == pytest.approx(low + off)
    assert max(places) == pytest.approx(high - off)
    assert zone.s.sweep.aside_m > 0.0
    heading = lane_along(zone, wall, 0.0).heading_rad
    onward = math.sin(heading) if wall % 2 == 0 else math.cos(heading)
    assert places == sorted(places, key=lambda place: onward * place)


@pytest.mark.parametrize("wall", [0, 1, 3])
@pytest.mark.parametrize("share", [0.2, 0.4, 0.55, 0.8])
def test_before_openings_too_teeth_stand_side_by_side_and_within_the_bodys_reach(zone, wall, share):
    low, high = ends_of(wall)
    zone.openings.found = [Opening(wall, low + share * (high - low), 0.28)]
    places = sorted(teeth(zone, wall))
    assert max(b - a for a, b in itertools.pairwise(places)) <= zone.s.sweep.comb_m + 1e-9
    assert len(set(places)) == len(places)
    off = zone.swing_m + zone.s.sweep.aside_m
    assert min(places) >= low + off - 1e-9
    assert max(places) <= high - off + 1e-9


@pytest.mark.parametrize("wall", [0, 1, 3])
@pytest.mark.parametrize("share", [0.15, 0.3, 0.5, 0.6, 0.85])
@pytest.mark.parametrize("width", [0.16, 0.28])
def test_teeth_stand_at_fixed_places_by_openings_and_corners_and_as_few_as_may_be_between(zone, wall, share, width):
    """Fixed: where a door is, where the wall beside begins, and where it ends; by hand, without the rest."""
    low, high = ends_of(wall)
    middle, beside = low + share * (high - low), 0.5 * width + zone.s.sweep.beside_m
    zone.openings.found = [opening] = [Opening(wall, middle, width)]
    off = zone.swing_m + zone.s.sweep.aside_m
    fixed = [middle + sign * far for sign in (-1.0, 1.0) for far in (play(zone, opening), beside)]
    fixed = sorted({place for place in fixed if low + off <= place <= high - off})
    fixed = [low + off] * (low + off < middle - beside) + fixed + [high - off] * (high - off > middle + beside)
    needed = sum(math.ceil((b - a) / zone.s.sweep.comb_m - 1e-9) for a, b in itertools.pairwise(fixed))
    places = teeth(zone, wall)
    assert len(places) == needed + 1
    assert all(any(abs(place - tooth) < 1e-9 for tooth in places) for place in fixed)


@given(st.lists(st.integers(0, 120), min_size=1, max_size=6, unique=True), st.integers(3, 30))
def test_between_places_stand_as_few_more_as_leave_none_farther_from_the_next(hundredths, most):
    fixed = [0.01 * number for number in sorted(hundredths)]
    places = side_by_side(fixed, 0.01 * most)
    assert places == sorted(set(places))
    assert set(fixed) <= set(places)
    for one, two in itertools.pairwise(fixed):
        between = [place for place in places if one <= place <= two]
        steps = [b - a for a, b in itertools.pairwise(between)]
        assert max(steps) <= 0.01 * most + 1e-9
        assert steps == pytest.approx([(two - one) / len(steps)] * len(steps))
        assert len(steps) == 1 or (two - one) / (len(steps) - 1) > 0.01 * most + 1e-9  # one fewer would not do


@pytest.mark.parametrize(
    ("fixed", "places"),
    [
        ([], []),
        ([0.3], [0.3]),
        ([0.1, 0.2], [0.1, 0.2]),
        ([0.1, 0.21, 0.42], [0.1, 0.155, 0.21, 0.28, 0.35, 0.42]),
        ([0.0, 0.1, 0.1 + 0.2], [0.0, 0.1, 0.2, 0.3]),  # a hair more than two of 0.1 by the computer's reckoning
    ],
)
def test_places_side_by_side_by_hand(fixed, places):
    assert side_by_side(fixed, 0.1) == pytest.approx(places)


@pytest.mark.parametrize(("width", "aside"), [(0.28, 0.14 - 0.097), (0.26, 0.13 - 0.097)])
def test_two_doors_lie_in_an_opening_as_far_apart_as_the_body_has_room_and_a_tooth_before_each(zone, width, aside):
    zone.openings.found = [Opening(1, 0.55, width)]
    assert doors(zone, 1) == pytest.approx([0.55 - aside, 0.55 + aside])
    assert doors(zone, 0) == doors(zone, 3) == []
    places = teeth(zone, 1)
    assert all(any(abs(door - place) < 1e-9 for place in places) for door in doors(zone, 1))
    assert all(is_open(zone, 1, door, 0.001 - HALF_M - zone.s.sweep.rim_m) for door in doors(zone, 1))


def test_an_opening_hardly_wider_than_the_body_has_its_door_in_the_middle(zone):
    zone.openings.found = [Opening(1, 0.55, 0.16)]
    assert set(doors(zone, 1)) == {0.55}


def test_the_wall_next_to_an_opening_is_combed_up_to_its_ends(zone):
    """Between the jaws, 110 mm apart, lies what is no farther than 55 mm beside the middle."""
    for place in (0.15 + 0.01 * number for number in range(80)):
        zone.openings.found = [Opening(1, place, 0.28)]
        for end in (place - 0.14 - 0.022, place + 0.14 + 0.022):  # a ball of 44 mm at the wall next to the end
            if 0.2 < end < 1.0:
                assert min(abs(tooth - end) for tooth in teeth(zone, 1)) <= 0.055


def test_no_tooth_and_no_door_of_an_opening_in_a_corner_is_out_of_the_bodys_reach(zone):
    zone.openings.found = [Opening(1, 0.14, 0.28)]
    door = 0.14 + 0.14 - HALF_M - zone.s.sweep.rim_m
    assert doors(zone, 1) == pytest.approx([door])  # the other one would be in the corner
    assert min(teeth(zone, 1)) == pytest.approx(max(door, zone.swing_m + zone.s.sweep.aside_m))


# ------------------------------------------------------------------------------- in which order teeth come

COMB = [0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0]


@pytest.mark.parametrize(
    ("middles", "onward", "order"),
    [
        ([], 1.0, COMB),
        ([], -1.0, COMB[::-1]),
        ([0.3], 1.0, [0.2, 0.1, 0.0, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0]),
        ([0.3], -1.0, [0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 0.3, 0.2, 0.1, 0.0]),
        ([0.26, 0.81], 1.0, [0.2, 0.1, 0.0, 0.3, 0.4, 0.5, 0.8, 0.7, 0.6, 0.9, 1.0]),
        ([0.81, 0.26], -1.0, [0.9, 1.0, 0.8, 0.7, 0.6, 0.3, 0.4, 0.5, 0.2, 0.1, 0.0]),
    ],
)
def test_teeth_go_outward_from_openings_the_near_side_first_one_opening_after_the_other(middles, onward, order):
    assert outward_from(middles, COMB[:: round(onward)], onward) == order


def side(place: float, middles: list[float]) -> tuple[float, bool]:
    """Return the middle of the opening next to a place, and on which side of it the place lies."""
    middle = min(middles, key=lambda m: abs(place - m))
    return middle, place > middle


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("wall", range(4))
@pytest.mark.parametrize("shares", [(0.3,), (0.5,), (0.26, 0.74)])
def test_no_tooth_pushes_towards_an_opening_what_the_one_before_pushed_aside(zone, wall, turn, shares):
    """On each side of each opening every tooth is farther from it than those before; and none is left out."""
    zone.turn, (low, high) = turn, ends_of(wall)
    zone.openings.found = [Opening(wall, low + share * (high - low), 0.26) for share in shares]
    middles = [o.middle_m for o in gaps_of(zone, wall)]
    places = teeth(zone, wall)
    groups = {side(place, middles): list[float]() for place in places}
    for place in places:
        groups[side(place, middles)].append(place)
    for (middle, _), group in groups.items():
        away = [abs(place - middle) for place in group]
        assert away == sorted(away)
    heading = lane_along(zone, wall, 0.0).heading_rad
    onward = math.sin(heading) if wall % 2 == 0 else math.cos(heading)
    last = max(groups[side(max(places, key=lambda p: onward * p), middles)], key=lambda p: onward * p)
    assert places[-1] == last  # it ends at the corner that comes next


@pytest.mark.parametrize(
    ("measured", "known"),
    [
        ([], [THE_ENTRY]),
        ([Opening(ENTRY, 0.02, 0.25)], [Opening(ENTRY, 0.02, 0.25)]),
        ([Opening(ENTRY, 0.30, 0.26)], [Opening(ENTRY, 0.30, 0.26), THE_ENTRY]),
        ([Opening(1, 0.0, 0.26)], [THE_ENTRY]),
    ],
)
def test_the_entry_is_an_opening_of_its_wall_once_measured_or_not(zone, measured, known):
    zone.openings.found = measured
    assert gaps_of(zone, ENTRY) == known
    assert gaps_of(zone, 1) == [o for o in measured if o.wall == 1]


def test_a_place_is_open_so_far_beside_an_opening_and_no_farther(zone):
    zone.openings.found = [Opening(3, 0.5, 0.26)]
    assert [is_open(zone, 3, 0.5 + off, 0.05) for off in (-0.181, -0.179, 0.179, 0.181)] == [False, True, True, False]
    assert not is_open(zone, 1, 0.5, 0.05)
    assert not is_open(zone, 3, 0.5 + 0.06, -0.08)  # in it, but not with so much room


# ---------------------------------------------------------------------------------------------- one tooth


GENTLY, FIRMLY = 0.03, 0.06  #: with so much left (m/s) a tooth ends before an opening, and before a wall


def drives(z: Any) -> list[tuple[float, float, float]]:
    """Return the ways driven straight on, how fast, and how fast at their end."""
    return [(way, speed, end) for _, way, speed, end in (entry for entry in z.done if entry[0] == "straight")]


def at_tooth(z: Any, doubt_m: float = 0.005) -> None:
    z.chart.place(0.6, 0.1, 0.0, 0.001, 0.001)
    z.chart.doubt_m = lambda wall: doubt_m


def test_before_a_wall_the_jaws_close_once_where_they_reach_it(zone):
    at_tooth(zone)
    finish(comb.tooth(zone, 0, 0.1))
    s = zone.s.sweep
    assert drives(zone) == [(pytest.approx(0.5 - s.before_m), s.comb_m_s, FIRMLY)]
    assert [room for name, *room in zone.done if name == "jaws"] == [[pytest.approx(s.before_m)]]
    assert names(zone)[0] == "forget"
    assert "survey_if_due" in names(zone)


@pytest.mark.parametrize("into", [False, True])
def test_before_an_opening_it_goes_slowly_and_closes_the_jaws_before_the_line_or_by_a_door_on_it(zone, into):
    zone.openings.found = [Opening(0, 0.1, 0.28)]
    at_tooth(zone, doubt_m=0.02)
    s = zone.s.sweep
    finish(comb.tooth(zone, 0, 0.1 + 0.14 - HALF_M - s.rim_m, into))
    ends = 0.0 if into else s.before_m
    assert [room for name, *room in zone.done if name == "jaws"] == [[pytest.approx(ends, abs=1e-9)]]
    assert [(speed, end) for _, speed, end in drives(zone)] == [(s.comb_m_s, GENTLY), (s.slow_m_s, GENTLY)]
    assert [way for way, *_ in drives(zone)] == pytest.approx([0.5 - ends - s.gate_m, s.gate_m])
    assert "approach" not in names(zone)  # there is no wall to touch


@pytest.mark.parametrize("looks", [False, True])
def test_after_a_look_round_it_faces_the_wall_again(zone, monkeypatch, looks):
    turns(monkeypatch, [])

    async def survey_if_due(z: Any) -> bool:
        z.chart.heading += 0.4 * looks
        return looks

    put(monkeypatch, "survey_if_due", survey_if_due)
    at_tooth(zone)
    finish(comb.tooth(zone, 0, 0.1))
    assert [entry[1] for entry in zone.done if entry[0] == "turn_to"] == [0.0] * looks
    assert (zone.chart.x, zone.chart.y) == pytest.approx((1.2 - FRONT_M - zone.s.sweep.before_m, 0.1))


def test_beside_an_opening_it_goes_slowly_too_and_touches_nothing(zone):
    """What rolls away before the body there rolls out; and a body that is pressed on the edge catches on it."""
    zone.openings.found = [Opening(0, 0.1, 0.28)]
    for place in (0.1 + 0.14 + HALF_M - 0.002, 0.1 + 0.14 + HALF_M + 0.002):
        zone.done.clear()
        at_tooth(zone, doubt_m=0.02)
        finish(comb.tooth(zone, 0, place))
        beside = place < 0.1 + 0.14 + HALF_M
        assert ("approach" in names(zone)) != beside
        s = zone.s.sweep
        assert drives(zone)[-1][1:] == ((s.slow_m_s, GENTLY) if beside else (s.comb_m_s, FIRMLY))
        assert names(zone).count("jaws") == 1


def test_a_strip_ends_a_tooth(zone):
    zone.openings.found = [Opening(0, 0.1, 0.28)]
    at_tooth(zone, doubt_m=0.02)
    zone.reason = STRIP
    finish(comb.tooth(zone, 0, 0.1))
    assert "jaws" not in names(zone)
    assert "approach" not in names(zone)


def test_where_something_was_taken_the_jaws_close_again_up_to_three_times(zone):
    for took, closed in (([True, False], 2), ([True] * 5, 3)):
        zone.done.clear()
        at_tooth(zone)
        zone.took = took
        finish(comb.tooth(zone, 0, 0.1))
        assert names(zone).count("jaws") == closed
        assert len(drives(zone)) == 1  # it stands there already


def test_a_late_straight_is_no_strip(zone):
    at_tooth(zone)
    zone.reason = LATE
    assert finish(comb.to_tooth(zone, 0, 0.05, False))


# ---------------------------------------------------------------------------------- an opening in the corner


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("wall", range(4))
def test_an_opening_that_begins_in_the_corner_ahead_lies_there(zone, wall, turn):
    zone.turn = turn
    found: list[Opening] = []
    zone.openings.add = found.append
    lane = lane_along(zone, wall, 0.0)
    sweep.open_ahead(zone, lane)
    (opening,) = found
    corner = Zone.corner(zone, Zone.ends(zone, wall)[1])
    assert corner is not None
    low, high = ends_of(lane.ahead)
    at = corner[1] if lane.ahead % 2 == 0 else corner[0]
    assert (opening.wall, opening.width_m, opening.sure) == (lane.ahead, NOMINAL_M, False)
    assert abs(opening.middle_m - at) == pytest.approx(0.5 * NOMINAL_M)
    assert low < opening.middle_m < high
    zone.chart.walls[wall] = None
    sweep.open_ahead(zone, lane)
    assert len(found) == 1


# ---------------------------------------------------------------------------------------------- the middle


def distance(z: Any, wall: int, x: float, y: float) -> float:
    return float(z.chart.walls[wall] - x * NORMALS[wall][0] - y * NORMALS[wall][1])


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("wall", range(4))
def test_a_lane_begins_so_far_from_its_wall_and_from_the_one_behind(zone, wall, turn):
    zone.turn = turn
    x, y = lane_start(zone, wall, 0.3, 0.2)
    assert distance(zone, wall, x, y) == pytest.approx(0.3)
    heading = lane_along(zone, wall, 0.3).heading_rad
    behind = next(k for k, n in enumerate(NORMALS) if n[0] * math.cos(heading) + n[1] * math.sin(heading) < -0.9)
    assert distance(zone, behind, x, y) == pytest.approx(0.2)


@pytest.mark.parametrize("turn", [1, -1])
@pytest.mark.parametrize("walls", [WALLS, (0.9, 0.6, 0.0, 0.6), (0.9, 0.4, 0.0, 0.8)])
@pytest.mark.parametrize("near", [0.15, 0.85])
def test_the_middle_is_passed_the_longer_way_from_the_nearer_end(zone, walls, turn, near):
    zone.turn, zone.chart.walls = turn, list(walls)
    far, left, _, right = walls
    across = far > left + right  # the longer way is along x
    at = (near * far, 0.0) if across else (0.5 * far, near * (left + right) - right)
    zone.chart.place(*at, 0.0, 0.01, 0.01)
    finish(sweep.middle(zone))
    (_, x, y), (name, lane, end) = zone.done
    half, s = 0.5 * min(far, left + right), zone.s.sweep
    ux, uy = math.cos(lane.heading_rad), math.sin(lane.heading_rad)
    assert (name, end, lane.off_m) == ("inner_leg", s.end_m, pytest.approx(half))
    assert (abs(ux) if across else abs(uy)) == pytest.approx(1.0)
    assert distance(zone, lane.wall, x, y) == pytest.approx(half)
    assert distance(zone, (lane.wall + 2) % 4, x, y) == pytest.approx(half)
    begins = x * ux + y * uy
    assert begins < (0.5 * far * ux if across else 0.5 * (left - right) * uy)  # it runs away from the end it begins at
    assert distance(zone, (lane.ahead + 2) % 4, x, y) == pytest.approx(s.end_m)
    assert math.hypot(x - at[0], y - at[1]) < 0.25 * (far if across else left + right)


def test_the_middle_is_left_alone_once_it_is_late(zone):
    zone.late = True
    finish(sweep.middle(zone))
    assert "inner_leg" not in names(zone)
