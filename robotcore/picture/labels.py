"""Where words go so that none lies on another.

Rules: everything is in the sheet's points (1/72 inch); no plotting library; the same input gives the same places.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

REACHES = (13.0, 20.0, 28.0, 38.0, 50.0, 65.0, 82.0)
TURNS = 16
_BLOCKED = 1e6


class Box(NamedTuple):
    """A rectangle: its middle and its size."""

    x: float
    y: float
    width: float
    height: float

    def overlaps(self, other: "Box") -> bool:
        """Tell whether two boxes share any place."""
        return (
            2 * abs(self.x - other.x) < self.width + other.width
            and 2 * abs(self.y - other.y) < self.height + other.height
        )

    def within(self, other: "Box") -> bool:
        """Tell whether it lies in another whole."""
        return (
            2 * abs(self.x - other.x) <= other.width - self.width
            and 2 * abs(self.y - other.y) <= other.height - self.height
        )


class Spot(NamedTuple):
    """A point with the words that belong to it."""

    x: float
    y: float
    words: tuple[str, ...]


def gather(spots: Sequence[Spot], near: float) -> list[Spot]:
    """Return the spots with those closer than `near` to an earlier one made one with it."""
    found: list[Spot] = []
    for spot in spots:
        for i, other in enumerate(found):
            if math.hypot(spot.x - other.x, spot.y - other.y) < near:
                found[i] = other._replace(words=other.words + spot.words)
                break
        else:
            found.append(spot)
    return found


def joined(words: Sequence[str], most: int = 12) -> str:
    """Return numbers and other words as one: "1", "3-5", "3-5 F2"; what goes past `most` letters is counted."""
    parts: list[list[str]] = []
    for word in words:
        if parts and word.isdigit() and parts[-1][-1].isdigit() and int(word) == int(parts[-1][-1]) + 1:
            parts[-1].append(word)
        else:
            parts.append([word])
    text = ""
    for i, part in enumerate(parts):
        more = f"{part[0]}-{part[-1]}" if len(part) > 2 else " ".join(part)
        if text and len(text) + len(more) >= most:
            return f"{text} +{sum(map(len, parts[i:]))}"
        text = f"{text} {more}".lstrip()
    return text


def size_of(text: str, points: float) -> tuple[float, float]:
    """Return room enough for one line of text in a sans-serif letter of that many points."""
    return 0.66 * points * len(text) + 5.0, 1.25 * points + 2.0


def place(
    anchors: Sequence[tuple[float, float]],
    sizes: Sequence[tuple[float, float]],
    frame: Box,
    avoid: NDArray[np.float64],
    taken: Sequence[Box] = (),
) -> list[Box | None]:
    """Find a place near each anchor for a box of each size, first come first served.

    Args:
        anchors: the points that the boxes belong to.
        sizes: width and height of each box.
        frame: no box leaves it.
        avoid: (n, 2), points that a box had better not cover.
        taken: places that are not free.

    Returns:
        A box for each anchor, or None where all places within reach are taken.

    """
    dots = [Box(x, y, 8.0, 8.0) for x, y in anchors]
    placed: list[Box | None] = []
    held = list(taken)
    for i, ((x, y), (width, height)) in enumerate(zip(anchors, sizes, strict=True)):
        others = dots[:i] + dots[i + 1 :]
        best, least = None, _BLOCKED
        for cost, box in _candidates(x, y, width, height):
            if cost < least and box.within(frame) and not any(box.overlaps(other) for other in held):
                cost += _covered(box, avoid) + 12.0 * sum(box.overlaps(dot) for dot in others)
                cost += 15.0 * sum(_crosses(x, y, box, other) for other in held)
                if cost < least:
                    best, least = box, cost
        placed.append(best)
        if best is not None:
            held.append(best)
    return placed


def _candidates(x: float, y: float, width: float, height: float) -> list[tuple[float, Box]]:
    """Return places round a point with their cost, which grows with the way."""
    found = []
    for reach in REACHES:
        for turn in range(TURNS):
            angle = math.tau * (turn + 0.5) / TURNS
            across, up = math.cos(angle), math.sin(angle)
            box = Box(x + across * (reach + width / 2 - 5.0), y + up * (reach + height / 2 - 5.0), width, height)
            found.append((0.5 * reach, box))
    return found


def _covered(box: Box, avoid: NDArray[np.float64]) -> float:
    if not len(avoid):
        return 0.0
    inside = (np.abs(avoid[:, 0] - box.x) < box.width / 2 + 1) & (np.abs(avoid[:, 1] - box.y) < box.height / 2 + 1)
    return min(40.0, 2.0 * float(np.count_nonzero(inside)))


def _crosses(x: float, y: float, box: Box, other: Box) -> bool:
    """Tell whether the line from a point to its box passes over another box."""
    return any(
        abs(x + (box.x - x) * t - other.x) < other.width / 2 and abs(y + (box.y - y) * t - other.y) < other.height / 2
        for t in (0.2, 0.4, 0.6, 0.8)
    )


def along(spots: Sequence[Spot], points: float, low: float, high: float) -> list[tuple[float, str]]:
    """Return words along one axis as (x of the middle, text); those that would touch are made one.

    Args:
        spots: in any order; only x counts.
        points: size of the letters.
        low: the axis' left end, which no word passes.
        high: its right end.

    """
    groups = sorted(spots, key=lambda spot: spot.x)
    i = 0
    while i + 1 < len(groups):
        one, two = groups[i], groups[i + 1]
        if _ends(one, points, low, high)[1] <= _ends(two, points, low, high)[0]:
            i += 1
            continue
        share = len(two.words) / len(one.words + two.words)
        groups[i : i + 2] = [Spot(one.x + (two.x - one.x) * share, 0.0, one.words + two.words)]
        i = max(0, i - 1)  # grown, it may touch the one before
    return [(sum(_ends(group, points, low, high)) / 2, joined(group.words)) for group in groups]


def _ends(group: Spot, points: float, low: float, high: float) -> tuple[float, float]:
    half = size_of(joined(group.words), points)[0] / 2
    middle = min(max(group.x, low + half), high - half)
    return middle - half, middle + half
