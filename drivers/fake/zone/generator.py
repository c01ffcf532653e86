"""Random zones and whole random missions, for runs on courses that nobody tuned for.

Rules: all draws come from one generator seeded by (seed, difficulty); the result is TOML text that goes through the
same reader as any course. `random-zone` is a zone with a stub of line before and behind; `random-relief` is a random
line field on tiles, a zone behind its last tile, and a short line home.
"""

import random
from typing import TypeAlias

from attrs import define

from drivers.fake.course.course import Course
from drivers.fake.course.format import parse_course
from drivers.fake.course.generator import walk_to_the_east
from drivers.fake.zone.layout import CORNERS

KINDS = ("random-zone", "random-relief")

_OUT = {"east": (1, 0, 0), "north": (0, 1, 90), "west": (-1, 0, 180), "south": (0, -1, -90)}
_MARGIN = 480  #: mm of board around a zone: room for the stubs of line
_BERTH = 300
_COLOURS = ("yellow", "orange", "blue", "brown")

Span: TypeAlias = tuple[str, int, int]  #: side, from mm, width mm


def random_zone_course(kind: str, seed: int, difficulty: float = 0.5) -> Course:
    """Return the random course of this seed: `kind` is one of `KINDS`.

    Args:
        kind: "random-zone" or "random-relief".
        seed: any whole number.
        difficulty: 0 (wide openings, few objects) to 1.

    """
    text = random_zone_text(seed, difficulty) if kind == "random-zone" else random_relief_text(seed, difficulty)
    return parse_course(text, f"{kind} {seed}")


def random_zone_text(seed: int, difficulty: float = 0.5) -> str:
    """Return the TOML text of a random zone."""
    rng = random.Random(f"zone course {seed} {difficulty!r}")
    plan = _Plan.draw(rng, difficulty, None)
    plan.left, plan.bottom = _MARGIN, _MARGIN
    size = plan.width + 2 * _MARGIN, plan.height + 2 * _MARGIN
    x, y, dx, dy, heading = plan.outside(plan.entry)
    start = f"[start]\nat_mm = [{x + 250 * dx}, {y + 250 * dy}]\nheading_deg = {_back(heading)}\n"
    line = (
        f"[[line]]\nfrom_mm = [{x + 420 * dx}, {y + 420 * dy}]\nheading_deg = {_back(heading)}\n"
        "moves = [{ straight_mm = 395 }]\n"
    )
    return "\n".join([_head(f"random zone {seed}", size, difficulty), start, line, plan.home(), plan.text()])


def random_relief_text(seed: int, difficulty: float = 0.5) -> str:
    """Return the TOML text of a random mission: line, zone, line."""
    rng = random.Random(f"relief course {seed} {difficulty!r}")
    field, row, columns, rows = walk_to_the_east(rng, difficulty, lowest=2)
    y = 300 * row + 150
    plan = _Plan.draw(rng, difficulty, "west", room=y - 40)
    plan.left, plan.bottom = 300 * columns + 100, y - plan.entry[1] - plan.entry[2] // 2
    size = plan.left + plan.width + _MARGIN, max(300 * rows, plan.bottom + plan.height + _MARGIN)
    line = f"[[line]]\nfrom_mm = [{300 * columns}, {y}]\nmoves = [{{ straight_mm = 75 }}]\n"
    return "\n".join([_head(f"random relief {seed}", size, difficulty), *field, line, plan.home(), plan.text()])


def _head(name: str, size: tuple[int, int], difficulty: float) -> str:
    return (
        f'# An invented course, drawn by chance; difficulty {difficulty:g}.\n[course]\nname = "{name}"\n'
        f"size_mm = [{size[0]}, {size[1]}]\nline_width_mm = 15\n"
    )


def _back(heading: int) -> int:
    return heading - 180 if heading > 0 else heading + 180


@define
class _Plan:
    """A zone of whole millimetres: size, place, openings, berths (corner, kinds, colour, shape, mark) and objects."""

    width: int
    height: int
    entry: Span
    exit: Span
    berths: list[tuple[str, tuple[str, ...], str, str, str]]
    objects: list[str]
    left: int = 0
    bottom: int = 0

    @staticmethod
    def draw(rng: random.Random, difficulty: float, entry: str | None, room: int | None = None) -> "_Plan":
        """Draw a zone, entered from the side `entry` where given, its entry's middle at most `room` mm along it."""
        while True:
            width, height = rng.randrange(1000, 1401, 20), rng.randrange(800, 1101, 20)
            sides = {"east": height, "west": height, "north": width, "south": width}
            into = _span(rng, entry or rng.choice(list(sides)), sides, difficulty)
            out = _span(
                rng, rng.choice([s for s in sides if entry is None or s in ("north", "east")]), sides, difficulty
            )
            corners = [c for c in CORNERS if not any(_onto(span, c, sides) for span in (into, out))]
            apart = into[0] != out[0] or abs(into[1] - out[1]) >= into[2] + out[2] + 150
            if len(corners) >= 2 and apart and (room is None or into[1] + into[2] // 2 <= room):
                berths = _berths(rng, corners)
                return _Plan(width, height, into, out, berths, _objects(rng, difficulty))

    def outside(self, span: Span) -> tuple[int, int, int, int, int]:
        """Return the middle of an opening at the inner edge, the way outward, and its heading in degrees."""
        side, low, wide = span
        dx, dy, heading = _OUT[side]
        x = self.left + (self.width if side == "east" else 0 if side == "west" else low + wide // 2)
        y = self.bottom + (self.height if side == "north" else 0 if side == "south" else low + wide // 2)
        return x, y, dx, dy, heading

    def home(self) -> str:
        """Return the line behind the exit, to a red strip."""
        x, y, dx, dy, heading = self.outside(self.exit)
        return (
            f"[[line]]\nfrom_mm = [{x + 35 * dx}, {y + 35 * dy}]\nheading_deg = {heading}\n"
            'moves = [{ straight_mm = 250 }, { strip = "red" }, { straight_mm = 20 }]\n'
        )

    def text(self) -> str:
        """Return the zone's tables."""
        parts = [f"[zone]\nat_mm = [{self.left}, {self.bottom}]\nsize_mm = [{self.width}, {self.height}]\n"]
        for (side, low, wide), strip in ((self.entry, "silver"), (self.exit, "green")):
            parts.append(f'[[zone.opening]]\nside = "{side}"\nfrom_mm = {low}\nwidth_mm = {wide}\nstrip = "{strip}"\n')
        for corner, kinds, colour, shape, mark in self.berths:
            listed = ", ".join(f'"{kind}"' for kind in kinds)
            parts.append(
                f'[[zone.berth]]\ncorner = "{corner}"\nkinds = [{listed}]\ncolour = "{colour}"\nshape = "{shape}"\n'
                f'mark = "{mark}"\nsize_mm = {_BERTH}\n'
            )
        return "\n".join([*parts, *self.objects])


def _span(rng: random.Random, side: str, sides: dict[str, int], difficulty: float) -> Span:
    wide = rng.randrange(250, 301 - round(40 * difficulty), 2)
    return side, rng.randrange(0, sides[side] - wide + 1, 10), wide


def _onto(span: Span, corner: str, sides: dict[str, int]) -> bool:
    """Tell whether an opening leads onto a berth in that corner."""
    side, low, wide = span
    if side not in corner.split("-"):
        return False
    across = corner.replace(side, "").strip("-")
    start = sides[side] - _BERTH if across in ("north", "east") else 0
    return low < start + _BERTH and start < low + wide


def _berths(rng: random.Random, corners: list[str]) -> list[tuple[str, tuple[str, ...], str, str, str]]:
    two, colours = rng.sample(corners, 2), rng.sample(_COLOURS, 2)
    shape, mark = rng.choice(("triangle", "square")), rng.choice(("floor", "floor", "both"))
    kinds = (("kit", "silver"), ("black",))
    return [(two[i], kinds[i], colours[i], shape, mark) for i in (0, 1)]


def _objects(rng: random.Random, difficulty: float) -> list[str]:
    ball, cube = rng.choice((40, 45, 50)), rng.choice((40, 45))
    silver, black = rng.randint(2, 2 + round(difficulty)), rng.randint(1, 1 + round(difficulty))
    return [
        f'[[zone.object]]\nkind = "kit"\nshape = "cube"\nsize_mm = {cube}\ncolour = "blue"\n',
        f'[[zone.object]]\nkind = "silver"\nsize_mm = {ball}\ncolour = "silver"\ncount = {silver}\n',
        f'[[zone.object]]\nkind = "black"\nsize_mm = {ball}\ncolour = "black"\ncount = {black}\n',
    ]
