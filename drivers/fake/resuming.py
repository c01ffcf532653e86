"""Where a recorded run had got to in one of its ticks, worked out so that the fake world can go on from there.

Rules: everything comes from the recording's own rows: encoder counts go on without a jump, the tracks keep the speed
that the counts show, gripper and sorter their angles, the battery its voltage. What no row tells (noise, where the
slip's slow walk is, what a sensor had under way) begins anew, so the world goes on like the run, and not as its twin.
Nothing here is used before a run, and behaviours see none of it.
"""

import math
from collections.abc import Mapping, Sequence
from statistics import median
from typing import NamedTuple

from attrs import evolve, field, frozen

from drivers.fake.course.shapes import Pose
from drivers.fake.motion import CELL_OHM, ELECTRONICS_A, PART_USED_V
from drivers.fake.perturbations import Drawn
from robotcore.layout import NEVER
from robotcore.rig import Fitted, Rig

Row = tuple[int, tuple[int, ...], tuple[float, ...]]  #: (tick, raw counts, command)
TickPose = tuple[int, float, float, float]  #: (tick, x m, y m, heading rad)

SPEED_ROWS = 15  #: a parabola through the counts of so many ticks gives the speed at the last: 2 mm/s with 1 degree
BATTERY_ROWS = 100
STAND_S = 0.25  #: the world stands so long at the place first: slow sensors read, and the body settles on a slope


class Past(NamedTuple):
    """A recorded run up to the tick from which the fake goes on.

    `rows` and `poses` end with that tick; the command of the last row is the one to go on with. `poses` may leave
    ticks out, but not the last.
    """

    rows: Sequence[Row]
    poses: Sequence[TickPose]

    @property
    def tick(self) -> int:
        """The last tick that is recorded."""
        return self.rows[-1][0]


@frozen
class Began:
    """How a world begins: in which tick, what each track has rolled (m), and angles of positional motors (rad)."""

    tick: int = 0
    left_m: float = 0.0
    right_m: float = 0.0
    angles: Mapping[str, float] = field(factory=dict)


def began(rig: Rig, drawn: Drawn, past: Past, tick: int) -> Began:
    """Return how a world must begin in `tick` for its counts to go on from the last recorded row."""
    drive = rig.role("drive")
    assert drive is not None  # a rig without a drive does not pass validation
    raw, count_m = past.rows[-1][1], drive.device.rad_per_count * rig.body.wheel_radius_m
    left, right = (angle * rig.body.wheel_radius_m for angle in drive.device.turns(_counts(rig, drive, raw)))
    middle = (0.5 - drawn.phase) * count_m  # of the count that the encoder shows
    angles = {
        fitted.role: fitted.device.angle(_counts(rig, fitted, raw))
        for fitted in rig.fitted
        if fitted.device.capability == "position"
    }
    return Began(tick, left + middle, right + middle, angles)


def start_of(past: Past) -> Pose:
    """Return the pose to go on from."""
    return Pose(*past.poses[-1][1:])


def redrawn(rig: Rig, drawn: Drawn, past: Past) -> Drawn:
    """Return the run's perturbations without those of the start, and with the battery as it was last read.

    The voltage under way counts as that at rest: up to 0.1 V low.
    """
    battery = rig.role("battery")
    if battery is None:
        return evolve(drawn, start=(0.0, 0.0, 0.0))
    age = rig.layout.slots["battery"].age
    raws = [raw for _, raw, _ in past.rows[-BATTERY_ROWS:] if raw[age] != NEVER]
    volts = [battery.device.voltage(_counts(rig, battery, raw)) for raw in raws]
    volts = [value for value in volts if math.isfinite(value)]
    level = median(volts) + CELL_OHM * ELECTRONICS_A - PART_USED_V if volts else drawn.battery_v
    return evolve(drawn, start=(0.0, 0.0, 0.0), battery_v=level)


def speeds(rig: Rig, past: Past) -> tuple[float, float]:
    """Return the speed of the left and right track (m/s) in the last recorded tick."""
    drive = rig.role("drive")
    assert drive is not None
    rows = past.rows[-SPEED_ROWS:]
    times = [(tick - past.tick) * rig.period_s for tick, _, _ in rows]
    turns = [drive.device.turns(_counts(rig, drive, raw)) for _, raw, _ in rows]
    left, right = (end_slope(times, [turn[side] for turn in turns]) * rig.body.wheel_radius_m for side in (0, 1))
    return left, right


def end_slope(times: Sequence[float], values: Sequence[float]) -> float:
    """Return the slope at the last time of the parabola that fits the values best; a line's where there are few.

    By polynomials that are orthogonal over the given times: 1, u = t - mean, and u² - a u - b.
    """
    count = len(times)
    if count < 2:
        return 0.0
    mean = sum(times) / count
    us = [time - mean for time in times]
    square = sum(u * u for u in us)
    slope = sum(u * value for u, value in zip(us, values, strict=True)) / square
    a, b = sum(u**3 for u in us) / square, square / count
    bows = [u * u - a * u - b for u in us]
    size = sum(bow * bow for bow in bows)
    if count < 5 or size <= 0.0:
        return slope
    return slope + sum(bow * value for bow, value in zip(bows, values, strict=True)) / size * (2.0 * us[-1] - a)


def _counts(rig: Rig, fitted: Fitted, raw: tuple[int, ...]) -> tuple[int, ...]:
    slot = rig.layout.slots[fitted.role]
    return raw[slot.start : slot.stop]
