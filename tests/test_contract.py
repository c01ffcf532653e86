"""The contract suites: our own drivers keep them, and for every rule a driver that breaks it is caught by name."""

import math

import pytest

from drivers.devices import BUILT_IN, find_built_in
from drivers.devices.battery import BatteryVoltage
from drivers.devices.button import Button
from drivers.devices.colour import Rgb10, Rgbc16
from drivers.devices.distance import EchoTime, OpticalDistance
from drivers.devices.positioner import Positioner
from drivers.devices.tilt import TiltAccelerometer
from drivers.devices.tracks import Tracks
from robotcore.backend import EndOfRun
from robotcore.command import AT_REST, HOLD
from robotcore.contract import ContractError, backend_checks, check_backend, check_device, device_checks
from robotcore.errors import UserError
from robotcore.layout import NEVER, Channel
from robotcore.rig import parse_rig

OPTIONS = {"positioner": {"lowest_deg": 0, "highest_deg": 150}, "rgbc16": {"integration_ms": 24}}
EVERY_CHECK = [
    pytest.param(check, id=f"{name}-{check}")
    for name in BUILT_IN
    for check in device_checks(find_built_in(name)) + device_checks(find_built_in(name), OPTIONS.get(name))
]


@pytest.mark.parametrize("check", EVERY_CHECK)
def test_the_built_in_drivers_keep_every_rule(check):
    check()


# Known pairs from outside: CHECKS.md e gives 343.20 m/s at 20 degrees (ISO 9613-1 form).
def test_samples_are_compared():
    check_device(EchoTime, samples=[((2914, 200), 0.5), ((0, 200), math.nan)])
    with pytest.raises(ContractError, match=r"EchoTime: samples: \(2914, 200\) reads 0.5000.*, not 0.6"):
        check_device(EchoTime, samples=[((2914, 200), 0.6)])


# Drivers that break one rule each


class Channelless(Rgb10):
    channels = ()


class Twins(Rgb10):
    channels = (Channel("red", "H", "count"),) * 3


class Unitless(Button):
    channels = (Channel("state", "B", ""),)


class Ageless(Button):
    def __init__(self, options):
        super().__init__(options)
        self.max_age_s = math.inf


class Limitless(OpticalDistance):
    def __init__(self, options):
        super().__init__(options)
        del self.highest_m


class Fussy(Button):
    def __init__(self, options):
        super().__init__(options)
        if options.number("rate_hz", 0) == 0:
            options.fault("rate_hz", "is 0; give more")


class Greedy(Button):
    def __init__(self, options):
        super().__init__(options)
        for key in options.data:
            options.has(key)


class Dividing(Rgb10):
    def __init__(self, options):
        super().__init__(options)
        self.per_gain = 1 / options.number("gain", 1)


class Unchecked(Rgb10):
    def __init__(self, options):
        super().__init__(options)
        if options.has("gain"):
            self.gain = options.data["gain"]


class Raising(BatteryVoltage):
    def voltage(self, counts):
        return 1000 / counts[0]


class Endless(OpticalDistance):
    def distance(self, counts):
        return math.inf if counts[0] == 0xFFFF else counts[0] / 1000


class Short(Rgb10):
    def light(self, counts):
        return super().light(counts)[:2]


class Remembering(BatteryVoltage):
    last = 0

    def voltage(self, counts):
        type(self).last, before = counts[0], type(self).last
        return (counts[0] + before) / 2000


class Squared(Rgb10):
    def light(self, counts):
        return tuple((count / 1023) ** 2 for count in counts)


class Falling(Rgb10):
    def light(self, counts):
        return tuple(1 - count / 1023 for count in counts)


class Glaring(Rgb10):
    def light(self, counts):
        return tuple(100.0 * count for count in counts)


class Unsaturated(Rgb10):
    def __init__(self, options):
        super().__init__(options)
        self.full_scale = 70_000


class Swapped(Rgb10):
    def light(self, counts):
        return super().light(counts)[::-1]


class Mixed(Rgb10):
    separate = True

    def light(self, counts):
        return counts[0] / 1023, (counts[1] + counts[0] // 64) / 1100, counts[2] / 1023


class Branching(Rgb10):
    elementwise = True

    def light(self, counts):
        return super().light(counts) if counts[0] else (0.0, 0.0, 0.0)


class Rounding(Rgb10):
    elementwise = True

    def light(self, counts):
        return tuple(count / 900 if isinstance(count, int) else count * (1 / 900) for count in counts)


class Grey(Rgbc16):
    def light(self, counts):
        return (sum(counts) / 40_000,) * 3


class Folded(OpticalDistance):
    def distance(self, counts):
        return (counts[0] % 1000) / 1000


class Inches(OpticalDistance):
    def distance(self, counts):
        return counts[0] * 25.4


class Negative(OpticalDistance):
    def distance(self, counts):
        return counts[0] / 1000 - 1


class Degrees(TiltAccelerometer):
    def lean(self, counts):
        return tuple(map(math.degrees, super().lean(counts)))


class HalfKnown(TiltAccelerometer):
    def lean(self, counts):
        return super().lean(counts)[0], 0.0


class Upright(TiltAccelerometer):
    def lean(self, counts):
        return math.nan, math.nan


class Stuck(Button):
    def pressed(self, counts):
        return False


class Wobbly(BatteryVoltage):
    def voltage(self, counts):
        return abs(counts[0] - 5000) / 1000


class Flat(BatteryVoltage):
    def voltage(self, counts):
        return 0.0


class Crossed(Tracks):
    def turns(self, counts):
        return counts[0] + counts[1], counts[1]


class Backward(Tracks):
    def turns(self, counts):
        return -counts[0], counts[1]


def loops(change):
    """Make a Tracks class whose loop's power is changed by `change(power, left m/s, right m/s, counts)`."""

    class Changed(Tracks):
        def speed_loop(self, wheel_radius_m):
            loop = super().speed_loop(wheel_radius_m)
            return lambda left, right, counts, dt: change(loop(left, right, counts, dt), left, right, counts)

    return Changed


def joints(change):
    """Make a Positioner class whose loop's power is changed by `change(power, set-point, counts)`."""

    class Changed(Positioner):
        def position_loop(self):
            loop = super().position_loop()
            return lambda wanted, counts, dt: change(loop(wanted, counts, dt), wanted, counts)

    return Changed


class SharedLoop(Tracks):
    def __init__(self, options):
        super().__init__(options)
        self.loop = Tracks.speed_loop(self, 0.02)

    def speed_loop(self, wheel_radius_m):
        return self.loop


class SharedJoint(Positioner):
    def __init__(self, options):
        super().__init__(options)
        self.loop = Positioner.position_loop(self)

    def position_loop(self):
        return self.loop


class Unending(Positioner):
    """Pushes on past its limits, since it looks at the set-point alone."""

    def position_loop(self):
        return lambda wanted, counts, dt: 0 if abs(wanted - self.angle(counts)) < 0.05 else 300 if wanted > 0 else -300


class Folding(Positioner):
    def angle(self, counts):
        return counts[0] % 360 * 0.0175


class Inverted(Positioner):
    def __init__(self, options):
        super().__init__(options)
        self.lowest_rad, self.highest_rad = 1.0, -1.0


def creeping():
    """Power that fades but never ends."""
    return lambda power, left, right, counts: power if any(power) or not any(counts) else (1, 1)


BREAKS = {
    "protocol": [Channelless, Twins, Unitless],
    "builds": [Ageless, Limitless, Fussy],
    "defaults": [Fussy],
    "unknown-option": [Greedy],
    "bad-options": [Dividing, Unchecked],
    "reads": [Raising, Endless, Short],
    "steady": [Remembering],
    "light-rises": [Squared, Falling],
    "light-scale": [Glaring, Unsaturated],
    "colours-apart": [Swapped, Grey],
    "separate": [Mixed],
    "elementwise": [Branching, Rounding],
    "distance-one-way": [Folded],
    "distance-reach": [Inches, Negative],
    "lean-in-circle": [Degrees, HalfKnown, Upright],
    "button-both": [Stuck],
    "voltage-rises": [Wobbly, Flat],
    "turns-apart": [Crossed, Backward],
    "drive-wild": [
        loops(lambda power, left, right, counts: (power[0] * 2, power[1])),
        loops(lambda power, left, right, counts: (float(power[0]), power[1])),
        loops(lambda power, left, right, counts: list(power)),
    ],
    "drive-not-a-number": [loops(lambda power, left, right, counts: (500, 500) if left != left else power)],
    "drive-rest": [loops(lambda power, left, right, counts: (power[0] or 1, power[1]))],
    "drive-stops": [loops(creeping())],
    "drive-sign": [
        loops(lambda power, left, right, counts: (-power[0], power[1])),
        loops(lambda power, left, right, counts: power[::-1]),
        loops(lambda power, left, right, counts: (0, 0)),
    ],
    "drive-alone": [SharedLoop],
    "angle-rises": [Folding],
    "limits": [Unending, Inverted],
    "position-wild": [joints(lambda power, wanted, counts: power * 2), joints(lambda power, wanted, counts: 0.5)],
    "position-not-a-number": [joints(lambda power, wanted, counts: 500 if wanted != wanted else power)],
    "position-rest": [joints(lambda power, wanted, counts: power or 1)],
    "position-sign": [joints(lambda power, wanted, counts: -power), joints(lambda power, wanted, counts: 0)],
    "position-alone": [SharedJoint],
}


@pytest.mark.parametrize(
    ("rule", "driver"),
    [pytest.param(rule, driver, id=f"{rule}-{driver.__name__}") for rule in BREAKS for driver in BREAKS[rule]],
)
def test_a_driver_that_breaks_a_rule_is_caught_by_that_rule(rule, driver):
    (check,) = [check for check in device_checks(driver) if str(check) == rule]
    with pytest.raises(ContractError) as caught:
        check()
    assert all(breach.startswith(f"{rule}: ") for breach in caught.value.breaches)


def test_every_rule_is_shown_to_bite():
    rules = dict.fromkeys(str(check) for name in BUILT_IN for check in device_checks(find_built_in(name)))
    assert sorted(rules) == sorted([*BREAKS, "samples"])


def test_all_breaches_are_listed_at_once():
    with pytest.raises(ContractError) as caught:
        check_device(loops(lambda power, left, right, counts: (-2 * power[0], power[1])))
    assert {breach.split(":")[0] for breach in caught.value.breaches} >= {"drive-wild", "drive-sign"}
    assert str(caught.value).count("Changed: ") == len(caught.value.breaches)


def test_each_rule_states_its_promise_in_a_sentence():
    for name in BUILT_IN:
        for check in device_checks(find_built_in(name)):
            assert check.promise.endswith(".")


def test_an_exception_inside_a_rule_is_a_breach_and_not_the_end():
    class Bursting(Tracks):
        def speed_loop(self, wheel_radius_m):
            raise RuntimeError("no loop today")

    with pytest.raises(ContractError, match="drive-rest: raised RuntimeError: no loop today; the promise: At rest"):
        check_device(Bursting)


def test_a_needed_option_may_be_missing_by_default():
    class Addressed(Button):
        def __init__(self, options):
            super().__init__(options)
            self.address = options.integer("address", low=0, high=127)

    check_device(Addressed, {"address": 3})
    with pytest.raises(ContractError, match="builds: address: is missing"):
        check_device(Addressed)


def test_a_driver_may_refuse_options_with_an_error_of_its_own():
    class Picky(Button):
        def __init__(self, options):
            super().__init__(options)
            if options.number("rate_hz", 10, low=1, high=100) > 50:
                raise UserError("rate_hz is above 50; the bus is too slow")

    check_device(Picky)


# Backends

RIG = """
[rig]
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
port = "a"
[[device]]
role = "floor_right"
driver = "rgb10"
port = "b"
[[device]]
role = "drive"
driver = "tracks"
port = "c"
"""


@pytest.fixture(scope="module")
def rig():
    return parse_rig(RIG, "rig.toml", find_built_in)


class Rollers:
    """A small honest world: wheels that turn exactly as told, and floor sensors that read every second tick."""

    paced = False

    def __init__(self):
        self.facts = {"world": "rollers"}
        self.now, self.age, self.command, self.turned, self.is_open, self.trouble = 0, 0, AT_REST, [0.0, 0.0], False, []

    def open(self):
        self.is_open = True

    def sense(self, tick):
        if not self.is_open:
            raise RuntimeError("closed")
        elapsed, self.now = (tick - self.now) * 0.01, tick
        self.turned[0] += self.command.left_m_s / 0.02 * elapsed
        self.turned[1] += self.command.right_m_s / 0.02 * elapsed
        self.age = 100 * (tick % 2)
        left, right = (round(math.degrees(angle)) for angle in self.turned)
        return (self.age, 400, 500, 300, self.age, 400, 500, 300, 0, left, right)

    def act(self, command):
        self.command = command

    def stop(self, category):
        self.command = AT_REST

    def close(self):
        self.is_open = False

    def faults(self):
        told, self.trouble = self.trouble, []
        return told

    def truth(self):
        return (0.0, 0.0, 0.0)


def test_an_honest_backend_keeps_every_rule(rig):
    check_backend(Rollers, rig)
    assert len(backend_checks(Rollers, rig)) == 13


def test_a_recording_need_not_answer_and_may_end(rig):
    class Tape(Rollers):
        def sense(self, tick):
            if tick >= 60:
                raise EndOfRun
            return None if tick % 5 == 4 else super().sense(tick)

        def act(self, command):
            pass

    check_backend(Tape, rig, answers=False)


def test_a_paced_world_is_not_asked_for_its_own_time(rig):
    names = [str(check) for check in backend_checks(type("Live", (Rollers,), {"paced": True}), rig)]
    assert "rows-fit" in names
    assert not {"drives", "repeats", "ages-grow-with-time"} & dict.fromkeys(names).keys()


def sensing(change):
    """Make a world whose rows are changed by `change(world, tick, row)`."""

    class Changed(Rollers):
        def sense(self, tick):
            return change(self, tick, super().sense(tick))

    return Changed


class Pushy(Rollers):
    """Acts at once, and forgets to stop."""

    def stop(self, category):
        if category != HOLD:
            super().stop(category)


class OneStop(Rollers):
    stopped = False

    def stop(self, category):
        if self.stopped:
            raise RuntimeError("already stopped")
        self.stopped = True


class Leaky(Rollers):
    def close(self):
        pass


class CloseOnce(Rollers):
    def close(self):
        if not self.is_open:
            raise RuntimeError("not open")
        super().close()


class Strict(Rollers):
    def sense(self, tick):
        if tick > self.now + 1:
            raise ValueError("a tick was missed")
        return super().sense(tick)


class Nagging(Rollers):
    def faults(self):
        return [("noise", "again")]


class Chance(Rollers):
    runs = 0

    def open(self):
        super().open()
        type(self).runs += 1
        self.turned[0] = float(self.runs)


class Creeping(Rollers):
    def act(self, command):
        self.command = command._replace(left_m_s=command.left_m_s + 0.01)


class Reversed(Rollers):
    def act(self, command):
        self.command = command._replace(left_m_s=-command.left_m_s)


BROKEN_WORLDS = {
    "members": [
        type("Unpaced", (Rollers,), {"faults": None}),
        type(
            "Factless",
            (Rollers,),
            {"__init__": lambda self: Rollers.__init__(self) or setattr(self, "facts", {"seed": 3})},
        ),
    ],
    "rows-fit": [
        sensing(lambda world, tick, row: row[:-1]),
        sensing(lambda world, tick, row: (*row[:-1], float(row[-1]))),
        sensing(lambda world, tick, row: (row[0], -1, *row[2:])),
        sensing(lambda world, tick, row: (row[0], 70_000, *row[2:])),
        sensing(lambda world, tick, row: list(row)),
    ],
    "rows-come": [
        sensing(lambda world, tick, row: None),
        sensing(lambda world, tick, row: (*row[:8], NEVER, *row[9:])),
    ],
    "late-ticks": [Strict],
    "faults-once": [Nagging, type("Wordy", (Rollers,), {"faults": lambda self: ["all is lost"]})],
    "stop-from-anywhere": [OneStop],
    "closes": [Leaky, CloseOnce],
    "truth-or-none": [
        type("Lost", (Rollers,), {"truth": lambda self: (0.0, math.nan, 0.0)}),
        type("Flatland", (Rollers,), {"truth": lambda self: (0.0, 0.0)}),
    ],
    "ages-grow-with-time": [sensing(lambda world, tick, row: (500 * (tick % 2), *row[1:]))],
    "repeats": [Chance],
    "rests": [Creeping],
    "drives": [Reversed],
    "stands-after-stop": [Pushy],
}


@pytest.mark.parametrize(
    ("rule", "world"),
    [
        pytest.param(rule, world, id=f"{rule}-{world.__name__}")
        for rule in BROKEN_WORLDS
        for world in BROKEN_WORLDS[rule]
    ],
)
def test_a_backend_that_breaks_a_rule_is_caught_by_that_rule(rule, world, rig):
    (check,) = [check for check in backend_checks(world, rig) if str(check) == rule]
    with pytest.raises(ContractError, match=f"{world.__name__}: {rule}: "):
        check()


def test_every_backend_rule_is_shown_to_bite(rig):
    assert sorted(map(str, backend_checks(Rollers, rig))) == sorted(BROKEN_WORLDS)


def test_a_backend_is_closed_even_when_a_check_fails(rig):
    closed = []

    class Failing(Rollers):
        def sense(self, tick):
            raise OSError("cable out")

        def close(self):
            closed.append(self)
            super().close()

    with pytest.raises(ContractError, match="rows-fit: raised OSError: cable out"):
        check_backend(Failing, rig)
    assert len(closed) >= 10
