"""Tilt from an accelerometer at rest.

Rule: gravity alone tells which way is up. Where the measured acceleration is far from one g (a bump, free fall, a
dead axis) there is no telling, and the driver says NaN.
"""

import math
from collections.abc import Sequence
from typing import ClassVar

from drivers.devices.common import NAN, max_age_s
from robotcore.checking import Table
from robotcore.layout import Channel


class TiltAccelerometer:
    """Driver ``tilt_mg``: three axes in thousandths of g, as a body at rest shows them: level is (0, 0, 1000).

    Args:
        options: ``trust_mg`` (how far from 1000 the magnitude may be; default 500) and ``max_age_ms`` (default 100).

    """

    capability: ClassVar[str] = "tilt"
    channels: ClassVar[tuple[Channel, ...]] = (
        Channel("ax", "h", "0.001 g forward"),
        Channel("ay", "h", "0.001 g to the left"),
        Channel("az", "h", "0.001 g up"),
    )
    elementwise: ClassVar[bool] = True

    def __init__(self, options: Table) -> None:
        trust = options.number("trust_mg", 500, low=10, high=990)
        self.max_age_s = max_age_s(options, 100)
        self._least = (1000 - trust) ** 2
        self._most = (1000 + trust) ** 2

    def lean(self, counts: Sequence[int]) -> tuple[float, float]:
        """Return (pitch, roll) in radians, NaN both where the magnitude is not that of gravity.

        The up direction seen from a leaning body is (sin p, cos p sin r, cos p cos r): pitch p first, then roll r.
        """
        ax, ay, az = counts
        across = ay * ay + az * az
        if not self._least <= ax * ax + across <= self._most:
            return NAN, NAN
        return math.atan2(ax, math.sqrt(across)), math.atan2(ay, az)
