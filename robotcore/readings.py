"""What behaviours see: one immutable `Sample` a tick, with a reading for every role.

Rules:
- A reading is never a guess. `valid` says whether it may be used, `status` why not.
- A missing or non-finite reading holds NaN, so that whoever uses it unseen gets a NaN command, which the runtime
  refuses. A stale or saturated reading keeps what was measured, marked.
- A role that the rig does not fill has the status ABSENT.
- Everything here is a tuple: cheap to build a hundred times a second on a small processor, and nobody can change it.
"""

from typing import Any, NamedTuple

OK = 0
MISSING = 1  #: the device gave nothing, or nothing that is a number
STALE = 2  #: older than the device's maximum age
SATURATED = 3  #: at the end of the converter's range
OUT_OF_RANGE = 4  #: outside what the device can measure (too near, too far, no echo)
ABSENT = 5  #: the rig has no device in this role

STATUS_WORDS = ("ok", "missing", "stale", "saturated", "out of range", "absent")

NAN = float("nan")


class Colour(NamedTuple):
    """A colour reading, after removing the lamp-off offset, over the white reference: 1.0 is calibrated white.

    `lightness` is the mean of red, green and blue; `contrast` is 0 at the black and 1 at the white reference and
    serves steering only (subtracting black breaks the brightness invariance that shares need).
    """

    red: float
    green: float
    blue: float
    lightness: float
    contrast: float
    age_s: float
    valid: bool
    status: int


class Range(NamedTuple):
    """A distance in metres from the sensor's face."""

    distance_m: float
    age_s: float
    valid: bool
    status: int


class Drive(NamedTuple):
    """Track travel since the start of the run, by encoders.

    `travel_m` is the mean of both sides, `heading_rad` their difference over the track width (counter-clockwise
    positive, zero at the start, not wrapped); both as good as the tracks grip. Speeds are over the last 50 ms.
    """

    left_m: float
    right_m: float
    travel_m: float
    heading_rad: float
    left_m_s: float
    right_m_s: float
    age_s: float
    valid: bool
    status: int


class Position(NamedTuple):
    """A positional motor: angle from where it stood at power-on, and its speed over the last 50 ms."""

    angle_rad: float
    speed_rad_s: float
    age_s: float
    valid: bool
    status: int


class Tilt(NamedTuple):
    """How the body leans: pitch positive nose up, roll positive left side up."""

    pitch_rad: float
    roll_rad: float
    age_s: float
    valid: bool
    status: int


class Button(NamedTuple):
    """A push button."""

    pressed: bool
    age_s: float
    valid: bool
    status: int


class Battery(NamedTuple):
    """The battery's terminal voltage."""

    voltage_v: float
    age_s: float
    valid: bool
    status: int


class Sample(NamedTuple):
    """Every reading of one instant. `time_s` is the tick number times the period."""

    tick: int
    time_s: float
    floor_left: Colour
    floor_right: Colour
    front: Colour
    side_range: Range
    drive: Drive
    gripper: Position
    sorter: Position
    tilt: Tilt
    start_button: Button
    battery: Battery


#: role -> capability
ROLES = {
    "floor_left": "colour",
    "floor_right": "colour",
    "front": "colour",
    "side_range": "range",
    "drive": "drive",
    "gripper": "position",
    "sorter": "position",
    "tilt": "tilt",
    "start_button": "button",
    "battery": "battery",
}

ABSENT_READINGS: dict[str, Any] = {
    "colour": Colour(NAN, NAN, NAN, NAN, NAN, NAN, False, ABSENT),
    "range": Range(NAN, NAN, False, ABSENT),
    "drive": Drive(NAN, NAN, NAN, NAN, NAN, NAN, NAN, False, ABSENT),
    "position": Position(NAN, NAN, NAN, False, ABSENT),
    "tilt": Tilt(NAN, NAN, NAN, False, ABSENT),
    "button": Button(False, NAN, False, ABSENT),
    "battery": Battery(NAN, NAN, False, ABSENT),
}
