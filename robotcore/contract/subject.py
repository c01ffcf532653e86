"""A driver under check, and the counts that every driver is shown.

Rule: the same counts in every run: the ends of each channel, values next to them, and some drawn from a fixed seed.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from robotcore.checking import Checker, Table
from robotcore.layout import CODES, Channel

Counts = tuple[int, ...]
Samples = Sequence[tuple[Sequence[int], Any]]

READS = {
    "colour": "light", "range": "distance", "drive": "turns", "position": "angle", "tilt": "lean",
    "button": "pressed", "battery": "voltage",
}  # fmt: skip
"""capability -> the method that turns counts into a quantity."""

PERIOD_S = 0.01


class Subject:
    """A driver under check: builds it, shows it counts.

    Args:
        driver: the driver class.
        options: its options.
        samples: known pairs of counts and reading.

    """

    def __init__(self, driver: Any, options: dict[str, Any], samples: Samples) -> None:
        self.driver = driver
        self.options = options
        self.samples = samples
        self.name = getattr(driver, "__name__", repr(driver))

    def build(self, extra: Mapping[str, Any] | None = None) -> tuple[Any, list[str], "WatchedTable"]:
        """Build the driver as a rig does; return it with the faults of its options and the table it asked."""
        checker = Checker("options")
        table = WatchedTable({**self.options, **(extra or {})}, checker)
        device = self.driver(table)
        table.close()
        return device, checker.faults, table

    @property
    def device(self) -> Any:
        """A fresh device."""
        return self.build()[0]

    @property
    def read(self) -> Callable[[Counts], Any]:
        """A fresh device's method that turns counts into a quantity."""
        method: Callable[[Counts], Any] = getattr(self.device, READS[self.driver.capability])
        return method

    def rows(self) -> list[Counts]:
        """Return the counts that every driver is shown."""
        return [*show(self.driver.channels), *(tuple(counts) for counts, _ in self.samples)]


class WatchedTable(Table):
    """A table that tells which keys it was asked for."""

    @property
    def asked(self) -> list[str]:
        """The keys, each once."""
        return list(dict.fromkeys(self._asked))


def show(channels: Sequence[Channel], drawn: int = 64) -> list[Counts]:
    """Return a fixed set of counts: each channel at its ends with the others at rest, all at once, and `drawn` more."""
    import random  # late, and seeded: contract checks are no part of a run

    limits = [CODES[channel.code][1:] for channel in channels]
    rest = [min(200, high) for _, high in limits]
    rng = random.Random(1)
    rows = [tuple(low for low, _ in limits), tuple(high for _, high in limits), (0,) * len(limits)]
    for i, (low, high) in enumerate(limits):
        values = dict.fromkeys((low, low + 1, -1, 1, 200, 1000, high // 2, high - 1, high))
        rows += [(*rest[:i], value, *rest[i + 1 :]) for value in values if low <= value <= high]
    rows += [tuple(rng.randint(low, high) for low, high in limits) for _ in range(drawn)]
    return rows


def numbers(reading: Any) -> tuple[float, ...]:
    """Return a reading as numbers, whether it is one or several."""
    return tuple(reading) if isinstance(reading, tuple) else (reading,)


def alike(one: Any, other: Any) -> bool:
    """Tell whether two readings are equal, NaN equal to NaN."""
    pairs = zip(numbers(one), numbers(other), strict=True)
    return all(a == b or (a != a and b != b) for a, b in pairs)


def raised(rows: Counts, channel: int, by: int) -> Counts:
    """Return counts with one channel raised."""
    return (*rows[:channel], rows[channel] + by, *rows[channel + 1 :])


def chain(channel: Channel) -> list[int]:
    """Return rising counts of a channel from end to end, and finer ones near zero."""
    _, low, high = CODES[channel.code]
    far = [low + (high - low) * i // 40 for i in range(41)]
    near = [value for value in range(-3000, 3001, 100) if low <= value <= high]
    return sorted(dict.fromkeys(far + near))
