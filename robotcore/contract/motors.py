"""The rules of motors: counts to angles, and the loops that turn set-points into power.

Rule: a loop is judged by what it must never do, whatever motor it was made for: power beyond the limits, the wrong way,
or at rest. How well it follows is for its own tests, which know the motor.
"""

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any

from robotcore.contract.common import Breaches, Rule, promises
from robotcore.contract.subject import PERIOD_S, Counts, Subject, chain, raised, show

RADIUS_M = 0.02
CRAWL_M_S = 0.1
WILD = (0.0, 0.1, -0.1, 3.0, -3.0, 1e6, -1e6, 1e300, -1e300)


def _whole(power: Any) -> bool:
    return type(power) is int and -1000 <= power <= 1000


# Drive


def _still(subject: Subject) -> Counts:
    return (0,) * len(subject.driver.channels)


def _encoder(subject: Subject, side: int) -> tuple[int, float]:
    """Return the channel that counts a side, and its radians a count."""
    turns, still = subject.device.turns, _still(subject)
    for i in range(len(still)):
        turned = turns(raised(still, i, 100))[side] - turns(still)[side]
        if turned:
            return i, turned / 100
    raise ValueError(f"no channel turns the {_SIDES[side]} wheel")


_SIDES = ("left", "right")


@promises("Each side has a channel of its own, along which its angle rises in proportion, and the other's does not.")
def _turns_apart(subject: Subject) -> Breaches:
    turns, still = subject.device.turns, _still(subject)
    for side in (0, 1):
        channel, unit = _encoder(subject, side)
        name = subject.driver.channels[channel].name
        base = turns(still)
        for count in chain(subject.driver.channels[channel]):
            turned = [a - b for a, b in zip(turns(raised(still, channel, count)), base, strict=True)]
            if not math.isclose(turned[side], count * unit, rel_tol=1e-6, abs_tol=1e-9) or turned[1 - side]:
                yield f"channel {name!r} at {count} turns the wheels by {turned} rad, at 100 by {unit * 100:g}"
                break
        if unit < 0:
            yield f"channel {name!r} turns the {_SIDES[side]} wheel backward as it rises; let it rise forward"


@promises(
    "Whatever set-points, counts and periods it is given, the speed loop answers two whole numbers in -1000..1000."
)
def _drive_wild(subject: Subject) -> Breaches:
    for dt in (0.001, PERIOD_S, 0.1, 1.0):
        loop = subject.device.speed_loop(RADIUS_M)
        for i, counts in enumerate(show(subject.driver.channels)):
            power = loop(WILD[i % 9], WILD[i // 2 % 9], counts, dt)
            if not (isinstance(power, tuple) and len(power) == 2 and all(map(_whole, power))):
                yield f"set-points {WILD[i % 9]}, {WILD[i // 2 % 9]}, counts {counts}, {dt} s give {power!r}"
                break


@promises("A set-point that is not a number gives no power, or ValueError.")
def _drive_not_a_number(subject: Subject) -> Breaches:
    for bad in (math.nan, math.inf, -math.inf):
        loop = subject.device.speed_loop(RADIUS_M)
        try:
            power = loop(bad, bad, _still(subject), PERIOD_S)
        except ValueError:
            continue
        if not all(map(_whole, power)) or (bad != bad and any(power)):
            yield f"the set-point {bad} gives {power}"


@promises("At rest with set-points of zero there is no power, from the first call on.")
def _drive_rest(subject: Subject) -> Breaches:
    loop = subject.device.speed_loop(RADIUS_M)
    for i in range(100):
        power = loop(0.0, 0.0, _still(subject), PERIOD_S)
        if any(power):
            yield f"call {i + 1} gives {power}"
            return


def _rolling(subject: Subject) -> Iterator[Counts]:
    """Yield counts of both wheels at the crawling speed, for ever."""
    sides = [_encoder(subject, side) for side in (0, 1)]
    seconds = 0.0
    while True:
        counts = _still(subject)
        for channel, unit in sides:
            counts = raised(counts, channel, int(CRAWL_M_S / RADIUS_M * seconds / unit))
        yield counts
        seconds += PERIOD_S


@promises("When set-points go to zero and the wheels stand, the power is off within half a second and stays off.")
def _drive_stops(subject: Subject) -> Breaches:
    loop = subject.device.speed_loop(RADIUS_M)
    rolling = _rolling(subject)
    for _ in range(100):
        counts = next(rolling)
        loop(CRAWL_M_S, CRAWL_M_S, counts, PERIOD_S)
    late = [power for i in range(200) if any(power := loop(0.0, 0.0, counts, PERIOD_S)) and i >= 50]
    if late:
        yield f"{len(late)} of 150 calls give power, the last {late[-1]}"


@promises("A standing wheel gets power towards its set-point, never away from it, and a wheel without one gets none.")
def _drive_sign(subject: Subject) -> Breaches:
    for left, right in ((1, 0), (0, 1), (-1, 0), (0, -1), (1, -1)):
        loop = subject.device.speed_loop(RADIUS_M)
        powers = [loop(left * CRAWL_M_S, right * CRAWL_M_S, _still(subject), PERIOD_S) for _ in range(50)]
        for name, sign, series in zip(_SIDES, (left, right), zip(*powers, strict=True), strict=True):
            if any(sign * p < 0 or (sign == 0 and p) for p in series) or (sign and not sign * series[-1] > 0):
                told = f"{left * CRAWL_M_S}, {right * CRAWL_M_S} m/s"
                yield f"standing and told {told}, the {name} wheel gets {series[0]} .. {series[-1]}"


@promises("Two loops of one device share nothing: the same calls give the same power, whatever another loop does.")
def _drive_alone(subject: Subject) -> Breaches:
    told = [(CRAWL_M_S, 0.5 * CRAWL_M_S)] * 60 + [(0.0, -CRAWL_M_S)] * 40
    alone, calls = subject.device.speed_loop(RADIUS_M), list(zip(told, _rolling(subject), strict=False))
    wanted = [alone(*speeds, counts, PERIOD_S) for speeds, counts in calls]
    device = subject.device
    beside, other = device.speed_loop(RADIUS_M), device.speed_loop(RADIUS_M)
    for i, (speeds, counts) in enumerate(calls):
        other(-CRAWL_M_S, CRAWL_M_S, _still(subject), 2 * PERIOD_S)
        if beside(*speeds, counts, PERIOD_S) != wanted[i]:
            yield f"call {i + 1} gives another power when a second loop of the same device runs beside it"
            return


# Position


@promises("The angle rises strictly with some count.")
def _angle_rises(subject: Subject) -> Breaches:
    angle, still = subject.device.angle, _still(subject)
    for i, channel in enumerate(subject.driver.channels):
        angles = [angle(raised(still, i, count)) for count in chain(channel)]
        if all(a < b for a, b in pairwise(angles)):
            return
    yield "along no channel does the angle rise from end to end"


def _standing_at(subject: Subject, device: Any, wanted_rad: float) -> Counts:
    """Return the counts nearest to an angle."""
    still = _still(subject)
    for i in range(len(still)):
        unit = (device.angle(raised(still, i, 100)) - device.angle(still)) / 100
        if unit:
            return raised(still, i, round((wanted_rad - device.angle(still)) / unit))
    raise ValueError("no channel changes the angle")


@promises("The lowest angle lies below the highest, and the loop does not push past either.")
def _limits(subject: Subject) -> Breaches:
    device = subject.device
    low, high = device.lowest_rad, device.highest_rad
    if not low < high:
        yield f"lowest_rad is {low} and highest_rad {high}"
    for end, sign in ((low, -1), (high, 1)):
        loop, counts = device.position_loop(), _standing_at(subject, device, end)
        powers = [loop(end + sign * 1.0, counts, PERIOD_S) * sign for _ in range(50)]
        if max(powers[-20:]) > 0:
            yield f"standing at {end:.3f} rad and told to go beyond, it pushes with {max(powers)}"


@promises("Whatever set-points, counts and periods it is given, the loop answers a whole number in -1000..1000.")
def _position_wild(subject: Subject) -> Breaches:
    for dt in (0.001, PERIOD_S, 0.1, 1.0):
        loop = subject.device.position_loop()
        for i, counts in enumerate(show(subject.driver.channels)):
            power = loop(WILD[i % 9], counts, dt)
            if not _whole(power):
                yield f"set-point {WILD[i % 9]}, counts {counts}, {dt} s give {power!r}"
                break


@promises("A set-point that is not a number gives no power, or ValueError.")
def _position_not_a_number(subject: Subject) -> Breaches:
    for bad in (math.nan, math.inf, -math.inf):
        loop = subject.device.position_loop()
        try:
            power = loop(bad, _still(subject), PERIOD_S)
        except ValueError:
            continue
        if not _whole(power) or (bad != bad and power):
            yield f"the set-point {bad} gives {power}"


@promises("Standing where it was told to stand there is no power.")
def _position_rest(subject: Subject) -> Breaches:
    device = subject.device
    for share in (0.25, 0.5, 0.75):
        wanted = device.lowest_rad + share * (device.highest_rad - device.lowest_rad)
        loop, counts = device.position_loop(), _standing_at(subject, device, wanted)
        powers = [loop(device.angle(counts), counts, PERIOD_S) for _ in range(50)]
        if any(powers):
            yield f"standing at {wanted:.3f} rad, as told, it pushes with {max(powers, key=abs)}"


@promises("Standing away from its set-point it gets power towards it, never away from it.")
def _position_sign(subject: Subject) -> Breaches:
    device = subject.device
    span = device.highest_rad - device.lowest_rad
    middle = _standing_at(subject, device, device.lowest_rad + 0.5 * span)
    for sign in (1, -1):
        loop = device.position_loop()
        powers = [loop(device.angle(middle) + sign * 0.4 * span, middle, PERIOD_S) for _ in range(50)]
        if any(sign * power < 0 for power in powers) or not sign * powers[-1] > 0:
            yield f"told to turn by {sign * 0.4 * span:.3f} rad it gets {powers[0]} .. {powers[-1]}"


@promises("Two loops of one device share nothing: the same calls give the same power, whatever another loop does.")
def _position_alone(subject: Subject) -> Breaches:
    device = subject.device
    middle = 0.5 * (device.lowest_rad + device.highest_rad)
    calls = [_standing_at(subject, device, middle + 0.01 * i) for i in range(50)]
    alone = device.position_loop()
    wanted = [alone(middle + 0.3, counts, PERIOD_S) for counts in calls]
    device = subject.device
    beside, other = device.position_loop(), device.position_loop()
    for i, counts in enumerate(calls):
        other(device.lowest_rad, _still(subject), 2 * PERIOD_S)
        if beside(middle + 0.3, counts, PERIOD_S) != wanted[i]:
            yield f"call {i + 1} gives another power when a second loop of the same device runs beside it"
            return


MOTOR_RULES: dict[str, Sequence[Rule]] = {
    "drive": (
        _turns_apart, _drive_wild, _drive_not_a_number, _drive_rest, _drive_stops, _drive_sign, _drive_alone,
    ),
    "position": (
        _angle_rises, _limits, _position_wild, _position_not_a_number, _position_rest, _position_sign, _position_alone,
    ),
}  # fmt: skip
"""capability -> its rules."""
