"""The net of lines: where line pieces meet, and which way leads on from there.

Rules: whatever is drawn is what counts, not how it was written: two lines that cross make a crossing, and a line that
ends on another makes a tee. Nodes and edges are numbered in the order of the text, so the net never depends on chance.
"""

import math
from collections.abc import Sequence
from itertools import pairwise

from attrs import define, field, frozen

from drivers.fake.course.geometry import Point, Polyline, bounds, crossing
from drivers.fake.course.shapes import Stroke

TOUCH_M = 0.002
"""Ends nearer than this are the same place."""

_LOOK_M = 0.012
"""How far along an edge its direction at a node is taken, so that rounding at the node does not count."""


@frozen
class Arm:
    """An edge as seen from one of its nodes: walked `forward` from first to last point, or backward."""

    edge: int
    forward: bool


@define
class Node:
    """A place where edges meet, with the arms that leave it."""

    x: float
    y: float
    arms: list[Arm] = field(factory=list)


@frozen
class Edge:
    """A stretch of line between the nodes `first` and `last`."""

    line: Polyline
    back: Polyline
    first: int
    last: int
    source: str


class Net:
    """Nodes and edges of everything painted.

    Args:
        strokes: the painted line.
    """

    def __init__(self, strokes: Sequence[Stroke]) -> None:
        self.nodes: list[Node] = []
        self.edges: list[Edge] = []
        self._cells: dict[tuple[int, int], list[int]] = {}
        chains = [(Polyline(piece.points()), stroke.source) for stroke in strokes for piece in stroke.pieces]
        cuts = _cuts([chain for chain, _ in chains])
        for (chain, source), places in zip(chains, cuts, strict=True):
            self._add(chain, places, source)

    def walk(self, arm: Arm) -> Polyline:
        """Return the arm's edge, from the node that it leaves."""
        edge = self.edges[arm.edge]
        return edge.line if arm.forward else edge.back

    def end(self, arm: Arm) -> int:
        """Return the node that the arm leads to."""
        edge = self.edges[arm.edge]
        return edge.last if arm.forward else edge.first

    def leaving(self, arm: Arm) -> float:
        """Return the direction (rad) in which the arm leaves its node."""
        line = self.walk(arm)
        (ax, ay), (bx, by) = line.points[0], line.at(_LOOK_M)
        return math.atan2(by - ay, bx - ax)

    def _node(self, point: Point) -> int:
        cell = round(point[0] / TOUCH_M), round(point[1] / TOUCH_M)
        near = [(cell[0] + i, cell[1] + j) for i in (-1, 0, 1) for j in (-1, 0, 1)]
        for index in sorted(index for key in near for index in self._cells.get(key, ())):
            node = self.nodes[index]
            if math.hypot(node.x - point[0], node.y - point[1]) <= TOUCH_M:
                return index
        self.nodes.append(Node(*point))
        self._cells.setdefault(cell, []).append(len(self.nodes) - 1)
        return len(self.nodes) - 1

    def _add(self, chain: Polyline, places: list[float], source: str) -> None:
        stops = [(s, self._node(chain.at(s))) for s in sorted([0.0, *places, chain.length])]
        for (s0, first), (s1, last) in pairwise(stops):
            if first == last and s1 - s0 < 3 * TOUCH_M:
                continue
            inner = [point for point, s in zip(chain.points, chain.s, strict=True) if s0 < s < s1]
            line = Polyline([chain.at(s0), *inner, chain.at(s1)])
            if not self._known(line, first, last):
                self.nodes[first].arms.append(Arm(len(self.edges), True))
                self.nodes[last].arms.append(Arm(len(self.edges), False))
                self.edges.append(Edge(line, line.reversed(), first, last, source))

    def _known(self, line: Polyline, first: int, last: int) -> bool:
        """Tell whether the same stretch was painted before: a branch and the line that takes it up."""
        middle = line.at(line.length / 2)
        return any(
            {edge.first, edge.last} == {first, last} and edge.line.nearest(*middle)[1] <= TOUCH_M
            for edge in (self.edges[arm.edge] for arm in self.nodes[first].arms)
        )


def _cuts(chains: Sequence[Polyline]) -> list[list[float]]:
    """Return, for each chain, the arc lengths at which another one touches or crosses it."""
    cuts: list[list[float]] = [[] for _ in chains]
    boxes = [bounds(chain.points) for chain in chains]
    for i, box in enumerate(boxes):
        for j in range(i):
            other = boxes[j]
            if (
                box[0] <= other[2] + TOUCH_M
                and other[0] <= box[2] + TOUCH_M
                and box[1] <= other[3] + TOUCH_M
                and other[1] <= box[3] + TOUCH_M
            ):
                for point in _meetings(chains[i], chains[j]):
                    cuts[i].append(chains[i].nearest(*point)[0])
                    cuts[j].append(chains[j].nearest(*point)[0])
    return cuts


def _meetings(one: Polyline, two: Polyline) -> list[Point]:
    found = []
    for here, there in ((one, two), (two, one)):
        found += [end for end in (here.points[0], here.points[-1]) if there.nearest(*end)[1] <= TOUCH_M]
    for a, b in pairwise(one.points):
        for c, d in pairwise(two.points):
            point = crossing(a, b, c, d)
            if point is not None and all(math.dist(point, known) > TOUCH_M for known in found):
                found.append(point)
    return found
