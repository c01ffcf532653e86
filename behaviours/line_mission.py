"""The mission `line`: from the start button along the line to the red strip. Read it from top to bottom."""

from behaviours.eyes import Line, Met
from behaviours.follow import ARM_LEFT, ARM_RIGHT, BLANK, follow_line
from behaviours.junction import marker_ahead, pass_arm, take_junction
from behaviours.lost import carry_on, find_line, sight_again
from behaviours.obstacle import Looming, go_round, obstacle_ahead
from behaviours.settings import LineSettings
from behaviours.start import learn_floor, start_pressed
from behaviours.strips import red_strip
from robotcore.kernel import first, tick
from robotcore.mission import Mission
from robotcore.robot import Robot


async def line_mission(robot: Robot, s: LineSettings) -> None:
    """Start, drive the line field, stop on red."""
    line = Line(robot, s)
    await start_pressed(robot)
    await learn_floor(robot, line, s)
    reason = await first(line_field(robot, line, s), red_strip(robot, s))
    robot.stand()
    robot.decide("finish", reason=reason)


async def line_field(robot: Robot, line: Line, s: LineSettings) -> str:
    """Drive along the line, do what markers say and go round obstacles, until the line stays lost."""
    looming = Looming(s.obstacle, robot.period_s)
    while True:
        met = await first(
            stay_on_line(robot, line, s), marker_ahead(robot, line, s), obstacle_ahead(robot, line, looming, s)
        )
        if met.kind == "marker":
            found = await take_junction(robot, line, met.side, s)
        elif met.kind == "obstacle":
            found = await go_round(robot, line, met.distance_m, s)
            looming.forget()
        else:
            found = False
        if not found and not await recover(robot, line, s):
            return "lost"


async def stay_on_line(robot: Robot, line: Line, s: LineSettings) -> Met:
    """Follow the line across corners, crossings and gaps; return once it is lost."""
    while True:
        event = await follow_line(robot, line, s)
        if event in (ARM_LEFT, ARM_RIGHT):
            there = await pass_arm(robot, line, 1 if event == ARM_LEFT else -1, s)
        elif event == BLANK:
            there = await carry_on(robot, line, s)
        else:
            await sight_again(robot, line)
            continue
        if not there:
            return Met("lost")


async def recover(robot: Robot, line: Line, s: LineSettings) -> bool:
    """Search for the line; where it stays lost, or is lost here again and again, stand and say so."""
    here = abs(line.travel_m - line.lost_m) < s.gap.here_m
    line.lost_m, line.losses = line.travel_m, line.losses + 1 if here else 1
    ray = line.trail.ray(s.gap.fit_m, line.contact_m, line.heading_rad)
    if line.losses <= s.gap.losses and await find_line(robot, line, ray, s):
        line.forget()
        return True
    robot.fault("lost", "the line was not found again; standing")
    robot.stand()
    await tick()
    return False


LINE = Mission("line", line_mission, LineSettings, "follow the line field from the start button to the red strip")
