"""Loose objects meet walls, each other, the robot's body and its jaws.

Rules: contacts are frictionless; overlap is undone along the contact's normal, speed changes by an impulse with
restitution (textbook: momentum is kept, the normal speed of parting is e times that of approach). Objects weigh little:
they do not slow the robot, but one that is pinned against a wall stops it. Of a chain of objects in one step the wall
counts first.

Restitution, common practice, no source: walls 0.5, object on object 0.6, the robot's body and jaws 0.2.
"""

import math
from typing import NamedTuple

from drivers.fake.contact import overlap
from drivers.fake.course.shapes import Solid
from drivers.fake.zone.things import Thing

WALL_E, THING_E, BODY_E = 0.5, 0.6, 0.2
SLOW_M_S = 0.02  #: slower than this nothing bounces


class Hit(NamedTuple):
    """A contact of a thing: direction that frees it, how deep, and where."""

    nx: float
    ny: float
    depth: float
    px: float
    py: float


class Box(NamedTuple):
    """A wall: an upright rectangle, and the same as a solid for cubes to meet."""

    left: float
    bottom: float
    right: float
    top: float
    solid: Solid


def meet_box(thing: Thing, box: Box) -> Hit | None:
    """Return how a thing overlaps a wall."""
    x, y, r = thing.x, thing.y, thing.reach
    if x + r <= box.left or x - r >= box.right or y + r <= box.bottom or y - r >= box.top:
        return None
    if not thing.ball:
        return _meet_solid(thing, box.solid)
    return _ball_on(x, y, thing.half, box.left, box.bottom, box.right, box.top)


def _ball_on(x: float, y: float, r: float, left: float, bottom: float, right: float, top: float) -> Hit | None:
    """Return how a circle overlaps an upright rectangle."""
    px = left if x < left else right if x > right else x
    py = bottom if y < bottom else top if y > top else y
    dx, dy = x - px, y - py
    square = dx * dx + dy * dy
    if square >= r * r:
        return None
    if square > 0.0:
        away = math.sqrt(square)
        return Hit(dx / away, dy / away, r - away, px, py)
    out = ((x - left, -1.0, 0.0), (right - x, 1.0, 0.0), (y - bottom, 0.0, -1.0), (top - y, 0.0, 1.0))
    depth, nx, ny = min(out)
    return Hit(nx, ny, depth + r, x, y)


def _meet_solid(thing: Thing, solid: Solid) -> Hit | None:
    found = overlap(thing.corners(), solid)
    return None if found is None else Hit(found.nx, found.ny, found.depth, found.px, found.py)


class Frame(NamedTuple):
    """The robot's body at an instant: where it is, how it moves (m/s, rad/s), how far it reaches."""

    x: float
    y: float
    cos: float
    sin: float
    vx: float
    vy: float
    turn: float
    front: float
    rear: float
    half: float

    def into(self, x: float, y: float) -> tuple[float, float]:
        """Return (ahead, left) of a point."""
        dx, dy = x - self.x, y - self.y
        return dx * self.cos + dy * self.sin, dy * self.cos - dx * self.sin

    def out(self, ahead: float, left: float) -> tuple[float, float]:
        """Return the point that lies so far ahead and to the left."""
        return self.x + ahead * self.cos - left * self.sin, self.y + ahead * self.sin + left * self.cos

    def moving(self, x: float, y: float) -> tuple[float, float]:
        """Return the body's velocity at a point."""
        return self.vx - self.turn * (y - self.y), self.vy + self.turn * (x - self.x)

    def turned(self, hit: Hit) -> Hit:
        """Return a contact in the body's frame as one on the floor."""
        px, py = self.out(hit.px, hit.py)
        nx, ny = hit.nx * self.cos - hit.ny * self.sin, hit.nx * self.sin + hit.ny * self.cos
        return Hit(nx, ny, hit.depth, px, py)

    def solid(self) -> Solid:
        """Return the body as a solid."""
        corners = tuple(
            self.out(a, b)
            for a, b in (
                (-self.rear, -self.half), (self.front, -self.half), (self.front, self.half), (-self.rear, self.half)
            )
        )  # fmt: skip
        return Solid("polygon", self.x, self.y, self.front + self.half, corners, 0.1, (0.0, 0.0, 0.0))


def meet_body(thing: Thing, frame: Frame) -> Hit | None:
    """Return how a thing overlaps the robot's body."""
    u, v = frame.into(thing.x, thing.y)
    r = thing.reach
    if u - r >= frame.front or u + r <= -frame.rear or v - r >= frame.half or v + r <= -frame.half:
        return None
    if not thing.ball:
        return _meet_solid(thing, frame.solid())
    hit = _ball_on(u, v, r, -frame.rear, -frame.half, frame.front, frame.half)
    return None if hit is None else frame.turned(hit)


def meet_bar(thing: Thing, frame: Frame, low: float, high: float, left: float, thick: float) -> Hit | None:
    """Return how a thing overlaps a jaw: a bar from `low` to `high` ahead, at `left`. A cube counts as a circle."""
    u, v = frame.into(thing.x, thing.y)
    pu = low if u < low else high if u > high else u
    du, dv = u - pu, v - left
    square, reach = du * du + dv * dv, thing.half + 0.5 * thick
    if square >= reach * reach or square == 0.0:
        return None
    away = math.sqrt(square)
    return frame.turned(Hit(du / away, dv / away, reach - away, pu, left))


def meet_thing(one: Thing, two: Thing) -> Hit | None:
    """Return how `one` overlaps `two`."""
    dx, dy, reach = one.x - two.x, one.y - two.y, one.reach + two.reach
    square = dx * dx + dy * dy
    if square >= reach * reach or square == 0.0:
        return None
    if one.ball and two.ball:
        away = math.sqrt(square)
        nx, ny = dx / away, dy / away
        return Hit(nx, ny, reach - away, one.x - nx * one.half, one.y - ny * one.half)
    if one.ball:
        hit = _meet_solid(two, one.solid())
        return None if hit is None else hit._replace(nx=-hit.nx, ny=-hit.ny)
    return _meet_solid(one, two.solid())


def yield_to(thing: Thing, hit: Hit, share: float = 1.0) -> None:
    """Move a thing out of a contact by `share` of the overlap; one that is met off its middle turns as well."""
    depth, lever = share * hit.depth, 0.0
    if not thing.ball:
        lever = ((hit.px - thing.x) * hit.ny - (hit.py - thing.y) * hit.nx) / (thing.lever * thing.lever)
        depth /= 1.0 + lever * lever * thing.lever * thing.lever
        thing.heading += depth * lever
    thing.x += depth * hit.nx
    thing.y += depth * hit.ny
    thing.moved = True


def bounce(thing: Thing, hit: Hit, ux: float, uy: float, e: float) -> None:
    """Change a thing's speed where it meets something heavy that moves with (ux, uy) there."""
    lever = _lever(thing, hit)
    closing = (thing.vx - ux) * hit.nx + (thing.vy - uy) * hit.ny + thing.spin * lever
    if closing < 0.0:
        push = -(1.0 + (e if closing < -SLOW_M_S else 0.0)) * closing / _softness(thing, lever)
        _kick(thing, hit, push, lever)


def bounce_apart(one: Thing, two: Thing, hit: Hit) -> None:
    """Change the speeds of two things that meet; momentum is kept."""
    a, b = _lever(one, hit), _lever(two, hit)
    closing = (one.vx - two.vx) * hit.nx + (one.vy - two.vy) * hit.ny + one.spin * a - two.spin * b
    if closing < 0.0:
        push = -(1.0 + (THING_E if closing < -SLOW_M_S else 0.0)) * closing
        push /= _softness(one, a) + _softness(two, b)
        _kick(one, hit, push, a)
        _kick(two, hit, -push, b)


def _lever(thing: Thing, hit: Hit) -> float:
    return 0.0 if thing.ball else (hit.px - thing.x) * hit.ny - (hit.py - thing.y) * hit.nx


def _softness(thing: Thing, lever: float) -> float:
    """Return by how much an impulse of 1 N s changes the speed at the contact."""
    return 1.0 / thing.mass if thing.ball else 1.0 / thing.mass + lever * lever / thing.inertia


def _kick(thing: Thing, hit: Hit, push: float, lever: float) -> None:
    thing.vx += push * hit.nx / thing.mass
    thing.vy += push * hit.ny / thing.mass
    if not thing.ball:
        thing.spin += push * lever / thing.inertia
    thing.moved = True
