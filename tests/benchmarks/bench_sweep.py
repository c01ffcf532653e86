"""How much of two cores a sweep uses: against one core, and against two bare forks, in the same run.

All three do the same runs with everything imported and the course built (the sweep's workers build their own while it
starts, and that counts in "with its start"):

- one core: one run after the other in this process;
- bare forks: as many forks as there are workers, each with every n-th run, results through a pipe, nothing else;
- sweep: spawned processes, parcels, results into a store; from the first job to the last row, and with its start.

The three take turns, and the fastest of several rounds counts, so that what else the machine does matters little. The
efficiency is one core's time over (workers times the time of all); it means something on a quiet machine only. The
processor time a run, start and all, means something on a busy one too: what a sweep adds to the work itself.

Run: python -m tests.benchmarks.bench_sweep [--runs 48] [--rounds 3] [--jobs 2] [--course fake:quay]
"""

import argparse
import os
import tempfile
import time
from pathlib import Path

from robotcore.cli import sweep as verb
from robotcore.cli.single import work
from robotcore.sweep.engine import sweep
from robotcore.sweep.plan import make_plan
from robotcore.sweep.pool import do_jobs, processes
from robotcore.sweep.store import Store


class Blind:
    """A watch that does not look."""

    def begin(self, total, known):
        pass

    def came(self, results):
        pass

    def kept(self, rows):
        pass


def one_core(entries, jobs):
    begun = time.perf_counter()
    for entry in entries:
        work(entry.job)
    return time.perf_counter() - begun


def bare_forks(entries, jobs):
    begun = time.perf_counter()
    children = []
    for place in range(jobs):
        reader, writer = os.pipe()
        pid = os.fork()
        if pid == 0:
            for entry in entries[place::jobs]:
                os.write(writer, b"%d" % work(entry.job).success)
            os._exit(0)
        os.close(writer)
        children.append((pid, reader))
    for pid, reader in children:
        while os.read(reader, 4096):
            pass
        os.close(reader)
        os.waitpid(pid, 0)
    return time.perf_counter() - begun


def swept(entries, jobs):
    """Return the seconds of the sweep alone, and with the start of its workers."""
    with tempfile.TemporaryDirectory() as folder:
        begun = time.perf_counter()
        with Store(Path(folder) / "s.db") as store, processes(jobs) as executor:
            first = entries[0].job
            warm = [executor.submit(do_jobs, work, [first._replace(time_limit_s=0.01)]) for _ in range(jobs)]
            for future in warm:
                future.result()
            ready = time.perf_counter()
            sweep(entries, work, executor, jobs, store, Blind(), time.monotonic)
            ended = time.perf_counter()
        return ended - ready, time.perf_counter() - begun


def jobs_of(course: str, runs: int):
    """Return the entries that the verb itself would make."""
    args = verb._parser().parse_args([course, "--seeds", f"1-{runs}"])
    grid = verb._Grid(make_plan([course], args.seeds), args)
    return [grid.entry(run) for run in grid.plan.runs()]


def processor_s() -> float:
    """Return the processor time of this process and of its children that have ended."""
    return sum(os.times()[:4])


def timed(how, entries, jobs):
    """Return what `how` returns, and the processor time that it took."""
    begun = processor_s()
    return how(entries, jobs), processor_s() - begun


def main():
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--runs", type=int, default=48)
    words.add_argument("--rounds", type=int, default=3)
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--course", default="fake:quay")
    args = words.parse_args()
    entries = jobs_of(args.course, args.runs)
    work(entries[0].job)  # imports, and the course's floor
    best: dict[str, float] = {}
    work_s: dict[str, float] = {}
    for _ in range(args.rounds):
        for name, how in (("one core", one_core), ("bare forks", bare_forks), ("sweep", swept)):
            took, processor = timed(how, entries, 1 if how is one_core else args.jobs)
            alone, whole = took if how is swept else (took, took)
            best[name] = min(alone, best.get(name, alone))
            if how is swept:
                best["with its start"] = min(whole, best.get("with its start", whole))
            work_s[name] = min(processor, work_s.get(name, processor))
    print_all(args, best, work_s)


def print_all(args, best, work_s):
    print(f"{args.runs} runs of {args.course}, {args.jobs} workers, fastest of {args.rounds} rounds")
    for name, seconds in best.items():
        share = best["one core"] / ((1 if name == "one core" else args.jobs) * seconds)
        spent = work_s.get(name)
        print(
            f"{name:15} {seconds:7.2f} s  efficiency {100 * share:5.1f} %"
            + (f"  processor time {spent / work_s['one core']:.3f} times one core's" if spent is not None else "")
        )
    print(f"sweep against the bare forks: {best['bare forks'] / best['sweep']:.3f}")


if __name__ == "__main__":
    main()
