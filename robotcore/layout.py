"""How raw counts lie in a row: one flat tuple of whole numbers a tick, the same for wire, recording and replay.

Rules: devices in the rig's order; each device brings an age column (tenths of a millisecond, `NEVER` = no reading)
and then its own channels. A `Layout` is all that a recording needs to be read without any driver.
"""

import struct
from collections.abc import Iterable
from typing import NamedTuple

NEVER = 0xFFFF  #: the age of a reading that is not there
AGE_UNIT_S = 1e-4
LONGEST_AGE = 0xFFFE

#: struct code -> bits, lowest and highest count
CODES = {
    "B": (8, 0, 0xFF),
    "H": (16, 0, 0xFFFF),
    "h": (16, -0x8000, 0x7FFF),
    "i": (32, -0x80000000, 0x7FFFFFFF),
    "I": (32, 0, 0xFFFFFFFF),
}


class Channel(NamedTuple):
    """One whole number that a device reports: its name, struct code (see `CODES`) and unit in words."""

    name: str
    code: str
    unit: str


class Slot(NamedTuple):
    """Where one device lies in the row: its age at `age`, its channels in `start:stop`."""

    role: str
    age: int
    start: int
    stop: int


class Layout:
    """The columns of a raw row.

    Args:
        devices: (role, channels) in the rig's order.

    """

    def __init__(self, devices: Iterable[tuple[str, tuple[Channel, ...]]]) -> None:
        self.columns: list[Channel] = []
        self.slots: dict[str, Slot] = {}
        for role, channels in devices:
            age = len(self.columns)
            self.columns.append(Channel(f"{role}.age", "H", "0.1 ms"))
            self.columns += [Channel(f"{role}.{c.name}", c.code, c.unit) for c in channels]
            self.slots[role] = Slot(role, age, age + 1, len(self.columns))
        self.codes = "".join(column.code for column in self.columns)
        self.row = struct.Struct("<" + self.codes)

    @property
    def names(self) -> list[str]:
        """The columns' names, ``role.channel``."""
        return [column.name for column in self.columns]
