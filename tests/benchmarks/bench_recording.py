"""What a recording costs on the control loop, in all, to load and to keep, as ratios against floors of the same run.

The rows are invented (seeded noise over slow waves), laid out as the rig with the most columns, `harbour-clear`.

- Loop: one `Recorder.row` where a thread writes, against one `deque.append` of the same tuple.
- CPU in all, thread included, against packing the same rows with `struct` and writing them to a bare file.
- Load: open, check and give every row, against `struct.iter_unpack` over the same bytes held in memory.
- Lost: a child records at 100 Hz and is really killed, several times over; in ticks.

Run: python -m tests.benchmarks.bench_recording
"""

import math
import os
import random
import signal
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

from robotcore.cli import plugins
from robotcore.recording.compact import compact
from robotcore.recording.reader import open_recording
from robotcore.recording.schema import COMMAND_ROW, TRUTH_ROW, Header
from robotcore.recording.writer import Recorder
from robotcore.rig import load_rig

TOP = Path(__file__).parent.parent.parent
RIG = load_rig(TOP / "drivers" / "rigs" / "harbour-clear.toml", plugins.device)
HEADER = Header("bench", "", "line", RIG.name, RIG.text, "", "", "fake:quay", "0", RIG.period_s, {})
TICKS = 48_000  #: eight minutes at 100 Hz
SHORT = 3_000  #: thirty seconds
ROUNDS = 5
KILLS = 8
RANGE = {"B": (0, 1), "H": (0, 60_000), "h": (-900, 900), "i": (-90_000, 90_000), "I": (0, 90_000)}


def made_up_rows(ticks: int) -> list[tuple[int, tuple[int, ...], tuple[float, ...], tuple[float, float, float]]]:
    """Slow waves with noise in every column, so that they deflate no better than a sensor's counts."""
    chance, rows = random.Random(7), []
    spans = [RANGE[code] for code in RIG.layout.codes]
    for tick in range(ticks):
        wave = 0.5 + 0.4 * math.sin(tick / 50)
        raw = tuple(int(low + (high - low) * (wave + chance.uniform(-0.004, 0.004))) for low, high in spans)
        speed = 0.15 + chance.uniform(-0.02, 0.02)
        rows.append((tick, raw, (speed, 0.3 - speed, 0.0, 0.0), (tick * 1.5e-3, wave, wave / 3)))
    return rows


def fastest(run: Callable[[], float]) -> float:
    return min(run() for _ in range(ROUNDS))


def loop_cost(rows: list, take: Callable[..., object] | None) -> int:
    """Nanoseconds of this thread's time that a loop over rows takes, `take` called with each."""
    start = time.thread_time_ns()
    if take is None:
        for _tick, _raw, _command, _pose in rows:
            pass
    else:
        for tick, raw, command, pose in rows:
            take(tick, raw, command, pose)
    return time.thread_time_ns() - start


def on_the_loop(rows: list, take: Callable[..., object], empty: Callable[[], object]) -> float:
    """Nanoseconds a row, the bare loop's taken off; the queue is emptied after every 1000 ticks."""
    spent = 0
    for start in range(0, len(rows), 1000):
        some = rows[start : start + 1000]
        spent += loop_cost(some, take) - loop_cost(some, None)
        empty()
    return spent / len(rows)


def appended(rows: list) -> float:
    """The floor: a function that does nothing but append the same tuple."""
    queue: deque = deque()
    append = queue.append

    def take(tick: int, raw: tuple, command: tuple, pose: tuple) -> None:
        append((tick, raw, command, pose))

    return on_the_loop(rows, take, queue.clear)


def recorded(rows: list, folder: Path) -> float:
    recorder = Recorder(folder / f"{time.perf_counter_ns()}.rec", HEADER, RIG.layout, blocking=False, commit_s=1e6)
    spent = on_the_loop(rows, recorder.row, recorder.flush)
    recorder.close("finished")
    assert recorder.dropped == 0
    assert recorder.failure is None
    return spent


def bare_file(rows: list, folder: Path) -> float:
    start, pack = time.process_time_ns(), RIG.layout.row.pack
    with (folder / "bare").open("wb") as file:
        for _, raw, command, pose in rows:
            file.write(pack(*raw) + COMMAND_ROW.pack(*command) + TRUTH_ROW.pack(*pose))
    return (time.process_time_ns() - start) / len(rows)


def whole_cost(rows: list, folder: Path, *, blocking: bool) -> float:
    start = time.process_time_ns()
    path = folder / f"{time.perf_counter_ns()}.rec"
    recorder = Recorder(path, HEADER, RIG.layout, blocking=blocking, capacity=None if blocking else len(rows))
    for index, row in enumerate(rows):
        recorder.row(*row)
        if not blocking and index % 25 == 24:
            recorder.flush()  # a commit every 25 ticks, as at 100 Hz
    recorder.close("finished")
    return (time.process_time_ns() - start) / len(rows)


def unpacked(raw: bytes, commands: bytes) -> float:
    start = time.process_time_ns()
    deque(zip(RIG.layout.row.iter_unpack(raw), COMMAND_ROW.iter_unpack(commands), strict=True), maxlen=0)
    return (time.process_time_ns() - start) / 1e6


def opened(path: Path, *, rows: bool) -> float:
    start = time.process_time_ns()
    recording = open_recording(path)
    if rows:
        deque(recording.rows(), maxlen=0)
    return (time.process_time_ns() - start) / 1e6


def victim(path: str) -> None:
    """Record at 100 Hz and say which tick it is, until killed."""
    recorder = Recorder(path, HEADER, RIG.layout, blocking=False)
    pause, due = threading.Event(), time.monotonic()
    for tick, raw, command, pose in made_up_rows(1000):
        recorder.row(tick, raw, command, pose)
        os.write(1, b"%d\n" % tick)
        due += RIG.period_s
        pause.wait(max(0.0, due - time.monotonic()))


def lost(folder: Path, after: int) -> int:
    path = folder / f"killed-{after}.rec"
    command = [sys.executable, "-m", "tests.benchmarks.bench_recording", str(path)]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, cwd=TOP)
    assert process.stdout is not None
    last = next(int(line) for line in process.stdout if int(line) >= after)
    process.send_signal(signal.SIGKILL)
    rest = process.communicate()[0].split()
    return (int(rest[-1]) if rest else last) + 1 - len(open_recording(path))


def say(what: str, floor: float, floor_words: str, ours: float, ours_words: str, unit: str) -> None:
    print(f"{what:15} {floor_words} {floor:.0f}, {ours_words} {ours:.0f} {unit}: {ours / floor:.2f} x")


def speeds(rows: list, folder: Path) -> Path:
    """Print what writing costs; return a recording of all rows."""
    base, ours = fastest(lambda: appended(rows)), fastest(lambda: recorded(rows, folder))
    say("on the loop", base, "a function that appends", ours, "Recorder.row", "ns a tick")
    base = fastest(lambda: bare_file(rows, folder))
    for what, blocking in (("CPU in all", True), ("the same, paced", False)):
        ours = fastest(lambda blocking=blocking: whole_cost(rows, folder, blocking=blocking))
        say(what, base, "packing into a bare file", ours, "recorder", "ns a tick")
    return max(folder.glob("*.rec"))


def loading(path: Path) -> None:
    blocks = open_recording(path).blocks
    raw, commands = b"".join(block.raw for block in blocks), b"".join(block.commands for block in blocks)
    base = fastest(lambda: unpacked(raw, commands))
    say("load, checked", base, "unpacking alone", fastest(lambda: opened(path, rows=False)), "open_recording", "ms")
    say("and every row", base, "unpacking alone", fastest(lambda: opened(path, rows=True)), "open and rows", "ms")


def sizes(path: Path, rows: list, folder: Path) -> None:
    packed = RIG.layout.row.size + COMMAND_ROW.size + TRUTH_ROW.size
    say("file", packed, "packed", path.stat().st_size / TICKS, "written", "bytes a tick")
    short = Recorder(folder / "short.rec", HEADER, RIG.layout, blocking=True)
    for row in rows[:SHORT]:
        short.row(*row)
    short.close("finished")
    size = compact(short.path, folder / "compact.rec")
    say("compacted", packed, "packed", size / SHORT, "written", f"bytes a tick, {size / 1000:.0f} kB for 30 s")


def main() -> None:
    rows = made_up_rows(TICKS)
    print(f"{len(RIG.layout.columns)} columns, {TICKS} ticks; processor time, fastest of {ROUNDS}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        path = speeds(rows, folder)
        loading(path)
        sizes(path, rows, folder)
        losses = sorted(lost(folder, 40 + 7 * n) for n in range(KILLS))
    middle = statistics.median(losses)
    print(f"lost at SIGKILL median {middle}, most {losses[-1]} ticks; a commit interval is 25; {KILLS} kills, all open")


if __name__ == "__main__":
    victim(sys.argv[1]) if len(sys.argv) > 1 else main()
