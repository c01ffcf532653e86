"""What a recording holds once it was read and checked.

Rule: raw counts and commands stay packed until asked for; unpacking runs in C, a tuple a tick.
"""

from collections.abc import Iterator
from itertools import chain
from pathlib import Path
from typing import Any, NamedTuple

from robotcore.errors import UserError
from robotcore.layout import Layout
from robotcore.log import Decision, Fault
from robotcore.recording import schema
from robotcore.recording.blocks import Block, Pose


class Overrun(NamedTuple):
    """A tick that came late, and the behaviour that took longest."""

    tick: int
    late_us: int
    behaviour: str


class Recording:
    """A run, checked whole. `outcome`, `end_s` and `counts` are None where the run was cut off."""

    def __init__(self, path: Path, header: schema.Header, layout: Layout) -> None:
        self.path = path
        self.header = header
        self.layout = layout
        self.outcome: str | None = None
        self.end_s: float | None = None
        self.counts: dict[str, int] | None = None
        self.decisions: list[Decision] = []
        self.faults: list[Fault] = []
        self.overruns: list[Overrun] = []
        self.blocks: list[Block] = []  #: in order of ticks, in codec 0

    def __len__(self) -> int:
        """Return how many ticks are recorded."""
        return sum(block.size for block in self.blocks)

    def rows(self) -> Iterator[tuple[int, tuple[int, ...], tuple[float, ...]]]:
        """Give (tick, raw counts, command) one by one, in little memory."""
        return self.with_rows(self._raws())

    def with_rows(self, rows: Iterator[tuple[Any, ...]]) -> Iterator[tuple[int, tuple[Any, ...], tuple[float, ...]]]:
        """Give (tick, row, command) one by one for something else that there is of every tick."""
        return zip(self._ticks(), rows, self._commands(), strict=True)

    def _ticks(self) -> Iterator[int]:
        return chain.from_iterable(range(block.first_tick, block.first_tick + block.size) for block in self.blocks)

    def _raws(self) -> Iterator[tuple[int, ...]]:
        return chain.from_iterable(self.layout.row.iter_unpack(block.raw) for block in self.blocks)

    def _commands(self) -> Iterator[tuple[float, ...]]:
        return chain.from_iterable(schema.COMMAND_ROW.iter_unpack(block.commands) for block in self.blocks)

    @property
    def ticks(self) -> list[int]:
        """Every recorded tick, rising; made anew at each call, as are `raws` and `commands`."""
        return list(self._ticks())

    @property
    def raws(self) -> list[tuple[int, ...]]:
        """The raw counts of every recorded tick, laid out as `layout` says."""
        return list(self._raws())

    @property
    def commands(self) -> list[tuple[float, ...]]:
        """The command of every recorded tick, in the order of `robotcore.command.Command`."""
        return list(self._commands())

    def truth(self) -> list[Pose | None]:
        """Return the true pose (x m, y m, heading rad) of every recorded tick, to 32 bits; None where unknown."""
        poses: list[Pose | None] = []
        for block in self.blocks:
            known = block.truth is not None
            poses += schema.TRUTH_ROW.iter_unpack(block.truth) if block.truth is not None else ()
            poses += () if known else [None] * block.size
        return poses

    def columns(self) -> dict[str, Any]:
        """Return everything as numpy arrays of one entry a tick, by name.

        ``tick``, ``time_s``, the raw columns under their names, ``command.left_m_s`` and so on, and where a true pose
        was recorded ``truth.x_m``, ``truth.y_m``, ``truth.heading_rad`` (NaN where unknown).
        ``pandas.DataFrame(recording.columns())`` gives a table.

        Raises:
            UserError: numpy is not installed.

        """
        try:
            from robotcore.recording.arrays import columns  # late: numpy is for the laptop
        except ImportError:
            raise UserError(f"{self.path}: arrays need numpy; pip install 'robotcore[laptop]'") from None
        return columns(self.blocks, self.layout, self.header.period_s)
