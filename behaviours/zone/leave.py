"""Leaving: to the opening that is not the entry, along its wall to find its middle, and out over the green strip."""

import math

from behaviours.settings import MarkerSettings
from behaviours.strips import is_green
from behaviours.zone.chart import ENTRY, QUARTER
from behaviours.zone.collect import roll_and_try
from behaviours.zone.deposit import deposit
from behaviours.zone.drive import THERE, along_wall, go_to, lane_along, rest, straight, turn_to
from behaviours.zone.openings import Opening, along, before, same
from behaviours.zone.scene import Zone
from behaviours.zone.survey import survey, survey_if_due
from robotcore.control import Vote

GREEN = "green"


def exits(z: Zone) -> list[Opening]:
    """Return the openings that are not the entry, the surest first."""
    entry = Opening(ENTRY, 0.0, 0.0)
    found = [opening for opening in z.openings.found if not same(opening, entry)]
    return sorted(found, key=lambda opening: not opening.sure)


async def leave(z: Zone, marker: MarkerSettings) -> bool:
    """Leave over the green strip; False where it was not found."""
    stays = z.load.count
    for attempt in range(z.s.exit.tries):
        await (survey(z) if attempt else survey_if_due(z))
        found = exits(z)
        if not found:
            await look_for_openings(z)
            continue
        opening = found[attempt % len(found)]
        opening = await measure(z, opening)
        if await go_out(z, opening, marker):
            z.robot.decide("exit found", wall=opening.wall, middle=round(opening.middle_m, 3), attempt=attempt + 1)
            return True
        if z.load.count and z.load.count != stays:
            await deposit(z)
            stays = z.load.count
            continue
        z.robot.decide("no exit here", wall=opening.wall, middle=round(opening.middle_m, 3), attempt=attempt + 1)
    z.robot.fault("lost", "the way out was not found; standing")
    return False


async def measure(z: Zone, opening: Opening) -> Opening:
    """Drive past an opening along its wall, so that its middle is known anew."""
    e = z.s.exit
    ahead = (opening.wall + z.turn) * QUARTER
    x, y = before(z.chart, opening, e.off_m)
    run = 0.5 * opening.width_m + 0.12
    sx, sy = x - run * math.cos(ahead), y - run * math.sin(ahead)
    await go_to(z, *z.held_in(sx, sy))
    lane = lane_along(z, opening.wall, e.off_m)
    await turn_to(z, lane.heading_rad)
    z.openings.forget()
    ends = z.chart.room(lane.ahead) - (2.0 * run + abs(along(opening.wall, sx - z.chart.x, sy - z.chart.y)))
    await along_wall(z, lane, max(z.swing_m, ends), most_m=2.0 * run + 0.3)
    await rest(z)
    return next((new for new in z.openings.found if same(new, opening)), opening)


async def go_out(z: Zone, opening: Opening, marker: MarkerSettings) -> bool:
    """Go before the middle of an opening, turn to it, and drive until the green strip."""
    e = z.s.exit
    x, y = before(z.chart, opening, e.off_m)
    await line_up(z, opening, x, y)
    await turn_to(z, opening.wall * QUARTER)
    if await roll_and_try(z, opening.wall * QUARTER):
        return False
    votes = Vote(e.votes, e.window), Vote(e.votes, e.window)

    def green() -> str:
        left = votes[0].update(is_green(z.sample.floor_left, marker))
        right = votes[1].update(is_green(z.sample.floor_right, marker))
        return GREEN if left or right else ""

    z.inside = False
    way = z.chart.room(opening.wall) - z.eyes_m + e.beyond_m
    reason = await straight(z, way, e.speed_m_s, green)
    if reason == GREEN:
        await straight(z, e.over_m, e.speed_m_s, Gone(z, marker))
        return True
    z.inside = True
    await straight(z, -way, e.speed_m_s)
    return False


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
    for _ in range(2):
        dx, dy = x - z.chart.x, y - z.chart.y
        await straight(z, dx * math.cos(ahead) + dy * math.sin(ahead), 0.08)
        await rest(z)


async def look_for_openings(z: Zone) -> None:
    """Follow all walls once more for their openings."""
    for wall in range(4):
        lane = lane_along(z, wall, z.s.exit.off_m)
        await turn_to(z, lane.heading_rad)
        if await along_wall(z, lane, max(z.swing_m, z.s.exit.off_m)) != THERE:
            return


__all__ = ["exits", "leave", "measure"]
