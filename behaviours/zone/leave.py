"""Leaving: to the opening that is not the entry, along its wall to find its middle, and out over the green strip.

Where that is not found, the chart is wrong: then the walls are followed and each opening is tried by its strip.
"""

import math

from behaviours.settings import MarkerSettings
from behaviours.strips import is_green
from behaviours.zone.chart import ENTRY_GAP, QUARTER
from behaviours.zone.collect import roll_and_try
from behaviours.zone.deposit import deposit
from behaviours.zone.drive import (
    STRIP,
    along_wall,
    back_aside,
    go_to,
    lane_along,
    lane_start,
    make_room,
    rest,
    straight,
    strip_ahead,
    turn_to,
)
from behaviours.zone.enter import SILVER, is_silver
from behaviours.zone.openings import THE_ENTRY, Opening, along, before, same
from behaviours.zone.scene import Zone
from behaviours.zone.survey import survey, survey_if_due
from robotcore.control import Vote

LEFT_OF = (1.0, -1.0, -1.0, 1.0)  #: facing a wall, its axis points to the left (1) or to the right
BESIDE_M = (0.0, 0.035, -0.035)
OFF_LANE_M = 0.06  #: farther from a lane's beginning the robot goes there first
ASIDE_M = 0.012  #: so far beside an opening's middle is put right before it is driven through
GREEN, TAKEN, NOTHING = "green", "taken", ""


def exits(z: Zone) -> list[Opening]:
    """Return the openings that are not the entry, the surest first, and of alike ones that which was measured last."""
    found = [opening for opening in reversed(z.openings.found) if not same(opening, THE_ENTRY)]
    return sorted(found, key=lambda opening: not opening.sure)


async def leave(z: Zone, marker: MarkerSettings) -> bool:
    """Leave over the green strip; False where it was not found."""
    for attempt in range(z.s.exit.tries):
        if attempt:
            await survey(z)
        else:
            await survey_if_due(z, z.s.drop.due_rad)
        found = exits(z)
        reason = await try_exit(z, found[attempt % len(found)], marker, attempt // len(found)) if found else NOTHING
        if not reason:
            reason = await search(z, marker, [] if found else [THE_ENTRY])
        if reason == GREEN:
            z.robot.decide("exit found", attempt=attempt + 1)
            return True
    z.robot.fault("lost", "the way out was not found; standing")
    return False


async def try_exit(z: Zone, opening: Opening, marker: MarkerSettings, times: int) -> str:
    """Measure an opening and go out by it; return GREEN, SILVER where it was the way in, or nothing.

    One of which only one end was passed is tried a little to either side, by how many `times` it was tried.

    """
    measured = await measure(z, opening)
    if measured is None:
        z.robot.decide("no exit here", wall=opening.wall, middle=round(opening.middle_m, 3), silver=False)
        z.openings.drop(opening)
        z.chart.gaps[:] = z.openings.gaps()
        return NOTHING
    opening = measured
    if not opening.sure:
        opening = opening._replace(middle_m=opening.middle_m + BESIDE_M[times % len(BESIDE_M)])
    reason = await go_out(z, opening, marker)
    if reason == TAKEN:
        await deposit(z)
        reason = await go_out(z, opening, marker)
    if reason != GREEN:
        z.robot.decide("no exit here", wall=opening.wall, middle=round(opening.middle_m, 3), silver=reason == SILVER)
    return reason if reason in (GREEN, SILVER) else NOTHING


async def search(z: Zone, marker: MarkerSettings, tried: list[Opening]) -> str:
    """Follow the walls and try each opening, whatever the chart says: green is the way out, silver the way in.

    Silver also tells for sure where the robot is: then what was known of the openings holds again, and is tried.

    """
    known, z.openings.found = z.openings.found, []
    z.chart.gaps.clear()
    wall = (z.chart.ahead() - z.turn) % 4
    z.robot.decide("exit search", wall=wall)
    for _ in range(6):
        await pass_wall(z, wall)
        wall = (wall + z.turn) % 4
        await turn_to(z, lane_along(z, wall, 0.0).heading_rad)
        for opening in list(z.openings.found):
            if any(same(opening, old) for old in tried):
                continue
            tried.append(opening)
            reason = await go_out(z, opening, marker)
            if reason == SILVER:
                at_entry(z)
            if reason == GREEN or (reason == SILVER and known):
                z.openings.found = known
                return reason
    z.openings.found = known
    return NOTHING


async def pass_wall(z: Zone, wall: int) -> None:
    """Drive along a wall from the corner behind to the one ahead; not into corners where something was dropped."""
    off = max(z.swing_m, z.s.exit.off_m)
    start, end = (off if number not in z.visited else off + z.s.exit.clear_m for number in z.ends(wall))
    if z.chart.walls[wall] is not None and z.chart.walls[(wall - z.turn) % 4] is not None:
        x, y = lane_start(z, wall, off, start)
        if math.hypot(x - z.chart.x, y - z.chart.y) > OFF_LANE_M:
            await go_to(z, x, y)
    lane = lane_along(z, wall, z.s.exit.off_m)
    await turn_to(z, lane.heading_rad)
    z.openings.forget()
    if await along_wall(z, lane, end, strip_ahead(z)) == STRIP:
        await straight(z, -z.swing_m, z.s.sweep.slow_m_s)


def at_entry(z: Zone) -> None:
    """Take it that the robot has just backed away from the entry's silver strip: there the chart began."""
    z.chart.place(3.0 * z.eyes_m, 0.0, math.pi, 0.03, 0.1)
    z.chart.gaps.append(ENTRY_GAP)
    z.robot.decide("entry met")


async def measure(z: Zone, opening: Opening) -> Opening | None:
    """Drive past an opening along its wall, so that its middle is known anew; not through what was dropped there.

    Returns None where the wall turned out to be whole.

    """
    e = z.s.exit
    ahead = (opening.wall + z.turn) * QUARTER
    x, y = before(z.chart, opening, e.off_m)
    run = 0.5 * opening.width_m + 0.12
    sx, sy = x - run * math.cos(ahead), y - run * math.sin(ahead)
    if over_berth(z, opening.wall, sx, sy):
        return opening
    await go_to(z, *z.held_in(sx, sy))
    lane = lane_along(z, opening.wall, e.off_m)
    await turn_to(z, lane.heading_rad)
    z.openings.forget()
    z.openings.latest = None
    ends = z.chart.room(lane.ahead) - (2.0 * run + abs(along(opening.wall, sx - z.chart.x, sy - z.chart.y)))
    await along_wall(z, lane, max(z.swing_m, ends), most_m=2.0 * run + 0.3)
    await rest(z)
    if z.openings.latest is None and not z.chart.lost:
        return None
    return next((new for new in z.openings.found if same(new, opening)), opening)


def over_berth(z: Zone, wall: int, x: float, y: float) -> bool:
    """Tell whether a place along a wall is next to the corner behind, and something was dropped there."""
    behind, e = z.ends(wall)[0], z.s.exit
    place = z.corner(behind)
    if behind not in z.visited or place is None:
        return False
    return abs(along(wall, *place) - along(wall, x, y)) < e.off_m + e.clear_m


async def go_out(z: Zone, opening: Opening, marker: MarkerSettings) -> str:
    """Go before the middle of an opening, turn to it, and drive until a strip.

    Returns GREEN behind the green strip; else SILVER or NOTHING, back inside; TAKEN where an object lay in the way.

    """
    e = z.s.exit
    x, y = before(z.chart, opening, e.off_m)
    await line_up(z, opening, x, y)
    await turn_to(z, opening.wall * QUARTER)
    aside = (along(opening.wall, x, y) - along(opening.wall, z.chart.x, z.chart.y)) * LEFT_OF[opening.wall]
    if abs(aside) > ASIDE_M:
        await back_aside(z, aside)
    if await roll_and_try(z, opening.wall * QUARTER):
        return TAKEN
    z.inside = False
    way = z.chart.room(opening.wall) - z.eyes_m + e.beyond_m
    start = z.sample.drive.travel_m
    reason = await straight(z, way, e.speed_m_s, Strips(z, marker))
    if reason == GREEN:
        await straight(z, e.over_m, e.speed_m_s, Gone(z, marker))
        return GREEN
    z.inside = True
    if reason == SILVER:
        await straight(z, -2.0 * z.eyes_m, e.speed_m_s)
        return SILVER
    await straight(z, start - z.sample.drive.travel_m, e.speed_m_s)
    return NOTHING


class Strips:
    """Says GREEN or SILVER once enough readings of an eye were.

    Args:
        z: the zone.
        marker: what green is.

    """

    def __init__(self, z: Zone, marker: MarkerSettings) -> None:
        e = z.s.exit
        self._z, self._marker = z, marker
        self._whites = z.load.whites
        self._green = Vote(e.votes, e.window), Vote(e.votes, e.window)
        self._silver = Vote(e.votes, e.window), Vote(e.votes, e.window)

    def __call__(self) -> str:
        """Return GREEN, SILVER, or "" for none."""
        sample, green, silver = self._z.sample, False, False
        for i, colour in enumerate((sample.floor_left, sample.floor_right)):
            green = self._green[i].update(is_green(colour, self._marker)) or green
            silver = self._silver[i].update(is_silver(colour, self._whites[i], self._z.s.silver)) or silver
        return GREEN if green else SILVER if silver else ""


class Gone:
    """Says so when the green strip is behind both eyes.

    Args:
        z: the zone.
        marker: what green is.

    """

    def __init__(self, z: Zone, marker: MarkerSettings) -> None:
        self._z, self._marker, self._clear = z, marker, 0

    def __call__(self) -> str:
        """Return "gone", or "" while an eye is on the strip."""
        sample = self._z.sample
        on = is_green(sample.floor_left, self._marker) or is_green(sample.floor_right, self._marker)
        self._clear = 0 if on else self._clear + 1
        return "gone" if self._clear >= 4 else ""


async def line_up(z: Zone, opening: Opening, x: float, y: float) -> None:
    """Back up (or drive on) along the wall until the axle is before the opening's middle."""
    ahead = (opening.wall + z.turn) * QUARTER
    await turn_to(z, ahead)
    await make_room(z)
    for _ in range(2):
        dx, dy = x - z.chart.x, y - z.chart.y
        await straight(z, dx * math.cos(ahead) + dy * math.sin(ahead), 0.08)
        await rest(z)


__all__ = ["exits", "leave", "measure"]
