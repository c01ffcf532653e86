"""How readings reach the row: sample period, delay, age and lost readings of every device.

Rules: the age column tells the truth: tenths of a millisecond since the instant that the reading shows (ages beyond
5.8 s read as the longest there is). Devices sample on the world's steps; a delay longer than a step waits in a queue.
A lost reading leaves the older one, ageing; each tenth loss leaves the device silent (`NEVER`) until its next reading.

Most steps need no decision: devices that sample at every step are read, ages grow, and all the rest (slow devices,
losses) happens in events, each of which says when it wants to be called next.
"""

import heapq
import itertools
import math
from collections import deque
from collections.abc import Callable, Iterator
from typing import NamedTuple, Protocol

from robotcore.layout import AGE_UNIT_S, LONGEST_AGE, NEVER, Slot

Counts = tuple[int, ...]
Capture = Callable[[], Counts]
Event = Callable[[int], int]
"""``event(step)`` does what is due at this step and returns the next step at which it wants to be called."""

Reading = tuple[slice, Capture]  #: the columns, and what fills them

SILENT_EVERY = 10
CAP_STEPS = 64
NO_STEP = 1 << 60


class Source(Protocol):
    """Something that stands still most of the time, and says when it did not."""

    moved: bool


class Model(NamedTuple):
    """One device as the fake plays it.

    Attributes:
        capture: the counts of this instant, or of `late_s` before it where `fine`.
        period_s: time between samples; 0 for one at every step.
        delay_s: from the instant that a reading shows to when the brick has it.
        fine: `capture` itself looks back by the part of the delay that is less than a step.
        loses: readings may be lost on the way.
        source: where given, a sample at every step, taken only after the source moved.

    """

    capture: Capture
    period_s: float = 0.0
    delay_s: float = 0.0
    fine: bool = False
    loses: bool = True
    source: Source | None = None


def split_delay(delay_s: float, step_s: float) -> tuple[int, int]:
    """Return a delay as whole steps and the rest in age units."""
    return divmod(round(delay_s / AGE_UNIT_S), round(step_s / AGE_UNIT_S))


class Board:
    """All devices of a robot and the row that they fill.

    Args:
        row: the raw row, filled in place.
        step_s: the world's step.

    """

    def __init__(self, row: list[int], step_s: float) -> None:
        self._row = row
        self._step_s = step_s
        self._unit = round(step_s / AGE_UNIT_S)
        self._prompt: list[Reading] = []
        self._still: list[tuple[Source, slice, Capture]] = []
        self._ageing: list[int] = []
        self._events: list[tuple[int, int, Event]] = []
        self._add_event(CAP_STEPS, self._cap)

    def fit(self, slot: Slot, model: Model, losses: Iterator[int]) -> None:
        """Add a device.

        Args:
            slot: where its columns lie.
            model: the device.
            losses: how many readings come through before each loss.

        """
        delay, rest = split_delay(model.delay_s, self._step_s)
        if not model.fine:
            delay, rest = (delay + 1 if 2 * rest >= self._unit else delay), 0
        if model.source is not None:
            self._row[slot.age] = rest
            self._row[slot.start : slot.stop] = model.capture()
            self._still.append((model.source, slice(slot.start, slot.stop), model.capture))
        elif model.period_s <= self._step_s and not delay:
            sure = losses if model.loses else itertools.repeat(NO_STEP)
            self._row[slot.age] = NEVER
            self._add_event(0, self._every_step(slot, model.capture, rest, sure))
        else:
            self._row[slot.age] = NEVER
            self._add_event(0, self._waiting(slot, model, delay, rest, losses))

    def refresher(self) -> Callable[[int], None]:
        """Return ``refresh(step)``: bring the row up to date; to be called at every step, once all devices are in."""
        row, prompt, still, ageing, events = self._row, self._prompt, self._still, self._ageing, self._events
        unit, replace = self._unit, heapq.heapreplace

        def refresh(step: int) -> None:
            for age in ageing:
                row[age] += unit
            while True:
                due, order, event = events[0]
                if due > step:
                    break
                replace(events, (event(step), order, event))
            for columns, capture in prompt:
                row[columns] = capture()
            for source, columns, capture in still:
                if source.moved:
                    source.moved = False
                    row[columns] = capture()

        return refresh

    def _add_event(self, step: int, event: Event) -> None:
        heapq.heappush(self._events, (step, len(self._events), event))

    def _cap(self, step: int) -> int:
        """Keep ages within what a column holds."""
        for age in [age for age in self._ageing if self._row[age] > LONGEST_AGE - (CAP_STEPS + 1) * self._unit]:
            self._ageing.remove(age)
            self._row[age] = LONGEST_AGE
        return step + CAP_STEPS

    def _age_on(self, age: int) -> None:
        if age not in self._ageing:
            self._ageing.append(age)

    def _silence(self, slot: Slot) -> None:
        """Show that the device gave nothing."""
        if slot.age in self._ageing:
            self._ageing.remove(slot.age)
        self._row[slot.age] = NEVER
        self._row[slot.start : slot.stop] = [0] * (slot.stop - slot.start)

    def _every_step(self, slot: Slot, capture: Capture, rest: int, losses: Iterator[int]) -> Event:
        """Return the event of a device that samples at every step: now and then it is taken away for a step."""
        reading = slice(slot.start, slot.stop), capture
        away, silent = True, SILENT_EVERY

        def lose() -> None:
            nonlocal away, silent
            if not away:
                away = True
                self._prompt.remove(reading)
                self._row[slot.age] += self._unit
                self._age_on(slot.age)
            silent -= 1
            if not silent:
                silent = SILENT_EVERY
                self._silence(slot)

        def event(step: int) -> int:
            nonlocal away
            through = next(losses) if away else 0
            if not through:
                lose()
                return step + 1
            away = False
            if slot.age in self._ageing:
                self._ageing.remove(slot.age)
            self._row[slot.age] = rest
            self._prompt.append(reading)
            return step + through

        return event

    def _waiting(self, slot: Slot, model: Model, delay: int, rest: int, losses: Iterator[int]) -> Event:
        """Return the event of a device with a reading now and then, or there after a while."""
        stamp, show = rest + delay * self._unit, self._shower(slot, rest + delay * self._unit)
        capture, dues = model.capture, _dues(max(1.0, model.period_s / self._step_s))
        due, until, silent = 0, next(losses) if model.loses else NO_STEP, SILENT_EVERY
        pending: deque[tuple[int, Counts | None]] = deque()
        row, age, columns = self._row, slot.age, slice(slot.start, slot.stop)

        def lose(step: int) -> None:
            nonlocal until, silent
            until = next(losses)
            silent -= 1
            if not silent:
                silent = SILENT_EVERY
                pending.append((step + delay, None))

        def at_once(step: int) -> int:
            nonlocal until
            until -= 1
            if until < 0:
                lose(step)
                if pending:
                    show(pending.popleft()[1])
            elif row[age] < LONGEST_AGE:  # nearly always
                row[columns] = capture()
                row[age] = stamp
            else:
                show(capture())
            return next_due()

        def later(step: int) -> int:
            nonlocal due, until
            if step == due:
                due = next_due()
                until -= 1
                if until < 0:
                    lose(step)
                else:
                    pending.append((step + delay, capture()))
            if not pending:
                return due
            if pending[0][0] == step:
                show(pending.popleft()[1])
            return pending[0][0] if pending and pending[0][0] < due else due

        next_due = dues.__next__
        return later if delay else at_once

    def _shower(self, slot: Slot, stamp: int) -> Callable[[Counts | None], None]:
        """Return ``show(counts)``: put a reading of age `stamp` into the row; None for nothing."""
        row, age, columns = self._row, slot.age, slice(slot.start, slot.stop)

        def show(counts: Counts | None) -> None:
            if counts is None:
                self._silence(slot)
                return
            if row[age] >= LONGEST_AGE:
                self._age_on(age)
            row[columns] = counts
            row[age] = stamp

        return show


def _dues(period: float) -> Iterator[int]:
    """Give, without end, the steps after step 0 at which a device with a period of so many steps samples."""
    if period == int(period):
        return itertools.count(int(period), int(period))
    return (math.ceil(exact - 1e-9) for exact in itertools.accumulate(itertools.repeat(period)))


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
            yield NO_STEP
        else:
            yield math.floor(math.log(1.0 - draws[at]) / math.log(1.0 - min(share, 0.99)))
