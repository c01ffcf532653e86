"""Backend `replay:`: a recording as a world. What it sensed comes back tick by tick; what it is told has no effect.

Rules: a recording is replayed on the rig it was made with, or refused: the same counts in another layout would be
other readings. A tick that the run skipped is skipped again.
"""

from bisect import bisect_right
from collections.abc import Iterator, Mapping

from robotcore.backend import Address, EndOfRun, Raw
from robotcore.checking import nearest
from robotcore.command import Command
from robotcore.errors import UserError
from robotcore.recording import schema
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording
from robotcore.rig import Rig

PACES = ("free", "real")
_END = (schema.LAST_TICK * 2, (), ())


class Replay:
    """A `robotcore.backend.Backend` over one recording.

    Args:
        recording: what to play.
        paced: keep to the wall clock, to watch a run at its own speed.

    """

    def __init__(self, recording: Recording, *, paced: bool = False) -> None:
        self.recording = recording
        self.paced = paced
        self.facts: Mapping[str, str] = recording.header.facts
        self._firsts = [block.first_tick for block in recording.blocks]
        self._tick = -1
        self._rows: Iterator[tuple[int, Raw, tuple[float, ...]]] = iter(())
        self._next: tuple[int, Raw, tuple[float, ...]] = _END

    def open(self) -> None:
        """Go to the start."""
        self._tick = -1
        self._rows = self.recording.rows()
        self._next = next(self._rows, _END)

    def sense(self, tick: int) -> Raw | None:
        """Return what was sensed in this tick, None if the run skipped it; raises `EndOfRun` after the last."""
        self._tick = tick
        row = self._next
        while row[0] < tick:
            row = next(self._rows, _END)
        if row[0] == tick:
            self._next = next(self._rows, _END)
            return row[1]
        self._next = row
        if row is _END:
            raise EndOfRun(f"{self.recording.path}: the recording ends before tick {tick}")
        return None

    def act(self, command: Command) -> None:
        """Do nothing: the past does not answer."""

    def stop(self, category: int) -> None:
        """Do nothing: nothing moves."""

    def close(self) -> None:
        """Let go of the rows."""
        self._rows, self._next = iter(()), _END

    def faults(self) -> list[tuple[str, str]]:
        """Return nothing: what went wrong then stands in the recording."""
        return []

    def truth(self) -> tuple[float, float, float] | None:
        """Return the true pose that was recorded with the tick last sensed, to 32 bits; None where there is none."""
        index = bisect_right(self._firsts, self._tick) - 1
        block = self.recording.blocks[index] if index >= 0 else None
        row = self._tick - block.first_tick if block is not None else 0
        if block is None or block.truth is None or row >= block.size:
            return None
        x_m, y_m, heading_rad = schema.TRUTH_ROW.unpack_from(block.truth, row * schema.TRUTH_ROW.size)
        return x_m, y_m, heading_rad


def build(address: Address, rig: Rig) -> Replay:
    """Build from ``replay:path``, or ``replay:path?pace=real`` to keep to the wall clock.

    Raises:
        UserError: an option is not known, the recording cannot be read, or it was made with another rig.

    """
    for key in address.options:
        if key != "pace":
            raise UserError(f"{address.url}: option {key!r} is not known here; {nearest(key, ['pace'])}")
    pace = address.options.get("pace", "free")
    if pace not in PACES:
        raise UserError(f"{address.url}: pace is {pace!r}; {nearest(pace, PACES)}")
    recording = open_recording(address.place)
    _check_rig(recording, rig)
    return Replay(recording, paced=pace == "real")


def _check_rig(recording: Recording, rig: Rig) -> None:
    remedy = f"replay it with the rig {recording.header.rig_name!r} that it holds"
    if recording.header.period_s != rig.period_s:
        periods = f"{recording.header.period_s * 1000:g} ms a tick, the rig {rig.name!r} has {rig.period_s * 1000:g} ms"
        raise UserError(f"{recording.path}: was recorded at {periods}; {remedy}")
    recorded, fitted = recording.layout.columns, rig.layout.columns
    for number, (old, new) in enumerate(zip(recorded, fitted, strict=False), 1):
        if old != new:
            words = f"{old.name} ({old.code}, {old.unit}), in the rig {rig.name!r} {new.name} ({new.code}, {new.unit})"
            raise UserError(f"{recording.path}: raw column {number} is {words}; {remedy}")
    if len(recorded) != len(fitted):
        counts = f"{len(recorded)} raw columns, the rig {rig.name!r} has {len(fitted)}"
        raise UserError(f"{recording.path}: has {counts}; {remedy}")
