"""Placing boxes of any size in layers, so that ways lead downwards and do not run through boxes.

How (the usual steps of a layered drawing): every box lies one layer below whatever leads to it; ways that lead back up
are turned round for the time being; a way that passes a layer gets a place of its own there; places are swapped until
few ways cross; then everything moves as near above its neighbours as its width allows.

Rule: plain sums in a fixed order, so that the same boxes get the same places on every machine.
"""

import itertools
from collections.abc import Sequence

import attrs

SWEEPS = 12
GAP = 16.0  #: between neighbours of a layer


@attrs.define(eq=False)
class Place:
    """A place in a layer: a box, or where a way passes. `x` is its middle."""

    width: float
    height: float
    layer: int = 0
    x: float = 0.0
    above: list["Place"] = attrs.field(factory=list)
    below: list["Place"] = attrs.field(factory=list)
    passes: bool = False


@attrs.frozen
class Link:
    """A way between two boxes, by their numbers, with the size of what is written at it."""

    source: int
    target: int
    width: float = 0.0
    height: float = 0.0


@attrs.frozen
class Placed:
    """The outcome: a place for every box, the chain of places of every link from its source on, tops and bottoms."""

    boxes: list[Place]
    chains: list[list[Place]]
    labels: list[Place | None]
    tops: list[float]
    bottoms: list[float]
    width: float


def place(sizes: Sequence[tuple[float, float]], links: Sequence[Link], gap_y: float) -> Placed:
    """Place boxes of given (width, height), numbered so that most ways lead from lower to higher numbers.

    Boxes lie in even layers, what is written at ways in the odd ones between. A link from a box to itself is left out:
    its chain is empty.
    """
    boxes = [Place(width, height) for width, height in sizes]
    _rank(boxes, links)
    layers: list[list[Place]] = [[] for _ in range(max(box.layer for box in boxes) + 1)]
    for box in boxes:
        layers[box.layer].append(box)
    chains, labels = [], []
    for link in links:
        chain, label = _chain(boxes[link.source], boxes[link.target], link, layers)
        chains.append(chain)
        labels.append(label)
    _order(layers)
    _spread(layers)
    left = min(one.x - one.width / 2 for layer in layers for one in layer)
    for layer in layers:
        for one in layer:
            one.x -= left
    width = max(one.x + one.width / 2 for layer in layers for one in layer)
    tops, bottoms = _heights(layers, gap_y)
    return Placed(boxes, chains, labels, tops, bottoms, width)


def _rank(boxes: Sequence[Place], links: Sequence[Link]) -> None:
    for number, box in enumerate(boxes):
        for link in sorted(links, key=lambda link: link.source):
            if link.source == number and link.target > number:
                boxes[link.target].layer = max(boxes[link.target].layer, box.layer + 2)


def _chain(source: Place, target: Place, link: Link, layers: list[list[Place]]) -> tuple[list[Place], Place | None]:
    """Return the places that a way goes through, its ends included, and the one where its text stands."""
    if source is target:
        return [], None
    down = target.layer > source.layer
    upper, lower = (source, target) if down else (target, source)
    if upper.layer == lower.layer:  # neither above the other: led through the layer below
        return _beside(source, target, link, layers)
    between = []
    for layer in range(upper.layer + 1, lower.layer):
        between.append(Place(2.0, 0.0, layer, passes=True))
        layers[layer].append(between[-1])
    label = between[0 if down else -1]
    label.width, label.height = max(2.0, link.width), link.height
    chain = [upper, *between, lower]
    for one, other in itertools.pairwise(chain):
        one.below.append(other)
        other.above.append(one)
    return (chain if down else chain[::-1]), label


def _beside(source: Place, target: Place, link: Link, layers: list[list[Place]]) -> tuple[list[Place], Place | None]:
    layer = source.layer + 1
    if layer >= len(layers):
        layers.append([])
    label = Place(max(2.0, link.width), link.height, layer, passes=True)
    layers[layer].append(label)
    for one in (source, target):
        one.below.append(label)
        label.above.append(one)
    return [source, label, target], label


def _order(layers: list[list[Place]]) -> None:
    """Swap neighbours' places by the middle of what they are tied to, and keep the order with the fewest crossings."""
    best, fewest = [list(layer) for layer in layers], _crossings(layers)
    for sweep in range(SWEEPS):
        downwards = sweep % 2 == 0
        for layer in layers if downwards else layers[::-1]:
            spots = {id(one): i for other in layers for i, one in enumerate(other)}
            ranks = {id(one): _middle(one.above if downwards else one.below, spots, spots[id(one)]) for one in layer}
            layer.sort(key=lambda one: ranks[id(one)])
        now = _crossings(layers)
        if now < fewest:
            best, fewest = [list(layer) for layer in layers], now
    for layer, kept in zip(layers, best, strict=True):
        layer[:] = kept


def _middle(others: Sequence[Place], spots: dict[int, int], here: int) -> float:
    return sum(spots[id(one)] for one in others) / len(others) if others else float(here)


def _crossings(layers: Sequence[Sequence[Place]]) -> int:
    total = 0
    for upper, lower in itertools.pairwise(layers):
        spots = {id(one): i for i, one in enumerate(lower)}
        ends = [
            spots[id(other)]
            for one in upper
            for other in sorted(one.below, key=lambda o: spots.get(id(o), -1))
            if id(other) in spots
        ]
        total += sum(later < end for i, end in enumerate(ends) for later in ends[i + 1 :])
    return total


def _spread(layers: Sequence[Sequence[Place]]) -> None:
    """Move everything near its neighbours above and below, in turn."""
    for layer in layers:
        for one, x in zip(layer, apart([0.0] * len(layer), _distances(layer)), strict=True):
            one.x = x
    for sweep in range(2 * SWEEPS):
        for layer in layers if sweep % 2 == 0 else layers[::-1]:
            wanted = [_wanted(one, sweep % 2 == 0) for one in layer]
            weights = [4.0 if one.passes else 1.0 for one in layer]
            for one, x in zip(layer, apart(wanted, _distances(layer), weights), strict=True):
                one.x = x


def _wanted(one: Place, downwards: bool) -> float:
    others = (one.above if downwards else one.below) or one.above or one.below
    return sum(other.x for other in others) / len(others) if others else one.x


def _distances(layer: Sequence[Place]) -> list[float]:
    return [(one.width + other.width) / 2 + GAP for one, other in itertools.pairwise(layer)]


def apart(wanted: Sequence[float], distances: Sequence[float], weights: Sequence[float] | None = None) -> list[float]:
    """Return positions as near as can be to those wanted (least squares), each so far beyond the one before.

    By pooling neighbours that would come too near (isotonic regression).
    """
    weights = weights or [1.0] * len(wanted)
    shifts, total = [0.0], 0.0
    for distance in distances:
        total += distance
        shifts.append(total)
    pools: list[list[float]] = []  # weight, mean, count
    for want, weight, shift in zip(wanted, weights, shifts, strict=False):
        pools.append([weight, want - shift, 1.0])
        while len(pools) > 1 and pools[-2][1] > pools[-1][1]:
            weight_2, mean_2, count_2 = pools.pop()
            weight_1, mean_1, count_1 = pools[-1]
            both = weight_1 + weight_2
            pools[-1] = [both, (weight_1 * mean_1 + weight_2 * mean_2) / both, count_1 + count_2]
    means = [mean for _, mean, count in pools for _ in range(int(count))]
    return [mean + shift for mean, shift in zip(means, shifts, strict=False)]


def _heights(layers: Sequence[Sequence[Place]], gap_y: float) -> tuple[list[float], list[float]]:
    """Return the top and the bottom of every layer."""
    tops, bottoms, y = [], [], 0.0
    for layer in layers:
        height = max((one.height for one in layer), default=0.0)
        tops.append(y)
        bottoms.append(y + height)
        y += height + gap_y
    return tops, bottoms
