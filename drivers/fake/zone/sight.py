"""What front sensor and range sensor make of loose objects.

Rules: optics as in `drivers.fake.optics`: light is linear, 1.0 is what a perfect matt white returns at 40 mm.

- The front sensor's field is a fan: 12 degrees to either side in plan, and down to what lies on the floor at its feet.
  An object fills the share of it that its width takes; the rest is what stands behind. The floor itself lies too
  slantwise to return much: it is the background of `drivers.fake.optics`.
- Distance is that in space: from the sensor's place, `up_m` above the floor, to the surface of a ball (a cube counts
  as a ball of its edge).
- A mirror ball shows the lamp as a small image. With lamp and sensor side by side at d from its surface and c = d + r
  from its middle, a ray at a small angle a comes back 2 a d c / r beside the lamp (law of reflection), so of the lamp's
  intensity I the irradiance is I r^2 / (4 d^2 c^2); against it I tan^2(12 degrees) / d^2 from a matt white that fills
  the field. The ratio is what `shine` is worth: so a silver ball is bright only where it is looked at straight and
  near. The hall that it mirrors counts as a grey of `HALL`.
- Black is dark, and so is nothing: black returns 0.04 of what white does, with lamp and ambient light, nothing returns
  0.10 of the ambient light alone. Near the lamp tells them apart; from about 100 mm on it does not.
- The beam of a range sensor passes over what is lower than the sensor, as over walls: a beam has no height.
"""

import math
from collections.abc import Callable

from drivers.fake.course.shapes import Colour
from drivers.fake.motion import Truth
from drivers.fake.optics import (
    BACKGROUND,
    FRONT_HALF_ANGLE,
    FRONT_HEIGHT_M,
    FRONT_OPEN,
    FRONT_Q_M,
    FRONT_REACH_M,
    LOWEST_M,
    Lighting,
    Place,
    View,
    returned,
)
from drivers.fake.ranging import Sight, make_cone
from drivers.fake.zone.things import FLOOR, JAWS, Thing
from drivers.fake.zone.yard import Yard

HALL = 0.5  #: mean reflectance of what a mirror shows; common practice, no source
HIDDEN = 0.25  #: share of the lift from which a lifted object is out of the front sensor's sight

Seen = tuple[
    float, float, float, Thing
]  #: distance in plan, share of the field, angle off the axis over its half width


def shining(radius: float, distance: float) -> float:
    """Return what a mirror ball is worth against matt white that fills the field, surface `distance` metres away."""
    return (0.5 * radius / ((distance + radius) * math.tan(FRONT_HALF_ANGLE))) ** 2


def make_yard_eye(view: View, place: Place, lighting: Lighting, truth: Truth, yard: Yard) -> Callable[[], Colour]:
    """Return ``see()``: the light at a sensor that looks ahead, with loose objects before what `view` sees."""
    one = 1.0 / returned(FRONT_HEIGHT_M, FRONT_Q_M)
    lamp = lighting.lamp
    ambient = tuple(FRONT_OPEN * value for value in lighting.ambient)

    def light(colour: Colour, shine: float, f: float, distance: float, radius: float) -> Colour:
        extra, mirrored = (shine * shining(radius, distance), shine * HALL) if shine else (0.0, 0.0)
        red, green, blue = ((own + extra) * f * lamp[i] + (own + mirrored) * ambient[i] for i, own in enumerate(colour))
        return red, green, blue

    def see() -> Colour:
        x, y, heading = _stand(place, truth)
        distance, colour = view(x, y, heading)
        if colour is None:
            behind: Colour = (BACKGROUND * ambient[0], BACKGROUND * ambient[1], BACKGROUND * ambient[2])
        else:
            behind = light(colour, 0.0, one * returned(max(distance, LOWEST_M), FRONT_Q_M), distance, 1.0)
        left = 1.0
        red = green = blue = 0.0
        for away, share, off, thing in _in_field(yard, x, y, heading):
            if away < distance and left > 0.0:
                share = min(share, left)
                left -= share
                rise = place.up_m - thing.half
                near = max(math.sqrt(away * away + rise * rise) - thing.half, LOWEST_M)
                straight = thing.make.shine if off <= 1.0 else 0.0
                r, g, b = light(thing.make.colour, straight, one * returned(near, FRONT_Q_M), near, thing.half)
                red, green, blue = red + share * r, green + share * g, blue + share * b
        return red + left * behind[0], green + left * behind[1], blue + left * behind[2]

    return see


def _stand(place: Place, truth: Truth) -> tuple[float, float, float]:
    c, s = truth.cos, truth.sin
    x = truth.x + place.ahead_m * c - place.left_m * s
    return x, truth.y + place.ahead_m * s + place.left_m * c, truth.heading + place.heading_rad


def _in_field(yard: Yard, x: float, y: float, heading: float) -> list[Seen]:
    """Return what lies in the field, the nearest first."""
    c, s = math.cos(heading), math.sin(heading)
    reach = FRONT_REACH_M + 0.03
    found: list[Seen] = []
    for thing in yard.things:
        tx, ty = thing.x - x, thing.y - y
        if thing.place == JAWS:
            gripper = yard.gripper
            if gripper is None or gripper.lift > HIDDEN:
                continue
            px, py = yard.where(thing)
            tx, ty = px - x, py - y
        elif thing.place != FLOOR or not (-reach < tx < reach and -reach < ty < reach):
            continue
        u, v = tx * c + ty * s, ty * c - tx * s
        away = math.hypot(u, v)
        if u <= 0.0 or away - thing.half > FRONT_REACH_M:
            continue
        wide = math.asin(thing.half / away) if away > thing.half else math.pi / 2
        angle = math.atan2(v, u)
        inside = min(angle + wide, FRONT_HALF_ANGLE) - max(angle - wide, -FRONT_HALF_ANGLE)
        if inside > 0.0:
            found.append((away, inside / (2.0 * FRONT_HALF_ANGLE), abs(angle) / wide, thing))
    return sorted(found, key=lambda seen: seen[0])


def over_objects(
    nearest: Callable[[float, float, float], Sight],
    yard: Yard,
    up_m: float,
    half_angle: float,
    grazing: float,
    reach_m: float,
) -> Callable[[float, float, float], Sight]:
    """Return `nearest` of a range sensor `up_m` high that also meets loose objects taller than that."""
    if all(thing.make.size_m <= up_m for thing in yard.things):
        return nearest

    def either(x: float, y: float, heading: float) -> Sight:
        solids = [thing.solid() for thing in yard.things if thing.place == FLOOR and thing.make.size_m > up_m]
        return min(nearest(x, y, heading), make_cone(solids, half_angle, grazing, reach_m)(x, y, heading), key=_near)

    return either


def _near(sight: Sight) -> float:
    return sight[0]
