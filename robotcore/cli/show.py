"""``robotcore list`` and ``robotcore describe``: what recordings there are, and what lies in one."""

import json
from collections.abc import Sequence
from typing import Any

from robotcore.cli.output import show
from robotcore.cli.setup import parser
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording
from robotcore.recording.summary import Summary, describe, duration_s, list_recordings

_HEADS = ("recording", "mission", "rig", "backend", "length", "decisions", "faults", "outcome")
_TO_THE_RIGHT = ("length", "decisions", "faults")


def list_verb(words: list[str]) -> int:
    """Print a table of a folder's recordings, and a line for each file that cannot be read."""
    args_parser = parser("list", "List the recordings of a folder and the folders in it.")
    args_parser.add_argument("folder", nargs="?", default="runs", help="where to look (default: runs)")
    folder = args_parser.parse_args(words).folder
    found = list_recordings(folder)
    lines = _table(found) + [summary.problem for summary in found if summary.problem]
    show(lines or [f"{folder}: no recordings"])
    return 0


def _table(found: Sequence[Summary]) -> list[str]:
    """Return the readable recordings as lines with a heading; nothing where there are none."""
    rows = [_row(summary) for summary in found if not summary.problem]
    if not rows:
        return []
    widths = [max(map(len, column)) for column in zip(_HEADS, *rows, strict=True)]
    return [_line(row, widths) for row in (_HEADS, *rows)]


def _row(s: Summary) -> tuple[str, ...]:
    cells = (str(s.path), s.mission, s.rig, s.backend, f"{s.duration_s:.1f} s", s.decisions, s.faults, s.outcome)
    return tuple(" ".join(str(cell).split()) for cell in cells)


def _line(row: Sequence[str], widths: Sequence[int]) -> str:
    cells = [
        cell.rjust(width) if head in _TO_THE_RIGHT else cell.ljust(width)
        for cell, width, head in zip(row, widths, _HEADS, strict=True)
    ]
    return "  ".join(cells).rstrip()


def describe_verb(words: list[str]) -> int:
    """Print everything that a recording says, but for its rows."""
    args_parser = parser("describe", "Tell what lies in a recording.")
    args_parser.add_argument("recording", help="recording file (.rec)")
    args_parser.add_argument("--json", action="store_true", help="for machines, with rig, calibration and settings")
    args = args_parser.parse_args(words)
    recording = open_recording(args.recording)
    if args.json:
        print(json.dumps(as_tree(recording), indent=1))
    else:
        show(describe(recording))
    return 0


def as_tree(recording: Recording) -> dict[str, Any]:
    """Return a recording without its rows as nested tables; `outcome` and `counts` are None where it was cut off."""
    header = recording.header._asdict()
    header["facts"] = dict(header["facts"])
    return {
        "path": str(recording.path),
        **header,
        "outcome": recording.outcome,
        "duration_s": duration_s(recording),
        "ticks": len(recording),
        "counts": recording.counts,
        "columns": [column._asdict() for column in recording.layout.columns],
        "decisions": [decision._asdict() for decision in recording.decisions],
        "faults": [fault._asdict() for fault in recording.faults],
        "overruns": [overrun._asdict() for overrun in recording.overruns],
    }
