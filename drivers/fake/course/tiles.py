"""Tiles: squares of 300 mm, each a short list of moves from the middle of one edge.

Rules: a tile is nothing but moves, so that whatever holds for lines holds for tiles. `KINDS` is the whole vocabulary.
"""

import math
from collections.abc import Callable, Mapping
from typing import Any, TypeAlias

from drivers.fake.course.geometry import ahead
from drivers.fake.course.path import Drawing, Pen, draw
from robotcore.checking import Table

TILE_MM = 300.0
FACINGS = {"east": 0.0, "north": math.pi / 2, "west": math.pi, "south": -math.pi / 2}

Moves: TypeAlias = list[Mapping[str, Any]]


def _sign(table: Table) -> int:
    return 1 if table.choice("turn", ("left", "right")) == "left" else -1


def _straight(_: Table) -> Moves:
    return [{"straight_mm": TILE_MM}]


def _curve(table: Table) -> Moves:
    return [{"arc_deg": 90.0 * _sign(table), "radius_mm": TILE_MM / 2}]


def _tight(table: Table) -> Moves:
    return [{"straight_mm": 50.0}, {"arc_deg": 90.0 * _sign(table), "radius_mm": 100.0}, {"straight_mm": 50.0}]


def _corner(table: Table) -> Moves:
    return [{"straight_mm": 150.0}, {"turn_deg": 90.0 * _sign(table)}, {"straight_mm": 150.0}]


def _gap(table: Table) -> Moves:
    gap = table.number("gap_mm", 150.0, low=10.0, high=200.0)
    rest = (TILE_MM - gap) / 2
    return [{"straight_mm": rest}, {"gap_mm": gap}, {"straight_mm": rest}]


def _zigzag(table: Table) -> Moves:
    return [
        {
            "zigzag": table.integer("teeth", 2, low=1, high=4),
            "length_mm": TILE_MM,
            "reach_mm": table.number("reach_mm", 40.0, low=5.0, high=80.0),
            "first": table.choice("first", ("left", "right"), "left"),
        }
    ]


def _wave(table: Table) -> Moves:
    bend = math.degrees(math.asin(TILE_MM / 4 / 100.0))
    side = 1 if table.choice("first", ("left", "right"), "left") == "left" else -1
    return [{"arc_deg": side * turn * bend, "radius_mm": 100.0} for turn in (1, -2, 1)]


def _bump(table: Table) -> Moves:
    words = {"height_mm": 10.0, "width_mm": 40.0, "across_mm": 200.0, "skew_deg": 0.0}
    bump = {word: table.data[word] for word in words if table.has(word)}
    return [{"straight_mm": 150.0}, {"bump": bump}, {"straight_mm": 150.0}]


def _obstacle(table: Table) -> Moves:
    obstacle = table.data["obstacle"] if table.has("obstacle") else {"shape": "box", "size_mm": [80.0, 120.0]}
    return [{"straight_mm": 150.0}, {"obstacle": obstacle}, {"straight_mm": 150.0}]


def _junction(arms: list[str]) -> Callable[[Table], Moves]:
    def moves(table: Table) -> Moves:
        dead = table.data["dead"] if table.has("dead") else []
        if not isinstance(dead, list) or any(arm not in arms for arm in dead):
            table.fault("dead", f"is {dead!r}; list arms of this tile that end early: some of {', '.join(arms)}")
            dead = []
        stubs = [100.0 if arm in dead else 150.0 for arm in arms]
        junction: dict[str, Any] = {"junction": arms, "go": "end", "stub_mm": stubs}
        for word in ("marker", "after", "size_mm"):
            if table.has(word):
                junction[word] = table.data[word]
        return [{"straight_mm": 150.0}, junction]

    return moves


def _finish(_: Table) -> Moves:
    return [{"straight_mm": 200.0}, {"strip": "red"}, {"straight_mm": 20.0}]


KINDS: dict[str, Callable[[Table], Moves]] = {
    "straight": _straight,
    "curve": _curve,
    "tight": _tight,
    "corner": _corner,
    "gap": _gap,
    "zigzag": _zigzag,
    "wave": _wave,
    "bump": _bump,
    "obstacle": _obstacle,
    "cross": _junction(["left", "ahead", "right"]),
    "tee": _junction(["left", "right"]),
    "fork_left": _junction(["left", "ahead"]),
    "fork_right": _junction(["ahead", "right"]),
    "finish": _finish,
}


def draw_tiles(tables: list[Table], drawing: Drawing) -> None:
    """Draw every tile; note faults where two lie on the same square."""
    taken: dict[tuple[float, ...], str] = {}
    for table in tables:
        at = table.numbers("at", count=2, low=0.0, high=60.0)
        kind = table.choice("kind", tuple(KINDS))
        heading = FACINGS[table.choice("facing", tuple(FACINGS), "east")]
        if any(value != int(value) for value in at):
            table.fault("at", f"is {list(at)}; give whole numbers [column, row], counted from 0 at the lower left")
        if at in taken:
            table.fault("at", f"is the square of {taken[at]} too; give each tile its own")
        taken[at] = table.place
        middle = (at[0] + 0.5) * TILE_MM / 1000, (at[1] + 0.5) * TILE_MM / 1000
        pen = Pen(drawing, *ahead(*middle, heading, -TILE_MM / 2000), heading, table.place)
        moves = KINDS[kind](table)
        table.close()
        draw(pen, [Table(move, table.checker, table.place) for move in moves])
