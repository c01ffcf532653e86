"""Recordings as tables for other tools: CSV by the standard library, Parquet where pyarrow is installed.

Rules: a table has one row a tick, under the names that `Recording.columns` uses; decoded readings follow under
``reading.role.field``, in SI units, where a decoder is given. Nothing is overwritten, and a table that could not be
finished is removed.
"""

import contextlib
import csv
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from typing import IO, Any

from robotcore.command import Command
from robotcore.errors import UserError
from robotcore.readings import Sample
from robotcore.recording.content import Recording

Decoder = Callable[[int, tuple[int, ...]], Sample]
"""(tick, raw counts) -> what behaviours see. May keep state (speeds need it): called once a row, in order."""

_POSE = ("truth.x_m", "truth.y_m", "truth.heading_rad")
_NO_POSE = (None, None, None)


def export_csv(recording: Recording, out: str | Path, decode: Decoder | None = None) -> int:
    """Write one line a tick, and return how many; an unknown pose is empty.

    Raises:
        UserError: `out` is there already or cannot be written.

    """
    return write_csv(Path(out), _names(recording, decode), _lines(recording, decode))


def export_decisions_csv(recording: Recording, out: str | Path) -> int:
    """Write one line a decision, its fields as a JSON object, and return how many.

    Raises:
        UserError: `out` is there already or cannot be written.

    """
    from robotcore.recording.schema import fields_json

    names = ("tick", "time_s", "behaviour", "name", "fields", "place")
    lines = ((*d[:4], fields_json(d.fields), d.place) for d in recording.decisions)
    return write_csv(Path(out), names, lines)


def export_parquet(recording: Recording, out: str | Path, decode: Decoder | None = None) -> int:
    """Write the same table as `export_csv` as Parquet, typed, and return how many rows.

    Raises:
        UserError: pyarrow is not installed, or `out` is there already or cannot be written.

    """
    _pyarrow(Path(out))  # before any work is put into it
    table = recording.columns()
    if decode is not None:
        samples = [_flat(decode(tick, raw), recording) for tick, raw, _ in recording.rows()]
        names = _reading_names(recording)
        table |= {name: [values[i] for values in samples] for i, name in enumerate(names)}
    return write_columns_parquet(Path(out), table)


def write_columns_parquet(out: Path, table: dict[str, Any]) -> int:
    """Write columns, all of one length, as Parquet, and return how many rows.

    Raises:
        UserError: pyarrow is not installed, or `out` is there already or cannot be written.

    """
    pyarrow, parquet = _pyarrow(out)
    columns = pyarrow.table(table)
    with _fresh(out, "wb") as file:
        parquet.write_table(columns, file)
    return int(columns.num_rows)


def _pyarrow(out: Path) -> tuple[Any, Any]:
    try:
        import pyarrow
        import pyarrow.parquet
    except ImportError:
        raise UserError(f"{out}: Parquet needs pyarrow; pip install 'robotcore[parquet]', or export CSV") from None
    return pyarrow, pyarrow.parquet


def _names(recording: Recording, decode: Decoder | None) -> list[str]:
    names = ["tick", "time_s", *recording.layout.names, *(f"command.{name}" for name in Command._fields)]
    if _has_poses(recording):
        names += _POSE
    return names + (_reading_names(recording) if decode is not None else [])


def _has_poses(recording: Recording) -> bool:
    return any(block.truth is not None for block in recording.blocks)


def _lines(recording: Recording, decode: Decoder | None) -> Iterator[list[Any]]:
    poses = recording.truth() if _has_poses(recording) else None
    period_s = recording.header.period_s
    for index, (tick, raw, command) in enumerate(recording.rows()):
        line: list[Any] = [tick, tick * period_s, *raw, *command]
        if poses is not None:
            line += poses[index] or _NO_POSE
        if decode is not None:
            line += _flat(decode(tick, raw), recording)
        yield line


def _reading_names(recording: Recording) -> list[str]:
    kinds = Sample.__annotations__
    return [f"reading.{role}.{field}" for role in recording.layout.slots for field in kinds[role]._fields]


def _flat(sample: Sample, recording: Recording) -> list[Any]:
    return [value for role in recording.layout.slots for value in getattr(sample, role)]


def write_csv(out: Path, names: Sequence[str], lines: Iterable[Sequence[Any]]) -> int:
    """Write lines under a head of names, and return how many; None is empty."""
    count = 0
    with _fresh(out, "w") as file:
        writer = csv.writer(file)
        writer.writerow(names)
        for line in lines:
            writer.writerow(line)
            count += 1
    return count


@contextlib.contextmanager
def _fresh(out: Path, mode: str) -> Iterator[IO[Any]]:
    """Open a file that is not there yet; it takes its name only when whole."""
    part = out.with_name(out.name + ".part")
    text: dict[str, Any] = {} if "b" in mode else {"encoding": "utf-8", "newline": ""}
    try:
        if out.exists():
            raise UserError(f"{out}: is there already; choose another name or remove it first")
        try:
            with part.open(mode, **text) as file:
                yield file
            os.replace(part, out)
        finally:
            part.unlink(missing_ok=True)
    except OSError as error:
        raise UserError(f"{out}: cannot be written ({error.strerror}); check folder and free space") from None
