"""The kernel's files as a robot, on a made-up tree in a temporary folder.

Names, units and rules of the files: the kernel's Documentation/ABI/testing/sysfs-bus-iio, sysfs-bus-counter and
sysfs-class-pwm (from memory, not looked up here).
"""

import subprocess
import sys
from pathlib import Path

import pytest

from drivers import sysfs, sysfs_guard
from drivers.devices import find_built_in
from drivers.sysfs import KernelRobot, build
from robotcore.backend import parse_address
from robotcore.command import AT_REST, CUT, HALT, HOLD, Command
from robotcore.errors import UserError
from robotcore.layout import NEVER, Channel
from robotcore.rig import parse_rig

COLOUR = "in_intensity_red_raw in_intensity_green_raw in_intensity_blue_raw"
RIG = f"""
[rig]
dead_man_ms = 200
[body]
track_width_mm = 140
wheel_radius_mm = 20
front_mm = 100
rear_mm = 100
width_mm = 170
max_speed_mm_s = 300
[[device]]
role = "floor_left"
driver = "rgb10"
port = "iio/a {COLOUR}"
[[device]]
role = "floor_right"
driver = "rgb10"
port = "iio/b {COLOUR}"
[[device]]
role = "side_range"
driver = "optical_mm"
port = "iio/range in_distance_raw@0.001"
[[device]]
role = "tilt"
driver = "tilt_mg"
port = "iio/tilt in_accel_x_raw@0.00980665 -in_accel_y_raw@0.00980665 in_accel_z_raw@0.00980665"
[[device]]
role = "battery"
driver = "battery_mv"
port = "iio/volts in_voltage3_raw@1"
[[device]]
role = "drive"
driver = "tracks"
port = "counter0 count0/count -count1/count > pwmchip0 pwm0+pwm1 pwm2+pwm3"
[[device]]
role = "gripper"
driver = "positioner"
port = "counter1 count0/count > pwmchip0 pwm4"
"""


class Beats:
    """A guard that only remembers."""

    def __init__(self):
        self.beats = 0
        self.fired = False
        self.ended = False
        self.made = ()

    def __call__(self, limit_s, files):
        self.made = (limit_s, list(files))
        return self

    def beat(self):
        self.beats += 1
        return self.fired

    def close(self):
        self.ended = True


def write(root: Path, files: dict) -> None:
    for name, value in files.items():
        path = root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(f"{value}\n")


@pytest.fixture
def tree(tmp_path):
    for folder in ("iio/a", "iio/b"):
        for n, colour in enumerate(("red", "green", "blue")):
            write(tmp_path, {f"{folder}/in_intensity_{colour}_raw": 100 * (n + 1)})
    write(tmp_path, {
        "iio/range/in_distance_raw": 250, "iio/range/in_distance_scale": 0.001,
        # an accelerometer of 1/256 g a count: m/s2 after the scale; 4 counts of zero error on z
        "iio/tilt/in_accel_x_raw": 26, "iio/tilt/in_accel_x_scale": 9.80665 / 256,
        "iio/tilt/in_accel_y_raw": 13, "iio/tilt/in_accel_y_scale": 9.80665 / 256,
        "iio/tilt/in_accel_z_raw": 252, "iio/tilt/in_accel_z_scale": 9.80665 / 256, "iio/tilt/in_accel_z_offset": 4,
        "iio/volts/in_voltage3_raw": 1850, "iio/volts/in_voltage3_scale": 4.0,
        "counter0/count0/count": 0, "counter0/count0/ceiling": 65535,
        "counter0/count1/count": 65000, "counter0/count1/ceiling": 65535,
        "counter1/count0/count": 7,
    })  # fmt: skip
    for n in range(5):
        write(tmp_path, {f"pwmchip0/pwm{n}/{f}": v for f, v in (("period", 0), ("duty_cycle", 9), ("enable", 1))})
        write(tmp_path, {f"pwmchip0/pwm{n}/polarity": "inversed"})
    return tmp_path


def rig(text=RIG):
    return parse_rig(text, "made-up.toml", find_built_in)


@pytest.fixture
def robot(tree):
    guard = Beats()
    new = KernelRobot(str(tree), rig(), guard=guard)
    new.beats = guard
    new.open()
    yield new
    new.close()


def read(tree, n, file="duty_cycle"):
    return int((tree / f"pwmchip0/pwm{n}/{file}").read_text().split()[0])


def columns(robot, role):
    slot = robot._rig.layout.slots[role]
    row = robot.sense(0)
    return row[slot.age], row[slot.start : slot.stop]


def test_opening_leaves_the_motors_off_and_ready(tree, robot):
    for n in range(5):
        assert (read(tree, n), read(tree, n, "enable"), read(tree, n, "period")) == (0, 0, 50_000)
        assert (tree / f"pwmchip0/pwm{n}/polarity").read_text() == "normal"
    limit_s, files = robot.beats.made
    assert limit_s == 0.2
    assert files == [str(tree / f"pwmchip0/pwm{n}/enable") for n in range(5)]


@pytest.mark.parametrize(
    ("role", "counts"),
    [
        ("floor_left", (100, 200, 300)),
        ("side_range", (250,)),
        ("tilt", (102, -51, 1000)),  # 26 / 256 g = 0.1016 g; (252 + 4) / 256 g = 1 g
        ("battery", (7400,)),
        ("gripper", (7,)),
    ],
)
def test_counts_and_units(robot, role, counts):
    assert columns(robot, role) == (0, counts)


def test_row_has_the_rigs_layout(robot):
    robot._rig.layout.row.pack(*robot.sense(0))


def test_files_are_read_anew_each_tick(tree, robot):
    robot.sense(0)
    write(tree, {"iio/range/in_distance_raw": 90})
    assert columns(robot, "side_range") == (0, (90,))


@pytest.mark.parametrize("text", ["", "hello", "70000", "nan"])
def test_what_is_no_count_is_no_reading(tree, robot, text):
    write(tree, {"iio/range/in_distance_raw": text})
    assert columns(robot, "side_range") == (NEVER, (0,))


def test_counters_run_on_over_their_ceiling(tree, robot):
    """A 16-bit counter; the wheel goes 600 a tick, one side back over zero, the other over the top."""
    _, (left0, right0) = columns(robot, "drive")
    for tick in range(1, 130):
        way = 600 * tick
        write(tree, {"counter0/count0/count": -way % 65536, "counter0/count1/count": (65000 + way) % 65536})
        _, (left, right) = columns(robot, "drive")
        assert (left - left0, right - right0) == (-way, -way), "the right one is mounted the other way"


def test_power_is_duty_on_the_side_of_its_sign(tree, robot):
    robot.sense(0)
    robot._loops.powers = lambda command, row, dt: (250, -1000, 500, 0)
    robot.act(AT_REST)
    assert [read(tree, n) for n in range(5)] == [12_500, 0, 0, 50_000, 37_500]
    assert [read(tree, n, "enable") for n in range(5)] == [1] * 5
    robot._loops.powers = lambda command, row, dt: (-250, 0, -1000, 0)
    robot.act(AT_REST)
    assert [read(tree, n) for n in range(5)] == [0, 12_500, 0, 0, 0]


@pytest.mark.parametrize(("category", "enable"), [(CUT, 0), (HALT, 1), (HOLD, 1)])
def test_stop(tree, robot, category, enable):
    robot.sense(0)
    robot._loops.powers = lambda command, row, dt: (250, 250, 500, 0)
    robot.act(AT_REST)
    robot.stop(category)
    assert [read(tree, n, "enable") for n in range(5)] == [enable] * 5
    if enable:
        assert [read(tree, n) for n in range(5)] == [0, 0, 0, 0, 25_000]


def test_driving_goes_forward(tree, robot):
    robot.sense(0)
    robot.act(Command(0.1, -0.1, 0.0, 0.0))
    robot.sense(1)
    robot.act(Command(0.1, -0.1, 0.0, 0.0))
    assert read(tree, 0) > 0 == read(tree, 1)
    assert read(tree, 3) > 0 == read(tree, 2)
    assert robot.beats.beats == 2


def test_a_stop_from_another_thread_wins_over_the_act_under_way(tree, robot):
    robot.sense(0)
    robot._loops.powers = lambda command, row, dt: robot.stop(CUT) or (250, 250, 0, 0)
    robot.act(AT_REST)
    assert [read(tree, n, "enable") for n in range(5)] == [0] * 5


def test_guard_that_fired_is_told_and_the_motors_come_on_again(tree, robot):
    robot.sense(0)
    robot.act(AT_REST)
    sysfs_guard.switch_off(robot.beats.made[1])
    robot.beats.fired = True
    robot.act(AT_REST)
    assert [kind for kind, _ in robot.faults()] == ["dead-man"]
    assert robot.faults() == []
    assert [read(tree, n, "enable") for n in range(5)] == [1] * 5


def test_guard_that_fired_after_a_stop_is_no_fault(robot):
    robot.sense(0)
    robot.act(AT_REST)
    robot.stop(HALT)
    robot.beats.fired = True
    robot.act(AT_REST)
    assert robot.faults() == []


def test_close_ends_the_guard_and_may_be_called_twice(tree, robot):
    robot.close()
    robot.close()
    assert robot.beats.ended
    assert [read(tree, n, "enable") for n in range(5)] == [0] * 5


def test_missing_files_are_all_named(tree):
    (tree / "iio/range/in_distance_raw").unlink()
    (tree / "pwmchip0/pwm4/enable").unlink()
    (tree / "pwmchip0/pwm4/duty_cycle").unlink()
    (tree / "pwmchip0/pwm4").joinpath("period").unlink()
    (tree / "pwmchip0/pwm4").joinpath("polarity").unlink()
    (tree / "pwmchip0/pwm4").rmdir()
    with pytest.raises(UserError) as caught:
        KernelRobot(str(tree), rig(), guard=Beats()).open()
    first, second = str(caught.value).splitlines()
    assert "side_range" in first
    assert "in_distance_raw: does not exist; check the port in the rig" in first
    assert "gripper" in second
    assert (tree / "pwmchip0/export").read_text() == "4"


def test_permission_is_explained():
    assert "udev" in sysfs._remedy(PermissionError(13, "Permission denied"))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("in_distance_raw@0.001", "in_distance_raw other", "give a folder and 1 files, for distance"),
        (" > pwmchip0 pwm4", "", "a gripper needs '>', a PWM folder and 1 outputs"),
        ("in_voltage3_raw@1", "in_voltage3_raw@1 > pwmchip0", "a battery needs no '>'"),
        ("pwm0+pwm1 pwm2+pwm3", "pwm0+pwm1", "a drive needs '>', a PWM folder and 2 outputs"),
        ("in_voltage3_raw@1", "in_voltage3_raw@x", "could not convert"),
    ],
)
def test_bad_ports(tree, old, new, words):
    with pytest.raises(UserError) as caught:
        KernelRobot(str(tree), rig(RIG.replace(old, new)), guard=Beats()).open()
    assert words in str(caught.value)


@pytest.mark.parametrize("role", [fitted.role for fitted in rig().fitted])
def test_the_example_in_the_error_is_a_port_that_would_do(tree, role):
    """It is as many files as the device has, and outputs where it drives a motor: what is left are names."""
    port = next(f.port for f in rig().fitted if f.role == role)
    robot = KernelRobot(str(tree), rig(RIG.replace(port, "one")), guard=Beats())
    with pytest.raises(UserError, match=f"{role}: port 'one'") as caught:
        robot.open()
    example = str(caught.value).split("such as ")[1].strip("'")
    with pytest.raises(UserError, match=f"{role}: .*{example.split()[0]}.* does not exist"):
        KernelRobot(str(tree), rig(RIG.replace(port, example)), guard=Beats()).open()


@pytest.mark.parametrize(
    ("url", "words"),
    [("sysfs:?pwm_hz=1", "from 50"), ("sysfs:?pwm=1", "did you mean 'pwm_hz'?"), ("sysfs:?pwm_hz=a", "from 50")],
)
def test_bad_addresses(url, words):
    with pytest.raises(UserError) as caught:
        build(parse_address(url), rig())
    assert words in str(caught.value)


def test_address():
    assert build(parse_address("sysfs:"), rig()).facts == {"sysfs": "/sys", "pwm_hz": "20000"}


def test_source_of_an_unsigned_counter_without_ceiling(tmp_path):
    write(tmp_path, {"count": 4_000_000_000})
    assert sysfs.Source(tmp_path, "count", Channel("c", "I", "")).read() == 4_000_000_000


# -- the guard -------------------------------------------------------------------------------------------------------


def watched(script):
    """Play a script of what the guard hears; return what it did, with the patience it had each time."""
    log, script = [], list(script)

    def hear(patience_s):
        log.append(patience_s)
        return script.pop(0)

    sysfs_guard.watch(hear, lambda: log.append("off"), lambda: log.append("told"), 0.2)
    assert not script
    return log


def test_guard_waits_for_the_first_byte_then_times_every_one():
    assert watched([b".", b"..", None, b".", b""]) == [None, 0.2, 0.2, "off", "told", None, 0.2, "off"]


def test_guard_as_a_process_switches_off_when_its_owner_is_gone(tmp_path):
    """Also one file that is not there keeps no other on."""
    write(tmp_path, {"one": 1, "two": 1})
    files = [str(tmp_path / name) for name in ("one", "missing", "two")]
    guard = sysfs.GuardProcess(1000.0, files)
    assert guard.beat() is False
    guard.close()
    assert guard.process.returncode == 0
    assert [(tmp_path / name).read_text()[0] for name in ("one", "two")] == ["0", "0"]


def test_guard_as_a_process_switches_off_after_silence(tmp_path):
    write(tmp_path, {"one": 1})
    program = str(Path(sysfs_guard.__file__))
    command = [sys.executable, "-I", "-S", program, "0.05", str(tmp_path / "one")]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as guard:
        guard.stdin.write(b".")
        guard.stdin.flush()
        assert guard.stdout.read(1) == b"!"
        assert (tmp_path / "one").read_text()[0] == "0"
        guard.stdin.close()
        assert guard.wait(20) == 0
