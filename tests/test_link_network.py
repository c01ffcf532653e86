"""The link over TCP, through the machine's own sockets: plain (``socket://``) and as RFC 2217 has it (``rfc2217://``).

The far end is the agent on its bench behind a local server; for RFC 2217 the server's half of the telnet conversation
is pyserial's `PortManager`. Time is the bench's, which runs whenever the host reads; a test waits for what a socket
brings.
"""

import contextlib
import queue
import socket
import threading

import pytest
import serial
from link_bench import Bench, PumpedWire
from serial.rfc2217 import PortManager

from drivers.serial_brick import SerialBrick
from drivers.wire import DescriptorWire, SerialWire, SocketWire, _wire_of, open_wire
from robotcore.errors import UserError

LONGEST_S = 20.0  #: a test that waits so long has failed

# pyserial's own: names that Python will drop, and a socket left to the garbage collector where the far end closed first
rfc_2217 = pytest.mark.filterwarnings("ignore:setDaemon:DeprecationWarning", "ignore:setName:DeprecationWarning")
left_open = pytest.mark.filterwarnings("ignore:Exception ignored in. <socket:pytest.PytestUnraisableExceptionWarning")


class Server:
    """A listening socket of this machine, and the connections that it took."""

    def __init__(self, stack):
        self.stack = stack
        self.listening = stack.enter_context(socket.create_server(("127.0.0.1", 0)))
        self.listening.settimeout(LONGEST_S)

    def url(self, scheme):
        return f"{scheme}://127.0.0.1:{self.listening.getsockname()[1]}"

    def accept(self):
        connection, _ = self.listening.accept()
        connection.settimeout(LONGEST_S)
        return self.stack.enter_context(connection)


@pytest.fixture
def server():
    with contextlib.ExitStack() as stack:
        yield Server(stack)


class Plain:
    """The far end of a plain connection."""

    def __init__(self, server):
        self.connection = server.accept()
        self.give = self.connection.sendall
        self.close = self.connection.close

    def take(self, count):
        got = b""
        while len(got) < count:
            data = self.connection.recv(count - len(got))
            assert data, "the host closed"
            got += data
        return got


class Telnet:
    """The far end of an RFC 2217 connection: a thread that answers what is telnet's, and passes on the rest."""

    def __init__(self, server):
        self.server = server
        self.port = serial.serial_for_url("loop://")
        self.heard = queue.Queue()
        self.accepted = queue.Queue()
        self.lock = threading.Lock()
        threading.Thread(target=self.serve, daemon=True).start()

    def serve(self):
        with contextlib.suppress(OSError):
            self.connection = self.server.accept()
            self.manager = PortManager(self.port, self)
            while data := self.connection.recv(4096):
                for octet in self.manager.filter(data):
                    self.heard.put(octet)

    def write(self, data):
        with self.lock:
            self.connection.sendall(data)

    def take(self, count):
        return b"".join(self.heard.get(timeout=LONGEST_S) for _ in range(count))

    def give(self, data):
        self.write(b"".join(self.manager.escape(data)))

    def close(self):
        self.connection.shutdown(socket.SHUT_RDWR)
        self.connection.close()


def again_and_again(work):
    for _ in range(1000):
        work()


def driven(bench, backend, ticks=300):
    """Shake hands and drive; return the ticks that had a row."""
    backend.open()
    return bench.drive(backend, ticks * bench.rig.period_s)


def check(bench, backend, rows, ticks=300):
    counts = backend.session.counts()
    assert rows >= 0.98 * ticks
    assert {counts[key] for key in ("damaged", "lost", "late", "repeated", "refused")} == {0}
    assert bench.agent.damaged == bench.agent.lost == 0
    assert any(bench.port.powers)
    backend.close()
    bench.run(0.001)
    assert bench.port.powers == [0, 0, 0, 0]


@pytest.mark.parametrize("posix", [True, False])
def test_a_run_over_a_socket(server, posix):
    bench, opened = Bench(), []

    def opener(url, baud, wait_s):
        wire = open_wire(url, baud, LONGEST_S)
        assert isinstance(wire, DescriptorWire)
        assert wire.close.__self__.fileno() == wire._handle
        if not posix:
            wire = _wire_of(wire.close.__self__, url, LONGEST_S, False)
            assert isinstance(wire, SocketWire)
        opened.append(wire)
        return PumpedWire(bench, wire, Plain(server))

    backend = SerialBrick(server.url("socket"), bench.rig, clock=lambda: bench.now_s, opener=opener)
    check(bench, backend, driven(bench, backend))
    assert len(opened) == 1


def test_small_messages_are_not_held_back(server):
    """Else an act message would wait in the kernel until the one before it was acknowledged."""
    wire = open_wire(server.url("socket"), 115200, 0.01)
    with socket.socket(fileno=wire.close.__self__.fileno()) as same:
        assert same.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY)
        same.detach()
    wire.close()


@left_open
@pytest.mark.parametrize("posix", [True, False])
def test_a_socket_that_is_empty_closed_or_full(server, posix):
    wire = open_wire(server.url("socket"), 115200, 0.01)
    if not posix:
        wire = _wire_of(wire.close.__self__, "socket://", 0.01, False)
    far = Plain(server)
    assert wire.read(0.0) == wire.read(1.0) == b""
    with pytest.raises(OSError, match=r"takes no more|timeout"):
        again_and_again(lambda: wire.write(bytes(1 << 20)))
    far.close()
    with pytest.raises(OSError, match=r"closed by the far end|reset|disconnected"):
        again_and_again(lambda: wire.read(60.0))
    wire.close()


@left_open
def test_a_far_end_that_closes_is_connected_again(server):
    """The robot's loop is not held up by closing and opening: both are done in the background."""
    bench, ends, waiting = Bench(), [], []

    def opener(url, baud, wait_s):
        wire = open_wire(url, baud, LONGEST_S)
        ends.append(Plain(server))
        return PumpedWire(bench, wire, ends[-1])

    backend = SerialBrick(
        server.url("socket"),
        bench.rig,
        clock=lambda: bench.now_s,
        sleep=bench.run,
        opener=opener,
        background=waiting.append,
    )
    driven(bench, backend, 50)
    ends[-1].give = lambda data: ends[-1].close()
    ends[-1].take = bytes
    bench.drive(backend, 0.1)
    assert backend._wire is None
    assert len(waiting) == 1, "it closes"
    bench.drive(backend, 1.0)
    assert len(waiting) == 1, "and does not open before that is done"
    waiting.pop()()
    bench.drive(backend, 0.5)
    waiting.pop()()
    assert len(ends) == 2
    bench.drive(backend, 0.5)
    assert bench.drive(backend, 1.0) >= 98
    assert [kind for kind, _ in backend.faults() if kind.startswith("link-")][:2] == ["link-lost", "link-back"]
    backend.close()


@rfc_2217
def test_a_run_over_rfc_2217(server):
    bench, far = Bench(), Telnet(server)

    def opener(url, baud, wait_s):
        wire = open_wire(url, baud, LONGEST_S)
        assert isinstance(wire, SerialWire)
        return PumpedWire(bench, wire, far)

    url = server.url("rfc2217")
    backend = SerialBrick(url, bench.rig, baud=57600, clock=lambda: bench.now_s, opener=opener)
    rows = driven(bench, backend)
    assert far.port.baudrate == 57600, "the far end's port has the baud rate that was asked for"
    check(bench, backend, rows)


@rfc_2217
def test_every_byte_goes_through_rfc_2217_unchanged(server):
    """255 is telnet's own escape."""
    far = Telnet(server)
    wire = open_wire(server.url("rfc2217"), 115200, LONGEST_S)
    every = bytes(range(256)) + b"\xff\xff\0"
    wire.write(every)
    assert far.take(len(every)) == every
    far.give(every)
    got = b""
    while len(got) < len(every):
        got += wire.read(60.0)
    assert got == every
    far.close()
    with pytest.raises(OSError, match="connection failed"):
        again_and_again(lambda: wire.read(60.0))
    wire.close()


@rfc_2217
def test_a_plain_server_is_no_rfc_2217_server(server):
    with pytest.raises(UserError, match=r"is no RFC 2217 server; for a plain TCP port write socket://host:port"):
        open_wire(server.url("rfc2217") + "?timeout=0.1", 115200, 0.01)
