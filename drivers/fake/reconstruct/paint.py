"""Patches of coloured paint that the eyes went over. Rule: a few readings near each other, not one, are a patch."""

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from drivers.fake.reconstruct.tracking import Eye, Mask, Track

GREEN_SHARE, RED_SHARE = 0.40, 0.50
DIMMEST, BRIGHTEST = 0.075, 0.55  #: lightness of a patch of green
ONE_M = 0.03  #: readings nearer than this to a patch's middle belong to it
LEAST = 3


class Spot(NamedTuple):
    """A place with a direction: metres and radians."""

    x: float
    y: float
    heading: float


def greens(track: Track) -> list[tuple[Spot, int]]:
    """Return (middle, with the robot's heading at first sight; first tick) of every patch of marker green."""
    return _patches(track, lambda eye: (np.nan_to_num(eye.green) > GREEN_SHARE) & (eye.light > DIMMEST) & (eye.light < BRIGHTEST))


def reds(track: Track) -> list[tuple[Spot, int]]:
    """Return the same of every patch of red."""
    return _patches(track, lambda eye: (np.nan_to_num(eye.red) > RED_SHARE) & (eye.light > DIMMEST))


def _patches(track: Track, test: "Callable[[Eye], Mask]") -> list[tuple[Spot, int]]:
    groups: list[list[tuple[float, float, int]]] = []
    for eye in (track.left, track.right):
        for tick in np.flatnonzero(test(eye)):
            here = float(eye.x[tick]), float(eye.y[tick]), int(tick)
            home = next((g for g in groups if math.dist(np.mean(np.array(g)[:, :2], axis=0), here[:2]) < ONE_M), None)
            groups.append([here]) if home is None else home.append(here)
    found = []
    for group in groups:
        if len(group) >= LEAST:
            x, y = np.mean(np.array(group)[:, :2], axis=0)
            first = min(entry[2] for entry in group)
            found.append((Spot(float(x), float(y), float(track.heading[first])), first))
    return found
