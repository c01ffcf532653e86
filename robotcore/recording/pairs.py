"""Two runs side by side in one table: joined by tick, with both sides' values, their differences, and what each said.

Rules: a row for every tick of either side; what a side does not have is empty, never 0. Columns come in threes
(``a.NAME``, ``b.NAME``, ``b-a.NAME``), the difference only where both sides have the number. What both sides share by
making (a recording and its replay have the same raw counts) stands once, under its plain name.
"""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from robotcore.command import Command
from robotcore.errors import UserError
from robotcore.log import Decision, Fault
from robotcore.recording.content import Recording
from robotcore.recording.export import write_columns_parquet, write_csv

COMMANDS = tuple(f"command.{name}" for name in Command._fields)
POSE = ("truth.x_m", "truth.y_m", "truth.heading_rad")

Columns = dict[str, list[Any]]


class Side(NamedTuple):
    """One side of a pair: numbers by tick under `names`, and what was said in which tick."""

    label: str
    names: Sequence[str]
    values: Mapping[int, Sequence[float | None]]
    decisions: Sequence[Decision]
    faults: Sequence[Fault]


def recorded_side(label: str, recording: Recording) -> Side:
    """Return all that a recording holds of each tick: raw counts, command, and the true pose where it is known."""
    names = [*recording.layout.names, *COMMANDS]
    values: dict[int, Sequence[float | None]] = {tick: (*raw, *command) for tick, raw, command in recording.rows()}
    if any(block.truth is not None for block in recording.blocks):
        names += POSE
        poses = recording.truth()
        values = {t: (*row, *(pose or (None,) * 3)) for (t, row), pose in zip(values.items(), poses, strict=True)}
    return Side(label, names, values, recording.decisions, recording.faults)


def pair_table(one: Recording, two: Recording) -> Columns:
    """Return two recordings joined by tick, as columns ``a.``, ``b.`` and ``b-a.``.

    Raises:
        UserError: their ticks are not of one length, so that they cannot be joined.

    """
    if one.header.period_s != two.header.period_s:
        periods = f"{1000 * one.header.period_s:g} and {1000 * two.header.period_s:g} ms"
        raise UserError(f"{two.path}: its ticks are not those of {one.path} ({periods}); take a run of the same rig")
    return joined(recorded_side("a", one), recorded_side("b", two), one.header.period_s)


def joined(one: Side, two: Side, period_s: float, shared: Columns | None = None) -> Columns:
    """Return the table of two sides; `shared` are columns that stand once, one entry for each tick of either side."""
    ticks = ticks_of(one, two)
    table: Columns = {"tick": list[Any](ticks), "time_s": [tick * period_s for tick in ticks], **(shared or {})}
    sides = [(side, _by_name(side, ticks), _said(side)) for side in (one, two)]
    for name in dict.fromkeys((*one.names, *two.names)):
        found = [numbers[name] for _, numbers, _ in sides if name in numbers]
        table |= {f"{side.label}.{name}": numbers[name] for side, numbers, _ in sides if name in numbers}
        if len(found) == 2:
            table[f"{two.label}-{one.label}.{name}"] = _difference(*found)
    for what in ("decisions", "faults"):
        table |= {f"{side.label}.{what}": [said[what].get(tick, "") for tick in ticks] for side, _, said in sides}
    return table


def ticks_of(one: Side, two: Side) -> list[int]:
    """Return every tick of either side, also those in which one only said something."""
    ticks = {*one.values, *two.values}
    for side in (one, two):
        ticks |= {decision.tick for decision in side.decisions} | {fault.tick for fault in side.faults}
    return sorted(ticks)


def _by_name(side: Side, ticks: Sequence[int]) -> Columns:
    nothing: Sequence[None] = (None,) * len(side.names)
    rows = [side.values.get(tick, nothing) for tick in ticks]
    return {name: [row[place] for row in rows] for place, name in enumerate(side.names)}


def _difference(ones: Iterable[Any], twos: Iterable[Any]) -> list[Any]:
    return [None if a is None or b is None else b - a for a, b in zip(ones, twos, strict=True)]


def _said(side: Side) -> dict[str, dict[int, str]]:
    """Return in words what was decided, and what went wrong, by tick."""
    said: dict[str, dict[int, str]] = {"decisions": {}, "faults": {}}
    for decision in side.decisions:
        fields = " ".join(f"{key}={value}" for key, value in sorted(decision.fields.items()))
        _add(said["decisions"], decision.tick, f"{decision.name} {fields}".rstrip())
    for fault in side.faults:
        _add(said["faults"], fault.tick, f"{fault.kind}: {fault.detail}" if fault.detail else fault.kind)
    return said


def _add(said: dict[int, str], tick: int, words: str) -> None:
    said[tick] = f"{said[tick]}; {words}" if tick in said else words


def write_table(table: Columns, out: Path) -> int:
    """Write columns as CSV or Parquet, by the name's ending, and return how many rows.

    Raises:
        UserError: pyarrow is not installed, or `out` is there already or cannot be written.

    """
    if out.suffix.lower() == ".parquet":
        return write_columns_parquet(out, table)
    return write_csv(out, list(table), zip(*table.values(), strict=True))
