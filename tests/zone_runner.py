"""Runs one behaviour of the zone on the whole fake robot, with a chart that is right or off by so much.

Rule: the chart is told where the robot truly is; the rest is what a run has: readings, ticks and commands.
"""

from collections.abc import Awaitable, Callable
from typing import Any, NamedTuple

from behaviours.zone.load import Load
from behaviours.zone.scene import Zone
from behaviours.zone.settings import MissionSettings
from robotcore.brain import Brain
from robotcore.log import Log
from robotcore.mission import Mission
from robotcore.robot import Robot
from tests.driving import calibration_of
from tests.zone_kit import Hand, harbour

LONGEST = 9000  #: ticks


class Place(NamedTuple):
    """Where the chart begins on the kit's course (the strip's middle, at the wall's inner edge), and its walls."""

    x: float = 0.5
    y: float = 0.55
    walls: tuple[float, float, float, float] = (1.2, 0.55, 0.0, 0.35)


def let(hand: Hand, place: Place, behaviour: Callable[[Zone], Awaitable[bool]], *load: str) -> tuple[Zone, bool]:
    """Let the robot do something in the zone, with `load` in its left hold; return the zone and what came of it."""
    known: dict[str, Any] = {}

    async def run(robot: Robot, s: MissionSettings) -> None:
        held = Load(s.resume)
        held.holds["left"] += load
        z = known["zone"] = Zone(robot, s.zone, held)
        x, y, heading = hand.robot.truth()
        z.chart.walls = list(place.walls)
        z.chart.place(x - place.x, y - place.y, heading, 0.003, 0.01)
        known["done"] = await behaviour(z)

    mission = Mission("let", run, MissionSettings, "")
    brain = Brain(harbour(), calibration_of("harbour"), mission, MissionSettings(), Log())
    while not brain.done:
        hand.robot.act(brain.step(hand.tick, hand.robot.sense(hand.tick)))
        hand.tick += 1
        assert hand.tick < LONGEST, "it goes on for ever"
    return known["zone"], known["done"]
