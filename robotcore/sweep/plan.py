"""Which runs a sweep is made of: every cell of the grid with every seed.

Rules: a cell is what a line of the report is about; its runs differ by seed alone. Runs are planned course by course,
so that a worker keeps what it built for one, and in a course seed by seed over all cells, so that a sweep that was
stopped has something to say about each of them.
"""

import re
from collections.abc import Iterator, Sequence
from itertools import groupby, product
from typing import NamedTuple
from urllib.parse import quote, urlencode

from robotcore.backend import parse_address
from robotcore.errors import UserError

MOST_RUNS = 1_000_000
SETUP_AXES = ("rig", "mission", "calibration")  #: axes that are words of the command line and not options of the URL
_PART = re.compile(r"(\d{1,12})(?:-(\d{1,12}))?")


class Axis(NamedTuple):
    """One thing that is varied, and its values."""

    name: str
    values: tuple[str, ...]


class Cell(NamedTuple):
    """One place of the grid. `url` has neither seed nor varied options; `point` is axis -> value, in order."""

    url: str
    point: tuple[tuple[str, str], ...] = ()

    def value(self, axis: str) -> str | None:
        """Return the value of an axis, None where it is not varied."""
        return dict(self.point).get(axis)

    def settings(self) -> list[str]:
        """Return KEY=VALUE for every varied setting (an axis with a dot in its name)."""
        return [f"{name}={value}" for name, value in self.point if "." in name]

    def options(self) -> dict[str, str]:
        """Return the varied options of the URL: the perturbations."""
        return {name: value for name, value in self.point if "." not in name and name not in SETUP_AXES}

    def perturbations(self) -> str:
        """Return every option of the URL, given or varied, in one fixed order."""
        return urlencode(sorted({**parse_address(self.url).options, **self.options()}.items()))

    def place(self) -> str:
        """Return the URL without options."""
        return self.url.partition("?")[0]

    def address(self, seed: int) -> str:
        """Return the whole URL of one run; what is varied stands over what was given."""
        address = parse_address(self.url)
        options = {"seed": str(seed), **address.options, **self.options()}
        place = quote(address.place, safe="/~:@,")
        return f"{address.scheme}:{place}?{urlencode(options, safe='/~:@,')}"


class Run(NamedTuple):
    """One run of a plan: the cell's place in the plan, and the seed."""

    cell: int
    seed: int


class Plan(NamedTuple):
    """Cells and seeds."""

    cells: tuple[Cell, ...]
    seeds: tuple[int, ...]

    def runs(self) -> Iterator[Run]:
        """Give every run, in the order in which they are to be done."""
        for _, group in groupby(range(len(self.cells)), lambda index: self.cells[index].url):
            cells = list(group)
            for seed in self.seeds:
                yield from (Run(cell, seed) for cell in cells)

    def size(self) -> int:
        """Return how many runs there are."""
        return len(self.cells) * len(self.seeds)


def make_plan(urls: Sequence[str], seeds: str, axes: Sequence[Axis] = ()) -> Plan:
    """Return the plan for every URL, seed and value.

    Raises:
        UserError: a URL is none or has a seed of its own, something stands twice, or there are too many runs.

    """
    for url in urls:
        if "seed" in parse_address(url).options:
            raise UserError(f"{url}: has a seed of its own; leave it out, --seeds gives them")
    _no_twins("URL", urls)
    _no_twins("--vary", [axis.name for axis in axes])
    points = [tuple(zip((a.name for a in axes), values, strict=True)) for values in product(*(a.values for a in axes))]
    plan = Plan(tuple(Cell(url, point) for url in urls for point in points), parse_seeds(seeds))
    if plan.size() > MOST_RUNS:
        raise UserError(f"{plan.size()} runs are too many; take fewer seeds or values (at most {MOST_RUNS})")
    return plan


def parse_seeds(text: str) -> tuple[int, ...]:
    """Return the seeds of "1-200", "5" or "1-20,33,40-44", in that order.

    Raises:
        UserError: it cannot be read, a range runs backwards, or a seed stands twice.

    """
    seeds: list[int] = []
    for part in text.split(","):
        match = _PART.fullmatch(part.strip())
        if match is None:
            raise UserError(f"--seeds {text}: {part!r} is no seed or range; write 1-200, or 1-20,33")
        first, last = int(match[1]), int(match[2] or match[1])
        if last < first:
            raise UserError(f"--seeds {text}: {part} runs backwards; write {last}-{first}")
        if last - first >= MOST_RUNS:
            raise UserError(f"--seeds {text}: {part} are too many seeds; at most {MOST_RUNS}")
        seeds += range(first, last + 1)
    if len(set(seeds)) != len(seeds):
        raise UserError(f"--seeds {text}: a seed stands twice; remove one of them")
    return tuple(seeds)


def parse_axis(text: str) -> Axis:
    """Read ``NAME=VALUE,VALUE``.

    Raises:
        UserError: there is no name or no value, a value is empty or stands twice, or the axis is `seed`.

    """
    name, equals, values = text.partition("=")
    split = tuple(value.strip() for value in values.split(","))
    if not equals or not name or not all(split):
        raise UserError(f"--vary {text}: write NAME=VALUE,VALUE, such as noise=0.5,1,2 or rig=harbour,harbour-clear")
    if name == "seed":
        raise UserError(f"--vary {text}: seeds are given by --seeds")
    _no_twins(f"--vary {name}", split)
    return Axis(name, split)


def _no_twins(what: str, names: Sequence[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise UserError(f"{what} {name}: stands twice; remove one of the two")
        seen.add(name)
