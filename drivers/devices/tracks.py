"""Two tracks with encoders: what the wheels turned, and the speed loop that turns set-points into power.

How the loop works, for each wheel alone. A first-order model of the wheel follows the set-point; feed-forward
inverts the motor (dead band, full speed, lag) so that the real wheel ought to follow the model. What is left is the
angle between model and wheel, `lag`: the loop sees nothing else. Its slope, smoothed, is the speed error (the
proportional part), and the angle itself is that error's integral, exact to one count and free of drift. So no
count is ever differentiated over a single tick, where one degree in 10 ms would read as 1.7 rad/s.

Rules: a set-point of zero gives exactly zero power once the wheel is slow, and keeps to it: no creeping. The integral
is bounded and stands still while the power is at its limit. A set-point that is not a number counts as zero.
"""

import math
from collections.abc import Callable, Sequence
from typing import ClassVar

from drivers.devices.common import max_age_s, rad_per_count
from robotcore.checking import Table
from robotcore.layout import Channel

_FULL, _LEAST = 1000.0, -1000.0
_SLOW_RAD_S = 1.0  # under this a wheel that is told to stand is left alone,
_STILL_RAD_S = 1.5  # and beyond this it is braked again
_JUMP = 4.0  # times full speed: no wheel does that, the encoder started afresh or wrapped round

WheelLoop = Callable[[float, int, float, float, float, float, float], int]


class Tracks:
    """Driver ``tracks``: one count of each side, rising as the robot drives forward.

    Args:
        options: ``counts_per_turn`` of a wheel (default 360); ``full_speed_rad_s``, the wheel's speed at full power
            without load (default 18); ``dead_band``, the power in per mille below which nothing turns (default 40;
            rather too little than too much); ``motor_ms``, the motor's time constant (default 80);
            ``response_ms``, the time constant wanted of the loop (default 60); ``gain``, power for a speed error,
            in rad/s of set-point per rad/s (default 1); ``integral_gain`` (default 8 a second); ``smoothing_ms`` of
            the measured speed (default 40); ``trim``, how much of full speed the integral may add (default 0.4);
            ``max_age_ms`` (default 50).

    """

    capability: ClassVar[str] = "drive"
    channels: ClassVar[tuple[Channel, ...]] = (
        Channel("left", "i", "count, rises forward"),
        Channel("right", "i", "count, rises forward"),
    )
    elementwise: ClassVar[bool] = True

    def __init__(self, options: Table) -> None:
        self.rad_per_count = rad_per_count(options)
        self.full_speed_rad_s = options.number("full_speed_rad_s", 18, low=0.1, high=1000)
        self.dead_band = options.number("dead_band", 40, low=0, high=500)
        self.motor_s = options.number("motor_ms", 80, low=0, high=2000) / 1000
        self.response_s = options.number("response_ms", 60, low=1, high=2000) / 1000
        self.gain = options.number("gain", 1.0, low=0, high=20)
        self.integral_gain = options.number("integral_gain", 8.0, low=0.01, high=200)
        self.smoothing_s = options.number("smoothing_ms", 40, low=10, high=1000) / 1000
        self.trim = options.number("trim", 0.4, low=0, high=1)
        self.max_age_s = max_age_s(options, 50)

    def turns(self, counts: Sequence[int]) -> tuple[float, float]:
        """Return the angles in radians that the left and right wheel have turned since power-on."""
        left, right = counts
        return left * self.rad_per_count, right * self.rad_per_count

    def speed_loop(self, wheel_radius_m: float) -> Callable[[float, float, Sequence[int], float], tuple[int, int]]:
        """Return a fresh controller: (left m/s, right m/s, counts, seconds) -> power of both in -1000..1000.

        The first call takes its counts as the start. Seconds are since the last call; ValueError unless above 0.
        """
        smoothing, response, motor = self.smoothing_s, self.response_s, self.motor_s
        furthest, slack = _JUMP * self.full_speed_rad_s, 2 * self.rad_per_count
        left_wheel, right_wheel = self._wheel(0), self._wheel(0)
        per_m = 1 / wheel_radius_m
        span, keep, pull, lead, far = -1.0, 0.0, 0.0, 0.0, 0.0  # no period yet

        def begin(dt: float, counts: Sequence[int]) -> None:
            nonlocal left_wheel, right_wheel, span, keep, pull, lead, far
            if not 0.0 < dt < math.inf:
                raise ValueError(f"dt is {dt!r}; give the seconds since the last call, above 0")
            if span < 0.0:
                left_wheel, right_wheel = self._wheel(counts[0]), self._wheel(counts[1])
            span, far = dt, furthest * dt + slack
            keep, pull, lead = smoothing / (smoothing + dt), dt / (response + dt), motor / dt - 0.5

        def loop(left_m_s: float, right_m_s: float, counts: Sequence[int], dt: float) -> tuple[int, int]:
            if dt != span:  # seldom: the constants of a period are worked out once
                begin(dt, counts)
            left, right = counts
            return (
                left_wheel(left_m_s * per_m, left, dt, keep, pull, lead, far),
                right_wheel(right_m_s * per_m, right, dt, keep, pull, lead, far),
            )

        return loop

    def _wheel(self, last: int) -> WheelLoop:
        # A closure: a third cheaper here than an object's method, and this runs twice a tick.
        top, unit, dead_band = self.full_speed_rad_s, self.rad_per_count, self.dead_band
        slope = (_FULL - dead_band) / top
        per_s, rate_gain, angle_gain = 1 / self.smoothing_s, self.gain / self.smoothing_s, self.integral_gain
        lag_limit = self.trim * top / angle_gain
        lowest, least_lag = -top, -lag_limit
        model = lag = drift = 0.0  # rad/s of the model, rad behind it, and drift * per_s rad/s slower than it

        def step(target: float, count: int, dt: float, keep: float, pull: float, lead: float, far: float) -> int:
            nonlocal model, lag, drift, last
            if not lowest <= target <= top:
                target = top if target > top else lowest if target < lowest else 0.0
            moved = (count - last) * unit
            last = count
            error = model * dt - moved if -far <= moved <= far else 0.0
            drift = (drift + error) * keep
            if target == 0.0:
                slow = _SLOW_RAD_S if model else _STILL_RAD_S
                if -slow < model - drift * per_s < slow:
                    drift -= model / per_s
                    model = lag = 0.0
                    return 0
            rise = (target - model) * pull
            model += rise
            lag += error
            if not least_lag <= lag <= lag_limit:
                lag = lag_limit if lag > lag_limit else least_lag
            power = slope * (model + rise * lead + rate_gain * drift + angle_gain * lag)
            power += dead_band if power > 0.0 else -dead_band
            if _LEAST < power < _FULL:
                return int(power)
            if error * power > 0.0:
                lag -= error
            return 1000 if power > 0.0 else -1000 if power < 0.0 else 0

        return step
