"""The world: robot, floor and everything on it, integrated in fixed steps. Power in, raw counts out.

Rules: it takes powers and knows no set-points; it is stepped by numbers, not by a clock; one `Drawn` decides all that
is random. Where no power came for the rig's dead-man time the motors go off by themselves, as on the brick.

The step is the rig's period split into equal parts of at most 10 ms. `after` in `World` is the place for what else
moves in a step: movable objects of a zone will hang themselves in there and into `Near` solids.
"""

import itertools
import math
from collections.abc import Callable, Iterable

from attrs import frozen

from drivers.fake.contact import make_contact
from drivers.fake.course.relief import Relief
from drivers.fake.course.shapes import BLACK, WHITE, Colour, Pose, Solid
from drivers.fake.ground import Map, Near, make_ground, rail_reach
from drivers.fake.instruments import Board, make_losses
from drivers.fake.models import PRESS_S, Scene, find_model
from drivers.fake.motion import Joint, Noise, Power, Truth, make_drive, make_joint
from drivers.fake.operator import Presses
from drivers.fake.perturbations import Drawn
from drivers.fake.resuming import Began
from drivers.fake.zone.yard import Setting, Yard
from robotcore.rig import Rig

LONGEST_STEP_S = 0.010
FAST_M_S = 1.0  #: no robot here is faster
HALT_S = 0.3  #: a halt brakes so long, then the bridge opens
JOINT_ROLES = ("gripper", "sorter")


@frozen
class Site:
    """Where the robot is: what the world needs of a course, or of the calibration pad.

    `field` is the middle x, y and half width, half height in metres. `panels` are met by
    the forward eye only.
    """

    start: Pose
    look: Callable[[float, float], Colour]
    relief: Relief
    solids: tuple[Solid, ...]
    field: tuple[float, float, float, float]
    card: Colour | None = None
    zone: Setting | None = None
    panels: tuple[Solid, ...] = ()


def pad(colour: str) -> Site:
    """Return the calibration pad: a board of one colour, "white", "black" or "dark" (covered, lamp off).

    A card of the same colour is held before the front sensor.
    """
    shade = {"white": WHITE, "black": BLACK, "dark": (0.0, 0.0, 0.0)}[colour]
    flat = Relief((), (), 1.0, 1.0)
    return Site(Pose(0.5, 0.5, 0.0), lambda x, y: shade, flat, (), (0.5, 0.5, 0.5, 0.5), shade)


class World:
    """One robot on one site.

    Args:
        site: where it is.
        rig: the robot as built.
        drawn: the run's perturbations.
        touched: called with (time s, the solid) when a contact begins.
        began: how it begins, where that is not at rest at time 0.

    Attributes:
        row: raw counts, laid out as the rig says.
        truth: the state.
        joints: positional motors by role.
        step_s: seconds a step.
        yard: the objects of a zone, None where there is none.
        presses: when the start button is pressed.

    """

    def __init__(
        self, site: Site, rig: Rig, drawn: Drawn, touched: Callable[[float, Solid], None] = lambda time_s, solid: None,
        began: Began = Began(),  # noqa: B008 - frozen
    ) -> None:  # fmt: skip
        parts = max(1, math.ceil(rig.period_s / LONGEST_STEP_S - 1e-9))
        self.step_s = h = rig.period_s / parts
        self.steps_a_tick = parts
        self.row: list[int] = [0] * len(rig.layout.columns)
        self.truth = _put(site.start, drawn)
        self.joints = {
            fitted.role: Joint(fitted.device.lowest_rad, fitted.device.highest_rad)
            for fitted in rig.fitted
            if fitted.role in JOINT_ROLES
        }
        self.presses: Presses = [PRESS_S]
        self._first = began.tick
        self._begin(began, rig)
        self.yard = None if site.zone is None else Yard(site.zone, rig.body, self.truth, self.joints, h)
        self._dead_man = math.ceil(rig.dead_man_s / h - 1e-9)
        self._halt = round(HALT_S / h)
        self._step = 0
        self._power: Power = (0, 0)
        self._off_at = 0
        self._open_at = 0
        self._gauss = _noise_sources(drawn)
        self._refresh = self._fit(site, rig, drawn).refresher()
        self.advance = self._make_advance(site, rig, drawn, touched)
        self._refresh(0)

    def _begin(self, began: Began, rig: Rig) -> None:
        truth = self.truth
        truth.time_s, truth.left_m, truth.right_m = began.tick * rig.period_s, began.left_m, began.right_m
        for role, angle in began.angles.items():
            if role in self.joints:
                self.joints[role].angle = angle

    def set_moving(self, pose: Pose, left_m_s: float, right_m_s: float) -> None:
        """Put the robot down here with its tracks running, as if it had come along like that."""
        truth = self.truth
        truth.x, truth.y, truth.heading = pose.x, pose.y, pose.heading
        truth.cos, truth.sin = math.cos(pose.heading), math.sin(pose.heading)
        truth.left_speed, truth.right_speed = left_m_s, right_m_s
        truth.speed = 0.5 * (left_m_s + right_m_s)

    def power(self, left: int, right: int) -> None:
        """Give power (per mille) to the tracks, and keep that of the joints, for the dead-man time at most."""
        self._power = (left, right)
        self._off_at = self._open_at = self._step + self._dead_man

    def halt(self, brake: bool, hold: bool) -> None:
        """Take all power away: coast, or `brake` for a while and then coast, or `hold` the brake."""
        for joint in self.joints.values():
            joint.power = 0
        self._power = (0, 0)
        self._off_at = 1 << 60
        self._open_at = 1 << 60 if hold else self._step + (self._halt if brake else 0)

    def _fit(self, site: Site, rig: Rig, drawn: Drawn) -> Board:
        scene = Scene(
            self.truth, drawn, rig.body, self.step_s, site.look, site.relief,
            site.solids, site.field, self.joints, self._gauss, site.card, self.yard, site.panels, self.presses,
        )  # fmt: skip
        board = Board(self.row, self.step_s)
        for i, entry in enumerate(rig.fitted):
            losses = make_losses(drawn.dropout, drawn.drop_draws, 61 * i)
            board.fit(rig.layout.slots[entry.role], find_model(entry)(entry, scene), losses)
        return board

    def _make_advance(
        self, site: Site, rig: Rig, drawn: Drawn, touched: Callable[[float, Solid], None]
    ) -> Callable[[int], None]:
        """Return ``advance(tick)``: go on to the instant of that tick."""
        h, truth, refresh = self.step_s, self.truth, self._refresh
        began_s = truth.time_s
        drive = make_drive(rig.body, drawn, truth, self._gauss(), h)
        one, two, *_ = (*self.joints.values(), Joint(0.0, 0.0), Joint(0.0, 0.0))  # at most two; the rest never moves
        turn = _make_turn(self.joints.values(), truth, h)
        settle, resolve = make_ground(site.relief, rig.body, truth, h), make_contact(rig.body, truth)
        reach_m = math.hypot(max(rig.body.front_m, rig.body.rear_m), rig.body.width_m / 2)
        cells = Map(site.relief, site.solids, reach_m + FAST_M_S * 2 * h, rail_reach(rig.body) + FAST_M_S * 2 * h)
        find, parts, first = cells.find, self.steps_a_tick, self._first
        yard = self.yard
        held: tuple[Solid, ...] = ()
        near: Near | None = None

        def meet(solids: tuple[Solid, ...]) -> None:
            nonlocal held
            now = resolve(solids)
            for solid in now:
                if solid not in held:
                    touched(truth.time_s, solid)
                    if yard is not None:
                        yard.shake()
            held = now

        def advance(tick: int) -> None:
            nonlocal near
            step, last = self._step, (tick - first) * parts
            while step < last:
                if step >= self._off_at:
                    self.halt(brake=False, hold=False)
                driven = step < self._open_at
                drive(self._power, driven)
                if one.speed or one.power or two.speed or two.power:
                    turn(driven)
                if not step & 1:  # what is near changes slowly
                    near = find(truth.x, truth.y)
                if near is not None:
                    if near.solids:
                        meet(near.solids)
                    if near.rough or not truth.flat:
                        settle(near.edges)
                elif not truth.flat:
                    settle(())
                if yard is not None:
                    yard.step()
                self._step = step = step + 1
                truth.time_s = began_s + step * h
                refresh(step)

        return advance


def _make_turn(joints: Iterable[Joint], truth: Truth, h: float) -> Callable[[bool], None]:
    """Return ``turn(driven)``: a step of every joint that moves or has power."""
    turns = [(joint, make_joint(joint, truth, h)) for joint in joints]

    def turn(driven: bool) -> None:
        for joint, one in turns:
            if joint.speed or joint.power:
                one(driven)

    return turn


def _put(start: Pose, drawn: Drawn) -> Truth:
    ahead, left, turn = drawn.start
    c, s = math.cos(start.heading), math.sin(start.heading)
    return Truth(start.x + ahead * c - left * s, start.y + ahead * s + left * c, start.heading + turn)


def _noise_sources(drawn: Drawn) -> Callable[[], Noise]:
    """Return a maker of noise sources: each walks the one table of normal draws from a place of its own."""
    table = drawn.gaussians
    place = itertools.count(0, 1009)

    def fresh() -> Noise:
        at = next(place) % len(table)
        return itertools.cycle(table[at:] + table[:at]).__next__

    return fresh
