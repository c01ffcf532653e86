"""What happened to the objects, in order, for the judge and for tests."""

from typing import NamedTuple

from drivers.fake.motion import Truth


class Entry(NamedTuple):
    """One thing that happened: when, what ("gripped", "lost", "sorted" ...), to which object, and a detail."""

    time_s: float
    what: str
    name: str
    detail: str


class Diary:
    """Keeps entries with the time of the world.

    Args:
        truth: the robot's state, for its clock.

    """

    def __init__(self, truth: Truth) -> None:
        self._truth = truth
        self.entries: list[Entry] = []

    def note(self, what: str, name: str = "", detail: str = "") -> None:
        """Add an entry."""
        self.entries.append(Entry(self._truth.time_s, what, name, detail))
