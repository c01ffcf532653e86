"""The two floor eyes and the way they came: what every behaviour on the line knows about it.

The light is followed from place to place by the eye that is less on the line, up at once and down slowly, under both
eyes alike; what one eye alone has wrong mends itself more slowly. Where both are dimmed the nose is up, and what that
takes is undone.

Rules: whoever steers calls `Line.look` once a tick, and nobody else does. An eye turns a reading into darkness, 0 on
the floor and 1 on the line, by the brightness of the floor *here*: the lamp's and the hall's light, and how high the
eye is mounted, need not be what they were at calibration. A missing reading leaves the last one, and is counted.
"""

import math
from typing import NamedTuple

from behaviours.settings import LineSettings
from behaviours.trail import BACK_M, STEP_M, Trail
from robotcore.control import Pid, PidSettings
from robotcore.readings import OK, SATURATED, Colour, Sample
from robotcore.robot import Robot

RISE = 0.05  #: share of a brighter floor taken in a tick: the brightest of late is the floor
FALL = 0.006  #: share of a darker one: slowly, since a wide line darkens both eyes a little
UP, DOWN = 0.02, 0.003  #: the same for each eye alone, every other tick: what was learnt at the start may be wrong
FAINT = 0.4  #: an eye with more darkness learns nothing
DARKEST, BRIGHTEST = 0.7, 1.4  #: the light may change so much from what was learnt at the start
SPIKE = -0.20  #: an eye with less darkness than this is nearer to the floor than it was calibrated
LEVEL = 0.65  #: where even the brighter eye has less light than this, the nose is up, or both are on an arm
NIGHT = 0.22  #: and with less than this nothing can be said
RAMP_M = 0.006  #: an arm's edge is passed in a shorter way than this
BARE = 0.85  #: where the brighter eye has more light than this, it sees plain floor
BLACK = 0.92  #: an eye with more darkness is on black: paint is some .85 dark
GREENISH = 0.025  #: light by which green leads red where a black eye has a marker's edge in its spot
WELL = 0.5  #: an eye with more darkness is well on the line
TINT = 0.045  #: share by which red and green differ on an edge of paint that is as dark
GLANCES_M = 0.1  #: a glance shakes the robot, and the next blank may come of that alone
SPOT_M = 0.008  #: so wide is what an eye sees: its darkness times this is how far the line's edge reaches into it
FULL = 0.97  #: darker, the line's edge may be anywhere beyond the spot
TRACE = 0.05  #: less darkness than this is noise
SUDDEN_M = 0.012  #: as dark as that so shortly after floor: across an edge, not along it
STRONG = 0.6  #: an eye with more darkness is mostly on the line
BRIGHT = 0.5  #: an eye with less darkness is not on an arm


def make_pid(s: LineSettings) -> Pid:
    """Return the steering controller."""
    f = s.follow
    return Pid(PidSettings(f.kp_rad_s, f.ki_rad_s2, f.kd_rad, f.filter_s, -f.turn_limit_rad_s, f.turn_limit_rad_s, 0.1))


class Met(NamedTuple):
    """What a behaviour met on the line: "marker" (on a side, +1 left), "obstacle" (so far ahead) or "lost"."""

    kind: str
    side: int = 0
    distance_m: float = 0.0


class Eye:
    """One floor eye.

    Attributes:
        white: what the floor reads here, in units of contrast.
        dark: 0 on the floor, 1 on the line.
        misses: readings missing in a row.
        bright_m: the travel at which this eye last saw floor.
        bright_rad: the heading then.
        black_m: the travel at which this eye last saw black.

    """

    __slots__ = ("black_m", "bright_m", "bright_rad", "dark", "misses", "white")

    def __init__(self) -> None:
        self.dark = 0.0
        self.misses = 0
        self.bright_m = self.bright_rad = 0.0
        self.black_m = -1.0
        self.white = 1.0

    def see(self, colour: Colour) -> None:
        """Take in a reading."""
        status = colour[7]
        if status != OK and status != SATURATED:
            self.misses += 1
            return
        self.misses = 0
        self.dark = self.reads(colour) if status == OK else 0.0  # full scale: brighter than any line, and no more

    def reads(self, colour: Colour) -> float:
        """Return the darkness of a reading as it stands, whether the nose is up or not."""
        return 1.0 - colour[4] / self.white


def is_tinted(colour: Colour) -> bool:
    """Tell whether a half dark reading has paint in it: green and red differ more than a tinted light makes them."""
    return abs(colour[1] - colour[0]) > TINT * 3.0 * colour[3]


class Line:
    """What is known of the line: both eyes, the trail, and what was met on it.

    Args:
        robot: for the eyes' place on the body.
        settings: of the mission.

    Attributes:
        left, right: the eyes.
        trail: the way the middle between the eyes came.
        ahead_m: how far ahead of the axle the eyes are.
        side_m: how far each is from the middle.
        width_m: of the line; measured at the start.
        sample: the readings of the last look.
        travel_m: travel at the last look.
        heading_rad: heading at the last look.
        contact_m: travel at the last look at which an eye had a trace of the line.
        side: +1 where the line was last more under the left eye, -1 under the right.
        strong_m: travel at the last look at which an eye was mostly on the line.
        swung_m: travel at the end of the last turn on the spot, and a little more.
        arm_m: travel at which an arm was last under an eye.
        lost_m: travel at which the line was last lost.
        glanced_m: travel at the last look aside for a line that slipped.
        losses: how often in a row it was lost about there.
        pid: steers along the line; it remembers the bend across a short blank.
        rough_m: travel at the last sign of a floor that is not even.
        cap_m_s: no faster than this, since something is ahead.
        fresh: tells that what `pid` remembers is of another line.
        bend_rad_s: the turn it asked for lately.

    """

    sample: Sample

    def __init__(self, robot: Robot, settings: LineSettings) -> None:
        left, right = robot.mount("floor_left"), robot.mount("floor_right")
        self.ahead_m = 0.5 * (left.ahead_m + right.ahead_m)
        self.side_m = 0.5 * (left.left_m - right.left_m)
        self.width_m = 0.015
        self.left, self.right = Eye(), Eye()
        self.trail = Trail(self.ahead_m)
        self.travel_m = self.heading_rad = 0.0
        self.contact_m = 0.0
        self.arm_m = self.strong_m = self.swung_m = -1.0
        self.side = 1
        self.misses = 0
        self._missed = False  # something, at the last look
        self.lost_m, self.losses, self.glanced_m = -math.inf, 0, -math.inf
        self.pid = make_pid(settings)
        self.fresh = True
        self.bend_rad_s = 0.0
        self.cap_m_s = math.inf
        self.rough_m = self._level_m = -1.0
        self._light = 1.0
        self._trace, self._touch = settings.follow.trace, settings.follow.touch
        self._patience = math.ceil(settings.follow.blind_s / robot.period_s)

    def look(self, sample: Sample) -> bool:
        """Take in this tick's readings; False once the floor or the tracks have not been seen for too long."""
        self.sample = sample
        left, right, left_seen, right_seen, drive = self.left, self.right, sample[2], sample[3], sample[6]
        if left_seen[7] or right_seen[7] or drive[8]:
            self._miss(sample)
            travel, heading, left_dark, right_dark = self.travel_m, self.heading_rad, left.dark, right.dark
        else:
            if self._missed:
                self._missed = False
                left.misses = right.misses = self.misses = 0
            left.dark = left_dark = 1.0 - left_seen[4] / left.white
            right.dark = right_dark = 1.0 - right_seen[4] / right.white
            self.travel_m = travel = drive[2]
            self.heading_rad = heading = drive[3]
        if not BACK_M < travel - self.trail.travel_m < STEP_M:
            self.trail.follow(travel, heading, *self._offset())
        bright = 1.0 - (left_dark if left_dark < right_dark else right_dark)
        if bright < LEVEL:
            left_dark, right_dark = self._dim(bright, travel)
        else:
            self._level_m = travel
            if bright > BARE:
                if left_dark < SPIKE or right_dark < SPIKE:
                    self.rough_m = travel
                else:
                    share = 1.0 + (RISE if bright > 1.0 else FALL) * (bright - 1.0)
                    light = self._light * share
                    if DARKEST < light < BRIGHTEST:
                        self._light = light
                        left.white *= share
                        right.white *= share
        if sample[0] & 1:
            if left_dark < FAINT:
                left.white *= 1.0 - (UP if left_dark < 0.0 else DOWN) * left_dark
        elif right_dark < FAINT:
            right.white *= 1.0 - (UP if right_dark < 0.0 else DOWN) * right_dark
        if left_dark < BRIGHT:
            left.bright_m, left.bright_rad = travel, heading
        elif left_dark > BLACK and left_seen[1] - left_seen[0] < GREENISH:
            left.black_m = travel
        if right_dark < BRIGHT:
            right.bright_m, right.bright_rad = travel, heading
        elif right_dark > BLACK and right_seen[1] - right_seen[0] < GREENISH:
            right.black_m = travel
        if left_dark > self._trace or right_dark > self._trace:
            self.contact_m = travel
            self.side = 1 if left_dark > right_dark else -1
            if left_dark > STRONG or right_dark > STRONG:
                self.strong_m = travel
        return not self._missed or self._bears_it()

    def _bears_it(self) -> bool:
        """Tell whether nothing has been missing for too long."""
        patience = self._patience
        return self.left.misses <= patience and self.right.misses <= patience and self.misses <= patience

    def learn(self, left_white: float, right_white: float, width_m: float) -> None:
        """Take what the floor reads under either eye, which may change by a third later, and the line's width."""
        self.width_m = width_m
        self.left.white, self.right.white = left_white, right_white
        self._light = 1.0

    def _offset(self) -> tuple[float | None, bool]:
        """Return how far left of the middle between the eyes the line is, None where they do not tell; and how sure.

        The more an eye has of the line, the farther the line's edge reaches into its spot. An eye that is dark
        suddenly, or over paint, tells nothing. Where both see plain floor the line is between them, or there is none.
        """
        if self.left.dark < TRACE > self.right.dark:
            return 0.0, False
        left, right = self._tells(self.left, self.sample[2]), self._tells(self.right, self.sample[3])
        edge = self.side_m - 0.5 * (self.width_m + SPOT_M)
        if left and right:
            return 0.5 * SPOT_M * (self.left.dark - self.right.dark), True
        if left or right:
            return edge + SPOT_M * self.left.dark if left else -edge - SPOT_M * self.right.dark, True
        return None, False

    def _tells(self, eye: Eye, colour: Colour) -> bool:
        return (
            not eye.misses
            and TRACE < eye.dark < FULL
            and not (eye.dark > STRONG and self.travel_m - eye.bright_m < SUDDEN_M)
            and not is_tinted(colour)
        )

    def _miss(self, sample: Sample) -> None:
        """Take in a tick in which a reading is missing or marked."""
        self._missed = True
        self.left.see(sample.floor_left)
        self.right.see(sample.floor_right)
        drive = sample.drive
        if drive.status == OK:
            self.misses = 0
            self.travel_m, self.heading_rad = drive.travel_m, drive.heading_rad
        else:
            self.misses += 1

    def _dim(self, bright: float, travel_m: float) -> tuple[float, float]:
        """Undo what the nose up takes from both eyes alike; note a floor that is not even."""
        left, right = self.left, self.right
        if bright > NIGHT:
            left.dark, right.dark = 1.0 - (1.0 - left.dark) / bright, 1.0 - (1.0 - right.dark) / bright
            if travel_m - self._level_m > RAMP_M:
                self.rough_m = travel_m
        else:
            self._level_m = travel_m
            if travel_m - self.rough_m < RAMP_M:
                self.rough_m = travel_m
        return left.dark, right.dark

    @property
    def touched(self) -> bool:
        """Tell whether an eye clearly has the line."""
        return self.left.dark > self._touch or self.right.dark > self._touch

    @property
    def met(self) -> bool:
        """Tell whether an eye is well on the line, and not on the edge of a marker or a strip."""
        left, right = self.sample[2], self.sample[3]
        return (self.left.dark > WELL and not is_tinted(left)) or (self.right.dark > WELL and not is_tinted(right))

    def slipped(self, within_m: float) -> bool:
        """Tell whether the line went just after it was all under one eye, and nobody looked for it there of late."""
        return self.contact_m - self.strong_m < within_m and self.travel_m - self.glanced_m > GLANCES_M

    def eye(self, side: int) -> Eye:
        """Return the left eye for +1, the right one for -1."""
        return self.left if side > 0 else self.right

    def colour(self, side: int) -> Colour:
        """Return the last look's reading of the left eye for +1, of the right one for -1."""
        return self.sample[2] if side > 0 else self.sample[3]

    def axle(self) -> tuple[float, float]:
        """Return where the middle of the axle is, by the encoders."""
        return self.trail.axle(self.travel_m, self.heading_rad)

    def middle(self) -> tuple[float, float]:
        """Return where the middle between the eyes is, by the encoders."""
        return self.trail.middle(self.travel_m, self.heading_rad)

    def forget(self) -> None:
        """Start a new trail here: what came before was not the line that is followed now."""
        self.trail.clear()
        self.contact_m = self.travel_m
        self.fresh = True
        self.bend_rad_s = 0.0
