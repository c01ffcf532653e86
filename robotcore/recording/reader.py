"""Reading a recording as data from a stranger: everything is checked before anything is handed out.

Rules:
- The file is opened read-only, nothing in it is trusted or executed, and a run that was cut off is read with what
  SQLite left beside it, which stays where it is.
- A file that is foreign, too old, too new, damaged or altered is refused by one line (`UserError`) that names file,
  place and remedy. A recording that opens is whole, or says by `outcome` being None that it was cut off.
"""

import json
import math
import sqlite3
import struct
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

from robotcore.errors import UserError
from robotcore.layout import Layout
from robotcore.log import Decision, Fault
from robotcore.recording import schema
from robotcore.recording.blocks import Block, inflate, parse_layout
from robotcore.recording.content import Overrun, Recording

DAMAGED = "the file was damaged or altered, use another copy"
_MAGIC = b"SQLite format 3\0"
_BLOCK_TYPES = ((int, int, int, int, bytes, bytes, bytes, int), (int, int, int, int, bytes, bytes, type(None), int))


def open_recording(path: str | Path) -> Recording:
    """Read and check a recording.

    Raises:
        UserError: it cannot be read, is no recording, or is damaged.

    """
    path = Path(path)
    _peek(path)
    try:
        try:
            return _read(path, path.absolute().as_uri() + _mode(path))
        except sqlite3.OperationalError:
            return _read_copy(path)
    except (sqlite3.Error, UnicodeDecodeError) as error:  # the latter where SQLite quotes damaged text
        raise UserError(f"{path}: not readable as a recording ({_line(error)}); {DAMAGED}") from None


def _line(text: object) -> str:
    return " ".join(str(text).split())[:300]


def _peek(path: Path) -> None:
    try:
        with path.open("rb") as file:
            head = file.read(len(_MAGIC))
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); check the path") from None
    if head != _MAGIC:
        raise UserError(f"{path}: not a recording (no SQLite file); give a file that `robotcore run` wrote")


def _mode(path: Path) -> str:
    """Return how to open: with nothing beside it, a file needs no locks and SQLite shall put nothing there."""
    return "?mode=ro" if any(beside.exists() for beside in schema.leftovers(path)) else "?mode=ro&immutable=1"


def _read_copy(path: Path) -> Recording:
    """Read where SQLite has to mend first (a cut-off run in a folder that may not be written): mend a copy."""
    import shutil  # late: both cost, and only a recording that cannot be opened in place needs them
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        try:
            shutil.copyfile(path, copy)
            for beside, twin in zip(schema.leftovers(path), schema.leftovers(copy), strict=True):
                if beside.exists():
                    shutil.copyfile(beside, twin)
        except OSError as error:
            raise UserError(f"{path}: cannot be copied to be read ({error.strerror}); free some space") from None
        return _read(path, copy.as_uri() + "?mode=rw")


def _read(path: Path, uri: str) -> Recording:
    db = sqlite3.connect(uri, uri=True, isolation_level=None)
    try:
        db.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, schema.BLOB_LIMIT)
        for pragma in ("trusted_schema = OFF", "query_only = ON", "cell_size_check = ON"):
            db.execute(f"PRAGMA {pragma}")
        db.execute("BEGIN")  # one state, should the run still be going on
        return _Inspector(path, db).recording()
    finally:
        db.close()


class _Inspector:
    """Checks one open file and builds the recording."""

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self.path = path
        self.db = db

    def refuse(self, place: str, what: str, remedy: str = DAMAGED) -> NoReturn:
        raise UserError(f"{self.path}: {place}: {_line(what)}; {remedy}")

    def number(self, pragma: str) -> int:
        return int(self.db.execute(f"PRAGMA {pragma}").fetchone()[0])

    def recording(self) -> Recording:
        self.version()
        self.tables()
        meta = self.meta()
        if "outcome" not in meta:  # nothing to count against, so ask SQLite whether every page is accounted for
            found = self.db.execute("PRAGMA integrity_check(1)").fetchone()[0]
            if found != "ok":
                self.refuse("file", _line(found))
        recording = Recording(self.path, self.header(meta), self.layout(meta))
        recording.decisions = [self.decision(row) for row in self.numbered("decision")]
        recording.faults = [Fault(*row[1:]) for row in self.numbered("fault")]
        recording.overruns = [Overrun(*row[1:]) for row in self.numbered("overrun")]
        recording.blocks = self.blocks(recording.layout)
        if "outcome" in meta:
            self.end(meta, recording)
        return recording

    def version(self) -> None:
        if self.number("application_id") != schema.APPLICATION_ID:
            self.refuse("application_id", "not a recording", "give a file that `robotcore run` wrote")
        version = self.number("user_version")
        if version > schema.SCHEMA_VERSION:
            self.refuse("user_version", f"schema {version} is newer than this code's", "update robotcore")
        if version < schema.SCHEMA_VERSION:
            self.refuse("user_version", f"schema {version} is older than this code's", "use the code that wrote it")

    def tables(self) -> None:
        found = dict(self.db.execute("SELECT name, sql FROM sqlite_schema").fetchall())
        wanted = _expected_tables()
        for name in wanted:
            if found.get(name) != wanted[name]:
                self.refuse(f"table {name}", "missing or not as this code makes it")
        for name in found:
            if name not in wanted:
                self.refuse("tables", f"{str(name)[:40]!r} does not belong in a recording", "use another copy")

    def meta(self) -> dict[str, str]:
        meta: dict[str, str] = {}
        for row in self.checked("meta"):
            meta[row[0]] = row[1]
        for key in meta:
            if key not in schema.START_KEYS and key not in schema.END_KEYS:
                self.refuse("meta", f"{key!r} is not a known key")
        for key in schema.START_KEYS + (schema.END_KEYS if "outcome" in meta else ()):
            if key not in meta:
                self.refuse("meta", f"{key!r} is missing")
        return meta

    def checked(self, table: str) -> Iterator[tuple[Any, ...]]:
        """Give the rows of a table, less crc, once type, length and checksum were right."""
        types, limit = schema.ROW_TYPES[table], schema.META_LIMIT if table == "meta" else schema.TEXT_LIMIT
        for number, row in enumerate(self.db.execute(f"SELECT * FROM {table} ORDER BY 1"), 1):
            place, values = f"{table} {number}", row[:-1]
            if tuple(map(type, values)) != types or any(type(v) is str and len(v) > limit for v in values):
                self.refuse(place, "a value of the wrong type or length")
            if schema.row_crc(table, values) != row[-1]:
                self.refuse(place, "its checksum is wrong")
            yield values

    def numbered(self, table: str) -> Iterator[tuple[Any, ...]]:
        """Give the rows of a table whose first columns are id and tick, without a gap in the ids."""
        for number, values in enumerate(self.checked(table), 1):
            if values[0] != number:
                self.refuse(f"{table} {number}", "is missing")
            if not (0 <= values[1] <= schema.LAST_TICK and math.isfinite(values[2])):
                self.refuse(f"{table} {number}", "its tick or time is out of bounds")
            yield values

    def decision(self, row: tuple[Any, ...]) -> Decision:
        number, tick, time_s, behaviour, name, text, place = row
        try:
            fields = schema.parse_fields(text)
        except ValueError as error:
            self.refuse(f"decision {number}", f"its fields are no flat JSON object ({error})")
        return Decision(tick, time_s, behaviour, name, fields, place)

    def header(self, meta: dict[str, str]) -> schema.Header:
        facts = self.json(meta, "facts")
        if not isinstance(facts, dict):
            self.refuse("meta facts", "not a JSON object")
        period_s = self.real(meta, "period_s")
        header = schema.Header(**{key: meta[key] for key in schema.TEXT_KEYS}, period_s=period_s, facts=facts)
        schema.check_header(header, f"{self.path}: meta")
        return header

    def json(self, meta: dict[str, str], key: str) -> Any:
        try:
            return json.loads(meta[key])
        except (ValueError, RecursionError):
            self.refuse(f"meta {key}", "not JSON")

    def real(self, meta: dict[str, str], key: str) -> float:
        try:
            value = float(meta[key])
        except ValueError:
            value = math.nan
        if not math.isfinite(value):
            self.refuse(f"meta {key}", f"{meta[key]!r} is not a finite number")
        return value

    def layout(self, meta: dict[str, str]) -> Layout:
        try:
            return parse_layout(self.json(meta, "layout"))
        except ValueError as error:
            self.refuse("meta layout", str(error))

    def blocks(self, layout: Layout) -> list[Block]:
        blocks: list[Block] = []
        next_tick = rows = 0
        row_bytes = layout.row.size + schema.COMMAND_ROW.size + schema.TRUTH_ROW.size
        for row in self.db.execute("SELECT * FROM block ORDER BY first_tick"):
            block = self.block(row, layout.row.size)
            place = f"block at tick {block.first_tick}"
            if block.rows_before != rows:
                self.refuse(place, f"{block.rows_before - rows} rows before it are missing")
            if not next_tick <= block.first_tick <= schema.LAST_TICK:
                self.refuse(place, "its ticks lie inside the block before, or out of bounds")
            next_tick, rows = block.first_tick + block.size, rows + block.size
            if rows * row_bytes > schema.UNPACKED_LIMIT:
                self.refuse(place, "holds more than a recording can", "cut the run into several")
            blocks.append(block)
        return blocks

    def block(self, row: tuple[Any, ...], width: int) -> Block:
        place = f"block at tick {row[0]!r}"
        if tuple(map(type, row)) not in _BLOCK_TYPES or row[3] not in (schema.PLAIN, schema.PLANES):
            self.refuse(place, "a value of the wrong type, or an unknown codec")
        if not 1 <= row[2] <= schema.BLOCK_TICKS[row[3]]:
            self.refuse(place, f"{row[2]} ticks in one block")
        if schema.block_crc(*row[:-1]) != row[-1]:
            self.refuse(place, "its checksum is wrong")
        try:
            block = inflate(Block(*row[:-1]), width)
        except ValueError as error:
            self.refuse(place, f"cannot be unpacked ({error})")
        if not (_finite(block.commands, "d") and _finite(block.truth or b"", "f")):
            self.refuse(place, "a command or pose is not a finite number")
        return block

    def end(self, meta: dict[str, str], recording: Recording) -> None:
        counts = self.json(meta, "counts")
        if not (isinstance(counts, dict) and tuple(counts) == schema.COUNT_KEYS):
            self.refuse("meta counts", "not the counts of a recording")
        if not all(type(count) is int and count >= 0 for count in counts.values()):
            self.refuse("meta counts", "a count that is no whole number")
        lists: tuple[list[Any], ...] = (recording.blocks, recording.decisions, recording.faults, recording.overruns)
        found = (len(recording), *(len(entries) for entries in lists))
        for key, count in zip(schema.COUNT_KEYS, found, strict=False):
            if counts[key] != count:
                self.refuse(key, f"{count} are there, {counts[key]} were written")
        recording.outcome, recording.counts = meta["outcome"], counts
        recording.end_s = self.real(meta, "end_s")


def _finite(blob: bytes, code: str) -> bool:
    size = struct.calcsize("<" + code)
    highest = blob[size - 1 :: size]
    if b"\x7f" not in highest and b"\xff" not in highest:  # all bits of the exponent are set in NaN and infinity
        return True
    numbers = struct.unpack(f"<{len(blob) // size}{code}", blob)
    return math.isfinite(sum(numbers))  # one NaN or infinity makes the sum one; so do absurd sizes, as well refused


def _expected_tables() -> dict[str, str]:
    """Return name -> SQL as SQLite stores it: each statement from CREATE on, without the semicolon."""
    statements = [part[part.index("CREATE") :] for part in schema.SCHEMA.split(";\n") if "CREATE" in part]
    return {statement.split()[2]: statement for statement in statements}
