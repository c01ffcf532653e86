"""From raw counts to a `Sample`: device drivers, calibration, and the marks of what may not be trusted.

Rules: decoding is a function of the rows alone (no clock), so that a recording decodes to the same bits. Each role
gets one small closure over plain floats; they run for every role a hundred times a second.
"""

from collections import deque
from collections.abc import Callable
from typing import Any, NamedTuple

from robotcore import readings as r
from robotcore.calibration import Calibration
from robotcore.devices import says
from robotcore.errors import UserError
from robotcore.layout import AGE_UNIT_S, CODES, LONGEST_AGE, NEVER, Slot
from robotcore.readings import MISSING, NAN, OK, OUT_OF_RANGE, SATURATED, STALE, Colour, Drive, Position
from robotcore.rig import Fitted, Rig

Read = Callable[[int, tuple[int, ...]], Any]
"""(tick, raw row) -> reading."""

Measure = Callable[[tuple[int, ...]], tuple[tuple[Any, ...], int]]
"""counts -> the reading's own fields, and its status but for its age."""

SPEED_WINDOW = 5  #: ticks over which speeds are taken; one count of a coarse encoder would shake a shorter one
TABLED = 1024  #: counts at most of a channel whose light is worked out beforehand
REMEMBERED = 500  #: readings at most of one device; some 200 bytes each

_new = tuple.__new__


class Decoder:
    """Turns the rows of one rig into samples.

    Args:
        rig: the robot as built.
        calibration: must hold a reference for every colour sensor of the rig.

    Raises:
        UserError: a colour sensor has no reference.

    """

    def __init__(self, rig: Rig, calibration: Calibration) -> None:
        self.sample = _sampler(rig, calibration)

    def __call__(self, tick: int, raw: tuple[int, ...]) -> r.Sample:
        """Return the sample of one row, as `sample` does: who has many rows calls that, which is quicker."""
        return self.sample(tick, raw)


def _sampler(rig: Rig, calibration: Calibration) -> Callable[[int, tuple[int, ...]], r.Sample]:
    """Return ``sample(tick, raw)``."""
    left, right, front, side_range, drive, gripper, sorter, tilt, start_button, battery = (
        reader(role, rig, calibration) for role in r.ROLES
    )
    range_at, range_seen, side_range = _remembered("side_range", side_range, rig)
    button_at, button_seen, start_button = _remembered("start_button", start_button, rig)
    battery_at, battery_seen, battery = _remembered("battery", battery, rig)
    period_s = rig.period_s

    def sample(tick: int, raw: tuple[int, ...]) -> r.Sample:
        return _new(
            r.Sample,
            (
                tick,
                tick * period_s,
                left(tick, raw),
                right(tick, raw),
                front(tick, raw),
                range_seen(raw[range_at]) or side_range(tick, raw),
                drive(tick, raw),
                gripper(tick, raw),
                sorter(tick, raw),
                tilt(tick, raw),
                button_seen(raw[button_at]) or start_button(tick, raw),
                battery_seen(raw[battery_at]) or battery(tick, raw),
            ),
        )

    return sample


def _remembered(role: str, read: Read, rig: Rig) -> tuple[slice, Callable[[tuple[int, ...]], Any], Read]:
    """Return where a role lies, what its columns were read as before (None for never), and a reader that remembers.

    For what says the same few things again and again.
    """
    known: dict[tuple[int, ...], Any] = {}
    slot = rig.layout.slots.get(role)
    columns = slice(0, 0) if slot is None else slice(slot.age, slot.stop)

    def first(tick: int, raw: tuple[int, ...]) -> Any:
        reading = read(tick, raw)
        if len(known) < REMEMBERED:
            known[raw[columns]] = reading
        return reading

    return columns, known.get, first


def reader(role: str, rig: Rig, calibration: Calibration, slot: Slot | None = None) -> Read:
    """Return what reads one role, from where the rig has it in the row or from another slot.

    Raises:
        UserError: a colour sensor has no reference.

    """
    capability = r.ROLES[role]
    fitted = rig.role(role)
    if fitted is None:
        absent = r.ABSENT_READINGS[capability]
        return lambda tick, raw: absent
    slot = slot or rig.layout.slots[role]
    if capability == "colour":
        read = _colour(fitted, slot, calibration)
        return _tabled(read, fitted, slot, Scale.of(role, calibration)) if _fits_a_table(fitted) else read
    if capability == "drive":
        return _drive(fitted, slot, rig)
    if capability == "position":
        return _position(fitted, slot, rig.period_s)
    return _plain(fitted, slot, PLAIN[capability](fitted.device))


def _fits_a_table(fitted: Fitted) -> bool:
    """Tell whether a colour sensor has three channels of ten bits or less that have nothing to do with each other."""
    device = fitted.device
    plain = [CODES[channel.code][1] == 0 for channel in device.channels]  # none below 0
    return says(device, "separate") and plain == [True] * 3 and device.full_scale <= TABLED


def _missing(capability: str) -> Any:
    absent = r.ABSENT_READINGS[capability]
    return type(absent)(*absent[:-1], r.MISSING)


def stale_after(fitted: Fitted) -> int:
    """Return the greatest age of a reading that may be used; `NEVER` is beyond it."""
    return min(int(fitted.device.max_age_s / AGE_UNIT_S + 0.5), LONGEST_AGE)


class Scale(NamedTuple):
    """What calibration makes of a colour sensor's light: each channel less its offset times its gain, and contrast."""

    red_off: float
    green_off: float
    blue_off: float
    red_gain: float
    green_gain: float
    blue_gain: float
    black: float
    span: float

    @staticmethod
    def of(role: str, calibration: Calibration) -> "Scale":
        """Return a role's scale.

        Raises:
            UserError: there is no reference for it.

        """
        reference = calibration.references.get(role)
        if reference is None:
            raise UserError(f"calibration: has no [{role}]; calibrate this sensor, the rig has it")
        offset, black = reference.offset, reference.black
        gains = [1.0 / (w - o) for w, o in zip(reference.white, offset, strict=True)]
        dark = (
            (black[0] - offset[0]) * gains[0] + (black[1] - offset[1]) * gains[1] + (black[2] - offset[2]) * gains[2]
        ) / 3.0
        return Scale(*offset, gains[0], gains[1], gains[2], dark, 1.0 / (1.0 - dark))


def _colour(fitted: Fitted, slot: Slot, calibration: Calibration) -> Read:
    at, columns = slot.age, slice(slot.start, slot.stop)
    light, full, oldest = fitted.device.light, fitted.device.full_scale, stale_after(fitted)
    red_off, green_off, blue_off, red_gain, green_gain, blue_gain, black, span = Scale.of(fitted.role, calibration)
    missing = _missing("colour")

    def read(tick: int, raw: tuple[int, ...]) -> Colour:
        age = raw[at]
        counts = raw[columns]
        red, green, blue = light(counts)
        red = (red - red_off) * red_gain
        green = (green - green_off) * green_gain
        blue = (blue - blue_off) * blue_gain
        lightness = (red + green + blue) / 3.0
        if lightness - lightness:  # NaN where it is not finite, else 0
            return missing  # type: ignore[no-any-return]
        contrast = (lightness - black) * span
        if age <= oldest and max(counts) < full:  # nearly always
            return _new(Colour, (red, green, blue, lightness, contrast, age * AGE_UNIT_S, True, OK))
        if age == NEVER:
            return missing  # type: ignore[no-any-return]
        status = SATURATED if max(counts) >= full else STALE
        return _new(Colour, (red, green, blue, lightness, contrast, age * AGE_UNIT_S, False, status))

    return read


def _tabled(read: Read, fitted: Fitted, slot: Slot, scale: Scale) -> Read:
    """Return the same reader of a ten-bit sensor, with a table of what each count comes to, channel by channel.

    Whatever is not plain and fresh goes to `read`; a count at full scale has no place in the table.
    """
    at, r, g, b = range(slot.age, slot.stop)
    oldest, black, span = stale_after(fitted), scale.black, scale.span
    lights = [fitted.device.light((count, count, count)) for count in range(fitted.device.full_scale)]
    reds = [(light[0] - scale.red_off) * scale.red_gain for light in lights]
    greens = [(light[1] - scale.green_off) * scale.green_gain for light in lights]
    blues = [(light[2] - scale.blue_off) * scale.blue_gain for light in lights]

    def look_up(tick: int, raw: tuple[int, ...]) -> Any:
        age = raw[at]
        try:
            red, green, blue = reds[raw[r]], greens[raw[g]], blues[raw[b]]
        except IndexError:
            return read(tick, raw)
        lightness = (red + green + blue) / 3.0
        if age > oldest or lightness - lightness:  # the latter is NaN where it is not finite, else 0
            return read(tick, raw)
        return _new(Colour, (red, green, blue, lightness, (lightness - black) * span, age * AGE_UNIT_S, True, OK))

    return look_up


def _drive(fitted: Fitted, slot: Slot, rig: Rig) -> Read:
    at, columns = slot.age, slice(slot.start, slot.stop)
    turns, oldest = fitted.device.turns, stale_after(fitted)
    radius_m, width_m, period_s = rig.body.wheel_radius_m, rig.body.track_width_m, rig.period_s
    missing = _missing("drive")
    past: deque[tuple[int, float, float]] = deque(maxlen=SPEED_WINDOW + 1)
    keep = past.append
    left_zero = right_zero = NAN  # where the tracks stood at the first reading

    def read(tick: int, raw: tuple[int, ...]) -> Drive:
        nonlocal left_zero, right_zero
        age = raw[at]
        if age == NEVER:
            return missing  # type: ignore[no-any-return]
        left, right = turns(raw[columns])
        if not past:
            left_zero, right_zero = left, right
        left = (left - left_zero) * radius_m
        right = (right - right_zero) * radius_m
        keep((tick, left, right))
        then, left_then, right_then = past[0]
        seconds = (tick - then) * period_s or 1.0
        valid = age <= oldest
        return _new(
            Drive,
            (
                left,
                right,
                0.5 * (left + right),
                (right - left) / width_m,
                (left - left_then) / seconds,
                (right - right_then) / seconds,
                age * AGE_UNIT_S,
                valid,
                OK if valid else STALE,
            ),
        )

    return read


def _position(fitted: Fitted, slot: Slot, period_s: float) -> Read:
    at, columns, all_columns = slot.age, slice(slot.start, slot.stop), slice(slot.age, slot.stop)
    to_angle, oldest = fitted.device.angle, stale_after(fitted)
    missing = _missing("position")
    past: deque[tuple[int, float]] = deque(maxlen=SPEED_WINDOW + 1)
    seen: tuple[int, ...] = ()
    kept = missing
    moved = 0  # the tick in which its columns last changed

    def read(tick: int, raw: tuple[int, ...]) -> Position:
        nonlocal seen, kept, moved
        now = raw[all_columns]
        if now != seen:
            if tick - moved > SPEED_WINDOW + 1:  # it stood: say so for the ticks that were passed over
                past.extend([(tick - ago, kept.angle_rad) for ago in range(SPEED_WINDOW, 0, -1)] if kept.valid else ())
            seen, moved = now, tick
        elif tick - moved > SPEED_WINDOW + 1:
            return kept  # type: ignore[no-any-return]
        if raw[at] == NEVER:
            kept = missing
            return kept  # type: ignore[no-any-return]
        angle = to_angle(raw[columns])
        past.append((tick, angle))
        then, angle_then = past[0]
        speed = (angle - angle_then) / ((tick - then) * period_s or 1.0)
        status = STALE if raw[at] > oldest else OK
        kept = _new(Position, (angle, speed, raw[at] * AGE_UNIT_S, status == 0, status))
        return kept

    return read


def _plain(fitted: Fitted, slot: Slot, measure: Measure) -> Read:
    """Return a reader that asks the driver only where the counts have changed; the age changes in every tick."""
    at, columns = slot.age, slice(slot.start, slot.stop)
    oldest, missing = stale_after(fitted), _missing(fitted.device.capability)
    reading = type(missing)
    seen: tuple[int, ...] = ()
    values: tuple[Any, ...] = ()
    status = MISSING

    def read(tick: int, raw: tuple[int, ...]) -> Any:
        nonlocal seen, values, status
        age = raw[at]
        if age == NEVER:
            return missing
        counts = raw[columns]
        if counts != seen:
            values, status = measure(counts)
            seen = counts
        if age <= oldest and not status:  # nearly always
            return _new(reading, values + (age * AGE_UNIT_S, True, OK))  # noqa: RUF005 - half the cost of unpacking
        if status == MISSING:
            return missing
        return _new(reading, (*values, age * AGE_UNIT_S, False, status or STALE))

    return read


def _range(device: Any) -> Measure:
    distance, lowest, highest = device.distance, device.lowest_m, device.highest_m

    def measure(counts: tuple[int, ...]) -> tuple[tuple[float], int]:
        metres = distance(counts)
        return (metres,), OK if lowest <= metres <= highest else OUT_OF_RANGE  # NaN fails the comparison

    return measure


def _tilt(device: Any) -> Measure:
    lean = device.lean

    def measure(counts: tuple[int, ...]) -> tuple[tuple[float, float], int]:
        pitch, roll = lean(counts)
        return (pitch, roll), OK if pitch - pitch == 0.0 and roll - roll == 0.0 else MISSING

    return measure


def _button(device: Any) -> Measure:
    pressed = device.pressed
    return lambda counts: ((pressed(counts),), OK)


def _battery(device: Any) -> Measure:
    voltage = device.voltage

    def measure(counts: tuple[int, ...]) -> tuple[tuple[float], int]:
        volts = voltage(counts)
        return (volts,), OK if volts - volts == 0.0 else MISSING

    return measure


PLAIN: dict[str, Callable[[Any], Measure]] = {
    "range": _range,
    "tilt": _tilt,
    "button": _button,
    "battery": _battery,
}
"""What measures the counts of a device whose readings depend on nothing else, by capability."""
