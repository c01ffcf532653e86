"""Made-up samples and a made-up robot, so that a behaviour's parts are tested without a world."""

from typing import Any

import attrs

from robotcore.readings import ABSENT_READINGS, MISSING, OK, Button, Colour, Drive, Range, Sample
from robotcore.rig import Body, Mount

PERIOD_S = 0.01


def colour(red: float, green: float | None = None, blue: float | None = None) -> Colour:
    """Return a valid reading of these channels, or a grey of one level; black reads 0.05."""
    green, blue = (red, red) if green is None or blue is None else (green, blue)
    lightness = (red + green + blue) / 3.0
    return Colour(red, green, blue, lightness, (lightness - 0.05) / 0.95, 0.002, True, OK)


BODY = Body(0.14, 0.02, 0.1, 0.1, 0.17, 0.3, 0.11)
WHITE, BLACK, GREEN, RED = colour(1.0), colour(0.05), colour(0.13, 0.31, 0.19), colour(0.49, 0.065, 0.053)
MISSING_COLOUR: Colour = ABSENT_READINGS["colour"]._replace(status=MISSING)


def mix(share: float, one: Colour, other: Colour) -> Colour:
    """Return what an eye sees whose spot lies by `share` on one paint and for the rest on the other."""
    red, green, blue = (share * a + (1.0 - share) * b for a, b in zip(one[:3], other[:3], strict=True))
    return colour(red, green, blue)


def drive(travel_m: float, heading_rad: float = 0.0) -> Drive:
    """Return encoders at a travel and heading."""
    return Drive(travel_m, travel_m, travel_m, heading_rad, 0.1, 0.1, 0.0, True, OK)


def echo(distance_m: float) -> Range:
    """Return a valid distance."""
    return Range(distance_m, 0.0, True, OK)


def sample(tick: int = 0, left: Colour = WHITE, right: Colour = WHITE, **readings: Any) -> Sample:
    """Return a sample over white floor, with what is given changed."""
    a = ABSENT_READINGS
    base = Sample(
        tick, tick * PERIOD_S, left, right, colour(0.02), a["range"], drive(0.0), a["position"], a["position"],
        a["tilt"], Button(False, 0.0, True, OK), a["battery"],
    )  # fmt: skip
    return base._replace(**readings)


@attrs.define
class StillRobot:
    """What the parts ask of a robot: where things are, and what it was told."""

    sample: Sample = attrs.field(factory=sample)
    period_s: float = PERIOD_S
    body: Body = BODY
    side_heading_rad: float = -1.5707963267948966
    absent: tuple[str, ...] = ()
    told: list[tuple[str, dict[str, Any]]] = attrs.field(factory=list)

    def has(self, role: str) -> bool:
        """Tell whether the made-up rig has a role."""
        return role not in self.absent

    def mount(self, role: str) -> Mount:
        """Return a place on the body."""
        places = {
            "floor_left": Mount(0.07, 0.012, 0.008, 0.0),
            "floor_right": Mount(0.07, -0.012, 0.008, 0.0),
            "side_range": Mount(0.03, -0.08, 0.06, self.side_heading_rad),
        }
        return places[role]

    def decide(self, name: str, **fields: Any) -> None:
        """Keep a decision."""
        self.told.append((name, fields))
