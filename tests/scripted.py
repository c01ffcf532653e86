"""A world from a script, a clock that is told, and a rig small enough to reason about; for tests of the runtime."""

from collections.abc import Callable, Iterable
from typing import Any

from robotcore.brain import Brain
from robotcore.calibration import Calibration, Reference
from robotcore.cli import plugins
from robotcore.log import Log
from robotcore.mission import Mission
from robotcore.rig import Rig, parse_rig

RIG = """
[rig]
name = "scripted"
period_ms = 10
[body]
track_width_mm = 140
wheel_radius_mm = 20
front_mm = 100
rear_mm = 100
width_mm = 170
max_speed_mm_s = 300
[[device]]
role = "floor_left"
driver = "rgb10"
port = "1"
[[device]]
role = "floor_right"
driver = "rgb10"
port = "2"
[[device]]
role = "drive"
driver = "tracks"
port = "3"
options = { counts_per_turn = 360 }
[[device]]
role = "gripper"
driver = "positioner"
port = "4"
options = { lowest_deg = 0, highest_deg = 90 }
[[device]]
role = "start_button"
driver = "button"
port = "5"
"""

WHITE = (800, 800, 800)
BLACK = (100, 100, 100)

REFERENCES = {
    role: Reference(white=(800 / 1023,) * 3, black=(100 / 1023,) * 3) for role in ("floor_left", "floor_right")
}


def rig() -> Rig:
    return parse_rig(RIG, "scripted.toml", plugins.device)


def calibration() -> Calibration:
    return Calibration("today", "none", REFERENCES, "")


def row(left=WHITE, right=WHITE, counts=(0, 0), grip=0, button=0, age=0) -> tuple[int, ...]:
    """One raw row of the rig above."""
    return (age, *left, age, *right, age, *counts, age, grip, age, button)


class ScriptedBackend:
    """Gives rows from an iterable and keeps what it is sent, in order."""

    def __init__(self, rows: Iterable[Any], *, paced: bool = False, on_act: Callable[[], None] | None = None) -> None:
        self.paced = paced
        self.facts: dict[str, str] = {}
        self.sent: list[Any] = []
        self.noticed: list[tuple[str, str]] = []
        self._rows = iter(rows)
        self._on_act = on_act

    def open(self) -> None:
        self.sent.append("open")

    def sense(self, tick: int) -> Any:
        value = next(self._rows)
        if isinstance(value, BaseException):
            raise value
        return value

    def act(self, command: Any) -> None:
        self.sent.append(command)
        if self._on_act is not None:
            self._on_act()

    def stop(self, category: int) -> None:
        self.sent.append(("stop", category))

    def close(self) -> None:
        self.sent.append("close")

    def truth(self) -> None:
        return None

    def faults(self) -> list[tuple[str, str]]:
        noticed, self.noticed = self.noticed, []
        return noticed


class ToldClock:
    """A clock that moves only when somebody sleeps on it or `late` is called."""

    def __init__(self) -> None:
        self.time_s = 100.0
        self.naps: list[float] = []

    def now(self) -> float:
        return self.time_s

    def sleep(self, seconds: float) -> None:
        self.naps.append(seconds)
        self.time_s += seconds

    def late(self, seconds: float) -> None:
        self.time_s += seconds


class Settings:
    """No settings."""


def brain(run: Callable[..., Any], log: Log, **options: Any) -> Brain:
    """A brain that runs one coroutine function of the robot."""

    async def mission(robot: Any, settings: Any) -> Any:
        return await run(robot)

    return Brain(rig(), calibration(), Mission("scripted", mission, Settings, ""), Settings(), log, **options)
