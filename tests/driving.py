"""Drives missions on the fake robot for tests and benchmarks: one function, no clock.

Rule: what a run shows here, `robotcore run` shows too: same rig, same seam, same order of sense, think and act.
"""

from collections.abc import Sequence
from functools import lru_cache
from typing import Any

import attrs

from behaviours.missions import MISSIONS
from drivers.fake.backend import FakeBackend, build
from robotcore.backend import parse_address
from robotcore.brain import Brain
from robotcore.calibration import Calibration, Reference
from robotcore.cli import plugins
from robotcore.command import HALT, Command
from robotcore.readings import Sample
from robotcore.rig import Rig, load_rig
from robotcore.robot import Decision, Fault, Log

TICKS_TO_REST = 40  #: after the mission's end: long enough for the judge to see the robot stand
RIGS = ("harbour", "harbour-clear", "harbour-optical", "harbour-bare")


@lru_cache(maxsize=8)
def rig_of(name: str) -> Rig:
    """Return a shipped rig."""
    return load_rig(plugins.rig_path(name), plugins.device)


@lru_cache(maxsize=8)
def calibration_of(name: str) -> Calibration:
    """Return the calibration that the rig's sensors give on the fake's pad."""
    rig = rig_of(name)
    roles = [role for role in ("floor_left", "floor_right", "front") if rig.role(role) is not None]
    seen = {floor: _on_pad(rig, roles, floor) for floor in ("white", "black", "dark")}
    references = {role: Reference(seen["white"][role], seen["black"][role], seen["dark"][role]) for role in roles}
    return Calibration("in this test", "the fake's pad", references, "")


def _on_pad(rig: Rig, roles: Sequence[str], floor: str) -> dict[str, Any]:
    world = build(parse_address(f"fake:pad?floor={floor}&perturb=0"), rig)
    for tick in range(20):
        raw = world.sense(tick)
    found = {}
    for role in roles:
        slot, fitted = rig.layout.slots[role], rig.role(role)
        assert fitted is not None
        found[role] = fitted.device.light(raw[slot.start : slot.stop])
    return found


@attrs.define
class Run:
    """One run: what was decided and, where asked for, every sample, command and true pose."""

    world: FakeBackend
    log: Log
    ticks: int
    ended: bool
    samples: list[Sample]
    commands: list[Command]
    poses: list[tuple[float, float, float]]

    @property
    def decisions(self) -> list[Decision]:
        """What the behaviours said."""
        return self.log.decisions

    @property
    def faults(self) -> list[Fault]:
        """What went wrong."""
        return self.log.faults

    def names(self) -> list[str]:
        """Return the decisions' names in order."""
        return [decision.name for decision in self.log.decisions]


def drive(
    url: str,
    rig_name: str = "harbour",
    *,
    settings: Any = None,
    seconds: float = 240.0,
    trace: bool = False,
    shuffle_seed: int | None = None,
    mission: str = "line",
) -> Run:
    """Run a mission on the fake robot until it ends or `seconds` of robot time are over."""
    rig, chosen = rig_of(rig_name), MISSIONS[mission]
    world = build(parse_address(url), rig)
    run = Run(world, Log(), 0, False, [], [], [])
    settings = chosen.settings() if settings is None else settings
    brain = Brain(rig, calibration_of(rig_name), chosen, settings, run.log, shuffle_seed=shuffle_seed)
    world.open()
    last = round(seconds / rig.period_s)
    while run.ticks < last and not brain.done:
        command = brain.step(run.ticks, world.sense(run.ticks))
        world.act(command)
        if trace:
            run.samples.append(brain.robot.sample)
            run.commands.append(command)
            run.poses.append(world.truth())
        run.ticks += 1
    run.ended = brain.done
    brain.close()
    world.stop(HALT)
    for tick in range(run.ticks, run.ticks + TICKS_TO_REST):
        world.sense(tick)
    return run
