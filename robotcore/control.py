"""The controllers and filters that run on every tick: they turn one number, or one yes or no, into the next.

Rules: the time since the last call, `dt` in seconds, is always an argument; nothing here reads a clock. Same calls,
same results, bit for bit. A value that is not finite raises ValueError, names the value and leaves the state as it
was, so one bad reading cannot spoil the next tick. Pure Python floats, and no import that costs start-up time.

Continuous terms are discretised by backward Euler throughout: stable for every positive `dt`, never ringing, and
`dt` may differ from call to call.
"""

import math
from typing import Any

from robotcore.settings import checked, settings

_INF = math.inf
_JITTER_S = 1e-9  # ten steps of 0.01 s add up to a little less than 0.1 s


def _refused(name: str, value: float) -> ValueError:
    wanted = "a time step above 0, in seconds" if name == "dt" else "a finite number"
    return ValueError(f"{name} is {value!r}; give {wanted}")


def _finite(name: str, value: Any) -> None:
    if not -_INF < value < _INF:
        raise _refused(name, value)


def _tracking(name: str, value: Any) -> None:
    if value is not None and not value >= 0.0:
        raise ValueError(f"{name} is {value!r}; give a time of 0 s or more, inf for never, or None")


def _check_time(name: str, value: float) -> None:
    if not 0.0 <= value < _INF:
        raise ValueError(f"{name} is {value!r}; give a time of 0 s or more")


@settings
class PidSettings:
    """The gains and limits of a `Pid`, in parallel form: output = kp e + ki ∫e dt + kd de/dt.

    Args:
        kp: proportional gain, output units per error unit.
        ki: integral gain kp / Ti, per second.
        kd: derivative gain kp * Td, times seconds.
        filter_s: time constant of the derivative's low-pass, Td / N in the books' notation; 0 for no filter.
        low: the least output; -inf for none.
        high: the greatest output; inf for none.
        tracking_s: anti-windup time constant Tt; 0 takes the integral back to the limit at once, inf never. None
            takes Ti = kp / ki, a rule of thumb for PI control (Åström and Hägglund; from memory).

    Raises:
        ValueError: a gain is not finite, a time is negative, or low is not below high.

    """

    kp: float = checked(_finite)
    ki: float = checked(_finite, 0.0)
    kd: float = checked(_finite, 0.0)
    filter_s: float = checked(_check_time, 0.0)
    low: float = -_INF
    high: float = _INF
    tracking_s: float | None = checked(_tracking, None)

    def validate(self) -> None:
        """Check what two fields say together."""
        if not self.low < self.high:
            raise ValueError(f"low is {self.low!r} and high is {self.high!r}; give low below high")


def _tracking_time(settings: PidSettings) -> float:
    # Without integral action there is nothing to unwind: tracking would turn saturation into a lasting offset.
    if settings.ki == 0.0:
        return _INF
    return abs(settings.kp / settings.ki) if settings.tracking_s is None else settings.tracking_s


class Pid:
    """A PID controller in positional form, with filtered derivative, limits and anti-windup by back-calculation.

    One step of length h, with Tf = `filter_s` and Tt = `tracking_s` (backward Euler; Åström and Hägglund, "Advanced
    PID Control", formulas from memory):

        D = Tf / (Tf + h) * D_before + kd / (Tf + h) * (error - error_before)
        I = I_before + ki * h * error
        v = kp * error + I + D,  output = v within [low, high]
        I = I + h / (Tt + h) * (output - v), where the output was limited

    The derivative acts on the error, so a jump of the set-point passes through it; the first call after
    construction, or after a `reset` without an error, has no derivative.

    Args:
        settings: gains and limits.

    """

    __slots__ = (
        "_derivative",
        "_dt",
        "_filter_s",
        "_high",
        "_integral",
        "_kd",
        "_ki",
        "_kp",
        "_last",
        "_low",
        "_span_s",
        "_tracking_s",
    )

    def __init__(self, settings: PidSettings) -> None:
        self._kp = float(settings.kp)
        self._ki = float(settings.ki)
        self._kd = float(settings.kd)
        self._filter_s = float(settings.filter_s)
        self._low = float(settings.low)
        self._high = float(settings.high)
        self._tracking_s = _tracking_time(settings)
        self._integral = 0.0
        self._derivative = 0.0
        self._last: float | None = None
        self._dt = self._span_s = math.nan  # of the last step, and with the filter's time constant: mostly the same

    @property
    def integral(self) -> float:
        """The integral term I, in output units."""
        return self._integral

    def update(self, error: float, dt: float) -> float:
        """Return the output for `error`, `dt` seconds after the last call.

        Raises:
            ValueError: error is not finite, or so large that a term overflows; dt is not a finite number above 0.

        """
        if dt != self._dt:
            if not 0.0 < dt < _INF:
                raise _refused("dt", dt)
            self._dt, self._span_s = dt, self._filter_s + dt
        last = self._last
        if last is None:
            last = error
        derivative = (self._filter_s * self._derivative + self._kd * (error - last)) / self._span_s
        integral = self._integral + self._ki * error * dt
        wanted = output = self._kp * error + integral + derivative
        if wanted > self._high:
            output = self._high
            integral += (output - wanted) * (dt / (self._tracking_s + dt))
        elif wanted < self._low:
            output = self._low
            integral += (output - wanted) * (dt / (self._tracking_s + dt))
        # Whatever was not finite above, 0 * inf included, leaves this difference not finite: one test for all.
        if not -_INF < integral - wanted < _INF:
            raise _spoiled(error, dt)
        self._integral = integral
        self._derivative = derivative
        self._last = error
        return output

    def reset(self, output: float = 0.0, error: float | None = None) -> None:
        """Forget the past; start so that `update(error, dt)` takes up from `output` without a bump.

        Args:
            output: what the actuator gets now.
            error: the error now; None if not known, then the first output is `output` plus kp times the first error.

        Raises:
            ValueError: output or error is not finite.

        """
        for name, value in (("output", output), ("error", error)):
            if value is not None and not math.isfinite(value):
                raise _refused(name, value)
        self._integral = output if error is None else output - self._kp * error
        self._derivative = 0.0
        self._last = error


def _spoiled(error: float, dt: float) -> ValueError:
    if not math.isfinite(error):
        return _refused("error", error)
    return ValueError(f"error is {error!r} and dt is {dt!r}; a term overflows, give an error in SI units")


class LowPass:
    """A first-order low-pass 1 / (τ s + 1) by backward Euler: pole τ / (τ + dt), unit gain at rest.

    The first value passes unchanged: there is no ramp from zero.

    Args:
        time_constant_s: τ in seconds, 0 or more; 0 passes everything.
        start: the state before the first value, or None to start at the first value.

    Raises:
        ValueError: a number is not finite, or the time constant is negative.

    """

    __slots__ = ("_time_constant_s", "_value")
    _value: float | None

    def __init__(self, time_constant_s: float, start: float | None = None) -> None:
        _check_time("time_constant_s", time_constant_s)
        self._time_constant_s = float(time_constant_s)
        self.reset(start)

    @property
    def value(self) -> float | None:
        """The last output; None before the first."""
        return self._value

    def update(self, value: float, dt: float) -> float:
        """Return the filtered value, `dt` seconds after the last call.

        Raises:
            ValueError: value is not finite, or dt is not a finite number above 0.

        """
        if not 0.0 < dt < _INF:
            raise _refused("dt", dt)
        last = self._value
        result = value if last is None else last + (value - last) * (dt / (self._time_constant_s + dt))
        if not -_INF < result < _INF:
            raise _refused("value", value)
        self._value = result
        return result

    def reset(self, value: float | None = None) -> None:
        """Put the state at `value`, or forget it (None).

        Raises:
            ValueError: value is not finite.

        """
        if value is not None and not -_INF < value < _INF:
            raise _refused("value", value)
        self._value = value


class SlewLimit:
    """Follows a target no faster than a given rate.

    Args:
        rise_per_s: greatest rate upwards, units per second, above 0; inf for no limit.
        fall_per_s: greatest rate downwards; None takes `rise_per_s`.
        start: the state before the first call.

    Raises:
        ValueError: a rate is not above 0, or start is not finite.

    """

    __slots__ = ("_fall_per_s", "_rise_per_s", "_value")
    _value: float

    def __init__(self, rise_per_s: float, fall_per_s: float | None = None, start: float = 0.0) -> None:
        self._rise_per_s = float(rise_per_s)
        self._fall_per_s = self._rise_per_s if fall_per_s is None else float(fall_per_s)
        for name, rate in (("rise_per_s", self._rise_per_s), ("fall_per_s", self._fall_per_s)):
            if not rate > 0.0:
                raise ValueError(f"{name} is {rate!r}; give a rate above 0 per second")
        self.reset(start)

    @property
    def value(self) -> float:
        """The last output."""
        return self._value

    def update(self, target: float, dt: float) -> float:
        """Return the new output, as near to `target` as `dt` seconds allow.

        Raises:
            ValueError: target is not finite, or dt is not a finite number above 0.

        """
        if not 0.0 < dt < _INF:
            raise _refused("dt", dt)
        if not -_INF < target < _INF:
            raise _refused("target", target)
        highest = self._value + self._rise_per_s * dt
        lowest = self._value - self._fall_per_s * dt
        self._value = highest if target > highest else lowest if target < lowest else target
        return self._value

    def reset(self, value: float = 0.0) -> None:
        """Put the state at `value`.

        Raises:
            ValueError: value is not finite.

        """
        if not -_INF < value < _INF:
            raise _refused("value", value)
        self._value = value


class Median:
    """The running median of the last `size` values: drops spikes, keeps edges.

    Only values that were seen come out. While the window fills, the median is that of the values so far, the lower
    of the middle two if they are even in number.

    Args:
        size: window length, odd and at least 1; meant for 3 to 9.

    Raises:
        ValueError: size is even or below 1.

    """

    __slots__ = ("_next", "_size", "_window")
    _window: list[float]
    _next: int

    def __init__(self, size: int) -> None:
        if size < 1 or size % 2 == 0:
            raise ValueError(f"size is {size!r}; give an odd number of 1 or more")
        self._size = size
        self.reset()

    def update(self, value: float) -> float:
        """Take in `value` and return the median.

        Raises:
            ValueError: value is not finite.

        """
        if not -_INF < value < _INF:
            raise _refused("value", value)
        window = self._window
        if len(window) < self._size:
            window.append(value)
        else:
            window[self._next] = value
            self._next = (self._next + 1) % self._size
        return sorted(window)[(len(window) - 1) // 2]

    def reset(self) -> None:
        """Forget all values."""
        self._window = []
        self._next = 0


class Vote:
    """Says yes while at least `needed` of the last `window` samples said yes; samples before the first are no.

    Args:
        needed: k, from 1 to `window`.
        window: n, 1 or more.

    Raises:
        ValueError: the numbers are out of range.

    """

    __slots__ = ("_bits", "_mask", "_needed")

    def __init__(self, needed: int, window: int) -> None:
        if not 1 <= needed <= window:
            raise ValueError(f"needed is {needed!r} of {window!r}; give a number from 1 to the window")
        self._needed = needed
        self._mask = (1 << window) - 1
        self._bits = 0  # one bit a sample, the newest lowest

    @property
    def count(self) -> int:
        """How many of the last `window` samples said yes."""
        return self._bits.bit_count()

    def update(self, sample: bool) -> bool:
        """Take in one sample and return the verdict."""
        self._bits = bits = (self._bits << 1 | (1 if sample else 0)) & self._mask
        return bits.bit_count() >= self._needed

    def reset(self) -> None:
        """Forget all samples."""
        self._bits = 0


class Debounce:
    """Follows a yes or no only once it has stayed changed for a given time.

    The time runs from the first changed sample to the latest; one sample back to the old state starts it anew. At
    100 Hz a hold of 0.05 s thus takes six changed samples, a hold of 0 takes one.

    Args:
        on_s: how long yes must stay, in seconds.
        off_s: how long no must stay; None takes `on_s`.
        start: the state before the first sample.

    Raises:
        ValueError: a time is negative or not finite.

    """

    __slots__ = ("_held_s", "_off_s", "_on_s", "_state")
    _held_s: float | None
    _state: bool

    def __init__(self, on_s: float, off_s: float | None = None, start: bool = False) -> None:
        self._on_s = float(on_s)
        self._off_s = self._on_s if off_s is None else float(off_s)
        _check_time("on_s", self._on_s)
        _check_time("off_s", self._off_s)
        self.reset(start)

    @property
    def state(self) -> bool:
        """The settled state."""
        return self._state

    def update(self, sample: bool, dt: float) -> bool:
        """Take in one sample, `dt` seconds after the last, and return the settled state.

        Raises:
            ValueError: dt is not a finite number above 0.

        """
        if not 0.0 < dt < _INF:
            raise _refused("dt", dt)
        wanted = bool(sample)
        if wanted is self._state:
            self._held_s = None
            return wanted
        held = self._held_s
        self._held_s = held = 0.0 if held is None else held + dt
        if held >= (self._on_s if wanted else self._off_s) - _JITTER_S:
            self.reset(wanted)
        return self._state

    def reset(self, state: bool = False) -> None:
        """Settle at `state` at once."""
        self._state = bool(state)
        self._held_s = None
