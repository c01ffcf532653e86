"""From set-points to power: the device drivers' own loops, fed with raw counts. For backends that command motors.

Rules: a motor whose counts are missing gets no power; after a break in the counts the loops start afresh.
"""

from collections.abc import Callable, Sequence

from robotcore.command import Command
from robotcore.layout import NEVER
from robotcore.rig import Rig

Powers = tuple[int, int, int, int]
"""Power in per mille: left, right, gripper, sorter."""

AT_REST: Powers = (0, 0, 0, 0)

DRIVE, GRIPPER, SORTER = 1, 2, 4  #: which outputs a rig has, as flags


class Loops:
    """The loops of one rig's motors.

    Args:
        rig: its drivers make the loops.

    Attributes:
        outputs: flags of the outputs that the rig has.

    """

    def __init__(self, rig: Rig) -> None:
        self._rig = rig
        self._drive = rig.layout.slots["drive"]
        self._positions = [rig.layout.slots.get(role) for role in ("gripper", "sorter")]
        gripper, sorter = self._positions
        self.outputs = DRIVE | (GRIPPER if gripper else 0) | (SORTER if sorter else 0)
        self.restart()

    def restart(self) -> None:
        """Forget everything: the next counts are the start."""
        drive = self._rig.role("drive")
        assert drive is not None, "load_rig demands a drive"
        self._speed = drive.device.speed_loop(self._rig.body.wheel_radius_m)
        self._position = [self._position_loop(role) for role in ("gripper", "sorter")]

    def _position_loop(self, role: str) -> Callable[[float, Sequence[int], float], int] | None:
        fitted = self._rig.role(role)
        return None if fitted is None else fitted.device.position_loop()

    def powers(self, command: Command, row: Sequence[int], dt_s: float) -> Powers:
        """Return the power of every motor, for set-points, the newest row and the seconds since the last call."""
        _, at, start, stop = self._drive
        left = right = 0
        if row[at] != NEVER:
            left, right = self._speed(command[0], command[1], row[start:stop], dt_s)
        return left, right, self._hold(0, command[2], row, dt_s), self._hold(1, command[3], row, dt_s)

    def _hold(self, which: int, angle_rad: float, row: Sequence[int], dt_s: float) -> int:
        slot, loop = self._positions[which], self._position[which]
        if slot is None or loop is None or row[slot.age] == NEVER:
            return 0
        return loop(angle_rad, row[slot.start : slot.stop], dt_s)
