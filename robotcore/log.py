"""What a run says of itself: decisions of behaviours and faults, timed, in order.

Rule: entries are plain tuples of numbers and texts, the same in a live run, in a recording and in a replay.
"""

from collections.abc import Callable, Mapping
from typing import NamedTuple


class Decision(NamedTuple):
    """A named, timed conclusion of a behaviour. `place` is the file and line that decided."""

    tick: int
    time_s: float
    behaviour: str
    name: str
    fields: Mapping[str, str | int | float | bool]
    place: str


class Fault(NamedTuple):
    """Something that went wrong in a run, as a behaviour or the runtime saw it."""

    tick: int
    time_s: float
    kind: str
    detail: str
    behaviour: str


class Log:
    """Where decisions and faults go, in order. `tell` is called with each as it comes."""

    def __init__(self, tell: Callable[[Decision | Fault], None] | None = None) -> None:
        self.decisions: list[Decision] = []
        self.faults: list[Fault] = []
        self.tell = tell

    def add(self, entry: Decision | Fault) -> None:
        """Keep an entry and tell whoever listens."""
        if isinstance(entry, Decision):
            self.decisions.append(entry)
        else:
            self.faults.append(entry)
        if self.tell is not None:
            self.tell(entry)
