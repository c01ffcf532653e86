"""A recording's blocks as numpy arrays. Rule: for the laptop only; the on-robot path never imports this file."""

from collections.abc import Sequence
from typing import Any

import numpy as np

from robotcore.command import Command
from robotcore.layout import Layout
from robotcore.recording.blocks import Block

POSE_NAMES = ("x_m", "y_m", "heading_rad")
_TYPES = {"B": "<u1", "H": "<u2", "h": "<i2", "i": "<i4", "I": "<u4"}


def columns(blocks: Sequence[Block], layout: Layout, period_s: float) -> dict[str, Any]:
    """Return name -> array of one entry a row; see `robotcore.recording.reader.Recording.columns`."""
    spans = [np.arange(block.first_tick, block.first_tick + block.size) for block in blocks]
    ticks = np.concatenate([np.arange(0), *spans])
    table: dict[str, Any] = {"tick": ticks, "time_s": ticks * period_s}
    row = np.dtype([(column.name, _TYPES[column.code]) for column in layout.columns])
    table |= _split(b"".join(block.raw for block in blocks), row, "")
    command = np.dtype([(name, "<f8") for name in Command._fields])
    table |= _split(b"".join(block.commands for block in blocks), command, "command.")
    if any(block.truth is not None for block in blocks):
        unknown = np.full(3, np.nan, "<f4").tobytes()
        poses = b"".join(unknown * block.size if block.truth is None else block.truth for block in blocks)
        table |= _split(poses, np.dtype([(name, "<f4") for name in POSE_NAMES]), "truth.")
    return table


def _split(packed: bytes, row: np.dtype[Any], prefix: str) -> dict[str, Any]:
    rows = np.frombuffer(packed, row)
    return {prefix + name: np.ascontiguousarray(rows[name]) for name in row.names or ()}
