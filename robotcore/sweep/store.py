"""Where results are kept: one SQLite file, one row a run, readable by any tool.

Rules:
- A row's key is everything that decides a run; a run that has a row is never run again.
- Rows are committed in batches, each whole or not at all: after a kill the file holds all but the last batch.
- One sweep at a time: the file is locked while one is at it, and free the moment its process is gone.
- A file that is no store, or one of another schema, is refused and left as it is. A new one that no run came into
  is taken away again.
"""

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from robotcore.errors import UserError
from robotcore.sweep.job import Result

APPLICATION_ID = 0x48525357  #: written at offset 68 of the file; our own number
SCHEMA_VERSION = 1  #: written as SQLite's user_version

SCHEMA = """\
-- One row a run. The first seven columns are its name.
CREATE TABLE run (
    url           TEXT NOT NULL,     -- without options
    seed          INTEGER NOT NULL,
    perturbations TEXT NOT NULL,     -- the URL's options but the seed, sorted: noise=2&slip=1
    rig           TEXT NOT NULL,
    mission       TEXT NOT NULL,
    setup         TEXT NOT NULL,     -- see table setup
    code          TEXT NOT NULL,     -- see table code
    success       INTEGER NOT NULL,
    how           TEXT NOT NULL,     -- finished, time limit, stop button, error ...
    reasons       TEXT NOT NULL,     -- JSON list: why it is no success
    time_s        REAL NOT NULL,     -- robot time to the end of the run
    finish_s      REAL,              -- robot time at which it stood at the finish
    progress_m    REAL,
    length_m      REAL,
    touches       INTEGER NOT NULL,
    rms_mm        REAL,              -- lateral error over all ticks on the line
    sections      TEXT NOT NULL,     -- JSON: kind of section -> [rms in mm, ticks]
    decisions     INTEGER NOT NULL,
    decided       TEXT NOT NULL,     -- digest of all decisions with ticks and fields
    faults        INTEGER NOT NULL,
    error         TEXT NOT NULL,     -- what was raised
    PRIMARY KEY (url, seed, perturbations, rig, mission, setup, code)
) STRICT, WITHOUT ROWID;
-- What stands behind a setup's digest: rig, calibration and settings, whole.
CREATE TABLE setup (digest TEXT PRIMARY KEY, content TEXT NOT NULL) STRICT, WITHOUT ROWID;
-- What stands behind a code's digest: the commit, where one is known.
CREATE TABLE code (digest TEXT PRIMARY KEY, label TEXT NOT NULL) STRICT, WITHOUT ROWID;
"""


class Key(NamedTuple):
    """The name of a run, as the store's first columns have it."""

    url: str
    seed: int
    perturbations: str
    rig: str
    mission: str
    setup: str
    code: str


# Not "OR IGNORE": that would drop a row with a missing value without a word.
_VALUES = ", ".join("?" * (len(Key._fields) + len(Result._fields) - 1))
_INSERT = f"INSERT INTO run VALUES ({_VALUES}) ON CONFLICT DO NOTHING"


class Store:
    """An open store; use it in a ``with``.

    Args:
        path: the file; made where it is not there.

    Raises:
        UserError: it cannot be opened, is no store, has another schema, or another sweep is at it.

    """

    def __init__(self, path: str | Path) -> None:
        self.path = Path(path)
        if not self.path.parent.is_dir():
            raise UserError(f"{path}: its folder does not exist; make {self.path.parent} first")
        if self.path.is_dir():
            raise UserError(f"{path}: is a folder; give the name of a file in it")
        self._made = False
        try:
            self._file = sqlite3.connect(self.path, timeout=0.0, isolation_level=None)
        except sqlite3.Error as error:
            raise UserError(f"{path}: cannot be opened ({error}); check the path") from None
        try:
            self._prepare()
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> "Store":
        return self

    def __exit__(self, *error: object) -> None:
        empty = self._made and len(self) == 0
        self._file.close()
        if empty:
            self.path.unlink()

    def _prepare(self) -> None:
        """Lock the file, check that it is ours, and make the tables of a new one."""
        try:
            self._file.execute("PRAGMA trusted_schema=OFF")
            self._file.execute("PRAGMA locking_mode=EXCLUSIVE")
            self._file.execute("BEGIN EXCLUSIVE")
            self._check()
            self._file.execute("COMMIT")  # the lock stays
        except sqlite3.OperationalError as error:
            if "locked" in str(error):
                raise UserError(
                    f"{self.path}: another sweep is at it; wait for that, or give another --store"
                ) from None
            raise UserError(f"{self.path}: cannot be used ({error}); check folder and rights") from None
        except sqlite3.DatabaseError:
            raise UserError(f"{self.path}: is no store of sweeps; give another --store") from None

    def _check(self) -> None:
        application, version = self._pragma("application_id"), self._pragma("user_version")
        if (application, version) == (APPLICATION_ID, SCHEMA_VERSION):
            return
        if application == APPLICATION_ID:
            raise UserError(
                f"{self.path}: has schema {version}, this program writes schema {SCHEMA_VERSION}; give another --store"
            )
        if self._file.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0] or application:
            raise UserError(f"{self.path}: is no store of sweeps; give another --store")
        self._made = True
        for statement in SCHEMA.split(";\n"):
            if statement.strip():
                self._file.execute(statement)
        self._file.execute(f"PRAGMA application_id={APPLICATION_ID}")
        self._file.execute(f"PRAGMA user_version={SCHEMA_VERSION}")

    def _pragma(self, name: str) -> int:
        value: int = self._file.execute(f"PRAGMA {name}").fetchone()[0]
        return value

    def describe(self, setups: Mapping[str, str], code: str, label: str) -> None:
        """Keep what stands behind the digests of setups (digest -> content) and of the code."""
        with _batch(self._file):
            self._file.executemany("INSERT OR IGNORE INTO setup VALUES (?, ?)", sorted(setups.items()))
            self._file.execute("INSERT OR REPLACE INTO code VALUES (?, ?)", (code, label))

    def add(self, rows: Iterable[tuple[Key, Result]]) -> None:
        """Keep results, all of them or none.

        Raises:
            UserError: they cannot be written.

        """
        flat = [_flat(key, result) for key, result in rows]
        try:
            with _batch(self._file):
                self._file.executemany(_INSERT, flat)
        except sqlite3.Error as error:
            raise UserError(f"{self.path}: cannot be written ({error}); check free space, then start again") from None

    def find(self, keys: Sequence[Key]) -> dict[Key, Result]:
        """Return what is there of `keys`."""
        wanted, found = set(keys), {}
        names = sorted({key._replace(seed=0) for key in keys})
        where = " AND ".join(f"{column}=?" for column in Key._fields if column != "seed")
        for name in names:
            row: Any
            for row in self._file.execute(f"SELECT * FROM run WHERE {where}", (name.url, *name[2:])):
                key = Key(*row[: len(Key._fields)])
                if key in wanted:
                    found[key] = _result(row)
        return found

    def other_code(self, code: str) -> dict[str, int]:
        """Return how many runs of other code there are: label -> runs."""
        rows = self._file.execute(
            "SELECT coalesce(label, run.code) AS name, count(*) FROM run LEFT JOIN code ON run.code = digest "
            "WHERE run.code != ? GROUP BY name ORDER BY name",
            (code,),
        )
        return dict(rows.fetchall())

    def __len__(self) -> int:
        count: int = self._file.execute("SELECT count(*) FROM run").fetchone()[0]
        return count


class _batch:  # noqa: N801 - reads as a word: with _batch(file)
    """One transaction."""

    def __init__(self, file: sqlite3.Connection) -> None:
        self._file = file

    def __enter__(self) -> None:
        self._file.execute("BEGIN")

    def __exit__(self, kind: object, error: object, traceback: object) -> None:
        self._file.execute("COMMIT" if kind is None else "ROLLBACK")


def _flat(key: Key, result: Result) -> tuple[Any, ...]:
    fields = result._asdict()
    fields["success"] = int(result.success)
    fields["reasons"] = json.dumps(result.reasons)
    fields["sections"] = json.dumps(result.sections, sort_keys=True)
    del fields["code"]
    return (*key, *fields.values())


def _result(row: tuple[Any, ...]) -> Result:
    named = dict(zip(Result._fields, row[len(Key._fields) :], strict=False))
    named["success"] = bool(named["success"])
    named["reasons"] = tuple(json.loads(named["reasons"]))
    named["sections"] = {kind: (rms, ticks) for kind, (rms, ticks) in json.loads(named["sections"]).items()}
    return Result(**named, code=row[len(Key._fields) - 1])
