"""The comb: at each wall side by side, into openings and corners, with the jaws closed where they just reach.

What lies against a wall is taken only like that: no lane along a wall comes to it, and one that ends at a wall pins it.
Before openings the robot is slow, since what rolls out there is lost.
"""

import math
from collections import deque
from itertools import pairwise

from behaviours.zone.chart import ENTRY, NORMALS, QUARTER
from behaviours.zone.collect import take_standing, try_jaws
from behaviours.zone.drive import (
    GENTLY_M_S,
    STRIP,
    THERE,
    TOUCH,
    approach,
    back_aside,
    dock,
    gate_near,
    go_to,
    make_room,
    press,
    straight,
    strip_ahead,
    turn_to,
)
from behaviours.zone.openings import THE_ENTRY, Opening, along, same
from behaviours.zone.scene import Zone, outward
from behaviours.zone.survey import survey_if_due

END_M_S = 0.06  #: a tooth ends at this speed; before an opening, where no wall stops what it pushes, as any way does


async def comb(z: Zone) -> None:
    """Drive at each wall, side by side, and into each corner: what lies against a wall is taken only like that.

    Into the openings at last: by then what lies beside the way in, and would be pushed out, was taken.

    """
    wall = (z.chart.ahead() + 2) % 4
    for _ in range(4):
        await comb_wall(z, wall, [(place, False) for place in teeth(z, wall)])
        if z.complete or z.late:
            return
        await comb_corner(z, wall)
        wall = (wall + z.turn) % 4
    z.robot.decide("combed", **z.load.fields())
    for _ in range(4):
        await comb_wall(z, wall, [(place, True) for place in doors(z, wall)])
        wall = (wall + z.turn) % 4


async def comb_corner(z: Zone, wall: int) -> None:
    """Drive into the corner to which a wall's teeth lead; once more, and beside it, where something was not taken."""
    corner = z.ends(wall)[1]
    for _ in range(z.s.sweep.corner_tries):
        z.missed = False
        await into_corner(z, corner)
        if not z.missed or z.complete or z.late:
            break
        place, (low, high) = z.corner(corner), reach(z, wall)
        assert place is not None  # nothing is met in a corner that nobody knows
        await comb_wall(z, wall, [(max(low, min(high, along(wall, *place))), False)])


async def comb_wall(z: Zone, wall: int, plan: list[tuple[float, bool]]) -> None:
    """Drive at a wall at places along it, or into an opening there; once more beside one that was met and not taken."""
    todo = deque(plan)
    first, again = True, z.s.sweep.again
    while todo and not (z.complete or z.late):
        place, into = todo.popleft()
        z.missed = False
        await before_tooth(z, wall, place, first)
        first = False
        await tooth(z, wall, place, into)
        if z.missed and again > 0:
            again -= 1
            low, high = reach(z, wall)
            beside = (place - z.s.sweep.comb_m, place, place + z.s.sweep.comb_m)
            todo.extendleft((max(low, min(high, near)), False) for near in beside)


def teeth(z: Zone, wall: int) -> list[float]:
    """Return the places along a wall at which to drive at it: side by side, from each opening outward.

    What a jaw's tip pushes aside goes on in the order of the teeth: so it goes away from an opening.

    """
    gaps = gaps_of(z, wall)
    places = side_by_side(fixed_places(z, wall, gaps), z.s.sweep.comb_m)
    onward = 1.0 if (wall in (0, 3)) == (z.turn > 0) else -1.0
    ordered = sorted(places, key=lambda place: onward * place)
    middles = sorted((o.middle_m for o in gaps), key=lambda place: onward * place)
    return outward_from(middles, ordered, onward)


def fixed_places(z: Zone, wall: int, gaps: list[Opening]) -> list[float]:
    """Return both ends of a wall, where no opening is, and two places before each opening and two beside it."""
    low, high = reach(z, wall)
    found, ends = set(doors(z, wall)), {low, high}
    for o in gaps:
        beside = 0.5 * o.width_m + z.s.sweep.beside_m
        ends = {end for end in ends if abs(end - o.middle_m) > beside}
        found |= {place for place in (o.middle_m - beside, o.middle_m + beside) if low <= place <= high}
    return sorted(ends | found)


def side_by_side(fixed: list[float], most_m: float) -> list[float]:
    """Return ascending places and, between each two, as few more as leave at most `most_m` from one to the next."""
    places = fixed[:1]
    for one, two in pairwise(fixed):
        count = max(1, math.ceil((two - one) / most_m - 1e-9))
        places += [one + (two - one) * i / count for i in range(1, count)] + [two]
    return places


def outward_from(middles: list[float], places: list[float], onward: float) -> list[float]:
    """Return places in such an order that each opening's come outward from its middle, on the near side first."""
    if not middles:
        return places
    found: list[float] = []
    for i, middle in enumerate(middles):
        own = [p for p in places if min(range(len(middles)), key=lambda k: abs(p - middles[k])) == i]
        found += [p for p in reversed(own) if onward * (p - middle) < 0.0]
        found += [p for p in own if onward * (p - middle) >= 0.0]
    return found


def reach(z: Zone, wall: int) -> tuple[float, float]:
    """Return between which places along a wall the body has room to turn, and to back up in an S beside the next wall.

    In the S the rear swings out: it must not push along the next wall what lies there.

    """
    low, high = z.chart.limits(wall)
    room = z.swing_m + z.s.sweep.aside_m
    return low + room, high - room


def doors(z: Zone, wall: int) -> list[float]:
    """Return the places along a wall at which the front goes into its openings, as far apart as there is room."""
    low, high = reach(z, wall)
    found: set[float] = set()
    for o in gaps_of(z, wall):
        aside = play(z, o)
        found |= {place for place in (o.middle_m - aside, o.middle_m + aside) if low <= place <= high}
    return sorted(found)


def play(z: Zone, opening: Opening) -> float:
    """Return how far beside an opening's middle the body has room in it."""
    return max(0.0, 0.5 * opening.width_m - z.half_m - z.s.sweep.rim_m)


def gaps_of(z: Zone, wall: int) -> list[Opening]:
    """Return the openings of a wall, the entry as well."""
    found = [o for o in z.openings.found if o.wall == wall]
    entered = wall != ENTRY or any(same(o, THE_ENTRY) for o in found)
    return found if entered else [*found, THE_ENTRY]


def is_open(z: Zone, wall: int, place: float, beside_m: float) -> bool:
    """Tell whether a place along a wall lies before an opening, or no more than so far beside it."""
    return any(abs(place - o.middle_m) < 0.5 * o.width_m + beside_m for o in gaps_of(z, wall))


async def before_tooth(z: Zone, wall: int, place: float, first: bool) -> None:
    """Come to face a wall at a place along it: backward in an S from the place beside, else across the floor."""
    nx, ny = NORMALS[wall]
    here = along(wall, z.chart.x, z.chart.y)
    left = (place - here) * (1.0 if wall in (0, 3) else -1.0)
    if first or abs(left) > 0.15:
        await make_room(z)
        inward = (z.chart.walls[wall] or 0.0) - z.s.sweep.stand_m
        x, y = z.held_in(*((inward * nx, place) if wall % 2 == 0 else (place, inward * ny)))
        await go_to(z, x, y, speed_m_s=z.s.sweep.comb_m_s)
        await turn_to(z, wall * QUARTER)
        left = (place - along(wall, z.chart.x, z.chart.y)) * (1.0 if wall in (0, 3) else -1.0)
    if abs(left) > 0.008:
        s = z.s.sweep
        await back_aside(z, left, speed_m_s=s.slow_m_s if gate_near(z, wall) else s.comb_m_s)


async def tooth(z: Zone, wall: int, place: float, into: bool = False) -> None:
    """Drive up to a wall and close the jaws before it, or where it would be, to go `into` an opening.

    On until the front touches it only to know where it is.

    """
    z.front.forget()
    if await survey_if_due(z):
        await turn_to(z, wall * QUARTER)
    gate = is_open(z, wall, place, z.half_m)
    for _ in range(3):
        if not await to_tooth(z, wall, 0.0 if into else z.s.sweep.before_m, gate):
            return
        if not await take_standing(z):
            break
    if z.chart.doubt_m(wall) > z.s.sweep.doubt_m and not gate:
        await against(z, wall)


async def to_tooth(z: Zone, wall: int, before_m: float, gate: bool) -> bool:
    """Bring the front to so far before a wall, slowly where things would roll out; False where a strip stopped it."""
    s = z.s.sweep
    near = z.chart.room(wall, z.robot.body.front_m) - before_m
    if gate and near > s.gate_m:
        await straight(z, near - s.gate_m, s.comb_m_s, strip_ahead(z))
        near = z.chart.room(wall, z.robot.body.front_m) - before_m
    if near < 0.005:
        return True
    speed, end = (s.slow_m_s, GENTLY_M_S) if gate else (s.comb_m_s, END_M_S)
    return await straight(z, near, speed, strip_ahead(z), end) != STRIP


async def against(z: Zone, wall: int) -> None:
    """Go on until the front touches a wall, to know where it is."""
    reason = await approach(z, 0.10, wall * QUARTER, fresh=False)
    if reason == TOUCH:
        await dock(z, wall)
    elif reason == THERE:
        z.chart.x, z.chart.y = z.reached
        z.chart.doubt(0.01, 0.15)
        await try_jaws(z)


def open_corner(z: Zone, corner: int) -> bool:
    """Tell whether an opening lies next to a corner, or the corner's place is not known."""
    place, walls = z.corner(corner), (corner, (corner + 1) % 4)
    return place is None or any(is_open(z, wall, along(wall, *place), 0.5 * z.half_m) for wall in walls)


async def before_corner(z: Zone, corner: int) -> None:
    """Go to where the way into a corner, or backward into it, begins."""
    place, away = z.corner(corner), outward(corner)
    if place is not None:
        off = z.s.drop.off_m
        await go_to(z, place[0] - off * math.cos(away), place[1] - off * math.sin(away), speed_m_s=z.s.sweep.comb_m_s)


async def into_corner(z: Zone, corner: int) -> None:
    """Drive into a corner by its diagonal until both front edges touch, and close the jaws there."""
    place, s = z.corner(corner), z.s.sweep
    if place is None or open_corner(z, corner):
        return
    await survey_if_due(z)
    heading, reach = outward(corner), z.robot.body.front_m + z.half_m
    ux, uy = math.cos(heading), math.sin(heading)
    await before_corner(z, corner)
    await turn_to(z, heading)
    gone = (place[0] - z.chart.x) * ux + (place[1] - z.chart.y) * uy
    await straight(z, gone - reach - 0.02, s.speed_m_s, strip_ahead(z))
    x, y = z.chart.x, z.chart.y
    await press(z, 0.02 + s.press_m)
    z.chart.x, z.chart.y = x + 0.02 * ux, y + 0.02 * uy
    z.chart.doubt(0.01, s.twist_rad)
    await take_standing(z)
    await straight(z, -0.12, s.comb_m_s)
