"""Who is due when: a short list kept in order.

Rule: an entry leaves as soon as it is no longer wanted, so a long limit on a short task leaves nothing behind.
"""

from bisect import bisect_left, insort
from typing import Any

NEVER = 1 << 62  # later than any tick a robot lives to see


class Timetable:
    """Entries ordered by deadline, then by task number.

    Attributes:
        next: the earliest deadline, in ticks; `NEVER` when empty.

    """

    __slots__ = ("_entries", "next")

    def __init__(self) -> None:
        self._entries: list[tuple[int, int, Any]] = []
        self.next = NEVER

    def __len__(self) -> int:
        return len(self._entries)

    def add(self, deadline: int, number: int, item: object) -> None:
        """Put `item` of task `number` down for the tick `deadline`."""
        insort(self._entries, (deadline, number, item))
        self.next = self._entries[0][0]

    def remove(self, deadline: int, number: int) -> None:
        """Strike out what was put down so; nothing happens if it is gone."""
        place = bisect_left(self._entries, (deadline, number))
        if place < len(self._entries) and self._entries[place][:2] == (deadline, number):
            del self._entries[place]
            self.next = self._entries[0][0] if self._entries else NEVER

    def take_due(self, tick: int) -> list[Any]:
        """Return and strike out every item with a deadline of `tick` or earlier, in order of task number."""
        place = bisect_left(self._entries, (tick + 1,))
        due = sorted(self._entries[:place], key=lambda entry: entry[1])
        del self._entries[:place]
        self.next = self._entries[0][0] if self._entries else NEVER
        return [item for _, _, item in due]
