"""How far beside the eyes the line is, how wide it is, and what the tracks' slip makes of its straights.

Rules:
- A round spot over an edge darkens by the share of it that is covered; so both eyes' darkness tells where the line is
  between them, as long as it is a line and nothing else. Where both eyes are bright it may lie between them.
- Encoders count what tracks roll, not what they bring. Two numbers repair most of it: one track brings more than the
  other, and turning on the spot loses a share. Both follow from the line itself if it has straights that lie at right
  angles to each other, as nearly all do (common practice, no source); how well that holds is told.
"""

from typing import TYPE_CHECKING

import numpy as np
from attrs import frozen

from drivers.fake.optics import FOOTPRINT_M
from drivers.fake.reconstruct.tracking import Array, Eye, Mask, Track, reckon
from robotcore.rig import Rig

if TYPE_CHECKING:
    from numpy.typing import NDArray

CONTACT = 0.08  #: darkness from which an eye has something
ARM = 0.75  #: both eyes darker than this are on an arm, a strip or a lifted nose
COLOURED = 0.08  #: a share of red or green so far from a third is paint
SLOWEST_M_S = 0.03
TURN_PER_M, TURN_RAD_S = 11.0, 0.3  #: a robot that turns faster than this looks for a line and does not follow one
STEP_M = 0.00025
WINDOW_M = 0.10  #: a straight is judged over so much
STRAIGHT_PER_M = 0.7  #: and bends less than this
LEAST_STRAIGHT_M = 0.6  #: below so much straight line nothing is repaired


@frozen
class Repair:
    """What the tracks' slip was taken to be, and how well straights then lie at right angles (0 to 1, 1 is exact)."""

    ratio: float
    loss: float
    squareness: float
    straight_m: float


def covered(away_m: Array, width_m: float, radius_m: float = FOOTPRINT_M) -> Array:
    """Return the share of a round spot that a stripe covers whose middle is `away_m` beside the spot's."""

    def below(edge: Array) -> Array:
        u = np.clip(edge / radius_m, -1.0, 1.0)
        share: Array = 0.5 + (u * np.sqrt(1.0 - u * u) + np.arcsin(u)) / np.pi
        return share

    return below(0.5 * width_m - away_m) - below(-0.5 * width_m - away_m)


def width_of(track: Track) -> float:
    """Return the line's width in metres, 0.010 to 0.020, by how far an eye goes over it when it swings across.

    Half dark to half dark is the width, whatever the spot. 15 mm where no eye ever swung across.
    """
    found = [width for eye in (track.left, track.right) for width in _crossings(track, eye)]
    if not found:
        return 0.015
    return float(np.clip(np.percentile(found, 25.0), 0.010, 0.020))


def _crossings(track: Track, eye: Eye) -> list[float]:
    dark = np.nan_to_num(eye.dark)
    ups = np.flatnonzero((dark[:-1] < 0.5) & (dark[1:] >= 0.5))
    found = []
    for up in ups.tolist():
        downs = np.flatnonzero(dark[up + 1 :] < 0.5)
        if not len(downs):
            continue
        down = up + 1 + int(downs[0])
        turning = np.abs(track.turn[up : down + 1]).mean() > 0.5 and np.abs(track.speed[up : down + 1]).mean() < 0.03
        if turning and dark[up:down].max() > 0.85:
            a, b = _at_half(eye, dark, up), _at_half(eye, dark, down - 1)
            width = float(np.hypot(b[0] - a[0], b[1] - a[1]))
            if 0.008 < width < 0.024:
                found.append(width)
    return found


def _at_half(eye: Eye, dark: Array, place: int) -> tuple[float, float]:
    share = (0.5 - dark[place]) / (dark[place + 1] - dark[place])
    x, y = (values[place] + share * (values[place + 1] - values[place]) for values in (eye.x, eye.y))
    return float(x), float(y)


def is_paint(eye: Eye) -> Mask:
    """Tell where an eye is on coloured paint."""
    red, green = np.nan_to_num(eye.red, nan=1 / 3), np.nan_to_num(eye.green, nan=1 / 3)
    paint: Mask = (np.abs(red - green) > COLOURED) & (eye.dark > 0.3)
    return paint


def offsets(track: Track, width_m: float) -> Array:
    """Return how far left of the eyes' middle the line's middle is, a value a tick; NaN where the line is not told.

    Only ticks count in which the robot drives forward and sees line and nothing else.
    """
    left, right = np.nan_to_num(track.left.dark), np.nan_to_num(track.right.dark)
    half = 0.5 * (track.left.left_m - track.right.left_m)
    places = np.arange(-half, half + STEP_M, STEP_M)  # beyond an eye the same darkness comes again; not told apart
    curve = covered(half - places, width_m), covered(half + places, width_m)
    follows = (
        (track.speed > SLOWEST_M_S) & (np.abs(track.turn) < TURN_PER_M * track.speed + TURN_RAD_S)
        & ((left > CONTACT) | (right > CONTACT)) & ~((left > ARM) & (right > ARM))
        & ~is_paint(track.left) & ~is_paint(track.right)
    )  # fmt: skip
    found = np.full(len(track), np.nan)
    ticks = np.flatnonzero(follows)
    for chunk in np.array_split(ticks, max(1, len(ticks) // 1000)):
        apart = (left[chunk, None] - curve[0]) ** 2 + (right[chunk, None] - curve[1]) ** 2
        best = apart.argmin(axis=1)
        good = apart[np.arange(len(chunk)), best] < 0.1
        found[chunk[good]] = places[best[good]]
    return found


def line_points(pose: tuple[Array, Array, Array], offset: Array, ahead_m: float) -> tuple[Array, Array]:
    """Return where the line is, given the axle's pose: x and y a tick."""
    x, y, heading = pose
    cos, sin = np.cos(heading), np.sin(heading)
    return x + ahead_m * cos - offset * sin, y + ahead_m * sin + offset * cos


def repair_of(track: Track, offset: Array, rig: Rig) -> Repair:
    """Return the slip under which the straights of the line lie best at right angles."""
    windows = _windows(track, offset)
    width, ahead = rig.body.track_width_m, track.left.ahead_m
    if len(windows.starts) < 6:
        return Repair(0.0, 0.0, 0.0, 0.0)

    def squareness(ratio: float, loss: float) -> tuple[float, float]:
        pose = reckon(track.rolled_left, track.rolled_right, width, ratio, loss)[:3]
        headings, bends = windows.directions(*line_points(pose, offset, ahead))
        straight = np.abs(bends) < STRAIGHT_PER_M
        if not straight.any():
            return 0.0, 0.0
        square = float(np.abs(np.exp(4j * headings[straight]).sum()))
        return square / float(straight.sum()), square  # how square, and how much of the line is

    ratios, losses = np.arange(-0.048, 0.0481, 0.004), np.arange(0.0, 0.121, 0.01)
    coarse = max((squareness(r, k)[1], r, k) for r in ratios for k in losses)
    near = np.arange(-3, 4)
    losses = np.clip(coarse[2] + 0.0025 * near, 0.0, 0.13)
    _, ratio, loss = max((squareness(r, k)[1], r, k) for r in coarse[1] + 0.001 * near for k in losses)
    share, amount = squareness(ratio, loss)
    straight_m = 0.5 * WINDOW_M * amount / max(share, 1e-9)
    if straight_m < LEAST_STRAIGHT_M:
        return Repair(0.0, 0.0, share, straight_m)
    return Repair(float(ratio), float(loss), share, straight_m)


class Windows:
    """Both halves of each stretch of line of `WINDOW_M`, half overlapping, laid end to end for quick sums.

    Args:
        halves: arrays of ticks, two for each stretch.

    """

    def __init__(self, halves: "list[NDArray[np.int64]]") -> None:
        sizes = np.array([len(half) for half in halves], dtype=int)
        self.starts = np.concatenate([[0], np.cumsum(sizes)[:-1]]) if len(sizes) else sizes
        self.ticks = np.concatenate(halves) if halves else sizes
        self.sizes = sizes
        steps = [np.arange(size) - 0.5 * (size - 1) for size in sizes]
        self.steps = np.concatenate(steps) if steps else np.zeros(0)

    def directions(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Return direction (rad) and bend (1/m) of each stretch, from a straight line through each half."""
        z = x[self.ticks] + 1j * y[self.ticks]
        slopes = np.add.reduceat(z * self.steps, self.starts)
        middles = np.add.reduceat(z, self.starts) / self.sizes
        headings: Array = np.angle(middles[1::2] - middles[::2])
        bends: Array = np.angle(slopes[1::2] * slopes[::2].conj()) / (0.5 * WINDOW_M)
        return headings, bends


def _windows(track: Track, offset: Array) -> Windows:
    seen = np.flatnonzero(np.isfinite(offset))
    found = []
    at = 0
    while at < len(seen):
        gone = track.travel[seen[at:]] - track.travel[seen[at]]
        end = int(np.argmax(gone > WINDOW_M)) or len(gone)
        inside, halves = seen[at : at + end], gone[:end] < 0.5 * WINDOW_M
        if halves.sum() >= 8 and (~halves).sum() >= 8 and inside[-1] - inside[0] < 4 * end:
            found += [inside[halves], inside[~halves]]
        at += max(1, int(halves.sum()))
    return Windows(found)
