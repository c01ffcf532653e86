"""The gripper: one motor that closes two jaws and then lifts them. MECHANICS.md tells its angles and sequence.

Rules: the machine is a relation between the motor's angle, what lies between the jaws, and a catch. While the catch
holds the arm down, only the jaws move, and stop on what is between them; with power enough the catch gives, and further
angle lifts. The motor meets stops, never a force of its own: `Joint.high` is moved about.
"""

import math
from collections.abc import Callable

from drivers.fake.motion import NOMINAL_V, Joint, Truth
from drivers.fake.zone.chances import Chances
from drivers.fake.zone.contacts import Frame
from drivers.fake.zone.diary import Diary
from drivers.fake.zone.things import FLOOR, JAWS, Thing
from robotcore.rig import Body

Draw = Callable[[], float]

CLOSED_RAD = math.radians(40.0)  #: the jaws meet
LIFT_RAD = math.radians(80.0)  #: from the floor to the sorter
CATCH = 0.58  #: the catch gives at this share of the power at 7.4 V
REACH_M = 0.060  #: the jaws' tips, ahead of the body's front
POCKET_M = 0.040  #: where jaws hold: an object's middle, ahead of the body's front
LIP_M = 0.005  #: an object whose middle is nearer than this to the tips slips out of closing jaws
SQUARE_RAD = math.radians(20.0)  #: jaws turn a cube straight that is askew by no more
TIGHT_RAD = math.radians(0.3)
LOOSE_RAD = math.radians(3.0)
UP, CLEAR = 0.97, 0.15  #: shares of the lift: at the sorter; jaws clear of what lies on the floor


def stop_angle(width_m: float, collector_m: float) -> float:
    """Return the motor's angle (rad) at which jaws of an opening `collector_m` stop on something `width_m` wide."""
    return CLOSED_RAD * max(0.0, 1.0 - width_m / collector_m)


class Gripper:
    """The gripper's state.

    Args:
        joint: its motor.
        truth: the robot's state.
        body: the robot's measures.
        things: all objects.
        chances: how often it fails.
        later: draws in [0, 1).
        diary: what happens is written there.

    Attributes:
        held: the object between the jaws, None for none.
        lift: 0 with the arm down, 1 at the sorter.
        jammed: more than one object, or a cube by its corners, is between the jaws.

    """

    def __init__(
        self, joint: Joint, truth: Truth, body: Body, things: list[Thing], chances: Chances, later: Draw, diary: Diary
    ) -> None:
        self.joint, self.truth, self.things, self.chances, self.diary = joint, truth, things, chances, diary
        self.later = later
        self.wide = body.collector_width_m
        self.front = body.front_m
        self.end = joint.high
        self.held: Thing | None = None
        self.lift = 0.0
        self.jammed = False
        self._up = False
        self._stop = CLOSED_RAD
        self._slips_at = 2.0

    def half_open(self) -> float:
        """Return half of the jaws' inner opening (m)."""
        share = 1.0 - min(self.joint.angle, self._stop) / CLOSED_RAD
        return 0.5 * self.wide * (1.0 if share > 1.0 else share)

    def update(self, frame: Frame) -> None:
        """Let what lies between the jaws, the catch and the motor settle."""
        if self._up:
            self._lifted(frame)
        else:
            self._down(frame)

    def let_go(self, frame: Frame, place: str) -> Thing:
        """Take the object out of the jaws, into `place`."""
        thing = self.held
        assert thing is not None
        self.held = None
        thing.place = place
        self._slips_at = 2.0
        if place == FLOOR:
            thing.x, thing.y = frame.out(self.front + max(POCKET_M, thing.half + 0.001), 0.0)
            thing.vx, thing.vy = frame.moving(thing.x, thing.y)
        self._settle_stop()
        return thing

    def lose(self, frame: Frame, why: str) -> None:
        """Drop what is held, ahead of the robot."""
        thing = self.let_go(frame, FLOOR)
        thing.lost += 1
        draw = self.later
        ahead, left = 0.05 * draw(), 0.10 * draw() - 0.05
        thing.vx += ahead * frame.cos - left * frame.sin
        thing.vy += ahead * frame.sin + left * frame.cos
        self.diary.note("lost", thing.name, why)

    def _settle_stop(self) -> None:
        self._stop = CLOSED_RAD if self.held is None else stop_angle(self.held.make.size_m, self.wide)

    def _strong(self) -> bool:
        return self.joint.power * 0.001 * self.truth.volts >= CATCH * NOMINAL_V

    def _lifted(self, frame: Frame) -> None:
        joint = self.joint
        self.lift = (joint.angle - self._stop) / LIFT_RAD
        if self.lift <= 0.0:
            self.lift, self._up, self._slips_at = 0.0, False, 2.0
            self._down(frame)
            return
        if self.held is not None and self.lift >= self._slips_at:
            self.lose(frame, "slipped")
        joint.high = min(self.end, self._stop + LIFT_RAD)

    def _down(self, frame: Frame) -> None:
        joint = self.joint
        if self.held is None:
            self._close(frame)
        elif joint.angle < self._stop - LOOSE_RAD:
            self.diary.note("set down", self.let_go(frame, FLOOR).name)
        joint.high = self._stop
        if joint.angle >= self._stop - TIGHT_RAD and not self.jammed and self._strong():
            self._up = True
            joint.high = min(self.end, self._stop + LIFT_RAD)
            if self.held is not None:
                slips, where = self.later() < self.chances.slip, self.later()
                self._slips_at = 0.1 + 0.8 * where if slips else 2.0

    def _close(self, frame: Frame) -> None:
        """Find what is between the jaws, and whether they have come to hold it."""
        inside = self._between(frame)
        self.jammed = False
        if not inside:
            self._stop = CLOSED_RAD
            return
        turned = [self._square(thing, frame) for thing in inside]
        self._stop = stop_angle(sum(width for width, _ in turned), self.wide)
        if self.joint.angle < self._stop - TIGHT_RAD:
            return
        if len(inside) > 1 or not turned[0][1]:
            self.jammed = True
            return
        self.held = thing = inside[0]
        thing.place, thing.moved = JAWS, True
        thing.stop()
        self.diary.note("gripped", thing.name)

    def _between(self, frame: Frame) -> list[Thing]:
        half, low, high = self.half_open(), self.front - 0.005, self.front + REACH_M - LIP_M
        found = []
        for thing in self.things:
            if thing.place == FLOOR:
                ahead, left = frame.into(thing.x, thing.y)
                if low <= ahead <= high and -half <= left <= half:
                    found.append(thing)
        return found

    def _square(self, thing: Thing, frame: Frame) -> tuple[float, bool]:
        """Return how wide a thing is between the jaws, and whether it can be held so."""
        if thing.ball:
            return thing.make.size_m, True
        quarter = math.pi / 2
        askew = (thing.heading - math.atan2(frame.sin, frame.cos) + quarter / 2) % quarter - quarter / 2
        if abs(askew) <= SQUARE_RAD:
            return thing.make.size_m, True
        return thing.make.size_m * (math.cos(askew) + abs(math.sin(askew))), False
