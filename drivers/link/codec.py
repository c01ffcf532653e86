"""Framing: what turns a message into bytes on the wire and finds whole, sound messages in whatever arrives.

A frame is COBS(payload and its CRC-32, low byte first, each byte xor `MASK`) and one zero byte. COBS (S. Cheshire and
M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Transactions on Networking 7, 1999) leaves no zero in the frame,
so a receiver that joins late, or after any damage, is in step again at the next zero. It takes a step for each zero of
the data, and a row of counts is a third zeros: behind the mask there is nearly always none.

Rules: no I/O and no clock; a frame that is damaged in any way is counted and dropped, never repaired; memory is
bounded whatever arrives.
"""

import struct
from collections.abc import Callable
from typing import NamedTuple
from zlib import crc32

try:  # C code where it is installed (extra `link`); the test suite holds both equal
    from cobs import cobs as _package  # type: ignore[import-untyped, import-not-found, unused-ignore]
except ImportError:  # pragma: no cover
    _package = None

LARGEST_PAYLOAD = 800  #: kind, sequence number and body; three texts of 255 fit
CRC_BYTES = 4
LARGEST_FRAME = LARGEST_PAYLOAD + CRC_BYTES + (LARGEST_PAYLOAD + CRC_BYTES) // 254 + 1  #: without the closing zero
MASK = 0xA5  #: any byte that counts seldom hold

_CRC = struct.Struct("<I")
_MASKED = bytes(octet ^ MASK for octet in range(256))
_SOUND = 0x2144DF1C  # CRC-32 of any message and its own CRC-32, low byte first, behind it
_HEADS = [bytes((length + 1,)) for length in range(254)]  # what stands before a piece of that length


class FrameError(ValueError):
    """The bytes are not a COBS encoding of anything."""


def plain_encode(data: bytes) -> bytes:
    """Return the COBS encoding of `data`, in pure Python."""
    if len(data) < 254:  # a block a zero, and no block is full
        return b"".join([_HEADS[len(piece)] + piece for piece in data.split(b"\0")])
    out = bytearray()
    pieces = data.split(b"\0")
    last = len(pieces) - 1
    for number, piece in enumerate(pieces):
        while len(piece) >= 254:
            out.append(255)
            out += piece[:254]
            piece = piece[254:]
            if not piece and number == last:  # a full block at the very end needs no empty one after it
                return bytes(out)
        out.append(len(piece) + 1)
        out += piece
    return bytes(out)


def plain_decode(data: bytes) -> bytes:
    """Return what `data` encodes, in pure Python.

    Raises:
        FrameError: a zero inside, or the last block is cut short.

    """
    if 0 in data:
        raise FrameError("zero inside a frame")
    at, size = 0, len(data)
    if not 0 < size < 256:
        return _decode_long(data)
    out = bytearray(data)  # every length is where a zero was: put the zeros back, and the first length goes
    try:
        while True:
            code = out[at]
            out[at] = 0
            at += code
    except IndexError:  # a tenth of what a comparison in each turn costs
        if at != size:
            raise FrameError("frame cut short") from None
    del out[0]
    return bytes(out)


def _decode_long(data: bytes) -> bytes:
    """Return what `data` encodes, block by block; for blocks without a zero behind them too."""
    out = bytearray()
    at, size = 0, len(data)
    while at < size:
        code = data[at]
        if at + code > size:
            raise FrameError("frame cut short")
        out += data[at + 1 : at + code]
        at += code
        if code != 255 and at < size:
            out.append(0)
    return bytes(out)


#: the codec in use, and what its decoder raises
cobs_encode: Callable[[bytes], bytes] = plain_encode if _package is None else _package.encode
cobs_decode: Callable[[bytes], bytes] = plain_decode if _package is None else _package.decode
DAMAGED: type[Exception] = FrameError if _package is None else _package.DecodeError


def frame(payload: bytes) -> bytes:
    """Return the frame that carries `payload`, closing zero included.

    Raises:
        ValueError: the payload is longer than `LARGEST_PAYLOAD`.

    """
    data = (payload + _CRC.pack(crc32(payload))).translate(_MASKED)
    if len(data) < 254 and 0 not in data:  # nearly always: one block
        return _HEADS[len(data)] + data + b"\0"
    if len(payload) > LARGEST_PAYLOAD:
        raise ValueError(f"payload of {len(payload)} bytes; the link carries at most {LARGEST_PAYLOAD}")
    return cobs_encode(data) + b"\0"


class Damage(NamedTuple):
    """How many frames were dropped, by reason. `octets` counts every byte that arrived, good or bad."""

    octets: int
    too_long: int
    not_cobs: int
    bad_crc: int

    @property
    def dropped(self) -> int:
        """All dropped frames."""
        return self.too_long + self.not_cobs + self.bad_crc


class Deframer:
    """Finds the sound payloads in a stream of bytes. Feed it in pieces of any size."""

    def __init__(self) -> None:
        self._rest = b""  # of a frame whose end has not come
        self._skipping = self._midway = False  # in a frame that is too long; inside any frame
        self._octets = self._too_long = self._not_cobs = self._bad_crc = 0

    @property
    def damage(self) -> Damage:
        """The counts so far."""
        return Damage(self._octets, self._too_long, self._not_cobs, self._bad_crc)

    def feed(self, data: bytes) -> list[bytes]:
        """Return the payloads that `data` completes, in order."""
        self._octets += len(data)
        piece, zero, rest = data.partition(b"\0")
        if rest or not zero or self._midway:
            return self._feed_pieces(data)
        payload = self._open(piece)  # nearly always: one frame, whole
        return [] if payload is None else [payload]

    def _feed_pieces(self, data: bytes) -> list[bytes]:
        *whole, rest = (self._rest + data).split(b"\0")
        payloads = []
        for piece in whole:
            if self._skipping:
                self._skipping = False  # the tail of a frame that was already counted as too long
                continue
            payload = self._open(piece)
            if payload is not None:
                payloads.append(payload)
        self._keep(rest)
        return payloads

    def _keep(self, rest: bytes) -> None:
        if self._skipping:
            rest = b""
        elif len(rest) > LARGEST_FRAME:
            self._too_long += 1
            self._skipping, rest = True, b""
        self._rest = rest
        self._midway = self._skipping or bool(rest)

    def _open(self, piece: bytes) -> bytes | None:
        if piece and piece[0] == len(piece):  # nearly always: one block
            body = piece[1:].translate(_MASKED)
        elif not 0 < len(piece) <= LARGEST_FRAME:
            self._too_long += bool(piece)
            return None
        else:
            try:
                body = cobs_decode(piece).translate(_MASKED)
            except DAMAGED:
                self._not_cobs += 1
                return None
        if crc32(body) != _SOUND or len(body) < 3 + CRC_BYTES:
            self._bad_crc += 1
            return None
        return body[:-CRC_BYTES]
