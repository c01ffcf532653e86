"""The serial backend against the agent over a bad wire, in memory, on a clock that moves only when told."""

import itertools
import os
import random

import pytest
from link_bench import DRIVE_ON, STEP_S, Bench, bench_rig

from drivers.agent.line import Line, LineFaults
from drivers.link import messages as m
from drivers.serial_brick import SerialBrick, _wire_time_s, build
from drivers.wire import DescriptorWire, _explain, _wire_of, open_wire
from robotcore.backend import EndOfRun, parse_address
from robotcore.command import CUT, HALT, HOLD
from robotcore.errors import UserError

DEAD_MAN_S, PERIOD_S = 0.2, 0.01
BAD_WIRES = {
    "perfect": LineFaults(),
    "bit errors 1e-4": LineFaults(bit_errors=1e-4),
    "bit errors 1e-3": LineFaults(bit_errors=1e-3),
    "drops": LineFaults(drops=2e-3),
    "duplicates": LineFaults(duplicates=2e-3),
    "stalls": LineFaults(stall_every_s=0.5),
    "everything": LineFaults(bit_errors=2e-4, drops=5e-4, duplicates=5e-4, stall_every_s=1.0),
}


def opened(**how) -> tuple[Bench, SerialBrick]:
    bench = Bench(**how)
    backend = bench.backend(patience_s=10.0)
    backend.open()
    return bench, backend


def kinds(backend):
    return [kind for kind, _ in backend.faults()]


@pytest.mark.parametrize("name", BAD_WIRES)
def test_bad_wire(name):
    bench, backend = opened(faults=BAD_WIRES[name], seed=7)
    acted = []
    act = bench.agent._act
    bench.agent._act = lambda number, body, now: act(number, acted.append(m.decode(b"\3\0\0" + body)) or body, now)
    sent = []
    message = backend._message
    backend._message = lambda command: sent.append(message(command)) or sent[-1]
    sampled = bench.drive(backend, 6.0)
    assert bench.longest_after_act_s() <= DEAD_MAN_S + PERIOD_S
    assert {one.message for one in acted} <= set(sent), "an act message was obeyed that nobody sent"
    assert sampled > (595 if name == "perfect" else 200)
    counts = backend.session.counts()
    spoilt = sum(counts[key] for key in ("damaged", "lost", "handshakes", "passed_over")) + bench.agent.damaged
    assert (spoilt > 1) == (name != "perfect"), "the counters tell what happened"
    bench.wires.up._faults = bench.wires.down._faults = LineFaults()  # the wire is mended
    bench.wires.up._bits_to_error = bench.wires.down._bits_to_error = 1 << 62
    bench.drive(backend, 1.5)
    assert bench.drive(backend, 0.5) >= 49, "the link is back by itself"


def test_every_lost_message_is_counted_exactly():
    """Both sides' counters against what the wire really dropped."""
    bench, backend = opened()
    bench.drive(backend, 0.5)
    rng = random.Random(3)
    lost_down, lost_up = [], []
    for line, lost in ((bench.wires.down, lost_down), (bench.wires.up, lost_up)):
        carry = line.carry

        def spoilt(data, now_s, carry=carry, lost=lost):
            if data and rng.random() < 0.1:
                lost.append(data)
                data = bytes((data[0], data[1] ^ 0x10)) + data[2:]
            return carry(data, now_s)

        line.carry = spoilt
    bench.drive(backend, 4.0)
    for line in (bench.wires.down, bench.wires.up):
        del line.carry
    bench.drive(backend, 0.1)
    assert lost_down
    assert lost_up
    assert (bench.agent.damaged, bench.agent.lost) == (len(lost_down), len(lost_down))
    counts = backend.session.counts()
    assert (counts["damaged"], counts["lost"]) == (len(lost_up), len(lost_up))
    assert "link-noise" in kinds(backend)
    assert "link-noise" not in kinds(backend), "told once"


def test_noise_is_told_once_a_second_and_at_the_end():
    """A fault for every spoilt row would fill the screen and the recording."""
    bench, backend = opened(faults=LineFaults(bit_errors=3e-4))
    told = []
    for _ in range(350):
        bench.drive(backend, PERIOD_S)
        told += [detail for kind, detail in backend.faults() if kind == "link-noise"]
    assert 3 <= len(told) <= 4
    bench.wires.to_host += b"\x05spoilt\0"
    bench.drive(backend, PERIOD_S)
    backend.stop(HALT)
    (last,) = [detail for kind, detail in backend.faults() if kind == "link-noise"]
    damaged = backend.session.counts()["damaged"]
    assert last.startswith(f"{damaged} damaged, ")
    assert last.endswith("good messages so far; check cable and ground")
    assert not backend.faults()


def test_garbage_flood_both_ways():
    bench, backend = opened()
    bench.drive(backend, 0.5)
    rng = random.Random(11)
    flood_until_s = bench.now_s + 1.0

    def flood():
        if bench.now_s < flood_until_s:
            bench.wires.to_brick += rng.randbytes(6)
            bench.wires.to_host += rng.randbytes(6)

    run = bench.run
    bench.run = lambda seconds: run(seconds, flood)
    bench.drive(backend, 1.0)
    assert bench.longest_after_act_s() <= DEAD_MAN_S + PERIOD_S
    bench.run = run
    bench.drive(backend, 1.0)
    assert bench.drive(backend, 0.5) >= 49
    assert bench.agent.damaged > 10


def test_agent_restart_is_reported_and_survived():
    bench, backend = opened()
    bench.drive(backend, 1.0)
    bench.agent_alive = False
    bench.port.powers = [0, 0, 0, 0]  # without power there is no motion
    bench.drive(backend, 0.5)
    assert "link-lost" in kinds(backend)
    bench.restart_agent()
    bench.drive(backend, 0.5)
    assert "link-back" in kinds(backend)
    assert bench.drive(backend, 0.5) >= 49
    assert any(bench.port.powers)


def test_a_quick_restart_shows_as_no_session():
    bench, backend = opened()
    bench.drive(backend, 0.5)
    bench.restart_agent()
    bench.drive(backend, 0.5)
    assert [kind for kind in kinds(backend) if kind.startswith("link")] == ["link-lost", "link-back"]


def test_host_gone_stops_the_motors_within_the_dead_man_time():
    bench, backend = opened()
    bench.drive(backend, 1.0)
    assert any(bench.port.powers)
    bench.run(DEAD_MAN_S + PERIOD_S)
    assert bench.port.powers == [0, 0, 0, 0]
    bench.run(3.0)
    assert bench.agent.state == 0, "and the session ends"
    assert bench.agent.trips == 1
    assert bench.longest_after_act_s() <= DEAD_MAN_S


def test_a_slow_host_finds_its_link_running():
    """The host sleeps 0.5 s: the robot stands by the dead-man timer; the link needs no new handshake."""
    bench, backend = opened()
    bench.drive(backend, 0.5)
    bench.run(0.5)
    assert bench.port.powers == [0, 0, 0, 0]
    bench.drive(backend, 0.5)
    assert backend.session.handshakes == 1
    assert any(bench.port.powers)
    assert "brick-fault" in kinds(backend)


def test_unplugged_and_plugged_again():
    bench, backend = opened()
    bench.drive(backend, 0.5)
    bench.unplugged = True
    assert bench.drive(backend, 1.0) == 0
    assert bench.longest_after_act_s() <= DEAD_MAN_S + PERIOD_S
    tries = backend._attempted_s
    assert tries > 0
    bench.unplugged = False
    bench.drive(backend, 1.0)
    assert bench.drive(backend, 0.5) >= 49
    assert [kind for kind in kinds(backend) if kind.startswith("link-")][:2] == ["link-lost", "link-back"]


def test_attempts_to_reopen_are_spaced():
    bench, backend = opened()
    bench.unplugged = True
    when = []
    backend._opener = lambda *args: when.append(bench.now_s) or bench.open_wire(*args)
    bench.drive(backend, 2.0)
    assert 8 <= len(when) <= 10
    assert min(b - a for a, b in itertools.pairwise(when)) >= 0.2 - 1e-9


@pytest.mark.parametrize("how", ["unplugged", "silent"])
def test_lost_link_ends_the_run_where_the_rig_says_so(how):
    bench, backend = opened(rig=bench_rig("end"))
    bench.drive(backend, 0.2)
    bench.unplugged = how == "unplugged"
    bench.agent_alive = False
    with pytest.raises(EndOfRun, match="link to the brick was lost"):
        bench.drive(backend, 1.0)
    backend.close()


@pytest.mark.parametrize("category", [CUT, HALT, HOLD])
def test_stop_is_sent_thrice_and_obeyed(category):
    bench, backend = opened()
    bench.drive(backend, 0.5)
    before = next(backend.session._numbers)
    backend.stop(category)
    assert next(backend.session._numbers) - before - 1 == 3
    bench.run(STEP_S)
    assert bench.port.powers == [0, 0, 0, 0]
    assert any(bench.agent._powered) == (category != CUT)
    bench.run(0.6)
    assert any(bench.agent._powered) == (category == HOLD)
    assert bench.agent.trips == 0, "standing needs no dead-man timer"
    bench.drive(backend, 0.2)
    assert any(bench.port.powers), "the next act moves again"


def test_an_act_that_a_stop_overtook_is_not_sent():
    bench, backend = opened()
    bench.drive(backend, 0.5)
    message = backend._message
    backend._message = lambda command: (backend.stop(CUT), message(command))[1]  # as from another thread
    backend.sense(0)
    backend.act(DRIVE_ON)
    bench.run(0.05)
    assert bench.port.powers == [0, 0, 0, 0]


def test_stop_gets_through_after_half_a_frame():
    bench, backend = opened()
    bench.drive(backend, 0.5)
    frame = backend.session.encode(m.Act(7, 900, 900, 0, 0))
    bench.wires.to_brick += frame[:9]
    backend.stop(HALT)
    bench.wires.to_brick += frame[9:]
    bench.run(0.01)
    assert bench.port.powers == [0, 0, 0, 0]


def test_stop_and_close_are_safe_at_any_time():
    bench = Bench()
    backend = bench.backend()
    backend.stop(CUT)
    backend.close()
    backend.open()
    bench.unplugged = True
    backend.stop(CUT)
    backend.close()
    backend.close()


def test_rows_are_the_worlds_and_ages_have_the_time_of_travel():
    bench, backend = opened()
    bench.drive(backend, 0.3)
    row = backend.sense(1)
    slots = bench.rig.layout.slots
    assert row[slots["floor_left"].start : slots["floor_left"].stop] == (900, 901, 902)
    assert 0 <= row[slots["floor_left"].age] <= 210, "at most a period in the brick and a period here, in 0.1 ms"
    assert row[slots["battery"].age] == 0xFFFF or row[slots["battery"].start] == 7400


def test_sense_never_waits_longer_than_a_period():
    bench, backend = opened()
    bench.agent_alive = False
    for tick in range(200):
        began_s = bench.now_s
        backend.sense(tick)
        assert bench.now_s - began_s <= PERIOD_S + 1e-9


def test_unnamed_device_is_a_warning_and_its_counts_stay_away():
    spare = '[[device]]\nrole = "start_button"\ndriver = "button"\nport = "spare-1"\n'
    brick_rig = bench_rig(extra=spare)
    rig = bench_rig()

    bench = Bench(rig=rig, brick_rig=brick_rig)
    backend = bench.backend()
    backend.open()
    assert backend.faults() == [
        ("device-unnamed", "the brick has 'spare-1', which the rig does not name; it is left alone")
    ]
    assert bench.drive(backend, 0.2) == 20
    assert len(backend._row) == len(rig.layout.columns)


def message_of(backend):
    with pytest.raises(UserError) as caught:
        backend.open()
    text = str(caught.value)
    assert text.startswith("/dev/bench: ")
    assert "\n" not in text
    return text


def test_missing_device():
    bench = Bench(rig=bench_rig(extra='[[device]]\nrole = "start_button"\ndriver = "button"\nport = "spare-1"\n'),
                  brick_rig=bench_rig())  # fmt: skip
    assert "start_button: the brick has no device at port 'spare-1'" in message_of(bench.backend())
    assert bench.port.powers == [0, 0, 0, 0]


def test_silent_brick():
    bench = Bench()
    bench.agent_alive = False
    assert "switch the brick on and start its agent" in message_of(bench.backend())


def test_wrong_baud():
    """A wrong rate makes other bytes of the same bits; what comes is garbage all along."""
    bench = Bench()
    rng = random.Random(5)
    run = bench.run

    def chatter(seconds):  # whatever is sent there, something else comes here
        run(seconds)
        bench.wires.to_host += rng.randbytes(3)

    bench.run = chatter
    bench.agent_alive = False
    assert "wrong baud rate (115200 here)" in message_of(bench.backend())


def test_echo():
    bench = Bench()
    bench.agent_alive = False
    wires = bench.wires
    wires.down.carry = lambda data, now_s: wires.to_host.extend(data) or b""
    assert "comes back to us" in message_of(bench.backend())


def test_wrong_version(monkeypatch):
    bench = Bench()
    monkeypatch.setattr("drivers.agent.brick_agent.VERSION", m.VERSION + 1)
    text = message_of(bench.backend())
    assert f"agent speaks protocol version {m.VERSION + 1}" in text
    assert "brick_agent.py" in text
    assert bench.port.powers == [0, 0, 0, 0]


def test_noise_that_lets_no_handshake_through():
    bench = Bench(faults=LineFaults(bit_errors=0.006), seed=2)
    assert "handshake does not get through" in message_of(bench.backend())


@pytest.mark.parametrize(
    ("url", "ms"),
    [("/dev/ttyUSB0", 5.208), ("/dev/ttyACM0", 0), ("/dev/pts/3", 0), ("socket://brick:1", 0), ("/dev/ttyS1", 5.208)],
)
def test_time_on_the_wire(url, ms):
    """60 bytes of 10 bits at 115200 a second; a USB or network port is not held to its baud rate."""
    assert _wire_time_s(url, 60, 115200) * 1000 == pytest.approx(ms, abs=0.001)


# -- addresses and ports ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("serial:/dev/x?baud=fast", "baud is 'fast'; give a number from 300"),
        ("serial:/dev/x?baud=1", "give a number from 300"),
        ("serial:/dev/x?bauds=9600", "did you mean 'baud'?"),
        ("serial:", "names no port"),
    ],
)
def test_bad_addresses(url, words):
    with pytest.raises(UserError, match=r".*") as caught:
        build(parse_address(url), bench_rig())
    assert words in str(caught.value)


def test_address():
    backend = build(parse_address("serial:socket://brick:4000?baud=921600"), bench_rig())
    assert backend.facts == {"link": "socket://brick:4000", "baud": "921600", "protocol": str(m.VERSION)}
    assert backend.paced


@pytest.mark.parametrize(
    ("url", "words"),
    [
        ("/dev/no-such-port", "no such port; plug the brick in"),
        ("/dev/null", "not a serial port"),
        ("strange://x", "not a port that can be opened"),
        ("socket://127.0.0.1:1", "nobody listens there"),
        ("socket://127.0.0.1", "names no host and port"),
        ("socket://127.0.0.1:here", "names no host and port"),
        ("socket://no-such-host.invalid:1", "host's name is not known"),
        ("/tmp", "not a serial port"),
    ],
)
def test_ports_that_cannot_be_opened(url, words):
    with pytest.raises(UserError, match=url) as caught:
        open_wire(url, 115200, 0.005)
    assert words in str(caught.value), caught.value


def test_permission_is_explained():
    assert "dialout" in _explain(OSError(13, "Permission denied"))


@pytest.mark.parametrize("error", [None, OSError(25, "Inappropriate ioctl"), ValueError("flag"), NotImplementedError()])
def test_a_usb_adapter_is_asked_to_pass_bytes_on_at_once(error):
    """One that cannot is used all the same."""
    asked = []

    class Port:
        def close(self):
            pass

        def set_low_latency_mode(self, wanted):
            asked.append(wanted)
            if error is not None:
                raise error

    read, write = os.pipe()
    Port.fileno = lambda self: read
    assert isinstance(_wire_of(Port(), "/dev/ttyUSB0", 0.01, True), DescriptorWire)
    assert asked == [True]
    os.close(read)
    os.close(write)


def test_loop_port():
    wire = open_wire("loop://", 115200, 0.001)
    wire.write(b"abc\0")
    assert wire.read(0.0) == b"abc\0"
    wire.close()


# -- the bad wire itself ---------------------------------------------------------------------------------------------


def test_line_spoils_as_often_as_it_says():
    line = Line(LineFaults(bit_errors=1e-3, drops=0.01, duplicates=0.01), 4)
    data = bytes(1000)
    for _ in range(200):
        line.carry(data, 0.0)
    # binomial: 1.6e6 bits at 1e-3 and 2e5 bytes at 0.01, five standard deviations each way
    assert 1400 <= line.errors <= 1800
    assert 1777 <= line.dropped <= 2223
    assert 1777 <= line.doubled <= 2223


def test_a_stalled_line_loses_nothing():
    line = Line(LineFaults(stall_every_s=0.05), 4)
    sent = [bytes((n & 0xFF,)) for n in range(2000)]
    out = b"".join(line.carry(octet, n * 0.001) for n, octet in enumerate(sent)) + line.carry(b"", 1e9)
    out += line.carry(b"", 2e9)
    assert line.stalls > 3
    assert b"".join(sent).startswith(out[: len(out)])
    assert len(out) >= 1500
