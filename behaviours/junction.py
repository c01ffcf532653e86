"""Arms beside the line, corners, and green markers: where to go on.

A corner and a crossing begin alike: one eye is suddenly dark. The robot drives across, then swings one eye over where
the line would go on. If it is there, it was a crossing; if not, a corner.

Markers stand before a junction, on the side to turn to, on both sides to turn round. Green seen in passing is only a
suspicion: the robot creeps on to the junction, backs up to the middle of the green and looks again, swinging both
eyes. Green behind a junction means nothing, and green with no junction behind it neither.
"""

from typing import NamedTuple

from behaviours.eyes import BLACK, Eye, Line, Met
from behaviours.follow import is_coloured
from behaviours.motion import drive_on, follow_ray, ray_turn, settle, turn_by, wheels, wrap
from behaviours.settings import ArmSettings, LineSettings, MarkerSettings
from behaviours.strips import is_green
from robotcore.control import Vote
from robotcore.kernel import tick
from robotcore.readings import Colour
from robotcore.robot import Robot

PAINTED = 0.04  #: light by which red and green differ on a marker, and never by noise on black
SIDES = {1: "left", -1: "right"}


class Passing:
    """What both eyes have seen of an arm on the way across it."""

    def __init__(self, line: Line, s: ArmSettings) -> None:
        self._line, self._s = line, s
        self._dark = {1: 0, -1: 0}

    @property
    def both(self) -> bool:
        """Tell whether there was an arm under both eyes, for much the same way."""
        return min(self._dark.values()) > self._s.both * max(self._dark.values())

    def clear(self) -> bool:
        """Take in this tick's readings; tell whether the arm is behind both eyes."""
        self._line.arm_m = self._line.travel_m
        dark = [self._darkness(side) for side in (1, -1)]
        for side, darkness in zip((1, -1), dark, strict=True):
            self._dark[side] += darkness > self._s.dark
        return max(dark) < self._s.clear

    def _darkness(self, side: int) -> float:
        """Return what an eye has of the arm; a marker behind it is none."""
        eye, colour = self._line.eye(side), self._line.colour(side)
        if eye.misses:
            return eye.dark
        return 0.0 if is_coloured(colour) and abs(colour[1] - colour[0]) > PAINTED else eye.reads(colour)


async def pass_arm(robot: Robot, line: Line, side: int, s: LineSettings) -> bool:
    """Cross an arm on `side`, then go on straight or round the corner; False where no line was found."""
    a = s.arm
    ray = line.trail.ray(s.gap.fit_m, line.travel_m - a.edge_m, line.heading_rad)
    start, passing = line.travel_m, Passing(line, a)
    corner = ray.at(*line.middle(), a.middle_m)
    if not await follow_ray(robot, line, ray, a.longest_m, a.speed_m_s, passing.clear):
        return True
    width = line.travel_m - start
    await follow_ray(robot, line, ray, max(a.beyond_m, line.width_m + a.over_m - width), a.speed_m_s)
    await settle(robot, line, 0.06)
    both = passing.both
    if await line_ahead(robot, line, side, s):
        await turn_by(robot, line, wrap(ray.heading_rad - line.heading_rad), s.turn)
        robot.decide("crossing", arms="both" if both else SIDES[side], width=round(width, 3))
        return True
    if not await round_corner(robot, line, side, not both, s):
        return False
    line.trail.note(*corner)
    return True


async def round_corner(robot: Robot, line: Line, side: int, sure: bool, s: LineSettings) -> bool:
    """Turn to the line at a corner, first to the side on which it was seen, then to the other; False if it is lost."""
    start_rad = line.heading_rad
    for which in (side, -side):
        turn = which * s.arm.corner_rad - (line.heading_rad - start_rad)
        if await turn_by(robot, line, turn, s.turn, until=lambda: line.met):
            robot.decide("corner", side=SIDES[which], sure=sure and which == side)
            line.forget()
            return True
    return False


async def line_ahead(robot: Robot, line: Line, side: int, s: LineSettings) -> bool:
    """Swing away from the arm's side: the eye of that side comes over the middle. Tell whether it finds the line."""
    eye = line.eye(side)
    swing = s.arm.peek_m / line.ahead_m

    def seen() -> bool:
        return eye.dark > 0.4 and not is_coloured(line.colour(side))

    found = await turn_by(robot, line, -side * swing, s.turn, until=seen)
    if not found:
        await settle(robot, line, 0.05)
        found = seen()
    if not found:
        await turn_by(robot, line, side * swing, s.turn)
    return found


class Look:
    """What both eyes saw while they swung over the line: where it is, and how much green is on which side of it.

    Each reading counts at the place across the robot at which it was taken, so it does not matter how well the robot
    stands over the line.
    """

    def __init__(self, s: MarkerSettings) -> None:
        self._s = s
        self._line: list[float] = []
        self._green: list[float] = []
        self.share = 0.0

    def see(self, colour: Colour, dark: float, left_m: float) -> None:
        """Take in a reading, the eye's darkness, and how far left of the robot's middle it was taken."""
        if not colour.valid:
            return
        if is_green(colour, self._s):
            self._green.append(left_m)
            self.share = max(self.share, colour.green / (3.0 * colour.lightness))
        elif dark > BLACK:
            self._line.append(left_m)

    def sides(self) -> str:
        """Return the sides of the line on which there is enough green: "left", "right", "both" or "none"."""
        middle = sum(self._line) / len(self._line) if self._line else 0.0
        left = sum(place > middle for place in self._green)
        right = len(self._green) - left
        words = {(True, True): "both", (True, False): "left", (False, True): "right"}
        return words.get((left >= self._s.confirm, right >= self._s.confirm), "none")


async def marker_ahead(robot: Robot, line: Line, s: LineSettings) -> Met:
    """Return the side on which green is suspected; green just behind an arm does not count."""
    m = s.marker
    left_vote, right_vote = Vote(m.votes, m.window), Vote(m.votes, m.window)
    light, quiet = m.light, True
    while True:
        sample = await tick()
        left, right = sample[2], sample[3]
        left_green = left[3] < light and left[1] > left[0] and is_green(left, m) and is_before(line, line.left, m)
        right_green = right[3] < light and right[1] > right[0] and is_green(right, m) and is_before(line, line.right, m)
        if quiet and not left_green and not right_green:
            continue
        quiet = False
        if left_vote.update(left_green):
            return Met("marker", 1)
        if right_vote.update(right_green):
            return Met("marker", -1)
        quiet = not left_vote.count and not right_vote.count


def is_before(line: Line, eye: Eye, s: MarkerSettings) -> bool:
    """Tell whether green under an eye stands before a junction: no arm, and nothing black under that eye, just now."""
    return line.travel_m - line.arm_m > s.after_m and line.travel_m - eye.black_m > s.black_m


class Passed(NamedTuple):
    """What creeping over a suspected marker gave: the green's middle, and where the junction's arm began."""

    middle_m: float
    arm_m: float


async def take_junction(robot: Robot, line: Line, side: int, s: LineSettings) -> bool:
    """Look twice at a suspected marker and do what it says; False where no line was found afterwards."""
    passed = await creep_over(robot, line, side, s)
    if passed is None:
        robot.decide("marker", side="none", reason="no junction behind the green")
        return True
    await settle(robot, line, 0.05)
    await drive_on(robot, line, passed.middle_m - line.travel_m, s.turn, speed_m_s=s.marker.creep_m_s)
    sides, share = await look_again(robot, line, s)
    robot.decide("marker", side=sides, share=round(share, 3))
    if sides == "none":
        line.arm_m = passed.arm_m
        return True
    if sides == "both":
        return await turn_round(robot, line, s)
    return await turn_off(robot, line, 1 if sides == "left" else -1, passed.arm_m, s)


async def creep_over(robot: Robot, line: Line, side: int, s: LineSettings) -> Passed | None:
    """Creep straight on until the eye that saw green comes to an arm; None if none comes."""
    m, eye = s.marker, line.eye(side)
    ray = line.trail.ray(s.gap.fit_m, line.travel_m - 0.01, line.heading_rad)
    start = first = last = line.travel_m
    black = 0
    while line.travel_m - start < m.reach_m:
        wheels(robot, m.creep_m_s, ray_turn(line, ray, 0.0, m.creep_m_s))
        line.look(await tick())
        colour = line.colour(side)
        if is_green(colour, m):
            last = line.travel_m
        black = black + 1 if is_line(eye, colour, s) else 0
        if black >= 2 and last > first:
            return Passed(0.5 * (first - 0.004 + last), line.travel_m)
    return None


def is_line(eye: Eye, colour: Colour, s: LineSettings) -> bool:
    """Tell whether an eye is on black: dark, and too dark for a colour."""
    return colour.valid and eye.dark > s.arm.dark and colour.lightness < s.marker.gate


async def look_again(robot: Robot, line: Line, s: LineSettings) -> tuple[str, float]:
    """Swing both eyes over the line and where markers would be; return the green sides and the greatest share."""
    look, start_rad = Look(s.marker), line.heading_rad

    def seen() -> bool:
        swung = (line.heading_rad - start_rad) * line.ahead_m
        look.see(robot.sample.floor_left, line.left.dark, swung + line.side_m)
        look.see(robot.sample.floor_right, line.right.dark, swung - line.side_m)
        return False

    swing = s.marker.look_m / line.ahead_m
    for share in (1.0, -2.0, 1.0):
        await turn_by(robot, line, share * swing, s.turn, until=seen, rate_rad_s=s.marker.look_rad_s)
    return look.sides(), look.share


async def turn_off(robot: Robot, line: Line, side: int, arm_m: float, s: LineSettings) -> bool:
    """Drive until the axle is over the junction and turn into the arm on `side`."""
    await drive_on(robot, line, arm_m + line.ahead_m + 0.006 - line.travel_m, s.turn)
    return await turn_into(robot, line, side, s.turn.blind_rad, s)


async def turn_round(robot: Robot, line: Line, s: LineSettings) -> bool:
    """Turn round on the spot to the line that the robot came on."""
    return await turn_into(robot, line, 1, s.turn.turn_round_rad, s)


async def turn_into(robot: Robot, line: Line, side: int, blind_rad: float, s: LineSettings) -> bool:
    """Turn on the spot until an eye meets a line, blind to those that are nearer than `blind_rad`."""
    found = await turn_by(robot, line, side * (blind_rad + 1.7), s.turn, until=lambda: line.met, blind_rad=blind_rad)
    line.forget()
    line.trail.note(*line.axle())
    line.arm_m = line.travel_m - s.marker.after_m + 0.02
    return found
