"""How far a replay is evidence: both command streams driven as set-points, and how far apart they bring the robot.

Rules:
- Both streams start in one pose when they first differ, and each is driven exactly (`robotcore.odometry.advance`)
  with the recorded rig's track width, a set-point lasting to the next recorded tick.
- Set-points are driven as if the tracks followed at once. That is on the safe side: a first-order motor (or any
  other lag whose weights are positive and sum to one) rolls a weighted mean of what its set-points rolled up to then,
  so it is never farther apart than the set-points have been. Slip takes away, it does not add.
- The new code would also answer to the new place, and what it would have read there nobody recorded. So whatever the
  commands have once brought about is taken to grow by exp(rate times time) from then on: two solutions of one
  differential equation part no faster (Grönwall's inequality), the rate being how sharply the robot's motion answers
  to where it is. Edges and thresholds make that sharp: on the fake, with no growth, one changed run in four had really
  left the tolerance before the horizon, most of them seconds after commands had differed by a hair
  (`python -m tests.benchmarks.bench_replay trust`).
- What is below a ten-thousandth of the tolerance does not grow: rounding on another machine is no other behaviour.
- A positional motor's set-points that part by more than the tolerance end trust at once: how fast it would have got
  there is the world's business.
"""

import math
from collections.abc import Sequence
from typing import NamedTuple

from robotcore.odometry import Pose, advance
from robotcore.replay.tolerance import Tolerance


class Horizon(NamedTuple):
    """Where trust ended: the last tick whose readings count, and why."""

    tick: int
    time_s: float
    why: str


SEED = 1e-4  #: share of the tolerance below which nothing grows


class Trust:
    """Where old and new commands have brought the robot, each by itself.

    Args:
        track_width_m: of the rig that was recorded.
        tolerance: see `Tolerance`; `trust_m`, `trust_rad` and `growth_per_s` count.

    """

    def __init__(self, track_width_m: float, tolerance: Tolerance) -> None:
        self._width_m = track_width_m
        self._per_m = 1.0 / max(tolerance.trust_m, 1e-12)
        self._per_rad = 1.0 / max(tolerance.trust_rad, 1e-12)
        self._joint_rad = tolerance.trust_rad
        self._growth_per_s = tolerance.growth_per_s
        self._seconds, self._factor = 0.0, 1.0
        self._grown = 0.0  # share of the tolerance used up, the answer to the new place included
        self._old = Pose()
        self._new = Pose()
        self._joint: tuple[str, float] | None = None

    def holds(self, old: Sequence[float], new: Sequence[float], seconds: float) -> bool:
        """Drive on by one pair of commands for so long; tell whether the readings after that still count."""
        width_m = self._width_m
        a = self._old = advance(self._old, old[0] * seconds, old[1] * seconds, width_m)
        b = self._new = advance(self._new, new[0] * seconds, new[1] * seconds, width_m)
        driven = max(math.hypot(b[0] - a[0], b[1] - a[1]) * self._per_m, abs(b[2] - a[2]) * self._per_rad)
        grown = self._grown
        if grown > SEED:
            grown *= self._factor if seconds == self._seconds else self._grow(seconds)
        self._grown = grown = driven if driven > grown else grown
        return grown <= 1.0 and ((old[2] == new[2] and old[3] == new[3]) or self._joints(old, new))

    def _grow(self, seconds: float) -> float:
        """Return the growth over so many seconds, and keep it: nearly all ticks last the same."""
        self._seconds, self._factor = seconds, math.exp(self._growth_per_s * seconds)
        return self._factor

    def _joints(self, old: Sequence[float], new: Sequence[float]) -> bool:
        for place, name in ((2, "gripper"), (3, "sorter")):
            apart = new[place] - old[place]
            if abs(apart) > self._joint_rad:
                self._joint = (name, apart)
                return False
        return True

    @property
    def apart(self) -> tuple[float, float]:
        """How far apart the robot would stand by now: metres, and radians counter-clockwise."""
        a, b = self._old, self._new
        return math.hypot(b.x_m - a.x_m, b.y_m - a.y_m), b.heading_rad - a.heading_rad

    def why(self) -> str:
        """Return in words why trust ended."""
        if self._joint is not None:
            return f"the {self._joint[0]} would stand {math.degrees(self._joint[1]):+.1f} degrees from where it stood"
        metres, turn = self.apart
        away = f"{metres * 1000:.2g} mm and {math.degrees(turn):+.2g} degrees from where it stood"
        if max(metres * self._per_m, abs(turn) * self._per_rad) > 1.0:
            return f"the robot would stand {away}"
        return f"the commands alone had brought the robot {away}, and its answer to that may be the rest"
