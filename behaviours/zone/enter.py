"""Entry: the silver strip told from white, and the way in.

Metal throws back more of the lamp's light than any white paint. So a reading may be silver where its green passes both
calibrated white and the white of the floor here by stated factors. Glare, a dipping nose on a bump or ramp and a
brighter lamp make white bright too; hence it must be grey, the body must be level, and one eye must be confirmed by
the other or persist. Both eyes for so long that no bump makes it need no level body. A saturated reading is kept at
what was measured, which is the least that it can be: it counts.
"""

import math

from behaviours.eyes import Line
from behaviours.zone.chart import LEFT, NORMALS, RIGHT
from behaviours.zone.drive import THERE, go_to, rest, straight, strip_ahead, turn_to
from behaviours.zone.hand import open_jaws
from behaviours.zone.scene import Zone
from behaviours.zone.settings import SilverSettings
from behaviours.zone.survey import survey
from robotcore.control import Vote
from robotcore.kernel import tick
from robotcore.readings import OK, SATURATED, Colour, Sample, Tilt
from robotcore.robot import Robot

SILVER = "silver"


def is_silver(colour: Colour, white: float, s: SilverSettings) -> bool:
    """Tell whether a reading may be silver, given what green reads on white floor here (1 is calibrated white)."""
    green = colour.green
    if not (green > s.over_white and green > s.factor * white):
        return False
    if colour.status == SATURATED:
        return True
    if colour.status != OK:
        return False
    total = 3.0 * colour.lightness
    return all(abs(channel / total - 1.0 / 3.0) < s.grey for channel in (colour.red, green, colour.blue))


class Level:
    """Whether the body is level, by its pitch off its own slow mean: how the sensor is bolted on does not matter.

    Args:
        s: limits.
        period_s: of a tick.

    """

    def __init__(self, s: SilverSettings, period_s: float) -> None:
        self._limit, self._adapt = s.flat_rad, period_s / s.pitch_s
        self._mean = self._now = 0.0
        self._seen = False

    def see(self, tilt: Tilt) -> bool:
        """Take in a reading; True while the body is level, or where there is no tilt sensor."""
        if not tilt.valid:
            return True
        if not self._seen:
            self._seen, self._mean, self._now = True, tilt.pitch_rad, tilt.pitch_rad
        self._now += 0.3 * (tilt.pitch_rad - self._now)
        off = self._now - self._mean
        self._mean += self._adapt * off
        return abs(off) < self._limit


class SilverWatch:
    """Watches both eyes for the strip.

    Args:
        s: settings.
        period_s: of a tick.

    """

    def __init__(self, s: SilverSettings, period_s: float) -> None:
        self._s = s
        self._level = Level(s, period_s)
        self._votes = Vote(s.votes, s.window), Vote(s.votes, s.window)
        self._rows = [0, 0]
        self._together = 0
        self._after = math.ceil(s.dim_s / period_s)
        self._uneven = 0

    def see(self, sample: Sample, left_white: float, right_white: float) -> str:
        """Take in a sample and what white floor reads here; return "both", "left" or "right", or "" for no strip."""
        left, right = sample[2], sample[3]
        dim = self._s.dim
        self._uneven = self._after if left[1] < dim * left_white and right[1] < dim * right_white else self._uneven - 1
        level = self._level.see(sample[9]) and self._uneven <= 0
        bright = self._s.over_white
        if not (left[1] > bright or right[1] > bright or self._rows[0] or self._rows[1] or self._votes[0].count):
            self._together = 0
            return ""
        metal = is_silver(left, left_white, self._s), is_silver(right, right_white, self._s)
        plain = all(metal) and left[1] > self._s.plain * left_white and right[1] > self._s.plain * right_white
        self._together = self._together + 1 if plain else 0
        hits = metal[0] and level, metal[1] and level
        for side in (0, 1):
            self._rows[side] = self._rows[side] + 1 if hits[side] else 0
        voted = self._votes[0].update(hits[0]), self._votes[1].update(hits[1])
        if (voted[0] and self._votes[1].count) or (voted[1] and self._votes[0].count):
            return "both"
        if self._together >= self._s.together:
            return "both"
        if max(self._rows) >= self._s.alone:
            return "left" if self._rows[0] >= self._rows[1] else "right"
        return ""


async def silver_strip(robot: Robot, line: Line, s: SilverSettings) -> str:
    """Return SILVER once the strip is under the eyes."""
    watch = SilverWatch(s, robot.period_s)
    while True:
        sample = await tick()
        eyes = watch.see(sample, line.left.white, line.right.white)
        if eyes:
            robot.decide(
                "silver strip", eyes=eyes,
                left=round(sample.floor_left.green, 3), right=round(sample.floor_right.green, 3),
                white_left=round(line.left.white, 3), white_right=round(line.right.white, 3),
            )  # fmt: skip
            return SILVER


async def enter(z: Zone, line: Line) -> None:
    """Drive in over the strip and stand behind it, with the chart begun where it ends."""
    z.take_in(z.robot.sample)
    z.chart.place(-z.eyes_m, 0.0, 0.0, 0.02, 0.10)
    over = strip_end(z, z.s.silver, line)
    await straight(z, 0.10, z.s.sweep.slow_m_s, over)
    z.chart.place(-z.eyes_m, z.chart.y, z.chart.heading, 0.012, 0.10)
    z.inside = True
    await open_jaws(z)
    await straight(z, z.eyes_m + z.swing_m + 0.02, z.s.sweep.speed_m_s)
    await rest(z)
    await survey(z, z.s.survey.entry_rad, z.s.survey.entry_sd_rad)
    if None in z.chart.walls:
        await survey_farther_in(z)
    z.robot.decide("zone entered", x=round(z.chart.x, 3), heading=round(z.chart.heading, 3), **z.load.fields())


async def survey_farther_in(z: Zone) -> None:
    """Look round once more from farther in, and come back: where a wall is not heard an opening may lie opposite.

    Away from walls that were not heard: one may be so near that the body has no room to turn.

    """
    x, y, way = z.chart.x, z.chart.y, z.s.survey.farther_m
    unheard = [NORMALS[wall][1] for wall in (LEFT, RIGHT) if z.chart.walls[wall] is None]
    if await go_to(z, x + way, y - 0.5 * way * sum(unheard), strip_ahead(z)) == THERE:
        await turn_to(z, 0.0)
        await survey(z, z.s.survey.entry_rad)
        await go_to(z, x, y)


def strip_end(z: Zone, s: SilverSettings, line: Line) -> "StripEnd":
    """Return what says SILVER once neither eye is on the strip any more."""
    return StripEnd(z, s, line.left.white, line.right.white)


class StripEnd:
    """Says SILVER when the strip is behind the eyes.

    Args:
        z: the zone.
        s: settings.
        left_white: what white reads under the left eye.
        right_white: the same, right.

    """

    def __init__(self, z: Zone, s: SilverSettings, left_white: float, right_white: float) -> None:
        self._z, self._s, self._whites = z, s, (left_white, right_white)
        self._clear = 0

    def __call__(self) -> str:
        """Return SILVER, or "" while an eye is on the strip."""
        sample = self._z.sample
        on = is_silver(sample.floor_left, self._whites[0], self._s) or is_silver(
            sample.floor_right, self._whites[1], self._s
        )
        self._clear = 0 if on else self._clear + 1
        return SILVER if self._clear >= 2 else ""
