"""Success of the mission `line` over unseen seeds, with Wilson intervals.

Run: python -m tests.benchmarks.bench_success [courses] [seeds] [rigs] [first seed] [jobs]
such as: python -m tests.benchmarks.bench_success storm,random 200 harbour 10000 2

A place may carry options, such as random?difficulty=1. Tuning used seeds below 1000; figures are taken once, from
10000 on, under all nominal perturbations. Success is the judge's, from the truth: along the whole route in order, at
rest at the red strip. `clean` is success without touching an obstacle.
"""

import sys
import time
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

from robotcore.stats import wilson
from tests.driving import drive

DEFAULTS = ("quay,slipway,breakwater,shoals,storm", "200", "harbour", "10000", "2")
Job = tuple[str, str]


def one(job: Job) -> tuple[Job, bool, int, float, str]:
    """Drive one run; return its job, success, touches, mean speed in m/s and what went wrong."""
    url, rig = job
    verdict = drive(url, rig, seconds=300.0).world.judge.verdict()
    return job, verdict.success, len(verdict.touches), verdict.length_m / verdict.time_s, "; ".join(verdict.reasons)


def jobs_of(courses: list[str], count: int, rigs: list[str], first: int) -> list[Job]:
    """Return every run, course by course."""
    return [
        (f"fake:{course}{'&' if '?' in course else '?'}seed={seed}", rig)
        for course in courses for rig in rigs for seed in range(first, first + count)
    ]  # fmt: skip


def main() -> None:
    """Print failures as they come, and a line a course and rig."""
    words = [*sys.argv[1:], *DEFAULTS[len(sys.argv) - 1 :]]
    jobs = jobs_of(words[0].split(","), int(words[1]), words[2].split(","), int(words[3]))
    begun, runs, won, clean, speed = time.perf_counter(), Counter(), Counter(), Counter(), Counter()
    with ProcessPoolExecutor(int(words[4]), mp_context=get_context("spawn")) as pool:
        for (url, rig), success, touches, mean, wrong in pool.map(one, jobs, chunksize=4):
            key = url.replace("?", "&").split("&seed=")[0], rig
            runs[key] += 1
            won[key] += success
            clean[key] += success and not touches
            speed[key] += mean
            if not success:
                print(f"  {url} on {rig}: {wrong}", flush=True)
    for key, count in runs.items():
        low, high = wilson(won[key], count)
        print(
            f"{key[0]:34s} {key[1]:16s} {won[key]}/{count} = {100 * won[key] / count:.1f} % (Wilson 95 %: "
            f"{100 * low:.1f} to {100 * high:.1f} %), clean {clean[key]}, mean speed {speed[key] / count:.3f} m/s"
        )
    print(f"{len(jobs)} runs in {time.perf_counter() - begun:.0f} s")


if __name__ == "__main__":
    main()
