"""What the whole loop costs on the fake robot, and what of it the recorder, thinking and replay cost.

    python -m tests.benchmarks.bench_loop             all
    python -m tests.benchmarks.bench_loop storm       the loop of some courses alone

- Closed loop: `robotcore.runtime.Run` as `robotcore run` starts it, with a recorder on a course's whole line mission
  (zone courses: the full mission), from the first tick to the closed file. Building course and world is not in it.
  Goal: 700 times real time on a line, 150 times on a full mission.
- Floor, measured in the same turns: the bare sums of the fake (`bench_fake`) and of thinking (`bench_tick`), each
  written straight down in one function.
- Alone: the fake given the run's commands, and thinking given the run's rows, each from end to end. Taken in turn, tick
  by tick, both together cost half as much again as one after the other: the processor foretells the interpreter's jumps
  over one of them, and loses count over both. So a step less is worth more than its own time.
- Recorder: the same run without one, turn about. This world waits, so here the loop does all of the recorder's work
  itself; where it does not, a thread does it, and the loop's own share is in `bench_recording` (goal: 1 us or 2 %).
- Whole tick, replay of eight minutes: see `bench_tick` and `bench_replay`. Goals: 6 times the floor, 2000 times real
  time.
- Cold start: a run of one tick from a recording, as on the robot, against importing the libraries. Goal: 3 times.

Processor time, fastest of several turns: what else runs on the machine matters less then, but caches and a core that
is shared with somebody do count.
"""

import gc
import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from behaviours.missions import MISSIONS
from drivers.fake.backend import build
from robotcore.backend import parse_address
from robotcore.brain import Brain
from robotcore.cli.run import keep
from robotcore.log import Log
from robotcore.recording.schema import Header
from robotcore.recording.writer import Recorder
from robotcore.runtime import Limits, Run
from tests.benchmarks import bench_fake, bench_replay, bench_tick
from tests.driving import calibration_of, rig_of

PERIOD_S = 0.010
ROUNDS = 4
STARTS = 7
LINE = ("quay", "slipway", "breakwater", "shoals", "storm")
FULL = ("basin", "relief")
LIBRARIES = "import attrs, structlog, serial"


def loop(url: str, mission: str, path: Path | None) -> tuple[float, int]:
    """Return processor seconds and ticks of a whole run."""
    rig, calibration, chosen, log = rig_of("harbour"), calibration_of("harbour"), MISSIONS[mission], Log()
    world = build(parse_address(url), rig)
    brain = Brain(rig, calibration, chosen, chosen.settings(), log)
    recorder: Any = None
    if path is not None:
        header = Header(
            path.stem, "", mission, rig.name, rig.text, calibration.text, "", url, "bench", PERIOD_S, dict(world.facts)
        )
        recorder = Recorder(path, header, rig.layout, blocking=True)
        log.tell = keep(recorder)
    run = Run(world, brain, log, Limits(), recorder=recorder, button_stops=not chosen.handles_button)
    gc.collect()
    start = time.process_time()
    outcome = run.run()
    if recorder is not None:
        recorder.close("finished", outcome.seconds)
    return time.process_time() - start, outcome.ticks


def driven(url: str, mission: str) -> list[tuple[Any, ...]]:
    """Return (tick, row, command) of a whole run."""
    rig, chosen, rows = rig_of("harbour"), MISSIONS[mission], []
    world = build(parse_address(url), rig)
    brain = Brain(rig, calibration_of("harbour"), chosen, chosen.settings(), Log())
    while not brain.done:
        tick, raw = len(rows), world.sense(len(rows))
        rows.append((tick, raw, brain.step(tick, raw)))
        world.act(rows[-1][2])
    return rows


def alone(url: str, mission: str) -> tuple[float, float]:
    """Return processor seconds a tick of the fake alone, and of thinking alone."""
    rig, chosen, rows = rig_of("harbour"), MISSIONS[mission], driven(url, mission)
    fake = thinking = math.inf
    for _ in range(ROUNDS):
        world = build(parse_address(url), rig)
        step = Brain(rig, calibration_of("harbour"), chosen, chosen.settings(), Log()).step
        gc.collect()
        began = time.process_time()
        for tick, _, command in rows:
            world.sense(tick)
            world.act(command)
        between = time.process_time()
        for tick, raw, _ in rows:
            step(tick, raw)
        fake, thinking = min(fake, between - began), min(thinking, time.process_time() - between)
    return fake / len(rows), thinking / len(rows)


def floors(rows: list[tuple[int, ...]]) -> float:
    """Return seconds a tick of the bare sums, of the fake and of thinking."""
    return bench_fake.time_floor() + bench_tick.timed(bench_tick.floor_step(), rows) / 1e6


def loops(courses: list[str]) -> None:
    """Print a line a course."""
    rows = bench_tick.rows_of(bench_tick.URL)
    print(
        "closed loop, course building left out       us a tick   times bare sums   times real time     the recorder",
        end="",
    )
    print("   fake alone   thinking alone")
    for course in courses:
        mission, goal = ("line", 700) if course in LINE else ("full", 150)
        url, floor, spent = f"fake:{course}?seed=3", math.inf, {True: math.inf, False: math.inf}
        fake, thinking = alone(url, mission)
        for _ in range(ROUNDS):
            floor = min(floor, floors(rows))
            for recorded in spent:
                with tempfile.TemporaryDirectory() as folder:
                    seconds, ticks = loop(url, mission, Path(folder) / "a.rec" if recorded else None)
                spent[recorded] = min(spent[recorded], seconds / ticks)
        tick, recorder = spent[True], spent[True] - spent[False]
        print(
            f"{url:24} {mission} {ticks:7} ticks {1e6 * tick:10.2f} {tick / floor:17.2f} {PERIOD_S / tick:9.0f} (goal "
            f"{goal}) {1e6 * recorder:8.2f} us, {100 * recorder / tick:2.0f} % {1e6 * fake:9.2f} us "
            f"{1e6 * thinking:13.2f} us"
        )


def processor_s(words: list[str]) -> float:
    """Return the processor time of a command; a run that was ended by its time limit says 1."""
    before = os.times()
    done = subprocess.run([sys.executable, *words], check=False, capture_output=True, text=True)
    assert done.returncode in (0, 1), done.stderr
    after = os.times()
    return after.children_user - before.children_user + after.children_system - before.children_system


def cold_start() -> None:
    """Print what it takes to the end of the first tick, against the libraries alone."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.rec"
        loop("fake:quay?seed=3", "line", path)
        words = ["-m", "robotcore", "run", f"replay:{path}", "--quiet", "--no-recording", "--time-limit", "0.01"]
        floor = ours = math.inf
        for _ in range(STARTS):
            floor, ours = min(floor, processor_s(["-c", LIBRARIES])), min(ours, processor_s(words))
        told = subprocess.run([sys.executable, "-X", "importtime", *words], check=False, capture_output=True, text=True)
    numpy = "with" if "numpy" in told.stderr else "without"
    print(
        f"cold start to the end of the first tick {1e3 * ours:.0f} ms, {numpy} numpy; libraries {1e3 * floor:.0f} ms:"
    )
    print(f"    {ours / floor:.2f} times (goal 3)")


def main() -> None:
    """Print everything, or the loop on the courses that are asked for."""
    loops(sys.argv[1:] or [*LINE, *FULL])
    if len(sys.argv) > 1:
        return
    bench_tick.main()
    run = bench_replay.drive("quay", 3, MISSIONS["line"].settings(), 30.0)  # ends before the mission does
    bench_replay.bench_against_behaviours(run)
    with tempfile.TemporaryDirectory() as folder:
        bench_replay.bench_long(Path(folder), run)
    cold_start()


if __name__ == "__main__":
    main()
