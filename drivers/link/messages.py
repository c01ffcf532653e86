"""The messages of the link, each a tuple, and their place in a payload. LINK.md prints the same tables.

A payload is: kind (one byte), sequence number (two, low byte first), body. Rules: every number is little-endian;
a body has exactly the length that its table says, else it is refused; texts are UTF-8 after one byte of length.
"""

import struct
from collections.abc import Iterable
from typing import Any, NamedTuple
from zlib import crc32

from drivers.link.codec import Damage, Deframer, frame

VERSION = 2

#: flags of `Act`: the output is powered as the message says; a clear flag releases it
DRIVE, GRIPPER, SORTER = 1, 2, 4
FULL_POWER = 1000  #: per mille

#: flags of `Sense.state`
STOPPED = 1  #: the motors are at rest by a stop message
DEAD_MAN = 2  #: the motors are at rest because act messages ceased
SLOW = 4  #: since the last sense message the agent missed at least one

#: codes of `Fault`
FAULT_WORDS = {
    1: "dead-man",
    2: "version",
    3: "handshake",
    4: "no session",
    5: "agent error",
    6: "unknown message",
}
FAULT_DEAD_MAN, FAULT_VERSION, FAULT_HANDSHAKE, FAULT_NO_SESSION, FAULT_AGENT, FAULT_UNKNOWN = FAULT_WORDS


class Hello(NamedTuple):
    """Host to agent: who are you? Motors go to rest, the old session ends."""

    version: int
    period_us: int
    dead_man_ms: int
    nonce: int


class Start(NamedTuple):
    """Host to agent: send rows of these devices, in this order. `digest` is that of the columns."""

    nonce: int
    digest: int
    order: bytes


class Act(NamedTuple):
    """Host to agent: power in per mille, and which outputs are powered. Keeps the dead-man timer quiet."""

    flags: int
    left: int
    right: int
    gripper: int
    sorter: int


class Stop(NamedTuple):
    """Host to agent: stop all motors, by category (`robotcore.command`)."""

    category: int


class Welcome(NamedTuple):
    """Agent to host: the answer to `Hello`, followed by one `Entry` a device."""

    version: int
    nonce: int
    clock_us: int
    devices: int
    name: str


class Entry(NamedTuple):
    """Agent to host: one device. `channels` reads ``name:code:unit`` with `;` between channels."""

    nonce: int
    number: int
    rate_hz: int
    name: str
    driver: str
    channels: str


class Sense(NamedTuple):
    """Agent to host: one row of raw counts, as `robotcore.layout` packs it. `answered` is the newest act's number."""

    clock_us: int
    answered: int
    state: int
    row: bytes


class Fault(NamedTuple):
    """Agent to host: something went wrong there. `code` is a key of `FAULT_WORDS`."""

    code: int
    text: str


class Status(NamedTuple):
    """Agent to host, once a second: what the agent counted since it started."""

    accepted: int
    damaged: int
    lost: int
    late: int
    repeated: int
    trips: int  #: dead-man stops
    skipped: int  #: sense messages that were not sent


Message = Hello | Start | Act | Stop | Welcome | Entry | Sense | Fault | Status


class Shape(NamedTuple):
    """How a message lies in the body: struct codes of the leading numbers, then "", "bytes" or a count of texts."""

    kind: int
    type: type[Any]
    codes: str
    tail: str


SHAPES = (
    Shape(0x01, Hello, "BIHI", ""),
    Shape(0x02, Start, "II", "bytes"),
    Shape(0x03, Act, "Bhhhh", ""),
    Shape(0x04, Stop, "B", ""),
    Shape(0x81, Welcome, "BIIB", "text"),
    Shape(0x82, Entry, "IBH", "texts"),
    Shape(0x83, Sense, "IHB", "bytes"),
    Shape(0x84, Fault, "B", "text"),
    Shape(0x85, Status, "IIIIIII", ""),
)

_HEAD = struct.Struct("<BH")
_NUMBERS = {shape.kind: struct.Struct("<" + shape.codes) for shape in SHAPES}
_BY_TYPE = {shape.type: shape for shape in SHAPES}
_BY_KIND = {shape.kind: shape for shape in SHAPES}

# what goes over the link a hundred times a second goes straight through
SENSE = _BY_TYPE[Sense].kind
SENSE_HEAD = struct.Struct("<BH" + _BY_TYPE[Sense].codes)  #: kind, sequence number, and the numbers before the row
_ACT = _BY_TYPE[Act].kind
_WHOLE_ACT = struct.Struct("<BH" + _BY_TYPE[Act].codes)


class MessageError(ValueError):
    """A sound frame whose body is not what its kind's table says."""


class Received(NamedTuple):
    """A message as it came, with its sequence number."""

    sequence: int
    message: Any


def encode(message: Message, sequence: int = 0) -> bytes:
    """Return the frame of one message.

    Raises:
        struct.error, ValueError: a number or text does not fit its field.

    """
    if type(message) is Act:
        return frame(_WHOLE_ACT.pack(_ACT, sequence & 0xFFFF, *message))
    shape = _BY_TYPE[type(message)]
    numbers = len(shape.codes)
    body = _NUMBERS[shape.kind].pack(*message[:numbers])
    if shape.tail == "bytes":
        body += message[numbers]  # type: ignore[operator]
    elif shape.tail:
        body += b"".join(_text(text) for text in message[numbers:])  # type: ignore[arg-type]
    return frame(_HEAD.pack(shape.kind, sequence & 0xFFFF) + body)


def _text(text: str) -> bytes:
    octets = text.encode()
    return bytes((len(octets),)) + octets


def decode(payload: bytes) -> Received:
    """Return the message of one payload.

    Raises:
        MessageError: the kind is unknown or the body has the wrong length.

    """
    kind, sequence = _HEAD.unpack_from(payload)
    shape = _BY_KIND.get(kind)
    if shape is None:
        raise MessageError(f"unknown kind 0x{kind:02x}")
    numbers = _NUMBERS[kind]
    end = _HEAD.size + numbers.size
    if len(payload) < end or (not shape.tail and len(payload) > end):
        raise MessageError(f"{shape.type.__name__} of {len(payload)} bytes")
    fields: tuple[Any, ...] = numbers.unpack_from(payload, _HEAD.size)
    if shape.tail == "bytes":
        fields += (payload[end:],)
    elif shape.tail:
        fields += _texts(payload, end, len(shape.type._fields) - len(fields))
    return Received(sequence, shape.type._make(fields))


def _texts(payload: bytes, at: int, count: int) -> tuple[str, ...]:
    texts = []
    for _ in range(count):
        if at >= len(payload) or at + 1 + payload[at] > len(payload):
            raise MessageError("text cut short")
        try:
            texts.append(payload[at + 1 : at + 1 + payload[at]].decode())
        except UnicodeDecodeError:
            raise MessageError("text that is not UTF-8") from None
        at += 1 + payload[at]
    if at != len(payload):
        raise MessageError("bytes after the last text")
    return tuple(texts)


class Receiver:
    """Bytes in, messages out. `refused` counts sound frames of unknown kind or wrong length.

    Attributes:
        payloads: takes bytes, returns the sound payloads that they complete, for who can use one as it is.

    """

    def __init__(self) -> None:
        self._deframer = Deframer()
        self.payloads = self._deframer.feed
        self.refused = 0

    @property
    def damage(self) -> Damage:
        """What the framing dropped."""
        return self._deframer.damage

    def message(self, payload: bytes) -> Received | None:
        """Return the message of a payload, None where it is refused."""
        try:
            return decode(payload)
        except MessageError:
            self.refused += 1
            return None

    def feed(self, data: bytes) -> list[Received]:
        """Return the messages that `data` completes, in order."""
        received = [self.message(payload) for payload in self.payloads(data)]
        return [message for message in received if message is not None]


def digest(devices: Iterable[tuple[str, str]]) -> int:
    """Return the 32-bit digest of a row's columns: (name, `Entry.channels`) of its devices, in row order."""
    return crc32("\n".join(f"{name}|{channels}" for name, channels in devices).encode())
