"""One line that tells how far a sweep is; nothing where the stream is no terminal."""

from collections.abc import Callable, Sequence
from typing import TextIO

from robotcore.sweep.job import Result

WIDTH = 24


class Bar:
    """A `robotcore.sweep.engine.Watch` for people.

    Args:
        now: a steady clock in seconds.
        stream: where to write.
        live: whether to write at all; by default where the stream is a terminal.
        label: stands before the bar.

    """

    def __init__(self, now: Callable[[], float], stream: TextIO, live: bool | None = None, label: str = "") -> None:
        self._now = now
        self._stream = stream
        self._live = stream.isatty() if live is None else live
        self._label = label
        self._began_s = self._next_s = now()
        self.total = self.known = self.done = self.failed = 0

    def begin(self, total: int, known: int) -> None:
        """Start to count time."""
        self.total, self.known, self.done = total, known, 0
        self._began_s = self._now()
        self._draw()

    def came(self, results: Sequence[Result]) -> None:
        """Count, and show at most ten times a second."""
        self.done += len(results)
        self.failed += sum(not result.success for result in results)
        if self._now() >= self._next_s or self.known + self.done == self.total:
            self._draw()

    def kept(self, rows: int) -> None:
        """Nothing to show."""

    def end(self) -> None:
        """Clear the line and draw no more."""
        if self._live:
            self._stream.write("\r" + " " * 79 + "\r")
            self._stream.flush()
        self._live = False

    def line(self) -> str:
        """Return the line as it stands now."""
        there = self.known + self.done
        full = WIDTH * there // self.total if self.total else WIDTH
        text = f"{self._label}[{'#' * full}{'.' * (WIDTH - full)}] {there}/{self.total}"
        text += f"  {self.failed} failed" if self.failed else ""
        return text + self._pace()

    def _pace(self) -> str:
        spent_s, left = self._now() - self._began_s, self.total - self.known - self.done
        if not self.done or not left:
            return ""
        return f"  {self.done / max(spent_s, 1e-9):.1f} runs/s  {_clock(left * spent_s / self.done)} left"

    def _draw(self) -> None:
        self._next_s = self._now() + 0.1
        if self._live:
            self._stream.write("\r" + self.line()[:79].ljust(79))
            self._stream.flush()


def _clock(seconds: float) -> str:
    """Return a duration as 0:07, 12:30 or 1:02:03."""
    whole = round(seconds)
    hours, minutes, rest = whole // 3600, whole // 60 % 60, whole % 60
    return f"{hours}:{minutes:02}:{rest:02}" if hours else f"{minutes}:{rest:02}"
