"""Device drivers: what each capability must offer, and the check at registration.

A device driver turns raw counts into physical quantities and set-points into power. It is a pure description: it
opens no port and keeps no clock, so the same driver serves the fake robot, the wire and a recording. A backend moves
the counts. Rules: SI units; a driver returns NaN for what it cannot tell, never a plausible number.

A driver is a class whose constructor takes the `options` table of the rig (a `robotcore.checking.Table`), asks it
for what it needs and lets the table collect faults.

Two things a class may say of itself, to be quicker, and check by `robotcore.contract`: ``elementwise = True`` where
`light` or `turns` work on numpy arrays as on single counts, element by element, so that a long recording is decoded by
whole columns; ``separate = True`` where each channel's light depends on that channel's count alone, so that it can be
looked up. Neither is inherited: who overrides a method says it anew.
"""

from collections.abc import Callable, Sequence
from typing import Any, ClassVar, Protocol

from robotcore.checking import Table
from robotcore.errors import UserError
from robotcore.layout import CODES, Channel


class Device(Protocol):
    """What every driver states about itself."""

    capability: ClassVar[str]  #: one of the values of `robotcore.readings.ROLES`
    channels: ClassVar[tuple[Channel, ...]]  #: what it reports
    max_age_s: float  #: older readings are stale


class ColourSensor(Device, Protocol):
    """Capability ``colour``."""

    full_scale: int  #: a channel at or above this count is saturated

    def light(self, counts: Sequence[int]) -> tuple[float, float, float]:
        """Return (red, green, blue) as linear shares of full scale, in arbitrary but steady units."""
        ...


class RangeSensor(Device, Protocol):
    """Capability ``range``."""

    lowest_m: float
    highest_m: float

    def distance(self, counts: Sequence[int]) -> float:
        """Return metres from the sensor's face, NaN for no echo."""
        ...


class DriveMotors(Device, Protocol):
    """Capability ``drive``: two tracks with encoders, and power in per mille."""

    def turns(self, counts: Sequence[int]) -> tuple[float, float]:
        """Return the angles in radians that the left and right wheel have turned since power-on."""
        ...

    def speed_loop(self, wheel_radius_m: float) -> Callable[[float, float, Sequence[int], float], tuple[int, int]]:
        """Return a fresh controller: (left m/s, right m/s, counts, seconds) -> power of both in -1000..1000."""
        ...


class PositionMotor(Device, Protocol):
    """Capability ``position``: one motor with an encoder."""

    lowest_rad: float
    highest_rad: float

    def angle(self, counts: Sequence[int]) -> float:
        """Return radians from where it stood at power-on."""
        ...

    def position_loop(self) -> Callable[[float, Sequence[int], float], int]:
        """Return a fresh controller: (angle in rad, counts, seconds) -> power in -1000..1000."""
        ...


class TiltSensor(Device, Protocol):
    """Capability ``tilt``."""

    def lean(self, counts: Sequence[int]) -> tuple[float, float]:
        """Return (pitch, roll) in radians: pitch positive nose up, roll positive left side up."""
        ...


class PushButton(Device, Protocol):
    """Capability ``button``."""

    def pressed(self, counts: Sequence[int]) -> bool:
        """Tell whether it is pressed."""
        ...


class BatteryGauge(Device, Protocol):
    """Capability ``battery``."""

    def voltage(self, counts: Sequence[int]) -> float:
        """Return the terminal voltage in volts."""
        ...


#: capability -> (methods, attributes) that a driver must have once built
DEMANDS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "colour": (("light",), ("full_scale",)),
    "range": (("distance",), ("lowest_m", "highest_m")),
    "drive": (("turns", "speed_loop"), ()),
    "position": (("angle", "position_loop"), ("lowest_rad", "highest_rad")),
    "tilt": (("lean",), ()),
    "button": (("pressed",), ()),
    "battery": (("voltage",), ()),
}


def says(device: Any, word: str) -> bool:
    """Tell whether a driver's own class says ``word = True``; what it inherits does not count."""
    return vars(type(device)).get(word, False) is True


def check_driver(name: str, driver: Any) -> None:
    """Check a driver class against its capability's protocol, when it is found.

    Raises:
        UserError: names the driver and everything that it lacks.

    """
    capability = getattr(driver, "capability", None)
    if capability not in DEMANDS:
        raise UserError(
            f"driver {name!r}: its capability is {capability!r}; make it one of {', '.join(sorted(DEMANDS))}"
        )
    lacks = [f"method {method}()" for method in DEMANDS[capability][0] if not callable(getattr(driver, method, None))]
    lacks += _channel_faults(getattr(driver, "channels", None))
    if lacks:
        raise UserError(
            f"driver {name!r} of capability {capability!r} lacks: {', '.join(lacks)}; see robotcore/devices.py"
        )


def check_built(name: str, device: Any) -> None:
    """Check a built driver's attributes.

    Raises:
        UserError: names the driver and everything that it lacks.

    """
    wanted = ("max_age_s", *DEMANDS[device.capability][1])
    lacks = [attribute for attribute in wanted if not isinstance(getattr(device, attribute, None), int | float)]
    if lacks:
        raise UserError(f"driver {name!r} lacks the numbers {', '.join(lacks)}; set them in its __init__")


def _channel_faults(channels: Any) -> list[str]:
    if not isinstance(channels, tuple) or not channels or not all(isinstance(c, Channel) for c in channels):
        return ["channels, a non-empty tuple of Channel"]
    return [f"channel {c.name!r} with a code among {', '.join(CODES)}" for c in channels if c.code not in CODES]


DriverFinder = Callable[[str], Callable[[Table], Any]]
"""Gives the driver class registered under a name, or raises `UserError` naming the known ones."""
