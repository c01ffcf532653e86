"""The sweep: round along the walls, farther inward each time, then the comb, then the middle and lanes between.

The first round measures the walls: at its corners the robot docks, so that it knows where they are and how it stands.
The later rounds turn where the next lane lies. On the way whatever is in the collector is taken on board.
"""

import math

from behaviours.zone.chart import ENTRY, NORMALS
from behaviours.zone.collect import roll_and_try, try_jaws
from behaviours.zone.comb import comb
from behaviours.zone.drive import (
    LATE,
    NEAR,
    OPEN,
    SEEN,
    STRIP,
    THERE,
    TOUCH,
    Lane,
    along_wall,
    approach,
    back_aside,
    dock,
    go_to,
    lane_along,
    lane_start,
    make_room,
    rest,
    straight,
    strip_ahead,
    turn_to,
)
from behaviours.zone.leave import exits, pass_wall
from behaviours.zone.openings import NOMINAL_M, THE_ENTRY, Opening, along, same
from behaviours.zone.scene import Zone
from behaviours.zone.survey import survey, survey_if_due

SURE_M = 0.04  #: a wall that is not farther out of sight than this may be what is seen
SIDE_WORDS = ("far", "left", "entry", "right")


async def sweep(z: Zone) -> None:
    """Sweep the floor, then its walls and corners; where objects are known to be missing, again on lanes between."""
    await first_round(z)
    if None in z.chart.walls:
        z.robot.fault("lost", "not all walls were found; nothing more is swept")
        return
    await later_rounds(z, 1.0)
    await find_exit(z)
    if z.s.sweep.comb and not (z.complete or z.late):
        await comb(z)
    if z.counted and not z.complete:
        await middle(z)
        await later_rounds(z, 0.5)
    while z.s.sweep.comb and z.counted and not (z.complete or z.late):
        await comb(z)


async def find_exit(z: Zone) -> None:
    """Pass the walls once more where no way out was met in the rounds: later there may be no time to look for it."""
    wall = (z.chart.ahead() - z.turn) % 4
    for _ in range(4):
        if exits(z) or z.complete or z.late:
            return
        await survey_if_due(z)
        await pass_wall(z, wall)
        wall = (wall + z.turn) % 4
        say_openings(z, wall)


async def first_round(z: Zone) -> None:
    """Follow all walls from the entry round to the entry's wall again, docking at each corner."""
    wall = ENTRY
    await turn_to(z, lane_along(z, wall, 0.0).heading_rad)
    for leg in range(5):
        lane = lane_along(z, wall, z.lane_m(0))
        await outer_leg(z, lane)
        say_openings(z, wall)
        wall = lane.ahead
        await survey_if_due(z)
        if leg < 4:
            await turn_and_fetch(z, lane_along(z, wall, 0.0).heading_rad)
    z.chart.whole = bool(exits(z))
    z.robot.decide("round", number=1.0, width=round(span(z, 1), 3), depth=round(span(z, 0), 3), **z.load.fields())


def span(z: Zone, axis: int) -> float:
    """Return the zone's measure along an axis: 0 for x, 1 for y; 0 where not known."""
    one, two = z.chart.walls[axis], z.chart.walls[axis + 2]
    return 0.0 if one is None or two is None else one + two


async def outer_leg(z: Zone, lane: Lane) -> None:
    """Drive along a wall to the next one, dock there, and back up so far that there is room to turn."""
    late = 0
    for attempt in range(8):
        if await survey_if_due(z):
            await turn_to(z, lane.heading_rad)
        reason = await run_lane(z, lane, z.robot.body.front_m + 0.10)
        if reason in (THERE, SEEN):
            reason = await approach(z, 0.16, lane.heading_rad, z.s.front.near)
        if reason in (THERE, NEAR):
            if await roll_and_try(z, lane.heading_rad):
                continue
            reason = await approach(z, 0.16, lane.heading_rad, fresh=False)
        if reason == THERE and await unblock(z, lane, attempt):
            continue
        if reason == TOUCH:
            await docked(z, lane)
        elif reason == STRIP:
            await at_strip(z, lane)
        elif reason == OPEN:
            open_ahead(z, lane)
        late = late + 1 if reason == LATE else 0
        if reason != LATE or late > 1 or z.chart.room(lane.ahead, z.robot.body.front_m) < 0.03:
            break
    await make_room(z)
    await rest(z, 0.1)


async def unblock(z: Zone, lane: Lane, attempt: int) -> bool:
    """Come again, from beside: something outside the jaws holds the robot up. Twice, and the chart is in doubt."""
    if attempt:
        await survey(z)
        return False
    (x, y), here = z.reached, (z.chart.x, z.chart.y)
    z.chart.doubt(0.01, 0.15)
    if await try_jaws(z):
        return True  # it was pushed along: the robot moved as the tracks say
    z.chart.x, z.chart.y = z.chart.x + x - here[0], z.chart.y + y - here[1]
    z.robot.decide("blocked", wall=SIDE_WORDS[lane.ahead], x=round(z.chart.x, 3), y=round(z.chart.y, 3))
    await back_aside(z, z.turn * (0.075, -0.075)[attempt % 2])
    return True


async def run_lane(z: Zone, lane: Lane, end_m: float) -> str:
    """Drive along a lane, trying the jaws every so often, until its end or something is seen ahead."""
    for _ in range(math.ceil(z.s.sweep.longest_m / z.s.sweep.probe_m)):
        reason = await along_wall(z, lane, end_m, watch(z), z.s.sweep.probe_m)
        if reason != LATE or z.chart.lost:
            return reason
        await try_jaws(z)
    return LATE


async def turn_and_fetch(z: Zone, heading_rad: float) -> None:
    """Turn to a heading; whatever light comes into sight on the way is gone for and taken."""
    for _ in range(z.s.sweep.fetches):
        z.front.forget()
        if await turn_to(z, heading_rad, Sight(z)) != SEEN or z.complete:
            break
        x, y = z.chart.x, z.chart.y
        await rest(z)
        await approach(z, z.s.sweep.fetch_m)
        await try_jaws(z)
        c, d = math.cos(z.chart.heading), math.sin(z.chart.heading)
        await straight(z, (x - z.chart.x) * c + (y - z.chart.y) * d, z.s.sweep.speed_m_s)
    await turn_to(z, heading_rad)


class Sight:
    """Says SEEN in a turn, where no wall is in the forward eye's field.

    Args:
        z: the zone.

    """

    def __init__(self, z: Zone) -> None:
        self._z = z

    def __call__(self) -> str:
        """Return SEEN, or ""."""
        z = self._z
        if not z.front.something:
            return ""
        field, front = z.s.front.field_rad, z.robot.body.front_m
        clear = min(z.chart.clear_m(front, aside) for aside in (-field, 0.0, field))
        return SEEN if clear > z.s.front.reach_m + SURE_M else ""


def watch(z: Zone) -> "Watch":
    """Return what stops a lane: something ahead that no known wall explains, or a strip."""
    return Watch(z)


class Watch:
    """Says SEEN or STRIP.

    Args:
        z: the zone.

    """

    def __init__(self, z: Zone) -> None:
        self._z = z
        self._strip = strip_ahead(z)

    def __call__(self) -> str:
        """Return the reason to stop, or ""."""
        z = self._z
        if self._strip():
            return STRIP
        if z.front.something and z.chart.clear_m(z.robot.body.front_m) > z.s.front.reach_m:
            return SEEN
        return ""


async def docked(z: Zone, lane: Lane) -> None:
    """Square up against the wall ahead and take its place from it."""
    before = z.chart.heading
    await dock(z, lane.ahead)
    if z.chart.lost:
        return
    z.robot.decide(
        "corner", wall=SIDE_WORDS[lane.ahead], x=round(z.chart.x, 3), y=round(z.chart.y, 3),
        turned=round(z.chart.heading - before, 3), drift=round(z.chart.drift, 3), scrub=round(z.chart.scrub, 3),
        slip=round(z.chart.slip, 3),
    )  # fmt: skip


async def at_strip(z: Zone, lane: Lane) -> None:
    """Take an opening that lies straight ahead: the wall's inner edge is where its strip begins."""
    x, y = z.chart.at(z.eyes_m)
    nx, ny = NORMALS[lane.ahead]
    z.chart.edge(lane.ahead, x * nx + y * ny)
    z.openings.add(Opening(lane.ahead, along(lane.ahead, x, y), 0.28))
    z.robot.decide("strip in the way", wall=SIDE_WORDS[lane.ahead], x=round(x, 3), y=round(y, 3))
    await rest(z)


def open_ahead(z: Zone, lane: Lane) -> None:
    """Take an opening that begins in the corner ahead: there the wall gave no light back."""
    z.robot.decide("open ahead", wall=SIDE_WORDS[lane.ahead], x=round(z.chart.x, 3), y=round(z.chart.y, 3))
    beside = z.chart.walls[lane.wall]
    if beside is not None:
        sign = sum(NORMALS[lane.wall])
        z.openings.add(Opening(lane.ahead, sign * (beside - 0.5 * NOMINAL_M), NOMINAL_M, False))


def say_openings(z: Zone, wall: int) -> None:
    """Say which openings a wall has."""
    for opening in z.openings.found:
        if opening.wall == wall:
            entry = same(opening, THE_ENTRY)
            z.robot.decide(
                "opening", wall=SIDE_WORDS[wall], middle=round(opening.middle_m, 3), width=round(opening.width_m, 3),
                entry=entry,
            )  # fmt: skip


async def later_rounds(z: Zone, begin: float) -> None:
    """Follow the walls on lanes farther inward, from `begin` pitches inside the first, until the middle is passed."""
    number, wall = begin, z.chart.ahead()
    await to_lane(z, wall, begin)
    half = 0.5 * min(span(z, 0), span(z, 1))
    while True:
        off, after = min(z.lane_m(number), half), min(z.lane_m(number + 1.0), half)
        for leg in range(4):
            if z.complete or z.late:
                return
            await inner_leg(z, lane_along(z, wall, off), off if leg < 3 else after)
            wall = (wall + z.turn) % 4
        z.robot.decide("round", number=round(number + 1.0, 1), off=round(off, 3), **z.load.fields())
        if off >= half - 0.05:
            return
        number += 1.0


async def middle(z: Zone) -> None:
    """Pass the middle of the floor once, its longer way: what the comb met was pushed there."""
    half, walls = 0.5 * min(span(z, 0), span(z, 1)), (1, 3) if span(z, 0) >= span(z, 1) else (0, 2)
    starts = []
    for wall in walls:
        x, y = lane_start(z, wall, half, z.s.sweep.end_m)
        starts.append((math.hypot(x - z.chart.x, y - z.chart.y), wall, x, y))
    _, wall, x, y = min(starts)
    await go_to(z, x, y, speed_m_s=z.s.sweep.comb_m_s)
    if not (z.complete or z.late):
        await inner_leg(z, lane_along(z, wall, half), z.s.sweep.end_m)


async def to_lane(z: Zone, wall: int, begin: float) -> None:
    """Go to where the lane along a wall begins, unless the robot is there already."""
    if begin != 1.0:
        off = z.lane_m(begin)
        await go_to(z, *z.held_in(*lane_start(z, wall, off, off)), speed_m_s=z.s.sweep.comb_m_s)


async def inner_leg(z: Zone, lane: Lane, next_off: float) -> None:
    """Drive along a lane until the axle is `next_off` from the wall ahead."""
    if z.chart.room(lane.ahead) - next_off < 0.02:
        return
    await survey_if_due(z)
    await turn_and_fetch(z, lane.heading_rad)
    while True:
        reason = await run_lane(z, lane, next_off)
        if reason == SEEN:
            await approach(z, 0.12)
            await try_jaws(z)
            continue
        if reason == STRIP:
            await straight(z, -0.05, z.s.sweep.slow_m_s)
        await roll_and_try(z, lane.heading_rad)
        return
