"""The survey: turned on the spot, the range sensor tells where all four walls are, and where the robot stands.

Turning there and back takes out most of what the tracks lose in turns. What was heard is then held against four walls
at right angles: that turn of the whole, and that stretch of the turning, is taken under which most readings agree. So
nothing needs to be known of the place, and a chart that was lost (tracks that slipped, a robot that was pushed) is put
right; only which wall is which is taken from the chart, from how far the walls are apart where that tells.

Rules: one guess a tick, so that no tick is long; what does not fit is told, and nothing is changed then.
"""

import math
from collections.abc import Callable, Iterator
from typing import NamedTuple

from behaviours.zone.chart import NORMALS, QUARTER, Chart, wrap
from behaviours.zone.drive import rest, straight, turn_to
from behaviours.zone.scene import Zone
from robotcore.rig import Mount

SLANT_RAD = 0.6  #: a wall that is turned by more is not heard by every sensor
FITS_M = 0.03  #: readings agree to within so much
BIN_M = 0.02
ROUGH, FINE = (0.80, 20), (0.06, 6)  #: how far to either side the turn is guessed, and in how many steps
STRETCH = (0.06, 6)  #: the same for the share of a turn that was not made
STRETCH_SD = 0.03  #: standard deviation of that
ODDS = 1.5  #: readings that a guess one standard deviation off must gain
FULL_RAD = 4.9  #: all four walls are seen by then
ABOUT = 0.45  #: so large a share of the most is about as many
PART = 0.3  #: of the readings towards a wall that must agree: beside it others are heard
MOST = 90  #: readings that are used
ALONE_M = 0.08  #: one wall alone moves a chart that is not lost no farther: it may be an opening's edge that was heard
MATCH_M = 0.06  #: two walls give the same place to within so much

Guess = tuple[float, float]


class Bearing(NamedTuple):
    """One reading: the heading by the tracks (from where the survey began), and the range."""

    heading_rad: float
    range_m: float


class View(NamedTuple):
    """What a survey found: what is to be added to the heading, how far from the axle the walls are (None: not seen)."""

    turn_rad: float
    walls: tuple[float | None, ...]
    share: float  #: of the readings that fit


class Fix(NamedTuple):
    """A place that a survey may mean, and what speaks against it."""

    against: float
    x: float
    y: float
    heading_rad: float
    quarters: int


async def survey(z: Zone, to_rad: float = FULL_RAD, sd_rad: float = 0.0) -> bool:
    """Look round and put the chart right by it; False where what was heard fits no walls.

    `sd_rad` is how well the heading is known before (0: as the settings say).

    """
    s = z.s.survey
    for attempt in range(s.tries):
        before = s.lost_rad if z.chart.lost or attempt else max(s.before_rad, z.chart.heading_sd_rad)
        view = await look_round(z, to_rad, sd_rad or before)
        fix = min(fixes(z.chart, view))
        needed = s.moved_share if has_moved(z, fix) else s.share
        if view.share >= needed and sum(wall is not None for wall in view.walls) >= 2:
            apply(z, view, fix)
            return True
        z.robot.decide("survey", fits=False, share=round(view.share, 2))
        await to_more_room(z, view)
    z.chart.lost = False  # nothing better is to be had here
    return False


async def survey_if_due(z: Zone, due_rad: float = 0.0) -> bool:
    """Look round where the chart doubts its heading, by so much or as the settings say; True where that was done."""
    due = z.chart.lost or z.chart.heading_sd_rad > (due_rad or z.s.survey.due_rad)
    if due:
        await survey(z)
    return due


async def look_round(z: Zone, to_rad: float, sd_rad: float) -> View:
    """Turn there and back, and fit walls to what was heard."""
    began, heard = z.chart.heading, list[Bearing]()
    z.openings.forget()
    for goal in (-z.s.survey.back_rad, to_rad, 0.0):
        await listen(z, began, began + z.turn * goal, heard)
    await rest(z)
    thin = heard[:: 1 + len(heard) // MOST]
    mount = z.robot.mount("side_range")

    def agree(guess: Guess) -> float:
        turn, stretch = guess
        odd = (turn / sd_rad) ** 2 + (stretch / STRETCH_SD) ** 2
        turned = [(h + stretch * (h - began) + turn, d) for h, d in thin]
        return fit(turned, mount, z.s.chart.beam_rad)[0] - ODDS * odd

    best = 0.0, 0.0
    for guesses in (around(ROUGH, 0), around(STRETCH, 1), around(FINE, 0), around(STRETCH, 1), around(FINE, 0)):
        best = await climb(z, agree, best, guesses)
    turn, stretch = best
    score, walls = fit([(h + stretch * (h - began) + turn, d) for h, d in thin], mount, z.s.chart.beam_rad)
    return View(turn, walls, score / max(1, len(thin)))


async def listen(z: Zone, began: float, goal: float, heard: list[Bearing]) -> None:
    """Turn on the spot to a heading, and keep every new range reading with the heading at which it was taken."""
    rate = math.copysign(z.s.survey.rate_rad_s, goal - z.chart.heading)
    age = -1.0
    for _ in range(math.ceil((abs(goal - z.chart.heading) / abs(rate) * 1.5 + 1.0) / z.robot.period_s)):
        if (goal - z.chart.heading) * rate <= 0.0:
            break
        z.wheels(0.0, rate)
        reading = (await z.step()).side_range
        new = reading.age_s <= age or age < 0.0
        age = reading.age_s
        if new and reading.valid:
            heard.append(Bearing(z.chart.heading - age * z.chart.rate, reading.distance_m))


def around(reach: tuple[float, int], place: int) -> Callable[[Guess], Iterator[Guess]]:
    """Return what gives guesses around one, in one of its two places, from the lowest to the highest."""
    widest, count = reach

    def guesses(middle: Guess) -> Iterator[Guess]:
        for i in range(-count, count + 1):
            step = widest * i / count
            yield (middle[0] + step, middle[1]) if place == 0 else (middle[0], middle[1] + step)

    return guesses


async def climb(
    z: Zone, agree: Callable[[Guess], float], middle: Guess, guesses: Callable[[Guess], Iterator[Guess]]
) -> Guess:
    """Stand and try guesses, one a tick; return the best, moved to the top of the parabola through it."""
    tried = []
    for guess in guesses(middle):
        tried.append((agree(guess), guess))
        z.robot.stand()
        await z.step()
    top = max(range(len(tried)), key=lambda i: tried[i][0])
    turn, stretch = tried[top][1]
    if not 0 < top < len(tried) - 1:
        return turn, stretch
    a, b, c = (tried[i][0] for i in (top - 1, top, top + 1))
    share = 0.5 * (a - c) / (a - 2.0 * b + c) if a - 2.0 * b + c < 0.0 else 0.0
    after = tried[top + 1][1]
    return turn + share * (after[0] - turn), stretch + share * (after[1] - stretch)


def fit(heard: list[tuple[float, float]], mount: Mount, beam_rad: float) -> tuple[float, tuple[float | None, ...]]:
    """Return how well (heading, range) agree with four walls, and how far from the axle each is.

    Common practice, no source: a sensor with a wide beam reads the distance along the perpendicular of a wall that is
    turned by less than the beam's half-angle, and the slant beyond it.

    """
    by_wall: list[list[float]] = [[], [], [], []]
    for heading, reading in heard:
        beam = heading + mount.heading_rad
        wall = round(beam / QUARTER) % 4
        slant = abs(wrap(beam - wall * QUARTER))
        if slant < SLANT_RAD:
            away = wall * QUARTER - heading
            sensor = mount.ahead_m * math.cos(away) + mount.left_m * math.sin(away)
            by_wall[wall].append(reading * math.cos(max(0.0, slant - beam_rad)) + sensor)
    found = [agreed(values) for values in by_wall]
    return sum(score for score, _ in found), tuple(wall for _, wall in found)


def agreed(values: list[float]) -> tuple[float, float | None]:
    """Return how well values agree on one, and that one; None where too few do.

    Of several on which about as many agree the farthest counts: edges throw echoes back from before a wall.

    """
    bins: dict[int, int] = {}
    for value in values:
        key = math.floor(value / BIN_M)
        bins[key] = bins.get(key, 0) + 1
    if not bins:
        return 0.0, None
    weight = {key: bins[key] + 0.5 * (bins.get(key - 1, 0) + bins.get(key + 1, 0)) for key in bins}
    most = max(weight.values())
    full = max(key for key in bins if weight[key] >= ABOUT * most)
    middle = (full + 0.5) * BIN_M
    for _ in range(2):
        near = [value for value in values if abs(value - middle) < FITS_M]
        middle = sum(near) / len(near) if near else middle
    score = sum(1.0 - ((value - middle) / FITS_M) ** 2 for value in near)
    return score, middle if len(near) >= 6 and len(near) > PART * len(values) else None


def has_moved(z: Zone, fix: Fix) -> bool:
    """Tell whether the robot is elsewhere than the chart says."""
    off = math.hypot(fix.x - z.chart.x, fix.y - z.chart.y)
    return off > z.s.survey.off_m or abs(wrap(fix.heading_rad - z.chart.heading)) > z.s.survey.off_rad


def apply(z: Zone, view: View, fix: Fix) -> None:
    """Put the chart right: by a little as it is, or, where it was lost, anew."""
    chart = z.chart
    off, moved = math.hypot(fix.x - chart.x, fix.y - chart.y), has_moved(z, fix)
    if moved:
        chart.place(fix.x, fix.y, chart.heading + wrap(fix.heading_rad - chart.heading), 0.02, z.s.survey.sd_rad)
    else:
        chart.turned(view.turn_rad, z.s.survey.sd_rad)
    chart.seen(tuple(view.walls[(wall - fix.quarters) % 4] for wall in range(4)), z.s.survey.sd_m)
    chart.lost = False
    z.openings.forget()
    z.openings.sift(not moved)
    if moved:
        chart.gaps[:] = z.openings.gaps()
    z.robot.decide(
        "survey", fits=True, moved=moved, share=round(view.share, 2), x=round(chart.x, 3), y=round(chart.y, 3),
        heading=round(wrap(chart.heading), 3), off=round(off, 3), turn=round(view.turn_rad, 3), quarters=fix.quarters,
    )  # fmt: skip


def fixes(chart: Chart, view: View) -> Iterator[Fix]:
    """Yield the four places that a view may mean, one for each quarter turn: walls look alike."""
    for quarters in range(4):
        walls = [view.walls[(wall - quarters) % 4] for wall in range(4)]
        against_x, x = placed(chart, walls, 0, chart.x)
        against_y, y = placed(chart, walls, 1, chart.y)
        against = against_x + against_y + 2.0 * math.hypot(x - chart.x, y - chart.y) + (0.0, 0.5, 0.8, 0.5)[quarters]
        yield Fix(against, x, y, chart.heading + view.turn_rad + quarters * QUARTER, quarters)


def placed(chart: Chart, walls: list[float | None], axis: int, before: float) -> tuple[float, float]:
    """Return what speaks against a view along an axis, and where it puts the robot: by the walls at both ends."""
    ends = []
    for wall in (axis, axis + 2):
        known, seen = chart.walls[wall], walls[wall]
        if known is not None and seen is not None:
            ends.append((known - seen) * NORMALS[wall][axis])
    if not ends:
        return 0.6, before
    if len(ends) == 1:
        return (0.3, ends[0]) if chart.lost or abs(ends[0] - before) < ALONE_M else (0.6, before)
    if abs(ends[0] - ends[1]) < MATCH_M:
        return 0.0, 0.5 * (ends[0] + ends[1])
    return 1.0, min(ends, key=lambda end: abs(end - before))


async def to_more_room(z: Zone, view: View) -> None:
    """Go a little to where there is most room."""
    seen = [(distance, wall) for wall, distance in enumerate(view.walls) if distance is not None]
    if seen:
        away, wall = max(seen)
        await turn_to(z, wall * QUARTER - view.turn_rad)
        await straight(z, min(0.15, max(0.0, away - z.swing_m)), z.s.sweep.slow_m_s)
    else:
        await straight(z, -0.10, z.s.sweep.slow_m_s)


__all__ = ["fit", "fixes", "look_round", "survey", "survey_if_due"]
