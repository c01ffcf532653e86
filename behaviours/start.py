"""Before the run: wait for the start button, then learn how bright the floor is under each eye."""

from itertools import pairwise

from behaviours.eyes import Line
from behaviours.motion import turn_by
from behaviours.settings import LineSettings
from robotcore.kernel import tick
from robotcore.readings import Colour
from robotcore.robot import Robot

NOISE = 0.15  #: less darkness than this is floor


async def start_pressed(robot: Robot) -> None:
    """Stand until the start button has been pressed and let go; a rig without a button starts at once."""
    if not robot.has("start_button"):
        robot.decide("start", by="no button on this rig")
        return
    pressed = False
    while True:
        robot.stand()
        button = (await tick()).start_button
        if button.valid and button.pressed:
            pressed = True
        elif button.valid and pressed:
            robot.decide("start", by="button")
            return


class Swing:
    """What one eye saw while it swung over floor and line: how bright the floor is, and how wide the line."""

    def __init__(self) -> None:
        self._seen: list[tuple[float, float]] = []

    def see(self, colour: Colour, heading_rad: float) -> None:
        """Take in a reading and the robot's heading."""
        if colour.valid:
            self._seen.append((colour.contrast, heading_rad))

    @property
    def white(self) -> float:
        """The floor's contrast, or 1 where nothing bright was seen: high among the bright readings.

        Not the highest: a bump brings an eye nearer to the floor for a moment, which is brighter than floor ever is.
        """
        highest = max((contrast for contrast, _ in self._seen), default=0.0)
        bright = sorted(contrast for contrast, _ in self._seen if contrast > 0.5 * highest)
        return bright[int(0.8 * len(bright))] if highest > 0.3 else 1.0

    @property
    def dark_rad(self) -> float:
        """The angle that was line: darkness summed over the turn, which is so much however wide the eye's spot is."""
        white = self.white
        return sum(
            abs(heading - before) * dark
            for (_, before), (contrast, heading) in pairwise(self._seen)
            if (dark := 1.0 - contrast / white) > NOISE
        )


async def learn_floor(robot: Robot, line: Line, s: LineSettings) -> None:
    """Swing the eyes across the line and back: what is brightest under each is the floor, in this light.

    The longest swing goes all across the line with both eyes, and tells how wide it is.
    """
    line.look(await tick())
    left, right, before, across = Swing(), Swing(), 0.0, 0.0

    def seen() -> bool:
        left.see(robot.sample.floor_left, line.heading_rad)
        right.see(robot.sample.floor_right, line.heading_rad)
        return False

    for share in (1.0, -2.0, 1.0):
        await turn_by(robot, line, share * s.start_rad, s.turn, until=seen)
        so_far = left.dark_rad + right.dark_rad
        before, across = so_far, max(across, so_far - before)
    width_m = max(s.start_narrow_m, min(s.start_wide_m, 0.5 * across * line.ahead_m))
    line.learn(left.white, right.white, width_m)
    robot.decide("floor learnt", left=round(left.white, 3), right=round(right.white, 3), width=round(width_m, 4))
