"""Packing: ticks into blocks, and blocks back into ticks.

Rules: a block holds consecutive ticks, all with a true pose or all without; what does not fit its column is refused
with the tick's number. Reading gives plain tuples straight from `struct`, with no work per column.
"""

import struct
from collections.abc import Sequence
from typing import NamedTuple

from robotcore.layout import CODES, Channel, Layout
from robotcore.recording import schema

Pose = tuple[float, float, float]
Entry = tuple[int, tuple[int, ...], tuple[float, ...], Pose | None]
"""One tick on its way to the file: tick, raw counts, command, true pose."""


class Block(NamedTuple):
    """A row of the table `block`, but for its checksum; `size` is the column `count`."""

    first_tick: int
    rows_before: int
    size: int
    codec: int
    raw: bytes
    commands: bytes
    truth: bytes | None


def pack(entries: Sequence[Entry], row: struct.Struct, rows_before: int) -> list[Block]:
    """Pack ticks into as few blocks as the rules allow.

    Raises:
        ValueError: ticks do not rise, or a value does not fit its column; names the tick.

    """
    blocks = []
    start = 0
    while start < len(entries):
        run = entries[start : start + schema.BLOCK_TICKS[schema.PLAIN]]
        block = _pack_run(run[: _even(run)], row, rows_before + start)
        blocks.append(block)
        start += block.size
    return blocks


def _even(run: Sequence[Entry]) -> int:
    """Return how many entries from the start have consecutive ticks and agree on having a true pose."""
    first, known = run[0][0], run[0][3] is not None
    for length, entry in enumerate(run):
        if entry[0] != first + length or (entry[3] is not None) != known:
            if entry[0] < first + length:
                raise ValueError(f"tick {entry[0]} came after tick {first + length - 1}")
            return length
    return len(run)


def _pack_run(run: Sequence[Entry], row: struct.Struct, rows_before: int) -> Block:
    pack_row, pack_command, pack_pose = row.pack, schema.COMMAND_ROW.pack, schema.TRUTH_ROW.pack
    try:
        raw = b"".join([pack_row(*entry[1]) for entry in run])
        commands = b"".join([pack_command(*entry[2]) for entry in run])
        truth = b"".join([pack_pose(*pose) for _, _, _, pose in run if pose is not None])
    except (struct.error, OverflowError, TypeError) as error:
        raise ValueError(f"a value in ticks {run[0][0]} to {run[-1][0]} does not fit its column: {error}") from None
    return Block(run[0][0], rows_before, len(run), schema.PLAIN, raw, commands, truth or None)


def merge(blocks: Sequence[Block], most: int) -> list[Block]:
    """Join blocks of codec 0 that follow each other without a gap, up to `most` ticks each."""
    merged: list[list[Block]] = []
    for block in blocks:
        run = merged[-1] if merged else []
        if run and _follows(block, run[-1]) and block.first_tick + block.size - run[0].first_tick <= most:
            run.append(block)
        else:
            merged.append([block])
    return [_join(run) for run in merged]


def _follows(block: Block, before: Block) -> bool:
    known = (block.truth is None) == (before.truth is None)
    return known and block.first_tick == before.first_tick + before.size


def _join(run: list[Block]) -> Block:
    raw, commands = b"".join(part.raw for part in run), b"".join(part.commands for part in run)
    truth = b"".join(part.truth for part in run if part.truth is not None) or None
    return run[0]._replace(size=sum(part.size for part in run), raw=raw, commands=commands, truth=truth)


def deflate(block: Block, width: int) -> Block:
    """Return the block in codec 1; `width` is the bytes of a raw row."""
    raw = schema.to_planes(block.raw, width)
    commands = schema.to_planes(block.commands, schema.COMMAND_ROW.size)
    truth = None if block.truth is None else schema.to_planes(block.truth, schema.TRUTH_ROW.size)
    return block._replace(codec=schema.PLANES, raw=raw, commands=commands, truth=truth)


def inflate(block: Block, width: int) -> Block:
    """Return the block in codec 0.

    Raises:
        ValueError: its codec is unknown or its lengths are wrong.

    """
    sizes = (width, schema.COMMAND_ROW.size, schema.TRUTH_ROW.size)
    if block.codec == schema.PLANES:
        block = block._replace(
            codec=schema.PLAIN,
            raw=schema.from_planes(block.raw, sizes[0], block.size),
            commands=schema.from_planes(block.commands, sizes[1], block.size),
            truth=None if block.truth is None else schema.from_planes(block.truth, sizes[2], block.size),
        )
    if block.codec != schema.PLAIN:
        raise ValueError(f"codec {block.codec}")
    for part, size in zip(block[4:], sizes, strict=True):
        if part is not None and len(part) != size * block.size:
            raise ValueError("wrong length")
    return block


def layout_columns(layout: Layout) -> list[list[str]]:
    """Return a layout as a recording holds it: [[name, code, unit], ...]."""
    return [list(column) for column in layout.columns]


def parse_layout(columns: object) -> Layout:
    """Rebuild a layout from what `layout_columns` gave.

    Raises:
        ValueError: it is anything else.

    """
    if not isinstance(columns, list) or not 0 < len(columns) <= 1000:
        raise ValueError("not a list of columns")
    devices: list[tuple[str, list[Channel]]] = []
    for entry in columns:
        if not (isinstance(entry, list) and len(entry) == 3 and all(isinstance(part, str) for part in entry)):
            raise ValueError(f"{entry!r} is not [name, code, unit]")
        column = Channel(*entry)
        role, _, name = column.name.partition(".")
        if column.code not in CODES:
            raise ValueError(f"column {column.name!r} has the code {column.code!r}")
        if name == "age":
            devices.append((role, []))
        elif devices:
            devices[-1][1].append(column._replace(name=name))
    layout = Layout((role, tuple(channels)) for role, channels in devices)
    if layout_columns(layout) != columns or len(dict.fromkeys(layout.names)) != len(columns):
        raise ValueError("columns out of order")
    return layout
