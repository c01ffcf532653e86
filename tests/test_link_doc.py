"""LINK.md is read here: its tables must be the code's, and its hex examples must be what both ends send."""

import ast
import re
import struct
from pathlib import Path

import pytest

from drivers.agent import brick_agent
from drivers.link import messages as m
from drivers.link.codec import LARGEST_PAYLOAD, cobs_encode
from drivers.link.session import TRANSITIONS

TEXT = Path(m.__file__).with_name("LINK.md").read_text()
SECTIONS = re.findall(r"^### 0x(\w\w) (\w+), (.+?)\n(.*?)(?=^### )", TEXT, re.M | re.S)


def rows(text: str) -> list[list[str]]:
    lines = [line for line in text.splitlines() if line.startswith("| ")]
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if "---" not in line][1:]


def test_every_message_has_its_section():
    assert [(int(kind, 16), name) for kind, name, _, _ in SECTIONS] == [(s.kind, s.type.__name__) for s in m.SHAPES]


@pytest.mark.parametrize("section", SECTIONS, ids=[name for _, name, _, _ in SECTIONS])
def test_table_is_the_struct(section):
    kind, _, way, body = section
    shape = next(s for s in m.SHAPES if s.kind == int(kind, 16))
    table = rows(body)
    assert tuple(row[1] for row in table) == shape.type._fields
    codes = [row[2] for row in table]
    numbers = len(shape.codes)
    assert "".join(codes[:numbers]) == shape.codes
    assert all(code == ("bytes" if shape.tail == "bytes" else "text") for code in codes[numbers:])
    for place, row in enumerate(table[: numbers + 1]):
        assert int(row[0]) == 3 + struct.calcsize("<" + shape.codes[:place])
    assert (way == "host to brick") == (shape.kind < 0x80)


def _example(body: str) -> tuple[int, m.Message, bytes]:
    number, call, octets = re.search(r"Number (\d+), `(.+?)`:\n\n    ([0-9a-f ]+)\n", body).groups()
    node = ast.parse(call, mode="eval").body
    fields = {k.arg: ast.literal_eval(k.value) for k in node.keywords}
    return int(number), getattr(m, node.func.id)(**fields), bytes.fromhex(octets)


@pytest.mark.parametrize("section", SECTIONS, ids=[name for _, name, _, _ in SECTIONS])
def test_worked_example(section):
    number, message, octets = _example(section[3])
    assert m.encode(message, number) == octets
    assert m.Receiver().feed(octets) == [m.Received(number, message)]
    kind, agents_number, body = brick_agent.unframe(octets[:-1])
    assert (kind, agents_number) == (int(section[0], 16), number)
    assert brick_agent.frame(kind, number, body) == octets


def test_state_table():
    table = rows(TEXT[TEXT.index("| state of the host") : TEXT.index("The brick: *idle*")])
    assert {(s, e): tuple(n.split(", ")) for s, e, n in table} == {
        (state, event): following for state, events in TRANSITIONS.items() for event, following in events.items()
    }


def test_fault_codes():
    assert {int(k): v for k, v in rows(TEXT[TEXT.index("### Codes of Fault") :])} == m.FAULT_WORDS


def test_figures_in_the_text():
    assert f"at most {LARGEST_PAYLOAD} bytes" in TEXT
    assert brick_agent.LARGEST_PAYLOAD == LARGEST_PAYLOAD
    assert cobs_encode(bytes.fromhex("11220033")) == bytes.fromhex("0311220233")
    assert m.digest([("cell", "voltage:H:mV")]) == 0x8115B728
    assert f"Version {m.VERSION}." in TEXT
    assert brick_agent.VERSION == m.VERSION
