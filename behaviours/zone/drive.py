"""Driving in the zone: along a wall, straight on, to a place, turning on the spot, and against a wall.

Rules: each owns the tracks while it runs, awaits `Zone.step` every tick, is bounded by way and time, and says why it
ended. Distances from a wall are those of the axle.
"""

import math
from collections.abc import Callable
from typing import NamedTuple

from behaviours.zone.chart import NORMALS, QUARTER, wrap
from behaviours.zone.colours import floor_colour
from behaviours.zone.openings import along
from behaviours.zone.scene import Zone
from behaviours.zone.settings import SilverSettings

THERE, SEEN, NEAR, TOUCH, STRIP, LATE, OPEN = "there", "seen", "near", "touch", "strip", "late", "open"
HELD_FAST = "held fast"

UNTURNED, ALIKE_M, BESIDE_M, FAR_RAD = 9, 0.015, 0.30, 1.1
#: so many readings, so alike, of a wall so near, through so great a turn of the tracks: the body did not turn
TURNED, TURNED_SD = 0.4, 0.35  #: ... but for about this share of it, until it was held; to within so much (rad)
AGREED, AGREED_RAD, AGREED_M = 2, 0.6, 0.03  #: but it did, where so many readings after such a turn are as expected
FREE_M = 0.05, 0.07  #: room made towards the inside then, once and again
TOUCH_M = 0.012  #: nearer to a wall ahead the front may rub along it in a bend, and the tracks slip

GENTLY_M_S = 0.03  #: a straight way ends at this speed

Stop = Callable[[], str]


def never() -> str:
    """Give no reason to stop."""
    return ""


class Lane(NamedTuple):
    """A way along a wall: `heading_rad`, `off_m` from the wall beside, towards the wall `ahead`."""

    wall: int
    ahead: int
    heading_rad: float
    off_m: float


def lane_along(z: Zone, wall: int, off_m: float) -> Lane:
    """Return the lane along a wall with the range sensor towards it."""
    return Lane(wall, (wall + z.turn) % 4, (wall + z.turn) * QUARTER, off_m)


def lane_start(z: Zone, wall: int, off_m: float, behind_m: float) -> tuple[float, float]:
    """Return where a lane along a wall begins: so far from it, and so far from the wall behind."""
    (nx, ny), (bx, by) = NORMALS[wall], NORMALS[(wall - z.turn) % 4]
    beside, behind = (z.chart.walls[wall] or 0.0) - off_m, (z.chart.walls[(wall - z.turn) % 4] or 0.0) - behind_m
    return beside * nx + behind * bx, beside * ny + behind * by


def off_lane(z: Zone, lane: Lane, off_m: float) -> float:
    """Return how far the axle is to the left of the lane."""
    distance = z.chart.walls[lane.wall]
    if distance is None:
        return 0.0
    nx, ny = NORMALS[lane.wall]
    return (off_m - (distance - z.chart.x * nx - z.chart.y * ny)) * -z.turn


def lane_turn(z: Zone, lane: Lane, off_m: float) -> float:
    """Return the rate of turn that brings the robot onto the lane."""
    s = z.s.sweep
    slant = max(-s.slant_rad, min(s.slant_rad, s.pull_rad_m * off_lane(z, lane, off_m)))
    rate = s.hold_per_s * wrap(lane.heading_rad - slant - z.chart.heading)
    return max(-2.0, min(2.0, rate))


async def along_wall(z: Zone, lane: Lane, end_m: float, stop: Stop = never, most_m: float = 9.0) -> str:
    """Drive along a lane until the axle is `end_m` from the wall ahead (where known), or `stop` says why."""
    s = z.s.sweep
    drive = z.sample.drive
    speed = max(0.03, 0.5 * (drive.left_m_s + drive.right_m_s)) if drive.valid else 0.03
    way, gain = 0.0, 0.3 * z.robot.period_s
    ticks = math.ceil((min(most_m, s.longest_m) / s.speed_m_s * 2.0 + 2.0) / z.robot.period_s)
    while ticks > 0:
        left = z.chart.room(lane.ahead) - end_m
        if left <= 0.0:
            return THERE
        if way >= most_m or z.chart.lost:
            return LATE
        speed = min(speed + gain, s.speed_m_s, math.sqrt(0.0009 + 2.0 * s.slow_m_s2 * left))
        z.wheels(speed, lane_turn(z, lane, widened(z, lane)))
        await z.step()
        way += speed * z.robot.period_s
        ticks -= 1
        reason = stop()
        if reason:
            return reason
    return LATE


def widened(z: Zone, lane: Lane) -> float:
    """Return the lane's distance from its wall: wide enough to turn where the wall ahead is near."""
    room = z.chart.room(lane.ahead)
    return max(lane.off_m, z.swing_m) if room < z.swing_m + 0.12 else lane.off_m


async def straight(z: Zone, way_m: float, speed_m_s: float, stop: Stop = never, end_m_s: float = GENTLY_M_S) -> str:
    """Drive straight on (negative: back) by the chart's heading now, until the way is done or `stop` says why."""
    if not abs(way_m) < z.s.sweep.longest_m:
        return LATE
    heading, sign = z.chart.heading, 1.0 if way_m > 0.0 else -1.0
    start = z.sample.drive.travel_m
    ticks = math.ceil((abs(way_m) / speed_m_s * 2.5 + 1.0) / z.robot.period_s)
    while ticks > 0:
        drive = z.sample.drive
        left = abs(way_m) - sign * (drive.travel_m - start) if drive.valid else abs(way_m)
        if left <= 0.0:
            return THERE
        speed = min(speed_m_s, end_m_s + 3.0 * left)
        z.wheels(sign * speed, z.s.sweep.hold_per_s * wrap(heading - z.chart.heading))
        await z.step()
        ticks -= 1
        reason = stop()
        if reason:
            return reason
    return LATE


async def make_room(z: Zone) -> None:
    """Back away from walls that are too near for a turn on the spot: from those beside in an S, then straight."""
    ahead = z.chart.ahead()
    if abs(wrap(z.chart.heading - ahead * QUARTER)) > 0.35:
        return
    for side, wall in ((1.0, ahead - 1), (-1.0, ahead + 1)):
        short = z.swing_m - z.chart.room(wall % 4)
        if short > 0.006:
            await back_aside(z, side * short)
    short = z.swing_m - z.chart.room(ahead)
    if short > 0.004:
        await straight(z, -short, z.s.sweep.speed_m_s)
    short = z.swing_m - z.chart.room((ahead + 2) % 4)
    if short > 0.004:
        await straight(z, short, z.s.sweep.speed_m_s)


async def turn_to(z: Zone, heading_rad: float, stop: Stop = never) -> str:
    """Turn on the spot to a heading, the shorter way, once there is room for it; held fast, come free and try again.

    Returns THERE, or why `stop` ended it.

    """
    for aside_m in (*FREE_M, 0.0):
        if abs(wrap(heading_rad - z.chart.heading)) > 0.3:
            await make_room(z)
        reason = await turn_on_spot(z, heading_rad, stop)
        if reason != HELD_FAST or not aside_m:
            break
        z.robot.decide("held fast", x=round(z.chart.x, 3), y=round(z.chart.y, 3), heading=round(z.chart.heading, 3))
        await back_aside(z, z.turn * aside_m)
    return reason


async def turn_on_spot(z: Zone, heading_rad: float, stop: Stop) -> str:
    """Turn on the spot; HELD_FAST, with the chart turned back, where the range says that the body did not turn.

    Something between the body and a wall holds it, and the tracks slip. A near wall that stays as near through a great
    turn of the tracks tells.

    """
    s, began = z.s.sweep, z.chart.heading
    ticks = math.ceil((math.pi / s.slowest_rad_s + 1.0) / z.robot.period_s)
    first = wrap(heading_rad - began)
    watch, fast = Beside(z), s.gentle_rad_s if gate_near(z) else s.fast_rad_s
    while ticks > 0:
        left = wrap(heading_rad - z.chart.heading)
        if left * first <= 0.0 or abs(left) < 0.005:
            break
        rate = min(fast, max(s.slowest_rad_s, s.per_rad * abs(left)))
        z.wheels(0.0, math.copysign(rate, left))
        await z.step()
        ticks -= 1
        watch.see(z.chart.heading - began)
        if watch.alike:
            z.chart.heading = began + TURNED * (z.chart.heading - began)
            z.chart.doubt(0.01, TURNED_SD)
            return HELD_FAST
        reason = stop()
        if reason:
            return reason
    await rest(z)
    return THERE


def gate_near(z: Zone, but: int = -1) -> bool:
    """Tell whether an opening of any wall `but` one is so near that what a turn kicks away may roll out."""
    for wall, low, high in (gap for gap in z.chart.gaps if gap[0] != but):
        aside = max(low - along(wall, z.chart.x, z.chart.y), along(wall, z.chart.x, z.chart.y) - high, 0.0)
        if math.hypot(aside, z.chart.room(wall)) < z.s.sweep.kick_m:
            return True
    return False


class Beside:
    """What the range sensor hears through a turn.

    Args:
        z: the zone.

    Attributes:
        alike: enough readings of something near were heard, all alike, and none failed since the first.

    """

    def __init__(self, z: Zone) -> None:
        self._z, self._age = z, -1.0
        self._low, self._high, self._count = math.inf, -math.inf, 0
        self._from = self._turned = 0.0  # what the tracks turned at the first reading, and since
        self._agreed = 0  # readings of another wall, where the chart says that it is: the body turned

    def see(self, turned_rad: float) -> None:
        """Take in the latest reading, the tracks having turned by so much."""
        reading, echo = self._z.sample.side_range, self._z.chart.echo
        new = reading.age_s <= self._age or self._age < 0.0
        self._age = reading.age_s
        if new and abs(turned_rad) > AGREED_RAD and echo.wall >= 0 and abs(echo.off_m) < AGREED_M:
            self._agreed += 1
        if new and reading.valid:
            self._from = self._from if self._count else turned_rad
            self._turned = abs(turned_rad - self._from)
            self._count += 1
            self._low, self._high = min(self._low, reading.distance_m), max(self._high, reading.distance_m)
        elif new and self._count:
            self._high = math.inf  # a wall that goes out of hearing is one from which the body turns

    @property
    def alike(self) -> bool:
        """Tell whether it was one near thing all the time."""
        one = self._count >= UNTURNED and self._high - self._low < ALIKE_M and self._high < BESIDE_M
        return one and self._turned > FAR_RAD and self._agreed < AGREED


async def rest(z: Zone, seconds: float = 0.15) -> None:
    """Stand until the tracks have come to rest and late readings have arrived."""
    for _ in range(math.ceil(seconds / z.robot.period_s)):
        z.robot.stand()
        await z.step()


async def go_to(z: Zone, x: float, y: float, stop: Stop = never, speed_m_s: float = 0.0) -> str:
    """Turn towards a place and drive there, at the speed of the sweep where no other is given."""
    dx, dy = x - z.chart.x, y - z.chart.y
    if math.hypot(dx, dy) < 0.012:
        return THERE
    await turn_to(z, math.atan2(dy, dx))
    speed, most = 0.03, speed_m_s or z.s.sweep.speed_m_s
    ticks = math.ceil((math.hypot(dx, dy) / most * 2.0 + 3.0) / z.robot.period_s)
    while ticks > 0:
        dx, dy = x - z.chart.x, y - z.chart.y
        left = dx * math.cos(z.chart.heading) + dy * math.sin(z.chart.heading)
        if left <= 0.004:
            await rest(z, 0.1)
            return THERE
        speed = min(speed + 0.3 * z.robot.period_s, most, 0.03 + 2.0 * left)
        off = wrap(math.atan2(dy, dx) - z.chart.heading) if left > 0.05 else 0.0
        z.wheels(speed, max(-1.5, min(1.5, z.s.sweep.hold_per_s * off)))
        await z.step()
        ticks -= 1
        reason = stop()
        if reason:
            return reason
    return LATE


async def slow_down(z: Zone) -> None:
    """Come to rest so gently that what rolls in the collector stays there; at once where a wall comes into light."""
    drive = z.sample.drive
    speed = 0.5 * (drive.left_m_s + drive.right_m_s) if drive.valid else 0.0
    dim = z.front.level < z.s.front.peak
    while speed > 0.015 and not (dim and z.front.level > z.s.front.peak):
        speed -= z.s.sweep.slow_m_s2 * z.robot.period_s
        z.wheels(speed, 0.0)
        await z.step()
    z.robot.stand()
    await z.step()


async def approach(
    z: Zone, most_m: float, heading_rad: float | None = None, near: float = math.inf, fresh: bool = True
) -> str:
    """Drive slowly at what the forward eye sees, straight on or by a heading.

    Returns TOUCH at a wall, NEAR once the light has come to `near`, THERE where the light stays as it is (it is pushed
    along, or blocks the way), STRIP over a coloured strip, OPEN where a wall should be and no light comes back, LATE
    where nothing came. An approach that goes on with another is not `fresh`: it keeps the peak.

    """
    s, front = z.s, z.front
    if fresh:
        front.forget()
    best, since, way, flashed_at = front.level, 0.0, 0.0, -1.0
    painted, step = strip_ahead(z), s.sweep.slow_m_s * z.robot.period_s
    z.flash, reached = None, (z.chart.x, z.chart.y)
    while way < most_m:
        turn = 0.0 if heading_rad is None else s.sweep.hold_per_s * wrap(heading_rad - z.chart.heading)
        z.wheels(s.sweep.slow_m_s, max(-1.0, min(1.0, turn)))
        dazzled = front.dazzled
        await z.step()
        way += step
        since += step
        if painted():
            return STRIP
        if front.dazzled and not dazzled:
            z.flash, flashed_at = z.chart.at(s.front.wall_m), way
        if front.touches and wall_is_near(z):
            if way - flashed_at > 2.0 * s.front.wall_m:
                z.flash = None
            return TOUCH
        if front.level >= near:
            return NEAR
        if wall_is_missing(z):
            return OPEN
        note_wall(z)
        if front.level > best * s.front.growth:
            best, since = front.level, 0.0
            reached = z.chart.x, z.chart.y
        if since > s.front.steady_m and front.something:
            z.reached = reached
            return THERE
    return LATE


def wall_is_near(z: Zone) -> bool:
    """Tell whether the chart lets a wall be in touch with the front: where it knows none, it does."""
    clear = z.chart.clear_m(z.robot.body.front_m)
    return clear == math.inf or clear < 0.04 + 3.0 * z.chart.doubt_m(z.chart.ahead())


def wall_is_missing(z: Zone) -> bool:
    """Tell whether the front has all but come to a wall whose place is known, and sees none: an opening's edge."""
    s, front = z.s.front, z.front
    if front.something or front.level - front.hall > s.rise or z.chart.doubt_m(z.chart.ahead()) > s.sure_m:
        return False
    return z.chart.clear_m(z.robot.body.front_m) < s.missing_m


def note_wall(z: Zone) -> None:
    """Note the colour of a wall's painted side before the robot, near a corner: berths may be marked there."""
    if 0.25 < z.front.level < z.s.front.wall and z.chart.clear_m(z.robot.body.front_m) < 0.06:
        named = floor_colour(z.sample.front, z.s.classes)
        if named:
            z.note(*z.chart.at(z.robot.body.front_m), named)


def strip_ahead(z: Zone) -> Stop:
    """Return what says STRIP once enough floor readings were green or far brighter than white: the way out, or in.

    White is what the floor before the zone gave: in bright light any white floor is brighter than calibrated white.
    """
    s, row = z.s, 0
    berths = [kind.berth for kind in s.kinds]
    brightest = [silver_from(s.silver, white) for white in z.load.whites]

    def seen() -> str:
        nonlocal row
        sample = z.sample
        hit = False
        for colour, bright in zip((sample.floor_left, sample.floor_right), brightest, strict=True):
            green = floor_colour(colour, s.classes) == "green" and "green" not in berths
            hit = hit or green or colour.green > bright
        row = row + 1 if hit else 0
        return STRIP if row >= s.exit.votes else ""

    return seen


def silver_from(s: SilverSettings, white: float) -> float:
    """Return the green from which a floor is silver, where white floor gives `white`."""
    return max(1.15 * s.over_white, 0.9 * s.factor * white)


async def dock(z: Zone, wall: int) -> None:
    """In touch with a wall: square up against it, and take place and heading from it. The tracks slip meanwhile.

    Where the wall is known to be elsewhere, it was not this wall, or the robot does not lie flat: the chart is lost.

    """
    sure = z.flash is not None
    x, y = z.flash or (z.chart.x, z.chart.y)
    z.flash = None
    if elsewhere(z, wall, x, y):
        z.chart.lost = True
        z.robot.decide("no dock", wall=wall, x=round(x, 3), y=round(y, 3))
        return
    await press(z, z.s.sweep.press_m)
    z.chart.x, z.chart.y = x, y
    z.chart.squared(wall, z.robot.body.front_m, z.s.sweep.dock_sd_m if sure else z.s.sweep.blind_sd_m)


def elsewhere(z: Zone, wall: int, x: float, y: float) -> bool:
    """Tell whether a wall cannot be where the front is with the axle at (x, y)."""
    distance, (nx, ny) = z.chart.walls[wall], NORMALS[wall]
    if distance is None:
        return False
    off = distance - x * nx - y * ny - z.robot.body.front_m
    return abs(off) > z.s.sweep.flat_m + 2.0 * z.chart.doubt_m(wall)


async def back_aside(z: Zone, left_m: float, radius_m: float = 0.10, speed_m_s: float = 0.17) -> None:
    """Back up in an S that ends with the same heading, `left_m` farther to the left."""
    if z.chart.clear_m(z.robot.body.front_m) < TOUCH_M:
        await straight(z, -0.02, z.s.sweep.speed_m_s)
    s, body, began = z.s.sweep, z.robot.body, z.chart.heading
    bend = math.acos(max(0.0, 1.0 - 0.5 * abs(left_m) / radius_m))
    rate = min(speed_m_s, body.max_speed_m_s / (1.0 + 0.5 * body.track_width_m / radius_m)) / radius_m
    sign = -1.0 if left_m > 0.0 else 1.0
    for goal in (began + sign * bend, began):
        ticks = math.ceil(bend / rate * 2.0 / z.robot.period_s)
        while ticks > 0 and (goal - z.chart.heading) * (1.0 if goal != began else -1.0) * sign > 0.01:
            left = goal - z.chart.heading
            turn = math.copysign(min(rate, max(s.slowest_rad_s, s.per_rad * abs(left))), left)
            z.wheels(-abs(turn) * radius_m, turn)
            await z.step()
            ticks -= 1


async def press(z: Zone, way_m: float) -> None:
    """Drive on (negative: back) against what is there: the tracks slip, the body squares up."""
    ticks = math.ceil(abs(way_m) / 0.06 / z.robot.period_s)
    for _ in range(ticks):
        z.wheels(math.copysign(0.06, way_m), 0.0)
        await z.step()
    await rest(z, 0.1)
