"""The readings for a second around a decision, as a table: what anybody needs to see why it fell out otherwise.

Rule: a column for every reading that a line run decides by and that the rig has; what did not vary is left out.
"""

from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from robotcore.decode import Decoder
from robotcore.readings import ABSENT, Sample
from robotcore.replay.course_of_run import Replayed, Row

HALF_S = 0.5
STEP_S = 0.05
SHARES = ("red", "green", "blue")
GREY, COLOURED = 1.0 / 3.0, 0.04  #: a share so far from grey's is worth a column
DARK = 0.15  #: red, green and blue together below this: shares mean nothing

Cell = Callable[[Sample], float]


class Readings(NamedTuple):
    """A table of numbers: column names, and rows of one time each; NaN where nothing was read."""

    columns: list[str]
    rows: list[list[float]]


def around(tick: int, rows: Sequence[Row], decode: Decoder, replayed: Replayed, period_s: float) -> Readings:
    """Return what was sensed and commanded for half a second before and after a tick, every 50 ms and in the tick.

    Args:
        tick: the middle.
        rows: the whole recording: drivers remember earlier rows.
        decode: fresh.
        replayed: holds the new commands.
        period_s: the length of a tick.

    """
    half, step = round(HALF_S / period_s), max(1, round(STEP_S / period_s))
    new = dict(zip(replayed.ticks, replayed.commands, strict=False))
    columns: list[tuple[str, Cell]] | None = None
    lines: list[list[float]] = []
    for at, raw, recorded in rows:
        if at > tick + half:
            break
        sample = decode(at, raw)
        if at < tick - half or (at - tick) % step:
            continue
        columns = _columns(sample) if columns is None else columns
        lines.append([sample.time_s, *(cell(sample) for _, cell in columns), *_sides(recorded, new.get(at))])
    names = ["time_s", *(name for name, _ in columns or ()), "old left", "old right", "new left", "new right"]
    return _thinned(Readings(names, lines))


def _sides(old: Sequence[float], new: Sequence[float] | None) -> list[float]:
    return [*old[:2], *(new[:2] if new is not None else (float("nan"),) * 2)]


def _columns(sample: Sample) -> list[tuple[str, Cell]]:
    found: list[tuple[str, Cell]] = []
    for role, short in (("floor_left", "L"), ("floor_right", "R"), ("front", "F")):
        if getattr(sample, role).status != ABSENT:
            found += _colour(role, short)
    if sample.side_range.status != ABSENT:
        found.append(("range mm", lambda s: _if(s.side_range, s.side_range.distance_m * 1000)))
    if sample.tilt.status != ABSENT:
        found.append(("pitch", lambda s: _if(s.tilt, s.tilt.pitch_rad)))
    return found


def _colour(role: str, short: str) -> list[tuple[str, Cell]]:
    def share(number: int) -> Cell:
        def cell(sample: Sample) -> float:
            reading = getattr(sample, role)
            whole = reading.red + reading.green + reading.blue
            return _if(reading, reading[number] / whole if whole > DARK else float("nan"))

        return cell

    def value(name: str) -> Cell:
        return lambda sample: _if(getattr(sample, role), getattr(getattr(sample, role), name))

    plain = [(f"{short} light", value("lightness"))]
    if short != "F":
        plain.insert(0, (f"{short} contr", value("contrast")))
    return [*plain, *((f"{short} {name}", share(number)) for number, name in enumerate(SHARES))]


def _if(reading: Any, value: float) -> float:
    return value if reading.valid else float("nan")


def _thinned(readings: Readings) -> Readings:
    """Leave out what says nothing: readings that hold one value, and shares while all is grey; commands stay."""
    last = len(readings.columns) - 4
    stays = [
        place
        for place, name in enumerate(readings.columns)
        if place == 0 or place >= last or _tells(name, [row[place] for row in readings.rows])
    ]
    return Readings(
        [readings.columns[place] for place in stays], [[row[place] for place in stays] for row in readings.rows]
    )


def _tells(name: str, values: list[float]) -> bool:
    if name.endswith(SHARES):
        return any(abs(value - GREY) > COLOURED for value in values)  # NaN compares as no
    return len({f"{value:.3f}" for value in values}) > 1
