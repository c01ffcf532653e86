"""Jaws and flap: closing, lifting, sorting, each watched by its encoder against what was asked, within a time.

Rules: no step is taken for done because time has passed: the encoder says so, or the step has failed and says so.
"""

import math
from collections.abc import Callable

from behaviours.zone.chart import wrap
from behaviours.zone.scene import Zone
from behaviours.zone.settings import HandSettings
from robotcore.readings import Position

NOTHING, HELD, JAMMED = "nothing", "held", "jammed"


async def move_to(
    z: Zone, ask: Callable[[float], None], read: Callable[[], Position], angle_rad: float, limit_s: float,
    past_rad: float = math.inf,
) -> Position:  # fmt: skip
    """Ask for an angle and wait until it is reached or the motor stands still short of it, or `past_rad` is passed.

    Returns the position.

    """
    still = 0
    needed = math.ceil(0.12 / z.robot.period_s)
    for _ in range(math.ceil(limit_s / z.robot.period_s)):
        ask(angle_rad)
        z.robot.stand()
        await z.step()
        position = read()
        if not position.valid:
            continue
        still = still + 1 if abs(position.speed_rad_s) < z.s.hand.still_rad_s else 0
        if still >= needed or position.angle_rad > past_rad:
            break
    return read()


async def jaws(z: Zone, angle_rad: float, limit_s: float, past_rad: float = math.inf) -> Position:
    """Move the jaws' motor."""
    return await move_to(z, z.robot.gripper, lambda: z.sample.gripper, angle_rad, limit_s, past_rad)


async def flap(z: Zone, angle_rad: float) -> Position:
    """Turn the flap."""
    return await move_to(z, z.robot.sorter, lambda: z.sample.sorter, angle_rad, z.s.hand.turn_s)


async def close_jaws(z: Zone) -> str:
    """Close the jaws without lifting; return NOTHING, HELD or JAMMED by where they stop."""
    h = z.s.hand
    return held_by(await jaws(z, h.grip_rad, h.close_s, h.closed_rad - h.something_rad), h)


def held_by(position: Position, h: HandSettings) -> str:
    """Return NOTHING, HELD or JAMMED by where closed jaws stand."""
    if not position.valid:
        return NOTHING
    short = h.closed_rad - position.angle_rad
    return NOTHING if short < h.something_rad else HELD if short < h.jammed_rad else JAMMED


async def close_rolling(z: Zone, heading_rad: float) -> str:
    """Close the jaws while driving on slowly by a heading; with nothing between them they open again on the way."""
    s, h = z.s.sweep, z.s.hand
    still, needed = 0, math.ceil(0.06 / z.robot.period_s)
    for number in range(math.ceil(h.close_s / z.robot.period_s)):
        z.robot.gripper(h.grip_rad)
        z.wheels(s.slow_m_s, max(-1.0, min(1.0, s.hold_per_s * wrap(heading_rad - z.chart.heading))))
        await z.step()
        position = z.sample.gripper
        still = still + 1 if position.valid and abs(position.speed_rad_s) < h.still_rad_s else 0
        if still >= needed and number > needed + 8:
            break
    state = held_by(z.sample.gripper, h)
    if state == NOTHING:
        z.robot.gripper(0.0)
    else:
        z.robot.stand()
        await z.step()
    return state


async def open_jaws(z: Zone) -> None:
    """Lower and open the jaws."""
    await jaws(z, 0.0, z.s.hand.lift_s)


async def lift(z: Zone) -> bool:
    """Lift what the jaws hold; False where it was lost on the way: then empty jaws close and go farther."""
    h = z.s.hand
    began = z.sample.gripper
    top = await jaws(z, h.lift_to_rad, h.lift_s)
    if not (began.valid and top.valid):
        return False
    risen = top.angle_rad - began.angle_rad
    return h.top_share * h.lift_rad <= risen + 0.02 and risen < h.lift_rad + 0.5 * (h.closed_rad - began.angle_rad)


async def sort(z: Zone, side: str) -> bool:
    """Send what is up into the hold on `side`; a jammed flap is turned back and tried again."""
    h, sign = z.s.hand, 1.0 if side == "left" else -1.0
    for turn in range(h.tries):
        position = await flap(z, sign * h.tip_rad)
        done = position.valid and sign * position.angle_rad >= h.tipped_rad
        if not done:
            angle = position.angle_rad if position.valid else 0.0
            z.robot.decide("jam", part="flap", side=side, angle=round(angle, 3), attempt=turn + 1)
        await flap(z, 0.0)
        if done:
            return True
    return False
