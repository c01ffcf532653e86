"""Rig files: those we ship are right, and whatever is wrong with another comes out as a list of faults."""

import math
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.devices import find_built_in
from robotcore.calibration import load_calibration
from robotcore.decode import Decoder
from robotcore.errors import Faults, UserError
from robotcore.readings import ROLES
from robotcore.rig import NEEDED_ROLES, Mount, load_rig, parse_rig

RIGS = Path(__file__).parent.parent / "drivers" / "rigs"
CALIBRATIONS = RIGS.parent / "calibrations"
NAMES = ("harbour", "harbour-bare", "harbour-clear", "harbour-optical")
HARBOUR = (RIGS / "harbour.toml").read_text(encoding="utf-8")


def parse(text):
    return parse_rig(text, "rig.toml", find_built_in)


def faults_of(text):
    with pytest.raises(Faults) as caught:
        parse(text)
    return list(caught.value.faults)


def changed(old, new, count=1):
    assert HARBOUR.count(old) >= count
    return HARBOUR.replace(old, new, count)


# Those that we ship


def test_these_are_the_rigs_that_ship():
    assert sorted(path.stem for path in RIGS.glob("*.toml")) == sorted(NAMES)
    assert sorted(path.stem for path in CALIBRATIONS.glob("*.toml")) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_a_shipped_rig_loads_and_has_a_calibration_for_its_colour_sensors(name):
    rig = load_rig(RIGS / f"{name}.toml", find_built_in)
    assert rig.name == name
    assert rig.text == (RIGS / f"{name}.toml").read_text(encoding="utf-8")
    Decoder(rig, load_calibration(CALIBRATIONS / f"{name}.toml"))


def test_the_harbour_rig_fills_every_role_and_the_bare_one_only_what_it_must():
    assert {fitted.role for fitted in load_rig(RIGS / "harbour.toml", find_built_in).fitted} == set(ROLES)
    bare = load_rig(RIGS / "harbour-bare.toml", find_built_in)
    assert {fitted.role for fitted in bare.fitted} == {*NEEDED_ROLES, "front", "side_range", "start_button"}
    assert bare.role("tilt") is None
    with pytest.raises(UserError, match="rig 'harbour-bare': no device has the role 'tilt'"):
        bare.mount("tilt")


def test_the_shipped_rigs_differ_in_devices_alone():
    rigs = [load_rig(RIGS / f"{name}.toml", find_built_in) for name in NAMES]
    assert all(rig.body == rigs[0].body and rig.period_s == rigs[0].period_s for rig in rigs)
    for role in ("floor_left", "floor_right", "front", "side_range"):
        assert all(rig.mount(role) == rigs[0].mount(role) for rig in rigs)


def test_millimetres_and_degrees_become_metres_and_radians():
    rig = parse(HARBOUR)
    assert (rig.body.track_width_m, rig.body.wheel_radius_m, rig.body.max_speed_m_s) == (0.14, 0.02, 0.3)
    assert rig.mount("floor_right") == Mount(0.07, -0.012, 0.008, 0.0)
    assert rig.mount("side_range").heading_rad == -math.pi / 2
    assert rig.role("gripper").device.highest_rad == pytest.approx(math.radians(150))
    assert (rig.period_s, rig.dead_man_s, rig.on_lost_link) == (0.01, 0.2, "wait")


def test_the_layout_follows_the_order_of_the_file():
    rig = parse(HARBOUR)
    order = re.findall(r'^role = "(\w+)"', HARBOUR, re.MULTILINE)
    assert [fitted.role for fitted in rig.fitted] == list(rig.layout.slots) == order


# Faults


def test_two_devices_on_one_port_are_named():
    (fault,) = faults_of(changed('"colour-2"', '"colour-1"'))
    assert fault == "device[2].port: 'colour-1' is taken by device[1]; give each device a port of its own"


def test_a_role_filled_twice_is_named():
    (fault,) = faults_of(changed('role = "sorter"', 'role = "gripper"'))
    assert fault == "device[7].role: 'gripper' is filled twice; remove one of the two"


def test_an_unknown_role_gets_the_nearest():
    (fault,) = faults_of(changed('"side_range"', '"side_rnage"'))
    assert fault == "device[4].role: 'side_rnage' is not a role; did you mean 'side_range'?"


def test_an_unknown_driver_gets_the_nearest():
    (fault,) = faults_of(changed('"echo_us"', '"echo_ms"'))
    assert fault == "device[4].driver: no driver is called 'echo_ms'; did you mean 'echo_us'?"


def test_a_driver_of_another_capability_is_refused():
    (fault,) = faults_of(changed('driver = "echo_us"', 'driver = "button"'))
    assert fault == "device[4].driver: 'button' is a button device; the role 'side_range' needs range"


def test_needed_roles_that_are_missing_are_named_each():
    faults = faults_of(HARBOUR[: HARBOUR.index("[[device]]")])
    assert faults == [f"device: no device has the role {role!r}; add a [[device]] with it" for role in NEEDED_ROLES]


def test_an_option_that_the_driver_does_not_know_is_refused():
    (fault,) = faults_of(changed("counts_per_turn", "count_per_turn"))
    assert fault.startswith("device[5].options.count_per_turn: is not known here; did you mean 'counts_per_turn'?")


def test_a_bad_value_of_an_option_is_at_its_place():
    (fault,) = faults_of(changed("highest_deg = 150", "highest_deg = -1"))
    assert fault == "device[6].options.highest_deg: is -1, not above lowest_deg 0; give the greater one here"


@pytest.mark.parametrize("key", ["role", "driver", "port"])
def test_empty_names_are_refused(key):
    text = changed(f'{key} = "button"' if key != "role" else 'role = "start_button"', f'{key} = ""')
    (fault,) = faults_of(text)
    assert fault == f"device[9].{key}: is empty; give a name"


@pytest.mark.parametrize("key", ["role", "driver", "port"])
def test_missing_names_are_refused(key):
    text = changed(f'{key} = "button"\n' if key != "role" else 'role = "start_button"\n', "")
    assert faults_of(text) == [f"device[9].{key}: is missing; add a text"]


def test_a_driver_that_refuses_in_its_own_words_is_quoted():
    def refuse(options):
        raise UserError("this board has no such sensor")

    with pytest.raises(Faults, match=r"device\[1\].driver: this board has no such sensor"):
        parse_rig(HARBOUR, "r", lambda name: refuse if name == "rgb10" else find_built_in(name))


def test_a_driver_without_its_numbers_is_refused():
    class Numberless:
        capability, channels = "button", find_built_in("button").channels

        def __init__(self, options):
            pass

    with pytest.raises(Faults, match=r"device\[9\].driver: driver 'button' lacks the numbers max_age_s"):
        parse_rig(HARBOUR, "r", lambda name: Numberless if name == "button" else find_built_in(name))


def test_all_faults_of_a_rig_come_at_once():
    text = HARBOUR
    for old, new in (
        ("track_width_mm = 140 ", "track_width_mm = nan "),
        ("width_mm = 170", "widht_mm = 170"),
        ("period_ms = 10 ", "period_ms = 0 "),
        ('"wait"  ', '"weight"  '),
        ('"colour-3"', '"colour-1"'),
        ('"tilt_mg"', '"tilt_kg"'),
        ('"battery"', '"batery"'),
        ("ahead_mm = 100", "ahed_mm = 100"),
    ):
        assert text.count(old) >= 1, old
        text = text.replace(old, new, 1)
    faults = faults_of(text + "\n[extra]\n")
    places = [fault.split(": ")[0] for fault in faults]
    assert sorted(places) == sorted(
        ["rig.period_ms", "rig.on_lost_link", "body.track_width_mm", "body.width_mm", "body.widht_mm", "device[3].port",
         "device[3].mount.ahed_mm", "device[8].driver", "device[10].role", "extra"]
    )  # fmt: skip
    assert all(";" in fault for fault in faults)  # each with a remedy


def test_broken_toml_is_one_line_with_its_place():
    with pytest.raises(UserError, match=r"rig.toml: not valid TOML: .*line \d+, column \d+") as caught:
        parse(HARBOUR.replace("[body]", "[body"))
    assert "\n" not in str(caught.value)


def test_a_missing_file_is_one_line(tmp_path):
    with pytest.raises(UserError, match=r"none.toml: cannot be read"):
        load_rig(tmp_path / "none.toml", find_built_in)


# Whatever is wrong, a person is told; nothing else comes out.

LINES = HARBOUR.splitlines()
JUNK = st.sampled_from(
    ["= 1", "[", "]]", "nan", "inf", '""', "1" + "0" * 400, "[[device]]", "[body]", 'role = "drive"', "\x00", "{",
     "x = [[1]]", "device = 3", "options = 3", "mount = []", "-1", "1e999", "'", "#", "2024-01-01", "true"]
)  # fmt: skip


@given(
    st.lists(
        st.tuples(st.integers(0, len(LINES) - 1), st.sampled_from(["cut", "double", "swap", "junk", "value"]), JUNK),
        max_size=4,
    )
)
def test_a_damaged_rig_raises_nothing_but_an_error_for_people(damages):
    lines = list(LINES)
    for at, kind, junk in damages:
        at %= len(lines)
        if kind == "cut" and len(lines) > 1:
            del lines[at]
        elif kind == "double":
            lines.insert(at, lines[at])
        elif kind == "swap":
            lines[at], lines[-1] = lines[-1], lines[at]
        elif kind == "junk":
            lines.insert(at, junk)
        else:
            lines[at] = lines[at].split("=")[0] + "= " + junk
    told("\n".join(lines))


def told(text):
    """Return what a person is told of a rig's text, and check that each line of it names the file."""
    lines = []
    try:
        parse(text)
    except UserError as error:
        lines = str(error).split("\n")
    assert all(line.startswith("rig.toml: ") and len(line) > 20 for line in lines)
    return lines


@given(st.text(max_size=60))
def test_any_text_raises_nothing_but_an_error_for_people(text):
    told(text)


@given(
    st.text(max_size=20), st.sampled_from(["rig", "body", "device"]), st.sampled_from(["3", "[]", "'x'", "[3]", "{}"])
)
def test_tables_of_the_wrong_kind_raise_nothing_but_an_error_for_people(text, table, value):
    told(f"{table} = {value}\n{text}")
