"""The battery's terminal voltage."""

from collections.abc import Sequence
from typing import ClassVar

from drivers.devices.common import NAN, max_age_s
from robotcore.checking import Table
from robotcore.layout import Channel


class BatteryVoltage:
    """Driver ``battery_mv``: millivolts.

    Zero is "not measured": with no voltage nobody would be there to report it.

    Args:
        options: ``max_age_ms`` (default 2000).

    """

    capability: ClassVar[str] = "battery"
    channels: ClassVar[tuple[Channel, ...]] = (Channel("voltage", "H", "mV, 0 for not measured"),)
    elementwise: ClassVar[bool] = True

    def __init__(self, options: Table) -> None:
        self.max_age_s = max_age_s(options, 2000)

    def voltage(self, counts: Sequence[int]) -> float:
        """Return volts, NaN where nothing was measured."""
        return counts[0] * 1e-3 if counts[0] else NAN
