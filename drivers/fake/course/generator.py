"""Random courses on tiles, for runs on courses that nobody tuned for.

Rules: all draws come from one generator seeded by (seed, difficulty); the result is TOML text that goes through the
same reader as any course. The line never comes nearer to itself than tiles allow, but where it crosses itself; cells
beside an obstacle stay free, so that it can be passed on either side.
"""

import math
import random
from collections.abc import Iterator
from typing import TypeAlias

from attrs import define, field, frozen

from drivers.fake.course.course import Course
from drivers.fake.course.format import parse_course

Cell: TypeAlias = tuple[int, int]
Words: TypeAlias = dict[str, object]

_FACINGS = ("east", "north", "west", "south")
_STEPS = ((1, 0), (0, 1), (-1, 0), (0, -1))
_TURNS = {"ahead": 0, "left": 1, "right": -1}
_ATTEMPTS = 40


@frozen
class Option:
    """One way to go on: tiles one after another straight ahead, then out to `out`.

    `needs` is the difficulty from which it is used, `weight` how often; `roomy` keeps both sides of the tiles free.
    """

    name: str
    tiles: tuple[str, ...]
    out: str
    weight: float
    needs: float = 0.0
    roomy: bool = False


_OPTIONS = (
    Option("straight", ("straight",), "ahead", 1.0),
    *(
        Option(kind, (kind,), out, weight, needs)
        for out in ("left", "right")
        for kind, weight, needs in (("curve", 2.0, 0.0), ("corner", 1.0, 0.1), ("tight", 1.0, 0.4))
    ),
    Option("gap", ("gap",), "ahead", 1.5),
    Option("bump", ("bump",), "ahead", 1.5, 0.2),
    Option("zigzag", ("zigzag",), "ahead", 1.5, 0.4),
    Option("wave", ("wave",), "ahead", 1.5, 0.3),
    Option("ramp", ("straight",) * 3, "ahead", 3.0, 0.3),
    Option("obstacle", ("straight", "obstacle", "straight"), "ahead", 15.0, 0.3, roomy=True),
    *(Option("marked", ("junction",), out, 3.0 if out == "ahead" else 2.0, 0.2) for out in _TURNS),
    *(Option("there and back", ("junction", "tee"), out, 2.0, 0.5) for out in ("left", "right")),
    Option("over itself", (), "ahead", 6.0, 0.2),
)


def random_course(seed: int, difficulty: float = 0.5) -> Course:
    """Return the random course of this seed; its text is in `Course.text`.

    Args:
        seed: any whole number.
        difficulty: 0 (curves and short gaps) to 1 (everything).

    Raises:
        ValueError: `difficulty` is not within 0 to 1.
    """
    return parse_course(random_text(seed, difficulty), f"random course {seed}")


def random_text(seed: int, difficulty: float = 0.5) -> str:
    """Return the TOML text of `random_course`."""
    if not 0.0 <= difficulty <= 1.0:
        raise ValueError(f"difficulty is {difficulty}; give a number from 0 to 1")
    rng = random.Random(f"course {seed} {difficulty!r}")
    best: _Walk | None = None
    for _ in range(_ATTEMPTS):
        walk = _Walk(rng, difficulty)
        walk.run()
        if best is None or len(walk.tiles) > len(best.tiles):
            best = walk
        if len(walk.tiles) > walk.wanted:
            break
    assert best is not None
    return best.text(f"random {seed}")


def walk_to_the_east(rng: random.Random, difficulty: float, lowest: int) -> tuple[list[str], int, int, int]:
    """Return a random line field that leaves its board eastward in row `lowest` or above.

    Returns:
        Its tables as TOML, that row, and the board's columns and rows of 300 mm.

    """
    while True:  # about one walk in ten gets there
        walk = _Walk(rng, difficulty)
        if walk.run_east(lowest):
            return walk.drawn(), walk.cell[1], walk.columns, walk.rows


@define
class _Walk:
    """A walk over free cells that lays tiles."""

    rng: random.Random
    difficulty: float
    columns: int = 8
    rows: int = 6
    wanted: int = 0
    tiles: dict[Cell, Words] = field(factory=dict)
    kept: set[Cell] = field(factory=set)
    ramps: list[Words] = field(factory=list)
    counts: dict[str, int] = field(factory=dict)
    cell: Cell = (0, 0)
    facing: int = 0
    start: str = ""

    def run(self) -> None:
        """Lay tiles until there are enough or no way is left, then the finish."""
        self._begin()
        while len(self.tiles) < self.wanted and self._go_on():
            pass
        self._lay({"kind": "finish"})

    def _begin(self) -> None:
        self.wanted = 9 + round(9 * self.difficulty)
        self.cell = self.rng.randrange(self.columns), self.rng.randrange(self.rows)
        ways = [way for way in range(4) if self._free(self._ahead(self.cell, way))]
        self.facing = self.rng.choice(ways)
        x, y = ((value + 0.5) * 300 for value in self.cell)
        dx, dy = _STEPS[self.facing]
        self.start = f"at_mm = [{x - 100 * dx:.0f}, {y - 100 * dy:.0f}]\nheading_deg = {90 * self.facing}"
        self._lay({"kind": "straight"})
        self.kept.add(self.cell)
        self.cell = self._ahead(self.cell, self.facing)

    def text(self, name: str) -> str:
        """Return the course as TOML."""
        parts = [
            f'# An invented course, drawn by chance; difficulty {self.difficulty:g}.\n[course]\nname = "{name}"\n'
            f"size_mm = [{self.columns * 300}, {self.rows * 300}]\nline_width_mm = {self.rng.choice((12, 15, 18))}\n",
            *self.drawn(),
        ]
        return "\n".join(parts)

    def drawn(self) -> list[str]:
        """Return start, tiles and ramps as TOML, a table a text."""
        parts = [f"[start]\n{self.start}\n"]
        for cell, words in self.tiles.items():
            parts.append(f"[[tile]]\nat = [{cell[0]}, {cell[1]}]\n{_lines(words)}")
        return parts + [f"[[ramp]]\n{_lines(words)}" for words in self.ramps]

    def run_east(self, lowest: int) -> bool:
        """Lay tiles until the way leaves the board eastward, in row `lowest` or above; tell whether it came to that."""
        self._begin()
        while len(self.tiles) < 2 * self.wanted:
            leaves = self.facing % 4 == 0 and self.cell[0] == self.columns - 1 and self.cell[1] >= lowest
            if leaves and 2 * len(self.tiles) >= self.wanted:
                self._lay({"kind": "straight"})
                return True
            if not self._go_on():
                return False
        return False

    def _ahead(self, cell: Cell, way: int, steps: int = 1) -> Cell:
        return cell[0] + steps * _STEPS[way % 4][0], cell[1] + steps * _STEPS[way % 4][1]

    def _on_board(self, cell: Cell) -> bool:
        return 0 <= cell[0] < self.columns and 0 <= cell[1] < self.rows

    def _free(self, cell: Cell) -> bool:
        return self._on_board(cell) and cell not in self.tiles and cell not in self.kept

    def _lay(self, words: Words) -> None:
        self.tiles[self.cell] = {"facing": _FACINGS[self.facing % 4], **words}

    def _go_on(self) -> bool:
        options = [option for option in _OPTIONS if option.needs <= self.difficulty and self._fits(option)]
        if not options:
            return False
        weights = [option.weight / (1.0 + 2.0 * self.counts.get(option.name, 0)) for option in options]
        option = self.rng.choices(options, weights)[0]
        self.counts[option.name] = self.counts.get(option.name, 0) + 1
        self._take(option)
        return True

    def _cells(self, option: Option) -> list[Cell]:
        return [self._ahead(self.cell, self.facing, i) for i in range(len(option.tiles))]

    def _beside(self, option: Option) -> Iterator[Cell]:
        if option.roomy:
            for cell in self._cells(option):
                yield self._ahead(cell, self.facing + 1)
                yield self._ahead(cell, self.facing - 1)

    def _exit(self, option: Option) -> Cell:
        """Return the cell on which the walk goes on after the option."""
        if option.name == "over itself":
            return self._ahead(self.cell, self.facing, 2)
        last = self.cell if option.name == "there and back" else self._cells(option)[-1]
        return self._ahead(last, self.facing + _TURNS[option.out])

    def _fits(self, option: Option) -> bool:
        """Tell whether every cell the option covers, keeps free and goes on to is free."""
        after = self._exit(option)
        cells = [*self._cells(option), *self._beside(option), after]
        if option.name == "over itself":
            crossed = self.tiles.get(self._ahead(self.cell, self.facing))
            across = (_FACINGS[(self.facing + 1) % 4], _FACINGS[(self.facing - 1) % 4])
            if crossed is None or crossed["kind"] != "straight" or crossed["facing"] not in across:
                return False
            if self._ahead(self.cell, self.facing) in self.kept:
                return False
            cells = [self.cell, after]
        return all(self._free(cell) for cell in cells)

    def _take(self, option: Option) -> None:
        after, beside = self._exit(option), list(self._beside(option))
        if option.name == "over itself":
            self._lay({"kind": "straight"})
            crossed = self._ahead(self.cell, self.facing)
            self.tiles[crossed] = {**self.tiles[crossed], "kind": "cross"}
        elif option.name == "ramp":
            self._lay_ramp()
        for i, (cell, kind) in enumerate(zip(self._cells(option), option.tiles, strict=True)):
            self.cell = cell
            self._lay(self._words(option, kind, i))
        if option.name in ("ramp", "obstacle"):
            self.kept |= {*self._cells_laid(len(option.tiles)), *beside}
        self.cell = after
        self.facing += _TURNS[option.out]

    def _cells_laid(self, count: int) -> list[Cell]:
        """Return the last `count` cells laid, in which no crossing may come."""
        return list(self.tiles)[-count:]

    def _words(self, option: Option, kind: str, index: int) -> Words:
        """Return the words of one tile, with its sizes drawn by difficulty."""
        rng, hard = self.rng, self.difficulty
        if kind in ("curve", "corner", "tight"):
            return {"kind": kind, "turn": option.out}
        if kind == "gap":
            return {"kind": kind, "gap_mm": rng.randrange(40, 101 + round(100 * hard), 10)}
        if kind == "bump":
            return {"kind": kind, "height_mm": rng.randint(4, 10), "skew_deg": rng.randint(-30, 30)}
        if kind == "zigzag":
            return {
                "kind": kind,
                "teeth": rng.randint(1, 2 + round(hard)),
                "reach_mm": rng.randrange(20, 51, 5),
                "first": rng.choice(("left", "right")),
            }
        if kind == "wave":
            return {"kind": kind, "first": rng.choice(("left", "right"))}
        if kind == "obstacle":
            return {"kind": kind, "obstacle": self._obstacle()}
        if option.name == "there and back":
            return self._there_and_back(option.out, index)
        if kind == "junction":
            return self._marked(option.out)
        return {"kind": kind}

    def _obstacle(self) -> Words:
        rng = self.rng
        shape = rng.choice(("box", "round", "prism"))
        words: Words = {
            "shape": shape,
            "colour": rng.choice(("blue", "red", "yellow", "white", "black", "brown")),
            "height_mm": rng.randrange(150, 301, 10),
        }
        if shape == "box":
            return {
                **words,
                "size_mm": [rng.randrange(50, 101, 10), rng.randrange(60, 121, 10)],
                "turn_deg": rng.choice((0, 0, 20, 45)),
            }
        words["diameter_mm"] = rng.randrange(60, 121, 10)
        return {**words, "sides": rng.randint(3, 8)} if shape == "prism" else words

    def _decoy(self) -> str:
        if self.rng.random() > 0.2 + 0.6 * self.difficulty:
            return "none"
        return self.rng.choice(("left", "right", "both"))

    def _marked(self, out: str) -> Words:
        """Return a junction whose marker leads to `out`, with dead ends where nothing leads on."""
        kinds = {
            "ahead": {"fork_left": ["left"], "fork_right": ["right"], "cross": ["left", "right"]},
            "left": {"fork_left": ["ahead"], "tee": ["right"], "cross": ["ahead", "right"]},
            "right": {"fork_right": ["ahead"], "tee": ["left"], "cross": ["left", "ahead"]},
        }[out]
        kind = self.rng.choice(list(kinds))
        marker = "none" if out == "ahead" else out
        return {"kind": kind, "marker": marker, "after": self._decoy(), "dead": kinds[kind]}

    def _there_and_back(self, out: str, index: int) -> Words:
        """Return the junction that is passed, whose decoy becomes the marker, or the one at which to turn round."""
        if index == 1:
            return {"kind": "tee", "marker": "both", "after": self._decoy(), "dead": ["left", "right"]}
        if self.rng.random() < 0.5:
            return {"kind": f"fork_{out}", "after": out, "dead": []}
        return {"kind": "cross", "after": out, "dead": ["right" if out == "left" else "left"]}

    def _lay_ramp(self) -> None:
        """Put a ramp over the next three tiles, no longer than 800 mm in plan."""
        up, down = (self.rng.randint(10, 15 + round(10 * self.difficulty)) for _ in range(2))
        rise = self.rng.randrange(30, 91, 5)
        slopes = rise / math.tan(math.radians(up)) + rise / math.tan(math.radians(down))
        while slopes > 600:
            rise, slopes = rise - 5, slopes * (rise - 5) / rise
        level = round(min(250.0, 780 - slopes))
        dx, dy = _STEPS[self.facing % 4]
        gone = 150 - (900 - slopes - level) / 2
        x, y = (self.cell[0] + 0.5) * 300 - gone * dx, (self.cell[1] + 0.5) * 300 - gone * dy
        self.ramps.append(
            {
                "at_mm": [round(x), round(y)],
                "heading_deg": 90 * (self.facing % 4),
                "up_deg": up,
                "down_deg": down,
                "rise_mm": rise,
                "level_mm": level,
                "width_mm": 280,
            }
        )


def _lines(words: Words) -> str:
    return "".join(f"{word} = {_value(value)}\n" for word, value in words.items())


def _value(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{word} = {_value(inner)}" for word, inner in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    return str(value)
