"""From stretches to what a pen draws: strokes of straights, arcs and turns, and where exactly they then run.

Rules: each piece is aimed from where the pen really is after rounding, so errors do not add up along a stroke. A gap or
a branch begins a new stroke. Where the line was not seen it is drawn as a smooth curve from end to end.
"""

import math
from itertools import pairwise

import numpy as np
from attrs import define, field

from drivers.fake.reconstruct.fitting import SPACING_M, Fit, curve, end_direction, even, fit
from drivers.fake.reconstruct.route import Stretch, Way
from drivers.fake.reconstruct.tracking import Array

STRAIGHT_AT_GAP_M = 0.060
STRAIGHT_AT_CORNER_M = 0.035
NO_TURN_DEG = 0.15
MOST_TURN_DEG = 134.0


@define
class Pen:
    """A pen that writes moves as the course's format wants them, and keeps the points that it draws."""

    x: float
    y: float
    heading: float
    moves: list[str] = field(factory=list)
    points: list[tuple[float, float]] = field(factory=list)
    start: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def __attrs_post_init__(self) -> None:
        """Round where it is put down."""
        self.x, self.y = round(self.x, 4), round(self.y, 4)
        self.heading = math.radians(round(math.degrees(self.heading), 2))
        self.start = self.x, self.y, self.heading
        self.points.append((self.x, self.y))

    @property
    def length_m(self) -> float:
        """How much was drawn."""
        return float(np.hypot(*np.diff(np.array(self.points), axis=0).T).sum())

    def draw(self, piece: Fit) -> None:
        """Draw a piece to its end."""
        chord, way = math.hypot(piece.bx - self.x, piece.by - self.y), math.atan2(piece.by - self.y, piece.bx - self.x)
        if chord < 0.001:
            return
        if abs(piece.sweep) < math.radians(1.0):
            self._turn(way)
            self._straight(chord)
        else:
            self._turn(way - 0.5 * piece.sweep)
            self._arc(piece.sweep, abs(0.5 * chord / math.sin(0.5 * piece.sweep)))

    def _turn(self, heading: float) -> None:
        turn = math.degrees(math.remainder(heading - self.heading, math.tau))
        turn = round(max(-MOST_TURN_DEG, min(MOST_TURN_DEG, turn)), 2)
        if abs(turn) >= NO_TURN_DEG and self.moves:
            self.moves.append(f"turn_deg = {turn}")
            self.heading += math.radians(turn)
        elif not self.moves:
            self.heading = math.radians(round(math.degrees(heading), 2))
            self.start = self.x, self.y, self.heading

    def _straight(self, length_m: float) -> None:
        length_m = round(length_m, 4)
        self.moves.append(f"straight_mm = {1000 * length_m:.1f}")
        steps = max(1, math.ceil(length_m / SPACING_M))
        x, y = self.x, self.y
        for i in range(1, steps + 1):
            along = length_m * i / steps
            self.points.append((x + along * math.cos(self.heading), y + along * math.sin(self.heading)))
        self.x, self.y = self.points[-1]

    def _arc(self, sweep: float, radius_m: float) -> None:
        sweep, radius_m = math.radians(round(math.degrees(sweep), 2)), round(max(0.05, min(20.0, radius_m)), 4)
        self.moves.append(f"arc_deg = {math.degrees(sweep):.2f}, radius_mm = {1000 * radius_m:.1f}")
        left = math.copysign(1.0, sweep)
        cx, cy = self.x - left * radius_m * math.sin(self.heading), self.y + left * radius_m * math.cos(self.heading)
        steps = max(2, math.ceil(abs(sweep) * radius_m / SPACING_M))
        for i in range(1, steps + 1):
            angle = self.heading - left * math.pi / 2 + sweep * i / steps
            self.points.append((cx + radius_m * math.cos(angle), cy + radius_m * math.sin(angle)))
        self.x, self.y = self.points[-1]
        self.heading += sweep


@define
class Stroke:
    """One stroke: chains of points, with a corner wherever one follows another."""

    chains: list[Array]


def strokes_of(way: Way) -> list[Stroke]:
    """Return the strokes to draw, in the order of the route."""
    strokes: list[Stroke] = []
    before: Stretch | None = None
    for stretch in way.stretches:
        points = stretch.points
        if before is None or stretch.join in ("gap", "branch"):
            lead = [np.array([stretch.meet])] if stretch.join == "branch" and stretch.meet else []
            strokes.append(Stroke([np.concatenate([*lead, points])]))
        elif stretch.join == "corner" and stretch.meet is not None:
            _cut(strokes[-1], stretch.meet, stretch.into)
            strokes[-1].chains.append(_from(stretch.meet, points))
        else:
            strokes[-1].chains[-1] = _bridged(strokes[-1].chains[-1], points)
        before = stretch
    return strokes


def _cut(stroke: Stroke, meet: tuple[float, float], into: float | None) -> None:
    """Let the last chain end in a corner, straight: what lies beyond it goes, and what a marker or an arm spoilt.

    `into` is the direction in which it must end; None for as it comes.
    """
    chain = stroke.chains[-1]
    heading = end_direction(chain, True, 0.05)[2] if into is None else into
    along = (chain[:, 0] - meet[0]) * math.cos(heading) + (chain[:, 1] - meet[1]) * math.sin(heading)
    tail = np.arange(len(chain)) >= len(chain) - 30
    kept = chain[~((along > -STRAIGHT_AT_CORNER_M) & tail)]
    kept = kept if len(kept) else chain[:1]
    c, s = STRAIGHT_AT_CORNER_M * math.cos(heading), STRAIGHT_AT_CORNER_M * math.sin(heading)
    straight = [meet] if into is None else [(meet[0] - c, meet[1] - s), meet]
    stroke.chains[-1] = np.concatenate([kept, straight])


def _from(meet: tuple[float, float], points: Array) -> Array:
    _, _, heading = end_direction(points, False, 0.05)
    along = (points[:, 0] - meet[0]) * math.cos(heading) + (points[:, 1] - meet[1]) * math.sin(heading)
    head = np.arange(len(points)) < 30
    kept = points[~((along < 0.01) & head)]
    return np.concatenate([[meet], kept if len(kept) else points[-1:]])


def _bridged(before: Array, after: Array) -> Array:
    """Return both chains as one: what overlaps goes, what lacks is a curve with both ends' directions."""
    ax, ay, a = end_direction(before, True, 0.05)
    along = (after[:, 0] - ax) * math.cos(a) + (after[:, 1] - ay) * math.sin(a)
    left = (after[:, 1] - ay) * math.cos(a) - (after[:, 0] - ax) * math.sin(a)
    overlap = (along < 0.012) & (along > -0.2) & (np.abs(left) < 0.03) & (np.arange(len(after)) < 40)
    rest = after[~overlap]
    if len(rest) < 4:
        return before
    bx, by, b = end_direction(rest, False, 0.05)
    return np.concatenate([before, curve((ax, ay, a), (bx, by, b))[1:-1], rest])


def drawn(strokes: list[Stroke], joins: list[Stretch]) -> list[Pen]:
    """Let a pen draw each stroke.

    Where a gap is before or after a stroke it is straight there; a branch begins just on what is drawn already, and
    its stretch is told where that is.

    Args:
        strokes: to draw.
        joins: the stretch that each stroke but the first begins with.

    """
    gaps = [False, *(stretch.join == "gap" for stretch in joins), False]
    pens: list[Pen] = []
    for i, stroke in enumerate(strokes):
        if i and joins[i - 1].join == "branch" and joins[i - 1].meet is not None:
            known = np.array([point for pen in pens for point in pen.points])
            first = stroke.chains[0][0]
            near = known[np.hypot(*(known - first).T).argmin()]
            stroke.chains[0] = np.concatenate([[near], stroke.chains[0][1:]])
            joins[i - 1].meet = float(near[0]), float(near[1])
        pens.append(_draw(stroke, gaps[i], gaps[i + 1]))
    return pens


def _draw(stroke: Stroke, gap_before: bool, gap_after: bool) -> Pen:
    pieces: list[Fit] = []
    for i, chain in enumerate(stroke.chains):
        points = even(chain)
        straight = round(STRAIGHT_AT_GAP_M / SPACING_M)
        head = straight if gap_before and i == 0 and len(points) > 2 * straight else 0
        tail = straight if gap_after and i == len(stroke.chains) - 1 and len(points) > 2 * straight else 0
        cuts = [0, *([head] if head else []), *([len(points) - 1 - tail] if tail else []), len(points) - 1]
        for low, high in pairwise(cuts):
            forced = (head and high == head) or (tail and low == len(points) - 1 - tail)
            pieces += [_chord(points[low], points[high])] if forced else fit(points[low : high + 1])
    pen = Pen(pieces[0].ax, pieces[0].ay, pieces[0].begins)
    for piece in pieces:
        pen.draw(piece)
    return pen


def _chord(a: Array, b: Array) -> Fit:
    heading = math.atan2(b[1] - a[1], b[0] - a[0])
    return Fit(float(a[0]), float(a[1]), float(b[0]), float(b[1]), heading, heading, 0.0, 0.0)
