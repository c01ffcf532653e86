"""Comparing what a replay decided with what it should have: the first decision that differs where that counts.

Rules:
- The first recorded decision is held against the first replayed one, the second against the second, and so on. How a
  run ended ("mission ended", or an error) stands in both lists as the last entry and is compared like any other.
- A decision that has not come differs only once its time and the tolerance are over inside the trust horizon; until
  then nobody knows. Where the recorded run came to its own end, it is over with the recording.
- What is within tolerance is equal enough; the lines of code that decided may have moved and are not compared.
"""

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from robotcore.log import Decision
from robotcore.replay.tolerance import Tolerance

ENDED = "mission ended"
ERROR = "error"


class Difference(NamedTuple):
    """The first decision that differs. `tick` is when that shows; a side that decided nothing is None."""

    tick: int
    time_s: float
    recorded: Decision | None
    replayed: Decision | None
    why: str


class Known(NamedTuple):
    """How far both sides are known.

    `replayed` is the last tick whose readings count, `expected` the last of which what should be is known (None: all
    there ever was). `whole` tells that both runs are known to the recorded run's own end.
    """

    replayed: int
    expected: int | None
    whole: bool


def first_difference(
    old: Sequence[Decision], new: Sequence[Decision], known: Known, tolerance: Tolerance, period_s: float
) -> tuple[Difference | None, bool]:
    """Return the first difference inside the horizon, and whether one may be coming that nobody can know yet.

    Args:
        old: what should be decided, in order.
        new: what the replay decided, none of it after the horizon.
        known: how far that reaches.
        tolerance: `time_s`, `share` and `absolute` count.
        period_s: the length of a tick.

    """
    late = tolerance.ticks(period_s)
    for place in range(max(len(old), len(new))):
        one = old[place] if place < len(old) else None
        two = new[place] if place < len(new) else None
        if one is not None and two is not None:
            why = unlike(one, two, tolerance, late)
            if why:
                return _between(one, two, why, late, period_s), False
        elif one is not None:
            return _missing(one, known, late, period_s)
        elif two is not None:
            return _extra(two, known, late)
    return None, False


def unlike(one: Decision, two: Decision, tolerance: Tolerance, late: int) -> str:
    """Return in words why two decisions are not the same, "" where they are; `late` is the time tolerance in ticks."""
    if one.name != two.name:
        return f"{two.name!r} instead of {one.name!r}"
    if abs(two.tick - one.tick) > (0 if one.name == ERROR else late):
        apart = two.time_s - one.time_s
        if one.name == ERROR:
            return f"{abs(apart):.2f} s {'later' if apart > 0 else 'earlier'}"
        return f"{apart:.2f} s after, or one less" if apart > 0 else f"{-apart:.2f} s before, or one more"
    return _fields_unlike(one.fields, two.fields, tolerance)


def _fields_unlike(one: Mapping[str, object], two: Mapping[str, object], tolerance: Tolerance) -> str:
    for key in sorted({**one, **two}):
        if key not in two:
            return f"{key} is not said any more"
        if key not in one:
            return f"{key} is said now"
        if not _near(one[key], two[key], tolerance):
            return f"{key} is {_shown(two[key])} instead of {_shown(one[key])}"
    return ""


def _near(one: object, two: object, tolerance: Tolerance) -> bool:
    if one == two and isinstance(one, bool) == isinstance(two, bool):
        return True
    if isinstance(one, float) and isinstance(two, int | float) and not isinstance(two, bool):
        return abs(one - two) <= max(tolerance.share * max(abs(one), abs(two)), tolerance.absolute)
    return isinstance(two, float) and isinstance(one, int) and not isinstance(one, bool) and _near(two, one, tolerance)


def _shown(value: object) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def _between(one: Decision, two: Decision, why: str, late: int, period_s: float) -> Difference:
    """Tell when it shows: a late one shows when its time is over, any other when the first of both comes."""
    tick = one.tick + late if two.tick > one.tick + late else min(one.tick, two.tick)
    return Difference(tick, tick * period_s, one, two, why)


def _missing(one: Decision, known: Known, late: int, period_s: float) -> tuple[Difference | None, bool]:
    over = one.tick + late
    if one.tick > known.replayed:
        return None, False  # the replay does not reach it
    if over > known.replayed and not known.whole:
        return None, True
    why = "not decided" if over <= known.replayed else "not decided by the recording's end"
    return Difference(min(over, known.replayed), min(over, known.replayed) * period_s, one, None, why), False


def _extra(two: Decision, known: Known, late: int) -> tuple[Difference | None, bool]:
    if known.expected is not None and two.tick + (0 if two.name == ERROR else late) > known.expected:
        return None, True  # nobody knows what comes next on the other side
    return Difference(two.tick, two.time_s, None, two, "nothing was decided before"), False
