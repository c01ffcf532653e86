"""The zone at run time: loose objects, gripper and sorter, advanced step by step beside the robot.

Rules: called once a step of the world, after the robot has moved; two fixed sub-steps, and only where something moves
or the robot is near. What is near is looked up every fourth step. One generator decides what chance does.
"""

import json
import math
import random

from attrs import frozen

from drivers.fake.contact import make_contact
from drivers.fake.course.shapes import Wall
from drivers.fake.motion import Joint, Truth
from drivers.fake.zone.chances import Chances
from drivers.fake.zone.contacts import (
    BODY_E,
    WALL_E,
    Box,
    Frame,
    bounce,
    bounce_apart,
    meet_bar,
    meet_body,
    meet_box,
    meet_thing,
    yield_to,
)
from drivers.fake.zone.diary import Diary
from drivers.fake.zone.gripper import CLEAR, POCKET_M, REACH_M, Gripper
from drivers.fake.zone.layout import Zone
from drivers.fake.zone.placing import place_items
from drivers.fake.zone.sorter import Sorter
from drivers.fake.zone.things import FLOOR, JAWS, Thing, drag, glide
from robotcore.rig import Body

PARTS = 2  #: sub-steps a step
JAW_M = 0.006  #: thickness of a jaw
NEAR_M = 0.06  #: looked up so far beyond the robot's reach: what four steps may bring near
PINCH_M = 0.0005  #: deeper in the body than this, an object is pinned and stops the robot


@frozen
class Setting:
    """What a run knows of its zone before it begins: the zone, the course's upright walls, and what chance does."""

    zone: Zone
    walls: tuple[Wall, ...]
    chances: Chances


class Yard:
    """A zone's objects, and gripper and sorter.

    Args:
        setting: the zone.
        body: the robot's measures.
        truth: the robot's state.
        joints: positional motors by role; without a gripper nothing is gripped.
        h: seconds a step.

    Attributes:
        things: the objects, in the order of the zone's list.
        gripper: None without its motor.
        sorter: None without its motor or a gripper.
        diary: what happened.

    """

    def __init__(self, setting: Setting, body: Body, truth: Truth, joints: dict[str, Joint], h: float) -> None:
        self.zone, self.chances, self.body, self.truth, self.h = setting.zone, setting.chances, body, truth, h
        places = place_items(self.zone, random.Random(self.chances.placing_seed), self.chances.jitter_m)
        self._later = random.Random(self.chances.later_seed).random
        self.things = [Thing(item.name, item.make, *at) for item, at in zip(self.zone.items, places, strict=True)]
        self.boxes = [_box(wall) for wall in setting.walls if wall.ax == wall.bx or wall.ay == wall.by]
        self.diary = Diary(truth)
        self._resolve = make_contact(body, truth)
        jaws, flap = joints.get("gripper"), joints.get("sorter")
        self.gripper = None if jaws is None else self._fit(jaws)
        self.sorter: Sorter | None = None
        if flap is not None and self.gripper is not None:
            self.sorter = Sorter(flap, self.gripper, body, self.has_room, self.chances, self.diary)
        self._motors = [joint for joint in (jaws, flap) if joint is not None]
        self._still = [(math.nan, 0) for _ in self._motors]
        self._reach = math.hypot(max(body.front_m + REACH_M, body.rear_m), 0.5 * body.width_m) + NEAR_M
        self._floor = self.zone.left, self.zone.bottom, self.zone.right, self.zone.top
        self._in_hand = False
        self._half = max(0.5 * body.width_m, 0.5 * body.collector_width_m + JAW_M)
        self._close: list[Thing] = []
        self._count = 0
        self.frame = self._frame(truth.x, truth.y, truth.heading)

    def _fit(self, jaws: Joint) -> Gripper:
        return Gripper(jaws, self.truth, self.body, self.things, self.chances, self._later, self.diary)

    def step(self) -> None:
        """Advance by one step of the world."""
        truth, before = self.truth, self.frame
        stands = truth.x == before.x and truth.y == before.y and truth.cos == before.cos
        if not self._count & 3:
            self._close = [thing for thing in self.things if self._is_close(thing)]
        self._count += 1
        worked = self._motors_worked()
        if not stands or before.vx or before.vy or before.turn:
            self.frame = self._frame(before.x, before.y, math.atan2(before.sin, before.cos))
        if worked:
            self._work()
        if self._close and (worked or not stands or any(not thing.resting for thing in self._close)):
            for _ in range(PARTS):
                self._part(self.h / PARTS)
            self._pin()

    def has_room(self, x: float, y: float, radius: float) -> bool:
        """Tell whether a circle is clear of walls and of objects on the floor."""
        for box in self.boxes:
            dx = max(box.left - x, 0.0, x - box.right)
            dy = max(box.bottom - y, 0.0, y - box.top)
            if dx * dx + dy * dy < radius * radius:
                return False
        return all(
            math.hypot(thing.x - x, thing.y - y) >= radius + thing.reach
            for thing in self.things
            if thing.place == FLOOR
        )

    def shake(self) -> None:
        """Tell it that the robot has run into something: what is held in the air may fall."""
        gripper = self.gripper
        if gripper is None or gripper.held is None or gripper.lift < CLEAR:
            return
        if self._later() < self.chances.shake:
            gripper.lose(self.frame, "shaken off")

    def take(self, lifted: bool) -> None:
        """Tell it that the robot is in somebody's hand, where it touches nothing, or let go again."""
        self._in_hand = lifted
        self.moved_by_hand()

    def moved_by_hand(self) -> None:
        """Take it that the robot was put somewhere else: it did not drive there."""
        self.frame = self._frame(self.truth.x, self.truth.y, self.truth.heading)
        self._count = 0

    def described(self) -> str:
        """Return what lies where now as JSON, for a recording: [name, x m, y m, heading rad] of every object."""
        return json.dumps([[thing.name, thing.x, thing.y, thing.heading] for thing in self.things])

    def where(self, thing: Thing) -> tuple[float, float]:
        """Return where a thing is, also one that the robot carries."""
        if thing.place == FLOOR:
            return thing.x, thing.y
        return self.frame.out(self.body.front_m + POCKET_M, 0.0) if thing.place == JAWS else self.frame.out(0.0, 0.0)

    def _is_close(self, thing: Thing) -> bool:
        if thing.place != FLOOR:
            return False
        if thing.vx or thing.vy or thing.spin:
            return True
        return math.hypot(thing.x - self.truth.x, thing.y - self.truth.y) < self._reach

    def _motors_worked(self) -> bool:
        worked = False
        for i, joint in enumerate(self._motors):
            now = (joint.angle, joint.power)
            if now != self._still[i]:
                self._still[i] = now
                worked = True
        return worked or (self.sorter is not None and self.sorter.busy)

    def _work(self) -> None:
        if self.gripper is not None:
            self.gripper.update(self.frame)
        if self.sorter is not None:
            self.sorter.update(self.frame, self.h)

    def _frame(self, x: float, y: float, heading: float) -> Frame:
        """Return the body now, moving as it did since it was at (x, y, heading)."""
        truth, body, rate = self.truth, self.body, 1.0 / self.h
        turn = math.remainder(truth.heading - heading, math.tau) * rate
        return Frame(
            truth.x, truth.y, truth.cos, truth.sin, (truth.x - x) * rate, (truth.y - y) * rate, turn,
            body.front_m, body.rear_m, 0.5 * body.width_m,
        )  # fmt: skip

    def _part(self, h: float) -> None:
        """Advance all that is close by one sub-step."""
        close, chances, zone = self._close, self.chances, self.zone
        for thing in close:
            if not thing.resting:
                felt = any(berth.holds(thing.x, thing.y) for berth in zone.berths)
                glide(thing, drag(thing, chances.friction, felt), h)
        for i, one in enumerate(close):
            for two in close[:i]:
                hit = meet_thing(one, two)
                if hit is not None:
                    bounce_apart(one, two, hit)
                    share = two.mass / (one.mass + two.mass)
                    yield_to(one, hit, share)
                    yield_to(two, hit._replace(nx=-hit.nx, ny=-hit.ny), 1.0 - share)
        for thing in close:
            if thing.place == FLOOR:
                self._meet_robot(thing)
                self._meet_walls(thing)

    def _meet_walls(self, thing: Thing) -> None:
        left, bottom, right, top = self._floor
        r = thing.reach
        if left <= thing.x - r and thing.x + r <= right and bottom <= thing.y - r and thing.y + r <= top:
            return  # in the midst of the zone, where there are no walls
        for box in self.boxes:
            hit = meet_box(thing, box)
            if hit is not None:
                yield_to(thing, hit)
                bounce(thing, hit, 0.0, 0.0, WALL_E * self.chances.restitution)

    def _meet_robot(self, thing: Thing) -> None:
        frame, gripper = self.frame, self.gripper
        if self._in_hand:
            return
        dx, dy, r = thing.x - frame.x, thing.y - frame.y, thing.reach
        u, v = dx * frame.cos + dy * frame.sin, dy * frame.cos - dx * frame.sin
        if u - r > frame.front + REACH_M + JAW_M or u + r < -frame.rear or abs(v) - r > self._half:
            return
        hit = meet_body(thing, frame)
        if hit is not None:
            yield_to(thing, hit)
            bounce(thing, hit, *frame.moving(hit.px, hit.py), BODY_E * self.chances.restitution)
        if gripper is None or gripper.lift > CLEAR:
            return
        half, front = gripper.half_open() + 0.5 * JAW_M, frame.front
        for left in (half, -half):
            hit = meet_bar(thing, frame, front, front + REACH_M, left, JAW_M)
            if hit is not None:
                yield_to(thing, hit)
                bounce(thing, hit, *frame.moving(hit.px, hit.py), 0.0)

    def _pin(self) -> None:
        """Let the robot give way to what is pinned between it and a wall.

        The frame goes along, so that giving way is no speed with which the robot would hit the thing in the next step.
        """
        for thing in self._close:
            if thing.place == FLOOR and not self._in_hand:
                hit = meet_body(thing, self.frame)
                if hit is not None and hit.depth > PINCH_M and self._resolve((thing.solid(),)):
                    truth = self.truth
                    self.frame = self.frame._replace(x=truth.x, y=truth.y, cos=truth.cos, sin=truth.sin)


def _box(wall: Wall) -> Box:
    solid = wall.solid()
    xs, ys = zip(*solid.corners, strict=True)
    return Box(min(xs), min(ys), max(xs), max(ys), solid)
