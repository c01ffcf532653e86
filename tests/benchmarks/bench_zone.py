"""The zone and the whole mission over seeds: success, drops, exits, coverage and speed, with Wilson intervals.

Seeds from 10000 on are for evaluation and were never tuned on. `--unknown` keeps the numbers of objects from the
mission: then nothing ends the sweep early, and its coverage is that of a whole sweep. Berth colours are always told,
as a team would set them at the venue.

Run: python -m tests.benchmarks.bench_zone [--courses basin,basin-sound] [--seeds 10000:10050] [--mission zone]
[--unknown]
"""

import argparse
import time
from concurrent.futures import ProcessPoolExecutor
from typing import Any

from robotcore.stats import wilson
from tests.driving import drive
from tests.zone_team import settings_for

GOALS = {"right": 0.90, "exit": 0.98, "done": 0.85}


def one(job: tuple[str, int, str, bool]) -> dict[str, Any]:
    """Drive one seed."""
    place, seed, mission, counted = job
    began = time.process_time()
    run = drive(f"fake:{place}?seed={seed}", mission=mission, settings=settings_for(place, seed, counted=counted),
                seconds=480.0)  # fmt: skip
    cpu = time.process_time() - began
    verdict = run.world.judge.verdict()
    zone, world = verdict.zone, run.world.world
    return {
        "job": f"{place} {seed}", "right": zone.complete, "exit": zone.left_s is not None, "done": verdict.success,
        "wrong": zone.wrong_drops > 0, "on": any(j.power for j in world.joints.values()) or world.truth.speed != 0.0,
        "objects": len(zone.objects), "placed": sum(f.right for f in zone.objects), "coverage": zone.coverage,
        "seconds": run.ticks * 0.01, "cpu": cpu,
    }  # fmt: skip


def report(name: str, runs: list[dict[str, Any]]) -> None:
    """Print one line for each figure."""
    n = len(runs)
    print(f"{name}: {n} runs")
    words = {
        "right": "all objects in their berths", "exit": "exit found", "done": "route done without a touch",
        "wrong": "a drop in a foreign berth", "on": "motors on at the end",
    }  # fmt: skip
    for key, text in words.items():
        k = sum(run[key] for run in runs)
        low, high = wilson(k, n)
        goal = f", goal {100 * GOALS[key]:.0f} %" if key in GOALS else ""
        print(f"  {text:30s} {k:4d} of {n} = {100 * k / n:5.1f} %  [{100 * low:.1f}, {100 * high:.1f}]{goal}")
    objects, placed = sum(run["objects"] for run in runs), sum(run["placed"] for run in runs)
    cover = sorted(run["coverage"] for run in runs)
    print(f"  objects placed right           {placed} of {objects} = {100 * placed / objects:.1f} %")
    print(f"  coverage                       mean {100 * sum(cover) / n:.1f} %, least {100 * cover[0]:.1f} %")
    print(f"  real time over CPU time        {sum(r['seconds'] for r in runs) / sum(r['cpu'] for r in runs):.0f}")
    print(f"  failed: {', '.join(run['job'] for run in runs if not (run['right'] and run['done'])) or 'none'}")


def main() -> None:
    """Drive and report."""
    words = argparse.ArgumentParser()
    words.add_argument("--courses", default="basin,basin-cove,basin-sound,basin-roads")
    words.add_argument("--seeds", default="10000:10050")
    words.add_argument("--mission", default="zone")
    words.add_argument("--unknown", action="store_true")
    args = words.parse_args()
    first, last = (int(part) for part in args.seeds.split(":"))
    everything: list[dict[str, Any]] = []
    with ProcessPoolExecutor(2) as pool:
        for place in args.courses.split(","):
            jobs = [(place, seed, args.mission, not args.unknown) for seed in range(first, last)]
            runs = list(pool.map(one, jobs))
            report(place, runs)
            everything += runs
    if "," in args.courses:
        report("all", everything)


if __name__ == "__main__":
    main()
