"""Where runs are done: a pool of processes, a Dask cluster, or any executor of the standard library's kind.

Rules:
- Processes are spawned, not forked: a worker has only what it imported itself, on every operating system.
- Jobs go out in small parcels, smaller towards the end, two a worker at a time: nobody waits for work, and a kill
  loses little.
- Ctrl-C is the parent's business; workers do not hear it, and go when their parent is gone, however it went.
- A behaviour that never gives control back is ended by the processor time it took, not by the clock on the wall, so
  that a busy machine changes no result.
"""

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from importlib import import_module
from types import FrameType
from typing import Any, TypeVar

from robotcore.errors import UserError
from robotcore.safety import HungError
from robotcore.sweep.job import Job, Result, Work

Tag = TypeVar("Tag")

PARCEL = 4  #: jobs in one parcel at most
AHEAD = 2  #: parcels under way for each worker
LEAST_CPU_S = 60.0  #: a run may take so much processor time, or its robot time if that is more


def cores() -> int:
    """Return how many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def carry_out(
    jobs: Sequence[tuple[Tag, Job]], work: Work, executor: Executor, width: int
) -> Iterator[list[tuple[Tag, Result]]]:
    """Do all jobs and give their results, each with its tag, as they come.

    Args:
        jobs: what to do.
        work: does one; importable by name.
        executor: where.
        width: how many jobs it does at a time.

    Raises:
        UserError: a job cannot be done at all, or a worker died.

    """
    waiting, pending = deque(jobs), dict[Future[list[Result]], list[tuple[Tag, Job]]]()
    try:
        while waiting or pending:
            while waiting and len(pending) < AHEAD * width:
                parcel = _parcel(waiting, width)
                pending[executor.submit(do_jobs, work, [job for _, job in parcel])] = parcel
            done = wait(pending, return_when=FIRST_COMPLETED).done
            for future in [future for future in pending if future in done]:  # in the order in which they went out
                results = future.result()
                yield [(tag, result) for (tag, _), result in zip(pending.pop(future), results, strict=True)]
    except BrokenExecutor:
        raise _died([job for parcel in pending.values() for _, job in parcel]) from None
    finally:
        for future in pending:
            future.cancel()


def _parcel(waiting: deque[tuple[Tag, Job]], width: int) -> list[tuple[Tag, Job]]:
    size = max(1, min(PARCEL, len(waiting) // (2 * AHEAD * width)))
    return [waiting.popleft() for _ in range(size)]


def _died(jobs: Sequence[Job]) -> UserError:
    urls = " ".join(job.url for job in jobs)
    return UserError(
        "a worker process died (no memory left, or a behaviour ended it); what was done before is kept. "
        f"It was at one of: {urls}; run them one by one to see which"
    )


def do_jobs(work: Work, jobs: Sequence[Job]) -> list[Result]:
    """Do a parcel, in whichever process this is."""
    return [_guarded(work, job) for job in jobs]


def _guarded(work: Work, job: Job) -> Result:
    """Do one job; in a worker of our own with a limit to the processor time."""
    if not _Worker.limited:
        return work(job)
    signal.setitimer(signal.ITIMER_VIRTUAL, max(LEAST_CPU_S, job.time_limit_s))
    try:
        return work(job)
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)


class _Worker:
    """What a process knows of itself."""

    limited = False  #: True in a worker of our own, where the system has timers of processor time


@contextmanager
def processes(count: int) -> Iterator[Executor]:
    """Give a pool of `count` spawned processes; an error or Ctrl-C ends them at once, in mid-run."""
    before = multiprocessing.active_children()
    executor = ProcessPoolExecutor(count, multiprocessing.get_context("spawn"), initializer=_begin)
    try:
        with _interrupts_held():
            for _ in range(count):
                executor.submit(_nothing)
        yield executor
    except BaseException:
        executor.shutdown(wait=False, cancel_futures=True)
        for child in multiprocessing.active_children():
            if child not in before:
                child.terminate()
        raise
    executor.shutdown()


def _nothing() -> None:
    """Bring a worker to life."""


@contextmanager
def _interrupts_held() -> Iterator[None]:
    """Hold Ctrl-C back while processes start: they inherit that, and hear it never."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    from multiprocessing import resource_tracker

    resource_tracker.ensure_running()  # its own start would let signals through again
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _begin() -> None:
    """Make a fresh process a worker: deaf to Ctrl-C, gone with its parent, with a limit to one run's processor time."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_go_with_parent, name="parent", daemon=True).start()
    if hasattr(signal, "ITIMER_VIRTUAL"):
        signal.signal(signal.SIGVTALRM, _too_long)
        _Worker.limited = True


def _go_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


def _too_long(number: int, frame: FrameType | None) -> None:
    raise HungError("took more processor time than the run's time limit; a behaviour does not give control back")


@contextmanager
def dask(address: str) -> Iterator[tuple[Executor, int]]:
    """Give a Dask cluster's executor, and how many jobs it does at a time.

    Raises:
        UserError: Dask is not installed, nobody answers there, or the cluster has no worker.

    """
    try:
        distributed: Any = import_module("distributed")
    except ImportError:
        raise UserError("--dask: the package distributed is not there; install robotcore[dask]") from None
    try:
        client = distributed.Client(address, timeout=10, set_as_default=False)
    except (OSError, ValueError) as error:
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise UserError(f"--dask {address}: no cluster answers ({reason}); give its scheduler's address") from None
    try:
        width = sum(client.nthreads().values())
        if width == 0:
            raise UserError(f"--dask {address}: the cluster has no worker; start one")
        yield client.get_executor(pure=False, retries=0), width
    finally:
        client.close()
