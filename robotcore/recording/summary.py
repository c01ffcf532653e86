"""What a person wants to know of recordings at a glance: one line each, or one in full.

Rule: a list names bad files too, with what is wrong, instead of stopping at the first.
"""

from pathlib import Path
from typing import NamedTuple

from robotcore.errors import UserError
from robotcore.log import Decision
from robotcore.recording import schema
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording

CUT_OFF = "cut off"


class Summary(NamedTuple):
    """One recording in a folder; `problem` says why it could not be read, and the rest is empty then."""

    path: Path
    name: str
    started: str
    mission: str
    rig: str
    backend: str
    outcome: str
    duration_s: float
    ticks: int
    decisions: int
    faults: int
    problem: str


def list_recordings(folder: str | Path) -> list[Summary]:
    """Return a summary of every recording in a folder and below, by path.

    Raises:
        UserError: there is no such folder.

    """
    folder = Path(folder)
    if folder.is_file():
        raise UserError(f"{folder}: is a file; say `robotcore describe {folder}`, or give a folder")
    if not folder.is_dir():
        raise UserError(f"{folder}: no such folder; give one that holds recordings (*{schema.SUFFIX})")
    return [_summary(path) for path in sorted(folder.rglob(f"*{schema.SUFFIX}")) if path.is_file()]


def _summary(path: Path) -> Summary:
    try:
        recording = open_recording(path)
    except UserError as error:
        return Summary(path, "", "", "", "", "", "", 0.0, 0, 0, 0, str(error))
    header, faults = recording.header, len(recording.faults)
    head = (path, header.name, header.started, header.mission, header.rig_name, header.backend)
    outcome, decisions = recording.outcome or CUT_OFF, len(recording.decisions)
    return Summary(*head, outcome, duration_s(recording), len(recording), decisions, faults, "")


def duration_s(recording: Recording) -> float:
    """Return the robot time in seconds at which the recording ends."""
    if recording.end_s is not None:
        return recording.end_s
    last = recording.blocks[-1] if recording.blocks else None
    return 0.0 if last is None else (last.first_tick + last.size - 1) * recording.header.period_s


def describe(recording: Recording) -> list[str]:
    """Return a recording in lines of text: what was in force, how it ended, and everything decided or gone wrong."""
    header, columns = recording.header, len(recording.layout.columns)
    lines = [
        f"recording  {recording.path}",
        f"run        {header.name}, mission {header.mission}, started {header.started}",
        f"rig        {header.rig_name}, {columns} raw columns, {header.period_s * 1000:g} ms a tick",
        f"backend    {header.backend}, code {header.code_version}",
        f"outcome    {recording.outcome or CUT_OFF} at {duration_s(recording):.2f} s",
        f"ticks      {_ticks(recording)}",
    ]
    lines += [_decision(decision) for decision in recording.decisions]
    lines += [f"fault      {f.time_s:8.2f} s  {f.kind}: {f.detail}{_blame(f.behaviour)}" for f in recording.faults]
    if recording.overruns:
        worst = max(recording.overruns, key=lambda overrun: overrun.late_us)
        late = f"worst {worst.late_us} us at tick {worst.tick}{_blame(worst.behaviour)}"
        lines.append(f"overruns   {len(recording.overruns)}, {late}")
    return lines


def _ticks(recording: Recording) -> str:
    recorded = len(recording)
    text = f"{recorded} recorded"
    if recorded:
        first, last = recording.blocks[0], recording.blocks[-1]
        skipped = last.first_tick + last.size - first.first_tick - recorded
        text += f" from {first.first_tick} to {last.first_tick + last.size - 1}, {skipped} skipped"
    counts = recording.counts or {}
    return text + "".join(f", {counts[key]} {word}" for key, word in _LOSSES if counts.get(key))


_LOSSES = (("dropped", "lost by the recorder"), ("dropped_entries", "decisions or faults lost by the recorder"))


def _decision(decision: Decision) -> str:
    fields = "".join(f"{key}={value!r} " for key, value in decision.fields.items())
    return f"decision   {decision.time_s:8.2f} s  {decision.name} {fields}({decision.behaviour}, {decision.place})"


def _blame(behaviour: str) -> str:
    return f" ({behaviour})" if behaviour else ""
