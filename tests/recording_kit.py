"""Small recordings for tests: a layout with every struct code, rows made from the tick, and ways to forge a file."""

import sqlite3
from pathlib import Path

from robotcore.layout import Channel, Layout
from robotcore.recording import schema
from robotcore.recording.reader import Recording, open_recording
from robotcore.recording.writer import Recorder

LAYOUT = Layout(
    [
        ("floor_left", tuple(Channel(name, "H", "count") for name in ("red", "green", "blue"))),
        ("drive", (Channel("left", "i", "count"), Channel("right", "i", "count"))),
        ("tilt", (Channel("pitch", "h", "0.1 deg"),)),
        ("start_button", (Channel("pressed", "B", "0 or 1"), Channel("presses", "I", "count"))),
    ]
)

HEADER = schema.Header(
    name="quay-3",
    started="2000-01-01T12:00:00+0000",
    mission="line",
    rig_name="harbour",
    rig='[rig]\nname = "harbour"\n',
    calibration='[calibration]\ndate = "today"\n',
    settings="",
    backend="fake:quay?seed=3",
    code_version="0.1.0 µ",
    period_s=0.01,
    facts={"course": "[course]\n" * 9, "seed": "3"},
)


def raw(tick: int) -> tuple[int, ...]:
    """A row that tells its tick and reaches the ends of every column's range."""
    ends = (65535, 0, 2**31 - 1, -(2**31)) if tick % 2 else (0, 65535, -(2**31), 2**31 - 1)
    age, presses = tick * 7 % 65536, (2**32 - 1) if tick % 3 else tick
    return (
        age,
        ends[0],
        ends[1],
        tick % 65536,
        age,
        ends[2],
        ends[3],
        age,
        tick % 65536 - 32768,
        age,
        tick % 256,
        presses,
    )


def command(tick: int) -> tuple[float, float, float, float]:
    return (0.1 + tick / 3, -tick / 7, -0.0, 1e-300 * tick)


def pose(tick: int) -> tuple[float, float, float]:
    """Exact in 32 bits."""
    return (tick / 8, -tick / 16, 0.25)


def fill(recorder: Recorder, ticks, poses=pose) -> None:
    for tick in ticks:
        recorder.row(tick, raw(tick), command(tick), None if poses is None else poses(tick))


def write(path: Path, ticks=range(60), *, poses=pose, header=HEADER, outcome: str | None = "finished") -> Path:
    """A recording with rows, two decisions, a fault and an overrun; left open (as if cut off) without an outcome."""
    recorder = Recorder(path, header, LAYOUT, blocking=True)
    fill(recorder, ticks, poses)
    recorder.decision(
        5, 0.05, "junction", "marker", {"side": "left", "share": 0.43, "sure": True, "n": 3}, "line.py:12"
    )
    recorder.decision(50, 0.5, "mission", "finish", {}, "line.py:99")
    recorder.fault(7, 0.07, "stale", "side_range gave nothing for 0.2 s", "obstacle")
    recorder.overrun(9, 2300, "line")
    if outcome is None:
        recorder.flush()
        recorder._db.close()
    else:
        recorder.close(outcome)
    assert recorder.failure is None
    return path


def content(recording: Recording) -> tuple[object, ...]:
    """Everything that a recording says, fit for comparing bit by bit."""
    head = (recording.header, recording.layout.columns, recording.outcome, recording.end_s, recording.counts)
    packed = [block._replace(codec=0) for block in recording.blocks]
    return (*head, repr(recording.decisions), repr(recording.faults), recording.overruns, packed)


def check_rows(recording: Recording, ticks, poses=pose) -> None:
    """The recording holds exactly these ticks, as `raw`, `command` and `pose` make them."""
    ticks = list(ticks)
    assert recording.ticks == ticks
    assert recording.raws == [raw(tick) for tick in ticks]
    assert repr(recording.commands) == repr([command(tick) for tick in ticks])  # repr tells 0.0 from -0.0
    assert recording.truth() == [None if poses is None else poses(tick) for tick in ticks]


def sql(path: Path, *statements: str) -> Path:
    """Alter a file behind the reader's back."""
    db = sqlite3.connect(path, isolation_level=None)
    for statement in statements:
        db.execute(statement)
    db.close()
    return path


def forge(path: Path, table: str, where: str, **changes: object) -> Path:
    """Alter rows and mend their checksums, as a stranger who knows the format could."""
    db = sqlite3.connect(path, isolation_level=None)
    names = [row[1] for row in db.execute(f"PRAGMA table_info({table})")]
    for row in db.execute(f"SELECT * FROM {table} WHERE {where}").fetchall():
        new = {**dict(zip(names, row, strict=True)), **changes}
        values = tuple(new[name] for name in names[:-1])
        crc = schema.block_crc(*values) if table == "block" else schema.row_crc(table, values)
        db.execute(f"DELETE FROM {table} WHERE {names[0]} = ?", row[:1])
        db.execute(schema.INSERT[table], (*values, crc))
    db.close()
    return path


def reopen(path: Path) -> Recording:
    return open_recording(path)
