"""When the next tick is due: at once on a world that waits for us, by the clock on one that does not.

Rules: the clock is an argument; the period is kept without drift, each due time counted from the start; ticks that
were missed are skipped and counted, never made up for.
"""

from typing import Protocol


class Clock(Protocol):
    """A steady clock in seconds, and a way to wait on it."""

    def now(self) -> float:
        """Return seconds since some fixed moment; never goes back."""
        ...

    def sleep(self, seconds: float) -> None:
        """Wait."""
        ...


class Pacer(Protocol):
    """Says when the next tick is due. A backend may bring its own as its attribute `pacer`, where its world has a beat.

    Attributes:
        overruns: ticks whose work was not done when the next was due.
        skipped: ticks that were left out.
        worst_late_us: the longest delay in microseconds.

    """

    overruns: int
    skipped: int
    worst_late_us: int

    def start(self) -> None:
        """Begin: tick 0 comes now."""
        ...

    def next(self, tick: int) -> tuple[int, int]:
        """Wait for the tick after `tick`; return its number and by how many microseconds the work was late."""
        ...


class WallClock:
    """The machine's steady clock."""

    def __init__(self) -> None:
        import time  # the one place of the runtime where real time enters

        self.now = time.monotonic
        self.sleep = time.sleep


class FreePacer:
    """Every tick follows the last at once."""

    overruns = skipped = worst_late_us = 0

    def start(self) -> None:
        """Nothing to prepare."""

    def next(self, tick: int) -> tuple[int, int]:
        """Return the next tick's number, and 0 for how late it is."""
        return tick + 1, 0


class WallPacer:
    """Ticks by the clock.

    Args:
        clock: see `Clock`.
        period_s: the length of a tick in seconds.

    Attributes:
        overruns: ticks whose work was not done when the next was due.
        skipped: ticks that were left out because of it.
        worst_late_us: the longest delay in microseconds.

    """

    def __init__(self, clock: Clock, period_s: float) -> None:
        self.overruns = self.skipped = self.worst_late_us = 0
        self._clock = clock
        self._period_s = period_s
        self._start_s = 0.0

    def start(self) -> None:
        """Make now the time of tick 0."""
        self._start_s = self._clock.now()

    def next(self, tick: int) -> tuple[int, int]:
        """Wait for the next tick; return its number and by how many microseconds the work was late (0: in time)."""
        due_s = self._start_s + (tick + 1) * self._period_s
        late_s = self._clock.now() - due_s
        if late_s <= 0.0:
            self._clock.sleep(-late_s)
            return tick + 1, 0
        late_us = int(late_s * 1e6)
        missed = int(late_s / self._period_s)
        self.overruns += 1
        self.skipped += missed
        self.worst_late_us = max(self.worst_late_us, late_us)
        return tick + 1 + missed, late_us
