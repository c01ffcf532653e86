"""What the tests of the zone share: small zone courses, a yard without a world, and a robot driven by hand.

Rule: nothing here knows how the fake computes anything.
"""

import math
from functools import cache
from pathlib import Path

from drivers.devices import find_built_in
from drivers.fake.backend import FakeBackend, build
from drivers.fake.course.course import Course
from drivers.fake.course.format import parse_course
from drivers.fake.motion import Joint, Truth
from drivers.fake.zone.chances import Chances
from drivers.fake.zone.yard import Setting, Yard
from robotcore.backend import parse_address
from robotcore.command import Command
from robotcore.rig import Rig, load_rig

RIG = Path(__file__).parents[1] / "drivers/rigs/harbour.toml"

HEAD = """
[course]
name = "small basin"
size_mm = [2000, 1400]

[start]
at_mm = [250, 550]

[[line]]
from_mm = [80, 550]
moves = [{ straight_mm = 395 }]

[[line]]
from_mm = [1100, 1135]
heading_deg = 90
moves = [{ straight_mm = 110 }, { strip = "red" }, { straight_mm = 20 }]

[zone]
at_mm = [500, 200]
size_mm = [1200, 900]

[[zone.opening]]
side = "west"
from_mm = 210
width_mm = 280
strip = "silver"

[[zone.opening]]
side = "north"
from_mm = 460
width_mm = 280
strip = "green"

[[zone.berth]]
name = "lee"
corner = "south-east"
kinds = ["kit", "silver"]

[[zone.berth]]
name = "far"
corner = "north-east"
kinds = ["black"]
colour = "blue"
"""

OBJECTS = {
    "kit": 'kind = "kit"\nshape = "cube"\ncolour = "blue"',
    "silver": 'kind = "silver"\ncolour = "silver"',
    "black": 'kind = "black"\ncolour = "black"',
}


def zone_text(*objects: tuple[str, object], more: str = "") -> str:
    """Return a zone course with objects (kind, [x, y] in mm or "random"); kinds that are missing lie out of the way."""
    away = {"kit": [560, 980], "silver": [560, 880], "black": [660, 980]}
    there = [kind for kind, _ in objects]
    placed = [*objects, *((kind, at) for kind, at in away.items() if kind not in there)]
    quoted = [(kind, f'"{at}"' if isinstance(at, str) else at) for kind, at in placed]
    return HEAD + more + "".join(f"[[zone.object]]\n{OBJECTS[kind]}\nat_mm = {at}\n" for kind, at in quoted)


def zone_course(*objects: tuple[str, object], more: str = "") -> Course:
    return parse_course(zone_text(*objects, more=more), "zone-kit.toml")


@cache
def harbour() -> Rig:
    return load_rig(RIG, find_built_in)


def yard_of(course: Course, x: float = 0.2, y: float = 0.2, heading: float = 0.0, chances: Chances = Chances()) -> Yard:  # noqa: B008
    """Return a course's yard with the robot at rest at (x, y), and motors that nobody turns."""
    joints = {"gripper": Joint(0.0, math.radians(150)), "sorter": Joint(math.radians(-60), math.radians(60))}
    assert course.zone is not None
    truth = Truth(x, y, heading)
    return Yard(Setting(course.zone, course.walls, chances), harbour().body, truth, joints, 0.01)


class Hand:
    """Drives the fake robot by hand: speeds in m/s, angles in degrees."""

    def __init__(self, robot: FakeBackend) -> None:
        self.robot, self.tick, self.gripper, self.sorter = robot, 0, 0.0, 0.0
        self.trace: list[tuple[int, int]] = []

    @property
    def yard(self) -> Yard:
        yard = self.robot.world.yard
        assert yard is not None
        return yard

    def go(self, seconds: float, left: float = 0.0, right: float | None = None, *, grip=None, sort=None) -> "Hand":
        self.gripper = self.gripper if grip is None else grip
        self.sorter = self.sorter if sort is None else sort
        command = Command(left, left if right is None else right, math.radians(self.gripper), math.radians(self.sorter))
        for _ in range(round(seconds * 100)):
            self.row = self.robot.sense(self.tick)
            self.trace.append((self.count("gripper"), self.count("sorter")))
            self.robot.act(command)
            self.tick += 1
        return self

    def counts(self, role: str) -> tuple[int, ...]:
        slot = harbour().layout.slots[role]
        return tuple(self.row[slot.start : slot.stop])

    def count(self, role: str) -> int:
        return self.counts(role)[0]

    def put(self, x: float, y: float, degrees: float = 0.0) -> "Hand":
        """Put the robot somewhere, at rest."""
        truth = self.robot.world.truth
        truth.x, truth.y, truth.heading = x, y, math.radians(degrees)
        truth.cos, truth.sin = math.cos(truth.heading), math.sin(truth.heading)
        self.yard.moved_by_hand()
        return self

    def thing(self, name: str):
        return next(thing for thing in self.yard.things if thing.name == name)

    def happened(self) -> list[tuple[str, str, str]]:
        return [(entry.what, entry.name, entry.detail) for entry in self.yard.diary.entries]


def hand_on(tmp_path: Path, text: str, options: str = "perturb=0") -> Hand:
    path = tmp_path / "zone.toml"
    path.write_text(text, encoding="utf-8")
    return Hand(build(parse_address(f"fake:{path}?{options}"), harbour()))
