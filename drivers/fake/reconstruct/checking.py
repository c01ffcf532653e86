"""How well a made course explains a recording: the recorded way, driven over the new floor, against what was read.

Rules: the same darkness for both: 0 is floor, 1 is line. Only ticks in which the robot moves count. What no floor can
make (a lifted nose, readings that are missing) is left out on both sides alike.
"""

from typing import NamedTuple

import numpy as np

from drivers.fake.course.course import Course
from drivers.fake.course.floor import Floor
from drivers.fake.optics import FOOTPRINT_M
from drivers.fake.reconstruct.tracking import Array, Track, smoothed

OFF = 0.5  #: darkness that differs by more is plainly another thing
LEVEL_RAD, SETTLE_S = 0.05, 0.3  #: so much lean, and so long around it, is not level


class Misfit(NamedTuple):
    """How badly a course fits: rms of darkness (0 to 1), share of readings off by more than `OFF`, how many."""

    rms: float
    off: float
    readings: int


def misfit(track: Track, course: Course, origin: tuple[float, float]) -> Misfit:
    """Return how the recorded darkness differs from that of the course's floor along the recorded way."""
    look = Floor.of(course, FOOTPRINT_M).look
    floor, line = sum(course.colours.floor) / 3.0, sum(course.colours.line) / 3.0
    moving = (np.abs(track.speed) > 0.01) | (np.abs(track.turn) > 0.1)
    uneven = np.abs(smoothed(track.pitch)) >= LEVEL_RAD
    level = ~np.convolve(uneven, np.ones(2 * round(SETTLE_S / track.period_s) + 1), mode="same").astype(bool)
    differences: list[Array] = []
    for eye in (track.left, track.right):
        ticks = np.flatnonzero(moving & level & np.isfinite(eye.dark))[::2]
        seen = [look(eye.x[i] - origin[0], eye.y[i] - origin[1]) for i in ticks.tolist()]
        expected = np.array([(floor - (r + g + b) / 3.0) / (floor - line) for r, g, b in seen])
        differences.append(expected - np.clip(eye.dark[ticks], -0.2, 1.1))
    all_of = np.concatenate(differences)
    if not len(all_of):
        return Misfit(1.0, 1.0, 0)
    return Misfit(float(np.sqrt(np.mean(all_of**2))), float(np.mean(np.abs(all_of) > OFF)), len(all_of))
