"""The mission `bench`: the first powered test of a robot that stands on a block, its tracks off the ground.

Every second it tells what each device reads. After the start button it runs each motor alone, slowly and for a moment,
and tells what that motor's counts made of it. Rule: what does not do as it was told is stopped at once, and no other
motor is tried after it.
"""

from collections.abc import Callable
from typing import Any

from behaviours.start import start_pressed
from robotcore.kernel import first, sleep, tick
from robotcore.mission import Mission
from robotcore.readings import STATUS_WORDS, Drive, Position
from robotcore.robot import Robot
from robotcore.settings import number, settings

GOOD = "as told"
WRONG_M, WRONG_RAD = 0.010, 0.12  #: so much the wrong way, or of the wrong motor, is no play of a gear


@settings
class BenchSettings:
    """How far and how fast."""

    every_s: float = number(1.0, 0.1, 60.0)
    """Between two tellings of all readings."""
    speed_m_s: float = number(0.05, 0.01, 0.15)
    """Of a track: slow, but not so slow that a motor's dead band holds it."""
    run_s: float = number(1.0, 0.2, 3.0)
    """So long each track runs."""
    rest_s: float = number(1.0, 0.2, 10.0)
    """Between two motors: time to see which one it was."""
    joint_rad: float = number(0.35, 0.1, 1.0)
    """The gripper closes, and the sorter turns left, by so much, and goes back."""
    share: float = number(0.3, 0.05, 0.9)
    """A motor that does so much of what it was told, in that time, does it."""
    most: float = number(3.0, 1.5, 10.0)
    """One that does so many times of it runs away."""


async def bench(robot: Robot, s: BenchSettings) -> None:
    """Tell all readings, and after the start button what each motor makes of a small command."""
    reason = await first(motors(robot, s), tell(robot, s))
    robot.stand()
    robot.decide("finish", reason=reason)


async def tell(robot: Robot, s: BenchSettings) -> str:
    """Tell what every device reads, again and again."""
    while True:
        robot.decide("readings", **readings(robot))
        await sleep(s.every_s)


def readings(robot: Robot) -> dict[str, str | float | bool]:
    """Return what each device of the rig reads, by name; a word where there is no reading."""
    told: dict[str, str | float | bool] = {}
    for role, field, name in SHOWN:
        if robot.has(role):
            reading: Any = getattr(robot.sample, role)
            told[name] = _rounded(getattr(reading, field)) if reading.valid else STATUS_WORDS[reading.status]
    return told


def _rounded(value: float | bool) -> float | bool:
    return value if isinstance(value, bool) else round(value, 3)


#: role, field of its reading, and the name it is told by
SHOWN = (
    ("floor_left", "lightness", "floor_left"),
    ("floor_right", "lightness", "floor_right"),
    ("front", "lightness", "front"),
    ("side_range", "distance_m", "range_m"),
    ("drive", "left_m", "left_m"),
    ("drive", "right_m", "right_m"),
    ("gripper", "angle_rad", "gripper_rad"),
    ("sorter", "angle_rad", "sorter_rad"),
    ("tilt", "pitch_rad", "pitch_rad"),
    ("tilt", "roll_rad", "roll_rad"),
    ("start_button", "pressed", "button"),
    ("battery", "voltage_v", "battery_v"),
)


async def motors(robot: Robot, s: BenchSettings) -> str:
    """Run one motor after the other; return why it ended."""
    await start_pressed(robot)
    for side in ("left", "right"):
        await rest(robot, s)
        what = await track(robot, side, s)
        if what != GOOD:
            return f"{side} track: {what}"
    for role, command in (("gripper", robot.gripper), ("sorter", robot.sorter)):
        if robot.has(role):
            await rest(robot, s)
            what = await joint(robot, role, command, s)
            if what != GOOD:
                return f"{role}: {what}"
    return "every motor did as told"


async def rest(robot: Robot, s: BenchSettings) -> None:
    """Stand between two motors."""
    robot.stand()
    await sleep(s.rest_s)


async def track(robot: Robot, side: str, s: BenchSettings) -> str:
    """Run one track forward while the other stands; tell what came of it."""
    began, asked_m = robot.sample.drive, s.speed_m_s * s.run_s
    if not began.valid:
        robot.decide("track", side=side, result=IDLE)
        return IDLE
    robot.drive(*((s.speed_m_s, 0.0) if side == "left" else (0.0, s.speed_m_s)))
    for _ in range(round(s.run_s / robot.period_s)):
        moved_m, other_m = moved(began, (await tick()).drive, side)
        what = wrong(moved_m, other_m, s.most * asked_m, WRONG_M)
        if what:
            break
    robot.stand()
    what = what or (GOOD if moved_m >= s.share * asked_m else IDLE)
    lengths = {"asked_m": asked_m, "moved_m": moved_m, "other_m": other_m}
    robot.decide("track", side=side, **{name: round(length, 3) for name, length in lengths.items()}, result=what)
    return what


def moved(began: Drive, drive: Drive, side: str) -> tuple[float, float]:
    """Return how far a track has run since it began, and how far the other one."""
    left, right = drive.left_m - began.left_m, drive.right_m - began.right_m
    return (left, right) if side == "left" else (right, left)


IDLE = "did not move, or has no counts; check the motor's power and plug, and its encoder's"


def wrong(moved: float, other: float, most: float, play: float) -> str:
    """Return what is wrong with a motor that has moved so far forward while another one should stand, or nothing."""
    if abs(other) > max(play, abs(moved)):
        return "the other one turned: swap their plugs, or the two ports in the rig"
    if moved < -play:
        return "its counts fall: swap the motor's two wires if it turned backward, else the encoder's"
    if moved > most:
        return "ran away: check the counts of a turn, and the motor's power, in the rig"
    return ""


async def joint(robot: Robot, role: str, command: Callable[[float], None], s: BenchSettings) -> str:
    """Turn the gripper or the sorter a little and back; tell what came of it."""
    began: Position = getattr(robot.sample, role)
    if not began.valid:
        robot.decide("joint", role=role, result=IDLE)
        return IDLE
    there, what = await turned(robot, role, command, began.angle_rad, s.joint_rad, s)
    if not what:
        back, what = await turned(robot, role, command, began.angle_rad, 0.0, s)
        least = s.share * s.joint_rad
        what = what or (GOOD if there >= least and there - back >= least else IDLE)
    robot.decide("joint", role=role, asked_rad=round(s.joint_rad, 3), moved_rad=round(there, 3), result=what)
    return what


async def turned(
    robot: Robot, role: str, command: Callable[[float], None], from_rad: float, by_rad: float, s: BenchSettings
) -> tuple[float, str]:
    """Turn a joint to `by_rad` from where it began; return where it comes, and what is wrong with that."""
    command(from_rad + by_rad)
    for _ in range(round(s.run_s / robot.period_s)):
        now: Position = getattr(await tick(), role)
        at_rad = now.angle_rad - from_rad
        what = wrong(at_rad, 0.0, s.most * s.joint_rad, WRONG_RAD)
        if what:
            break
    return at_rad, what


BENCH = Mission("bench", bench, BenchSettings, "first powered test, on a block: every reading, and each motor alone")
