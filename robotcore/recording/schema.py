"""What lies in a recording: the tables, the checksum of every row, and the limits that writer and reader share.

Rules:
- One file, one run. Meta-data, decisions, faults and overruns are ordinary rows; raw counts, commands and the true
  pose are packed blocks of at most 25 ticks, or 250 once compacted. Everything little-endian.
- Every row carries a CRC-32 over its own fields, and numbered rows are numbered without gaps, so that an altered,
  swapped or lost row is found. (CRC-32 as in ISO 3309, check value CBF43926; it finds accidents, not forgers.)
- Nothing in a file is executed; JSON holds flat tables of finite numbers, texts and booleans.
"""

import json
import math
import struct
import zlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

from robotcore.errors import UserError

SUFFIX = ".rec"
APPLICATION_ID = 0x48525231  #: written at offset 68 of the file; our own number
SCHEMA_VERSION = 1  #: written as SQLite's user_version

PLAIN, PLANES = 0, 1  #: codecs of a block
BLOCK_TICKS = (25, 250)  #: the most ticks that one block holds, by codec
COMMAND_ROW = struct.Struct("<4d")
TRUTH_ROW = struct.Struct("<3f")

TEXT_LIMIT = 4096  #: characters of one text in a decision or fault
META_LIMIT = 1_000_000  #: characters of one meta-data value: a rig, a course
BLOB_LIMIT = 8_000_000  #: bytes of one value that SQLite may hand over
UNPACKED_LIMIT = 2**30  #: bytes of all blocks, unpacked; ten hours of a full rig at 100 Hz take half
LAST_TICK = 2**40

SCHEMA = """\
-- What the run was: see the table of keys below.
CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL,
    crc   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
-- What a behaviour concluded, and the line of code that did.
CREATE TABLE decision (
    id        INTEGER PRIMARY KEY,  -- 1, 2, 3 ...
    tick      INTEGER NOT NULL,
    time_s    REAL NOT NULL,
    behaviour TEXT NOT NULL,
    name      TEXT NOT NULL,
    fields    TEXT NOT NULL,        -- JSON object, keys sorted; finite numbers, texts, booleans
    place     TEXT NOT NULL,        -- file:line
    crc       INTEGER NOT NULL
) STRICT;
-- What went wrong.
CREATE TABLE fault (
    id        INTEGER PRIMARY KEY,  -- 1, 2, 3 ...
    tick      INTEGER NOT NULL,
    time_s    REAL NOT NULL,
    kind      TEXT NOT NULL,
    detail    TEXT NOT NULL,
    behaviour TEXT NOT NULL,        -- empty where none is to blame
    crc       INTEGER NOT NULL
) STRICT;
-- Ticks that came late.
CREATE TABLE overrun (
    id        INTEGER PRIMARY KEY,  -- 1, 2, 3 ...
    tick      INTEGER NOT NULL,
    late_us   INTEGER NOT NULL,
    behaviour TEXT NOT NULL,        -- the one that took longest
    crc       INTEGER NOT NULL
) STRICT;
-- At most 25 ticks (codec 1: 250) without a gap between them; a skipped tick starts a new block.
CREATE TABLE block (
    first_tick  INTEGER PRIMARY KEY,
    rows_before INTEGER NOT NULL,   -- rows in all earlier blocks
    count       INTEGER NOT NULL,   -- rows in this block
    codec       INTEGER NOT NULL,   -- 0 plain, 1 byte planes and zlib
    raw         BLOB NOT NULL,      -- count rows, laid out as meta 'layout' says, little-endian, no padding
    commands    BLOB NOT NULL,      -- count times 4 float64: left m/s, right m/s, gripper rad, sorter rad
    truth       BLOB,               -- count times 3 float32: x m, y m, heading rad, where the world knows them
    crc         INTEGER NOT NULL
) STRICT;
"""

META_KEYS = """\
name, started, mission, rig_name, code_version, backend   short texts; `started` was passed in, no clock was read
rig, calibration, settings                                the texts that were in force, whole
period_s                                                  seconds a tick
layout                                                    JSON: [[column, struct code, unit], ...]
facts                                                     JSON object: what the backend says of its world
outcome                                                   "finished" or "stopped: why"; absent where the run was cut off
end_s                                                     robot time at the end, with the outcome
counts                                                    JSON object: rows of each table, dropped ticks and entries
"""

#: table -> the types of its columns before crc, as SQLite hands them over
ROW_TYPES: dict[str, tuple[type, ...]] = {
    "meta": (str, str),
    "decision": (int, int, float, str, str, str, str),
    "fault": (int, int, float, str, str, str),
    "overrun": (int, int, int, str),
}

INSERT = {
    table: f"INSERT INTO {table} VALUES ({', '.join('?' * (len(types) + 1))})" for table, types in ROW_TYPES.items()
}
INSERT["block"] = "INSERT INTO block VALUES (?, ?, ?, ?, ?, ?, ?, ?)"

TEXT_KEYS = ("name", "started", "mission", "rig_name", "rig", "calibration", "settings", "backend", "code_version")
START_KEYS = (*TEXT_KEYS, "period_s", "layout", "facts")
END_KEYS = ("outcome", "end_s", "counts")
COUNT_KEYS = ("rows", "blocks", "decisions", "faults", "overruns", "dropped", "dropped_entries")


class Header(NamedTuple):
    """What was in force when the run began. Texts, but for `period_s` in seconds and `facts` of the backend."""

    name: str
    started: str
    mission: str
    rig_name: str
    rig: str
    calibration: str
    settings: str
    backend: str
    code_version: str
    period_s: float
    facts: Mapping[str, str]


def schema_text() -> str:
    """Return the tables and the keys of `meta`, as the README prints them."""
    keys = "".join(f"-- {line}\n" for line in META_KEYS.splitlines())
    return f"PRAGMA application_id = {APPLICATION_ID:#x};\nPRAGMA user_version = {SCHEMA_VERSION};\n{SCHEMA}{keys}"


def leftovers(path: Path) -> list[Path]:
    """Return the files that SQLite keeps beside an open recording, there or not."""
    return [path.with_name(path.name + ending) for ending in ("-wal", "-shm", "-journal")]


def row_crc(table: str, values: tuple[Any, ...]) -> int:
    """Return the CRC-32 over the UTF-8 bytes of the JSON list [table, every field but crc]."""
    return zlib.crc32(json.dumps([table, *values], separators=(",", ":")).encode())


_BLOCK_HEAD = struct.Struct("<7q")


def block_crc(
    first_tick: int, rows_before: int, count: int, codec: int, raw: bytes, commands: bytes, truth: bytes | None
) -> int:
    """Return the CRC-32 over seven int64 (the four numbers and the blobs' lengths, -1 for none) and the blobs."""
    truth_size = -1 if truth is None else len(truth)
    head = _BLOCK_HEAD.pack(first_tick, rows_before, count, codec, len(raw), len(commands), truth_size)
    return zlib.crc32(truth or b"", zlib.crc32(commands, zlib.crc32(raw, zlib.crc32(head))))


def to_planes(blob: bytes, width: int) -> bytes:
    """Codec 1: first all rows' first bytes, then all second bytes ..., deflated (RFC 1950)."""
    return zlib.compress(b"".join([blob[start::width] for start in range(width)]), 9)


def from_planes(blob: bytes, width: int, count: int) -> bytes:
    """Undo `to_planes`.

    Raises:
        ValueError: it does not hold exactly `count` rows of `width` bytes.

    """
    inflater = zlib.decompressobj()
    try:
        planes = inflater.decompress(blob, width * count)  # bounded: a small blob may claim to be huge
    except zlib.error as error:
        raise ValueError(str(error)) from None
    if len(planes) != width * count or inflater.unconsumed_tail or inflater.unused_data or not inflater.eof:
        raise ValueError("wrong length")
    rows = bytearray(width * count)
    for start in range(width):
        rows[start::width] = planes[start * count : (start + 1) * count]
    return bytes(rows)


def fields_json(fields: Mapping[str, Any]) -> str:
    """Return a decision's fields as they are stored: JSON, keys sorted.

    Raises:
        ValueError: a field is not a finite number of 64 bits, a text or a boolean, or all are too long; names it.

    """
    for key, value in fields.items():
        if not isinstance(key, str) or not _storable(value):
            raise ValueError(f"field {key!r} is {value!r}; give a finite number, a text or True or False")
    text = json.dumps(dict(fields), sort_keys=True, separators=(",", ":"))
    if len(text) > TEXT_LIMIT:
        raise ValueError(f"the fields take {len(text)} characters; keep them under {TEXT_LIMIT}")
    return text


def _storable(value: Any) -> bool:
    kind = type(value)
    if kind is float:
        return math.isfinite(value)
    return kind in (str, bool) or (kind is int and -(2**63) <= value < 2**63)


def parse_fields(text: str) -> dict[str, Any]:
    """Read what `fields_json` wrote.

    Raises:
        ValueError: it is anything else.

    """
    try:
        fields = json.loads(text)
    except RecursionError:
        raise ValueError("nested too deeply") from None
    if not isinstance(fields, dict) or fields_json(fields) != text:
        raise ValueError("not a flat JSON object with sorted keys")
    return fields


def tidy(text: str, limit: int = TEXT_LIMIT) -> str:
    """Return a text that any file can hold: valid UTF-8, no NUL, cut at `limit` characters."""
    held = text[: limit + 1].encode("utf-8", "backslashreplace").decode().replace("\0", "\\0")
    return held if len(held) <= limit else held[: limit - 1] + "…"


def check_header(header: Header, source: str) -> None:
    """Check that a header can be stored.

    Raises:
        UserError: names what does not fit.

    """
    texts = dict(header._asdict())
    facts, period_s = texts.pop("facts"), texts.pop("period_s")
    for key, text in [*texts.items(), *((f"facts.{k}", v) for k, v in facts.items()), *((k, k) for k in facts)]:
        if not isinstance(text, str) or tidy(text, META_LIMIT) != text:
            raise UserError(f"{source}: {key} is no text that a recording can hold; give UTF-8, 1 MB at most")
    if not (math.isfinite(period_s) and 0 < period_s <= 10):
        raise UserError(f"{source}: period_s is {period_s!r}; give seconds above 0 and at most 10")
