"""How this venue differs from the workshop: every perturbation by name, with its nominal spread.

Rules: one seeded `random.Random` a run; every value is drawn in a fixed order whether it is used or not, and sized
afterwards, so that changing the size of one perturbation changes no other. All are uniform within plus or minus the
spread, so no freak value ever decides a run. The spreads are ours, `common practice, no source`: what a team finds
between its own table and a hall.

| name | what differs from a calibration taken on `fake:pad` with perturb=0 | at size 1 |
| --- | --- | --- |
| light | lamp level; ambient level | +-15 %; a factor of 1/2 to 2 |
| tint | lamp colour; ambient colour, per channel | +-5 %; +-20 % |
| gradient | floor reflectance; ambient: from the field's middle to its edge, direction drawn | +-10 %; +-50 % |
| noise | read and shot noise of every sensor, times the device's own | 1 |
| slip | mean and slow change of track slip; rotation lost in turns; ramp slip | 0 to 4 %, +-2 %; 0 to 8 %; 0 to 20 % |
| mount | each sensor ahead and left; up; heading | +-1.5 mm; +-1 mm; +-1.5 degrees |
| battery | open-circuit voltage at the start | +-0.4 V |
| start | start pose ahead and left; heading | +-10 mm, +-8 mm; +-5 degrees |
| delay | added to each colour sensor; to the range sensor | 0 to 6 ms; 0 to 20 ms |
| dropout | share of readings lost; a tenth of them leave the device silent for a period | 0.3 % |
| motors | speed of left against right at the same power | +-5 % |
| temperature | air; the echo device's own thermometer against air | +-8 degrees C; +-2 degrees C |
"""

import random
from collections.abc import Iterable, Mapping

from attrs import field, frozen

from robotcore.checking import nearest
from robotcore.errors import UserError

NAMES = (
    "light", "tint", "gradient", "noise", "slip", "mount", "battery", "start", "delay", "dropout", "motors",
    "temperature",
)  # fmt: skip
"""The perturbations, in the order in which they are drawn."""

SENSOR_ROLES = ("floor_left", "floor_right", "front", "side_range", "tilt")
"""Roles whose mount and delay are perturbed."""

GAUSSIANS = 16381
"""Noise is walked from a table of this many normal draws; a prime, so that a walk by any stride visits them all."""

DROP_DRAWS = 509

Triple = tuple[float, float, float]
LARGEST = 10.0


@frozen
class Shift:
    """How far a sensor sits from where the rig says: metres ahead, left and up, radians."""

    ahead_m: float = 0.0
    left_m: float = 0.0
    up_m: float = 0.0
    heading_rad: float = 0.0


@frozen
class Slip:
    """Slip of the tracks: mean a side, slow change, rotation lost in a turn on the spot, loss per sine of slope."""

    left: float = 0.0
    right: float = 0.0
    wander: float = 0.0
    scrub: float = 0.0
    slope: float = 0.0


@frozen
class Drawn:
    """The perturbations of one run, already sized; the default is the workshop: no perturbation at all."""

    lamp: Triple = (1.0, 1.0, 1.0)
    ambient: Triple = (1.0, 1.0, 1.0)
    floor_gradient: tuple[float, float] = (0.0, 0.0)  #: relative change from the middle to the edge, along x and y
    ambient_gradient: tuple[float, float] = (0.0, 0.0)
    noise: float = 0.0
    slip: Slip = Slip()
    mounts: Mapping[str, Shift] = field(factory=dict)
    battery_v: float = 0.0
    start: tuple[float, float, float] = (0.0, 0.0, 0.0)  #: ahead m, left m, heading rad
    delays_s: Mapping[str, float] = field(factory=dict)
    dropout: float = 0.0
    motors: tuple[float, float] = (1.0, 1.0)
    air_c: float = 20.0
    thermometer_c: float = 0.0  #: what the echo device's thermometer reads above the air
    phase: float = 0.0  #: where encoders and slow changes start, 0 to 1
    gaussians: tuple[float, ...] = field(default=(0.0,), repr=False)
    drop_draws: tuple[float, ...] = field(default=(1.0,), repr=False)
    gains: Mapping[str, Triple] = field(factory=dict)  #: of single colour sensors by role, never drawn: see reconstruct


def read_sizes(options: Mapping[str, str], url: str) -> dict[str, float]:
    """Return the size of every perturbation from URL options: ``perturb`` for all, a name for one.

    Raises:
        UserError: a size is not a number from 0 to 10.

    """
    base = read_size(options, "perturb", 1.0, url)
    return {name: read_size(options, name, base, url) for name in NAMES}


def read_size(options: Mapping[str, str], key: str, default: float, url: str) -> float:
    """Return the size that a URL option gives, or `default`; see `read_sizes`."""
    text = options.get(key)
    if text is None:
        return default
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value <= LARGEST:
        raise UserError(f"{url}: {key}={text} is no size; give a number from 0 (none) over 1 (nominal) to {LARGEST:g}")
    return value


def check_names(sizes: Mapping[str, float]) -> None:
    """Raise `UserError` for a perturbation that does not exist."""
    for name in sizes:
        if name not in NAMES:
            raise UserError(f"perturbation {name!r} does not exist; {nearest(name, NAMES)}")


def draw(seed: int, sizes: Mapping[str, float]) -> Drawn:
    """Draw the perturbations of one run.

    Args:
        seed: any whole number; the same seed gives the same draws on every machine.
        sizes: size by name, in nominal spreads; a name left out has size 0.

    """
    check_names(sizes)
    rng = random.Random(seed)
    size = {name: sizes.get(name, 0.0) for name in NAMES}

    def within(name: str, spread: float) -> float:
        return size[name] * spread * rng.uniform(-1.0, 1.0)

    def upto(name: str, most: float) -> float:
        return size[name] * most * rng.random()

    lamp_level = 1.0 + within("light", 0.15)
    ambient_level = 2.0 ** within("light", 1.0)
    lamp = _triple(lamp_level * (1.0 + within("tint", 0.05)) for _ in range(3))
    ambient = _triple(ambient_level * (1.0 + within("tint", 0.20)) for _ in range(3))
    floor_gradient = _direction(rng, within("gradient", 0.10))
    ambient_gradient = _direction(rng, within("gradient", 0.50))
    slip = Slip(*(upto("slip", most) for most in (0.04, 0.04, 0.02, 0.08, 0.20)))
    mounts = {
        role: Shift(*(within("mount", spread) for spread in (0.0015, 0.0015, 0.001, 0.0262))) for role in SENSOR_ROLES
    }
    battery_v = within("battery", 0.4)
    start = within("start", 0.010), within("start", 0.008), within("start", 0.0873)
    delays = {role: upto("delay", 0.020 if role == "side_range" else 0.006) for role in SENSOR_ROLES}
    mismatch = within("motors", 0.025)
    air_c, thermometer_c = 20.0 + within("temperature", 8.0), within("temperature", 2.0)
    phase = rng.random()
    gaussians = tuple(rng.gauss(0.0, 1.0) for _ in range(GAUSSIANS))
    drop_draws = tuple(rng.random() for _ in range(DROP_DRAWS))
    return Drawn(
        lamp, ambient, floor_gradient, ambient_gradient, size["noise"], slip, mounts, battery_v, start, delays,
        0.003 * size["dropout"], (1.0 + mismatch, 1.0 - mismatch), air_c, thermometer_c, phase, gaussians, drop_draws,
    )  # fmt: skip


def _triple(values: Iterable[float]) -> Triple:
    red, green, blue = (max(0.0, value) for value in values)
    return red, green, blue


def _direction(rng: random.Random, size: float) -> tuple[float, float]:
    """Spread a gradient over x and y without trigonometry, so that every machine draws the same."""
    share = rng.uniform(-1.0, 1.0)
    return size * share, size * (1.0 - abs(share))
