"""Encoders that count on over a restart of the brick, whose own counts begin at zero then.

The row that the runtime sees, and the recording keeps, goes on from the last counts: a jump back to zero would be a
drive of metres, and a gripper's zero is where it stood when the run began. What moved while the brick was off nobody
knows; it counts as no motion. Rule: a row is changed only after a restart.
"""

from robotcore.layout import CODES, NEVER
from robotcore.rig import Rig

COUNTING = ("drive", "position")


class Odometers:
    """The counting columns of a rig.

    Args:
        rig: the robot as built.

    Attributes:
        restarted: whether there was a restart; before the first one `go_on` has nothing to do.

    """

    def __init__(self, rig: Rig) -> None:
        self._slots = [rig.layout.slots[f.role] for f in rig.fitted if f.device.capability in COUNTING]
        self._codes = [column.code for column in rig.layout.columns]
        self._stood: dict[int, int] = {}  # column -> where it stood, until its first new count is there
        self._offsets: dict[int, int] = {}
        self.restarted = False

    def restart(self, row: tuple[int, ...]) -> None:
        """Say that the counts begin anew, and what they were in the last row seen."""
        self.restarted = True
        for slot in self._slots:
            if row[slot.age] != NEVER:
                self._stood.update((at, row[at]) for at in range(slot.start, slot.stop))

    def go_on(self, row: tuple[int, ...]) -> tuple[int, ...]:
        """Return the row with its counts going on."""
        if not self._stood and not self._offsets:
            return row
        out = list(row)
        for slot in self._slots:
            if row[slot.age] != NEVER:
                for at in range(slot.start, slot.stop):
                    if at in self._stood:
                        self._offsets[at] = self._stood.pop(at) - row[at]
                    out[at] = self._wrapped(at, row[at] + self._offsets.get(at, 0))
        return tuple(out)

    def _wrapped(self, at: int, count: int) -> int:
        """Return `count` as its column can hold it: like an encoder's register, it wraps."""
        _, low, high = CODES[self._codes[at]]
        return low + (count - low) % (high - low + 1)
