"""The operator beside the field, who lifts a robot that makes no progress: ``operator=help``, or ``lift_at=SECONDS``.

What the operator does: presses the start button (stop), a second later sets the robot down at the last checkpoint with
whatever it carries, and after another second presses again (go). From the first press on the robot is in the hand: its
tracks may turn, it does not move, and its floor sensors still see the place it was taken from.

Rules: decided by the truth alone, never by a reading; off unless asked for. Checkpoints are the start, the line before
the zone's entry once the robot was in the zone, and the line behind its exit once it came out there. `operator=help`
lifts when the robot has been within 30 mm and 20 degrees for 20 seconds, away from the finish.
"""

import math
from collections.abc import Callable, Mapping

from attrs import frozen

from drivers.fake.course.course import Course
from drivers.fake.course.shapes import Pose
from drivers.fake.motion import Truth
from robotcore.errors import UserError

STUCK_S, STUCK_M, STUCK_RAD = 20.0, 0.030, math.radians(20.0)
PRESS_S, DOWN_S, GO_S = 0.2, 1.0, 2.0  #: how long a press is; set down, and press again, so long after the first
BEFORE_M, BEHIND_M = 0.20, 0.15  #: along the route before the zone's entry and behind its exit
FINISH_M = 0.20  #: a robot so near the end of the route is done

Presses = list[tuple[float, float]]
"""When the start button is pressed, from and to, in seconds; only the last counts."""


OPERATOR, LIFT_AT = "operator", "lift_at"
"""The options of a URL that ask for an operator."""


@frozen
class Help:
    """When the operator helps: at these times, and whenever the robot is stuck."""

    at_s: tuple[float, ...] = ()
    when_stuck: bool = False

    def __bool__(self) -> bool:
        """Tell whether there is an operator at all."""
        return self.when_stuck or bool(self.at_s)


def read_help(options: Mapping[str, str], url: str) -> Help:
    """Return what the options ``operator`` and ``lift_at`` of a URL ask for.

    Raises:
        UserError: they say something else.

    """
    asked = options.get(OPERATOR, "none")
    if asked not in ("help", "none"):
        raise UserError(f"{url}: operator={asked} is not known; give operator=help or operator=none")
    try:
        times = tuple(float(text) for text in options.get(LIFT_AT, "").split(",") if text)
    except ValueError:
        times = (-1.0,)
    if not all(1.0 <= time < math.inf for time in times):
        raise UserError(
            f"{url}: lift_at={options[LIFT_AT]} are no times; give seconds from 1 on, such as lift_at=30,95.5"
        )
    return Help(times, asked == "help")


class Operator:
    """Watches the robot and helps.

    Args:
        plan: when to help.
        course: the course.
        truth: the robot's state.
        presses: the start button.
        set_down: called with how far along the route the robot is now set down.
        in_hand: called with True when it is lifted, and with False when it is let go.

    """

    def __init__(
        self,
        plan: Help,
        course: Course,
        truth: Truth,
        presses: Presses,
        set_down: Callable[[float], None],
        in_hand: Callable[[bool], None],
    ) -> None:
        self.plan, self.course, self.truth, self.presses = plan, course, truth, presses
        self.set_down, self.in_hand = set_down, in_hand
        self._checkpoint: tuple[Pose, float] = course.start, 0.0
        self._due = sorted(plan.at_s)
        self._still: tuple[float, float, float, float] = truth.x, truth.y, truth.heading, truth.time_s
        self._lifted_s: float | None = None
        self._down = False
        self._in_hand = course.start

    def watch(self) -> None:
        """Look at the robot; call it once a tick."""
        now = self.truth.time_s
        if self._lifted_s is not None:
            self._carry(now - self._lifted_s)
            return
        self._note_checkpoint()
        timed = bool(self._due) and now >= self._due[0]
        if timed or (self.plan.when_stuck and self._stuck(now)):
            self._due = self._due[1:] if timed else self._due
            self._lifted_s, self._down = now, False
            self._in_hand = Pose(self.truth.x, self.truth.y, self.truth.heading)
            self.presses.append((now, now + PRESS_S))
            self.in_hand(True)

    def _carry(self, since: float) -> None:
        truth = self.truth
        if since >= DOWN_S and not self._down:
            self._down = True
            self._in_hand = self._checkpoint[0]
            self.set_down(self._checkpoint[1])
        truth.x, truth.y, truth.heading = self._in_hand.x, self._in_hand.y, self._in_hand.heading
        truth.cos, truth.sin = math.cos(truth.heading), math.sin(truth.heading)
        if since >= GO_S:
            now = truth.time_s
            self.presses.append((now, now + PRESS_S))
            self._lifted_s = None
            self._still = truth.x, truth.y, truth.heading, now
            self.in_hand(False)

    def _note_checkpoint(self) -> None:
        zone, route = self.course.zone, self.course.route
        if zone is None or route.zone is None:
            return
        x, y = self.truth.x, self.truth.y
        if zone.inside(x, y):
            if self._checkpoint[1] == 0.0:
                self._checkpoint = _on_route(self.course, max(0.0, route.zone[0] - BEFORE_M))
        elif 0.0 < self._checkpoint[1] < route.zone[1]:
            gate = zone.gate("green")
            if math.hypot(x - gate.x, y - gate.y) < BEHIND_M:
                self._checkpoint = _on_route(self.course, route.zone[1] + BEHIND_M)

    def _stuck(self, now: float) -> bool:
        x, y, heading, since = self._still
        truth = self.truth
        moved = math.hypot(truth.x - x, truth.y - y) > STUCK_M
        if moved or abs(math.remainder(truth.heading - heading, math.tau)) > STUCK_RAD:
            self._still = truth.x, truth.y, truth.heading, now
            return False
        end = self.course.route.points[-1]
        return now - since >= STUCK_S and math.hypot(truth.x - end[0], truth.y - end[1]) > FINISH_M


def _on_route(course: Course, s: float) -> tuple[Pose, float]:
    x, y, heading = course.route.at(s)
    return Pose(x, y, heading), s
