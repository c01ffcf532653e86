"""`Recorder`: writes a run into a file while it happens, at the cost of one append a tick on the control loop.

Rules:
- The loop never waits for the disk where the world is paced: a thread packs and commits every 0.25 s, each commit
  synced, so that a power cut costs the last interval at most. Where the world waits for us (a fake robot running free)
  there is no thread; the loop itself packs and commits every 500 ticks, which is cheaper in all.
- Nothing is dropped silently: a full queue is counted, and recorded as a fault.
- A recording never overwrites a file, and once closed it is a single file.
- The first failure to write (disk full, disk gone) is kept in `failure` for the runtime to stop on; what was committed
  stays readable.
"""

import contextlib
import json
import os
import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from robotcore.errors import UserError
from robotcore.layout import Layout
from robotcore.recording import schema
from robotcore.recording.blocks import Block, Entry, Pose, layout_columns, pack, parse_layout

COMMIT_S = 0.25
PACED_CAPACITY = 2000  #: ticks; 20 s at 100 Hz, about 2 MB
FREE_CAPACITY = 500


class Recorder:
    """Writes one recording.

    `row`, `decision`, `fault` and `overrun` are called from the control loop's thread only; `failure`, `dropped` and
    `committed` may be read from any.

    Args:
        path: the file to be made, ending in ``.rec``.
        header: what is in force.
        layout: how raw rows lie.
        blocking: True where the world waits for the loop (see the rules above).
        capacity: ticks, and entries of any other kind, that may wait for a commit.
        commit_s: seconds between commits, where not blocking.

    Raises:
        UserError: the path cannot be written, or something is there already.

    """

    def __init__(
        self,
        path: str | Path,
        header: schema.Header,
        layout: Layout,
        *,
        blocking: bool,
        capacity: int | None = None,
        commit_s: float = COMMIT_S,
        max_pages: int | None = None,
    ) -> None:
        self.path = Path(path)
        self.failure: str | None = None  #: why the recording is no longer written, or None
        self.dropped = 0  #: ticks that are not in the file
        self.dropped_entries = 0  #: decisions, faults and overruns that are not in the file
        self.committed = 0  #: ticks that are in the file for good
        self._period_s = header.period_s
        self._row = layout.row
        self._queue: deque[Entry] = deque()
        self._entries: deque[tuple[str, tuple[Any, ...]]] = deque()
        self._blocking = blocking
        self._capacity = capacity or (FREE_CAPACITY if blocking else PACED_CAPACITY)
        self._counts = {"decision": 0, "fault": 0, "overrun": 0, "block": 0}
        self._last_tick = 0
        self._told_dropped = 0
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None
        self._closed = False
        self._db = create(self.path, header, layout, durable=not blocking)
        if max_pages is not None:  # for tests: as if the disk were full
            self._db.execute(f"PRAGMA max_page_count = {max_pages:d}")
        if not blocking:
            self._thread = threading.Thread(target=self._work, args=(commit_s,), name="recorder", daemon=True)
            self._thread.start()

    def row(self, tick: int, raw: tuple[int, ...], command: tuple[float, ...], truth: Pose | None) -> None:
        """Take down one tick: raw counts, command, and the true pose (x m, y m, heading rad) where known."""
        queue = self._queue
        if len(queue) >= self._capacity and not self._room():
            self.dropped += 1
            return
        queue.append((tick, raw, command, truth))

    def decision(
        self, tick: int, time_s: float, behaviour: str, name: str, fields: Mapping[str, Any], place: str
    ) -> None:
        """Take down a decision; `place` is the line of code that decided, ``file:line``.

        Raises:
            ValueError: a field is not a finite number, a text or a boolean.

        """
        text = schema.fields_json(fields)
        who, what, where = schema.tidy(behaviour), schema.tidy(name), schema.tidy(place)
        self._entry("decision", (tick, float(time_s), who, what, text, where))

    def fault(self, tick: int, time_s: float, kind: str, detail: str, behaviour: str = "") -> None:
        """Take down a fault; texts that are too long are cut."""
        texts = (schema.tidy(kind), schema.tidy(detail), schema.tidy(behaviour))
        self._entry("fault", (tick, float(time_s), *texts))

    def overrun(self, tick: int, late_us: int, behaviour: str = "") -> None:
        """Take down that a tick came late, and which behaviour took longest."""
        self._entry("overrun", (tick, int(late_us), schema.tidy(behaviour)))

    def flush(self) -> None:
        """Commit what waits. Any thread; never raises, see `failure`."""
        with self._lock:
            if not self._closed:
                self._flush()

    def close(self, outcome: str, end_s: float | None = None) -> None:
        """Commit what waits and how the run ended, and leave a single file. Never raises, see `failure`.

        Args:
            outcome: "finished" or "stopped: why".
            end_s: robot time at the end; the last tick's where not given.

        """
        self._stop.set()
        if self._thread is not None:
            self._thread.join()
        with self._lock:
            if self._closed:
                return
            self._flush()
            end = self._last_tick * self._period_s if end_s is None else end_s
            self._try(lambda: self._finish(schema.tidy(outcome), end))
            self._closed = True
            self._try(lambda: fold(self._db), "not brought into one file", "keep the files beside it")
            self._db.close()

    def _work(self, commit_s: float) -> None:
        while not self._stop.wait(commit_s):
            self.flush()

    def _room(self) -> bool:
        """Make room where the loop may wait, and tell whether there is some."""
        if self._blocking:
            self.flush()
        return len(self._queue) < self._capacity

    def _entry(self, table: str, values: tuple[Any, ...]) -> None:
        if self._blocking and len(self._entries) >= self._capacity:
            self.flush()
        if len(self._entries) < self._capacity:
            self._entries.append((table, values))
        else:
            self.dropped_entries += 1

    def _flush(self) -> None:
        rows = [self._queue.popleft() for _ in range(len(self._queue))]
        entries = [self._entries.popleft() for _ in range(len(self._entries))]
        try:
            if self.failure is None and (rows or entries or self.dropped > self._told_dropped):
                self._try(lambda: self._commit(rows, entries))
        except BaseException:  # Ctrl-C, or the watchdog: what waits still waits
            self._queue.extendleft(reversed(rows))
            self._entries.extendleft(reversed(entries))
            raise
        if self.failure is not None:
            self.dropped += len(rows)
            self.dropped_entries += len(entries)

    def _try(
        self, action: Callable[[], None], what: str = "no longer recorded", so: str = "what came before is kept"
    ) -> None:
        """Run `action` and keep its first failure: a thread has nobody to raise to."""
        try:
            action()
        except BaseException as error:  # a defect in packing must surface too, not end the thread unseen
            with contextlib.suppress(sqlite3.Error):
                self._db.rollback()
            if not isinstance(error, Exception):
                raise
            if self.failure is None:
                self.failure = f"{self.path}: {what} ({_reason(error)}); {so}"

    def _commit(self, rows: list[Entry], entries: list[tuple[str, tuple[Any, ...]]]) -> None:
        blocks = pack(rows, self._row, self.committed)
        counts, dropped = dict(self._counts), self.dropped
        if rows:
            self._last_tick = rows[-1][0]
        if dropped > self._told_dropped:
            detail = f"{dropped - self._told_dropped} ticks were not recorded, the disk was too slow"
            entries = [*entries, ("fault", (self._last_tick, self._last_tick * self._period_s, "recorder", detail, ""))]
        self._db.execute("BEGIN IMMEDIATE")
        insert_blocks(self._db, blocks)
        counts["block"] += len(blocks)
        for table, values in entries:
            counts[table] += 1
            insert(self._db, table, (counts[table], *values))
        self._db.execute("COMMIT")
        self._counts, self._told_dropped = counts, dropped
        self.committed += len(rows)

    def _finish(self, outcome: str, end_s: float) -> None:
        counts = {
            "rows": self.committed,
            "blocks": self._counts["block"],
            "decisions": self._counts["decision"],
            "faults": self._counts["fault"],
            "overruns": self._counts["overrun"],
            "dropped": self.dropped,
            "dropped_entries": self.dropped_entries,
        }
        self._db.execute("BEGIN IMMEDIATE")
        insert_end(self._db, outcome, end_s, counts)
        self._db.execute("COMMIT")


def create(path: Path, header: schema.Header, layout: Layout, *, durable: bool) -> sqlite3.Connection:
    """Make a recording that holds its header and nothing else, ready to be written.

    Args:
        path: must not exist.
        header: what is in force.
        layout: how raw rows lie.
        durable: sync every commit to the disk.

    Raises:
        UserError: the path cannot be written, or something is there already; nothing is left behind.

    """
    schema.check_header(header, str(path))
    try:
        parse_layout(layout_columns(layout))
    except ValueError as error:
        raise UserError(f"{path}: the rig's raw columns cannot be recorded ({error}); rename the channel") from None
    _claim(path)
    db: sqlite3.Connection | None = None
    try:
        db = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        _prepare(db, header, layout, "FULL" if durable else "NORMAL")
    except sqlite3.Error as error:
        if db is not None:
            db.close()
        discard(path)
        raise UserError(f"{path}: cannot be written ({error}); free some space or record elsewhere") from None
    return db


def discard(path: Path) -> None:
    """Remove a recording that could not be begun, and what SQLite left beside it."""
    for name in (path, *schema.leftovers(path)):
        with contextlib.suppress(OSError):
            name.unlink()


def _claim(path: Path) -> None:
    """Make an empty file that nobody else has made."""
    if path.suffix != schema.SUFFIX:
        raise UserError(f"{path}: a recording's name ends in {schema.SUFFIX}; add that")
    for beside in schema.leftovers(path):
        if os.path.exists(beside):  # Path.exists raises where the name is too long
            raise UserError(f"{beside}: is left from another recording; move it away or choose another name")
    try:
        os.close(os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    except FileExistsError:
        raise UserError(f"{path}: is there already; choose another name, recordings are never overwritten") from None
    except FileNotFoundError as error:
        if path.parent.is_dir():  # such as /proc, which takes no files
            raise UserError(f"{path}: cannot be made ({error.strerror}); choose another folder") from None
        raise UserError(f"{path}: its folder does not exist; make {path.parent} first") from None
    except OSError as error:
        raise UserError(f"{path}: cannot be made ({error.strerror}); choose a folder that you may write to") from None


def _prepare(db: sqlite3.Connection, header: schema.Header, layout: Layout, synchronous: str) -> None:
    db.execute("PRAGMA journal_mode = WAL")
    db.execute(f"PRAGMA synchronous = {synchronous}")
    script = f"PRAGMA application_id = {schema.APPLICATION_ID}; PRAGMA user_version = {schema.SCHEMA_VERSION};"
    db.executescript(f"BEGIN; {script} {schema.SCHEMA}")
    meta = dict(header._asdict())
    meta["period_s"] = repr(float(header.period_s))
    meta["facts"] = json.dumps(dict(header.facts), sort_keys=True)
    meta["layout"] = json.dumps(layout_columns(layout))
    for key, value in meta.items():
        insert(db, "meta", (key, value))
    db.execute("COMMIT")
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # so that the main file alone is a recording from the start


def insert(db: sqlite3.Connection, table: str, values: tuple[Any, ...]) -> None:
    """Add a row, with its checksum, to any table but `block`."""
    db.execute(schema.INSERT[table], (*values, schema.row_crc(table, values)))


def insert_blocks(db: sqlite3.Connection, blocks: list[Block]) -> None:
    """Add blocks with their checksums."""
    db.executemany(schema.INSERT["block"], [(*block, schema.block_crc(*block)) for block in blocks])


def insert_end(db: sqlite3.Connection, outcome: str, end_s: float, counts: Mapping[str, int]) -> None:
    """Add how the run ended."""
    insert(db, "meta", ("outcome", outcome))
    insert(db, "meta", ("end_s", repr(float(end_s))))
    insert(db, "meta", ("counts", json.dumps(dict(counts))))


def fold(db: sqlite3.Connection) -> None:
    """Bring everything into the one file and remove what SQLite keeps beside it."""
    db.execute("PRAGMA busy_timeout = 300")  # ms; who reads it right now may be about to stop
    db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.execute("PRAGMA journal_mode = DELETE")


def _reason(error: Exception) -> str:
    if isinstance(error, sqlite3.Error | ValueError):
        return str(error)
    return repr(error)
