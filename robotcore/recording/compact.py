"""Re-writes a recording small enough to commit: blocks deflated, pages full, nothing else changed.

Rule: what is read from the new file equals what is read from the old, checked before it counts as done.
"""

import sqlite3
from pathlib import Path

from robotcore.errors import UserError
from robotcore.recording import schema
from robotcore.recording.blocks import deflate, merge
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording
from robotcore.recording.writer import create, discard, fold, insert, insert_blocks, insert_end


def compact(path: str | Path, out: str | Path) -> int:
    """Write the recording at `path` anew to `out`, and return its size in bytes.

    A run that was cut off stays marked so, but becomes a single file.

    Raises:
        UserError: `path` cannot be read, or `out` not written or there already; nothing is left behind.

    """
    old, out = open_recording(path), Path(out)
    db = create(out, old.header, old.layout, durable=True)
    try:
        _fill(db, old)
        fold(db)
        db.execute("VACUUM")
        db.close()
        if _content(open_recording(out)) != _content(old):
            raise UserError(f"{out}: does not read like {path}; the disk is failing, choose another")
    except BaseException as error:  # Ctrl-C as well must leave no half of a file
        db.close()
        discard(out)
        if isinstance(error, sqlite3.Error):
            raise UserError(f"{out}: cannot be written ({error}); free some space or choose another folder") from None
        raise
    return out.stat().st_size


def _fill(db: sqlite3.Connection, old: Recording) -> None:
    db.execute("BEGIN IMMEDIATE")
    blocks = merge(old.blocks, schema.BLOCK_TICKS[schema.PLANES])
    insert_blocks(db, [deflate(block, old.layout.row.size) for block in blocks])
    for number, decision in enumerate(old.decisions, 1):
        values = (*decision[:4], schema.fields_json(decision.fields), decision.place)
        insert(db, "decision", (number, *values))
    for number, fault in enumerate(old.faults, 1):
        insert(db, "fault", (number, *fault))
    for number, overrun in enumerate(old.overruns, 1):
        insert(db, "overrun", (number, *overrun))
    if old.outcome is not None and old.end_s is not None and old.counts is not None:
        insert_end(db, old.outcome, old.end_s, old.counts | {"blocks": len(blocks)})
    db.execute("COMMIT")


def _content(recording: Recording) -> tuple[object, ...]:
    """Return everything that a recording says, but for its path and how its ticks are cut into blocks."""
    counts = {key: count for key, count in (recording.counts or {}).items() if key != "blocks"}
    head = (recording.header, recording.layout.columns, recording.outcome, recording.end_s, counts)
    rows = merge(recording.blocks, len(recording))  # packed, since 0.0 == -0.0
    return (*head, recording.decisions, recording.faults, recording.overruns, rows)
