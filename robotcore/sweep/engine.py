"""The sweep itself: leave out what is in the store, have the rest done, keep what comes back.

Rule: results are kept as they come, in batches by time; whatever ends the sweep, what came back is kept first.
"""

import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from typing import NamedTuple, Protocol

from robotcore.errors import UserError
from robotcore.sweep.job import Job, Result, Work
from robotcore.sweep.pool import carry_out
from robotcore.sweep.store import Key, Store

COMMIT_S = 1.0  #: what came back is kept after so long, or once it is so many
COMMIT_ROWS = 200


class Watch(Protocol):
    """Looks on while a sweep goes."""

    def begin(self, total: int, known: int) -> None:
        """Be told how many runs there are, and how many of them were in the store."""
        ...

    def came(self, results: Sequence[Result]) -> None:
        """Be told what came back."""
        ...

    def kept(self, rows: int) -> None:
        """Be told that the store has so many more rows."""
        ...


class Entry(NamedTuple):
    """One run: its name and what a worker needs."""

    key: Key
    job: Job


def sweep(
    entries: Sequence[Entry],
    work: Work,
    executor: Executor,
    width: int,
    store: Store,
    watch: Watch,
    now: Callable[[], float],
) -> dict[Key, Result]:
    """Do every run that the store does not have, and return the results of all.

    Args:
        entries: the runs; the order in which they are done.
        work: does one; importable by name.
        executor: where they are done.
        width: how many it does at a time.
        store: what was done before, and where results are kept.
        watch: looks on.
        now: a steady clock in seconds.

    Raises:
        UserError: a run cannot be done, the code changed meanwhile, a worker died, or the store cannot be written.

    """
    found = store.find([entry.key for entry in entries])
    watch.begin(len(entries), len(found))
    batch: list[tuple[Key, Result]] = []
    due_s = now() + COMMIT_S
    try:
        todo = [(entry.key, entry.job) for entry in entries if entry.key not in found]
        for parcel in carry_out(todo, work, executor, width):
            _check_code(parcel)
            batch += parcel
            watch.came([result for _, result in parcel])
            if now() >= due_s or len(batch) >= COMMIT_ROWS:
                _keep(batch, found, store, watch)
                due_s = now() + COMMIT_S
    finally:
        _keep(batch, found, store, watch)
    return found


def _keep(batch: list[tuple[Key, Result]], found: dict[Key, Result], store: Store, watch: Watch) -> None:
    if batch:
        with _interrupts_later():
            store.add(batch)
            found.update(batch)
            watch.kept(len(batch))
            batch.clear()


@contextmanager
def _interrupts_later() -> Iterator[None]:
    """Let Ctrl-C wait for the end of the block: half a commit is worse than a moment's delay."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    caught: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, frame: caught.append(number))
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)
    if caught:
        raise KeyboardInterrupt


def _check_code(parcel: Sequence[tuple[Key, Result]]) -> None:
    for key, result in parcel:
        if result.code != key.code:
            raise UserError(
                f"the code changed while the sweep ran (it began with {key.code}, a worker has {result.code}); "
                "what was done before is kept; start again"
            )
