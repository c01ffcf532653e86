"""The sorter: a flap at the top of the lift that sends an object into the left or right hold, and opens the holds.

Rules: as in the gripper the motor meets stops only: `Joint.high` and `Joint.low` are moved about. Turned to the left is
positive. MECHANICS.md tells its angles and sequence.
"""

import math
from collections.abc import Callable

from drivers.fake.motion import Joint
from drivers.fake.zone.chances import Chances
from drivers.fake.zone.contacts import Frame
from drivers.fake.zone.diary import Diary
from drivers.fake.zone.gripper import UP, Gripper
from drivers.fake.zone.things import FLOOR, LEFT, RIGHT, Thing
from robotcore.rig import Body

TIP_RAD = math.radians(25.0)  #: an object on the flap slides into the hold
GATE_RAD = math.radians(50.0)  #: beyond this the hold's flap at the rear is open
BITE_RAD = math.radians(8.0)  #: where it shows whether an object jams,
JAM_RAD = math.radians(12.0)  #: and where the flap then stands
BACK_RAD = math.radians(3.0)  #: turned back to this, a jam is undone
ROOM = 4  #: objects a hold takes
BETWEEN_S = 0.15  #: between objects that slide out
ASIDE_M, GAP_M, SLIDE_M_S = 0.040, 0.004, 0.10  #: where behind the robot, how far off it, how fast


class Sorter:
    """The sorter's state.

    Args:
        joint: its motor.
        gripper: what brings the objects up.
        body: the robot's measures.
        free: (x, y, radius) -> whether a thing has room there.
        chances: what chance does.
        diary: what happens is written there.

    Attributes:
        holds: the objects in the hold to the "left hold" and "right hold", the first in first.
        jam: 1 jammed toward the left, -1 toward the right, 0 not.

    """

    def __init__(
        self, joint: Joint, gripper: Gripper, body: Body, free: Callable[[float, float, float], bool],
        chances: Chances, diary: Diary,
    ) -> None:  # fmt: skip
        self.joint, self.gripper, self.free, self.chances, self.diary = joint, gripper, free, chances, diary
        self.rear = body.rear_m
        self.low, self.high = joint.low, joint.high
        self.holds: dict[str, list[Thing]] = {LEFT: [], RIGHT: []}
        self.jam = 0
        self._bitten = False
        self._wait_s = 0.0

    @property
    def busy(self) -> bool:
        """Tell whether something may happen though no motor moves: a hold that is open has not emptied."""
        angle = self.joint.angle
        return abs(angle) >= GATE_RAD and bool(self.holds[LEFT if angle > 0.0 else RIGHT])

    def update(self, frame: Frame, h: float) -> None:
        """Move what lies on the flap, and let the holds empty where they are open, over `h` seconds."""
        self._wait_s -= h
        thing = self.gripper.held
        if thing is not None and self.gripper.lift >= UP:
            self._turn(frame)
        elif self._bitten or self.jam:
            self._bitten, self.jam = False, 0
            self._limit()
        angle = self.joint.angle
        if abs(angle) >= GATE_RAD:
            self._empty(LEFT if angle > 0.0 else RIGHT, frame)

    def _limit(self) -> None:
        self.joint.high = JAM_RAD if self.jam > 0 else self.high
        self.joint.low = -JAM_RAD if self.jam < 0 else self.low

    def _turn(self, frame: Frame) -> None:
        angle = self.joint.angle
        side = 1 if angle > 0.0 else -1
        hold = LEFT if side > 0 else RIGHT
        if (self.jam and side * self.jam <= 0) or abs(angle) <= BACK_RAD:
            self._bitten, self.jam = False, 0
            self._limit()
        if not self._bitten and BITE_RAD <= abs(angle) < TIP_RAD:
            self._bitten = True
            jams = self.gripper.later() < self.chances.jam
            if jams or len(self.holds[hold]) >= ROOM:
                self.jam = side
                assert self.gripper.held is not None
                self.diary.note("jammed", self.gripper.held.name, hold if jams else f"{hold} is full")
                self._limit()
        if abs(angle) >= TIP_RAD and not self.jam and len(self.holds[hold]) < ROOM:
            thing = self.gripper.let_go(frame, hold)
            thing.hold = hold
            self.holds[hold].append(thing)
            self.diary.note("sorted", thing.name, hold)

    def _empty(self, hold: str, frame: Frame) -> None:
        """Let the next object slide out behind the robot where there is room for it."""
        if not self.holds[hold] or self._wait_s > 0.0:
            return
        thing = self.holds[hold][0]
        x, y = frame.out(-self.rear - thing.reach - GAP_M, ASIDE_M if hold == LEFT else -ASIDE_M)
        if not self.free(x, y, thing.reach):
            return
        self.holds[hold].pop(0)
        self._wait_s = BETWEEN_S
        thing.place, thing.x, thing.y, thing.heading = FLOOR, x, y, math.atan2(frame.sin, frame.cos)
        vx, vy = frame.moving(x, y)
        thing.vx, thing.vy = vx - SLIDE_M_S * frame.cos, vy - SLIDE_M_S * frame.sin
        self.diary.note("released", thing.name, hold)
