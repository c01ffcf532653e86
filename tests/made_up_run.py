"""A run that tests may draw, list and export: the fake robot, driven by a mission of a dozen lines that lives here.

Rule: it says a decision or fault of every kind that a picture has to cope with; nothing in it depends on `behaviours`.
"""

from pathlib import Path

import attrs

from robotcore.backend import parse_address
from robotcore.brain import Brain
from robotcore.calibration import load_calibration
from robotcore.cli import plugins
from robotcore.kernel import tick
from robotcore.log import Decision, Log
from robotcore.mission import Mission
from robotcore.recording.schema import Header
from robotcore.recording.writer import Recorder
from robotcore.rig import load_rig
from robotcore.runtime import Limits, Run


@attrs.frozen
class Pace:
    """Settings of the mission."""

    speed_m_s: float = 0.15
    say_every: int = 300
    name: str = "glance"


async def wander(robot, pace):
    """Steer by the difference of the floor readings, and say something now and then."""
    while True:
        sample = await tick()
        turn = 0.3 * (sample.floor_right.contrast - sample.floor_left.contrast)
        robot.drive(pace.speed_m_s - turn, pace.speed_m_s + turn)
        if sample.tick % pace.say_every == 0:
            robot.decide(pace.name, left=sample.floor_left.contrast, side="left", first=sample.tick == 0)
        if sample.tick % 700 == 50:
            robot.fault("doubt", "costs $5, not $6")


MISSION = Mission("wander", wander, Pace, "follow a line without knowing why")


def drive(path: Path, url: str = "fake:quay?seed=3&perturb=0", seconds: float = 12.0, rig: str = "harbour", **settings):
    """Drive and record; returns the path."""
    address, built = parse_address(url), load_rig(plugins.rig_path(rig), plugins.device)
    calibration = load_calibration(plugins.calibration_path(rig))
    world, log = plugins.backend(address)(address, built), Log()
    header = Header(
        path.stem, "2000-01-01T12:00:00+0000", "wander", built.name, built.text, calibration.text, "", url,
        "made up", built.period_s, dict(world.facts),
    )  # fmt: skip
    recorder = Recorder(path, header, built.layout, blocking=True)

    def tell(entry):
        (recorder.decision if isinstance(entry, Decision) else recorder.fault)(*entry)

    log.tell = tell
    brain = Brain(built, calibration, MISSION, Pace(**settings), log)
    outcome = Run(world, brain, log, Limits(run_s=seconds), recorder=recorder, button_stops=False).run()
    recorder.close(outcome.how if outcome.finished else f"stopped: {outcome.how}", outcome.seconds)
    assert recorder.failure is None
    return path
