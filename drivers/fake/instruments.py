"""How readings reach the row: sample period, delay, age and lost readings of one device.

Rules: the age column tells the truth: tenths of a millisecond since the instant that the reading shows. Devices sample
on the world's steps; a delay longer than a step waits in a queue. A lost reading leaves the older one, ageing; each
tenth loss leaves the device silent (`NEVER`) until its next reading.
"""

import math
from collections import deque
from collections.abc import Callable, Iterator
from typing import NamedTuple

from robotcore.layout import AGE_UNIT_S, LONGEST_AGE, NEVER, Slot

Counts = tuple[int, ...]
Capture = Callable[[], Counts]
Instrument = Callable[[int], None]
"""``instrument(step)``: bring the device's columns of the row up to date."""

SILENT_EVERY = 10


class Model(NamedTuple):
    """One device as the fake plays it.

    Attributes:
        capture: the counts of this instant, or of `late_s` before it where `fine`.
        period_s: time between samples; 0 for one at every step.
        delay_s: from the instant that a reading shows to when the brick has it.
        fine: `capture` itself looks back by the part of the delay that is less than a step.
        loses: readings may be lost on the way.

    """

    capture: Capture
    period_s: float = 0.0
    delay_s: float = 0.0
    fine: bool = False
    loses: bool = True


def split_delay(delay_s: float, step_s: float) -> tuple[int, int]:
    """Return a delay as whole steps and the rest in age units."""
    return divmod(round(delay_s / AGE_UNIT_S), round(step_s / AGE_UNIT_S))


def make_instrument(row: list[int], slot: Slot, model: Model, step_s: float, losses: Iterator[int]) -> Instrument:
    """Return the instrument that fills `slot` of `row`.

    Args:
        row: the raw row, filled in place.
        slot: where the device's columns lie.
        model: the device.
        step_s: the world's step.
        losses: how many readings come through before each loss.

    """
    delay, rest = split_delay(model.delay_s, step_s)
    if not model.fine:
        delay, rest = (delay + 1 if 2 * rest >= round(step_s / AGE_UNIT_S) else delay), 0
    row[slot.age] = NEVER
    if model.period_s <= step_s and not delay:
        if not model.loses:
            return _sure(row, slot, model, rest)
        return _prompt(row, slot, model, rest, round(step_s / AGE_UNIT_S), losses)
    return _waiting(row, slot, model, delay, rest, step_s, losses)


def _sure(row: list[int], slot: Slot, model: Model, rest: int) -> Instrument:
    """Return an instrument with a reading at every step, there at once and never lost."""
    start, stop, capture = slot.start, slot.stop, model.capture
    row[slot.age] = rest

    def instrument(now: int) -> None:
        row[start:stop] = capture()

    return instrument


def _prompt(row: list[int], slot: Slot, model: Model, rest: int, step: int, losses: Iterator[int]) -> Instrument:
    """Return an instrument with a reading at every step, there at once."""
    age, start, stop, capture = slot.age, slot.start, slot.stop, model.capture
    until = next(losses) if model.loses else math.inf
    silent = SILENT_EVERY

    def lose() -> None:
        nonlocal until, silent
        until = next(losses)
        silent -= 1
        if not silent:
            silent = SILENT_EVERY
            row[age] = NEVER
            row[start:stop] = [0] * (stop - start)
        elif row[age] != NEVER:
            row[age] = min(row[age] + step, LONGEST_AGE)

    def instrument(now: int) -> None:
        nonlocal until
        until -= 1
        if until < 0:
            lose()
            return
        row[start:stop] = capture()
        row[age] = rest

    return instrument


def _waiting(
    row: list[int], slot: Slot, model: Model, delay: int, rest: int, step_s: float, losses: Iterator[int]
) -> Instrument:
    """Return an instrument with a reading now and then, there after a while."""
    age, start, stop, capture = slot.age, slot.start, slot.stop, model.capture
    unit = round(step_s / AGE_UNIT_S)
    period = max(1.0, model.period_s / step_s)
    due = 0.0
    until = next(losses) if model.loses else math.inf
    silent = SILENT_EVERY
    pending: deque[tuple[int, Counts | None]] = deque()

    def take(now: int) -> None:
        nonlocal until, silent
        until -= 1
        if until >= 0:
            pending.append((now + delay, capture()))
            return
        until = next(losses)
        silent -= 1
        if not silent:
            silent = SILENT_EVERY
            pending.append((now + delay, None))

    def show(counts: Counts | None) -> None:
        row[start:stop] = counts or [0] * (stop - start)
        row[age] = NEVER if counts is None else rest + delay * unit

    def instrument(now: int) -> None:
        nonlocal due
        old = row[age] + unit
        if old <= LONGEST_AGE:
            row[age] = old
        elif old < NEVER + unit:
            row[age] = LONGEST_AGE
        if now >= due:
            due += period
            take(now)
        if pending and pending[0][0] <= now:
            show(pending.popleft()[1])

    return instrument


def make_losses(share: float, draws: tuple[float, ...], offset: int) -> Iterator[int]:
    """Give, without end, how many readings come through before the next loss: geometric gaps for a loss `share`.

    Args:
        share: of readings lost, below 1.
        draws: uniform draws in [0, 1), walked round from `offset`.
        offset: each device starts elsewhere.

    """
    at = offset
    while True:
        at = (at + 1) % len(draws)
        if share <= 0.0:
            yield 1 << 60
        else:
            yield math.floor(math.log(1.0 - draws[at]) / math.log(1.0 - min(share, 0.99)))
