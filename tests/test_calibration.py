"""Calibrations: what is written is read again, and one that cannot be right is refused."""

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.devices import find_built_in
from robotcore.calibration import Calibration, Reference, calibration_text, load_calibration, parse_calibration
from robotcore.decode import Decoder
from robotcore.errors import Faults, UserError
from robotcore.rig import parse_rig

CALIBRATIONS = Path(__file__).parent.parent / "drivers" / "calibrations"
NAMES = sorted(path.stem for path in CALIBRATIONS.glob("*.toml"))
HARBOUR = (CALIBRATIONS.parent / "rigs" / "harbour.toml").read_text(encoding="utf-8")
WHITE, BLACK = (0.5, 0.6, 0.4), (0.03, 0.04, 0.02)
ROLES = ("floor_left", "floor_right", "front")


def text_of(**changes):
    parts = {"white": WHITE, "black": BLACK, "offset": (0.0,) * 3, "spread": (0.0,) * 3} | changes
    table = "\n".join(f"{key} = {list(value) if isinstance(value, tuple) else value}" for key, value in parts.items())
    return f"[calibration]\ndate = 'today'\n[front]\n{table}\n"


def faults_of(text):
    with pytest.raises(Faults) as caught:
        parse_calibration(text, "cal.toml")
    return list(caught.value.faults)


shares = st.floats(0, 0.009).map(lambda value: round(value, 6))
triples = st.tuples(shares, shares, shares)


@given(
    st.text(st.characters(exclude_categories=["C"]), max_size=20),
    st.dictionaries(st.sampled_from(ROLES), st.tuples(triples, triples, triples, triples), min_size=1),
)
def test_what_is_written_is_read_again(light, parts):
    light = "".join(letter for letter in light if letter.isprintable())
    references = {
        role: Reference(tuple(round(0.2 + 100 * part, 6) for part in white), black, offset, spread)
        for role, (white, black, offset, spread) in parts.items()
    }
    text = calibration_text("2030-01-02", light, references)
    assert parse_calibration(text, "cal.toml") == Calibration("2030-01-02", light, references, text)


@given(st.text(max_size=30), st.text(max_size=30))
def test_no_words_of_a_person_can_break_the_file(date, light):
    text = calibration_text(date, light, {"front": Reference(WHITE, BLACK)})
    read = parse_calibration(text, "cal.toml")
    assert read.references["front"].white == WHITE
    assert len(read.light) == len(light)
    assert text.count("\n[") == 1


@pytest.mark.parametrize("black", [WHITE, (0.49, 0.59, 0.39), (0.9, 0.9, 0.9)])
def test_white_that_looks_like_black_is_refused(black):
    (fault,) = faults_of(text_of(black=black))
    assert fault.startswith(f"front.black: {black} is hardly darker than white {WHITE}; put the sensor over black")


@pytest.mark.parametrize("offset", [WHITE, (0.499, 0.0, 0.0), (0.9, 0.9, 0.9)])
def test_white_that_does_not_rise_above_the_lamp_off_offset_is_refused(offset):
    (fault,) = faults_of(text_of(offset=offset))
    assert fault.startswith(f"front.white: {WHITE} is hardly above the offset")


@pytest.mark.parametrize(
    "value", ["[1, 2]", "[nan, 0.1, 0.1]", "[0.1, 0.1, inf]", "3", "'white'", "[-0.1, 0.1, 0.1]", "[9, 1, 1]"]
)
def test_values_that_are_no_shares_are_refused(value):
    assert faults_of(text_of(spread=value))[0].startswith("front.spread: is ")


def test_what_is_missing_is_said_once():
    assert faults_of("[calibration]\ndate = 'x'\n[front]\nblack = [0, 0, 0]\n") == [
        "front.white: is missing; add a list of numbers"
    ]
    assert faults_of("[front]\nwhite = [1, 1, 1]\nblack = [0, 0, 0]\n") == [
        "calibration: is missing; add a table [calibration]",
        "calibration.date: is missing; add a text",
    ]


def test_all_faults_come_at_once_with_their_places():
    faults = faults_of(
        text_of(whit=(1.0, 1.0, 1.0), black="'dark'") + "[frnt]\n[floor_left]\nwhite = 3\nblack = [0, 0, 0]\n"
    )
    assert [fault.split(":")[0] for fault in faults if "hardly" not in fault] == [
        "floor_left.white", "front.black", "front.whit", "frnt",
    ]  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_the_shipped_calibrations_tell_white_from_black_and_say_when_they_were_taken(name):
    calibration = load_calibration(CALIBRATIONS / f"{name}.toml")
    assert calibration.date
    assert calibration.light
    assert tuple(calibration.references) == ROLES
    for reference in calibration.references.values():
        assert all(w > 5 * b for w, b in zip(reference.white, reference.black, strict=True))
        assert max(reference.white) < 1 / 1.5  # headroom for silver, which is brighter than white


def test_white_reads_one_and_black_has_no_contrast():
    """The definition: white is 1 in every colour and contrast 1, black contrast 0, whatever the sensor's own gains."""
    rig = parse_rig(HARBOUR, "rig.toml", find_built_in)
    counts = {"white": (400, 500, 300), "black": (40, 30, 20), "offset": (6, 7, 5)}
    reference = Reference(*(tuple(count / 1023 for count in counts[key]) for key in ("white", "black", "offset")))
    decode = Decoder(rig, Calibration("now", "", dict.fromkeys(ROLES, reference), ""))
    for name, lightness, contrast in (("white", 1.0, 1.0), ("black", None, 0.0), ("offset", 0.0, None)):
        row = [0] * len(rig.layout.columns)
        slot = rig.layout.slots["front"]
        row[slot.start : slot.stop] = counts[name]
        reading = decode(0, tuple(row)).front
        assert lightness is None or reading.lightness == pytest.approx(lightness, abs=1e-12)
        assert contrast is None or reading.contrast == pytest.approx(contrast, abs=1e-12)
        if name == "white":
            assert reading[:3] == pytest.approx((1.0, 1.0, 1.0))
        assert math.isfinite(reading.contrast)


def test_a_file_that_is_no_calibration_is_refused(tmp_path):
    (tmp_path / "c.toml").write_text("date = [")
    with pytest.raises(UserError, match=r"c.toml: not valid TOML"):
        load_calibration(tmp_path / "c.toml")
