"""What replay costs, and how far its trust horizon can be trusted.

    python -m tests.benchmarks.bench_replay             all costs: 60 recordings of 30 s, one of 480 s, behaviours alone
    python -m tests.benchmarks.bench_replay trust 200   the horizon against the truth, on 200 changed runs;
                                                        further numbers: the first seed (0), the growth per second (3)

Costs are printed as ratios to a floor measured in the same run; nothing here can fail on seconds.
"""

import contextlib
import io
import math
import os
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

from robotcore.backend import parse_address
from robotcore.brain import Brain
from robotcore.calibration import Calibration, load_calibration
from robotcore.cli import plugins
from robotcore.cli.judging import Request, judge_file
from robotcore.command import AT_REST
from robotcore.decode import Decoder
from robotcore.log import Decision, Log
from robotcore.mission import read_settings, with_overrides
from robotcore.recording.reader import open_recording
from robotcore.recording.schema import Header
from robotcore.recording.writer import Recorder
from robotcore.replay import Expected, Tolerance, Trust, Verdict, expected_of, judge, replay
from robotcore.replay.decisions import ENDED, unlike
from robotcore.rig import Rig, load_rig
from robotcore.settings import fields_of

COURSES = ("quay", "slipway", "breakwater", "shoals", "storm")
MISSION = "line"


@lru_cache
def rig() -> Rig:
    return load_rig(plugins.rig_path("harbour"), plugins.device)


@lru_cache
def calibration() -> Calibration:
    return load_calibration(plugins.calibration_path("harbour"))


class Driven(NamedTuple):
    """A run in memory."""

    rows: list[tuple[int, tuple[int, ...], tuple[float, ...]]]
    truth: list[tuple[float, float, float]]
    decisions: list[Decision]
    ended: bool


def drive(course: str, seed: int, settings: Any, seconds: float) -> Driven:
    """Run the line mission on the fake robot."""
    address = parse_address(f"fake:{course}?seed={seed}")
    world, log = plugins.backend(address)(address, rig()), Log()
    brain = Brain(rig(), calibration(), plugins.mission(MISSION), settings, log)
    world.open()
    rows, truth = [], []
    for tick in range(round(seconds / rig().period_s)):
        raw = world.sense(tick)
        try:
            command = brain.step(tick, raw)
        except Exception:  # changed settings may not fit each other; then the run is over, as on the robot
            command = AT_REST
        rows.append((tick, raw, tuple(command)))
        truth.append(world.truth())
        world.act(command)
        if brain.done or command is AT_REST:
            break
    brain.close()
    world.close()
    return Driven(rows, truth, log.decisions, brain.done)


def write(path: Path, run: Driven) -> None:
    """Put a run into a recording."""
    header = Header(
        path.stem, "2000-01-01T12:00:00+0000", MISSION, rig().name, rig().text, calibration().text, "", "fake", "bench",
        rig().period_s, {},
    )  # fmt: skip
    recorder = Recorder(path, header, rig().layout, blocking=True)
    for (tick, raw, command), truth in zip(run.rows, run.truth, strict=True):
        recorder.row(tick, raw, command, truth)
    for decision in run.decisions:
        recorder.decision(*decision)
    recorder.close("finished" if run.ended else "stopped: time limit", len(run.rows) * rig().period_s)


# --- what it costs ---------------------------------------------------------------------------------------------------


def seconds_of(work: Any, repeats: int = 3) -> float:
    """Return the best processor time of a few: what else runs on the machine matters less then."""
    best = math.inf
    for _ in range(repeats):
        began = time.process_time()
        work()
        best = min(best, time.process_time() - began)
    return best


def command_of(words: list[str]) -> tuple[float, float]:
    """Return wall time and processor time of a command and all its processes."""
    before, began = os.times(), time.perf_counter()
    subprocess.run([sys.executable, "-m", "robotcore", *words], check=False, capture_output=True)
    after = os.times()
    used = after.children_user - before.children_user + after.children_system - before.children_system
    return time.perf_counter() - began, used


def behaviours_alone(rows: list[Any]) -> None:
    """The floor of a replay: decode and think, compare nothing, keep nothing."""
    mission = plugins.mission(MISSION)
    brain = Brain(rig(), calibration(), mission, mission.settings(), Log())
    step = brain.step
    for tick, raw, _ in rows:
        step(tick, raw)
    brain.close()


def replay_alone(rows: list[Any], settings: Any) -> Any:
    log = Log()
    brain = Brain(rig(), calibration(), plugins.mission(MISSION), settings, log)
    trust = Trust(rig().body.track_width_m, Tolerance(1e9, 1e9, 0.0))
    return replay(rows, rows[-1][0], brain, log, trust)


def bench_against_behaviours(run: Driven) -> None:
    settings = plugins.mission(MISSION).settings()
    floor = seconds_of(lambda: behaviours_alone(run.rows))
    same = seconds_of(lambda: replay_alone(run.rows, settings))
    other = read_settings(type(settings), with_overrides("", ["follow.kp_rad_s=2.61"]), "bench")
    parted = seconds_of(lambda: replay_alone(run.rows, other))
    decoding = seconds_of(
        lambda: deque(map(Decoder(rig(), calibration()), *zip(*(row[:2] for row in run.rows), strict=True)), 0)
    )
    ticks = len(run.rows)
    print(
        f"behaviours alone          {1e6 * floor / ticks:6.2f} us a tick (decoding {1e6 * decoding / ticks:.2f} of it)"
    )
    print(f"replay, same              {1e6 * same / ticks:6.2f} us a tick, {same / floor:.2f} times (goal 1.5)")
    print(f"replay, commands parted   {1e6 * parted / ticks:6.2f} us a tick, {parted / floor:.2f} times (goal 1.5)")


def bench_long(folder: Path, run: Driven) -> None:
    """An eight-minute recording: the run again and again, as one."""
    raws = [raw for _, raw, _ in run.rows]
    mission, log = plugins.mission(MISSION), Log()
    brain = Brain(rig(), calibration(), mission, mission.settings(), log)
    rows: list[tuple[int, tuple[int, ...], tuple[float, ...]]] = []
    while len(rows) < 48_000 and not brain.done:  # what the behaviours say to the same readings again and again
        tick = len(rows)
        rows.append((tick, raws[tick % len(raws)], tuple(brain.step(tick, raws[tick % len(raws)]))))
    path = folder / "long.rec"
    write(path, Driven(rows, (run.truth * 20)[: len(rows)], log.decisions, ended=brain.done))
    assert judge_file(str(path), Request()).verdict == Verdict.SAME
    load = seconds_of(lambda: open_recording(path))
    once = seconds_of(lambda: judge_file(str(path), Request()))
    span_s = len(rows) * rig().period_s
    print(
        f"{span_s:.0f} s recording           load {load:.3f} s; judged in {once:.3f} s: {span_s / once:.0f} times",
        end=" ",
    )
    print("real time (goal 2000)")


def bench_folder(folder: Path, run: Driven) -> None:
    """Sixty recordings of 30 s, by the command, in a process of its own."""
    many = folder / "sixty"
    many.mkdir()
    for number in range(60):
        write(many / f"run-{number:02}.rec", Driven(run.rows[:3000], run.truth[:3000], run.decisions, ended=False))
    floor = seconds_of(lambda: [behaviours_alone(run.rows[:3000]) for _ in range(60)], 1)
    for words in ([], ["--jobs", "1"], ["--set", "follow.kp_rad_s=2.61"]):
        wall, used = min(command_of(["replay", str(many), "--quiet", *words]) for _ in range(3))
        told = f"{wall:5.2f} s (goal 5), {used:.2f} s of processors, {used / floor:.2f} times the behaviours alone"
        print(f"60 recordings of 30 s     {told} ({floor:.2f} s) {' '.join(words)}")


def costs() -> None:
    run = drive("quay", 3, plugins.mission(MISSION).settings(), 30.0)
    with tempfile.TemporaryDirectory() as name:
        bench_against_behaviours(run)
        bench_long(Path(name), run)
        bench_folder(Path(name), run)


# --- the horizon against the truth -----------------------------------------------------------------------------------


class Compared(NamedTuple):
    """One changed run: when trust ended, when the robot really was elsewhere (None: never), what was changed."""

    horizon_s: float | None
    left_s: float | None
    end_s: float
    verdict: str
    wrong: str
    change: str


def numbers(settings: Any, prefix: str = "") -> Iterator[tuple[str, float]]:
    """Give every number in settings, by its key."""
    for name in fields_of(type(settings)) or ():
        value = getattr(settings, name)
        if fields_of(type(value)) is not None:
            yield from numbers(value, f"{prefix}{name}.")
        elif not isinstance(value, bool) and isinstance(value, int | float):
            yield prefix + name, value


def changed(rng: random.Random, settings: Any) -> tuple[str, Any]:
    """Return settings with one number changed, by 1 to 40 percent (whole numbers by one or two)."""
    while True:
        key, value = rng.choice(sorted(numbers(settings)))
        factor = 1.0 + rng.choice((-1, 1)) * 10 ** rng.uniform(-2.0, -0.4)
        new = value + rng.choice((-2, -1, 1, 2)) if isinstance(value, int) else value * factor
        with contextlib.suppress(Exception), contextlib.redirect_stderr(io.StringIO()):
            return f"{key}={new!r}", read_settings(type(settings), with_overrides("", [f"{key}={new!r}"]), "bench")


def apart(one: tuple[float, ...], two: tuple[float, ...], tolerance: Tolerance) -> bool:
    turn = math.remainder(two[2] - one[2], math.tau)
    return math.hypot(two[0] - one[0], two[1] - one[1]) > tolerance.trust_m or abs(turn) > tolerance.trust_rad


def compare(number: int, seconds: float, tolerance: Tolerance) -> Compared:
    rng = random.Random(number)
    course, seed = COURSES[number % len(COURSES)], number
    old = plugins.mission(MISSION).settings()
    change, new = changed(rng, old)
    first, again = drive(course, seed, old, seconds), drive(course, seed, new, seconds)
    log = Log()
    brain = Brain(rig(), calibration(), plugins.mission(MISSION), new, log)
    replayed = replay(first.rows, first.rows[-1][0], brain, log, Trust(rig().body.track_width_m, tolerance))
    period_s = rig().period_s
    poses = enumerate(zip(first.truth, again.truth, strict=False))
    left = next((tick for tick, (a, b) in poses if apart(a, b, tolerance)), None)
    outcome = "finished" if first.ended else "stopped: time limit"
    expected = expected_of(first.decisions, [], outcome, first.rows[-1][0], period_s)
    judgement = judge(replayed, expected, tolerance, period_s)
    horizon_s = None if replayed.horizon is None else replayed.horizon.time_s
    return Compared(
        horizon_s, None if left is None else left * period_s, len(first.rows) * period_s, judgement.verdict,
        _really(judgement, again, expected, tolerance), change,
    )  # fmt: skip


def _really(judgement: Any, again: Driven, expected: Expected, tolerance: Tolerance) -> str:
    """Tell in which way the verdict was wrong, "" where it was right, as far as the driven run shows."""
    old = [d for d in expected.decisions if d.tick <= judgement.trusted_tick]
    late = tolerance.ticks(rig().period_s)
    if judgement.verdict == Verdict.CHANGED:
        return ""
    for place, one in enumerate(old):
        if one.tick + late > judgement.trusted_tick or one.name == ENDED:
            return ""
        two = again.decisions[place] if place < len(again.decisions) else None
        if two is None or unlike(one, two, tolerance, late):
            return (
                f"{one.name} at {one.time_s:.2f} s: {'nothing' if two is None else unlike(one, two, tolerance, late)}"
            )
    return ""


def trust(count: int, first: int = 0, seconds: float = 40.0, growth_per_s: float = 3.0) -> None:
    tolerance = Tolerance(growth_per_s=growth_per_s)
    found = [compare(number, seconds, tolerance) for number in range(first, first + count)]
    parted = [one for one in found if one.horizon_s is not None]
    early = [one for one in found if one.left_s is not None and (one.horizon_s is None or one.left_s <= one.horizon_s)]
    waits = [(one.left_s or one.end_s) - one.horizon_s for one in parted if one.horizon_s is not None]
    stayed = sum(one.left_s is None for one in parted)
    print(f"{count} runs, one number of the settings changed in each, up to {seconds:g} s, {len(COURSES)} courses")
    print(f"the change showed in the commands so far that trust ended: {len(parted)}")
    share = f"{len(early)} = {100 * len(early) / count:.1f} % (goal 1 %)"
    print(f"left the recorded path by more than the tolerance before the horizon: {share}")
    for one in early:
        print(f"    {one.change}: left at {one.left_s} s, horizon {one.horizon_s} s")
    if waits:
        quartiles = statistics.quantiles(waits, n=4) if len(waits) > 1 else waits * 3
        spread = f"median {statistics.median(waits):.2f} s (quartiles {quartiles[0]:.2f} and {quartiles[2]:.2f} s)"
        print(f"horizon earlier than necessary: {spread}")
        print(f"    never really left, up to the end: {stayed} of these {len(parted)}")
    kinds = {verdict: sum(one.verdict == verdict for one in found) for verdict in Verdict.CODES}
    print("verdicts: " + ", ".join(f"{count} {verdict}" for verdict, count in kinds.items() if count))
    wrong = [one for one in found if one.wrong]
    print(f"a decision inside the horizon, not called changed, really fell out otherwise: {len(wrong)}")
    for one in wrong:
        print(f"    {one.verdict}: {one.wrong} ({one.change})")


if __name__ == "__main__":
    if sys.argv[1:2] == ["trust"]:
        count, first, growth = (*sys.argv[2:], *("200", "0", "3")[len(sys.argv) - 2 :])
        trust(int(count), int(first), growth_per_s=float(growth))
    else:
        costs()
