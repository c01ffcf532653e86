"""Loose objects: balls that roll, cubes that slide, and how they come to rest.

Rules: textbook mechanics in the plane, exact for a free object over any step; metres, radians, seconds, kilograms.

- A rolling ball slows at c g by rolling resistance, a sliding cube at mu g by Coulomb friction, so from speed v they
  go v^2 / (2 c g) and v^2 / (2 mu g), and stop.
- A cube that spins slows at mu g d / (a^2 / 6), where a^2 / 6 is a square's radius of gyration squared and
  d = 0.3826 a the mean distance of its points from the middle, (sqrt(2) + ln(1 + sqrt(2))) / 6 of the edge (closed
  form; uniform pressure). That sliding and spinning lessen each other's friction is left out.
- A push that meets a cube off its middle turns it as the ellipsoid limit surface of quasi-static pushing does, with
  c = d as its length (textbook; Goyal, Ruina and Papadopoulos 1991, from memory).

Common practice, no source: ball on a painted board c = 0.02, on the felt of a berth 0.08; cube mu = 0.35.
"""

import math

from drivers.fake.course.geometry import Point
from drivers.fake.course.shapes import Solid, polygon
from drivers.fake.motion import GRAVITY
from drivers.fake.zone.layout import Make

ROLLING, FELT, SLIDING = 0.02, 0.08, 0.35
SQUARE_MEAN = (math.sqrt(2.0) + math.log(1.0 + math.sqrt(2.0))) / 6.0

FLOOR, JAWS, LEFT, RIGHT = "floor", "jaws", "left hold", "right hold"
"""Where a thing may be."""


class Thing:
    """One object and its state.

    Attributes:
        place: one of `FLOOR`, `JAWS`, `LEFT`, `RIGHT`.
        hold: the hold that it was last sorted into, "" before.
        lost: how often it fell out of the jaws.
        moved: it was pushed, gripped or dropped at least once.

    """

    __slots__ = (
        "ball", "half", "heading", "hold", "inertia", "lever", "lost", "make", "mass", "moved", "name", "place",
        "reach", "spin", "vx", "vy", "x", "y",
    )  # fmt: skip

    def __init__(self, name: str, make: Make, x: float, y: float, heading: float) -> None:
        self.name, self.make = name, make
        self.x, self.y, self.heading = x, y, heading
        self.vx = self.vy = self.spin = 0.0
        self.ball = make.shape == "ball"
        self.half, self.mass = 0.5 * make.size_m, make.mass_kg
        self.reach = self.half if self.ball else self.half * math.sqrt(2.0)
        self.inertia = self.mass * make.size_m * make.size_m / 6.0  # of a cube about its upright axis
        self.lever = SQUARE_MEAN * make.size_m
        self.place, self.hold, self.lost, self.moved = FLOOR, "", 0, False

    @property
    def resting(self) -> bool:
        """Tell whether it does not move."""
        return self.vx == 0.0 and self.vy == 0.0 and self.spin == 0.0

    def corners(self) -> tuple[Point, ...]:
        """Return a cube's corners, counter-clockwise."""
        a, b = self.half * math.cos(self.heading), self.half * math.sin(self.heading)
        x, y = self.x, self.y
        return ((x - a + b, y - b - a), (x + a + b, y + b - a), (x + a - b, y + b + a), (x - a - b, y - b + a))

    def solid(self) -> Solid:
        """Return it as it stands now, as something that may be met."""
        if self.ball:
            return Solid("circle", self.x, self.y, self.half, (), self.make.size_m, self.make.colour, self.name)
        return polygon(self.corners(), self.make.size_m, self.make.colour, self.name)

    def stop(self) -> None:
        """Take all motion away."""
        self.vx = self.vy = self.spin = 0.0


def drag(thing: Thing, friction: float, felt: bool) -> float:
    """Return how a free thing slows (m/s2); `friction` scales the floor's own."""
    share = SLIDING if not thing.ball else FELT if felt else ROLLING
    return share * friction * GRAVITY


def glide(thing: Thing, slowing: float, h: float) -> None:
    """Let a free thing go on for `h` seconds, slowing at `slowing` m/s2: exact, to the very stop."""
    speed = math.hypot(thing.vx, thing.vy)
    if speed > 0.0:
        lasts = min(h, speed / slowing)
        way = (speed - 0.5 * slowing * lasts) * lasts / speed
        thing.x += way * thing.vx
        thing.y += way * thing.vy
        left = 1.0 - slowing * h / speed
        thing.vx, thing.vy = (thing.vx * left, thing.vy * left) if left > 0.0 else (0.0, 0.0)
    if thing.spin:
        slows = 6.0 * SQUARE_MEAN * slowing / thing.make.size_m
        lasts = min(h, abs(thing.spin) / slows)
        thing.heading += math.copysign((abs(thing.spin) - 0.5 * slows * lasts) * lasts, thing.spin)
        left = abs(thing.spin) - slows * h
        thing.spin = math.copysign(left, thing.spin) if left > 0.0 else 0.0
