"""Deposit: every kind in the berth of its colour, found on the sweep.

The robot looks round before the corner where its heading is in doubt, backs up into it, opens the hold and lets the
objects slide out one by one, moving on between them. A berth that was not seen is looked for in the corners. Holds
give the first in first, so berths are visited in the order in which the holds ask for them, and lower `order` first
where there is a choice.

Rule: never anything in a berth that is not its own; what has no berth stays on board, and that is said.
"""

import math
from typing import NamedTuple

from behaviours.zone.collect import roll_and_try
from behaviours.zone.comb import before_corner, open_corner
from behaviours.zone.drive import rest, straight, strip_ahead, turn_to
from behaviours.zone.hand import flap
from behaviours.zone.scene import Zone, outward
from behaviours.zone.settings import KindSettings
from behaviours.zone.survey import survey, survey_if_due


class Visit(NamedTuple):
    """One visit to a berth: `number` objects from the hold on `side`."""

    side: str
    colour: str
    number: int


def next_visit(holds: dict[str, list[str]], kinds: tuple[KindSettings, ...], known: dict[str, int]) -> Visit | None:
    """Return what to drop next: all in a row that belong to one known berth; None where nothing can be dropped."""
    by_name = {kind.name: kind for kind in kinds}
    choices: list[tuple[int, str, Visit]] = []
    for side in ("left", "right"):
        kind = by_name.get(holds[side][0]) if holds[side] else None
        if kind is not None and kind.berth in known:
            count = 0
            for name in holds[side]:
                if by_name[name].berth != kind.berth:
                    break
                count += 1
            choices.append((kind.order, side, Visit(side, kind.berth, count)))
    return min(choices)[2] if choices else None


def assign(found: dict[str, tuple[int, int]], kinds: tuple[KindSettings, ...], eliminate: bool) -> dict[str, int]:
    """Return berth colour -> corner for the kinds' berths; one that is left over may be the one that is missing."""
    wanted = sorted({kind.berth for kind in kinds})
    known = {colour: corner for colour, (corner, _) in found.items() if colour in wanted}
    missing = [colour for colour in wanted if colour not in known]
    over = [corner for colour, (corner, _) in sorted(found.items()) if colour not in wanted]
    over = [corner for corner in over if corner not in known.values()]
    if eliminate and len(missing) == 1 and len(set(over)) == 1 and len(wanted) > 1:
        known[missing[0]] = over[0]
    return known


async def deposit(z: Zone) -> None:
    """Drop everything that has a berth."""
    found = uncontested(z)
    for colour, (corner, places) in found.items():
        z.robot.decide("berth found", colour=colour, corner=corner, places=places)
    known = assign(found, z.s.kinds, z.s.drop.eliminate)
    if missing(z, known):
        known = await find_berths(z)
    while True:
        visit = next_visit(z.load.holds, z.s.kinds, known)
        if visit is None or z.sample.time_s > z.s.drop.until_s:
            break
        if not await drop(z, visit, known[visit.colour]):
            del known[visit.colour]
    if z.load.count:
        z.robot.fault("no berth", f"{z.load.count} objects stay on board: their berth was not found, or not opened")


def uncontested(z: Zone) -> dict[str, tuple[int, int]]:
    """Return the berths found; none, and all colours forgotten, where two lie in one corner: the chart was turned."""
    found = z.berths()
    corners = [corner for corner, _ in found.values()]
    if len(set(corners)) == len(corners):
        return found
    z.robot.decide("berths contested", corners=",".join(str(corner) for corner in sorted(corners)))
    z.colours.clear()
    return {}


def missing(z: Zone, known: dict[str, int]) -> bool:
    """Tell whether something on board has no known berth."""
    berths = {kind.name: kind.berth for kind in z.s.kinds}
    return any(berths[name] not in known for hold in z.load.holds.values() for name in hold)


async def find_berths(z: Zone) -> dict[str, int]:
    """Drive at the corners where no berth was seen, the nearest first; return what is known of all berths then.

    Those next to an opening come last: few have a berth, but what was taken for an opening may be none.

    """
    left = {number for number in range(4) if z.corner(number) is not None}
    while True:
        found = z.berths()
        known = assign(found, z.s.kinds, z.s.drop.eliminate)
        left -= {corner for corner, _ in found.values()}
        if not left or not missing(z, known) or z.sample.time_s > z.s.drop.until_s:
            return known
        corner = min(left, key=lambda number: (open_corner(z, number), away_from(z, number)))
        left.discard(corner)
        z.robot.decide("berth search", corner=corner)
        await before_corner(z, corner)
        await turn_to(z, outward(corner))
        await straight(z, z.s.drop.off_m - z.s.drop.look_m, z.s.sweep.speed_m_s, strip_ahead(z))
        await straight(z, z.s.drop.look_m - z.s.drop.off_m, z.s.sweep.speed_m_s)


def away_from(z: Zone, corner: int) -> float:
    """Return how far the axle is from a corner; inf where its place is not known."""
    place = z.corner(corner)
    return math.inf if place is None else math.hypot(place[0] - z.chart.x, place[1] - z.chart.y)


async def drop(z: Zone, visit: Visit, corner: int) -> bool:
    """Back up into a corner and release; False where the hold did not open.

    Before the third and every later one those that lie there are pushed deeper in: so all have room in the berth.

    """
    await berth(z, corner)
    hold = z.load.holds[visit.side]
    every = visit.number == len(hold)
    for number in range(visit.number):
        onward = z.s.drop.step_m
        if number > 1:
            onward += z.s.drop.deeper_m
            await straight(z, -onward, z.s.drop.creep_m_s)
            onward += z.s.drop.push_m
        if (number == 0 or not every) and not await open_hold(z, visit.side):
            return False
        await rest(z, z.s.drop.wait_s)
        if not every:
            await flap(z, 0.0)
        await straight(z, onward, z.s.drop.creep_m_s)
        name = hold.pop(0)
        z.load.dropped += 1
        z.robot.decide("dropped", kind=name, berth=visit.colour, corner=corner, count=number + 1, **z.load.fields())
    await rest(z, z.s.drop.wait_s)
    if every:
        await straight(z, z.s.drop.step_m, z.s.drop.creep_m_s)  # what had no room yet has it now
    await flap(z, 0.0)
    await straight(z, 0.10, z.s.sweep.speed_m_s)
    return True


async def open_hold(z: Zone, side: str) -> bool:
    """Open a hold; False, and said, where the flap does not get there."""
    sign = 1.0 if side == "left" else -1.0
    for _ in range(z.s.hand.tries):
        position = await flap(z, sign * z.s.hand.gate_rad)
        if position.valid and sign * position.angle_rad >= z.s.hand.opened_rad:
            return True
        await flap(z, 0.0)
    z.robot.fault("stuck", f"the {side} hold does not open")
    return False


async def berth(z: Zone, corner: int) -> None:
    """Turn the rear to a corner, look round first where due, and back up to where both rear edges nearly touch."""
    s = z.s.drop
    if z.chart.lost:
        await survey(z)
    z.visited.add(corner)
    away, place = outward(corner), z.corner(corner)
    assert place is not None  # a berth is only known where its corner is
    ux, uy = math.cos(away), math.sin(away)
    await before_corner(z, corner)
    await take_along(z)
    if await survey_if_due(z, s.due_rad):
        await before_corner(z, corner)
    await turn_to(z, away + math.pi)
    rear = z.robot.body.rear_m + z.half_m + s.clear_m
    gone = (z.chart.x - place[0]) * -ux + (z.chart.y - place[1]) * -uy
    await straight(z, -(gone - rear), s.back_m_s)
    await rest(z)
    z.robot.decide("berthed", corner=corner, x=round(z.chart.x, 3), y=round(z.chart.y, 3))


async def take_along(z: Zone) -> None:
    """Take on board what was met on the way, where something may be missing."""
    if not z.complete:
        await roll_and_try(z, z.chart.heading)
