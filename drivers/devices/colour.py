"""Colour sensors: ten-bit red, green and blue, and sixteen-bit with a clear channel and an integration time.

Rules: light is linear in the counts and nothing is subtracted, since shares must not change with brightness; the
offset and the white of the venue belong to the calibration. A channel at full scale is for the decoder to mark.
"""

from collections.abc import Sequence
from typing import ClassVar

from drivers.devices.common import max_age_s
from robotcore.checking import Table
from robotcore.layout import Channel

_SHARE = 1 / 1023


class Rgb10:
    """Driver ``rgb10``: red, green and blue, 0 to 1023 each.

    Args:
        options: ``max_age_ms`` (default 50).

    """

    capability: ClassVar[str] = "colour"
    channels: ClassVar[tuple[Channel, ...]] = tuple(
        Channel(name, "H", "share of 1023") for name in ("red", "green", "blue")
    )
    elementwise: ClassVar[bool] = True
    separate: ClassVar[bool] = True

    def __init__(self, options: Table) -> None:
        self.full_scale = 1023
        self.max_age_s = max_age_s(options, 50)

    def light(self, counts: Sequence[int]) -> tuple[float, float, float]:
        """Return (red, green, blue) as shares of full scale."""
        red, green, blue = counts
        return red * _SHARE, green * _SHARE, blue * _SHARE


class Rgbc16:
    """Driver ``rgbc16``: clear, red, green and blue, which grow with the integration time.

    Light is the counts over `counts_per_ms` times `integration_ms`, so it does not depend on the integration time
    and a calibration outlives a change of it. The ceiling does: a channel counts to 65535 at most, and not beyond
    `counts_per_ms` times `integration_ms`. The clear channel is reported because it is the first to reach the
    ceiling; it takes no part in the light.

    Args:
        options: ``integration_ms`` (default 10), ``counts_per_ms`` (how far the converter counts in a millisecond;
            default 1000) and ``max_age_ms`` (default 50 and twice the integration time).

    """

    capability: ClassVar[str] = "colour"
    channels: ClassVar[tuple[Channel, ...]] = tuple(
        Channel(name, "H", "count, grows with the integration time") for name in ("clear", "red", "green", "blue")
    )
    elementwise: ClassVar[bool] = True

    def __init__(self, options: Table) -> None:
        self.integration_ms = options.number("integration_ms", 10, low=0.1, high=1000)
        self.counts_per_ms = options.number("counts_per_ms", 1000, low=1, high=65535)
        self.max_age_s = max_age_s(options, min(6000, 50 + 2 * self.integration_ms))
        reach = self.counts_per_ms * self.integration_ms
        self.full_scale = max(1, min(65535, int(reach)))
        self._share = 1 / reach

    def light(self, counts: Sequence[int]) -> tuple[float, float, float]:
        """Return (red, green, blue) as shares of what the converter could count in the integration time."""
        _, red, green, blue = counts
        share = self._share
        return red * share, green * share, blue * share
