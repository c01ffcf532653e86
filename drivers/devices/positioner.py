"""One motor that goes to an angle and stays there: gripper and sorter.

Rules: proportional to the angle that is missing, damped by the speed, never beyond the power limit, so that jaws that
hold something push with a known power and a jammed sorter does not burn. No integral part, for the same reason. Once
near enough and slow it is left alone: no humming.
"""

import math
from collections.abc import Callable, Sequence
from typing import ClassVar

from drivers.devices.common import max_age_s, rad_per_count
from robotcore.checking import Table
from robotcore.layout import Channel

_SLOW_RAD_S = 1.5


class Positioner:
    """Driver ``positioner``: one count, rising with positive power.

    Args:
        options: ``counts_per_turn`` (default 360); ``lowest_deg`` and ``highest_deg``, the angles between which it
            may go, from where it stood at power-on (default -180 and 180); ``gain``, per mille of power a radian
            (default 1000); ``damping``, per mille for a rad/s (default 40); ``dead_band``, the power in per mille
            below which nothing turns (default 40); ``near_deg``, close enough (default 1.5, at least 0.75 counts);
            ``power_limit`` in per mille (default 700); ``smoothing_ms`` of the measured speed (default 30);
            ``max_age_ms`` (default 50).

    """

    capability: ClassVar[str] = "position"
    channels: ClassVar[tuple[Channel, ...]] = (Channel("count", "i", "count, rises with positive power"),)
    elementwise: ClassVar[bool] = True

    def __init__(self, options: Table) -> None:
        self.rad_per_count = rad_per_count(options)
        lowest = options.number("lowest_deg", -180, low=-36000, high=36000)
        highest = options.number("highest_deg", 180, low=-36000, high=36000)
        if not lowest < highest:
            options.fault("highest_deg", f"is {highest:g}, not above lowest_deg {lowest:g}; give the greater one here")
        self.lowest_rad, self.highest_rad = math.radians(lowest), math.radians(highest)
        self.gain = options.number("gain", 1000, low=1, high=100000)
        self.damping = options.number("damping", 40, low=0, high=10000)
        self.dead_band = options.number("dead_band", 40, low=0, high=500)
        self.near_rad = max(math.radians(options.number("near_deg", 1.5, low=0, high=90)), 0.75 * self.rad_per_count)
        self.power_limit = options.integer("power_limit", 700, low=1, high=1000)
        self.smoothing_s = options.number("smoothing_ms", 30, low=1, high=1000) / 1000
        self.max_age_s = max_age_s(options, 50)

    def angle(self, counts: Sequence[int]) -> float:
        """Return radians from where it stood at power-on."""
        return counts[0] * self.rad_per_count

    def position_loop(self) -> Callable[[float, Sequence[int], float], int]:
        """Return a fresh controller: (angle in rad, counts, seconds) -> power in -1000..1000.

        Set-points beyond the lowest and highest angle count as these; one that is not a number gives no power.
        Seconds are since the last call; ValueError unless above 0.
        """
        unit, lowest, highest = self.rad_per_count, self.lowest_rad, self.highest_rad
        gain, damping, dead_band, near = self.gain, self.damping, self.dead_band, self.near_rad
        limit, smoothing = self.power_limit, self.smoothing_s
        speed = 0.0
        last: float | None = None

        def loop(target: float, counts: Sequence[int], dt: float) -> int:
            nonlocal speed, last
            if not 0.0 < dt < math.inf:
                raise ValueError(f"dt is {dt!r}; give the seconds since the last call, above 0")
            angle = counts[0] * unit
            if last is not None:
                speed = (speed * smoothing + angle - last) / (smoothing + dt)
            last = angle
            if not lowest <= target <= highest:
                if target != target:  # NaN, the only number that differs from itself
                    return 0
                target = lowest if target < lowest else highest
            error = target - angle
            if -near <= error <= near and -_SLOW_RAD_S < speed < _SLOW_RAD_S:
                return 0
            power = gain * error - damping * speed
            power += dead_band if power > 0.0 else -dead_band if power < 0.0 else 0.0
            if not -limit <= power <= limit:
                return limit if power > 0.0 else -limit
            return int(power)

        return loop
