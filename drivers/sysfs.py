"""The backend ``sysfs:``: sensors and motors that the Linux kernel of the brick itself exposes as files.

    sysfs:/sys?pwm_hz=20000

It uses the kernel's documented interfaces: industrial I/O (``in_intensity_*_raw``, ``in_distance_raw``,
``in_proximity_raw``, ``in_accel_*_raw``, ``in_voltage*_raw``; Documentation/ABI/testing/sysfs-bus-iio), counters
(``count*/count``, ``ceiling``; sysfs-bus-counter) and PWM (``export``, ``period``, ``duty_cycle``, ``enable``,
``polarity``; sysfs-class-pwm). The rig's `port` says which, as seen from the place in the address:

    port = "bus/iio/devices/iio:device0 in_intensity_red_raw in_intensity_green_raw in_intensity_blue_raw"
    port = "bus/iio/devices/iio:device1 in_distance_raw@0.001"
    port = "bus/counter/devices/counter0 count0/count -count1/count > class/pwm/pwmchip0 pwm0+pwm1 pwm2+pwm3"

A folder, then one file a channel, in the driver's order. ``@0.001``: the physical value, (raw + offset) * scale by
the files beside it, in units of 0.001. ``-``: the sign turned. After ``>`` the motors: ``pwm0+pwm1`` is a bridge with
one input for each direction, ``pwm0`` one with a single input, at rest at half duty.

Rules: what a file does not give is no reading; power zero is duty zero (whether that brakes is up to the bridge); a
guard process (drivers/sysfs_guard.py) is the dead-man timer and switches the motors off when this process hangs or
dies. Many kernel drivers measure when the file is read and make the reader wait: choose a period that bears it.
"""

import os
import subprocess
import sys
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Protocol

from drivers.loops import Loops
from robotcore.backend import Address, Raw
from robotcore.checking import nearest
from robotcore.command import CUT, Command
from robotcore.errors import Faults, UserError
from robotcore.layout import CODES, NEVER, Channel
from robotcore.rig import Fitted, Rig

MOTORS = {"drive": (0, 1), "gripper": (2,), "sorter": (3,)}  #: role -> places in `drivers.loops.Powers`
FULL_POWER = 1000
BITS = {"B": 8, "H": 16, "h": 16, "i": 32, "I": 32}
FILES = {  #: channel -> the file that it often is, for examples
    **{name: f"in_intensity_{name}_raw" for name in ("red", "green", "blue", "clear")},
    **{f"a{axis}": f"in_accel_{axis}_raw@0.00980665" for axis in "xyz"},
    "distance": "in_distance_raw@0.001",
    "temperature": "in_temp_raw@100",
    "voltage": "in_voltage0_raw@1",
}


class Guard(Protocol):
    """The dead-man timer."""

    def beat(self) -> bool:
        """Tell it that we live; return whether it has switched the motors off since the last call."""
        ...

    def close(self) -> None:
        """End it; it switches the motors off."""
        ...


class GuardProcess:
    """The guard as a process of its own, which survives us.

    Args:
        limit_s: the dead-man time.
        files: the enable files of every PWM.

    """

    def __init__(self, limit_s: float, files: Sequence[str]) -> None:
        program = str(Path(__file__).with_name("sysfs_guard.py"))
        self.process = subprocess.Popen(
            [sys.executable, "-I", "-S", program, str(limit_s), *files],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            bufsize=0,
            start_new_session=True,  # Ctrl-C at the terminal is ours, not the guard's
        )
        assert self.process.stdin is not None
        assert self.process.stdout is not None
        self._say, self._ear = self.process.stdin.fileno(), self.process.stdout.fileno()
        os.set_blocking(self._say, False)
        os.set_blocking(self._ear, False)

    def beat(self) -> bool:
        """Tell it that we live; return whether it has switched the motors off since the last call."""
        try:
            os.write(self._say, b".")
        except BlockingIOError:
            return True  # it does not listen: it must not be relied on
        try:
            return bool(os.read(self._ear, 64))
        except BlockingIOError:
            return False

    def close(self) -> None:
        """End it; it switches the motors off."""
        self.process.communicate()


class Source:
    """One channel: a file, opened once and read again and again from its beginning."""

    def __init__(self, folder: Path, text: str, channel: Channel) -> None:
        name, _, unit = text.removeprefix("-").partition("@")
        self._sign = -1 if text.startswith("-") else 1
        self.path = folder / name
        self._handle = os.open(self.path, os.O_RDONLY)
        self._factor, self._offset = 1.0, 0.0
        if unit:
            base = name.removesuffix("_raw")
            self._offset = _number(folder / f"{base}_offset", 0.0)
            self._factor = _number(folder / f"{base}_scale", 1.0) / float(unit)
        self._bits = BITS[channel.code]
        _, self._low, self._high = CODES[channel.code]
        ceiling = self.path.with_name("ceiling")
        self._turn = round(_number(ceiling, 0.0)) + 1 if ceiling.exists() and not unit else 0
        self._last: int | None = None
        self._total = 0

    def read(self) -> int | None:
        """Return the count, None where there is none."""
        try:
            value = float(os.pread(self._handle, 64, 0))
        except (OSError, ValueError):
            return None
        if self._turn:
            return self._sign * self._unwrap(int(value))
        if self._factor != 1.0 or self._offset:
            value = (value + self._offset) * self._factor
        if value - value != 0.0:
            return None
        count = self._sign * round(value)
        return count if self._low <= count <= self._high else None

    def _unwrap(self, value: int) -> int:
        """Count on over the counter's ceiling: the shorter way round is the one that the wheel went."""
        if self._last is not None:
            step = (value - self._last) % self._turn
            self._total += step - self._turn if 2 * step > self._turn else step
        self._last = value
        return (self._total + (1 << self._bits - 1)) % (1 << self._bits) - (1 << self._bits - 1)

    def close(self) -> None:
        """Let go of the file."""
        os.close(self._handle)


def _number(path: Path, default: float) -> float:
    try:
        return float(path.read_text())
    except FileNotFoundError:
        return default


class Bridge:
    """One motor on one or two PWM outputs."""

    def __init__(self, chip: Path, text: str, period_ns: int) -> None:
        self._period_ns = period_ns
        self._channels = [self._ready(chip, name) for name in text.split("+")]
        self.enables = [channel / "enable" for channel in self._channels]
        self._duties = [os.open(channel / "duty_cycle", os.O_WRONLY) for channel in self._channels]
        self._shown: list[int | None] = [None] * len(self._duties)
        self._on = False

    def _ready(self, chip: Path, name: str) -> Path:
        channel = chip / name
        if not channel.exists():
            (chip / "export").write_text(name.removeprefix("pwm"))
        (channel / "enable").write_text("0")  # polarity and period change only while it is off
        (channel / "duty_cycle").write_text("0")  # a period shorter than the duty is refused
        (channel / "period").write_text(str(self._period_ns))
        if (channel / "polarity").exists():
            (channel / "polarity").write_text("normal")
        return channel

    def power(self, per_mille: int) -> None:
        """Set the power, and switch on what is off."""
        if len(self._duties) == 1:
            self._show(0, self._period_ns * (FULL_POWER + per_mille) // (2 * FULL_POWER))
        else:
            ahead = 0 if per_mille >= 0 else 1
            self._show(1 - ahead, 0)  # never both inputs at once
            self._show(ahead, self._period_ns * abs(per_mille) // FULL_POWER)
        if not self._on:
            for enable in self.enables:
                enable.write_text("1")
            self._on = True

    def _show(self, which: int, duty_ns: int) -> None:
        if self._shown[which] != duty_ns:
            os.pwrite(self._duties[which], b"%d\n" % duty_ns, 0)
            self._shown[which] = duty_ns

    def release(self) -> None:
        """Switch off; every output is tried, whatever the others do."""
        self._on = False
        self._shown = [None] * len(self._duties)
        errors = [error for error in map(_switch_off, self.enables) if error is not None]
        if errors:
            raise errors[0]

    def close(self) -> None:
        """Let go of the files."""
        for handle in self._duties:
            os.close(handle)


def _switch_off(enable: Path) -> OSError | None:
    try:
        enable.write_text("0")
    except OSError as error:
        return error
    return None


class KernelRobot:
    """A robot whose devices are the kernel's files.

    Args:
        root: where they are, usually /sys.
        rig: the robot as built; its ports name the files.
        pwm_hz: of every motor.
        guard: starts the dead-man timer.

    """

    paced = True

    def __init__(
        self,
        root: str,
        rig: Rig,
        pwm_hz: int = 20_000,
        guard: Callable[[float, Sequence[str]], Guard] = GuardProcess,
    ) -> None:
        self._root = Path(root)
        self._rig = rig
        self._period_ns = 1_000_000_000 // pwm_hz
        self._make_guard = guard
        self._guard: Guard | None = None
        self._loops = Loops(rig)
        self._sources: list[list[Source]] = []
        self._bridges: dict[int, Bridge] = {}
        self._row: Raw = ()
        self._stops = 0
        self._released = True
        self._standing = False
        self._faults: list[tuple[str, str]] = []
        self.facts: Mapping[str, str] = {"sysfs": root, "pwm_hz": str(pwm_hz)}

    def open(self) -> None:
        """Open every file; motors off. Raises `UserError` with everything that is missing."""
        problems: list[str] = []
        for fitted in self._rig.fitted:
            try:
                self._fit(fitted)
            except OSError as error:
                problems.append(f"{fitted.role}: {error.filename}: {_remedy(error)}")
            except ValueError as error:
                problems.append(f"{fitted.role}: port {fitted.port!r}: {error}")
        if problems:
            self.close()
            raise Faults(f"sysfs:{self._root}", problems)
        enables = [str(enable) for bridge in self._bridges.values() for enable in bridge.enables]
        self._guard = self._make_guard(self._rig.dead_man_s, enables)

    def _fit(self, fitted: Fitted) -> None:
        sensing, arrow, driving = fitted.port.partition(">")
        words, channels = sensing.split(), fitted.device.channels
        if len(words) != 1 + len(channels):
            names = ", ".join(channel.name for channel in channels)
            raise ValueError(f"give a folder and {len(channels)} files, for {names}; such as {_example(fitted)!r}")
        folder = self._root / words[0]
        self._sources.append([Source(folder, text, c) for text, c in zip(words[1:], channels, strict=True)])
        places, outputs = MOTORS.get(fitted.role, ()), driving.split()
        if len(outputs) != len(places) + (1 if places else 0) or bool(arrow) != bool(places):
            count = f"'>', a PWM folder and {len(places)} outputs" if places else "no '>'"
            raise ValueError(f"a {fitted.role} needs {count}; such as {_example(fitted)!r}")
        for place, text in zip(places, outputs[1:], strict=True):
            self._bridges[place] = Bridge(self._root / outputs[0], text, self._period_ns)

    def sense(self, tick: int) -> Raw:
        """Read every file."""
        row: list[int] = []
        for sources in self._sources:
            counts = [source.read() for source in sources]
            if None in counts:
                row += [NEVER, *([0] * len(counts))]
            else:
                row += [0, *(count for count in counts if count is not None)]
        self._row = tuple(row)
        return self._row

    def act(self, command: Command) -> None:
        """Turn set-points into duty cycles."""
        stops = self._stops
        if self._guard is None or not self._row:
            return
        if self._guard.beat() and not self._released:
            if not self._standing:  # after a stop it only does what it is there for
                self._faults.append(("dead-man", f"the guard cut the motors: no act for {self._rig.dead_man_s:g} s"))
            self._release()
        powers = self._loops.powers(command, self._row, self._rig.period_s)
        self._released = self._standing = False
        for place, bridge in self._bridges.items():
            bridge.power(powers[place])
        if stops != self._stops:  # somebody stopped us meanwhile, and that counts
            self._release()

    def stop(self, category: int) -> None:
        """Stop all motors: switched off, or (`HALT`, `HOLD`) power zero, which the guard soon switches off."""
        self._stops += 1
        self._standing = True
        if category != CUT and not self._released:
            try:
                for bridge in self._bridges.values():
                    bridge.power(0)
            except OSError:
                self._release()
        else:
            self._release()

    def _release(self) -> None:
        self._released = True
        for bridge in self._bridges.values():
            try:
                bridge.release()
            except OSError as error:
                self._faults.append(("sysfs", f"{error.filename}: motor not switched off: {error.strerror}"))

    def faults(self) -> list[tuple[str, str]]:
        """Return (kind, detail) of what went wrong since the last call."""
        faults, self._faults = self._faults, []
        return faults

    def close(self) -> None:
        """Switch the motors off and let go of the files."""
        self.stop(CUT)
        guard, self._guard = self._guard, None
        if guard is not None:
            guard.close()
        for sources in self._sources:
            for source in sources:
                source.close()
        for bridge in self._bridges.values():
            bridge.close()
        self._sources, self._bridges = [], {}

    def truth(self) -> tuple[float, float, float] | None:
        """Return None: a real robot does not know its true pose."""
        return None


def _example(fitted: Fitted) -> str:
    """Return a port as a device of this kind might have it; folders, and numbers in names, are the kernel's to give."""
    role, channels = fitted.role, fitted.device.channels
    if role in MOTORS:
        counts = [f"count{place}/count" for place in range(len(channels))]
        outputs = [f"pwm{2 * place}+pwm{2 * place + 1}" for place in range(len(MOTORS[role]))]
        return " ".join(["bus/counter/devices/counter0", *counts, "> class/pwm/pwmchip0", *outputs])
    return " ".join(
        ["bus/iio/devices/iio:device0", *(FILES.get(channel.name, f"in_{channel.name}_raw") for channel in channels)]
    )


def _remedy(error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return "does not exist; check the port in the rig, and that the kernel's driver is loaded"
    if isinstance(error, PermissionError):
        return "not allowed; give your user the right by a udev rule, or run as root"
    return f"{error.strerror}; check the port in the rig"


def build(address: Address, rig: Rig) -> KernelRobot:
    """Build the backend of a ``sysfs:`` address (unopened)."""
    options = dict(address.options)
    text = options.pop("pwm_hz", "20000")
    for key in options:
        raise UserError(f"{address.url}: {key!r} is not an option; {nearest(key, ('pwm_hz',))}")
    if not text.isdecimal() or not 50 <= int(text) <= 1_000_000:
        raise UserError(f"{address.url}: pwm_hz is {text!r}; give a whole number from 50 to 1000000")
    return KernelRobot(address.place or "/sys", rig, int(text))
