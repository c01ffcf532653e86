"""Following the line: a PID controller on the difference of the eyes' darkness, slower where the line bends.

Rule: this ends, and says why, as soon as the difference means something else than "the line is a little to one
side": something suddenly dark beside the line, no line under either eye, or no readings.
"""

from behaviours.eyes import Eye, Line
from behaviours.settings import LineSettings
from robotcore.control import Pid, PidSettings
from robotcore.kernel import tick
from robotcore.robot import Robot

ARM_LEFT, ARM_RIGHT, BLANK, BLIND = "arm left", "arm right", "blank", "blind"


def make_pid(s: LineSettings) -> Pid:
    """Return the steering controller."""
    f = s.follow
    return Pid(
        PidSettings(f.kp_rad_s, f.ki_rad_s2, f.kd_rad, f.filter_s, -f.turn_limit_rad_s, f.turn_limit_rad_s, 0.1)
    )


def is_sudden(eye: Eye, line: Line, s: LineSettings) -> bool:
    """Tell whether a dark eye came from floor to dark across an edge, and not by drifting or swinging onto the line."""
    swing = abs(line.heading_rad - eye.bright_rad) * line.ahead_m
    return line.travel_m - eye.bright_m < s.arm.sudden_m and swing < s.arm.swing_m


async def follow_line(robot: Robot, line: Line, s: LineSettings) -> str:
    """Follow the line until an arm, a blank or blindness ends it; return which."""
    f, pid, dt = s.follow, make_pid(s), robot.period_s
    half = 0.5 * robot.body.track_width_m
    arm_dark, blank_m = s.arm.dark, f.blank_m
    left_eye, right_eye, look, update, drive = line.left, line.right, line.look, pid.update, robot.drive
    cruise, slowest, per_turn, per_error, rise = (
        f.cruise_m_s, f.slowest_m_s, f.slow_per_rad_s, f.slow_for_error * f.cruise_m_s, f.rise_m_s2 * dt
    )
    speed, bend = slowest, 0.0
    while True:
        if not look(await tick()):
            return BLIND
        left, right = left_eye.dark, right_eye.dark
        if left > arm_dark and is_sudden(left_eye, line, s):
            return ARM_LEFT
        if right > arm_dark and is_sudden(right_eye, line, s):
            return ARM_RIGHT
        if line.travel_m - line.contact_m > blank_m:
            return BLANK
        error = left - right
        turn = update(error, dt)
        bend += 0.1 * ((turn if turn > 0.0 else -turn) - bend)
        wanted = cruise - per_turn * bend - per_error * (error if error > 0.0 else -error)
        speed = speed + rise if wanted > speed + rise else slowest if wanted < slowest else wanted
        drive(speed - half * turn, speed + half * turn)
