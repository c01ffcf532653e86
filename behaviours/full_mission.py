"""The missions `zone` and `full`: line, silver strip, zone, green strip, line, red strip. Read from top to bottom.

The two are one coroutine: `full` starts at the beginning of the line, `zone` just before the silver strip of a zone
course; what comes after each checkpoint is the same. The operator may stop the robot at any time by the start button,
put it back to the last checkpoint and press again: it goes on from there with its counts and its load.
"""

from behaviours.eyes import Line
from behaviours.line_mission import line_field
from behaviours.lost import carry_on
from behaviours.start import learn_floor, start_pressed
from behaviours.strips import red_strip
from behaviours.zone.deposit import deposit
from behaviours.zone.enter import SILVER, enter, silver_strip
from behaviours.zone.leave import leave
from behaviours.zone.load import Load
from behaviours.zone.scene import Zone
from behaviours.zone.settings import MissionSettings
from behaviours.zone.sweep import sweep
from robotcore.errors import UserError
from robotcore.kernel import first, tick
from robotcore.mission import Mission
from robotcore.robot import Robot

NEEDED = ("front", "side_range", "gripper", "sorter")
PRESSED = "pressed"


async def full_mission(robot: Robot, s: MissionSettings) -> None:
    """Drive the whole mission, through every stop by the operator."""
    for role in NEEDED:
        if not robot.has(role):
            raise UserError(f"this rig has no {role}; the zone needs one: choose another rig, or the mission line")
    load = Load(s.resume)
    await start_pressed(robot)
    load.checkpoint = load.checkpoint or "line"
    while True:
        reason = await first(from_checkpoint(robot, s, load), stop_pressed(robot))
        if reason != PRESSED:
            break
        await stand_and_wait(robot, load)
    robot.stand()
    robot.decide("finish", reason=reason)


async def stop_pressed(robot: Robot) -> str:
    """Return once the start button is pressed."""
    while True:
        button = (await tick()).start_button
        if button.valid and button.pressed:
            return PRESSED


async def stand_and_wait(robot: Robot, load: Load) -> None:
    """Stand until the robot was put back and the button pressed and let go once more."""
    load.stops += 1
    robot.decide("stopped by hand", checkpoint=load.checkpoint, **load.fields())
    while robot.sample.start_button.pressed:
        robot.stand()
        await tick()
    await start_pressed(robot)
    robot.decide("resumed", checkpoint=load.checkpoint, **load.fields())


async def from_checkpoint(robot: Robot, s: MissionSettings, load: Load) -> str:
    """Go on from the last checkpoint; return how it ended."""
    if load.checkpoint != "exit":
        line = await to_silver(robot, s, load)
        if line is None:
            return "lost"
        if not await through_zone(robot, s, load, line):
            return "lost"
    return await to_red(robot, s, load)


def say(robot: Robot, load: Load, name: str) -> None:
    """Reach a checkpoint: from here the mission goes on after a lack of progress."""
    load.checkpoint = name
    robot.decide("checkpoint", place=name, **load.fields())


async def to_silver(robot: Robot, s: MissionSettings, load: Load) -> Line | None:
    """Follow the line to the silver strip; None where the line stays lost."""
    say(robot, load, load.checkpoint)
    line = Line(robot, s.line)
    await learn_floor(robot, line, s.line)
    reason = await first(line_field(robot, line, s.line), silver_strip(robot, line, s.zone.silver))
    load.learnt = line.left.white, line.right.white, line.width_m
    return line if reason == SILVER else None


async def through_zone(robot: Robot, s: MissionSettings, load: Load, line: Line) -> bool:
    """Enter, sweep, deposit and leave; False where the way out was not found."""
    say(robot, load, "zone")
    z = Zone(robot, s.zone, load)
    await enter(z, line)
    await sweep(z)
    await deposit(z)
    if not await leave(z, s.line.marker):
        return False
    robot.decide("left zone", **load.fields())
    say(robot, load, "exit")
    return True


async def to_red(robot: Robot, s: MissionSettings, load: Load) -> str:
    """Follow the line behind the zone to the red strip."""
    line = Line(robot, s.line)
    if load.learnt:
        line.learn(*load.learnt)
    else:
        await learn_floor(robot, line, s.line)
    line.look(await tick())
    line.forget()
    await carry_on(robot, line, s.line)
    return await first(line_field(robot, line, s.line), red_strip(robot, s.line))


ZONE = Mission(
    "zone", full_mission, MissionSettings, "from before the silver strip through the zone to the red strip",
    handles_button=True,
)  # fmt: skip
FULL = Mission(
    "full", full_mission, MissionSettings, "line field, zone, line behind it, red strip", handles_button=True
)
