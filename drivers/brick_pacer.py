"""The brick's beat is the host's: a tick begins when its row comes, and has the number that the brick's clock gives it.

So a command goes out right after the row that it answers, and the brick has it early in the same period, however the
clocks of both ends drift: there is no second timer that could slide past the first. Rules: a row that has not come
nearly a period after its time is a tick without a sample; a tick number is given once and numbers rise; while there is
no link the ticks go on by the host's clock. The clock is an argument.
"""

from collections.abc import Callable
from typing import Protocol

from drivers.link.session import Row

GRACE = 0.95  #: periods after which a row that has not come is given up; then the next one is due
EARLY = 8  #: a row may be made an eighth of a period before its time, and all but that after it
FOLLOW_US = 1  #: a row; how fast the beat gives way to a brick whose rows come later and later
MASK = 0xFFFFFFFF


class Beat:
    """Numbers rows by the brick's 32-bit microseconds.

    Args:
        period_s: from row to row.

    """

    def __init__(self, period_s: float) -> None:
        self._period_us = round(period_s * 1e6)
        self._late_us = self._period_us - self._period_us // EARLY  # from here on a row is early for the next tick
        self._begin_us = 0
        self._tick = 0

    def anchor(self, tick: int, clock_us: int) -> None:
        """Say that the row made at `clock_us` is that of `tick`."""
        self._tick, self._begin_us = tick, clock_us

    def tick(self, clock_us: int) -> int:
        """Return the tick of the row made at `clock_us`: rows are made at their time or later, not earlier."""
        due_us = self._begin_us + self._period_us
        off_us = clock_us - due_us
        if 0 <= off_us < self._late_us:  # nearly always
            self._begin_us = due_us + (FOLLOW_US if off_us > FOLLOW_US else off_us)
            self._tick = tick = self._tick + 1
            return tick
        period_us = self._period_us
        ahead_us = (clock_us - self._begin_us) & MASK
        if ahead_us > MASK >> 1:  # an older one
            ahead_us -= MASK + 1
        periods = (ahead_us + period_us // EARLY) // period_us
        off_us = ahead_us - periods * period_us
        self._begin_us = (self._begin_us + ahead_us - off_us + (FOLLOW_US if off_us > FOLLOW_US else off_us)) & MASK
        self._tick = tick = self._tick + periods
        return tick


class Rows(Protocol):
    """What the pacer needs of the backend."""

    def wait_for_row(self, until_s: float) -> Row | None:
        """Wait for a row that is new; the backend keeps it for `sense`. None where none came until then."""
        ...

    def drop_row(self) -> None:
        """Forget the row that is kept."""
        ...


class BrickPacer:
    """A `robotcore.pacing.Pacer` for a brick that sends its rows by its own timer.

    Args:
        rows: the backend.
        clock: monotonic seconds.
        period_s: the length of a tick.

    """

    def __init__(self, rows: Rows, clock: Callable[[], float], period_s: float) -> None:
        self.overruns = self.skipped = self.worst_late_us = 0
        self._rows = rows
        self._clock = clock
        self._period_s = period_s
        self._longest_s = (1.0 + GRACE) * period_s
        self._beat = Beat(period_s)
        self._session = -1  # in which the beat was anchored
        self._due_s = 0.0
        self._in_vain = False  # the last wait took nearly the whole next period: that is no fault of the work

    def start(self) -> None:
        """Make the first row, which came with the handshake, that of tick 0."""
        self._due_s = self._clock()
        row = self._rows.wait_for_row(self._due_s)
        if row is not None:
            self._take(0, row)

    def next(self, tick: int) -> tuple[int, int]:
        """Wait for the next tick's row, in vain for a tick without a sample."""
        rows, coming, asked_s = self._rows, tick + 1, self._clock()
        until_s = self._due_s + self._longest_s
        while True:
            row = rows.wait_for_row(until_s)
            if row is None:
                return self._without(tick, asked_s)
            number = self._take(coming, row)
            if number == coming and asked_s <= self._due_s:
                self._in_vain = False
                return number, 0  # nearly always
            if number > tick:
                missed = number - coming
                return number, self._late(missed, asked_s - self._due_s + missed * self._period_s)
            rows.drop_row()  # its tick was given up

    def _take(self, tick: int, row: Row) -> int:
        """Return the tick of a row; the first one of a session is that of `tick`."""
        if self._session != row.session:
            self._session = row.session
            self._beat.anchor(tick, row.clock_us)
        self._due_s = row.due_s
        return self._beat.tick(row.clock_us)

    def _without(self, tick: int, asked_s: float) -> tuple[int, int]:
        late_s = asked_s - self._due_s - self._period_s
        missed = max(0, int(late_s / self._period_s))
        self._due_s += (1 + missed) * self._period_s
        late_us = self._late(missed, late_s)
        self._in_vain = True
        return tick + 1 + missed, late_us

    def _late(self, missed: int, late_s: float) -> int:
        in_vain, self._in_vain = self._in_vain, False
        if in_vain:  # there was nothing to do in the ticks that went by
            return 0
        self.skipped += missed
        if late_s <= 0.0:
            return 0
        late_us = int(late_s * 1e6)
        self.overruns += 1
        self.worst_late_us = max(self.worst_late_us, late_us)
        return late_us
