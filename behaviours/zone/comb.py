"""The comb: at each wall side by side, into openings and corners, with the jaws closed where they just reach.

What lies against a wall is taken only like that: no lane along a wall comes to it, and one that ends at a wall pins it.
Before openings the robot is slow, since what rolls out there is lost.
"""

import math

from behaviours.zone.chart import ENTRY, NORMALS, QUARTER
from behaviours.zone.collect import take_standing, try_jaws
from behaviours.zone.drive import (
    STRIP,
    THERE,
    TOUCH,
    approach,
    back_aside,
    dock,
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


async def comb(z: Zone) -> None:
    """Drive at each wall, side by side, and into each corner: what lies against a wall is taken only like that."""
    wall = (z.chart.ahead() + 2) % 4
    for _ in range(4):
        first = True
        for place in teeth(z, wall):
            if z.complete or z.late:
                return
            await before_tooth(z, wall, place, first)
            first = False
            await tooth(z, wall, place)
        if not (z.complete or z.late):
            await into_corner(z, z.ends(wall)[1])
        wall = (wall + z.turn) % 4
    z.robot.decide("combed", **z.load.fields())


def teeth(z: Zone, wall: int) -> list[float]:
    """Return the places along a wall at which to drive at it: side by side; in openings and next to their ends too."""
    low, high = -(z.chart.walls[3 if wall % 2 == 0 else 2] or 0.0), z.chart.walls[1 if wall % 2 == 0 else 0] or 0.0
    margin = z.swing_m
    low, high = low + margin, high - margin
    count = max(1, math.ceil((high - low) / z.s.sweep.comb_m))
    places = [low + (high - low) * i / count for i in range(count + 1)]
    for o in gaps_of(z, wall):
        half = 0.5 * o.width_m
        aside = max(0.0, half - z.half_m - z.s.sweep.rim_m)
        places = [place for place in places if abs(place - o.middle_m) > half]
        beside = half + z.s.sweep.beside_m
        own = {o.middle_m - beside, o.middle_m - aside, o.middle_m + aside, o.middle_m + beside}
        places += [place for place in own if low <= place <= high]
    return sorted(places, reverse=(wall in (0, 3)) != (z.turn > 0))


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
        inward = (z.chart.walls[wall] or 0.0) - z.swing_m - 0.06
        x, y = z.held_in(*((inward * nx, place) if wall % 2 == 0 else (place, inward * ny)))
        await go_to(z, x, y, speed_m_s=z.s.sweep.comb_m_s)
        await turn_to(z, wall * QUARTER)
        left = (place - along(wall, z.chart.x, z.chart.y)) * (1.0 if wall in (0, 3) else -1.0)
    if abs(left) > 0.008:
        await back_aside(z, left, speed_m_s=z.s.sweep.comb_m_s)


async def tooth(z: Zone, wall: int, place: float) -> None:
    """Drive up to a wall and close the jaws before it; on until the front touches it only to know where it is."""
    z.front.forget()
    await survey_if_due(z)
    gate = is_open(z, wall, place, z.half_m)
    for _ in range(3):
        if not await to_tooth(z, wall, z.s.sweep.before_m, gate):
            return
        if not await take_standing(z):
            break
    if is_open(z, wall, place, 0.001 - z.half_m - z.s.sweep.rim_m):
        if await to_tooth(z, wall, 0.0, gate):
            await take_standing(z)
    elif z.chart.doubt_m(wall) > z.s.sweep.doubt_m and not gate:
        await against(z, wall)


async def to_tooth(z: Zone, wall: int, before_m: float, gate: bool) -> bool:
    """Bring the front to so far before a wall, slowly where things would roll out; False where a strip stopped it."""
    s = z.s.sweep
    near = z.chart.room(wall, z.robot.body.front_m) - before_m
    if gate and near > s.gate_m:
        await straight(z, near - s.gate_m, s.comb_m_s, strip_ahead(z))
        near = z.chart.room(wall, z.robot.body.front_m) - before_m
    return near < 0.005 or await straight(z, near, s.slow_m_s if gate else s.comb_m_s, strip_ahead(z)) != STRIP


async def against(z: Zone, wall: int) -> None:
    """Go on until the front touches a wall, to know where it is."""
    reason = await approach(z, 0.10, wall * QUARTER, fresh=False)
    if reason == TOUCH:
        await dock(z, wall)
    elif reason == THERE:
        z.chart.x, z.chart.y = z.reached
        z.chart.doubt(0.01, 0.15)
        await try_jaws(z)


async def into_corner(z: Zone, corner: int) -> None:
    """Drive into a corner by its diagonal until both front edges touch, and close the jaws there."""
    place, s = z.corner(corner), z.s.sweep
    walls = corner, (corner + 1) % 4
    if place is None or any(is_open(z, wall, along(wall, *place), 0.5 * z.half_m) for wall in walls):
        return
    await survey_if_due(z)
    heading, reach = outward(corner), z.robot.body.front_m + z.half_m
    ux, uy = math.cos(heading), math.sin(heading)
    await go_to(z, place[0] - z.s.drop.off_m * ux, place[1] - z.s.drop.off_m * uy, speed_m_s=s.comb_m_s)
    await turn_to(z, heading)
    gone = (place[0] - z.chart.x) * ux + (place[1] - z.chart.y) * uy
    await straight(z, gone - reach - 0.02, s.speed_m_s, strip_ahead(z))
    x, y = z.chart.x, z.chart.y
    await press(z, 0.02 + s.press_m)
    z.chart.x, z.chart.y = x + 0.02 * ux, y + 0.02 * uy
    z.chart.doubt(0.01, s.twist_rad)
    await take_standing(z)
    await straight(z, -0.12, s.comb_m_s)
