"""From set-points to power: the device drivers' own loops, fed with raw counts. For backends that command motors.

Rules: a motor whose counts are missing gets no power; after a break in the counts the loops start afresh; one that
stands where it should, and has for a while, is not thought about again until that changes.
"""

import math
from collections.abc import Callable, Sequence

from robotcore.command import Command
from robotcore.layout import NEVER
from robotcore.rig import Rig

Powers = tuple[int, int, int, int]
"""Power in per mille: left, right, gripper, sorter."""

Hold = Callable[[float, Sequence[int], float], int]
"""(angle rad, row, seconds) -> power of one motor."""

AT_REST: Powers = (0, 0, 0, 0)

STILL = 20  #: calls without power and motion; by then the speed that a loop keeps has died away

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
        slot = rig.layout.slots["drive"]
        self._drive_age, self._drive_counts = slot.age, slice(slot.start, slot.stop)
        slots = rig.layout.slots
        self.outputs = DRIVE | (GRIPPER if "gripper" in slots else 0) | (SORTER if "sorter" in slots else 0)
        self.restart()

    def restart(self) -> None:
        """Forget everything: the next counts are the start."""
        drive = self._rig.role("drive")
        assert drive is not None, "load_rig demands a drive"
        self._speed = drive.device.speed_loop(self._rig.body.wheel_radius_m)
        self._gripper, self._sorter = self._position_loop("gripper"), self._position_loop("sorter")

    def _position_loop(self, role: str) -> Hold:
        fitted = self._rig.role(role)
        if fitted is None:
            return lambda angle_rad, row, dt_s: 0
        loop, slot = fitted.device.position_loop(), self._rig.layout.slots[role]
        age, at = slot.age, slice(slot.start, slot.stop)
        target, still = math.nan, 0
        seen: Sequence[int] = ()

        def hold(angle_rad: float, row: Sequence[int], dt_s: float) -> int:
            nonlocal target, seen, still
            if row[age] == NEVER:
                return 0
            counts = row[at]
            if angle_rad != target or counts != seen:
                target, seen, still = angle_rad, counts, 0
            elif still > STILL:
                return 0
            power: int = loop(angle_rad, counts, dt_s)
            still = 0 if power else still + 1
            return power

        return hold

    def powers(self, command: Command, row: Sequence[int], dt_s: float) -> Powers:
        """Return the power of every motor, for set-points, the newest row and the seconds since the last call."""
        left_m_s, right_m_s, gripper_rad, sorter_rad = command
        left = right = 0
        if row[self._drive_age] != NEVER:
            left, right = self._speed(left_m_s, right_m_s, row[self._drive_counts], dt_s)
        return left, right, self._gripper(gripper_rad, row, dt_s), self._sorter(sorter_rad, row, dt_s)
