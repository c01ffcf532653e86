"""Before the run: wait for the start button, then learn how bright the floor is under each eye."""

from behaviours.eyes import Line
from behaviours.motion import turn_by
from behaviours.settings import LineSettings
from robotcore.kernel import tick
from robotcore.readings import Colour
from robotcore.robot import Robot


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


class Brightness:
    """Tells the floor's brightness from what an eye saw of floor and line: high among the bright readings.

    Not the highest: a bump brings an eye nearer to the floor for a moment, which is brighter than floor ever is.
    """

    def __init__(self) -> None:
        self._seen: list[float] = []

    def see(self, colour: Colour) -> None:
        """Take in a reading."""
        if colour.valid:
            self._seen.append(colour.contrast)

    @property
    def white(self) -> float:
        """The floor's contrast, or 1 where nothing bright was seen."""
        highest = max(self._seen, default=0.0)
        bright = sorted(contrast for contrast in self._seen if contrast > 0.5 * highest)
        return bright[int(0.8 * len(bright))] if highest > 0.3 else 1.0


async def learn_floor(robot: Robot, line: Line, s: LineSettings) -> None:
    """Swing the eyes across the line and back: what is brightest under each is the floor, in this light."""
    line.look(await tick())
    left, right = Brightness(), Brightness()

    def seen() -> bool:
        left.see(robot.sample.floor_left)
        right.see(robot.sample.floor_right)
        return False

    for share in (1.0, -2.0, 1.0):
        await turn_by(robot, line, share * s.start_rad, s.turn, until=seen)
    line.learn(left.white, right.white)
    robot.decide("floor learnt", left=round(left.white, 3), right=round(right.white, 3))
