"""The whole link through the machine's own pseudo-terminals: real file descriptors, real processes, no sleeping.

Where the far end is a process (`python -m drivers.agent.pty`) its time is judged by the clock that it sends.
"""

import contextlib
import os
import pty
import select
import signal
import subprocess
import sys
import tty
from pathlib import Path

import pytest
from link_bench import Bench, PumpedWire

from drivers.agent.fake_world import FakeWorld
from drivers.agent.pty import _rig, entered
from drivers.agent.pty import main as stand_in_main
from drivers.fake.backend import build as fake_robot
from drivers.link import messages as m
from drivers.serial_brick import SerialBrick, build
from drivers.wire import DescriptorWire, SerialWire, open_wire
from robotcore.backend import parse_address
from robotcore.errors import UserError

ROOT = Path(__file__).parents[1]


@pytest.fixture
def ends():
    master, slave = pty.openpty()
    tty.setraw(slave)
    os.set_blocking(master, False)
    yield master, os.ttyname(slave)
    os.close(slave)
    with contextlib.suppress(OSError):  # a test closed it
        os.close(master)


@contextlib.contextmanager
def ended(child):
    """Give a child process that does not outlive the test, whatever goes wrong in it."""
    try:
        yield child
    finally:
        child.kill()
        child.communicate()


def heard(master):
    try:
        return os.read(master, 4096)
    except (BlockingIOError, OSError):
        return b""


def test_port_is_ours_alone(ends):
    wire = open_wire(ends[1], 115200, 0.001)
    assert isinstance(wire, DescriptorWire)
    with pytest.raises(UserError, match="the port is busy; end the other program"):
        open_wire(ends[1], 115200, 0.001)
    wire.close()
    open_wire(ends[1], 115200, 0.001).close()


def exactly(master, count):
    """Return so many bytes; the terminal passes them on when the machine gets round to it."""
    os.set_blocking(master, True)
    got = b""
    while len(got) < count:
        got += os.read(master, count - len(got))
    os.set_blocking(master, False)
    return got


def exactly_here(wire, count):
    got = b""
    while len(got) < count:
        got += wire.read(60.0)
    return got


def test_nothing_there_is_nothing_read(ends):
    wire = open_wire(ends[1], 115200, 0.001)
    assert wire.read(0.0) == b""
    assert wire.read(60.0) == b""
    wire.close()


def test_bytes_go_both_ways_unchanged(ends):
    """All values: a terminal that is not raw would change some of them."""
    master, name = ends
    wire = open_wire(name, 115200, 5.0)
    every = bytes(range(256))
    wire.write(every)
    assert exactly(master, 256) == every
    os.write(master, every)
    assert exactly_here(wire, 256) == every
    wire.close()


def test_the_same_through_pyserials_own_calls(ends):
    import serial

    master, name = ends
    with serial.Serial(name, timeout=5.0, write_timeout=5.0) as port:
        wire = SerialWire(port)
        wire.write(b"abc")
        assert exactly(master, 3) == b"abc"
        assert wire.read(0.0) == b""
        os.write(master, b"xyz")
        assert exactly_here(wire, 3) == b"xyz"


def test_unplugged_port_is_an_error(ends):
    master, name = ends
    wire = open_wire(name, 115200, 0.001)
    os.close(master)
    with pytest.raises(OSError, match=r"unplugged|Input/output"):
        wire.read(60.0)
    wire.close()


def test_line_that_takes_nothing_is_an_error_in_time(ends):
    wire = open_wire(ends[1], 115200, 0.001)
    with pytest.raises(OSError, match="takes no more"):
        wire.write(bytes(1 << 20))
    while heard(ends[0]):
        pass
    wire.close()


def test_a_run_over_the_terminal(ends):
    """Backend, real port and agent; the agent runs whenever the host reads."""
    master, name = ends
    bench = Bench()

    class Master:
        def take(self, count):
            return exactly(master, count)

        def give(self, data):
            os.write(master, data)

    def opener(url, baud, wait_s):
        return PumpedWire(bench, open_wire(url, baud, 5.0), Master())

    backend = SerialBrick(name, bench.rig, clock=lambda: bench.now_s, opener=opener)
    backend.open()
    rows = bench.drive(backend, 1.0)
    assert rows >= 98
    assert any(bench.port.powers)
    backend.close()
    bench.run(0.001)
    assert bench.port.powers == [0, 0, 0, 0]
    assert backend.session.counts()["damaged"] == backend.session.counts()["lost"] == 0


def test_the_stand_in_process_answers_a_greeting(tmp_path):
    """A child in real time: it names its port, answers, keeps its link, and ends on SIGTERM; no clock is looked at."""
    link = tmp_path / "brick"
    command = [sys.executable, "-m", "drivers.agent.pty", "--course", "quay", "--link", str(link), "--seed", "3"]
    with ended(subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)) as child:
        name = child.stdout.readline().strip()
        assert os.path.realpath(link) == name
        wire = open_wire(str(link), 115200, 5.0)
        wire.write(m.encode(m.Hello(m.VERSION, 10_000, 200, 4711), 1))
        receiver, said = m.Receiver(), []
        while len(said) < 2 or len(said) < 1 + said[0].devices:
            said += [received.message for received in receiver.feed(wire.read(60.0))]
        assert said[0].nonce == 4711
        assert {entry.name for entry in said[1:]} >= {"tracks", "colour-1", "colour-2"}
        wire.close()
        child.terminate()
        _, told = child.communicate(timeout=20)
        assert child.returncode == 0
        assert "brick: accepted 1, damaged 0" in told
        assert not link.exists()


def test_the_stand_in_refuses_a_course_that_is_not_there():
    command = [sys.executable, "-m", "drivers.agent.pty", "--course", "nowhere"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, cwd=ROOT)
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--seed", "x"], "argument --seed: 'x' is not a whole number of 0 or more; see --help"),
        (["--bit-errors", "2"], "argument --bit-errors: '2' is not a probability from 0 to below 1"),
        (["--stall-every", "nan"], "argument --stall-every: 'nan' is not a number of seconds"),
        (["--link", "here"], "--link here: is there already, and no link; give another name"),
        (["--link", "no/such/folder"], "--link no/such/folder: cannot be made (No such file or directory)"),
        (["--rig", "nobodys"], "cannot be read"),
    ],
)
def test_the_stand_in_says_in_a_line_what_is_wrong(words, says, tmp_path, monkeypatch, capfd):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "here").write_text("somebody's")
    monkeypatch.setattr(signal, "signal", lambda *_: None)
    assert stand_in_main(words) == 2
    (line,) = capfd.readouterr().err.splitlines()
    assert says in line
    assert (tmp_path / "here").read_text() == "somebody's"


def test_enter_is_heard_in_the_foreground_alone(ends, monkeypatch):
    master, name = ends
    terminal = os.open(name, os.O_RDWR | os.O_NOCTTY)
    monkeypatch.setattr(os, "tcgetpgrp", lambda handle: os.getpgrp())
    assert not entered(terminal)
    os.write(master, b"\n")
    select.select([terminal], [], [])
    monkeypatch.setattr(os, "tcgetpgrp", lambda handle: os.getpgrp() + 1)
    assert not entered(terminal), "to read there would stop the process"
    monkeypatch.setattr(os, "tcgetpgrp", lambda handle: os.getpgrp())
    assert entered(terminal)
    assert not entered(terminal), "once"
    os.close(terminal)
    monkeypatch.undo()
    read, write = os.pipe()
    os.write(write, b"\n")
    assert not entered(read), "no terminal"
    os.close(read)
    os.close(write)


def test_the_stand_ins_button_is_pressed_again_for_a_moment():
    rig = _rig("harbour")
    world = FakeWorld(fake_robot(parse_address("fake:pad?seed=1"), rig))
    state = rig.layout.slots["start_button"].start
    seen = [world.step((0, 0, 0, 0), False)[state] for _ in range(100)]
    assert {0, 1} == set(seen)
    assert not seen[-1]
    world.press()
    again = [world.step((0, 0, 0, 0), False)[state] for _ in range(100)]
    assert 5 <= sum(again) <= 40
    assert not again[-1]


def test_the_stand_in_leaves_a_link_alone_that_another_one_took_over(tmp_path):
    link = tmp_path / "brick"
    command = [sys.executable, "-m", "drivers.agent.pty", "--course", "quay", "--link", str(link)]
    with contextlib.ExitStack() as stack:
        pipes = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
        first, second = (stack.enter_context(ended(subprocess.Popen(command, cwd=ROOT, **pipes))) for _ in range(2))
        names = [child.stdout.readline().strip() for child in (first, second)]
        assert os.readlink(link) in names
        newer = (first, second)[names.index(os.readlink(link))]
        older = second if newer is first else first
        older.terminate()
        older.communicate(timeout=20)
        assert os.path.realpath(link) in names
        newer.terminate()
        newer.communicate(timeout=20)
        assert not link.is_symlink()


HOST = """
import sys
from drivers.agent.fake_world import FakeWorld
from drivers.agent.pty import _rig, entered
from drivers.agent.pty import main as stand_in_main
from drivers.serial_brick import build
from robotcore.backend import parse_address
from robotcore.command import Command
backend = build(parse_address("serial:" + sys.argv[1]), _rig("harbour"))
backend.open()
sampled = 0
while True:
    if backend.sense(0) is not None:
        backend.act(Command(0.1, 0.1, 0.0, 0.0))
        sampled += 1
        if sampled == 20:
            print("driving", flush=True)
"""


@pytest.fixture
def stand_in(tmp_path):
    link = tmp_path / "brick"
    children = []

    def start():
        command = [sys.executable, "-m", "drivers.agent.pty", "--link", str(link)]
        children.append(subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT))
        children[-1].stdout.readline()
        return children[-1]

    yield link, start
    for child in children:
        child.kill()
        child.communicate()


def test_host_killed_leaves_the_motors_at_rest(stand_in):
    """SIGKILL to a driving host: by the brick's own clock it stands within the dead-man time and a tick."""
    link, start = stand_in
    start()
    handle = os.open(link, os.O_RDWR | os.O_NOCTTY)  # keeps what the brick says once nobody else listens
    with subprocess.Popen([sys.executable, "-c", HOST, str(link)], stdout=subprocess.PIPE, text=True, cwd=ROOT) as host:
        assert host.stdout.readline() == "driving\n"
        host.kill()
    tty.setraw(handle)  # reads wait again
    receiver, rows = m.Receiver(), []
    while not rows or not rows[-1].state & m.DEAD_MAN:
        rows += [r.message for r in receiver.feed(os.read(handle, 256)) if isinstance(r.message, m.Sense)]
        rows = rows[: next((n + 1 for n, row in enumerate(rows) if row.state & m.DEAD_MAN), len(rows))]
    os.close(handle)
    assert rows[-1].answered >= 20
    assert not rows[0].state & m.DEAD_MAN, "it was still driving when its host died"
    assert (rows[-1].clock_us - rows[0].clock_us) & 0xFFFFFFFF <= 200_000 + 10_000


def test_agent_killed_and_started_anew(stand_in):
    """The host gets its link back by itself, and says both."""
    link, start = stand_in
    first = start()
    backend = build(parse_address(f"serial:{link}"), _rig("harbour"))
    backend.open()
    while backend.sense(0) is None:
        pass
    first.kill()
    first.communicate()
    while backend._wire is not None:
        backend.sense(1)
    start()
    while backend.session.handshakes < 2:
        backend.sense(2)
    assert [kind for kind, _ in backend.faults()] == ["link-lost", "link-back"]
    backend.close()
