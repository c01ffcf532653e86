"""From moves to line: a pen that walks over the board and leaves line pieces and things behind.

Rules: one move, one thing; every number is read through `Table`, so a faulty move is noted and the pen goes on.
The table `MOVES` at the end is the whole vocabulary; FORMAT.md describes each word.
"""

import math
from collections.abc import Callable

from attrs import define, field

from drivers.fake.course.geometry import ahead, wrap
from drivers.fake.course.shapes import Arc, Bump, Marker, Piece, Pose, Ramp, Segment, Solid, Strip, Stroke
from drivers.fake.course.things import read_bump, read_ramp, read_solid, read_strip
from robotcore.checking import Table

ARMS = {"left": math.pi / 2, "right": -math.pi / 2, "ahead": 0.0}
SIDES = ("left", "right", "both", "none")
GO_BY_MARKER = {"left": "left", "right": "right", "none": "ahead"}


@define
class Drawing:
    """Everything drawn so far, in the order of the text."""

    line_width_m: float
    strokes: list[Stroke] = field(factory=list)
    markers: list[Marker] = field(factory=list)
    strips: list[Strip] = field(factory=list)
    bumps: list[Bump] = field(factory=list)
    ramps: list[Ramp] = field(factory=list)
    obstacles: list[Solid] = field(factory=list)
    places: dict[str, Pose] = field(factory=dict)


@define
class Pen:
    """A pen at (x, y) that looks along `heading` and draws into `drawing`; `ended` once nothing may follow."""

    drawing: Drawing
    x: float
    y: float
    heading: float
    source: str
    pieces: list[Piece] = field(factory=list)
    ended: bool = False

    def forward(self, metres: float) -> None:
        """Draw straight on."""
        x, y = ahead(self.x, self.y, self.heading, metres)
        self.pieces.append(Segment(self.x, self.y, x, y))
        self.x, self.y = x, y

    def arc(self, sweep: float, radius: float) -> None:
        """Draw an arc: to the left where `sweep` (rad) is positive. Split in quarters, for the painter's sake."""
        count = max(1, math.ceil(abs(sweep) / (math.pi / 2) - 1e-9))
        left = math.copysign(1.0, sweep)
        cx, cy = ahead(self.x, self.y, self.heading, 0.0, left * radius)
        start = self.heading - left * math.pi / 2
        for i in range(count):
            self.pieces.append(Arc(cx, cy, radius, start + i * sweep / count, sweep / count))
        self.x, self.y = cx + radius * math.cos(start + sweep), cy + radius * math.sin(start + sweep)
        self.heading = wrap(self.heading + sweep)

    def lift(self) -> None:
        """End the stroke."""
        if self.pieces:
            self.drawing.strokes.append(Stroke(tuple(self.pieces), self.source))
            self.pieces = []

    def stub(self, turn: float, metres: float) -> None:
        """Draw a short branch that leaves here under `turn` (rad), and stay where the pen is."""
        x, y = ahead(self.x, self.y, self.heading + turn, metres)
        self.drawing.strokes.append(Stroke((Segment(self.x, self.y, x, y),), self.source))

    def marker(self, along: int, left: int, size_m: float) -> None:
        """Put a green square into the corner before (-1) or after (1), left (1) or right (-1) of this spot."""
        reach = (self.drawing.line_width_m + size_m) / 2
        x, y = ahead(self.x, self.y, self.heading, along * reach, left * reach)
        self.drawing.markers.append(Marker(x, y, self.heading, size_m, self.source))


def _straight(pen: Pen, move: Table) -> None:
    pen.forward(move.number("straight_mm", low=1.0, high=20000.0) / 1000)


def _arc(pen: Pen, move: Table) -> None:
    sweep = move.number("arc_deg", low=-720.0, high=720.0)
    radius = move.number("radius_mm", low=50.0, high=20000.0)
    if abs(sweep) < 1.0:
        move.fault("arc_deg", f"is {sweep:g}; give at least 1 degree, to the left where positive")
        return
    pen.arc(math.radians(sweep), radius / 1000)


def _turn(pen: Pen, move: Table) -> None:
    pen.heading = wrap(pen.heading + math.radians(move.number("turn_deg", low=-135.0, high=135.0)))


def _gap(pen: Pen, move: Table) -> None:
    pen.lift()
    pen.x, pen.y = ahead(pen.x, pen.y, pen.heading, move.number("gap_mm", low=10.0, high=200.0) / 1000)


def _zigzag(pen: Pen, move: Table) -> None:
    teeth = move.integer("zigzag", low=1, high=20)
    length = move.number("length_mm", low=60.0, high=5000.0) / 1000
    reach = move.number("reach_mm", low=5.0, high=500.0) / 1000
    if math.atan2(2 * reach * teeth, length) > math.radians(67.5):
        move.fault("reach_mm", "makes corners over 135 degrees; take fewer teeth, less reach or more length")
    base = Pose(pen.x, pen.y, pen.heading)
    side = 1 if move.choice("first", ("left", "right"), "left") == "left" else -1
    corners = [(length * (i + 0.5) / teeth, side * reach * (-1) ** i) for i in range(teeth)]
    for along, left in [*corners, (length, 0.0)]:
        x, y = ahead(base.x, base.y, base.heading, along, left)
        pen.pieces.append(Segment(pen.x, pen.y, x, y))
        pen.x, pen.y = x, y


def _junction(pen: Pen, move: Table) -> None:
    arms = _arms(move)
    marker = move.choice("marker", SIDES, "none")
    after = move.choice("after", SIDES, "none")
    size = move.number("size_mm", 25.0, low=10.0, high=60.0) / 1000
    stubs = _stubs(move, len(arms))
    for along, sides in ((-1, marker), (1, after)):
        for left, name in ((1, "left"), (-1, "right")):
            if sides in (name, "both"):
                pen.marker(along, left, size)
    go = move.choice("go", (*ARMS, "end"), GO_BY_MARKER.get(marker, "end"))
    if go not in (*arms, "end"):
        move.fault("junction", f'has no arm {go!r}, yet the line goes on there; add it, or say go = "end"')
    for arm, stub in zip(arms, stubs, strict=True):
        if arm != go and stub > 0.0:
            pen.stub(ARMS[arm], stub)
    pen.lift()  # no mitre: the arms fill the corner
    if go == "end":
        pen.ended = True
    elif go != "ahead":
        pen.heading = wrap(pen.heading + ARMS[go])


def _arms(move: Table) -> list[str]:
    arms = move.data["junction"]
    words = isinstance(arms, list) and arms and all(isinstance(arm, str) and arm in ARMS for arm in arms)
    if not words or len(set(arms)) < len(arms):
        move.fault("junction", f'is {arms!r}; list the arms that leave: some of "left", "right", "ahead"')
        return ["ahead"]
    return list(arms)


def _stubs(move: Table, count: int) -> tuple[float, ...]:
    """Return the length of each arm's stub (m): one number for all, or one for each."""
    if isinstance(move.data.get("stub_mm"), list):
        return tuple(stub / 1000 for stub in move.numbers("stub_mm", count=count, low=0.0, high=2000.0))
    return (move.number("stub_mm", 100.0, low=0.0, high=2000.0) / 1000,) * count


def _place(pen: Pen, move: Table) -> None:
    name = move.text("place")
    if name in pen.drawing.places:
        move.fault("place", f"is {name!r} for the second time; give each place its own name")
    pen.drawing.places[name] = Pose(pen.x, pen.y, pen.heading)


def _bump(pen: Pen, move: Table) -> None:
    pen.drawing.bumps.append(read_bump(move.table("bump"), Pose(pen.x, pen.y, pen.heading)))


def _ramp(pen: Pen, move: Table) -> None:
    ramp = read_ramp(move.table("ramp"), Pose(pen.x, pen.y, pen.heading))
    pen.drawing.ramps.append(ramp)
    pen.forward(sum(plate.length_m for plate in ramp.plates))


def _obstacle(pen: Pen, move: Table) -> None:
    pen.drawing.obstacles.append(read_solid(move.table("obstacle"), Pose(pen.x, pen.y, pen.heading)))


def _strip(pen: Pen, move: Table) -> None:
    pen.drawing.strips.append(read_strip(move, Pose(pen.x, pen.y, pen.heading), "strip"))


MOVES: dict[str, Callable[[Pen, Table], None]] = {
    "straight_mm": _straight,
    "arc_deg": _arc,
    "turn_deg": _turn,
    "gap_mm": _gap,
    "zigzag": _zigzag,
    "junction": _junction,
    "place": _place,
    "bump": _bump,
    "ramp": _ramp,
    "obstacle": _obstacle,
    "strip": _strip,
}


def draw(pen: Pen, moves: list[Table]) -> None:
    """Make every move; note faults where a move is none of `MOVES`, or more than one."""
    for move in moves:
        words = [word for word in MOVES if word in move.data]
        if len(words) != 1:
            said = " and ".join(words) if words else "none"
            move.checker.fault(move.place, f"must hold exactly one of {', '.join(MOVES)}; it holds {said}")
            continue
        if pen.ended:
            move.checker.fault(move.place, "follows a junction at which this line ends; start another [[line]]")
            return
        move.has(words[0])
        MOVES[words[0]](pen, move)
        move.close()
    pen.lift()
