"""A fake world in which a recorded run can go on: on the course that the recording holds, or on one made from it.

Rules: facts in a recording are a stranger's words and are checked like a file. Poses are on the course that is gone
on on: the recorded truth where the course is known, the encoders' reckoning where it was reconstructed.
"""

from typing import Any

from attrs import evolve, field, frozen

from drivers.fake.backend import FakeBackend
from drivers.fake.course.format import parse_course
from drivers.fake.perturbations import read_sizes
from drivers.fake.resuming import Past, Row, TickPose
from robotcore.backend import Address, parse_address
from robotcore.calibration import Calibration
from robotcore.errors import UserError
from robotcore.recording.content import Recording
from robotcore.rig import Rig


@frozen
class Onward:
    """A world to go on in, up to where it is handed over to.

    Attributes:
        backend: at rest at its start until `hand_over`.
        poses: on its course, for every recorded tick of which the pose is known.
        course: what the course is, in words.
        notes: what to know about it, a line each.
        data: the same for machines.

    """

    backend: FakeBackend
    poses: list[TickPose]
    course: str
    notes: list[str] = field(factory=list)
    data: dict[str, Any] = field(factory=dict)

    def hand_over(self, rows: list[Row]) -> None:
        """Go on from the last of these recorded rows; its command is the one that is in force."""
        tick = rows[-1][0]
        poses = [pose for pose in self.poses if pose[0] <= tick]
        self.backend.resume_from(Past(rows, poses))


def onward(recording: Recording, rig: Rig, calibration: Calibration, tick: int, reconstruct: bool) -> Onward:
    """Return the world in which a recorded run can go on.

    Args:
        recording: the run.
        rig: the robot as built, for the world.
        calibration: the recorded one.
        tick: from which it shall go on.
        reconstruct: make the course from the readings although it is known.

    Raises:
        UserError: there is no course to go on on, and says why.

    """
    facts = recording.header.facts
    if facts.get("course_toml") and not reconstruct:
        return _known(recording, rig, tick)
    if facts.get("course") == "pad":
        raise UserError(f"{recording.path}: was made on the calibration pad; there is nothing to go on on")
    from drivers.fake.reconstruct.making import remade  # late: numpy

    made = remade(recording, rig, calibration)
    address = Address("fake", "reconstructed", {}, "fake:reconstructed")
    backend = FakeBackend(address, rig, made.course, 0, {"noise": 1.0})
    backend.drawn = evolve(backend.drawn, gains=made.gains)
    return Onward(backend, made.poses, f"{made.course.name!r}, reconstructed", made.notes, made.data)


def _known(recording: Recording, rig: Rig, tick: int) -> Onward:
    facts, source = recording.header.facts, f"{recording.path}: facts"
    course = parse_course(facts["course_toml"], f"{source}: course_toml")
    poses = [(at, *pose) for at, pose in zip(recording.ticks, recording.truth(), strict=True) if pose is not None]
    if not any(pose[0] == tick for pose in poses):
        raise UserError(f"{recording.path}: the true pose in tick {tick} is not recorded; say --reconstruct as well")
    address = _address(facts.get("url", ""), source)
    backend = FakeBackend(address, rig, course, _seed(facts.get("seed", ""), source), _sizes(address, facts, source))
    return Onward(backend, poses, f"{course.name!r}, as recorded")


def _address(url: str, source: str) -> Address:
    try:
        address = parse_address(url)
    except UserError as error:
        raise UserError(f"{source}: {error}") from None
    options = {key: value for key, value in address.options.items() if key != "pace"}
    return Address(address.scheme, address.place, options, url)


def _seed(text: str, source: str) -> int:
    if not (text.isascii() and text.removeprefix("-").isdigit() and len(text) < 30):
        raise UserError(f"{source}: seed is {text!r:.40}, no whole number; say --reconstruct instead")
    return int(text)


def _sizes(address: Address, facts: Any, source: str) -> dict[str, float]:
    pairs = [part.partition("=") for part in facts.get("perturbation_sizes", "").split(", ") if part]
    return read_sizes({name: size for name, _, size in pairs}, f"{source}: perturbation_sizes")
