"""The raw row: what is put in comes out, in every code, and lies where the slots say."""

import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robotcore.layout import AGE_UNIT_S, CODES, LONGEST_AGE, NEVER, Channel, Layout


def one(code):
    return Layout([("front", (Channel("x", code, "count"),))])


# The codes are those of Python's struct module, little-endian with standard sizes (documentation of the struct module);
# int.to_bytes is a second way to the same bytes.
@pytest.mark.parametrize("code", CODES)
def test_limits_of_a_code_are_those_of_struct(code):
    bits, low, high = CODES[code]
    assert struct.calcsize("<" + code) * 8 == bits
    for count in (low, high):
        packed = one(code).row.pack(NEVER, count)
        assert packed == b"\xff\xff" + count.to_bytes(bits // 8, "little", signed=low < 0)
        assert one(code).row.unpack(packed) == (NEVER, count)
    for count in (low - 1, high + 1):
        with pytest.raises(struct.error):
            one(code).row.pack(0, count)


@given(st.data(), st.lists(st.lists(st.sampled_from(sorted(CODES)), min_size=1, max_size=4), min_size=1, max_size=5))
def test_any_row_comes_back_from_its_bytes(data, devices):
    layout = Layout(
        (f"role{i}", tuple(Channel(f"c{j}", code, "count") for j, code in enumerate(codes)))
        for i, codes in enumerate(devices)
    )
    row = tuple(data.draw(st.integers(*CODES[column.code][1:])) for column in layout.columns)
    assert layout.row.unpack(layout.row.pack(*row)) == row
    assert layout.row.size == sum(CODES[column.code][0] // 8 for column in layout.columns)  # no padding


def test_columns_are_named_by_role_and_channel_with_the_age_first():
    layout = Layout(
        [
            ("drive", (Channel("left", "i", "count"), Channel("right", "i", "count"))),
            ("start_button", (Channel("state", "B", "1 pressed"),)),
        ]
    )
    assert layout.names == ["drive.age", "drive.left", "drive.right", "start_button.age", "start_button.state"]
    assert layout.codes == "HiiHB"
    assert layout.slots["drive"] == ("drive", 0, 1, 3)
    assert layout.slots["start_button"] == ("start_button", 3, 4, 5)
    assert [column.unit for column in layout.columns] == ["0.1 ms", "count", "count", "0.1 ms", "1 pressed"]
    row = (10, 1, 2, 20, 3)
    assert [row[slot.start : slot.stop] for slot in layout.slots.values()] == [(1, 2), (3,)]


def test_ages_reach_six_seconds_and_never_is_none_of_them():
    assert LONGEST_AGE * AGE_UNIT_S > 6.5
    assert NEVER == LONGEST_AGE + 1 == CODES["H"][2]


def test_an_empty_layout_is_an_empty_row():
    layout = Layout([])
    assert layout.row.pack() == b""
    assert layout.names == []
