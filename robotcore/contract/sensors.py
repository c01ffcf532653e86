"""The rules of each kind of sensor: what physics says of its readings, whoever made it."""

import math
from collections.abc import Callable, Sequence
from itertools import pairwise

from robotcore.contract.common import Breaches, Rule, promises
from robotcore.contract.subject import Counts, Subject, alike, chain, raised, show
from robotcore.devices import says
from robotcore.layout import CODES


@promises("More counts in all channels mean more light in every colour, in proportion (within 2 %).")
def _light_rises(subject: Subject) -> Breaches:
    device = subject.device
    full, many = device.full_scale, len(subject.driver.channels)
    dark, bright = device.light((0,) * many), device.light((full,) * many)
    for eighth in range(1, 8):
        count = full * eighth // 8
        for name, low, high, light in zip(_COLOURS, dark, bright, device.light((count,) * many), strict=True):
            wanted = low + (high - low) * count / full
            if not abs(light - wanted) <= 0.02 * (high - low):
                yield f"{name} at {count} of {full} counts is {light:.4f}, a straight line gives {wanted:.4f}"


@promises("Some channel can reach full scale, where the light of every colour is above 0.02 and at most 2.")
def _light_scale(subject: Subject) -> Breaches:
    device = subject.device
    if not 1 <= device.full_scale <= max(CODES[channel.code][2] for channel in subject.driver.channels):
        yield f"full_scale is {device.full_scale}; no channel reaches that, so saturation would never show"
    light = device.light((device.full_scale,) * len(subject.driver.channels))
    if not all(0.02 <= part <= 2.0 for part in light):
        yield f"the light at full scale is {light}; a calibration takes 0.02 to 2"


@promises("Each colour has a channel that moves it more than the others; one named after a colour moves that colour.")
def _colours_apart(subject: Subject) -> Breaches:
    device = subject.device
    names = [channel.name for channel in subject.driver.channels]
    half: Counts = (device.full_scale // 2,) * len(names)
    base = device.light(half)
    moved = []
    for i, name in enumerate(names):
        rise = [after - b for after, b in zip(device.light(raised(half, i, device.full_scale // 4)), base, strict=True)]
        most = max(range(3), key=lambda colour: rise[colour])
        if sorted(rise)[1] < rise[most]:
            moved.append(_COLOURS[most])
        if name in _COLOURS and name not in moved[-1:]:
            yield f"channel {name!r} changes (red, green, blue) by {rise}"
    yield from (f"no channel moves {colour} more than the other two" for colour in _COLOURS if colour not in moved)


@promises("Where it says `separate`, each channel's light depends on that channel's count alone.")
def _separate(subject: Subject) -> Breaches:
    if not says(subject.device, "separate"):
        return
    read = subject.read
    for counts in subject.rows():
        light, many = read(counts), len(counts)
        apart = tuple(read((count,) * many)[place] for place, count in enumerate(counts))
        if not alike(light, apart):
            yield f"{counts} reads {light!r}, its channels one by one {apart!r}"


_COLOURS = ("red", "green", "blue")


def _one_way(read: Callable[[Counts], float], subject: Subject) -> Breaches:
    """Find channels along which a reading turns back."""
    for i, channel in enumerate(subject.driver.channels):
        for rest in (0, 200, 1000):
            start = tuple(min(rest, CODES[c.code][2]) for c in subject.driver.channels)
            values = [(c, read((*start[:i], c, *start[i + 1 :]))) for c in chain(channel)]
            steps = [(c, b - a) for (_, a), (c, b) in pairwise(values) if math.isfinite(b - a)]
            up, down = [c for c, step in steps if step > 0], [c for c, step in steps if step < 0]
            if up and down:
                yield f"along channel {channel.name!r} the reading rises at {up[0]} and falls at {down[0]} counts"
                break


@promises("The distance changes in one direction only as any one count rises (NaN may stand in between).")
def _distance_one_way(subject: Subject) -> Breaches:
    yield from _one_way(subject.device.distance, subject)


@promises("It can read near its lowest and its highest distance, and never below zero.")
def _distance_reach(subject: Subject) -> Breaches:
    device = subject.device
    if not 0 <= device.lowest_m < device.highest_m:
        yield f"lowest_m is {device.lowest_m} and highest_m {device.highest_m}; give 0 or more, and more than that"
    rows = [*show(subject.driver.channels, 2000)]
    for i, channel in enumerate(subject.driver.channels):
        rows += [(*rows[0][:i], c, *rows[0][i + 1 :]) for c in chain(channel)]
        rows += [tuple(c if j == i else 200 for j in range(len(rows[0]))) for c in chain(channel)]
    metres = [d for d in map(device.distance, rows) if d == d]
    span = device.highest_m - device.lowest_m
    if any(d < 0 for d in metres):
        yield f"it reads {min(metres)} m; a distance is 0 or more"
    for name, low, high in (("lowest_m", 0.0, 0.5), ("highest_m", 0.5, 1.0)):
        if not any(device.lowest_m + low * span <= d <= device.lowest_m + high * span for d in metres):
            yield f"no counts read as a distance in the half of its range next to {name}"


@promises("Pitch and roll lie within half a turn each way, are both known or both not, and are known for some counts.")
def _lean_in_circle(subject: Subject) -> Breaches:
    lean = subject.device.lean
    known = 0
    for counts in show(subject.driver.channels, 2000):
        pitch, roll = lean(counts)
        known += pitch == pitch
        if (pitch == pitch) != (roll == roll) or abs(pitch) > math.pi or abs(roll) > math.pi:
            yield f"{counts} reads pitch {pitch}, roll {roll}"
    if not known:
        yield "no counts give a lean"


@promises("Some counts read as pressed and some as not.")
def _button_both(subject: Subject) -> Breaches:
    states = [subject.device.pressed(counts) for counts in show(subject.driver.channels)]
    if all(states) or not any(states):
        yield f"it always reads {states[0]}"


@promises("The voltage is 0 or more, and changes in one direction only as any one count rises.")
def _voltage_rises(subject: Subject) -> Breaches:
    voltage = subject.device.voltage
    yield from (f"{c} reads {voltage(c)} V" for c in show(subject.driver.channels) if voltage(c) < 0)
    yield from _one_way(voltage, subject)
    if not any(voltage(c) > 0 for c in show(subject.driver.channels)):
        yield "no counts read above 0 V"


SENSOR_RULES: dict[str, Sequence[Rule]] = {
    "colour": (_light_rises, _light_scale, _colours_apart, _separate),
    "range": (_distance_one_way, _distance_reach),
    "tilt": (_lean_in_circle,),
    "button": (_button_both,),
    "battery": (_voltage_rises,),
}
"""capability -> its rules."""
