"""A zone that follows a script: what the front eye sees each tick, and what was asked of the tracks meanwhile.

Rule: no physics but that the robot is where it was told to drive; who needs more drives the fake robot.
"""

from collections.abc import Callable, Coroutine
from types import SimpleNamespace
from typing import Any

import pytest

from behaviours.zone import comb, sweep
from behaviours.zone.load import Load
from behaviours.zone.settings import ResumeSettings, ZoneSettings
from robotcore.readings import OK, Colour, Drive

PERIOD_S = 0.01


def plain(light: float) -> Colour:
    return Colour(light, light, light, light, light, 0.0, True, OK)


class StandIn:
    """What a behaviour of the zone sees of `Zone`; `light(way_m)` is the front eye's lightness after so much way."""

    def __init__(self, light: Callable[[float], float] = lambda way: 0.0, speed_m_s: float = 0.0) -> None:
        self.s = ZoneSettings()
        self.robot = SimpleNamespace(period_s=PERIOD_S, stand=self.stand, decide=lambda *a, **k: None)
        self.load = Load(ResumeSettings())
        self.front = SimpleNamespace(level=light(0.0))
        self.way, self.speed, self.turn, self.speeds = 0.0, speed_m_s, 0.0, [speed_m_s]
        self._light = light
        self.sample = SimpleNamespace(floor_left=plain(1.0), floor_right=plain(1.0))
        self._drive()

    def _drive(self) -> None:
        self.sample.drive = Drive(self.way, self.way, self.way, 0.0, self.speed, self.speed, 0.0, True, OK)

    def stand(self) -> None:
        self.wheels(0.0, 0.0)

    def wheels(self, speed_m_s: float, turn_rad_s: float) -> None:
        self.speed, self.turn = speed_m_s, turn_rad_s

    async def step(self) -> Any:
        self.way += self.speed * PERIOD_S
        self.speeds.append(self.speed)
        self.front.level = self._light(self.way)
        self._drive()
        return self.sample


def finish(task: Coroutine[Any, Any, Any]) -> Any:
    """Run a coroutine that waits for nothing but `StandIn.step` to its end."""
    try:
        task.send(None)
    except StopIteration as end:
        return end.value
    raise AssertionError("it waits for something else")


def put(patch: pytest.MonkeyPatch, name: str, instead: Any) -> None:
    """Put something instead of what sweep and comb know by that name."""
    for module in (sweep, comb):
        patch.setattr(module, name, instead, raising=False)
