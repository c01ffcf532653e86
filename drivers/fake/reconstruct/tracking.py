"""Where the eyes of a recorded run went by the encoders alone, and what they saw there, as arrays.

Rules: one entry a tick; metres and radians in the frame of the first tick; NaN where there is no reading. Readings are
put where the eye was when they were taken, by their age. Darkness is 0 on the floor and 1 on black, by what the floor
shows around that time: light and mount need not be what they were at calibration.
"""

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

import numpy as np
from attrs import evolve, frozen

from drivers.fake.motion import GRAVITY
from robotcore.calibration import Calibration
from robotcore.decode import Decoder
from robotcore.readings import Colour, Sample
from robotcore.recording.content import Recording
from robotcore.rig import Rig

if TYPE_CHECKING:
    from numpy.typing import NDArray

Array: TypeAlias = "NDArray[np.float64]"
Mask: TypeAlias = "NDArray[np.bool_]"

FLOOR_S = 1.0  #: the floor's brightness is taken over so long to both sides
FLOOR_SHARE = 85.0  #: and is this percentile of what is no line
LIT = 0.5  #: contrast from which a reading may be floor


@frozen
class Eye:
    """One floor eye: where it was (m), darkness, shares of red and green, lightness; NaN where nothing was read."""

    x: Array
    y: Array
    dark: Array
    red: Array
    green: Array
    light: Array
    left_m: float
    ahead_m: float


@frozen
class Track:
    """A recorded run as arrays of one entry a tick.

    `x`, `y`, `heading` are the axle's middle by the encoders; `travel` grows by what the middle rolled (backward too);
    `speed` in m/s and `turn` in rad/s are over about 50 ms. `front` is the lightness ahead, `range_m` the side range,
    `pitch` the lean; NaN throughout where the rig has no such sensor. `rolled_left` and `rolled_right` (m) are the
    encoders themselves.
    """

    ticks: "NDArray[np.int64]"
    period_s: float
    x: Array
    y: Array
    heading: Array
    travel: Array
    speed: Array
    turn: Array
    left: Eye
    right: Eye
    front: Array
    range_m: Array
    pitch: Array
    rolled_left: Array
    rolled_right: Array

    def __len__(self) -> int:
        """Return the number of ticks."""
        return len(self.ticks)


class Shift(NamedTuple):
    """A rigid move of the plane as complex numbers: place -> turn * place + move."""

    turn: complex
    move: complex


def moved(track: Track, first: int, shift: Shift) -> Track:
    """Return the run with all from the tick number `first` (a place in the arrays) on moved."""

    def places(x: Array, y: Array) -> tuple[Array, Array]:
        z = shift.turn * (x + 1j * y) + shift.move
        late = np.arange(len(x)) >= first
        return np.where(late, z.real, x), np.where(late, z.imag, y)

    x, y = places(track.x, track.y)
    turned = np.where(np.arange(len(track)) >= first, float(np.angle(shift.turn)), 0.0)
    (left_x, left_y), (right_x, right_y) = places(track.left.x, track.left.y), places(track.right.x, track.right.y)
    left, right = evolve(track.left, x=left_x, y=left_y), evolve(track.right, x=right_x, y=right_y)
    return evolve(track, x=x, y=y, heading=track.heading + turned, left=left, right=right)


def samples_of(recording: Recording, rig: Rig, calibration: Calibration) -> list[Sample]:
    """Return what the run read, tick by tick."""
    decode = Decoder(rig, calibration)
    return [decode(tick, raw) for tick, raw, _ in recording.rows()]


def track_of(samples: Sequence[Sample], rig: Rig, ratio: float = 0.0, loss: float = 0.0) -> Track:
    """Return a run as arrays.

    Args:
        samples: of the run; at least one.
        rig: the recorded one.
        ratio: by so much more than the left track does the right one bring, as a share.
        loss: share of a turn on the spot that is lost to slip; less in wider turns.

    """
    ticks = np.array([sample.tick for sample in samples])
    rolled = np.array([(s.drive.left_m, s.drive.right_m) if s.drive.valid else (np.nan, np.nan) for s in samples])
    pitch = np.array([s.tilt.pitch_rad if s.tilt.valid else np.nan for s in samples])
    sides, times = (_filled(rolled[:, 0]), _filled(rolled[:, 1])), ticks * rig.period_s
    pitch = pitch - smoothed(_slope(_slope(0.5 * (sides[0] + sides[1]), times), times)) / GRAVITY
    x, y, heading, travel = reckon(*sides, rig.body.track_width_m, ratio, loss, np.cos(smoothed(pitch)))
    period = rig.period_s
    eyes = [
        _eye([getattr(s, role) for s in samples], rig, role, (ticks * period, x, y, heading))
        for role in ("floor_left", "floor_right")
    ]
    return Track(
        ticks, period, x, y, heading, travel, _slope(travel, ticks * period), _slope(heading, ticks * period),
        eyes[0], eyes[1],
        np.array([s.front.lightness if s.front.valid else np.nan for s in samples]),
        np.array([s.side_range.distance_m if s.side_range.valid else np.nan for s in samples]),
        pitch, sides[0], sides[1],
    )  # fmt: skip


def reckon(
    left: Array, right: Array, width_m: float, ratio: float = 0.0, loss: float = 0.0, plan: "Array | None" = None
) -> tuple[Array, Array, Array, Array]:
    """Return x, y, heading and travel by what both tracks rolled (m), each step an exact arc (`robotcore.odometry`).

    `ratio` and `loss` correct for tracks that do not bring what they roll; both 0 is plain odometry. `plan` is what a
    step on a slope makes of its length as seen from above, a value a tick.
    """
    by_left, by_right = np.diff(left) * (1.0 - 0.5 * ratio), np.diff(right) * (1.0 + 0.5 * ratio)
    both = np.abs(by_left) + np.abs(by_right)
    against = np.divide(np.abs(by_right - by_left), both, out=np.zeros_like(both), where=both > 0.0)
    turns = (by_right - by_left) / width_m * (1.0 - loss * against)
    heading = np.concatenate([[0.0], np.cumsum(turns)])
    along = 0.5 * (by_left + by_right) * (1.0 if plan is None else plan[1:])
    chord, middle = along * np.sinc(turns / (2.0 * np.pi)), heading[:-1] + 0.5 * turns
    x = np.concatenate([[0.0], np.cumsum(chord * np.cos(middle))])
    y = np.concatenate([[0.0], np.cumsum(chord * np.sin(middle))])
    return x, y, heading, np.concatenate([[0.0], np.cumsum(along)])


def _filled(values: Array) -> Array:
    """Fill what is missing from both sides; a run that never read its encoders stands still."""
    known = np.flatnonzero(np.isfinite(values))
    if not len(known):
        return np.zeros_like(values)
    filled: Array = np.interp(np.arange(len(values)), known, values[known])
    return filled


def smoothed(values: Array, half: int = 6) -> Array:
    """Return the running mean over `half` entries to both sides; what is missing is 0."""
    kernel = np.ones(2 * half + 1) / (2 * half + 1)
    padded = np.pad(np.nan_to_num(values), half, mode="edge")
    mean: Array = np.convolve(padded, kernel, mode="valid")
    return mean


def _slope(values: Array, times: Array) -> Array:
    if len(values) < 6:
        return np.zeros_like(values)
    low, high = np.arange(len(values)) - 2, np.arange(len(values)) + 3
    low, high = np.clip(low, 0, None), np.clip(high, None, len(values) - 1)
    slope: Array = (values[high] - values[low]) / (times[high] - times[low])
    return slope


def _eye(readings: list[Colour], rig: Rig, role: str, way: tuple[Array, Array, Array, Array]) -> Eye:
    times, x, y, heading = way
    mount = rig.mount(role)
    usable = np.array([reading.status in (0, 3) for reading in readings])
    values = np.array([reading[:6] for reading in readings], dtype=float)
    values[~usable] = np.nan
    at = times - np.where(usable, values[:, 5], 0.0)
    x, y, heading = np.interp(at, times, x), np.interp(at, times, y), np.interp(at, times, heading)
    cos, sin = np.cos(heading), np.sin(heading)
    whole = 3.0 * values[:, 3]
    shares = [np.divide(values[:, i], whole, out=np.full_like(whole, np.nan), where=whole > 0.15) for i in (0, 1)]
    return Eye(
        x + mount.ahead_m * cos - mount.left_m * sin, y + mount.ahead_m * sin + mount.left_m * cos,
        1.0 - values[:, 4] / floor_of(values[:, 4], times), shares[0], shares[1], values[:, 3],
        mount.left_m, mount.ahead_m,
    )  # fmt: skip


def floor_of(contrast: Array, times: Array) -> Array:
    """Return what the floor reads around each time, in units of contrast; 1 where it was never seen."""
    lit = np.isfinite(contrast) & (contrast > LIT)
    if not lit.any():
        return np.ones_like(contrast)
    middles = np.arange(times[0], times[-1] + FLOOR_S, FLOOR_S)
    levels = []
    for middle in middles:
        near = lit & (np.abs(times - middle) <= FLOOR_S)
        levels.append(np.percentile(contrast[near], FLOOR_SHARE) if near.sum() > 10 else np.nan)
    found = np.array(levels)
    known = np.isfinite(found)
    if not known.any():
        return np.full_like(contrast, np.percentile(contrast[lit], FLOOR_SHARE))
    floor: Array = np.interp(times, middles[known], found[known])
    return floor
