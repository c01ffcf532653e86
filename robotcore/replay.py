"""Feeding a recording's raw counts back through calibration, filters and behaviours, and comparing what comes out.

Rules: equal means bit-equal, signs of zero included. The recorded world does not answer to new commands, so what is
found here speaks of the same readings only; how far that is evidence is judged elsewhere.
"""

from array import array
from collections.abc import Iterable, Sequence
from itertools import chain
from typing import NamedTuple

from robotcore.brain import Brain
from robotcore.command import Command
from robotcore.log import Decision, Log
from robotcore.readings import Sample

Row = tuple[int, tuple[int, ...], tuple[float, ...]]
"""(tick, raw counts, recorded command)."""


class Difference(NamedTuple):
    """The first place where a replay parts from the recording.

    `what` is "command", "decision" or "error"; `role` is the actuator or the decision's name; `recorded` and `replayed`
    are both sides in words; `sample` is what the behaviours saw then, where a sample was decoded.
    """

    tick: int
    time_s: float
    what: str
    role: str
    recorded: str
    replayed: str
    sample: Sample | None


class Replayed(NamedTuple):
    """What came out of a replay: how many ticks ran, the first difference of each kind, and the new decisions."""

    ticks: int
    command: Difference | None
    decision: Difference | None
    decisions: tuple[Decision, ...]
    error: BaseException | None

    @property
    def same(self) -> bool:
        """Tell whether every command was bit-equal and every decision the same."""
        return self.command is None and self.decision is None and self.error is None

    @property
    def first(self) -> Difference | None:
        """The earliest difference, decisions before commands of the same tick."""
        found = [d for d in (self.decision, self.command) if d is not None]
        return min(found, key=lambda d: d.tick) if found else None


def replay(rows: Iterable[Row], decisions: Sequence[Decision], brain: Brain, log: Log) -> Replayed:
    """Run recorded rows through a fresh brain and compare.

    Args:
        rows: the recording's ticks in order.
        decisions: the recording's decisions in order.
        brain: not yet stepped, built with `log`.
        log: empty; holds the new decisions afterwards.

    """
    command: Difference | None = None
    error: BaseException | None = None
    step, ticks = brain.step, 0
    both: list[tuple[int, tuple[float, ...], Command]] = []
    for tick, raw, recorded in rows:
        if brain.done:
            command = command or _length(brain, tick, recorded)
            break
        ticks += 1
        try:
            replayed = step(tick, raw)
        except Exception as raised:  # a behaviour's own error is a result of the replay
            error = raised
            command = command or _failure(brain, tick, recorded, raised)
            break
        if replayed != recorded:
            command = command or _command(brain, tick, recorded, replayed)
        both.append((tick, recorded, replayed))
    brain.close()
    command = command or _sign(both, brain)
    return Replayed(ticks, command, _decision(decisions, log.decisions, brain), tuple(log.decisions), error)


def same_decision(one: Decision, two: Decision) -> bool:
    """Tell whether two decisions are the same: tick, name and fields; numbers within 1 part in 10^9."""
    return one.tick == two.tick and one.name == two.name and same_fields(one, two)


def same_fields(one: Decision, two: Decision) -> bool:
    """Tell whether two decisions carry the same fields; numbers within 1 part in 10^9."""
    if one.fields.keys() != two.fields.keys():
        return False
    return all(_close(one.fields[key], two.fields[key]) for key in one.fields)


def _close(one: object, two: object) -> bool:
    if isinstance(one, float) and isinstance(two, float):
        return abs(one - two) <= 1e-9 * max(abs(one), abs(two))
    return one == two


def _command(brain: Brain, tick: int, recorded: tuple[float, ...], replayed: Command) -> Difference:
    pairs = zip(Command._fields, recorded, replayed, strict=True)
    role, old, new = next(pair for pair in pairs if pair[1] != pair[2])
    return Difference(tick, brain.robot.sample.time_s, "command", role, repr(old), repr(new), brain.robot.sample)


def _sign(both: Sequence[tuple[int, tuple[float, ...], Command]], brain: Brain) -> Difference | None:
    """Find what comparing numbers cannot see: zeros of different sign."""
    old = array("d", chain.from_iterable(recorded for _, recorded, _ in both))
    new = array("d", chain.from_iterable(replayed for _, _, replayed in both))
    if old.tobytes() == new.tobytes():
        return None
    at = next(i for i, (a, b) in enumerate(zip(old, new, strict=True)) if repr(a) != repr(b))
    tick, role = both[at // 4][0], Command._fields[at % 4]
    return Difference(tick, tick * brain.kernel.period_s, "command", role, repr(old[at]), repr(new[at]), None)


def _failure(brain: Brain, tick: int, recorded: tuple[float, ...], raised: Exception) -> Difference:
    sample = brain.robot.sample
    return Difference(tick, sample.time_s, "error", type(raised).__name__, repr(tuple(recorded)), str(raised), sample)


def _length(brain: Brain, tick: int, recorded: tuple[float, ...]) -> Difference:
    time_s = tick * brain.kernel.period_s
    return Difference(tick, time_s, "command", "mission", repr(tuple(recorded)), "the mission had ended", None)


def _decision(old: Sequence[Decision], new: Sequence[Decision], brain: Brain) -> Difference | None:
    for one, two in zip(old, new, strict=False):
        if not same_decision(one, two):
            first = min(one, two, key=lambda d: d.tick)
            return Difference(first.tick, first.time_s, "decision", first.name, in_words(one), in_words(two), None)
    if len(old) == len(new):
        return None
    extra = (old if len(old) > len(new) else new)[min(len(old), len(new))]
    sides = (in_words(extra), "nothing") if len(old) > len(new) else ("nothing", in_words(extra))
    return Difference(extra.tick, extra.time_s, "decision", extra.name, *sides, None)


def in_words(decision: Decision) -> str:
    """Return a decision on one line, with its time and the line of code that decided."""
    fields = " ".join(f"{key}={value!r}" for key, value in decision.fields.items())
    return f"{decision.name} {fields} at {decision.time_s:.2f} s ({decision.place})"
