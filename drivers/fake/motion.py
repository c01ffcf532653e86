"""How power becomes motion: battery, motors, tracks on the floor, and positional motors.

Rules: power in, motion out; nobody but the world calls this. One exact step for input held constant over it, so the
result depends on no step-size tuning. Pure Python floats in closures; the one shared state is `Truth`.

Common practice, no source:

| quantity | value |
| --- | --- |
| battery | two lithium cells: 8.2 V full, 7.0 V empty, linear in charge, 1.5 Ah, 0.15 ohm with leads |
| motor winding | 4 ohm (1.85 A stalled at 7.4 V), electronics 0.35 A |
| free speed | full power at 7.4 V: 1.25 times the rig's `max_speed`, in reserve for load and a low battery |
| positional motor | 8 rad/s free, lag 40 ms, dead band 5 %, holds by its gear |

From memory:

| quantity | value |
| --- | --- |
| motor lag | 80 ms, first order, brake and drive alike (small geared motors: 50 to 120 ms) |
| dead band | 4 % of free speed is lost to friction (3 to 8 %) |
| weight | 0.15 of it counts against the effective mass: geared rotors make up most of the inertia |
| gears | hold on a slope when not driven, and are not driven backward by it |
| coasting | friction alone, 1.5 m/s2, on a slope as well: tracks roll hard |

Closed forms that the tests use. Step: v(t) = u (1 - exp(-t/T)). Slope: v = u - 0.15 T g sin(pitch). Battery: terminal
V solves V = E - R (I0 + sum d_i (d_i V - e_i) / Rm) for duties d and back-EMF e, a chopper's currents by Ohm's law.
"""

import math
from collections.abc import Callable, Iterator

from drivers.fake.perturbations import Drawn, Slip
from robotcore.rig import Body

GRAVITY = 9.80665  #: m/s2, standard gravity (ISO 80000-3)
NOMINAL_V, FULL_V, EMPTY_V = 7.4, 8.2, 7.0
PART_USED_V = 7.8  #: at the start of a run: a third used, neither fresh nor empty
CAPACITY_AS = 1.5 * 3600
CELL_OHM, WINDING_OHM, ELECTRONICS_A = 0.15, 4.0, 0.35
RESERVE = 1.25
MOTOR_LAG_S = 0.080
DEAD_BAND = 0.04
WEIGHT_SHARE = 0.15
COAST_M_S2 = 1.5
STILL_M_S = 0.002  #: slower than this friction holds a braked track
SLIP_STEPS = 10  #: slip changes slowly: a new value every so many steps
SLIP_MEMORY = 0.9  #: of one value in the next: a correlation time of about a second

POSITION_FREE_RAD_S, POSITION_LAG_S, POSITION_DEAD_BAND = 8.0, 0.040, 0.05
STOP_MARGIN_RAD = 0.09  #: the end stop lies so far beyond the driver's limits

Noise = Callable[[], float]
Power = tuple[float, float]
"""Of the left and the right track, per mille."""


class Truth:
    """The state of the robot that everything in the fake shares, and nothing outside may see."""

    __slots__ = (
        "accel", "cos", "flat", "heading", "left_m", "left_speed", "lift", "pitch", "right_m", "right_speed",
        "rise_ahead", "rise_left", "roll", "sin", "speed", "time_s", "turn", "volts", "x", "y",
    )  # fmt: skip

    def __init__(self, x: float = 0.0, y: float = 0.0, heading: float = 0.0) -> None:
        self.x, self.y, self.heading = x, y, heading  # axle's middle: m, m, rad
        self.cos, self.sin = math.cos(heading), math.sin(heading)
        self.speed = self.turn = self.accel = 0.0  # over the ground: m/s, rad/s, m/s2
        self.left_m = self.right_m = self.left_speed = self.right_speed = 0.0  # of the tracks
        self.flat = True  # on level floor: pitch, roll and lift are 0
        self.pitch = self.roll = self.lift = 0.0  # rad nose up, rad left side up, m of the axle's middle
        self.rise_ahead = self.rise_left = 0.0  # tangents of pitch and roll
        self.volts = FULL_V
        self.time_s = 0.0


def make_drive(body: Body, drawn: Drawn, truth: Truth, noise: Noise, h: float) -> Callable[[Power, bool], None]:
    """Return ``advance(power, driven)``: `h` seconds of motion. Not driven means coasting."""
    roll_on = make_rolling(body, drawn.slip, truth, noise, h)
    free = RESERVE * body.max_speed_m_s
    emf = PART_USED_V + drawn.battery_v
    ratio, idle = CELL_OHM / WINDING_OHM, CELL_OHM * ELECTRONICS_A
    back = ratio * (NOMINAL_V / free)
    discharge = h * (FULL_V - EMPTY_V) / CAPACITY_AS / CELL_OHM
    truth.volts = emf - idle
    free_left, free_right = free * drawn.motors[0] / NOMINAL_V, free * drawn.motors[1] / NOMINAL_V
    dead, decay = DEAD_BAND * free, math.exp(-h / MOTOR_LAG_S)
    reach = MOTOR_LAG_S * (1.0 - decay)
    hill, sin = WEIGHT_SHARE * MOTOR_LAG_S * GRAVITY, math.sin

    def advance(power: Power, driven: bool) -> None:
        nonlocal emf
        left, right = truth.left_speed, truth.right_speed
        if driven:
            a, b = power
            a *= 0.001
            b *= 0.001
            volts = (emf - idle + back * (a * left + b * right)) / (1.0 + ratio * (a * a + b * b))
            to_left, to_right = a * free_left * volts, b * free_right * volts
            to_left = to_left - dead if to_left > dead else to_left + dead if to_left < -dead else 0.0
            to_right = to_right - dead if to_right > dead else to_right + dead if to_right < -dead else 0.0
            if not truth.flat:
                weight = hill * sin(truth.pitch)
                to_left, to_right = _weighed(to_left, weight), _weighed(to_right, weight)
            left -= to_left
            right -= to_right
            left_by, right_by = to_left * h + left * reach, to_right * h + right * reach
            truth.left_speed = to_left + left * decay if to_left or not -STILL_M_S < left < STILL_M_S else 0.0
            truth.right_speed = to_right + right * decay if to_right or not -STILL_M_S < right < STILL_M_S else 0.0
        else:
            volts = emf - idle
            truth.left_speed, left_by = _coast(left, h)
            truth.right_speed, right_by = _coast(right, h)
        truth.volts = volts
        emf -= discharge * (emf - volts)
        truth.left_m += left_by
        truth.right_m += right_by
        roll_on(left_by, right_by)

    return advance


def _weighed(speed: float, weight: float) -> float:
    """Return the speed that a slope leaves; a gear that is not driven holds, and none is driven backward."""
    if speed > 0.0:
        return speed - weight if speed > weight else 0.0
    if speed < 0.0:
        return speed - weight if speed < weight else 0.0
    return 0.0


def _coast(speed: float, h: float) -> tuple[float, float]:
    """Return speed after, and way in, `h` seconds of friction alone."""
    slow = COAST_M_S2 * h
    if abs(speed) <= slow:
        return 0.0, 0.5 * speed * abs(speed) / COAST_M_S2
    after = speed - math.copysign(slow, speed)
    return after, 0.5 * (speed + after) * h


def make_rolling(body: Body, slip: Slip, truth: Truth, noise: Noise, h: float) -> Callable[[float, float], None]:
    """Return ``roll_on(left, right)``: move over the ground by what the tracks moved (m), less slip: one exact arc."""
    width, scrub, slope = body.track_width_m, slip.scrub, slip.slope
    grips = _grips(slip, noise)
    left_grip, right_grip = next(grips)
    countdown = SLIP_STEPS
    sin, cos = math.sin, math.cos

    def roll_on(left: float, right: float) -> None:
        nonlocal countdown, left_grip, right_grip
        countdown -= 1
        if not countdown:
            countdown = SLIP_STEPS
            left_grip, right_grip = next(grips)
        left *= left_grip
        right *= right_grip
        along = 0.5 * (left + right)
        if not truth.flat:
            rise = sin(truth.pitch)
            along *= (1.0 - slope * (rise if along > 0.0 else -rise)) * cos(truth.pitch)
        apart = right - left
        half = 0.5 * apart / width
        if half:
            half *= 1.0 - scrub * abs(apart) / (abs(left) + abs(right))
            middle = truth.heading + half
            chord = along * sin(half) / half
            truth.x += chord * cos(middle)
            truth.y += chord * sin(middle)
            heading = truth.heading = middle + half
            truth.cos = cos(heading)
            truth.sin = sin(heading)
        else:
            truth.x += along * truth.cos
            truth.y += along * truth.sin
        before = truth.speed
        truth.speed = speed = along / h
        truth.accel = (speed - before) / h
        truth.turn = 2.0 * half / h

    return roll_on


def _grips(slip: Slip, noise: Noise) -> Iterator[tuple[float, float]]:
    """Give, without end, what is left of the left and right track's motion after slip: a slow random walk."""
    fresh = math.sqrt(1.0 - SLIP_MEMORY * SLIP_MEMORY)
    left = right = 0.0
    while True:
        yield 1.0 - slip.left - slip.wander * left, 1.0 - slip.right - slip.wander * right
        left, right = SLIP_MEMORY * left + fresh * noise(), SLIP_MEMORY * right + fresh * noise()


class Joint:
    """A positional motor: angle and speed; a place where `zone` mechanics may add loads and narrower stops.

    Args:
        lowest_rad: the driver's lower limit; the end stop lies a little beyond.
        highest_rad: the upper limit.

    """

    __slots__ = ("angle", "high", "low", "moved", "power", "speed")

    def __init__(self, lowest_rad: float, highest_rad: float) -> None:
        self.angle = self.speed = 0.0
        self.power = 0
        self.moved = False  #: since somebody last asked
        self.low, self.high = lowest_rad - STOP_MARGIN_RAD, highest_rad + STOP_MARGIN_RAD


def make_joint(joint: Joint, truth: Truth, h: float) -> Callable[[bool], None]:
    """Return ``turn(driven)``: `h` seconds of a positional motor that moves or has power. At an end stop it stalls."""
    decay = math.exp(-h / POSITION_LAG_S)
    reach = POSITION_LAG_S * (1.0 - decay)
    dead = POSITION_DEAD_BAND * POSITION_FREE_RAD_S

    def turn(driven: bool) -> None:
        power = joint.power if driven else 0
        joint.moved = True
        to = power * 0.001 * POSITION_FREE_RAD_S * truth.volts / NOMINAL_V
        to = to - dead if to > dead else to + dead if to < -dead else 0.0
        over = joint.speed - to
        joint.angle += to * h + over * reach
        joint.speed = to + over * decay
        if not power and abs(joint.speed) < 1e-3:
            joint.speed = 0.0
        if not joint.low <= joint.angle <= joint.high:
            joint.angle = joint.low if joint.angle < joint.low else joint.high
            joint.speed = 0.0

    return turn
