"""Work for sweeps that drives nothing: what a run comes to is told by its seed, and every run leaves a line behind.

Run as a program it sweeps 300 such runs in two processes and says on standard output what was kept; it is there to be
killed: python -m tests.sweep_kit STORE LOG
"""

import itertools
import os
import sys
from concurrent.futures import Executor, Future
from pathlib import Path

from robotcore.backend import parse_address
from robotcore.errors import UserError
from robotcore.kernel import tick
from robotcore.mission import Mission
from robotcore.sweep.engine import Entry, sweep
from robotcore.sweep.job import Job, Result
from robotcore.sweep.plan import Plan, make_plan
from robotcore.sweep.pool import processes
from robotcore.sweep.store import Key, Store

CODE = "code-of-the-test"
SEEDS = 300


def result(seed: int = 1, success: bool = True, **changes) -> Result:
    found = Result(
        success, "finished", () if success else ("fell off",), 40.0 + seed % 7, 40.0, 5.0, 6.0, 0, 2.0 + seed % 3,
        {"straight": (2.0, 100)}, 3, f"digest {seed}", 0, "", CODE,
    )  # fmt: skip
    return found._replace(**changes)


def seed_of(job: Job) -> int:
    return int(parse_address(job.url).options["seed"])


def work(job: Job) -> Result:
    """Every third seed fails. `job.settings` names a file that gets a line."""
    if job.settings:
        with Path(job.settings).open("a") as log:
            log.write(f"{seed_of(job)}\n")
    return result(seed_of(job), seed_of(job) % 3 != 0)


def slow_work(job: Job) -> Result:
    """Takes some milliseconds of the processor, so that a kill finds it at work."""
    total = 0
    for i in range(200_000):
        total += i
    return work(job)


def deadly_work(job: Job) -> Result:
    os._exit(3)


def refused_work(job: Job) -> Result:
    raise UserError(f"{job.url}: cannot be driven; mend it")


def new_code_work(job: Job) -> Result:
    return result(code="another")


def entries(plan: Plan, log: str = "", code: str = CODE) -> list[Entry]:
    found = []
    for run in plan.runs():
        cell = plan.cells[run.cell]
        key = Key(cell.place(), run.seed, cell.perturbations(), "harbour", "line", "setup", code)
        found.append(Entry(key, Job(cell.address(run.seed), "line", "", "", log, 1.0)))
    return found


class Inline(Executor):
    """Does at once what is asked of it, and remembers the sizes."""

    def __init__(self):
        self.parcels = []

    def submit(self, function, *args):
        self.parcels.append(len(args[1]))
        future = Future()
        try:
            future.set_result(function(*args))
        except Exception as error:
            future.set_exception(error)
        return future


class Told:
    """A watch that only remembers."""

    def __init__(self):
        self.total = self.known = self.rows = self.done = 0

    def begin(self, total, known):
        self.total, self.known = total, known

    def came(self, results):
        self.done += len(results)

    def kept(self, rows):
        self.rows += rows


class Said(Told):
    """A watch that says every commit."""

    def kept(self, rows):
        print("kept", rows, flush=True)


async def raises(robot, settings):
    robot.decide("here", x=1.5)
    await tick()
    raise ValueError("a slip\nof the pen")


async def leaves(robot, settings):
    await tick()
    raise SystemExit(0)


async def hangs(robot, settings):
    await tick()
    while True:
        pass


async def ends(robot, settings):
    robot.drive(0.1, 0.1)
    await tick()
    robot.decide("done", how="well")


def mission(run) -> Mission:
    from behaviours.settings import LineSettings

    return Mission(run.__name__, run, LineSettings, "for tests")


RAISES, LEAVES, HANGS, ENDS = mission(raises), mission(leaves), mission(hangs), mission(ends)


def main(store: str, log: str) -> None:
    steps = itertools.count()
    with Store(store) as kept, processes(2) as executor:
        todo = entries(make_plan(["fake:quay"], f"1-{SEEDS}"), log)
        sweep(todo, slow_work, executor, 2, kept, Said(), lambda: float(next(steps)))
    print("done", flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
