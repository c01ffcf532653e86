"""Feeding a recording's raw counts back through calibration, filters and behaviours, as far as trust goes.

Rules: as long as every command equals the recorded one nothing else is done, so that a replay costs what the
behaviours cost. Once they part, both streams are driven along (`Trust`), and at the horizon the replay stops: what a
behaviour makes of readings that it would not have had says nothing.
"""

import gc
import os
import re
from array import array
from collections.abc import Iterable, Iterator, Sequence
from itertools import chain
from types import CodeType, TracebackType
from typing import Any, NamedTuple

from robotcore.brain import Brain
from robotcore.command import Command
from robotcore.log import Decision, Fault, Log
from robotcore.recording.schema import tidy
from robotcore.replay.trust import Horizon, Trust

Row = tuple[int, tuple[Any, ...], tuple[float, ...]]
"""(tick, raw counts or what else the brain takes, recorded command)."""

_RUNTIME = os.path.dirname(os.path.dirname(os.path.abspath(__file__))) + os.sep


class Raised(NamedTuple):
    """What a behaviour raised, when, and the last line of the team's own code that it came through."""

    tick: int
    time_s: float
    text: str
    behaviour: str
    place: str


class Replayed(NamedTuple):
    """What came out of a replay.

    `ticks`, `recorded` and `commands` have one entry a tick that ran; `first` is the place in them of the first
    command that differs by value, `signs` of the first that differs in a zero's sign alone. `ended` is the tick in
    which the mission ended by itself, `last_tick` the last one of the recording.
    """

    ticks: list[int]
    recorded: list[tuple[float, ...]]
    commands: list[Command]
    decisions: list[Decision]
    faults: list[Fault]
    first: int | None
    signs: int | None
    horizon: Horizon | None
    ended: int | None
    raised: Raised | None
    last_tick: int

    @property
    def equal(self) -> bool:
        """Tell whether every command was bit-equal."""
        return self.first is None and self.signs is None


class _Feed:
    """One replay under way."""

    def __init__(self, rows: Iterable[Row], brain: Brain, trust: Trust) -> None:
        self.rows = iter(rows)
        self.brain = brain
        self.trust = trust
        self.ticks: list[int] = []
        self.recorded: list[tuple[float, ...]] = []
        self.commands: list[Command] = []
        self.first: int | None = None
        self.horizon: Horizon | None = None
        self.ended: int | None = None

    def run(self) -> None:
        """Feed until the rows, trust or the behaviours end."""
        self._while_equal()
        if self._while_trusted():
            self._after_the_end()

    def _while_equal(self) -> None:
        """Feed up to the first command that differs, or the mission's end."""
        step, brain = self.brain.step, self.brain
        tick_ran, old, new = self.ticks.append, self.recorded.append, self.commands.append
        for tick, row, recorded in self.rows:
            tick_ran(tick)
            command = step(tick, row)
            old(recorded)
            new(command)
            if command != recorded:
                self.first = len(self.commands) - 1
                break
            if brain.done:
                break
        if brain.done:
            self.ended = self.ticks[-1]

    def _while_trusted(self) -> bool:
        """Feed on while the readings count; tell whether there may be rows left that count."""
        if self.first is None or self.brain.done:
            return True
        step, brain = self.brain.step, self.brain
        tick_ran, old, new = self.ticks.append, self.recorded.append, self.commands.append
        for tick, row, recorded in self.rows:
            if not self._still(tick):
                return False
            tick_ran(tick)
            command = step(tick, row)
            old(recorded)
            new(command)
            if brain.done:
                self.ended = tick
                break
        return True

    def _after_the_end(self) -> None:
        """Compare with a robot at rest once the mission has ended but the recording has not."""
        for tick, _, recorded in self.rows:
            if self.first is not None and not self._still(tick):
                return
            last = self.commands[-1]
            self.ticks.append(tick)
            self.recorded.append(recorded)
            self.commands.append(Command(0.0, 0.0, last.gripper_rad, last.sorter_rad))
            if self.first is None and self.commands[-1] != recorded:
                self.first = len(self.commands) - 1

    def _still(self, tick: int) -> bool:
        """Drive the last pair of commands on to this tick; note the horizon if that brought them too far apart."""
        last, period_s = self.ticks[-1], self.brain.kernel.period_s
        if self.trust.holds(self.recorded[-1], self.commands[-1], (tick - last) * period_s):
            return True
        self.horizon = Horizon(last, last * period_s, self.trust.why())
        return False


class _NoCollection:
    """No search for garbage in cycles meanwhile: thousands of kept commands make it cost as much as all the rest."""

    def __enter__(self) -> None:
        self._was = gc.isenabled()
        gc.disable()

    def __exit__(self, *error: object) -> None:
        if self._was:
            gc.enable()


def replay(rows: Iterable[Row], last_tick: int, brain: Brain, log: Log, trust: Trust) -> Replayed:
    """Run recorded rows through a fresh brain.

    Args:
        rows: the recording's ticks in order.
        last_tick: the last of them.
        brain: not yet stepped, built with `log`.
        log: empty; holds the new decisions afterwards.
        trust: fresh, for the recorded rig.

    """
    feed, raised = _Feed(rows, brain, trust), None
    try:
        with _NoCollection():
            feed.run()
    except Exception as error:  # a behaviour's own error is a result of the replay
        raised = _raised(feed.ticks[-1], brain.kernel.period_s, error)
    brain.close()
    return Replayed(
        feed.ticks, feed.recorded, feed.commands, log.decisions, log.faults, feed.first, _sign(feed), feed.horizon,
        feed.ended, raised, last_tick,
    )  # fmt: skip


def _sign(feed: _Feed) -> int | None:
    """Find what comparing numbers cannot see: the first command whose zero has another sign."""
    if _bits(feed.recorded[: feed.first]) == _bits(feed.commands[: feed.first]):
        return None
    pairs = enumerate(zip(feed.recorded, feed.commands, strict=False))
    return next(i for i, (old, new) in pairs if _bits([old]) != _bits([new]))


def _bits(commands: Iterable[tuple[float, ...]]) -> bytes:
    return array("d", list(chain.from_iterable(commands))).tobytes()  # from a list it is twice as quick


def first_unlike(one: Replayed, two: Replayed) -> int | None:
    """Return the first tick in which two replays of one recording differ in any bit, None if they are alike."""
    if _outcome(one) == _outcome(two) and _bits(one.commands) == _bits(two.commands):
        return None
    found = [min(one.ticks[-1], two.ticks[-1]) + 1]
    pairs = zip(one.ticks, one.commands, two.commands, strict=False)
    found += [tick for tick, a, b in pairs if _bits([a]) != _bits([b])][:1]
    entries: list[tuple[Sequence[Decision | Fault], Sequence[Decision | Fault]]]
    entries = [(one.decisions, two.decisions), (one.faults, two.faults)]
    for these, those in entries:
        found += [min(a.tick, b.tick) for a, b in zip(these, those, strict=False) if repr(a) != repr(b)][:1]
        found += [entry.tick for entry in (*these[len(those) :], *those[len(these) :])][:1]
    found += [raised.tick for raised in (one.raised, two.raised) if raised is not None]
    return min(found)


def _outcome(one: Replayed) -> object:
    return one.ticks, repr(one.decisions), repr(one.faults), one.ended, one.raised


def _raised(tick: int, period_s: float, error: Exception) -> Raised:
    behaviour, place = _blame(error.__traceback__)
    return Raised(tick, tick * period_s, error_text(error), behaviour, place)


def error_text(error: BaseException) -> str:
    """Return an error as it stands in reports: its class and what it says, as far as that is the same in every run."""
    said = str(error)
    return steady(f"{type(error).__name__}: {said}" if said else type(error).__name__)


def steady(text: str) -> str:
    """Return an error's text as a recording can hold it, without places in memory, which no two runs share."""
    return re.sub(r"0x[0-9a-fA-F]{4,}", "0x...", tidy(text))


def _blame(traceback: TracebackType | None) -> tuple[str, str]:
    """Return function and ``file:line`` of the innermost frame that is not the runtime's; empty where there is none."""
    found = ("", "")
    for code, line in _frames(traceback):
        if not os.path.abspath(code.co_filename).startswith(_RUNTIME):
            path = code.co_filename.replace("\\", "/")
            found = code.co_name, f"{'/'.join(path.rsplit('/', 2)[-2:])}:{line}"
    return found


def _frames(traceback: TracebackType | None) -> Iterator[tuple[CodeType, int]]:
    while traceback is not None:
        yield traceback.tb_frame.f_code, traceback.tb_lineno
        traceback = traceback.tb_next
