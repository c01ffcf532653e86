"""Following the line: a PID controller on the difference of the eyes' darkness, slower where the line bends.

Rule: this ends, and says why, as soon as the difference means something else than "the line is a little to one
side": something suddenly dark beside the line, no line under either eye, or no readings.
"""

from behaviours.eyes import Eye, Line
from behaviours.settings import LineSettings
from robotcore.kernel import tick
from robotcore.readings import Colour
from robotcore.robot import Robot

ARM_LEFT, ARM_RIGHT, BLANK, BLIND = "arm left", "arm right", "blank", "blind"
COLOURED = 0.07  #: red or green lead each other by this share on paint, and never on floor, line or shade
START_M = 0.002  #: what the eyes saw before following began is of no concern
FAINT = 0.012  #: and by so much light: less is noise


def is_sudden(eye: Eye, line: Line, s: LineSettings) -> bool:
    """Tell whether a dark eye came from floor to dark across an edge, and not by drifting or swinging onto the line.

    It must have seen floor since the last turn on the spot, which may well have ended with this eye on the line.
    """
    gone = line.travel_m - eye.bright_m
    swing = abs(line.heading_rad - eye.bright_rad) * line.ahead_m
    return gone < s.arm.sudden_m and swing < s.arm.swing * gone and line.swung_m < eye.bright_m


def is_coloured(colour: Colour) -> bool:
    """Tell whether a dark reading is paint, a marker or a strip, and not line."""
    lead = abs(colour[1] - colour[0])
    return lead > FAINT and lead > COLOURED * 3.0 * colour[3]


async def follow_line(robot: Robot, line: Line, s: LineSettings) -> str:
    """Follow the line until an arm, a blank or blindness ends it; return which. Paint under an eye steers nothing."""
    f, dt = s.follow, robot.period_s
    half = 0.5 * robot.body.track_width_m
    painted, arm_dark, blank_m, slipped_m = s.arm.painted, s.arm.dark, f.blank_m, s.gap.slipped_m
    left_eye, right_eye, look, drive = line.left, line.right, line.look, robot.drive
    pid, hug, trace = line.pid, f.hug_rad_s, f.trace
    if line.fresh:
        line.fresh = False
        pid.reset()
    update = pid.update
    cruise, slowest, per_turn, per_error, rise = (
        f.cruise_m_s, f.slowest_m_s, f.slow_per_rad_s, f.slow_for_error * f.cruise_m_s, f.rise_m_s2 * dt
    )  # fmt: skip
    drive_now = robot.sample.drive
    speed = max(slowest, 0.5 * (drive_now.left_m_s + drive_now.right_m_s)) if drive_now.valid else slowest
    bend = line.bend_rad_s
    rough_after_m, shaken_m, calm = line.travel_m + START_M, s.rough.after_m, s.rough.turn_rad_s
    while True:
        line.bend_rad_s = bend
        sample = await tick()
        if not look(sample):
            return BLIND
        left, right, travel = left_eye.dark, right_eye.dark, line.travel_m
        rough = travel - line.rough_m < shaken_m and line.rough_m > rough_after_m
        if (left > painted or right > painted) and not rough:
            left_paint = left > painted and is_coloured(sample[2])
            right_paint = right > painted and is_coloured(sample[3])
            if left_paint or right_paint:  # a marker comes before its junction: no arm yet
                left, right = 0.0 if left_paint else left, 0.0 if right_paint else right
            elif left > arm_dark and not left_eye.misses and is_sudden(left_eye, line, s):
                return ARM_LEFT
            elif right > arm_dark and not right_eye.misses and is_sudden(right_eye, line, s):
                return ARM_RIGHT
        blank = travel - line.contact_m
        if blank > slipped_m and (blank > blank_m or line.slipped(slipped_m)):
            return BLANK
        error = left - right
        turn = update(error, dt)
        if left < trace and right < trace:
            turn += hug if line.side > 0 else -hug
        if rough:
            turn = bend + calm if turn > bend + calm else bend - calm if turn < bend - calm else turn
        bend += 0.06 * (turn - bend)
        wanted = cruise - per_turn * (bend if bend > 0.0 else -bend) - per_error * (error if error > 0.0 else -error)
        if wanted > line.cap_m_s:
            wanted = line.cap_m_s
        speed = speed + rise if wanted > speed + rise else slowest if wanted < slowest else wanted
        drive(speed - half * turn, speed + half * turn)
