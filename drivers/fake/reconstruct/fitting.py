"""Few straights and arcs through a chain of points.

Rules: from the first point as far as one piece fits within a tolerance, then on from there. Pieces share their ends;
where they meet the direction may jump by a degree or two, which the writer draws as a turn on the spot.
"""

import math
from typing import NamedTuple

import numpy as np

from drivers.fake.reconstruct.tracking import Array

TOLERANCE_M = 0.0030  #: what a piece may stray from the points
FLAT_M = 0.0020  #: an arc that bows less than this is a straight
LEAST_RADIUS_M, MOST_RADIUS_M = 0.055, 18.0
MOST_SWEEP = math.radians(200.0)
SPACING_M = 0.005
SMOOTH_M = 0.040


class Fit(NamedTuple):
    """One piece: ends, direction at both (rad), and for an arc its signed sweep (rad, left positive) and radius (m)."""

    ax: float
    ay: float
    bx: float
    by: float
    begins: float
    ends: float
    sweep: float
    radius_m: float


def even(points: Array) -> Array:
    """Return a chain of points `SPACING_M` apart along the given one, ends included."""
    steps = np.hypot(*np.diff(points, axis=0).T)
    kept = np.concatenate([[True], steps > 1e-6])
    points = points[kept]
    s = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    if s[-1] <= 0.0:
        return points[:1]
    places = np.linspace(0.0, s[-1], max(2, math.ceil(s[-1] / SPACING_M) + 1))
    return np.stack([np.interp(places, s, points[:, 0]), np.interp(places, s, points[:, 1])], axis=1)


def smooth(points: Array) -> Array:
    """Return evenly spaced points, each the middle of a parabola through those within `SMOOTH_M`."""
    half = round(SMOOTH_M / SPACING_M)
    count = len(points)
    found = points.copy()
    for i in range(count):
        low, high = max(0, i - half), min(count, i + half + 1)
        if high - low >= 5:
            u = np.arange(low, high) - i
            degree = 2 if low < i < high - 1 and high - low >= 7 else 1
            found[i] = [np.polyval(np.polyfit(u, points[low:high, k], degree), 0.0) for k in (0, 1)]
    return found


def fit(points: Array, tolerance_m: float = TOLERANCE_M) -> list[Fit]:
    """Return pieces through evenly spaced points, from the first to the last."""
    pieces: list[Fit] = []
    at, last = 0, len(points) - 1
    while at < last:
        good, step = at + 1, 4
        lengths = [4 << i for i in range(12)]
        fitting = [at + n for n in lengths if at + n <= last and _fits(points[at : at + n + 1], tolerance_m)]
        if fitting:
            good = step = max(fitting)
            step -= at
        while step:
            there = min(good + step, last)
            if there > good and _fits(points[at : there + 1], tolerance_m):
                good = there
            else:
                step //= 2
        pieces.append(_piece(points[at : good + 1]))
        at = good
    return pieces


def _fits(points: Array, tolerance_m: float) -> bool:
    piece = _piece(points)
    if piece.sweep and (piece.radius_m < LEAST_RADIUS_M or abs(piece.sweep) > MOST_SWEEP):
        return False
    return bool(away(piece, points).max() <= tolerance_m)


def _piece(points: Array) -> Fit:
    """Return the straight or arc through both ends that fits the points between best."""
    (ax, ay), (bx, by) = points[0], points[-1]
    chord, heading = math.hypot(bx - ax, by - ay), math.atan2(by - ay, bx - ax)
    straight = Fit(ax, ay, bx, by, heading, heading, 0.0, 0.0)
    if len(points) < 4 or away(straight, points).max() <= FLAT_M:
        return straight
    bow = _bow(points, chord, heading)
    if abs(bow) < FLAT_M or abs(bow) > 1.5 * chord:
        return straight
    radius_m = (0.25 * chord * chord + bow * bow) / (2.0 * abs(bow))
    if radius_m > MOST_RADIUS_M:
        return straight
    half = 2.0 * math.atan(2.0 * bow / chord)  # the sweep's; an arc to the right of its chord turns left
    return Fit(ax, ay, bx, by, heading - half, heading + half, 2.0 * half, radius_m)


def _bow(points: Array, chord: float, heading: float) -> float:
    """Return how far an arc bows to the right of its chord: first by its parabola, then bettered on the circle."""
    d = points - points[0]
    along = d[:, 0] * math.cos(heading) + d[:, 1] * math.sin(heading)
    right = d[:, 0] * math.sin(heading) - d[:, 1] * math.cos(heading)
    shape = 4.0 * along * (chord - along) / chord**2
    bow = float((shape * right).sum() / max((shape * shape).sum(), 1e-12))
    for _ in range(6):
        if abs(bow) < 1e-5:
            break
        radius = (0.25 * chord * chord + bow * bow) / (2.0 * bow)
        middle = bow - radius
        far = np.hypot(along - 0.5 * chord, right - middle) - abs(radius)
        bow += float(np.mean(far[1:-1])) * 1.3 * (1.0 if bow > 0.0 else -1.0)
    return bow


def away(piece: Fit, points: Array) -> Array:
    """Return how far each point is from a piece, taken as endless."""
    chord, heading = math.hypot(piece.bx - piece.ax, piece.by - piece.ay), 0.5 * (piece.begins + piece.ends)
    if not piece.sweep:
        d = points - (piece.ax, piece.ay)
        side: Array = np.abs(d[:, 1] * math.cos(heading) - d[:, 0] * math.sin(heading))
        return side
    left = math.copysign(1.0, piece.sweep)
    cx = piece.ax - left * piece.radius_m * math.sin(piece.begins)
    cy = piece.ay + left * piece.radius_m * math.cos(piece.begins)
    far: Array = np.abs(np.hypot(points[:, 0] - cx, points[:, 1] - cy) - piece.radius_m)
    return far if chord else np.hypot(points[:, 0] - piece.ax, points[:, 1] - piece.ay)


def end_direction(points: Array, at_end: bool, reach_m: float) -> tuple[float, float, float]:
    """Return (x, y, heading) of the straight line through the last (or first) `reach_m` of evenly spaced points."""
    count = max(3, round(reach_m / SPACING_M) + 1)
    part = points[-count:] if at_end else points[:count]
    middle = part.mean(axis=0)
    _, _, axes = np.linalg.svd(part - middle)
    ux, uy = axes[0]
    if (part[-1] - part[0]) @ axes[0] < 0.0:
        ux, uy = -ux, -uy
    end = part[-1] if at_end else part[0]
    along = (end - middle) @ np.array([ux, uy])
    return float(middle[0] + along * ux), float(middle[1] + along * uy), math.atan2(uy, ux)


def curve(one: tuple[float, float, float], two: tuple[float, float, float]) -> Array:
    """Return points along a smooth curve from one place and direction to another, both included (a Hermite cubic)."""
    (ax, ay, a), (bx, by, b) = one, two
    size = math.hypot(bx - ax, by - ay)
    t = np.linspace(0.0, 1.0, max(3, math.ceil(size / SPACING_M) + 1))[:, None]
    ends = np.array([[ax, ay]]), np.array([[bx, by]])
    tangents = size * np.array([[math.cos(a), math.sin(a)]]), size * np.array([[math.cos(b), math.sin(b)]])
    points: Array = (
        (2 * t**3 - 3 * t**2 + 1) * ends[0] + (t**3 - 2 * t**2 + t) * tangents[0]
        + (3 * t**2 - 2 * t**3) * ends[1] + (t**3 - t**2) * tangents[1]
    )  # fmt: skip
    return points
