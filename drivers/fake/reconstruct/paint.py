"""Patches of coloured paint that the eyes went over. Rule: a few readings near each other, not one, are a patch."""

import math
from collections.abc import Callable
from typing import NamedTuple, TypeAlias

import numpy as np
from attrs import define

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


Patches: TypeAlias = list[tuple[Spot, int]]
"""Patches of paint, each with the tick (place in the arrays) in which it was first seen."""


def greens(track: Track) -> Patches:
    """Return (middle, with the robot's heading at first sight; first tick) of every patch of marker green."""

    def test(eye: Eye) -> Mask:
        green: Mask = (np.nan_to_num(eye.green) > GREEN_SHARE) & (eye.light > DIMMEST) & (eye.light < BRIGHTEST)
        return green

    return _patches(track, test)


def reds(track: Track) -> Patches:
    """Return the same of every patch of red."""
    return _patches(track, lambda eye: (np.nan_to_num(eye.red) > RED_SHARE) & (eye.light > DIMMEST))


def _patches(track: Track, test: "Callable[[Eye], Mask]") -> Patches:
    groups: list[_Patch] = []
    for eye in (track.left, track.right):
        for tick in np.flatnonzero(test(eye)).tolist():
            x, y = float(eye.x[tick]), float(eye.y[tick])
            home = next((patch for patch in groups if math.dist(patch.middle, (x, y)) < ONE_M), None)
            if home is None:
                home = _Patch(0, 0.0, 0.0, tick)
                groups.append(home)
            home.add(x, y, tick)
    return [
        (Spot(*patch.middle, float(track.heading[patch.first])), patch.first)
        for patch in groups
        if patch.count >= LEAST
    ]


@define
class _Patch:
    count: int
    x: float
    y: float
    first: int

    def add(self, x: float, y: float, tick: int) -> None:
        self.count += 1
        self.x += x
        self.y += y
        self.first = min(self.first, tick)

    @property
    def middle(self) -> tuple[float, float]:
        return self.x / self.count, self.y / self.count
