"""The brick agent: the program at the far end of the serial link. Copy this one file, and your port, to the brick.

It speaks the protocol of drivers/link/LINK.md, reads counts, sets power, and stops the motors by itself:
- when no valid act message came for the dead-man time (HALT: power zero, released after half a second);
- on a bad handshake, and on its own errors, whatever they are (CUT: released at once);
- when the host stays silent for good.

Rules: the subset of Python that CPython and MicroPython share, no other files, no f-strings (small builds lack them).
Time comes from the port only. `step` never waits; call it as often as you can, at least once a millisecond.

    from brick_agent import Agent
    from my_port import Port
    Agent(Port()).run()
"""

# ruff: noqa: UP031 - "%" works on every build of MicroPython, f-strings do not

import struct

TYPE_CHECKING = False  # type checkers take it for true; a brick has no typing module
if TYPE_CHECKING:
    from typing import Any

try:
    from binascii import crc32
except ImportError:  # a board without it
    crc32 = None  # type: ignore[assignment]

VERSION = 2
LARGEST_PAYLOAD = 800
LARGEST_FRAME = LARGEST_PAYLOAD + 4 + (LARGEST_PAYLOAD + 4) // 254 + 1
READ_LIMIT = 256  # bytes a step: a flood of garbage cannot keep the agent from its timers
HALT_US = 500000  # power zero for so long, then released
LEAVE_US = 2000000  # silence after which the session is over
STATUS_US = 1000000
COMPLAIN_US = 100000  # no more than one "no session" in this time
MASK = 0xFFFFFFFF
TRANSLATES = hasattr(b"", "translate")  # MicroPython has none
MASKED = bytes([octet ^ 0xA5 for octet in range(256)])  # COBS takes a step a zero, and counts are full of them

HELLO, START, ACT, STOP = 0x01, 0x02, 0x03, 0x04
WELCOME, ENTRY, SENSE, FAULT, STATUS = 0x81, 0x82, 0x83, 0x84, 0x85
LENGTHS = {HELLO: 11, ACT: 9, STOP: 1}  # bytes of the body; START has a tail

FAULT_DEAD_MAN, FAULT_VERSION, FAULT_HANDSHAKE, FAULT_NO_SESSION, FAULT_AGENT, FAULT_UNKNOWN = 1, 2, 3, 4, 5, 6

STOPPED, DEAD_MAN, SLOW = 1, 2, 4  # flags of the state in sense messages
IDLE, GREETED, RUNNING = 0, 1, 2
CUT, HALT, HOLD = 0, 1, 2
MOTORS = 4  # left, right, gripper, sorter
FLAGS = (1, 1, 2, 4)  # which flag of an act message powers which motor
FULL_POWER = 1000
NEVER, LONGEST_AGE = 0xFFFF, 0xFFFE
BOUNDS = {
    "B": (0, 0xFF),
    "H": (0, 0xFFFF),
    "h": (-0x8000, 0x7FFF),
    "i": (-0x80000000, 0x7FFFFFFF),
    "I": (0, 0xFFFFFFFF),
}


def plain_crc32(data: bytes) -> int:
    """Return the CRC-32 of `data`, bit by bit: slow, for boards without binascii.crc32."""
    crc = MASK
    for octet in data:
        crc ^= octet
        for _ in range(8):
            crc = (crc >> 1) ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ MASK


def crc_of(data: bytes) -> int:
    """Return the CRC-32 of `data`."""
    return plain_crc32(data) if crc32 is None else crc32(data) & MASK


def cobs_encode(data: bytes) -> bytes:
    """Return the COBS encoding of `data`: the same bytes with no zero among them."""
    out = bytearray()
    at, size = 0, len(data)
    if size < 254 and data.find(b"\0") < 0:  # nearly always: one block
        return bytes([size + 1]) + data
    while True:
        end = data.find(b"\0", at)
        if end < 0:
            end = size
        while end - at >= 254:
            out.append(255)
            out.extend(data[at : at + 254])
            at += 254
            if at == size:  # a full block at the very end needs no empty one after it
                return bytes(out)
        out.append(end - at + 1)
        out.extend(data[at:end])
        if end == size:
            return bytes(out)
        at = end + 1


def cobs_decode(data: bytes) -> "bytes | None":
    """Return what `data` encodes, None where it encodes nothing."""
    if data.find(b"\0") >= 0:
        return None
    out = bytearray()
    at, size = 0, len(data)
    if size and data[0] == size:  # nearly always: one block
        return data[1:]
    while at < size:
        code = data[at]
        if at + code > size:
            return None
        out.extend(data[at + 1 : at + code])
        at += code
        if code != 255 and at < size:
            out.append(0)
    return bytes(out)


def masked(data: bytes) -> bytes:
    """Return `data` with each byte xor a5; once more gives back what it was."""
    if TRANSLATES:
        return data.translate(MASKED)
    size = len(data)
    return (int.from_bytes(data, "little") ^ int.from_bytes(b"\xa5" * size, "little")).to_bytes(size, "little")


def frame(kind: int, sequence: int, body: bytes) -> bytes:
    """Return the bytes on the wire of one message."""
    payload = struct.pack("<BH", kind, sequence & 0xFFFF) + body
    return cobs_encode(masked(payload + struct.pack("<I", crc_of(payload)))) + b"\0"


def unframe(piece: bytes) -> "tuple[int, int, bytes] | None":
    """Return (kind, sequence, body) of what stood between two zeros, None where it is damaged."""
    data = cobs_decode(piece)
    if data is None or len(data) < 7:
        return None
    data = masked(data)
    payload = data[: len(data) - 4]
    if struct.unpack("<I", data[len(data) - 4 :])[0] != crc_of(payload):
        return None
    kind, sequence = struct.unpack("<BH", payload[:3])
    return kind, sequence, payload[3:]


def text_field(text: str) -> bytes:
    """Return a text as the link carries it, cut to what one byte of length can tell."""
    octets = text.encode()[:255]
    return bytes([len(octets)]) + octets


def since(now: int, then: int) -> int:
    """Return the microseconds from `then` to `now` on a 32-bit clock."""
    return (now - then) & MASK


class Agent:
    """The agent. `port` is your board: see port_template.py for every function that it must have."""

    def __init__(self, port: "Any") -> None:
        self.port = port
        self.state = IDLE
        self.flags = 0  # of the state in sense messages
        self.accepted = self.damaged = self.lost = self.late = self.repeated = self.trips = self.skipped = 0
        self._sequence = 0
        self._newest = -1  # sequence number of the newest message
        self._seen = 0  # bit n: the message n before the newest one was seen
        self._answered = 0  # sequence number of the newest act message
        self._rest = b""
        self._skipping = False
        self._out = b""
        self._clock = 0
        self._last_ticks = -1
        self._powered = [False] * MOTORS
        self._armed = False  # the dead-man timer runs
        self._halting = False
        self._unsafe = True  # the motors could not be released, or never were
        self._acted = self._halted = self._heard = self._sensed = self._told = self._complained = 0
        self._nonce = 0
        self._period_us = 10000
        self._dead_man_us = 200000
        self._layout = ""  # of the body of a sense message, once a session runs
        self._devices = [
            (0, 0, 0, [(0, 0)], [0])
        ]  # each in the row: number, bounds of all its counts, of each, and these

    def run(self) -> None:
        """Run for ever; the motors are released however it ends. A port that is not filled in ends it at once."""
        try:
            self._try_port()
            while True:
                self.step()
        finally:
            self._cut()

    def _try_port(self) -> None:
        """Raise what an empty function of the port says; `step` could tell it to nobody, since it needs these four."""
        port = self.port
        for call in (lambda: port.release(0), port.ticks_us, lambda: port.read_bytes(0), lambda: port.write_bytes(b"")):
            try:
                call()
            except NotImplementedError:
                raise
            except Exception:
                pass  # it may work later

    def step(self) -> None:
        """Do what is due, and return. Any error stops the motors, is told to the host, and ends the session."""
        try:
            if self._unsafe:
                self._cut()
            now = self._read_clock()
            self._receive(now)
            self._watch(now)
            if self.state == RUNNING:
                self._stream(now)
            if self._out:
                self._flush()
        except Exception as error:
            self._fail(error)

    # -- time and bytes --

    def _read_clock(self) -> int:
        ticks = self.port.ticks_us()
        if self._last_ticks >= 0:
            self._clock = (self._clock + (ticks - self._last_ticks) % self.port.TICKS_PERIOD) & MASK
        self._last_ticks = ticks
        return self._clock

    def _flush(self) -> None:
        taken = self.port.write_bytes(self._out)
        self._out = self._out[taken:]

    def _send(self, kind: int, body: bytes) -> None:
        if len(self._out) > 4 * LARGEST_FRAME:  # the line does not take it: say less, never grow
            self.skipped += 1
            return
        self._sequence = (self._sequence + 1) & 0xFFFF
        self._out += frame(kind, self._sequence, body)

    def _tell(self, code: int, text: str) -> None:
        self._send(FAULT, bytes([code]) + text_field(text))

    def _receive(self, now: int) -> None:
        data = self.port.read_bytes(READ_LIMIT)
        if not data:
            return
        pieces = (self._rest + data).split(b"\0")
        for piece in pieces[:-1]:
            if self._skipping:
                self._skipping = False
            elif piece:
                self._open(piece, now)
        self._rest = b"" if self._skipping else pieces[-1]
        if len(self._rest) > LARGEST_FRAME:
            self.damaged += 1
            self._skipping = True
            self._rest = b""

    def _open(self, piece: bytes, now: int) -> None:
        message = unframe(piece) if len(piece) <= LARGEST_FRAME else None
        if message is None:
            self.damaged += 1
            return
        kind, sequence, body = message
        if len(body) != LENGTHS.get(kind, len(body)) or (kind == START and len(body) < 8):
            self.damaged += 1
            return
        if kind == HELLO:
            self._newest, self._seen = sequence, 1
            self.accepted += 1
            newer = True
        else:
            newer = self._note(sequence)
        self._heard = now
        self._handle(kind, sequence, body, newer, now)

    def _note(self, sequence: int) -> bool:
        """Count a message by its sequence number; tell whether it is newer than all before."""
        ahead = (sequence - self._newest) & 0xFFFF
        if self._newest < 0 or 0 < ahead < 0x8000:
            if self._newest >= 0:
                self.lost += ahead - 1
            self._seen = ((self._seen << ahead) | 1) & MASK if ahead < 32 else 1
            self._newest = sequence
            self.accepted += 1
            return True
        behind = (-ahead) & 0xFFFF
        if behind < 32 and (self._seen >> behind) & 1:
            self.repeated += 1
        else:
            self.late += 1
            if behind < 32:
                self._seen |= 1 << behind
                self.lost = max(0, self.lost - 1)
        return False

    # -- messages --

    def _handle(self, kind: int, sequence: int, body: bytes, newer: bool, now: int) -> None:
        if kind == STOP:  # a stop is always obeyed, also an old one: it can only make the robot stand
            self._stop(body[0], now)
        elif not newer:
            return
        elif kind == ACT:
            self._act(sequence, body, now)
        elif kind == HELLO:
            self._hello(body, now)
        elif kind == START:
            self._start(body, now)
        else:
            self._tell(FAULT_UNKNOWN, "kind %d" % kind)

    def _refuse(self, code: int, text: str) -> None:
        self._cut()
        self.state = IDLE
        self._tell(code, text)

    def _hello(self, body: bytes, now: int) -> None:
        version, period_us, dead_man_ms, nonce = struct.unpack("<BIHI", body)
        self._cut()
        self._out = b"\0" if self._out else b""
        if version != VERSION:
            self._refuse(FAULT_VERSION, "agent speaks protocol version %d, the host %d" % (VERSION, version))
            return
        if not (1000 <= period_us <= 1000000 and 20 <= dead_man_ms <= 2000):
            self._refuse(FAULT_HANDSHAKE, "period %d us or dead-man %d ms out of bounds" % (period_us, dead_man_ms))
            return
        self._nonce, self._period_us, self._dead_man_us = nonce, period_us, dead_man_ms * 1000
        self.state = GREETED
        devices = self.port.DEVICES
        self._send(WELCOME, struct.pack("<BIIB", VERSION, nonce, now, len(devices)) + text_field(self.port.NAME))
        for number in range(len(devices)):
            name, driver, rate_hz, channels = devices[number]
            texts = text_field(name) + text_field(driver) + text_field(channel_text(channels))
            self._send(ENTRY, struct.pack("<IBH", nonce, number, rate_hz) + texts)

    def _start(self, body: bytes, now: int) -> None:
        nonce, digest = struct.unpack("<II", body[:8])
        order = body[8:]
        if self.state == IDLE or nonce != self._nonce:
            self._complain(now)
            return
        if order and max(order) >= len(self.port.DEVICES):
            self._refuse(FAULT_HANDSHAKE, "no device number %d" % max(order))
            return
        if digest != self._digest(order):
            self._refuse(FAULT_HANDSHAKE, "digest of the columns differs")
            return
        codes = [[channel[1] for channel in self.port.DEVICES[number][3]] for number in order]
        self._layout = "<IHB" + "".join(["H" + "".join(of_device) for of_device in codes])
        self._devices = []
        for place in range(len(order)):
            bounds = [BOUNDS[code] for code in codes[place]]
            low, high = max([pair[0] for pair in bounds] or [0]), min([pair[1] for pair in bounds] or [0])
            self._devices.append((order[place], low, high, bounds, [0] * len(bounds)))
        self.state = RUNNING
        self.flags = STOPPED
        self._sensed = (now - self._period_us) & MASK
        self._told = now

    def _digest(self, order: bytes) -> int:
        lines = []
        for number in order:
            name, _, _, channels = self.port.DEVICES[number]
            lines.append(name + "|" + channel_text(channels))
        return crc_of("\n".join(lines).encode())

    def _complain(self, now: int) -> None:
        if since(now, self._complained) >= COMPLAIN_US:
            self._complained = now
            self._tell(FAULT_NO_SESSION, "greet first")

    def _act(self, sequence: int, body: bytes, now: int) -> None:
        if self.state != RUNNING:
            self._complain(now)
            return
        values = struct.unpack("<Bhhhh", body)
        powers = values[1:]
        if max(powers) > FULL_POWER or min(powers) < -FULL_POWER:
            self.damaged += 1
            return
        self._halting = False
        self._armed = True
        self._acted = now
        self._answered = sequence
        self.flags &= SLOW
        for motor in range(MOTORS):
            if values[0] & FLAGS[motor]:
                self._powered[motor] = True
                self.port.set_power(motor, powers[motor])
            elif self._powered[motor]:
                self.port.release(motor)
                self._powered[motor] = False

    # -- stopping --

    def _cut(self) -> None:
        """Release every motor now; one that fails does not keep the others powered, and is tried again."""
        self._armed = self._halting = self._unsafe = False
        for motor in range(MOTORS):
            try:
                self.port.release(motor)
                self._powered[motor] = False
            except Exception:
                self._unsafe = True

    def _halt(self, now: int) -> None:
        """Zero the power of what is powered; `_watch` releases it later."""
        self._armed = False
        self._halting = True
        self._halted = now
        for motor in range(MOTORS):
            if self._powered[motor]:
                self.port.set_power(motor, 0)

    def _stop(self, category: int, now: int) -> None:
        self.flags = (self.flags & SLOW) | STOPPED
        if category == CUT:
            self._cut()
            return
        if not self._halting or category == HOLD:  # the second copy of a stop does not prolong the first
            self._halt(now)
        if category == HOLD:
            self._halting = False

    def _watch(self, now: int) -> None:
        """Look at every timer that stops something."""
        if self._armed and since(now, self._acted) >= self._dead_man_us:
            self.trips += 1
            self.flags = (self.flags & SLOW) | DEAD_MAN
            self._halt(now)
            self._tell(FAULT_DEAD_MAN, "no act message for %d ms" % (self._dead_man_us // 1000))
        if self._halting and since(now, self._halted) >= HALT_US:
            self._cut()
        if self.state != IDLE and since(now, self._heard) >= LEAVE_US:
            self._cut()
            self.state = IDLE

    def _fail(self, error: Exception) -> None:
        self._cut()
        self.state = IDLE
        try:
            self._tell(FAULT_AGENT, type(error).__name__ + ": " + str(error))
            self._flush()
        except Exception:
            self._out = b""  # a port that cannot write either: the motors are released, that must do

    # -- sensing --

    def _stream(self, now: int) -> None:
        behind = since(now, self._sensed)
        if behind >= self._period_us:
            missed = behind // self._period_us - 1
            self._sensed = (self._sensed + (missed + 1) * self._period_us) & MASK
            if missed:
                self.skipped += missed
                self.flags |= SLOW
            if self._out:  # the line has not taken the last one yet: a newer row later beats an old one queued
                self.skipped += 1
                self.flags |= SLOW
            else:
                self._sense(now)
        if since(now, self._told) >= STATUS_US:
            self._told = now
            numbers = (self.accepted, self.damaged, self.lost, self.late, self.repeated, self.trips, self.skipped)
            self._send(STATUS, struct.pack("<IIIIIII", *numbers))

    def _sense(self, now: int) -> None:
        row = [now, self._answered, self.flags]
        read_counts = self.port.read_counts
        for number, low, high, bounds, counts in self._devices:
            age_us = read_counts(number, counts)
            if len(counts) != len(bounds):
                raise ValueError("read_counts: %d counts of device %d, not %d" % (len(counts), number, len(bounds)))
            if age_us < 0 or (counts and (min(counts) < low or max(counts) > high) and not within(counts, bounds)):
                row.append(NEVER)  # what does not fit is no reading
                row.extend([0] * len(counts))
            else:
                row.append(min(age_us // 100, LONGEST_AGE))
                row.extend(counts)
        self._send(SENSE, struct.pack(self._layout, *row))
        self.flags &= ~SLOW


def within(counts: "list[int]", bounds: "list[tuple[int, int]]") -> bool:
    """Tell whether each count is within its own bounds."""
    return all(bounds[place][0] <= counts[place] <= bounds[place][1] for place in range(len(counts)))


def channel_text(channels: "tuple[tuple[str, str, str], ...]") -> str:
    """Return a device's channels as the entry message carries them: name:code:unit;name:code:unit."""
    return ";".join([":".join(channel) for channel in channels])
