"""What leaves the runtime: one `Command` a tick, every actuator's set-point, and the words for stops."""

from typing import NamedTuple


class Command(NamedTuple):
    """Set-points in SI units: track speeds, and angles of the positional motors from their place at power-on."""

    left_m_s: float
    right_m_s: float
    gripper_rad: float
    sorter_rad: float


AT_REST = Command(0.0, 0.0, 0.0, 0.0)

# Stops, in the sense (not the certified function) of the categories of IEC 60204-1. This is a software stop: not an
# emergency stop, not safety-rated; cut the power at the battery.
CUT = 0  #: power removed at once, the tracks coast
HALT = 1  #: zero speed commanded, then power removed
HOLD = 2  #: zero speed commanded, power kept
