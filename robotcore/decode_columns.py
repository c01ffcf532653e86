"""All samples of a recording by whole columns, in a third of the time. For the laptop: it needs numpy.

Rules: the samples are those of `Decoder`, to the last bit. The sums are the same, in the same order, and an array's
elements are rounded as single numbers are (IEEE 754). What is out of the ordinary (missing, old, at full scale) goes
through the decoder's own readers. Only for rigs all of whose drivers say that they are ``elementwise``: see
`robotcore.devices`.
"""

from collections.abc import Callable, Iterator
from itertools import repeat
from typing import Any

import numpy as np

from robotcore.calibration import Calibration
from robotcore.decode import PLAIN, SPEED_WINDOW, Read, Scale, reader, stale_after
from robotcore.devices import says
from robotcore.layout import AGE_UNIT_S, NEVER, Slot
from robotcore.readings import MISSING, OK, ROLES, STALE, Colour, Drive, Sample
from robotcore.recording.content import Recording
from robotcore.rig import Fitted, Rig

Readings = Callable[[int, int], list[Any]]
"""(start, stop) -> the readings of these rows; to be asked for all rows in order."""

CHUNK = 500  #: rows whose samples are made at once
SELDOM = 20  #: a device whose counts change in fewer rows than one of so many says the same few things again and again

_new = tuple.__new__


def fits(rig: Rig) -> bool:
    """Tell whether all drivers of a rig work on columns."""
    return all(says(fitted.device, "elementwise") for fitted in rig.fitted)


def samples(recording: Recording, rig: Rig, calibration: Calibration) -> Iterator[Sample]:
    """Give the sample of every row; the rig must be one that `fits`."""
    table = recording.columns()
    ticks, times = table["tick"], table["time_s"]
    with np.errstate(all="ignore"):  # what a row without a reading holds may be anything
        columns = [_role(role, rig, calibration, table) for role in ROLES]
    for start in range(0, len(ticks), CHUNK):
        stop = start + CHUNK
        parts = (ticks[start:stop].tolist(), times[start:stop].tolist(), *(column(start, stop) for column in columns))
        yield from map(_new, repeat(Sample), zip(*parts, strict=True))


class _Columns:
    """The columns of one device: `age`, its `counts`, and its own reader for single rows."""

    def __init__(self, fitted: Fitted, rig: Rig, calibration: Calibration, table: dict[str, Any]) -> None:
        role, slot = fitted.role, rig.layout.slots[fitted.role]
        names = rig.layout.names[slot.age : slot.stop]
        self.fitted = fitted
        self.ticks: Any = table["tick"]
        self.all: list[Any] = [table[name].astype(np.int64) for name in names]
        self.age, self.counts = self.all[0], self.all[1:]
        self.fresh = self.age <= stale_after(fitted)
        self._read: Read = reader(role, rig, calibration, Slot(role, 0, 1, len(names)))

    def read(self, row: int) -> Any:
        """Return the reading of one row as the decoder gives it."""
        return self._read(int(self.ticks[row]), tuple(int(column[row]) for column in self.all))

    def read_all(self, start: int, stop: int) -> list[Any]:
        """Return the readings of some rows, one by one."""
        rows = zip(*(column[start:stop].tolist() for column in self.all), strict=True)
        return list(map(self._read, self.ticks[start:stop].tolist(), rows))

    def changed(self, columns: list[Any]) -> Any:
        """Tell for every row whether one of these columns differs from the row before."""
        found = np.ones(len(self.age), bool)
        found[1:] = np.any([column[1:] != column[:-1] for column in columns], axis=0)
        return found

    def mended(self, readings: list[Any], good: Any, start: int) -> list[Any]:
        """Put the decoder's own reading wherever a row is not good."""
        for row in np.flatnonzero(~good[start : start + len(readings)]).tolist():
            readings[row] = self.read(start + row)
        return readings


def _role(role: str, rig: Rig, calibration: Calibration, table: dict[str, Any]) -> Readings:
    fitted = rig.role(role)
    if fitted is None:
        absent, rows = reader(role, rig, calibration)(0, ()), len(table["tick"])
        return lambda start, stop: [absent] * (min(stop, rows) - start)
    columns = _Columns(fitted, rig, calibration, table)
    if ROLES[role] == "colour":
        return _colour(columns, Scale.of(role, calibration))
    if ROLES[role] == "drive":
        return _drive(columns, rig)
    return _position(columns) if ROLES[role] == "position" else _plain(columns)


def _colour(of: _Columns, scale: Scale) -> Readings:
    red, green, blue = of.fitted.device.light(of.counts)
    red = (red - scale.red_off) * scale.red_gain
    green = (green - scale.green_off) * scale.green_gain
    blue = (blue - scale.blue_off) * scale.blue_gain
    lightness = (red + green + blue) / 3.0
    contrast, age_s = (lightness - scale.black) * scale.span, of.age * AGE_UNIT_S
    good = of.fresh & np.isfinite(lightness) & (np.max(of.counts, axis=0) < of.fitted.device.full_scale)
    numbers = red, green, blue, lightness, contrast, age_s

    def readings(start: int, stop: int) -> list[Any]:
        parts = (part[start:stop].tolist() for part in numbers)
        return of.mended(list(map(_new, repeat(Colour), zip(*parts, repeat(True), repeat(OK)))), good, start)

    return readings


def _drive(of: _Columns, rig: Rig) -> Readings:
    if np.any(of.age == NEVER):  # its speeds are over the rows that have a reading
        return of.read_all
    left, right = of.fitted.device.turns(of.counts)
    left = (left - left[0]) * rig.body.wheel_radius_m
    right = (right - right[0]) * rig.body.wheel_radius_m
    then = np.maximum(np.arange(len(left)) - SPEED_WINDOW, 0)
    seconds = (of.ticks - of.ticks[then]) * rig.period_s
    seconds[seconds == 0.0] = 1.0
    columns = (
        left, right, 0.5 * (left + right), (right - left) / rig.body.track_width_m, (left - left[then]) / seconds,
        (right - right[then]) / seconds, of.age * AGE_UNIT_S, of.fresh, np.where(of.fresh, OK, STALE),
    )  # fmt: skip

    def readings(start: int, stop: int) -> list[Any]:
        return list(map(_new, repeat(Drive), zip(*(part[start:stop].tolist() for part in columns), strict=True)))

    return readings


def _position(of: _Columns) -> Readings:
    """Ask the decoder's reader only while the motor moves and a little after; see `robotcore.decode`."""
    moved = np.maximum.accumulate(np.where(of.changed(of.all), of.ticks, -1))
    asked = of.ticks - moved <= SPEED_WINDOW + 1
    known = [of.read(row) for row in np.flatnonzero(asked).tolist()]
    which = np.cumsum(asked) - 1
    return lambda start, stop: list(map(known.__getitem__, which[start:stop].tolist()))


def _plain(of: _Columns) -> Readings:
    """Ask the driver only where the counts have changed; the age changes in every row."""
    device, kind = of.fitted.device, type(of.read(0))
    measure = PLAIN[device.capability](device)
    changed = of.changed(of.counts)
    if np.count_nonzero(changed) * SELDOM < len(changed):
        return _few(of, changed)
    measured = list(map(measure, zip(*(column[changed].tolist() for column in of.counts), strict=True)))
    values, which = [value for value, _ in measured], np.cumsum(changed) - 1
    found = np.array([status for _, status in measured])[which]
    marks = of.age * AGE_UNIT_S, of.fresh & (found == OK), np.where((found == OK) & ~of.fresh, STALE, found)
    good = (of.age != NEVER) & (found != MISSING)

    def readings(start: int, stop: int) -> list[Any]:
        own = map(values.__getitem__, which[start:stop].tolist())
        tails = zip(*(mark[start:stop].tolist() for mark in marks), strict=True)
        return of.mended([_new(kind, value + tail) for value, tail in zip(own, tails, strict=True)], good, start)

    return readings


def _few(of: _Columns, changed: Any) -> Readings:
    """Let the decoder's reader read everything that a device ever said once: all its counts with all their ages."""
    places: dict[tuple[int, ...], int] = {}
    runs = zip(*(column[changed].tolist() for column in of.counts), strict=True)
    counts = np.array([places.setdefault(run, len(places)) for run in runs])[np.cumsum(changed) - 1]
    _, rows, which = np.unique(of.age * len(places) + counts, return_index=True, return_inverse=True)
    known = [of.read(row) for row in rows.tolist()]
    return lambda start, stop: list(map(known.__getitem__, which[start:stop].tolist()))
