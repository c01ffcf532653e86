"""Try the agent on the brick itself, or under any Python: `import self_test` beside brick_agent.py.

No motor turns and no line is needed: the port is made up, its time moves when told. It ends with "self-test ok", or
with an AssertionError that names what failed. The same subset of Python as brick_agent.py.
"""

# ruff: noqa: UP031 - "%" works on every build of MicroPython, f-strings do not

import struct

import brick_agent as b  # type: ignore[import-not-found]  # it lies beside this file on the brick


class Port:
    """A made-up board: one encoder that counts up, four motors that remember their power."""

    NAME = "self-test"
    TICKS_PERIOD = 2**30
    DEVICES = (("enc", "", 100, (("left", "i", "counts"), ("right", "i", "counts"))),)

    def __init__(self) -> None:
        self.now = 2**30 - 50000  # wraps soon
        self.inbox = b""
        self.outbox = b""
        self.power = [7, 7, 7, 7]  # nobody knows what a board does at power-on
        self.breaks = False

    def ticks_us(self) -> int:
        """Return the made-up time."""
        return self.now % self.TICKS_PERIOD

    def read_bytes(self, limit: int) -> bytes:
        """Return what the test put there."""
        data, self.inbox = self.inbox[:limit], self.inbox[limit:]
        return data

    def write_bytes(self, data: bytes) -> int:
        """Keep what the agent says."""
        self.outbox += data
        return len(data)

    def read_counts(self, number: int, counts: "list[int]") -> int:
        """Count up; or break, when told."""
        if self.breaks:
            raise OSError("bus")
        counts[0] += 1
        counts[1] -= 1
        return 1200

    def set_power(self, motor: int, per_mille: int) -> None:
        """Remember it."""
        self.power[motor] = per_mille

    def release(self, motor: int) -> None:
        """Forget it."""
        self.power[motor] = 0


class Test:
    """One agent on a made-up port."""

    def __init__(self) -> None:
        self.port = Port()
        self.agent = b.Agent(self.port)
        self.number = 0

    def send(self, kind: int, body: bytes) -> None:
        """Send a message as the host would."""
        self.number += 1
        self.port.inbox += b.frame(kind, self.number, body)

    def run(self, milliseconds: int) -> "list[tuple[int, int, bytes]]":
        """Let time pass; return what the agent said."""
        for _ in range(milliseconds):
            self.port.now += 1000
            self.agent.step()
        pieces = self.port.outbox.split(b"\0")
        self.port.outbox = pieces[-1]
        said = []
        for piece in pieces[:-1]:
            if piece:
                message = b.unframe(piece)
                assert message is not None, "a frame of our own does not open"
                said.append(message)
        return said

    def shake_hands(self) -> None:
        """Greet and start; the rows flow."""
        self.send(b.HELLO, struct.pack("<BIHI", b.VERSION, 10000, 200, 99))
        kinds = [message[0] for message in self.run(2)]
        assert kinds == [b.WELCOME, b.ENTRY], "greeting: %s" % kinds
        digest = b.crc_of(b"enc|left:i:counts;right:i:counts")
        self.send(b.START, struct.pack("<II", 99, digest) + b"\0")
        rows = [message for message in self.run(100) if message[0] == b.SENSE]
        assert 9 <= len(rows) <= 11, "%d rows in 100 ms" % len(rows)
        age, left, right = struct.unpack("<Hii", rows[-1][2][7:])
        assert (age, left, right) == (12, len(rows), -len(rows)), "row %s" % str((age, left, right))


def check() -> int:
    """Check the agent; return how many parts were checked."""
    assert b.crc_of(b"123456789") == 0xCBF43926, "CRC-32"
    assert b.plain_crc32(b"123456789") == 0xCBF43926, "CRC-32 without binascii"
    data = bytes(range(256)) + b"\0\0" + bytes([1] * 300)
    assert b.cobs_decode(b.cobs_encode(data)) == data, "COBS"
    assert b.cobs_decode(b"\5ab") is None, "COBS cut short"
    assert b.masked(b"\x11\0") == b"\xb4\xa5", "mask"

    test = Test()
    test.run(1)
    assert test.port.power == [0, 0, 0, 0], "released at start"
    test.shake_hands()
    test.send(b.ACT, struct.pack("<Bhhhh", 7, 500, -500, 30, 0))
    test.run(1)
    assert test.port.power == [500, -500, 30, 0], "act"
    said = test.run(201)
    assert test.port.power == [0, 0, 0, 0], "dead-man"
    assert [m[2][0] for m in said if m[0] == b.FAULT] == [b.FAULT_DEAD_MAN], "dead-man is told"

    test.send(b.ACT, struct.pack("<Bhhhh", 7, 100, 100, 0, 0))
    test.run(1)
    test.send(b.STOP, b"\1")
    test.run(1)
    assert test.port.power == [0, 0, 0, 0], "stop"

    test.send(b.ACT, struct.pack("<Bhhhh", 7, 100, 100, 0, 0))
    test.run(1)
    test.port.breaks = True
    said = test.run(12)
    assert test.port.power == [0, 0, 0, 0], "own error"
    assert [m[2][0] for m in said if m[0] == b.FAULT] == [b.FAULT_AGENT], "own error is told"
    test.port.breaks = False
    test.shake_hands()
    return 6


if __name__ in ("__main__", "self_test"):
    print("self-test ok: %d parts" % check())
