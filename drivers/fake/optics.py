"""Light at a colour sensor: lamp, ambient light, and what height and distance do to them.

Rules: light is linear; 1.0 is what a perfect matt white returns at the sensor's own height under the nominal lamp.

- Lamp and detector sit side by side, 2q apart, and look at the same spot. By Lambert's cosine law and the inverse
  square law, both ways, and a spot that grows with the height, a matt surface at height h returns
  h^6 / (h^2 + q^2)^4: as 1/h^2 from afar, and nothing in touch (textbook radiometry).
- Ambient light reaches the floor past a shade of radius s around the sensor. What the shade hides is the view factor
  of a coaxial disc, s^2 / (s^2 + h^2) (heat-transfer handbooks, differential element to parallel disc; from memory),
  so h^2 / (h^2 + s^2) leaks in.
- The spot's radius grows in proportion to the height. A wider spot is the mean of four looks on a ring, whose radius
  makes the variances add up: (R^2 - r^2) / 2.

| quantity | value | source |
| --- | --- | --- |
| q, floor sensor / front sensor | 2.5 mm / 6 mm | common practice, no source |
| footprint radius at the sensor's own height | 4 mm | CHECKS a.7 takes a spot of 8 mm |
| shade s, floor sensor | 25 mm | common practice, no source |
| ambient over lamp, on a floor in the open | 0.5 | common practice, no source: indoor light against a lamp at 10 mm |
| front sensor | own "height" 40 mm, sees 150 mm ahead within 12 degrees, 30 % of the open ambient reaches its field | common practice, no source |
| background with nothing ahead | reflectance 0.10 of the ambient only | common practice, no source |
"""

import math
from collections.abc import Callable

from drivers.fake.course.shapes import Colour
from drivers.fake.motion import Truth
from drivers.fake.perturbations import Drawn, Shift
from robotcore.rig import Mount

Look = Callable[[float, float], Colour]
View = Callable[[float, float, float], tuple[float, Colour | None]]

FOOTPRINT_M = 0.004
FLOOR_Q_M, FRONT_Q_M = 0.0025, 0.006
SHADE_M = 0.025
AMBIENT = 0.5
FRONT_HEIGHT_M, FRONT_REACH_M, FRONT_HALF_ANGLE, FRONT_OPEN = 0.040, 0.150, math.radians(12.0), 0.3
BACKGROUND = 0.10
LOWEST_M = 0.0005  #: nearer a sensor's face never comes to the floor


def returned(h: float, q: float) -> float:
    """Return the share of the lamp's light that comes back from height `h` (m), in arbitrary units."""
    square = h * h
    path = square + q * q
    path *= path
    return square * square * square / (path * path)


def leaked(h: float, shade: float = SHADE_M) -> float:
    """Return the share of the ambient light that reaches the spot under a shade `h` metres up."""
    return h * h / (h * h + shade * shade)


def make_floor_eye(
    look: Look, height_of: Look | Callable[[float, float], float], mount: Mount, drawn: Drawn, shift: Shift,
    truth: Truth, late_s: float, field: tuple[float, float, float, float],
) -> Callable[[], Colour]:
    """Return ``see()``: the light at a downward sensor, `late_s` before now.

    Args:
        look: the floor's reflectance over the nominal footprint.
        height_of: the floor's height in metres.
        mount: where the rig says that the sensor sits; its `up_m` is the height it was calibrated at.
        drawn: the run's perturbations.
        shift: how far it really sits from there.
        truth: the robot's state.
        late_s: the sample was taken so long before now, less than a step.
        field: the field's middle x, y, half width, half height, for gradients.

    """
    ahead, left = mount.ahead_m + shift.ahead_m, mount.left_m + shift.left_m
    nominal = max(mount.up_m, 0.002)
    actual = max(nominal + shift.up_m, LOWEST_M)
    one = 1.0 / returned(nominal, FLOOR_Q_M)
    lamp, ambient = drawn.lamp, tuple(AMBIENT * level for level in drawn.ambient)
    level_f, level_a = one * returned(actual, FLOOR_Q_M), leaked(actual)
    flat_lamp = tuple(level * level_f for level in lamp)
    flat_ambient = tuple(level * level_a for level in ambient)
    lr, lg, lb = flat_lamp
    ar, ag, ab = flat_ambient
    middle_x, middle_y, half_x, half_y = field
    fx, fy = drawn.floor_gradient[0] / half_x, drawn.floor_gradient[1] / half_y
    gx, gy = drawn.ambient_gradient[0] / half_x, drawn.ambient_gradient[1] / half_y
    even = not (fx or fy or gx or gy)
    tan = math.tan

    def lifted(x: float, y: float) -> Colour:
        floor = height_of(x, y)
        h = truth.lift + ahead * tan(truth.pitch) + left * tan(truth.roll) + actual - floor  # type: ignore[operator]
        if h < LOWEST_M:
            h = LOWEST_M
        wide = FOOTPRINT_M * h / nominal
        red, green, blue = _wide_look(look, x, y, wide) if wide > 1.2 * FOOTPRINT_M else look(x, y)
        f, a = one * returned(h, FLOOR_Q_M), leaked(h)
        p, q = 1.0 + fx * (x - middle_x) + fy * (y - middle_y), 1.0 + gx * (x - middle_x) + gy * (y - middle_y)
        return (
            p * red * (lamp[0] * f + q * a * ambient[0]),
            p * green * (lamp[1] * f + q * a * ambient[1]),
            p * blue * (lamp[2] * f + q * a * ambient[2]),
        )

    def see() -> Colour:
        c, s = truth.cos, truth.sin
        a = ahead - late_s * (truth.speed - truth.turn * left)
        b = left - late_s * truth.turn * ahead
        x = truth.x + a * c - b * s
        y = truth.y + a * s + b * c
        if not truth.flat:
            return lifted(x, y)
        red, green, blue = look(x, y)
        if even:
            return red * (lr + ar), green * (lg + ag), blue * (lb + ab)
        dx, dy = x - middle_x, y - middle_y
        p, q = 1.0 + fx * dx + fy * dy, 1.0 + gx * dx + gy * dy
        return p * red * (lr + q * ar), p * green * (lg + q * ag), p * blue * (lb + q * ab)

    return see


def _wide_look(look: Look, x: float, y: float, radius: float) -> Colour:
    ring = math.sqrt(0.5 * (radius * radius - FOOTPRINT_M * FOOTPRINT_M))
    reds = greens = blues = 0.0
    for dx, dy in ((ring, 0.0), (-ring, 0.0), (0.0, ring), (0.0, -ring)):
        red, green, blue = look(x + dx, y + dy)
        reds += red
        greens += green
        blues += blue
    return 0.25 * reds, 0.25 * greens, 0.25 * blues


def make_front_eye(
    view: View, mount: Mount, drawn: Drawn, shift: Shift, truth: Truth
) -> Callable[[], Colour]:
    """Return ``see()``: the light at a sensor that looks ahead.

    Args:
        view: (x, y, heading) -> (metres to the nearest surface, its reflectance or None).
        mount: where the sensor sits.
        drawn: the run's perturbations.
        shift: how far it really sits from there.
        truth: the robot's state.

    """
    ahead, left = mount.ahead_m + shift.ahead_m, mount.left_m + shift.left_m
    turn = mount.heading_rad + shift.heading_rad
    one = 1.0 / returned(FRONT_HEIGHT_M, FRONT_Q_M)
    lr, lg, lb = drawn.lamp
    ar, ag, ab = (FRONT_OPEN * AMBIENT * level for level in drawn.ambient)
    nothing = BACKGROUND * ar, BACKGROUND * ag, BACKGROUND * ab

    def see() -> Colour:
        c, s = truth.cos, truth.sin
        x = truth.x + ahead * c - left * s
        y = truth.y + ahead * s + left * c
        distance, colour = view(x, y, truth.heading + turn)
        if colour is None:
            return nothing
        f = one * returned(max(distance, LOWEST_M), FRONT_Q_M)
        red, green, blue = colour
        return red * (lr * f + ar), green * (lg * f + ag), blue * (lb * f + ab)

    return see
