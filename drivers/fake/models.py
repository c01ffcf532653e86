"""What each device makes of the world: light, distance, travel and lean into whole counts, by driver name.

Rules: a model belongs to a *driver name*, since that is what says which device sits there; it knows the device's raw
form from its own table below and never calls the driver to compute a reading. A package adds models by the entry point
group `robotcore.fake_models`: name of the driver -> ``model(fitted, scene) -> Model``, made of `beam`, `eye`, `delay`,
what `Scene` holds, and noise: ``scene.gauss()`` in sizes of ``scene.drawn.noise``. DEVELOPERS.md has a whole one.

Numbers are ours, `common practice, no source`, for devices of the usual kinds; nothing is copied from a data sheet.
Periods and delays are in milliseconds (int.: the integration time); a front sensor is asked each 20 ms at most. Noise
is the standard deviation at size 1.

| driver | what it reports | period, delay | noise |
| --- | --- | --- | --- |
| rgb10 | 480 counts at light 1, offset 6 | 10, 2 | 1.2 counts; variance 0.03 a count |
| rgbc16 | 0.45 of full reach at light 1, offset 12; clear: 0.4 of the sum | int. + 1, int. / 2 + 1 | 6; 0.2 |
| echo_us | 15 degrees half-angle, 35 grazing, 30 mm to 2 m; temperature | 40, 10 | 6 us |
| optical_mm | 8 degrees half-angle, 75 grazing, 20 mm to 1.2 m | 30, 20 | 1.5 mm + 0.5 % |
| tracks, positioner | whole counts of the encoders | each step, 0 | none |
| tilt_mg | specific force ahead, left, up | 20, 0 | 8 mg, and 25 mg a m/s from the tracks |
| button | pressed by the operator from 0.3 s to 0.5 s, and for a lift | 50, 0 | none |
| battery_mv | terminal voltage | 100, 0 | 8 mV |

Two sensors from one bag differ by 8 %: the left floor sensor is 4 % above, the right 4 % below. Red, green and blue
respond as 0.82 : 1 : 0.74 (CHECKS a.3: raw white of a camera is far from grey).
"""

import math
from collections.abc import Callable
from importlib import metadata

from attrs import Factory, frozen

from drivers.fake.course.relief import Relief
from drivers.fake.course.shapes import Colour, Solid
from drivers.fake.instruments import Counts, Model, split_delay
from drivers.fake.motion import GRAVITY, Joint, Noise, Truth
from drivers.fake.operator import Presses
from drivers.fake.optics import (
    FRONT_HALF_ANGLE,
    FRONT_REACH_M,
    Lighting,
    Look,
    Place,
    make_floor_eye,
    make_front_eye,
    make_lifted,
)
from drivers.fake.perturbations import Drawn, Shift
from drivers.fake.ranging import make_cone, speed_of_sound
from drivers.fake.zone.sight import make_yard_eye, over_objects
from drivers.fake.zone.yard import Yard
from robotcore.errors import UserError
from robotcore.layout import AGE_UNIT_S
from robotcore.rig import Body, Fitted

GROUP = "robotcore.fake_models"
RESPONSE = (0.82, 1.0, 0.74)
SENSOR_GAIN = {"floor_left": 1.04, "floor_right": 0.96}
PRESS_S = (0.3, 0.5)
NO_SHIFT = Shift()


@frozen
class Scene:
    """What a model may see of the world.

    `gauss` gives a fresh source of normal draws; `field` is middle x, y and half width, half height in metres.
    """

    truth: Truth
    drawn: Drawn
    body: Body
    step_s: float
    look: Look
    relief: Relief
    solids: tuple[Solid, ...]
    field: tuple[float, float, float, float]
    joints: dict[str, Joint]
    gauss: Callable[[], Noise]
    card: Colour | None = None  #: held before the front sensor, on the calibration pad
    yard: Yard | None = None  #: the objects of a zone
    panels: tuple[Solid, ...] = ()  #: painted sides of walls: paint is seen, and heard or ranged by nothing
    presses: Presses = Factory(lambda: [PRESS_S])


ModelFactory = Callable[[Fitted, Scene], Model]


def find_model(fitted: Fitted) -> ModelFactory:
    """Return the model of a device's driver.

    Raises:
        UserError: there is none.

    """
    name = fitted.driver_name
    if name in MODELS:
        return MODELS[name]
    for entry in metadata.entry_points(group=GROUP, name=name):
        found: ModelFactory = entry.load()
        return found
    raise UserError(
        f"driver {name!r} (role {fitted.role!r}): the fake robot has no model of it; known are {', '.join(MODELS)}; "
        f"register one in the entry point group {GROUP!r}"
    )


def eye(fitted: Fitted, scene: Scene, delay_s: float, gain: float) -> Callable[[], Colour]:
    """Return ``see()``: red, green and blue that a colour sensor gets where it is mounted, in counts above its offset.

    Args:
        fitted: the device; a role of ``front`` looks ahead, any other down at the floor.
        scene: the world.
        delay_s: from the light to the brick, see `delay`.
        gain: counts of green at light 1.

    """
    place = _place(fitted, scene)
    gain *= SENSOR_GAIN.get(fitted.role, 1.0)
    own = scene.drawn.gains.get(fitted.role, (1.0, 1.0, 1.0))
    red, green, blue = (gain * share * part for share, part in zip(RESPONSE, own, strict=True))
    lighting = Lighting.of(scene.drawn, scene.field).scaled(red, green, blue)
    if fitted.role == "front" and scene.yard is not None:
        return make_yard_eye(_front_view(scene), place, lighting, scene.truth, scene.yard)
    if fitted.role == "front":
        return make_front_eye(_front_view(scene), place, lighting, scene.truth)
    late_s = split_delay(delay_s, scene.step_s)[1] * AGE_UNIT_S
    lifted = make_lifted(scene.look, scene.relief, place, lighting, scene.truth)
    return make_floor_eye(scene.look, lifted, place, lighting, scene.truth, late_s)


def _place(fitted: Fitted, scene: Scene) -> Place:
    return Place.of(fitted.mount, scene.drawn.mounts.get(fitted.role, NO_SHIFT))


def _front_view(scene: Scene) -> Callable[[float, float, float], tuple[float, Colour | None]]:
    if scene.card is not None:
        held: tuple[float, Colour | None] = (CARD_M, scene.card)
        return lambda x, y, heading: held
    return make_cone((*scene.solids, *scene.panels), FRONT_HALF_ANGLE, math.radians(80.0), FRONT_REACH_M)


CARD_M = 0.040  #: where the calibration card is held before the front sensor


def delay(fitted: Fitted, scene: Scene, own_s: float) -> float:
    """Return a device's own delay, from the instant that it shows to when the brick has it, with this run's more."""
    return own_s + scene.drawn.delays_s.get(fitted.role, 0.0)


def _rgb10(fitted: Fitted, scene: Scene) -> Model:
    delay_s = delay(fitted, scene, 0.002)
    see, gauss, noise = eye(fitted, scene, delay_s, 480.0), scene.gauss(), scene.drawn.noise
    read, shot, start, full = noise * noise * 1.44, noise * noise * 0.03, 6.5, 1023
    sqrt, floor, above = math.sqrt, math.floor, ~full  # floor costs half of int; below 0 all is clipped

    def capture() -> Counts:
        red, green, blue = see()
        spread = sqrt(read + shot * green)
        r = floor(red + start + spread * gauss())
        g = floor(green + start + spread * gauss())
        b = floor(blue + start + spread * gauss())
        if (r | g | b) & above:  # negative, or a bit too many
            return _clipped(r, full), _clipped(g, full), _clipped(b, full)
        return r, g, b

    front = fitted.role == "front"
    return Model(capture, 0.020 if front else 0.010, delay_s, fine=not front)


def _rgbc16(fitted: Fitted, scene: Scene) -> Model:
    device = fitted.device
    integration = float(device.integration_ms)
    delay_s, gain = delay(fitted, scene, 0.001 + 0.0005 * integration), 0.45 * device.counts_per_ms * integration
    see, gauss, noise = eye(fitted, scene, delay_s, gain), scene.gauss(), scene.drawn.noise
    read, shot, start, full = noise * noise * 36.0, noise * noise * 0.2, 12.5, int(device.full_scale)
    sqrt = math.sqrt

    def capture() -> Counts:
        red, green, blue = see()
        spread = sqrt(read + shot * green)
        r = int(red + start + spread * gauss())
        g = int(green + start + spread * gauss())
        b = int(blue + start + spread * gauss())
        c = int(0.4 * (r + g + b))
        if 0 <= r <= full and 0 <= g <= full and 0 <= b <= full and c <= full:
            return c, r, g, b
        return _clipped(c, full), _clipped(r, full), _clipped(g, full), _clipped(b, full)

    period_s = 0.001 * (integration + 1.0)
    front = fitted.role == "front"
    return Model(capture, max(period_s, 0.020) if front else period_s, delay_s, fine=not front)


def _clipped(count: int, full: int) -> int:
    return 0 if count < 0 else full if count > full else count


def beam(fitted: Fitted, scene: Scene, half_deg: float, grazing_deg: float, reach_m: float) -> Callable[[], float]:
    """Return ``distance()``: metres from a range sensor's face, where it is mounted, to what it sees; inf for nothing.

    It meets obstacles, walls and the zone's objects, as far as they are higher than the sensor's mount.

    Args:
        fitted: the device.
        scene: the world.
        half_deg: half of the angle that the beam opens to.
        grazing_deg: a surface is seen up to this angle from its normal.
        reach_m: nothing is seen beyond.

    """
    place, truth = _place(fitted, scene), scene.truth
    ahead, left, turn = place.ahead_m, place.left_m, place.heading_rad
    high_enough = tuple(solid for solid in scene.solids if solid.height_m > fitted.mount.up_m)
    half, grazing = math.radians(half_deg), math.radians(grazing_deg)
    nearest = make_cone(high_enough, half, grazing, reach_m)
    if scene.yard is not None:
        nearest = over_objects(nearest, scene.yard, fitted.mount.up_m, half, grazing, reach_m)

    def distance() -> float:
        c, s = truth.cos, truth.sin
        x, y = truth.x + ahead * c - left * s, truth.y + ahead * s + left * c
        return nearest(x, y, truth.heading + turn)[0]

    return distance


def _echo_us(fitted: Fitted, scene: Scene) -> Model:
    distance = beam(fitted, scene, 15.0, 35.0, 2.0)
    microseconds = 2e6 / speed_of_sound(scene.drawn.air_c)
    tenths = round(10.0 * (scene.drawn.air_c + scene.drawn.thermometer_c))
    gauss, spread = scene.gauss(), 6.0 * scene.drawn.noise

    def capture() -> Counts:
        metres = distance()
        if not 0.03 <= metres < 2.0:
            return 0, tenths
        return max(1, round(metres * microseconds + spread * gauss())), tenths

    return Model(capture, 0.040, delay(fitted, scene, 0.010))


def _optical_mm(fitted: Fitted, scene: Scene) -> Model:
    distance = beam(fitted, scene, 8.0, 75.0, 1.2)
    gauss, noise = scene.gauss(), scene.drawn.noise

    def capture() -> Counts:
        metres = distance()
        if not 0.02 <= metres < 1.2:
            return (0xFFFF,)
        return (max(0, round(1000.0 * metres + noise * (1.5 + 5.0 * metres) * gauss())),)

    return Model(capture, 0.030, delay(fitted, scene, 0.020))


def _tracks(fitted: Fitted, scene: Scene) -> Model:
    truth, phase = scene.truth, scene.drawn.phase
    per_metre = 1.0 / (fitted.device.rad_per_count * scene.body.wheel_radius_m)
    floor = math.floor

    def capture() -> Counts:
        return floor(truth.left_m * per_metre + phase), floor(truth.right_m * per_metre + phase)

    return Model(capture, loses=False)


def _positioner(fitted: Fitted, scene: Scene) -> Model:
    joint = scene.joints[fitted.role]
    per_rad = 1.0 / fitted.device.rad_per_count
    return Model(lambda: (math.floor(joint.angle * per_rad + 0.5),), loses=False, source=joint)


def _tilt_mg(fitted: Fitted, scene: Scene) -> Model:
    truth, gauss, noise = scene.truth, scene.gauss(), scene.drawn.noise
    turn = scene.drawn.mounts.get(fitted.role, NO_SHIFT).heading_rad  # bolted on not quite level
    sin, cos = math.sin, math.cos
    level = 1000.0 * sin(turn), 0.0, 1000.0 * cos(turn)

    def leaning() -> tuple[float, float, float]:
        pitch, roll = truth.pitch + turn, truth.roll
        return 1000.0 * sin(pitch), 1000.0 * cos(pitch) * sin(roll), 1000.0 * cos(pitch) * cos(roll)

    def capture() -> Counts:
        spread = noise * (8.0 + 25.0 * abs(truth.speed))
        ahead, left = 1000.0 / GRAVITY * truth.accel, 1000.0 / GRAVITY * truth.speed * truth.turn
        x, y, z = level if truth.flat else leaning()
        return (
            round(x + ahead + spread * gauss()),
            round(y + left + spread * gauss()),
            round(z + spread * gauss()),
        )

    return Model(capture, 0.020)


def _button(fitted: Fitted, scene: Scene) -> Model:
    truth, presses = scene.truth, scene.presses

    def capture() -> Counts:
        low, high = presses[-1]
        return (int(low <= truth.time_s < high),)

    return Model(capture, 0.050, loses=False)


def _battery_mv(fitted: Fitted, scene: Scene) -> Model:
    truth, gauss, spread = scene.truth, scene.gauss(), 8.0 * scene.drawn.noise
    return Model(lambda: (max(0, round(1000.0 * truth.volts + spread * gauss())),), 0.100, loses=False)


MODELS: dict[str, ModelFactory] = {
    "rgb10": _rgb10,
    "rgbc16": _rgbc16,
    "echo_us": _echo_us,
    "optical_mm": _optical_mm,
    "tracks": _tracks,
    "positioner": _positioner,
    "tilt_mg": _tilt_mg,
    "button": _button,
    "battery_mv": _battery_mv,
}
"""The models that come with the fake, by driver name."""
