"""The fake robot as a backend: ``fake:quay?seed=3``.

Rules: the seam and nothing else: set-points go through the same device drivers' loops as on the brick, the world gets
power; behaviours cannot reach `truth`, `judge` or `world`. Same address, same run, to the last bit.

Places: a shipped course, a course file ending in .toml, ``random``, ``random-zone`` or
``random-relief`` (with ``difficulty`` 0 to 1), or ``pad`` (with ``floor=white``, ``black`` or ``dark``) for taking a
calibration. Options: ``seed`` (whole number, default 0),
``pace=real`` to keep to the wall clock, ``perturb`` for the size of all perturbations, and each perturbation by name
(`drivers.fake.perturbations` and, for zones, `drivers.fake.zone.chances` list them), ``operator=help`` and ``lift_at``
(`drivers.fake.operator`).
"""

from collections.abc import Callable, Sequence
from typing import Any

from attrs import evolve

from drivers.fake.course.catalogue import RANDOM, load_course
from drivers.fake.course.course import Course
from drivers.fake.course.floor import Floor
from drivers.fake.judge import Judge
from drivers.fake.motion import Joint
from drivers.fake.operator import LIFT_AT, OPERATOR, Help, Operator, read_help
from drivers.fake.optics import FOOTPRINT_M
from drivers.fake.perturbations import NAMES, Drawn, draw, read_sizes
from drivers.fake.resuming import STAND_S, Began, Past, began, redrawn, speeds, start_of
from drivers.fake.world import JOINT_ROLES, Site, World, pad
from drivers.fake.zone.chances import ZONE_NAMES, draw_chances, read_zone_sizes
from drivers.fake.zone.yard import Setting
from robotcore.backend import Address, Raw
from robotcore.checking import nearest
from robotcore.command import CUT, HOLD, Command
from robotcore.errors import UserError
from robotcore.rig import Rig

OPTIONS = ("seed", "pace", "perturb", "difficulty", "floor", OPERATOR, LIFT_AT, *NAMES, *ZONE_NAMES)
FLOORS = ("white", "black", "dark")

SELDOM = 10  #: ticks between the questions to a motor at rest

PositionLoop = Callable[[float, Sequence[int], float], int]


def build(address: Address, rig: Rig) -> "FakeBackend":
    """Build the fake robot that `address` asks for.

    Raises:
        UserError: an option or its value is not known, the course is not, or a device has no model.

    """
    options = address.options
    for key in options:
        if key not in OPTIONS:
            known = ", ".join(OPTIONS)
            raise UserError(f"{address.url}: option {key!r} is not known; {nearest(key, OPTIONS)} (known: {known})")
    _check_place(address)
    seed = _whole(address, "seed", 0)
    if options.get("pace", "free") not in ("real", "free"):
        raise UserError(f"{address.url}: pace={options['pace']} is not known; give pace=real or pace=free")
    sizes = read_sizes(options, address.url)
    course = None if address.place == "pad" else load_course(address.place, seed, _difficulty(address))
    return FakeBackend(address, rig, course, seed, sizes)


def _check_place(address: Address) -> None:
    if not address.place:
        raise UserError(f"{address.url}: no course; write fake:quay, fake:random, fake:pad or fake:mine.toml")
    for key, places in (("floor", ("pad",)), ("difficulty", RANDOM)):
        if key in address.options and address.place not in places:
            others = f" (or {', '.join(places[1:])})" if places[1:] else ""
            raise UserError(f"{address.url}: {key} is for fake:{places[0]} only{others}; remove it")
    if address.options.get("floor", "white") not in FLOORS:
        floor = address.options["floor"]
        raise UserError(f"{address.url}: floor={floor} is not known; give one of {', '.join(FLOORS)}")


def _whole(address: Address, key: str, default: int) -> int:
    text = address.options.get(key, str(default))
    try:
        return int(text)
    except ValueError:
        raise UserError(f"{address.url}: {key}={text} is not a whole number; give one, such as {key}=3") from None


def _difficulty(address: Address) -> float:
    text = address.options.get("difficulty", "0.5")
    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 0.0 <= value <= 1.0:
        raise UserError(f"{address.url}: difficulty={text} is out of range; give a number from 0 (easy) to 1 (cruel)")
    return value


def _site(address: Address, course: Course | None, seed: int) -> Site:
    if course is None:
        return pad(address.options.get("floor", "white"))
    half = course.width_m / 2, course.height_m / 2
    solids = (*course.obstacles, *(wall.solid() for wall in course.walls))
    site = Site(course.start, Floor.of(course, FOOTPRINT_M).look, course.relief, solids, (*half, *half))
    if course.zone is None:
        return site
    chances = draw_chances(seed, read_zone_sizes(address.options, address.url))
    panels = tuple(panel.solid() for panel in course.zone.panels())
    return evolve(site, zone=Setting(course.zone, course.walls, chances), panels=panels)


class FakeBackend:
    """A simulated robot on a simulated course; see `robotcore.backend.Backend` for the seam.

    Args:
        address: the URL in parts.
        rig: the robot as built.
        course: the course, None for the pad.
        seed: of everything drawn.
        sizes: of the perturbations, by name.

    Attributes:
        judge: what the run was worth, from the truth; None on the pad. For reports after a run.
        world: the simulated world, for tests and pictures.
        drawn: the perturbations of this run.

    """

    def __init__(self, address: Address, rig: Rig, course: Course | None, seed: int, sizes: dict[str, float]) -> None:
        self.paced = address.options.get("pace") == "real"
        self.drawn: Drawn = draw(seed, sizes)
        self.judge = None if course is None else Judge(course, rig)
        self._rig = rig
        self._site = _site(address, course, seed)
        self._help: Help = read_help(address.options, address.url)
        self.facts = _facts(address, rig, course, seed, sizes, self.drawn)
        self._stops = 0
        self.world: World = self._new_world()
        self._sense = self._make_sense()
        self._act = self._make_act()

    def _new_world(self, began: Began = Began()) -> World:  # noqa: B008 - frozen
        if self.judge is None:
            return World(self._site, self._rig, self.drawn, began=began)
        world = World(self._site, self._rig, self.drawn, self.judge.touch, began)
        self.judge.yard = world.yard
        if world.yard is not None:
            self.facts["objects"] = world.yard.described()
        return world

    def open(self) -> None:
        """Make ready; the robot is at rest at the start."""

    def sense(self, tick: int) -> Raw:
        """Let the world go on to the instant of `tick` and return what the devices say then."""
        return self._sense(tick)

    def resume_from(self, past: Past) -> None:
        """Go on from the last tick of a recorded run; call it once, before anything else. The next tick comes next.

        Poses are on this backend's own course. The drivers' loops are fed the whole past, so that they stand where they
        stood; see `drivers.fake.resuming` for what the world takes over and what begins anew.

        Raises:
            UserError: the encoders of this rig cannot be made to go on from the recorded counts.

        """
        rig, stand = self._rig, round(STAND_S / self._rig.period_s)
        self.drawn = redrawn(rig, self.drawn, past)
        self._site = evolve(self._site, start=start_of(past))
        self.world = world = self._new_world(began(rig, self.drawn, past, past.tick - stand))
        world.advance(past.tick)
        slot = rig.layout.slots["drive"]
        counts = tuple(world.row[slot.start : slot.stop])
        if counts != past.rows[-1][1][slot.start : slot.stop]:
            raise UserError(f"rig {rig.name!r}: the fake's model of the drive cannot go on from counts {counts}")
        world.set_moving(self._site.start, *speeds(rig, past))
        self._sense, self._act = self._make_sense(), self._make_act()
        seen = list(world.row)
        for _, raw, command in past.rows:
            world.row[:] = raw
            self._act(Command(*command))
        world.row[:] = seen
        if self.judge is not None:
            for pose in past.poses:
                self.judge.note(pose)

    def act(self, command: Command) -> None:
        """Turn set-points into power by the drivers' own loops."""
        self._act(command)

    def stop(self, category: int) -> None:
        """Stop all motors; may be called from any thread."""
        self._stops += 1  # before the halt: an `act` under way sees either this or has its power taken away below
        self.world.halt(brake=category != CUT, hold=category == HOLD)

    def close(self) -> None:
        """Stop; the world stands still anyway when nobody asks it to go on."""
        self.stop(CUT)

    def faults(self) -> list[tuple[str, str]]:
        """Return nothing: what goes wrong in the fake world shows in its readings alone."""
        return []

    def truth(self) -> tuple[float, float, float]:
        """Return the true pose (x m, y m, heading rad)."""
        truth = self.world.truth
        return truth.x, truth.y, truth.heading

    def _make_sense(self) -> Callable[[int], Raw]:
        world, truth, row = self.world, self.world.truth, self.world.row
        advance, note = world.advance, None if self.judge is None else self.judge.note
        operator = self._operator()

        def sense(tick: int) -> Raw:
            advance(tick)
            if operator is not None:
                operator.watch()
            if note is not None:
                note((tick, truth.x, truth.y, truth.heading))
            return tuple(row)

        return sense

    def _operator(self) -> Operator | None:
        judge, world = self.judge, self.world
        if judge is None or not self._help:
            return None

        def in_hand(lifted: bool) -> None:
            if world.yard is not None:
                world.yard.take(lifted)

        return Operator(self._help, judge.course, world.truth, world.presses, judge.put_back, in_hand)

    def _make_act(self) -> Callable[[Command], None]:
        rig, row, world = self._rig, self.world.row, self.world
        slots, period = rig.layout.slots, rig.period_s
        drive = rig.role("drive")
        assert drive is not None  # a rig without a drive does not pass validation
        speed_loop = drive.device.speed_loop(rig.body.wheel_radius_m)
        counts = slice(slots["drive"].start, slots["drive"].stop)
        motors = _make_motors(rig, world)
        power = world.power

        def act(command: Command) -> None:
            stops = self._stops
            left, right = speed_loop(command[0], command[1], row[counts], period)
            motors(command)
            power(left, right)
            if stops != self._stops:  # somebody stopped us meanwhile, and that counts
                world.halt(brake=False, hold=False)

        return act


def _make_motors(rig: Rig, world: World) -> Callable[[Command], None]:
    """Return ``motors(command)``: power for the positional motors; at rest in place they are asked seldom."""
    fitted = [entry for entry in rig.fitted if entry.role in JOINT_ROLES]
    slots, row, period = rig.layout.slots, world.row, rig.period_s
    loops: list[tuple[PositionLoop, Joint, int, int, int]] = [
        (
            entry.device.position_loop(), world.joints[entry.role], Command._fields.index(f"{entry.role}_rad"),
            slots[entry.role].start, slots[entry.role].stop,
        )
        for entry in fitted
    ]  # fmt: skip
    angles = slice(Command._fields.index("gripper_rad"), Command._fields.index("sorter_rad") + 1)
    asked: Any = ()  # the set-points that were last acted on
    waited, idle = 1, False

    def motors(command: Command) -> None:
        nonlocal asked, waited, idle
        if idle and waited < SELDOM and command[angles] == asked:
            waited += 1
            return
        for loop, joint, place, start, stop in loops:
            joint.power = loop(command[place], row[start:stop], period * waited)
        asked, waited = command[angles], 1
        idle = not any(joint.power or joint.speed for _, joint, _, _, _ in loops)

    return motors


def _facts(
    address: Address, rig: Rig, course: Course | None, seed: int, sizes: dict[str, float], drawn: Drawn
) -> dict[str, str]:
    facts: dict[str, Any] = {
        "backend": "fake robot",
        "url": address.url,
        "course": "pad" if course is None else course.name,
        "course_toml": "" if course is None else course.text,
        "seed": seed,
        "perturbation_sizes": ", ".join(f"{name}={size:g}" for name, size in sizes.items()),
        "perturbations": str(drawn),
        "rig": rig.name,
        "devices": ", ".join(f"{fitted.role}: {fitted.driver_name}" for fitted in rig.fitted),
    }
    return {key: str(value) for key, value in facts.items()}
