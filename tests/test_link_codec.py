"""Framing against the `cobs` package and the CRC's check value; messages whole, in pieces and spoilt."""

import random
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.agent import brick_agent
from drivers.link import codec
from drivers.link import messages as m

package = pytest.importorskip("cobs.cobs", reason="the cobs package is the reference here: pip install cobs")

ENCODERS = [codec.plain_encode, codec.cobs_encode, brick_agent.cobs_encode]
ENCODER_IDS = ["plain", "in use", "agent"]


def plain(data):
    try:
        return codec.plain_decode(data)
    except codec.FrameError:
        return None


def in_use(data):
    try:
        return codec.cobs_decode(data)
    except codec.DAMAGED:
        return None


def reference(data):
    try:
        return package.decode(data)
    except package.DecodeError:
        return None


DECODERS = [plain, in_use, brick_agent.cobs_decode]

# S. Cheshire and M. Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM ToN 7 (1999), example cited from memory;
# the rest are the ends of its rules, bytes by the `cobs` package (CHECKS.md b).
KNOWN = [
    ("4500002c4c79000040064f37", "024501042c4c79010540064f37"),
    ("00", "0101"),
    ("", "01"),
    ("11" * 254, "ff" + "11" * 254),
    ("11" * 255, "ff" + "11" * 254 + "0211"),
    ("11" * 254 + "00", "ff" + "11" * 254 + "0101"),
]


@pytest.mark.parametrize("encode", ENCODERS, ids=ENCODER_IDS)
@pytest.mark.parametrize(("data", "encoded"), KNOWN)
def test_known_encodings(encode, data, encoded):
    assert encode(bytes.fromhex(data)).hex() == encoded == package.encode(bytes.fromhex(data)).hex()


@pytest.mark.parametrize("encode", ENCODERS, ids=ENCODER_IDS)
@pytest.mark.parametrize("decode", DECODERS)
@given(data=st.binary(max_size=1500))
def test_encoding_is_that_of_the_package(encode, decode, data):
    encoded = encode(data)
    assert encoded == package.encode(data)
    assert 0 not in encoded
    assert decode(encoded) == data
    assert len(encoded) <= len(data) + max(1, -(-len(data) // 254))


# decoders see bytes that are no encoding of anything, in the sizes where codes and ends meet
JUNK = st.one_of(
    st.binary(max_size=40),
    st.lists(st.sampled_from([0, 1, 2, 3, 254, 255]), max_size=12).map(bytes),
    st.binary(min_size=250, max_size=520),
)


@pytest.mark.parametrize("decode", DECODERS)
@given(data=JUNK)
def test_decoders_refuse_what_the_package_refuses(decode, data):
    assert decode(data) == reference(data)


@pytest.mark.parametrize("crc", [zlib.crc32, brick_agent.crc_of, brick_agent.plain_crc32])
def test_crc_check_value(crc):
    # CRC-32/ISO-HDLC: check value for the digits 1 to 9, published in every catalogue of CRCs
    assert crc(b"123456789") == 0xCBF43926


@given(st.binary(max_size=100))
def test_the_agents_own_crc(data):
    assert brick_agent.plain_crc32(data) == zlib.crc32(data)


@given(st.binary(max_size=300))
def test_the_mask_is_that_of_the_document_at_both_ends(data):
    """LINK.md: each byte xor a5. The agent knows two ways, one for MicroPython."""
    told = bytes(octet ^ 0xA5 for octet in data)
    assert data.translate(codec._MASKED) == brick_agent.masked(data) == told
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(brick_agent, "TRANSLATES", False)
        assert brick_agent.masked(data) == told
        assert brick_agent.masked(told) == data


def test_a_row_with_many_zeros_is_one_block():
    """What the mask is for: both ends open it in one go. A byte of the mask's own value costs one step more."""
    row = bytes(80)
    assert codec.frame(row)[0] == len(row) + 5
    assert codec.frame(row + bytes((codec.MASK,)))[0] == len(row) + 1


def numbers(code):
    size = {"B": 8, "H": 16, "I": 32, "h": 16}[code]
    return st.integers(-(2 ** (size - 1)), 2 ** (size - 1) - 1) if code.islower() else st.integers(0, 2**size - 1)


def message_of(shape):
    fields = [numbers(code) for code in shape.codes]
    texts = len(shape.type._fields) - len(fields)
    tail = st.binary(max_size=200) if shape.tail == "bytes" else st.text(max_size=60)
    return st.tuples(*fields, *[tail] * texts).map(shape.type._make)


MESSAGES = st.one_of([message_of(shape) for shape in m.SHAPES])


@given(st.lists(st.tuples(st.integers(0, 0xFFFF), MESSAGES), max_size=6), st.data())
def test_messages_come_back_however_they_are_cut(sent, data):
    stream = b"".join(m.encode(message, number) for number, message in sent)
    expected = [m.Received(number, message) for number, message in sent]
    assert m.Receiver().feed(stream) == expected
    receiver = m.Receiver()
    assert [got for octet in stream for got in receiver.feed(bytes((octet,)))] == expected
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=5)))
    receiver = m.Receiver()
    pieces = [stream[a:b] for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True)]
    assert [got for piece in pieces for got in receiver.feed(piece)] == expected


@given(st.lists(st.binary(max_size=60), max_size=40))
def test_any_garbage_is_survived_and_the_next_message_is_heard(pieces):
    receiver = m.Receiver()
    for piece in pieces:
        receiver.feed(piece)
    receiver.feed(b"\0")
    assert receiver.feed(m.encode(m.Stop(1), 9)) == [m.Received(9, m.Stop(1))]
    assert len(receiver._deframer._rest) <= codec.LARGEST_FRAME


def test_a_flood_without_end_is_bounded_and_counted_once():
    receiver = m.Receiver()
    for _ in range(100):
        receiver.feed(b"\x55" * 1000)
        assert len(receiver._deframer._rest) <= codec.LARGEST_FRAME
    assert receiver.damage.too_long == 1
    assert receiver.feed(b"\x55\0" + m.encode(m.Stop(0), 1)) == [m.Received(1, m.Stop(0))]


@pytest.mark.parametrize(
    "payload",
    [b"\x03\0\0" + b"\0" * 8, b"\x03\0\0" + b"\0" * 10, b"\x77\0\0", b"\x84\0\0\1\5abcd", b"\x84\0\0\1\1\xff",
     b"\x84\0\0\1\0x", b"\x84\0\0\1", b"\x02\0\0" + b"\0" * 7],
    ids=["short", "long", "kind", "text cut", "not UTF-8", "more after text", "no text", "no digest"],
)  # fmt: skip
def test_sound_frames_of_no_known_shape_are_refused(payload):
    receiver = m.Receiver()
    assert receiver.feed(codec.frame(payload)) == []
    assert receiver.refused == 1
    assert receiver.damage.dropped == 0


def test_payload_limits():
    assert codec.Deframer().feed(codec.frame(b"x" * codec.LARGEST_PAYLOAD)) == [b"x" * codec.LARGEST_PAYLOAD]
    with pytest.raises(ValueError, match="at most 800"):
        codec.frame(b"x" * (codec.LARGEST_PAYLOAD + 1))


def spoil(frame, rng):
    """One to four random changes: flipped bits, lost, doubled, swapped and random bytes."""
    octets = bytearray(frame)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(octets))
        how = rng.randrange(5)
        if how == 0:
            octets[at] ^= 1 << rng.randrange(8)
        elif how == 1 and len(octets) > 1:
            del octets[at]
        elif how == 2:
            octets.insert(at, octets[at])
        elif how == 3:
            octets[at] = rng.randrange(256)
        else:
            other = rng.randrange(len(octets))
            octets[at], octets[other] = octets[other], octets[at]
    return bytes(octets)


def test_no_spoilt_frame_is_taken_for_another_message():
    """Twenty thousand here; a million in tests/benchmarks/bench_link.py."""
    rng = random.Random(20)
    sent = [m.Act(7, 250, -250, 0, 0), m.Sense(1, 2, 0, bytes(range(50))), m.Hello(1, 10000, 200, 7), m.Stop(1)]
    taken = 0
    for number in range(20_000):
        message = sent[number % 4]
        receiver = m.Receiver()
        got = receiver.feed(spoil(m.encode(message, number & 0xFFFF), rng) + b"\0")
        assert all(one == m.Received(number & 0xFFFF, message) for one in got)
        taken += len(got)
    assert 0 < taken < 4000, "a change can undo itself, or only double the closing zero"


@given(MESSAGES, st.integers(0, 0xFFFF))
def test_the_agents_framing_is_the_hosts(message, number):
    octets = m.encode(message, number)
    kind, agents_number, body = brick_agent.unframe(octets[:-1])
    assert agents_number == number
    assert brick_agent.frame(kind, number, body) == octets
