"""Packing ticks into blocks and back."""

import struct
import zlib
from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robotcore.layout import Channel, Layout
from robotcore.recording import schema
from robotcore.recording.blocks import deflate, inflate, layout_columns, merge, pack, parse_layout
from tests.recording_kit import LAYOUT, command, pose, raw

steps = st.lists(st.tuples(st.sampled_from([1, 1, 1, 1, 1, 1, 2, 50]), st.booleans()), max_size=120)


def entries_of(steps):
    ticks = accumulate(step for step, _ in steps)
    known = accumulate((flip for _, flip in steps), lambda old, flip: old != (flip and old), initial=True)
    return [(t, raw(t), command(t), pose(t) if k else None) for t, k in zip(ticks, known, strict=False)]


def entries_in(blocks):
    found = []
    for block in blocks:
        poses = schema.TRUTH_ROW.iter_unpack(block.truth) if block.truth else [None] * block.size
        rows = zip(
            range(block.first_tick, block.first_tick + block.size),
            LAYOUT.row.iter_unpack(block.raw),
            schema.COMMAND_ROW.iter_unpack(block.commands),
            poses,
            strict=True,
        )
        found += list(rows)
    return found


@given(steps)
def test_packing_keeps_every_tick_in_order_and_blocks_within_bounds(steps):
    entries = entries_of(steps)
    blocks = pack(entries, LAYOUT.row, 7)
    assert entries_in(blocks) == entries
    assert all(1 <= block.size <= 25 for block in blocks)
    sizes = [block.size for block in blocks]
    assert [block.rows_before for block in blocks] == [7 + n for n in accumulate(sizes, initial=0)][:-1]


@given(steps)
def test_merging_and_deflating_keep_every_tick(steps):
    entries = entries_of(steps)
    merged = merge(pack(entries, LAYOUT.row, 0), 60)
    assert all(block.size <= 60 for block in merged)
    assert entries_in(inflate(deflate(block, LAYOUT.row.size), LAYOUT.row.size) for block in merged) == entries


def test_blocks_merge_only_where_ticks_follow_and_both_know_the_pose():
    def runs(*ticks_and_poses):
        entries = [
            (t, raw(t), command(t), pose(t) if known else None) for ticks, known in ticks_and_poses for t in ticks
        ]
        return [block.size for block in merge(pack(entries, LAYOUT.row, 0), 250)]

    assert runs((range(100), True)) == [100]
    assert runs((range(50), True), (range(51, 100), True)) == [50, 49]
    assert runs((range(50), True), (range(50, 100), False)) == [50, 50]
    assert runs((range(600), False)) == [250, 250, 100]


@pytest.mark.parametrize("ticks", [(3, 3), (3, 2), (1, 2, 3, 3), (0, 2, 1)])
def test_ticks_that_do_not_rise_are_refused(ticks):
    with pytest.raises(ValueError, match=r"tick \d came after tick \d"):
        pack([(t, raw(t), command(t), None) for t in ticks], LAYOUT.row, 0)


def test_a_count_that_does_not_fit_its_column_is_refused_with_its_tick():
    bad = (70000, *raw(3)[1:])
    with pytest.raises(ValueError, match="ticks 3 to 3 does not fit"):
        pack([(3, bad, command(3), None)], LAYOUT.row, 0)
    with pytest.raises(ValueError, match="does not fit"):
        pack([(3, raw(3)[:-1], command(3), None)], LAYOUT.row, 0)
    with pytest.raises(ValueError, match="does not fit"):
        pack([(3, raw(3), command(3), (1e300, 0.0, 0.0))], LAYOUT.row, 0)


@given(st.integers(1, 9), st.binary(min_size=1, max_size=60))
def test_byte_planes_come_back(width, data):
    rows = data[: len(data) // width * width]
    assert schema.from_planes(schema.to_planes(rows, width), width, len(rows) // width) == rows


@pytest.mark.parametrize(
    "blob",
    [
        b"",
        b"junk",
        zlib.compress(b"123"),
        zlib.compress(b"12345"),
        zlib.compress(b"1234") + b"x",
        zlib.compress(b"1234")[:-2],
    ],
)
def test_byte_planes_of_another_length_are_refused(blob):
    with pytest.raises(ValueError, match=r".+"):
        schema.from_planes(blob, 2, 2)


def test_a_small_blob_that_claims_to_be_huge_is_not_unpacked():
    bomb = zlib.compress(bytes(5_000_000))
    with pytest.raises(ValueError, match="wrong length"):
        schema.from_planes(bomb, 2, 2)


def test_an_unknown_codec_is_refused():
    block = pack([(0, raw(0), command(0), None)], LAYOUT.row, 0)[0]
    with pytest.raises(ValueError, match="codec 9"):
        inflate(block._replace(codec=9), LAYOUT.row.size)
    with pytest.raises(ValueError, match="wrong length"):
        inflate(block._replace(size=2), LAYOUT.row.size)


def test_a_layout_comes_back_with_its_slots():
    again = parse_layout(layout_columns(LAYOUT))
    assert (again.columns, again.slots, again.row.format) == (LAYOUT.columns, LAYOUT.slots, LAYOUT.row.format)


@pytest.mark.parametrize(
    "columns",
    [
        None,
        [],
        [["a.age", "H"]],
        [["a.age", "H", 3]],
        [["a.age", "q", "x"]],
        [["a.red", "H", "x"]],
        [["a.age", "B", "0.1 ms"]],
        [["a.age", "H", "0.1 ms"], ["b.red", "H", "x"]],
        [["a.age", "H", "0.1 ms"], ["a.red", "H", "x"], ["a.red", "H", "x"]],
        [["a.age", "H", "0.1 ms"]] * 1001,
    ],
)
def test_anything_but_a_layout_is_refused(columns):
    with pytest.raises(ValueError, match=r".+"):
        parse_layout(columns)


def test_a_channel_called_age_would_be_read_as_a_device_and_is_refused():
    layout = Layout([("a", (Channel("age", "H", "years"),))])
    with pytest.raises(ValueError, match=r".+"):
        parse_layout(layout_columns(layout))


def test_the_checksum_is_the_crc_32_of_iso_3309():
    # check value of CRC-32 for the text "123456789", published with the algorithm; CHECKS.md b (zlib, crccheck)
    assert zlib.crc32(b"123456789") == 0xCBF43926
    assert schema.row_crc("fault", (1, 0.5, "µ")) == zlib.crc32(b'["fault",1,0.5,"\\u00b5"]')
    head = struct.pack("<7q", 5, 0, 1, 0, 2, 3, -1)
    assert schema.block_crc(5, 0, 1, 0, b"ab", b"cde", None) == zlib.crc32(head + b"abcde")
