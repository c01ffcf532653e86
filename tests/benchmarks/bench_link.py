"""Figures of the link: share of the line, round trip against bare file descriptors, host time a tick, spoilt frames.

    python tests/benchmarks/bench_link.py [--frames 1000000]

Ratios hold better than times: each floor is measured in the same run.
"""

import argparse
import contextlib
import itertools
import os
import pty
import random
import select
import signal
import statistics
import sys
import time
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import serial

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]  # so that it runs as a script, from anywhere

# ruff: noqa: E402 - the path comes first
from link_bench import DRIVE_ON, Bench
from test_link_codec import spoil

from drivers.agent.brick_agent import Agent
from drivers.agent.pty import _rig
from drivers.link import messages as m
from drivers.loops import Loops
from drivers.serial_brick import SerialBrick
from drivers.wire import SerialWire, Wire, open_wire
from robotcore.rig import Rig

PROCESSORS = sorted(os.sched_getaffinity(0))


def share_of_the_line() -> None:
    rig = _rig("harbour")
    sense = len(m.encode(m.Sense(2**32 - 1, 65535, 0, bytes([1]) * rig.layout.row.size), 65535))
    act = len(m.encode(m.Act(7, 900, -900, 900, 900), 65535))
    status = len(m.encode(m.Status(*[2**31] * 7), 9))
    hertz = 1 / rig.period_s
    up, down = sense * hertz + status, act * hertz
    percent = 100 * 10 / 115_200  # of the line, for a byte a second of 10 bits
    print(f"full rig, bytes: row {rig.layout.row.size}, sense {sense} and act {act} a tick, status {status} a second")
    print(f"share of 115200 baud at {hertz:.0f} Hz: to host {up * percent:.1f} %, to brick {down * percent:.1f} %")


@contextlib.contextmanager
def apart() -> Iterator[None]:
    """Keep this process on one processor and its children on another: else it is chance who meets whom there."""
    os.sched_setaffinity(0, {PROCESSORS[0]})
    try:
        yield
    finally:
        os.sched_setaffinity(0, PROCESSORS)


def forked(answer: Callable[[], bytes] | None, size: int) -> tuple[int, str]:
    """Start a child on a pseudo-terminal that calls `answer` for each `size` bytes; return its id and the port's name.

    With None the child is the agent itself.
    """
    return forked_with(lambda master: be_agent(master) if answer is None else be_canned(master, answer, size))


def forked_with(work: Callable[[int], None]) -> tuple[int, str]:
    """Start a child that works at the far end of a pseudo-terminal; return its id and the port's name."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    child = os.fork()
    if not child:
        os.sched_setaffinity(0, {PROCESSORS[-1]})
        os.close(slave)
        try:
            work(master)
        except OSError:
            os._exit(0)
    os.close(master)
    return child, name


def be_canned(master: int, answer: Callable[[], bytes], size: int) -> None:
    heard = 0
    while True:
        heard += len(os.read(master, 4096))
        if heard >= size:
            heard -= size
            os.write(master, answer())


class PlainPort:
    """A board that costs as little as one can: what is left is the agent's own work."""

    NAME = "plain"
    TICKS_PERIOD = 2**32

    def __init__(self, rig: Rig, read: Callable[[int], bytes], write: Callable[[bytes], int]) -> None:
        self.DEVICES = tuple(
            (f.port, f.driver_name, 100, tuple(tuple(channel) for channel in f.device.channels)) for f in rig.fitted
        )
        self.now_us = 0
        self.period_us = round(rig.period_s * 1e6)
        self.read_bytes, self.write_bytes = read, write

    def ticks_us(self) -> int:
        return self.now_us

    def read_counts(self, number: int, counts: list[int]) -> int:
        return 0

    def set_power(self, motor: int, per_mille: int) -> None:
        pass

    def release(self, motor: int) -> None:
        pass


def be_agent(master: int) -> None:
    """Run the agent with a clock that a message moves by one period, so that no timer is in the round trip."""
    port = PlainPort(_rig("harbour"), lambda limit: os.read(master, limit), lambda data: os.write(master, data))
    agent = Agent(port)
    while True:
        port.now_us += port.period_us
        agent.step()


def one_process(act: bytes, row: bytes) -> Callable[[], None]:
    """Return a round trip over a pseudo-terminal of which this process has both ends: nobody has to be woken."""
    master, slave = pty.openpty()
    tty.setraw(slave)

    def trip() -> None:
        os.write(slave, act)
        os.read(master, 4096)
        os.write(master, row)
        os.read(slave, 4096)

    return trip


def two_processes(name: str, act: bytes, size: int, poll: bool) -> Callable[[], None]:
    """Return a round trip by os.read and os.write; with `poll` no read waits without end, as a robot's must not."""
    handle = os.open(name, os.O_RDWR | os.O_NOCTTY)
    tty.setraw(handle)
    ready = select.poll()
    ready.register(handle, select.POLLIN)

    def trip() -> None:
        os.write(handle, act)
        got = 0
        while got < size:
            if not poll or ready.poll(100):
                got += len(os.read(handle, 4096))

    return trip


FLOORS = ("floor: two processes, os.read and os.write", "floor: both ends in one process")


def round_trip(repeats: int, rounds: int) -> None:
    """An act message out, a row in, against the same bytes by os.read and os.write over the same kind of terminal.

    The floor that a round trip is held against has a process at each end, as the link has; the far end only reads and
    writes. One process that has both ends is quicker, since nobody is woken: it stands beside it.
    """
    rig = _rig("harbour")
    act = m.encode(m.Act(3, 300, 300, 0, 0), 4)
    row = bytes([1]) * rig.layout.row.size
    rows = [m.encode(m.Sense(n * 10_000, 3, 0, row), n) for n in range(1 << 16)]
    numbers = itertools.cycle(rows)
    size = len(rows[0])
    same = lambda: rows[0]  # noqa: E731 - an answer, not a function of its own
    answers = (same, same, lambda: next(numbers), None, same, same)
    children = [forked(answer, len(act)) for answer in answers]
    names = [name for _, name in children]
    wire = open_wire(names[1], 115200, 0.1)
    pyserial = SerialWire(serial.Serial(names[4], timeout=0.1, write_timeout=0.1))
    host = running(names[2], rig)
    whole = SerialBrick(names[3], rig, patience_s=5.0)
    whole.open()
    works = {
        FLOORS[0]: two_processes(names[0], act, size, False),
        FLOORS[1]: one_process(act, rows[0]),
        "the first floor with a poll before each read": two_processes(names[5], act, size, True),
        "pyserial alone": lambda: wire_trip(pyserial, act, size),
        "our wire alone": lambda: wire_trip(wire, act, size),
        "host (wire, codec, session, motor loops)": lambda: link_trip(host),
        "the same with the agent in Python at the far end": lambda: link_trip(whole),
    }
    took: dict[str, tuple[list[float], list[float]]] = {name: ([], []) for name in works}
    for _ in range(10 * rounds):  # turn about in short spells: what else the machine does meets all alike
        for name, work in works.items():
            took[name][0].extend(each(max(1, repeats // 10), work))
            took[name][1].extend(rested(max(1, repeats // 400), work))
    tell_trips(took)
    for child, _ in children:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)


def tell_trips(took: dict[str, tuple[list[float], list[float]]]) -> None:
    """Print the median of each, and its ratio to both floors."""
    floors = [[statistics.median(times) for times in took[name]] for name in FLOORS]
    print("round trip over a pty, us (times the floor of two processes, times that of one):")
    for name, both in took.items():
        told = []
        for times, two, one in zip(both, *floors, strict=True):
            middle = statistics.median(times)
            told.append(f"{middle:.1f} ({middle / two:.2f}, {middle / one:.2f})")
        print(f"  {name}: {told[0]} without a pause, {told[1]} one in 10 ms")


def running(name: str, rig: Rig) -> SerialBrick:
    """Return a backend whose session runs, without a handshake."""
    brick = SerialBrick(name, rig)
    brick._wire = open_wire(name, 115200, 0.1) if name != "canned" else Canned(rig)
    brick.session.state = "running"
    brick.session._heard_s = time.monotonic()
    brick._row = tuple([1] * len(rig.layout.columns))
    return brick


def wire_trip(wire: Wire, act: bytes, size: int) -> None:
    wire.write(act)
    got = 0
    while got < size:
        got += len(wire.read(1.0))


def link_trip(brick: SerialBrick) -> None:
    brick.session._heard_s = time.monotonic()
    brick.act(DRIVE_ON)
    row = None
    while row is None:
        row = brick.sense(0)


def be_steady(master: int, rig: Rig) -> None:
    """Send a row each period by the clock, and let what comes lie until then, as a brick does."""
    os.set_blocking(master, False)
    row, due_s = bytes([1]) * rig.layout.row.size, time.monotonic()
    for number in itertools.count(1):
        due_s += rig.period_s
        select.select([], [], [], max(0.0, due_s - time.monotonic()))
        with contextlib.suppress(BlockingIOError):  # nobody listens just now, or nothing came
            os.write(master, m.encode(m.Sense(int(due_s * 1e6) & 0xFFFFFFFF, 3, 0, row), number))
            os.read(master, 4096)


def paced(ticks: int, rounds: int) -> None:
    """CPU of the whole process for a tick at the brick's beat, sleeping in between; bare: poll, read and write.

    Between two ticks everything falls asleep and out of the caches, so the same code takes several times as long as in
    a loop without a pause. So both are measured turn about in the same process, and once more kept awake: polling
    without a pause, of which only what follows a row is counted.
    """
    rig = Bench().rig
    act = m.encode(m.Act(3, 300, 300, 0, 0), 4)
    children = [forked_with(lambda master: be_steady(master, rig)) for _ in range(2)]
    bare = os.open(children[0][1], os.O_RDWR | os.O_NOCTTY)
    tty.setraw(bare)
    brick = running(children[1][1], rig)
    brick.pacer.start()
    polls = {name: polled(handle) for name, handle in (("bare", bare), ("link", brick._wire._handle))}

    def bare_tick() -> None:
        polls["bare"](20)
        os.read(bare, 4096)
        os.write(bare, act)

    def link_tick() -> None:
        brick.pacer.next(0)
        if brick.sense(0) is not None:
            brick.act(DRIVE_ON)

    took: dict[tuple[str, str], list[float]] = {}
    for _ in range(rounds):
        for name, tick in (("bare", bare_tick), ("link", link_tick)):
            for how, measure in (("asleep", cpu), ("awake", lambda n, work, poll=polls[name]: awake(n, work, poll))):
                brick.session._heard_s = time.monotonic()
                cpu(10, tick)  # what came meanwhile
                took.setdefault((how, name), []).append(measure(ticks, tick))
    for how, words in (("asleep", "asleep in between"), ("awake", "kept awake in between")):
        tell_paced(words, 1 / rig.period_s, took[how, "link"], took[how, "bare"])
    for child, _ in children:
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)


def tell_paced(words: str, hertz: float, link: list[float], bare: list[float]) -> None:
    """Print the medians, and from where to where they go."""
    whole, floor = statistics.median(link), statistics.median(bare)
    print(
        f"host CPU at {hertz:.0f} Hz, {words}: {whole:.0f} us a tick ({min(link):.0f} to {max(link):.0f}), bare poll, "
        f"read and write {floor:.0f} us ({min(bare):.0f} to {max(bare):.0f}): {whole - floor:.0f} us more"
    )


def polled(handle: int) -> Callable[[float], object]:
    """Return what waits for input, so many milliseconds."""
    ready = select.poll()
    ready.register(handle, select.POLLIN)
    return ready.poll


def awake(repeats: int, work: Callable[[], object], poll: Callable[[float], object]) -> float:
    """Return microseconds of CPU of `work` once there is input, for which it polls without a pause."""
    took = 0.0
    for _ in range(repeats):
        while not poll(0):
            pass
        took += cpu(1, work)
    return took / repeats


def timed(repeats: int, work: Callable[[], object]) -> float:
    began = time.perf_counter()
    for _ in range(repeats):
        work()
    return (time.perf_counter() - began) / repeats * 1e6


def each(repeats: int, work: Callable[[], object]) -> list[float]:
    """Return microseconds of each of so many calls."""
    return [timed(1, work) for _ in range(repeats)]


def rested(repeats: int, work: Callable[[], object]) -> list[float]:
    """Return microseconds of each of so many calls, with a rest before each that makes it 100 a second."""
    took = []
    for _ in range(repeats):
        select.select([], [], [], 0.01)
        took.append(timed(1, work))
    return took


class Canned:
    """A wire in memory that has a row ready at every read, so that only the host's own work is measured."""

    def __init__(self, rig: Rig) -> None:
        self.number = self.clock = 0
        self.row = bytes([1]) * rig.layout.row.size

    def read(self, wait_s: float) -> bytes:
        self.number += 1
        self.clock += 10_000
        return m.encode(m.Sense(self.clock & 0xFFFFFFFF, 5, 0, self.row), self.number)

    def write(self, data: bytes) -> None:
        pass

    def close(self) -> None:
        pass


def host_cpu(repeats: int) -> None:
    rig = _rig("harbour")
    brick = running("canned", rig)
    wire = brick._wire

    def tick() -> None:
        row = brick.sense(0)
        assert row is not None
        brick.act(DRIVE_ON)

    loops = Loops(rig)
    row = brick.sense(0)
    parts = {
        "whole tick, sense and act": statistics.median(timed(repeats, tick) for _ in range(5)),
        "of that, making the canned row": statistics.median(timed(repeats, lambda: wire.read(0.0)) for _ in range(5)),
        "of that, the drivers' loops": statistics.median(
            timed(repeats, lambda: loops.powers(DRIVE_ON, row, 0.01)) for _ in range(5)
        ),
    }
    whole, canned, motors = parts.values()
    print(
        f"host, link work a tick: {whole - canned - motors:.1f} us in software "
        f"(loops of the motors {motors:.1f} us beside it)"
    )
    kernel(repeats, rig)


def bytecodes(ticks: int = 100) -> None:
    """Count what a tick of the link executes in Python, pacer and motor loops included: this repeats exactly.

    The tracks drive, gripper and sorter stand where they should.
    """
    rig = _rig("harbour")
    joints = [rig.layout.slots[role].start for role in ("gripper", "sorter")]
    packed = rig.layout.row.pack(*[int(at not in joints) for at in range(len(rig.layout.columns))])
    frames = iter([m.encode(m.Sense(10_000 * n, 5, 0, packed), n) for n in range(1, 3 * ticks)])
    commands = [DRIVE_ON._replace(left_m_s=0.1 + 1e-4 * (n % 7)) for n in range(2 * ticks)]
    brick = running("canned", rig)
    brick._wire.read = lambda wait_s: next(frames)
    next_tick, sense, act = brick.pacer.next, brick.sense, brick.act
    counts = {"call": 0, "opcode": 0}

    def trace(frame, event, _):
        frame.f_trace_opcodes, frame.f_trace_lines = True, False
        counts[event] = counts.get(event, 0) + 1
        return trace

    tick = 0
    for n, command in enumerate(commands):
        if n == ticks:
            sys.settrace(trace)
        tick, _ = next_tick(tick)
        sense(tick)
        act(command)
    sys.settrace(None)
    codes, calls = (counts[event] / ticks for event in ("opcode", "call"))
    print(f"host, link and motor loops a tick: {codes:.0f} bytecodes in {calls:.0f} Python functions")


def kernel(repeats: int, rig: Rig) -> None:
    """What the kernel takes for one read with bytes waiting and one write, through pyserial."""
    master, slave = pty.openpty()
    tty.setraw(slave)
    wire = open_wire(os.ttyname(slave), 115200, 0.1)
    sense, act = m.encode(m.Sense(1, 1, 0, bytes([1]) * rig.layout.row.size)), m.encode(m.Act(7, 1, 1, 1, 1))

    def turn() -> None:
        os.write(master, sense)
        wire.read(1.0)
        wire.write(act)
        os.read(master, 4096)

    def ends() -> None:
        os.write(master, sense)
        os.read(slave, 4096)
        os.write(slave, act)
        os.read(master, 4096)

    both, floor = (statistics.median(cpu(repeats, work) for _ in range(5)) for work in (turn, ends))
    print(
        f"host, port a tick: {both:.1f} us CPU for a read and a write with both ends' system calls, "
        f"bare calls {floor:.1f} us ({both / floor:.2f})"
    )
    wire.close()


def cpu(repeats: int, work: Callable[[], object]) -> float:
    began = time.process_time()
    for _ in range(repeats):
        work()
    return (time.process_time() - began) / repeats * 1e6


def agent_cpu(repeats: int) -> None:
    """What the agent takes for an act message in and a row out, on a board and a line that cost nothing."""
    rig = _rig("harbour")
    inbox, outbox = [], []
    port = PlainPort(rig, lambda limit: inbox.pop() if inbox else b"", lambda data: outbox.append(data) or len(data))
    agent = Agent(port)
    host = SerialBrick("memory", rig).session
    host.greet(0.0)
    while host.state != "running":
        inbox.append(host.take())
        port.now_us += port.period_us
        agent.step()
        host.feed(b"".join(outbox), 0.0)
        outbox.clear()

    def tick() -> None:
        port.now_us += port.period_us
        inbox.append(host.encode(m.Act(3, 1, 1, 0, 0)))
        agent.step()
        outbox.clear()

    took_us = statistics.median(timed(repeats, tick) for _ in range(5))
    encode_us = statistics.median(timed(repeats, lambda: host.encode(m.Act(3, 1, 1, 0, 0))) for _ in range(5))
    columns = len(rig.layout.columns)
    print(f"agent under CPython: {took_us - encode_us:.1f} us a tick for an act message in and {columns} columns out")


def spoilt_frames(frames: int) -> None:
    rng = random.Random(1999)
    kinds = [m.Act(7, 250, -250, 0, 0), m.Sense(1, 2, 0, bytes(range(50))), m.Hello(1, 10000, 200, 7), m.Stop(1)]
    same = other = 0
    receiver = m.Receiver()
    began = time.perf_counter()
    for number in range(frames):
        message = kinds[number & 3]
        for got in receiver.feed(spoil(m.encode(message, number), rng) + b"\0"):
            if got == m.Received(number & 0xFFFF, message):
                same += 1
            else:
                other += 1
    rate = frames / (time.perf_counter() - began)
    print(
        f"{frames} spoilt frames: {other} taken for another message, {same} whose damage undid itself, "
        f"{receiver.damage.dropped} dropped ({rate:.0f} frames a second, spoiling included)"
    )
    assert other == 0


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("--frames", type=int, default=1_000_000)
    words.add_argument("--repeats", type=int, default=2000)
    words.add_argument("--paced-ticks", type=int, default=150, help="of 10 ms, in each of five turns")
    args = words.parse_args()
    share_of_the_line()
    host_cpu(args.repeats)
    bytecodes()
    agent_cpu(args.repeats)
    with apart():
        round_trip(args.repeats, 5)
        paced(args.paced_ticks, 5)
    spoilt_frames(args.frames)


if __name__ == "__main__":
    main()
