"""Collecting: close the jaws, look at what they hold, lift it, sort it; and what to do when one of these fails.

Rules: a kind is named by a vote of readings or not at all; what stays unknown is let go, said aloud, and left. Each
attempt is counted, so that nothing is tried for ever.
"""

import math

from behaviours.zone.colours import object_colour
from behaviours.zone.drive import back_aside, rest, slow_down, straight
from behaviours.zone.hand import HELD, JAMMED, NOTHING, close_jaws, close_rolling, lift, open_jaws, sort
from behaviours.zone.scene import Zone
from behaviours.zone.settings import ClassSettings, KindSettings


class Look:
    """A vote of readings of what the jaws hold.

    Args:
        s: how many readings, and how sure.

    """

    def __init__(self, s: ClassSettings) -> None:
        self._s = s
        self.votes: dict[str, int] = {}
        self.count = 0

    def see(self, named: str) -> None:
        """Take in one reading's colour; "" is a vote for none."""
        self.count += 1
        self.votes[named] = self.votes.get(named, 0) + 1

    @property
    def done(self) -> bool:
        """Tell whether there were enough readings."""
        return self.count >= self._s.looks

    @property
    def verdict(self) -> str:
        """The colour that enough readings agree on, or ""."""
        named = max(sorted(self.votes), key=lambda key: self.votes[key], default="")
        return named if self.votes.get(named, 0) >= self._s.sure * max(1, self.count) else ""


def kind_of(colour: str, kinds: tuple[KindSettings, ...]) -> KindSettings | None:
    """Return the kind of that colour, None where there is none."""
    return next((kind for kind in kinds if colour and kind.colour == colour), None)


async def look(z: Zone) -> Look:
    """Look at what the jaws hold with the forward eye, one vote for each new reading."""
    found, age = Look(z.s.classes), -1.0
    for _ in range(8 * z.s.classes.looks):
        z.robot.stand()
        front = (await z.step()).front
        if front.age_s <= age or age < 0.0:
            found.see(object_colour(front, z.s.classes))
        age = front.age_s if front.age_s >= 0.0 else -1.0
        if found.done:
            break
    return found


async def roll_and_try(z: Zone, heading_rad: float) -> bool:
    """Close the jaws while driving on slowly, and take what they hold. True where something was taken."""
    state = await close_rolling(z, heading_rad)
    return state != NOTHING and await try_jaws(z, state)


async def take_standing(z: Zone) -> bool:
    """Close the jaws standing, and take what they hold; empty they open again on the way. True where it was taken."""
    state = await close_jaws(z)
    if state != NOTHING:
        return await try_jaws(z, state)
    z.robot.gripper(0.0)
    return False


async def try_jaws(z: Zone, found: str = "") -> bool:
    """Stop gently, close the jaws, and take what they hold on board. True where something was taken.

    With `found` they are closed already.
    """
    if not found:
        await slow_down(z)
    for attempt in range(z.s.hand.tries):
        state = found or await close_jaws(z)
        found = ""
        if state == NOTHING:
            z.missed = attempt > 0
            await open_jaws(z)
            return False
        if state == JAMMED:
            await unjam(z, attempt)
            continue
        if await take(z, attempt):
            z.missed = False
            return True
    z.missed = True
    z.robot.fault("stuck", "the jaws hold something that they cannot take; going on")
    await open_jaws(z)
    return False


async def unjam(z: Zone, attempt: int) -> None:
    """Let go of what jams the jaws, and come again: a cube that lies askew is squared by the front, at first.

    Of two things that are side by side one is met from beside.

    """
    s, angle = z.s.hand, z.sample.gripper.angle_rad if z.sample.gripper.valid else 0.0
    z.robot.decide("jam", part="jaws", side="", angle=round(angle, 3), attempt=attempt + 1)
    if angle > s.askew_rad and attempt % 2 == 0:
        await open_jaws(z)
        await straight(z, min(s.square_m, max(0.01, front_room_m(z) - s.behind_m)), z.s.sweep.slow_m_s)
        await slow_down(z)
    else:
        await loosen(z, (s.aside_m, -s.aside_m, 0.0)[attempt % 3])


async def loosen(z: Zone, left_m: float) -> None:
    """Let go, back off and come again, from beside: what lay askew lies otherwise, and of two things one is met."""
    await open_jaws(z)
    x, y = z.chart.x, z.chart.y
    if left_m:
        await back_aside(z, left_m)
    else:
        await straight(z, -0.06, z.s.sweep.slow_m_s)
    back = math.sqrt(max(0.0, (z.chart.x - x) ** 2 + (z.chart.y - y) ** 2 - left_m * left_m))
    await straight(z, min(back + 0.01, front_room_m(z)), z.s.sweep.slow_m_s)
    await slow_down(z)


def front_room_m(z: Zone) -> float:
    """Return how far the robot can go on before one end of its front touches a wall."""
    front, half = z.robot.body.front_m, z.half_m
    return max(0.0, min(z.chart.clear_m(front, 0.0, left) for left in (-half, half)))


async def take(z: Zone, attempt: int) -> bool:
    """Name what the jaws hold, lift it and sort it; False where it is to be tried again."""
    if not 0.13 < z.chart.clear_m(z.robot.body.front_m) < 9.0:
        await straight(z, -0.08, z.s.sweep.speed_m_s)  # a wall behind it would be seen as well
    await rest(z, 0.1)
    found = await look(z)
    kind = kind_of(found.verdict, z.s.kinds)
    z.robot.decide(
        "object seen", kind=kind.name if kind else "unsure", colour=found.verdict,
        votes=max(found.votes.values(), default=0), looks=found.count, light=round(z.front.level, 3),
        x=round(z.chart.x, 3), y=round(z.chart.y, 3),
    )  # fmt: skip
    if kind is None:
        await loosen(z, 0.0)
        return False
    if len(z.load.holds[kind.side]) >= z.s.hand.room:
        z.robot.fault("full", f"the {kind.side} hold is full; {kind.name} is left here")
        await open_jaws(z)
        return True
    z.robot.decide("gripped", kind=kind.name, attempt=attempt + 1)
    if not await lift(z):
        z.robot.decide("lost object", kind=kind.name, where="lift")
        await open_jaws(z)
        await straight(z, 0.05, z.s.sweep.slow_m_s)
        await slow_down(z)
        return False
    return await stow(z, kind)


async def stow(z: Zone, kind: KindSettings) -> bool:
    """Sort what is up; one that stays on the flap is set down again."""
    if await sort(z, kind.side):
        z.load.holds[kind.side].append(kind.name)
        z.robot.decide("sorted", kind=kind.name, side=kind.side, **z.load.fields())
        await open_jaws(z)
        z.front.forget()
        return True
    z.robot.fault("stuck", f"{kind.name} stays on the flap; setting it down")
    await open_jaws(z)
    return False


__all__ = ["HELD", "Look", "kind_of", "look", "roll_and_try", "take", "take_standing", "try_jaws"]
