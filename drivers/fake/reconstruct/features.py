"""What lies on and beside the line: arms, markers, strips, obstacles, bumps and ramps, from the readings.

Rules: an arm is darkness where no drawn line explains it; a marker is green beside a junction; an obstacle is what the
side range met while the robot drove round; relief is how the body leant. Each thing is put where it was met.
"""

import math
from collections.abc import Iterator
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from drivers.fake.reconstruct.line import is_paint
from drivers.fake.reconstruct.paint import Spot
from drivers.fake.reconstruct.route import Stretch
from drivers.fake.reconstruct.tracking import Array, Eye, Track, smoothed
from robotcore.rig import Rig

if TYPE_CHECKING:
    from numpy.typing import NDArray

DARK = 0.75
SPARE_M = 0.0025  #: darkness so far beyond the line's edge is not the line's
LEVEL_RAD = 0.05  #: a body that leans more sees other light
ALIGNED = math.sin(0.5 * math.radians(20.0))  #: half the angle between robot and line when an arm may be told
LONGEST_ARM_M = 0.045  #: what stays dark longer is no arm that is crossed
EDGE_M = 0.018  #: within so much from dark to floor is a sharp edge
ARM_REACH_M = 0.045  #: an arm shows so near the line
NEAR_M = 0.040  #: signs nearer than this to each other are of one thing
LEAN_RAD = math.radians(3.5)
LEAST_HITS = 6  #: of the side range, for an obstacle
RAMP_M = 0.09  #: leaning for so long is a ramp; shorter is a bump


class Thing(NamedTuple):
    """What was found: `kind` and its table in the course's format, less the place."""

    kind: str
    spot: Spot
    words: str


def arms(track: Track, lines: Array, width_m: float) -> list[tuple[Spot, int]]:
    """Return (place on the line with the line's direction, side: +1 left) of every arm that was seen beside the line.

    Args:
        track: the run, in the frame of the lines.
        lines: points of everything drawn, with directions: n by 3.
        width_m: of the line.

    """
    found: list[tuple[Spot, int]] = []
    for eye, side in ((track.left, 1), (track.right, -1)):
        level = np.abs(smoothed(track.pitch)) < LEVEL_RAD
        dark = (eye.dark > DARK) & ~is_paint(eye) & (track.speed > 0.02) & (eye.light < 0.3) & level
        ticks = np.flatnonzero(dark)
        if not len(ticks):
            continue
        apart = np.hypot(eye.x[ticks, None] - lines[None, :, 0], eye.y[ticks, None] - lines[None, :, 1])
        nearest = apart.argmin(axis=1)
        beside = apart[np.arange(len(ticks)), nearest]
        aligned = np.abs(np.sin(0.5 * (track.heading[ticks] - lines[nearest, 2]))) < ALIGNED
        odd = (beside > 0.5 * width_m + SPARE_M) & (beside < ARM_REACH_M) & aligned
        for group in _groups(ticks[odd], 6):
            if len(group) >= 2 and _is_crossed(track, eye, int(group[0]), int(group[-1])):
                place = lines[nearest[np.searchsorted(ticks, group[len(group) // 2])]]
                found.append((Spot(*(float(v) for v in place)), side))
    return found


def _is_crossed(track: Track, eye: Eye, first: int, last: int) -> bool:
    """Tell whether an eye came from floor onto something narrow and off it again, over a sharp edge each time."""
    travel = track.travel
    if travel[last] - travel[first] > LONGEST_ARM_M:
        return False
    before = (travel < travel[first]) & (travel > travel[first] - EDGE_M) & (np.arange(len(track)) < first)
    after = (travel > travel[last]) & (travel < travel[last] + EDGE_M) & (np.arange(len(track)) > last)
    return all(part.any() and float(np.nanmin(eye.dark[part])) < 0.35 for part in (before, after))


def _groups(ticks: "NDArray[Any]", hole: int) -> "Iterator[NDArray[Any]]":
    if len(ticks):
        yield from np.split(ticks, np.flatnonzero(np.diff(ticks) > hole) + 1)


def obstacle(track: Track, rig: Rig, before: Stretch, after: Stretch) -> Thing | None:
    """Return what the robot drove round between two stretches: a round thing where the side range met it.

    None where the side range met nothing there: then the robot only looked for the line.
    """
    (ax, ay), (bx, by) = before.points[-1], after.points[0]
    x, y = 0.5 * (ax + bx), 0.5 * (ay + by)
    hits = _hits(track, rig, slice(before.last, after.first + 1))
    near = hits[np.hypot(hits[:, 0] - x, hits[:, 1] - y) < 0.25]
    if len(near) < LEAST_HITS:
        return None
    u, v, radius = _circle(near)
    if not 0.02 < radius < 0.16 or math.hypot(u - x, v - y) > 0.2:
        u, v, radius = float(np.median(near[:, 0])), float(np.median(near[:, 1])), 0.05
    words = f'shape = "round"\ndiameter_mm = {2000 * min(0.11, max(0.025, radius)):.0f}'
    return Thing("obstacle", Spot(u, v, math.atan2(by - ay, bx - ax)), words)


def _circle(points: Array) -> tuple[float, float, float]:
    """Return middle and radius of the circle that fits points best in the algebraic sense."""
    middle = points.mean(axis=0)
    d = points - middle
    (u, v, w), *_ = np.linalg.lstsq(np.column_stack([d, np.ones(len(d))]), (d**2).sum(axis=1), rcond=None)
    radius = math.sqrt(max(1e-9, float(w + 0.25 * (u * u + v * v))))
    return float(middle[0] + 0.5 * u), float(middle[1] + 0.5 * v), radius


def _hits(track: Track, rig: Rig, part: slice) -> Array:
    """Return where the side range met something, n by 2."""
    fitted = rig.role("side_range")
    if fitted is None:
        return np.empty((0, 2))
    mount, distance, heading = fitted.mount, track.range_m[part], track.heading[part]
    c, s = np.cos(heading), np.sin(heading)
    x = track.x[part] + mount.ahead_m * c - mount.left_m * s + distance * np.cos(heading + mount.heading_rad)
    y = track.y[part] + mount.ahead_m * s + mount.left_m * c + distance * np.sin(heading + mount.heading_rad)
    good = np.isfinite(distance) & (distance < 0.45)
    return np.stack([x[good], y[good]], axis=1)


class Slope(NamedTuple):
    """A stretch of time in which the body leant one way: first and last tick, mean lean in its middle half (rad)."""

    first: int
    last: int
    lean: float


def relief(track: Track) -> list[Thing]:
    """Return bumps and ramps by how the body leant; none where the rig has no tilt sensor.

    A ramp is a long lean up and then one down, a bump a short one up and one down. The skew of a bump is not told.
    """
    if not np.isfinite(track.pitch).any():
        return []
    lean = smoothed(track.pitch, 8)
    lean = lean - float(np.median(lean))
    slopes = sorted(_slopes(lean))
    found: list[Thing] = []
    for up, down in pairwise(slopes):
        if up.lean < 0.0 or down.lean > 0.0:
            continue
        apart = float(track.travel[down.first] - track.travel[up.last])
        long_up, long_down = (float(track.travel[s.last] - track.travel[s.first]) for s in (up, down))
        if min(long_up, long_down) > RAMP_M and apart < 1.5:
            found.append(_ramp(track, up, down, apart))
        elif -0.01 < apart < 0.15 and 0.0 < max(long_up, long_down) < 0.2:
            found.append(_bump(track, up, down))
    return found


def _slopes(lean: Array) -> Iterator[Slope]:
    for sign in (1.0, -1.0):
        for group in _groups(np.flatnonzero(sign * lean > LEAN_RAD), 3):
            quarter = len(group) // 4
            middle = float(np.median(lean[group[quarter : len(group) - quarter]]))
            half = group[sign * lean[group] > max(LEAN_RAD, 0.5 * abs(middle))]
            if len(half) >= 4:
                yield Slope(int(half[0]), int(half[-1]), middle)


def _ramp(track: Track, up: Slope, down: Slope, level_m: float) -> Thing:
    up_m, down_m = (float(track.travel[s.last] - track.travel[s.first]) for s in (up, down))
    up_deg, down_deg = (min(25.0, max(1.0, math.degrees(abs(s.lean)))) for s in (up, down))
    rise_m = 0.5 * (up_m * math.tan(math.radians(up_deg)) + down_m * math.tan(math.radians(down_deg)))
    words = (
        f"up_deg = {up_deg:.1f}\ndown_deg = {down_deg:.1f}\nrise_mm = {1000 * min(0.4, max(0.005, rise_m)):.0f}\n"
        f"level_mm = {1000 * max(0.0, level_m):.0f}"
    )
    return Thing("ramp", _axle(track, up.first), words)


def _bump(track: Track, up: Slope, down: Slope) -> Thing:
    at = (up.last + down.first) // 2
    return Thing("bump", _axle(track, at), "")


def _axle(track: Track, tick: int) -> Spot:
    return Spot(float(track.x[tick]), float(track.y[tick]), float(track.heading[tick]))
