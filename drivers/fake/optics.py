"""Light at a colour sensor: lamp, ambient light, and what height and distance do to them.

Rules: light is linear; 1.0 is what a perfect matt white returns at the sensor's own height under the nominal lamp.

- Lamp and detector sit side by side, 2q apart, and look at the same spot. By Lambert's cosine law and the inverse
  square law, both ways, and a spot that grows with the height, a matt surface at height h returns
  h^6 / (h^2 + q^2)^4: as 1/h^2 from afar, and nothing in touch (textbook radiometry).
- Ambient light reaches the floor past a shade of radius s around the sensor. What the shade hides is the view factor
  of a coaxial disc, s^2 / (s^2 + h^2) (heat-transfer handbooks, differential element to parallel disc; from memory),
  so h^2 / (h^2 + s^2) leaks in.
- The spot's radius grows in proportion to the height. A wider spot is the mean of three looks on a ring, whose radius
  makes the variances add up: (R^2 - r^2) / 2.

Common practice, no source:

| quantity | value |
| --- | --- |
| q, floor sensor / front sensor | 2.5 mm / 6 mm |
| footprint radius at the sensor's own height | 4 mm (a spot of 8 mm) |
| shade s, floor sensor | 25 mm |
| ambient over lamp, on a floor in the open | 0.5 (indoor light against a lamp at 10 mm) |
| front sensor | own "height" 40 mm, sees 150 mm ahead within 12 degrees; 30 % of the ambient reaches its field |
| background with nothing ahead | reflectance 0.10, of the ambient only |
"""

import math
from collections.abc import Callable

from attrs import evolve, frozen

from drivers.fake.course.relief import Relief
from drivers.fake.course.shapes import Colour
from drivers.fake.motion import Truth
from drivers.fake.perturbations import Drawn, Shift, Triple
from robotcore.rig import Mount

Look = Callable[[float, float], Colour]
View = Callable[[float, float, float], tuple[float, Colour | None]]

FOOTPRINT_M = 0.004
FLOOR_Q_M, FRONT_Q_M = 0.0025, 0.006
SHADE_M = 0.025
AMBIENT = 0.5
FRONT_HEIGHT_M, FRONT_REACH_M, FRONT_HALF_ANGLE, FRONT_OPEN = 0.040, 0.150, math.radians(12.0), 0.3
BACKGROUND = 0.10
WIDER_M = 1.2 * FOOTPRINT_M  #: a spot up to here is as good as the nominal one
ASIDE = math.sqrt(0.75)
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


@frozen
class Place:
    """Where a sensor really is, metres ahead and left of the axle's middle and above the floor, radians.

    `nominal_m` is the height that the rig says, at which the sensor was calibrated.
    """

    ahead_m: float
    left_m: float
    up_m: float
    heading_rad: float
    nominal_m: float

    @staticmethod
    def of(mount: Mount, shift: Shift) -> "Place":
        """Return the place that the rig's mount and a shift give."""
        nominal = max(mount.up_m, 0.002)
        return Place(
            mount.ahead_m + shift.ahead_m, mount.left_m + shift.left_m, max(nominal + shift.up_m, LOWEST_M),
            mount.heading_rad + shift.heading_rad, nominal,
        )  # fmt: skip


@frozen
class Lighting:
    """Lamp and ambient light over a field.

    `field` is its middle x, y and half width, half height in metres; gradients are relative changes from the middle
    to the edge, of the floor's own reflectance and of the ambient light.
    """

    lamp: Triple
    ambient: Triple
    floor_gradient: tuple[float, float]
    ambient_gradient: tuple[float, float]
    field: tuple[float, float, float, float]

    @staticmethod
    def of(drawn: Drawn, field: tuple[float, float, float, float]) -> "Lighting":
        """Return the lighting that a run's perturbations give."""
        red, green, blue = drawn.ambient
        ambient = AMBIENT * red, AMBIENT * green, AMBIENT * blue
        return Lighting(drawn.lamp, ambient, drawn.floor_gradient, drawn.ambient_gradient, field)

    def scaled(self, red: float, green: float, blue: float) -> "Lighting":
        """Return the same lighting in a sensor's own units, channel by channel."""
        (lr, lg, lb), (ar, ag, ab) = self.lamp, self.ambient
        return evolve(self, lamp=(red * lr, green * lg, blue * lb), ambient=(red * ar, green * ag, blue * ab))

    def levels(self) -> Callable[[float, float], tuple[float, float]]:
        """Return ``level(x, y)``: the factors of floor reflectance and of ambient light there."""
        middle_x, middle_y, half_x, half_y = self.field
        fx, fy = self.floor_gradient[0] / half_x, self.floor_gradient[1] / half_y
        ax, ay = self.ambient_gradient[0] / half_x, self.ambient_gradient[1] / half_y

        def level(x: float, y: float) -> tuple[float, float]:
            dx, dy = x - middle_x, y - middle_y
            floor, ambient = 1.0 + fx * dx + fy * dy, 1.0 + ax * dx + ay * dy
            return floor if floor > 0.0 else 0.0, ambient if ambient > 0.0 else 0.0

        return level


def make_floor_eye(
    look: Look, lifted: Look, place: Place, lighting: Lighting, truth: Truth, late_s: float
) -> Callable[[], Colour]:
    """Return ``see()``: the light at a downward sensor, `late_s` before now.

    Args:
        look: the floor's reflectance over the nominal footprint.
        lifted: the light at (x, y) where the robot is not level; see `make_lifted`.
        place: where the sensor is.
        lighting: lamp and ambient light.
        truth: the robot's state.
        late_s: the sample was taken so long before now, less than a step.

    """
    ahead, left = place.ahead_m, place.left_m
    lamp = returned(place.up_m, FLOOR_Q_M) / returned(place.nominal_m, FLOOR_Q_M)
    lr, lg, lb = (lamp * value for value in lighting.lamp)
    ar, ag, ab = (leaked(place.up_m) * value for value in lighting.ambient)
    middle_x, middle_y, half_x, half_y = lighting.field
    fx, fy = lighting.floor_gradient[0] / half_x, lighting.floor_gradient[1] / half_y
    gx, gy = lighting.ambient_gradient[0] / half_x, lighting.ambient_gradient[1] / half_y

    def see() -> Colour:
        c, s = truth.cos, truth.sin
        a = ahead - late_s * (truth.speed - truth.turn * left)
        b = left - late_s * truth.turn * ahead
        x = truth.x + a * c - b * s
        y = truth.y + a * s + b * c
        if not truth.flat:
            return lifted(x, y)
        red, green, blue = look(x, y)
        dx, dy = x - middle_x, y - middle_y
        p, q = 1.0 + fx * dx + fy * dy, 1.0 + gx * dx + gy * dy
        return p * red * (lr + q * ar), p * green * (lg + q * ag), p * blue * (lb + q * ab)

    return see


def make_lifted(look: Look, relief: Relief, place: Place, lighting: Lighting, truth: Truth) -> Look:
    """Return ``lifted(x, y)``: the light at a downward sensor over (x, y) while the robot leans or is lifted."""
    one = 1.0 / returned(place.nominal_m, FLOOR_Q_M)
    level = lighting.levels()
    ahead, left, up, nominal, height = place.ahead_m, place.left_m, place.up_m, place.nominal_m, relief.height
    (lr, lg, lb), (ar, ag, ab) = lighting.lamp, lighting.ambient

    def lifted(x: float, y: float) -> Colour:
        h = truth.lift + ahead * truth.rise_ahead + left * truth.rise_left + up - height(x, y)
        if h < LOWEST_M:
            h = LOWEST_M
        wide = FOOTPRINT_M * h / nominal
        red, green, blue = _wide_look(look, x, y, wide) if wide > WIDER_M else look(x, y)
        p, q = level(x, y)
        lamp, ambient = one * returned(h, FLOOR_Q_M), q * leaked(h)
        return (
            p * red * (lr * lamp + ar * ambient),
            p * green * (lg * lamp + ag * ambient),
            p * blue * (lb * lamp + ab * ambient),
        )

    return lifted


def _wide_look(look: Look, x: float, y: float, radius: float) -> Colour:
    """Return the mean over a wider spot: three looks on a ring are as round, to second order, as a ring."""
    ring = math.sqrt(0.5 * (radius * radius - FOOTPRINT_M * FOOTPRINT_M))
    back, aside = x - 0.5 * ring, ring * ASIDE
    ar, ag, ab = look(x + ring, y)
    br, bg, bb = look(back, y + aside)
    cr, cg, cb = look(back, y - aside)
    return (ar + br + cr) / 3.0, (ag + bg + cg) / 3.0, (ab + bb + cb) / 3.0


def make_front_eye(view: View, place: Place, lighting: Lighting, truth: Truth) -> Callable[[], Colour]:
    """Return ``see()``: the light at a sensor that looks ahead.

    Args:
        view: (x, y, heading) -> (metres to the nearest surface, its reflectance or None).
        place: where the sensor is.
        lighting: lamp and ambient light.
        truth: the robot's state.

    """
    ahead, left, turn = place.ahead_m, place.left_m, place.heading_rad
    one = 1.0 / returned(FRONT_HEIGHT_M, FRONT_Q_M)
    lr, lg, lb = lighting.lamp
    ar, ag, ab = (FRONT_OPEN * value for value in lighting.ambient)
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
