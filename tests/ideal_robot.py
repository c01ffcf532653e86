"""A robot that does exactly what it is told, for tests of the line's behaviours part by part.

It has no lag, slip or noise: its encoders are the integral of its commands (exact arcs), and what its eyes see is a
function of where they are. So what a part must do can be said in numbers.
"""

import math

from behaviours.eyes import Line
from behaviours.settings import LineSettings
from robotcore import readings as r
from robotcore.kernel import Kernel
from robotcore.rig import Body, Mount

S = LineSettings()
DT = 0.01
WIDTH = 0.14
AHEAD, SIDE = 0.07, 0.012


def colour(red=1.0, green=None, blue=None, status=r.OK):
    green, blue = red if green is None else green, red if blue is None else blue
    light = (red + green + blue) / 3.0
    return r.Colour(red, green, blue, light, (light - 0.05) / 0.95, 0.0, status == r.OK, status)


FLOOR, TAPE = colour(), colour(0.05)
GREEN_PAINT, RED_PAINT = colour(0.11, 0.26, 0.16), colour(0.49, 0.065, 0.053)
GONE = r.Colour(*[r.NAN] * 6, False, r.MISSING)


class Ideal:
    """A robot without lag or slip on a floor that is a function: `floor(x, y)` is what an eye there reads."""

    def __init__(self, floor=lambda x, y: FLOOR, *, side_range=-90.0, button=True):
        self.floor, self.period_s = floor, DT
        self.body = Body(WIDTH, 0.02, 0.1, 0.1, 0.17, 0.3, 0.11)
        self.mounts = {
            "floor_left": Mount(AHEAD, SIDE, 0.008, 0.0),
            "floor_right": Mount(AHEAD, -SIDE, 0.008, 0.0),
            "side_range": Mount(0.03, math.copysign(0.08, side_range), 0.06, math.radians(side_range)),
        }
        self.roles = {"floor_left", "floor_right", "drive", "front"} | ({"start_button"} if button else set())
        self.roles |= {"side_range"} if side_range else set()
        self.x = self.y = self.heading = self.travel = 0.0
        self.speeds = 0.0, 0.0
        self.said, self.faults, self.driven = [], [], []
        self.over = {}  # role -> reading that stands instead of what would be seen
        self.kernel = Kernel(DT)
        self.number = -1
        self.stuck = False
        self.sample = self.sense()

    # -- what behaviours may use

    def drive(self, left, right):
        self.speeds = left, right

    def stand(self):
        self.drive(0.0, 0.0)

    def has(self, role):
        return role in self.roles

    def mount(self, role):
        return self.mounts[role]

    def decide(self, name, **fields):
        self.said.append((name, fields))

    def fault(self, kind, detail=""):
        self.faults.append(kind)

    # -- the world

    def sense(self):
        eyes = []
        for side in (SIDE, -SIDE):
            x = self.x + AHEAD * math.cos(self.heading) - side * math.sin(self.heading)
            y = self.y + AHEAD * math.sin(self.heading) + side * math.cos(self.heading)
            eyes.append(self.floor(x, y))
        left, right = self.speeds
        seen = {
            "floor_left": eyes[0],
            "floor_right": eyes[1],
            "front": colour(0.02),
            "side_range": r.Range(1.0, 0.0, False, r.OUT_OF_RANGE),
            "drive": r.Drive(0.0, 0.0, self.travel, self.heading, left, right, 0.0, True, r.OK),
            "gripper": r.ABSENT_READINGS["position"],
            "sorter": r.ABSENT_READINGS["position"],
            "tilt": r.ABSENT_READINGS["tilt"],
            "start_button": r.Button(False, 0.0, True, r.OK),
            "battery": r.ABSENT_READINGS["battery"],
        } | self.over
        return r.Sample(self.number, self.number * DT, *[seen[role] for role in r.ROLES])

    def move(self):
        if self.stuck:
            return
        left, right = self.speeds
        way, turn = 0.5 * (left + right) * DT, (right - left) / WIDTH * DT
        self.heading += turn
        self.x += way * math.cos(self.heading - turn / 2)
        self.y += way * math.sin(self.heading - turn / 2)
        self.travel += way

    def run(self, behaviour, seconds=20.0, each=None):
        """Run a behaviour to its end and return its result; None where it goes on for longer."""
        self.kernel = Kernel(DT)
        self.kernel.spawn(behaviour, "under test")
        for number in range(round(seconds / DT)):
            self.number = number
            if each is not None:
                each(number)
            self.sample = self.sense()
            if not self.kernel.step(number, self.sample):
                return self.kernel.result
            self.driven.append(self.speeds)
            self.move()
        self.kernel.close()
        return None


def stripe(x=0.0, y=0.0, heading=0.0, width=0.015, until=9.0):
    """A line through (x, y); each eye's spot of 8 mm mixes floor and tape."""

    def floor(px, py):
        along = (px - x) * math.cos(heading) + (py - y) * math.sin(heading)
        off = abs(-(px - x) * math.sin(heading) + (py - y) * math.cos(heading))
        share = min(1.0, max(0.0, (width / 2 + 0.004 - off) / 0.008)) if along < until else 0.0
        return colour(1.0 - 0.95 * share)

    return floor


def line_of(robot, settings=S):
    line = Line(robot, settings)
    line.look(robot.sample)
    return line


def looked(left=FLOOR, right=FLOOR, drive=None, times=1, line=None, robot=None):
    robot = robot or Ideal()
    line = line or Line(robot, S)
    robot.over = {"floor_left": left, "floor_right": right} | ({} if drive is None else {"drive": drive})
    good = True
    for _ in range(times):
        good = line.look(robot.sense())
    return line, good


def at(travel, heading=0.0, status=r.OK):
    return r.Drive(0.0, 0.0, travel, heading, 0.0, 0.0, 0.0, status == r.OK, status)
