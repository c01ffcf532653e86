"""Range sensors: the echo time of an ultrasonic burst, and a distance that an optical sensor worked out itself.

Rules: distances are from the sensor's face; no echo, and a temperature that no air in a hall has, give NaN.
"""

import math
from collections.abc import Sequence
from typing import ClassVar

from drivers.devices.common import NAN, max_age_s
from robotcore.checking import Table
from robotcore.layout import Channel

_NOTHING_MM = 0xFFFF
# What the speed of sound's formula was made for, in tenths of a degree Celsius: -20 to 50 degrees.
_COLDEST, _HOTTEST = -200, 500


def speed_of_sound(celsius: float) -> float:
    """Return the speed of sound in air, in m/s.

    The form of ISO 9613-1:1993, c = 343.2 * sqrt(T / 293.15) with T in kelvin (formula from memory). Humidity is
    left out: at 25 degrees Celsius and half saturation it adds 0.3 % (Cramer, J. Acoust. Soc. Am. 93, 1993).

    Args:
        celsius: air temperature in degrees Celsius, above -273.15.

    """
    return 343.2 * math.sqrt((celsius + 273.15) / 293.15)


def _reach(options: Table, lowest_mm: float, highest_mm: float) -> tuple[float, float]:
    lowest = options.number("lowest_mm", lowest_mm, low=0, high=20000)
    highest = options.number("highest_mm", highest_mm, low=1, high=20000)
    if not lowest < highest:
        options.fault("highest_mm", f"is {highest:g}, not above lowest_mm {lowest:g}; give the farther one here")
    return lowest / 1000, highest / 1000


class EchoTime:
    """Driver ``echo_us``: microseconds from burst to echo, there and back, and the air's temperature.

    Args:
        options: ``lowest_mm`` (default 20), ``highest_mm`` (default 2000) and ``max_age_ms`` (default 150: a burst
            must die away before the next).

    """

    capability: ClassVar[str] = "range"
    channels: ClassVar[tuple[Channel, ...]] = (
        Channel("echo", "H", "microseconds there and back, 0 for no echo"),
        Channel("temperature", "h", "0.1 degree Celsius"),
    )
    elementwise: ClassVar[bool] = True

    def __init__(self, options: Table) -> None:
        self.lowest_m, self.highest_m = _reach(options, 20, 2000)
        self.max_age_s = max_age_s(options, 150)

    def distance(self, counts: Sequence[int]) -> float:
        """Return metres from the sensor's face, NaN for no echo or a temperature that cannot be."""
        echo, temperature = counts
        if echo == 0 or not _COLDEST <= temperature <= _HOTTEST:
            return NAN
        return echo * 5e-7 * speed_of_sound(temperature * 0.1)


class OpticalDistance:
    """Driver ``optical_mm``: millimetres, as the sensor reports them.

    Args:
        options: ``lowest_mm`` (default 10), ``highest_mm`` (default 1500) and ``max_age_ms`` (default 100).

    """

    capability: ClassVar[str] = "range"
    channels: ClassVar[tuple[Channel, ...]] = (Channel("distance", "H", "mm, 65535 for nothing seen"),)
    elementwise: ClassVar[bool] = True

    def __init__(self, options: Table) -> None:
        self.lowest_m, self.highest_m = _reach(options, 10, 1500)
        self.max_age_s = max_age_s(options, 100)

    def distance(self, counts: Sequence[int]) -> float:
        """Return metres from the sensor's face, NaN for nothing seen."""
        return NAN if counts[0] == _NOTHING_MM else counts[0] * 1e-3
