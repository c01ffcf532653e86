"""A brick made of software: the agent's port, with a world of any kind behind it instead of copper.

The world is an argument, so that the fake robot, or a few lines in a test, can stand there. Rules: time is an argument
(`clock` gives seconds); the world moves in whole periods, and a power counts in whole periods too: in the period in
whose first half it came, else from the next one on. So a host that answers each row in time drives the very world that
it would drive without a wire, to the last count; what comes late, comes late here as well.
"""

from collections.abc import Callable, Sequence
from typing import Protocol

from robotcore.layout import AGE_UNIT_S, NEVER
from robotcore.rig import Rig

Powers = tuple[int, int, int, int]
"""Power in per mille: left, right, gripper, sorter."""


class World(Protocol):
    """What stands behind the port."""

    def look(self) -> Sequence[int]:
        """Return the row of raw counts at the start, as the rig's layout says."""
        ...

    def step(self, powers: Powers, driven: bool) -> Sequence[int]:
        """Go on by one period under `powers`; return the row of raw counts.

        `driven` is false where the tracks are released: they coast, where power zero would brake.
        """
        ...


class Pipe(Protocol):
    """The serial line, as the brick sees it. Neither function waits."""

    def read_bytes(self, limit: int) -> bytes:
        """Return what has arrived, at most `limit` bytes."""
        ...

    def write_bytes(self, data: bytes) -> int:
        """Send; return how many bytes were taken."""
        ...


class WorldPort:
    """The port of a stand-in brick: see port_template.py for what its functions promise.

    The world stands still until the first reading (so that a start button is not pressed before anyone looks), then
    goes on by one period with each row that is read, and by the clock where none is.

    Args:
        rig: names the devices.
        world: what they see and move.
        pipe: the line.
        clock: monotonic seconds.

    """

    TICKS_PERIOD = 2**32
    MOST_AT_ONCE = 100  #: periods that the world catches up in one call; a longer sleep of the machine is forgotten

    def __init__(self, rig: Rig, world: World, pipe: Pipe, clock: Callable[[], float]) -> None:
        self.NAME = f"stand-in {rig.name}"
        self.DEVICES = tuple(
            (f.port, f.driver_name, round(1.0 / rig.period_s), tuple(tuple(c) for c in f.device.channels))
            for f in rig.fitted
        )
        self._slots = [rig.layout.slots[f.role] for f in rig.fitted]
        self._world = world
        self._clock = clock
        self._period_s = rig.period_s
        self._row: Sequence[int] = ()
        self._at_s = self._seen_s = 0.0  # the instant of the last step, and when its row was made
        self._read: set[int] = set()  # devices that were read since then: one read again asks for the next row
        self.powers: list[int] = [0, 0, 0, 0]
        self.driven = False
        self._counts_now = (0, 0, 0, 0), False  # powers and driven, as they count in the period that runs
        self.read_bytes = pipe.read_bytes
        self.write_bytes = pipe.write_bytes

    def ticks_us(self) -> int:
        """Return the clock in microseconds, wrapped; the world goes on where nobody reads it."""
        now_s = self._clock()
        if self._row and now_s - self._at_s >= 1.5 * self._period_s:
            self._catch_up(now_s)
        return int(now_s * 1e6) % self.TICKS_PERIOD

    def _catch_up(self, now_s: float) -> None:
        self._at_s = max(self._at_s, now_s - self.MOST_AT_ONCE * self._period_s)
        while now_s - self._at_s >= 1.5 * self._period_s:
            self._step(self._at_s)

    def _step(self, now_s: float) -> None:
        self._row = self._world.step(*self._counts_now)
        self._at_s += self._period_s
        self._seen_s = now_s
        self._read.clear()
        self._changed(now_s)

    def _changed(self, now_s: float) -> None:
        if now_s - self._seen_s < 0.5 * self._period_s:
            left, right, gripper, sorter = self.powers
            self._counts_now = (left, right, gripper, sorter), self.driven

    def read_counts(self, number: int, counts: list[int]) -> int:
        """Write the world's counts of device `number` into `counts`; return their age in microseconds."""
        now_s = self._clock()
        if not self._row:
            self._row, self._at_s, self._seen_s = self._world.look(), now_s, now_s
        elif number in self._read and now_s - self._at_s >= 0.5 * self._period_s:
            self._step(now_s)
        self._read.add(number)
        slot = self._slots[number]
        counts[:] = self._row[slot.start : slot.stop]
        age = self._row[slot.age]
        if age == NEVER:
            return -1
        return round((age * AGE_UNIT_S + max(0.0, now_s - self._at_s)) * 1e6)

    def set_power(self, motor: int, per_mille: int) -> None:
        """Power a motor."""
        self.powers[motor] = per_mille
        if motor < 2:
            self.driven = True
        self._changed(self._clock())

    def release(self, motor: int) -> None:
        """Take the power off a motor."""
        self.powers[motor] = 0
        if motor < 2:
            self.driven = False
        self._changed(self._clock())
