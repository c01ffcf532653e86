"""What a person sees while a run goes on and when it is over."""

import sys
from collections import Counter
from collections.abc import Callable
from typing import TextIO

from robotcore.log import Decision, Fault, Log
from robotcore.runtime import Outcome


class Progress:
    """One line that is written over, at most ten times a second; nothing where the stream is no terminal.

    Args:
        log: its last decision is shown.
        period_s: the length of a tick in seconds.
        now: a steady clock in seconds.
        stream: where to write; standard error by default.

    """

    def __init__(self, log: Log, period_s: float, now: Callable[[], float], stream: TextIO | None = None) -> None:
        self._log = log
        self._period_s = period_s
        self._now = now
        self._stream = sys.stderr if stream is None else stream
        self._live = self._stream.isatty()
        self._next_s = 0.0

    def __call__(self, tick: int) -> None:
        """Show the state at this tick, if it is time to."""
        if not self._live or (now := self._now()) < self._next_s:
            return
        self._next_s = now + 0.1
        last = self._log.decisions[-1] if self._log.decisions else None
        said = f"{last.time_s:7.2f} s {last.name} {in_words(last)}" if last else "waiting"
        line = f"{tick * self._period_s:7.1f} s  {len(self._log.faults)} faults  last: {said}"
        self._stream.write("\r" + line[:78].ljust(78))
        self._stream.flush()

    def end(self) -> None:
        """Clear the line."""
        if self._live:
            self._stream.write("\r" + " " * 78 + "\r")
            self._stream.flush()


def in_words(decision: Decision) -> str:
    """Return a decision's fields as ``key=value`` words, numbers shortened."""
    return " ".join(f"{k}={v:.3g}" if isinstance(v, float) else f"{k}={v}" for k, v in decision.fields.items())


def summary(outcome: Outcome, log: Log, wall_s: float, period_s: float) -> list[str]:
    """Return the lines that tell how a run went."""
    pace = f", {outcome.seconds / wall_s:.0f} times real time" if wall_s > 0 else ""
    lines = [f"{outcome.how} after {outcome.seconds:.2f} s of robot time ({wall_s:.2f} s here{pace})"]
    lines.append("decisions  " + (_counts(log.decisions) or "none"))
    lines.append("faults     " + (_fault_counts(log.faults) or "none"))
    lines.append(
        f"timing     {outcome.ticks} ticks of {period_s * 1000:g} ms; {outcome.overruns} late, "
        f"{outcome.skipped} skipped, worst {outcome.worst_late_us} us; "
        f"{outcome.clipped} set-points cut to the rig's limits"
    )
    return lines


def _counts(decisions: list[Decision]) -> str:
    names = (" ".join([d.name, *(str(v) for v in d.fields.values() if isinstance(v, str) and v)]) for d in decisions)
    return ", ".join(f"{count} {name}" for name, count in Counter(names).items())


def _fault_counts(faults: list[Fault]) -> str:
    return ", ".join(f"{count} {kind}" for kind, count in Counter(fault.kind for fault in faults).items())
