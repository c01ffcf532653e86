"""What a run was worth, from the truth alone.

Rules: it sees poses, never readings, commands or decisions, and nothing of it reaches a behaviour. While the robot
drives it only keeps the poses; everything is worked out when somebody asks.

Progress counts in order: from where it was known to be, the robot is looked for on a short stretch of the route, ahead
by no more than it may have driven since, so a shortcut across the field gains nothing. Around an obstacle the stretch
reaches beyond it, for a detour.
"""

import math
from array import array
from collections.abc import Iterator

from attrs import define, field, frozen

from drivers.fake.course.course import Course
from drivers.fake.course.geometry import into_frame
from drivers.fake.course.shapes import Solid
from drivers.fake.sections import Sections
from drivers.fake.zone.score import ZoneVerdict, score_zone
from drivers.fake.zone.yard import Yard
from robotcore.rig import Rig

ON_LINE_M = 0.06  #: the sensors are on the route when no farther from it
BACK_M, SKIP_M = 0.15, 0.35  #: how far along the route they may be found from where they were
ALONG = 0.5  #: (cosine) a robot that looks more than 60 degrees off the route is turning round, not tracking
STRAY_M = 0.40  #: farther from the route than this, away from obstacles, is off the course
DETOUR_M = 0.45  #: a detour leaves the route so far before an obstacle and comes back so far behind it, or sooner
SLACK_M, DRIVEN = 0.05, 1.5  #: progress is at most this more than the way driven, times that
REST_M, REST_S = 0.003, 0.2  #: at rest: moved less than this in that time
BEFORE_FINISH_M, PAST_FINISH_M = 0.02, 0.10  #: the sensors stand so far before or past the red strip's edges


@frozen
class Touch:
    """A contact with a solid: when it began and with what (its place in the course's text)."""

    time_s: float
    source: str


@frozen
class Verdict:
    """What became of a run.

    `rms_mm` is the lateral error of the floor sensors' middle by kind of section ("straight", "curve 150" ...), while
    they are on the route and the robot looks along it; `ticks` tells over how many. `finish_s` is when the robot came
    to rest at the finish. A route through a zone counts without its jump, and contacts with the zone's walls count in
    `zone` only; `success` says that the robot drove all of it, `zone` what became of the objects. `lifts` tells how
    often somebody lifted the robot.
    """

    success: bool
    reasons: tuple[str, ...]
    progress_m: float
    length_m: float
    time_s: float
    finish_s: float | None
    left_course_s: float | None
    touches: tuple[Touch, ...]
    rms_mm: dict[str, float]
    ticks: dict[str, int]
    zone: ZoneVerdict | None = None
    lifts: int = 0

    def lines(self) -> list[str]:
        """Return the verdict in a few lines for people."""
        head = "the course was done" if self.success else f"the course was not done: {'; '.join(self.reasons)}"
        errors = ", ".join(f"{kind} {value:.1f} mm" for kind, value in sorted(self.rms_mm.items()))
        found = [f"{head} ({self.progress_m:.2f} of {self.length_m:.2f} m in {self.time_s:.1f} s)"]
        found += [f"touched {touch.source} at {touch.time_s:.2f} s" for touch in self.touches]
        found += [f"lifted {self.lifts} times"] if self.lifts else []
        found += [f"off the line by (rms): {errors}"] if errors else []
        return found if self.zone is None else [*found, *self.zone.lines()]


@define
class _Walk:
    """Where along the route the robot is known to be while its poses are gone through."""

    s: float = 0.0
    furthest: float = 0.0
    driven: float = 0.0  #: since it was last on the route
    left: int | None = None
    inside: bool = False  #: the zone
    entered: int | None = None
    exited: int | None = None
    squares: dict[str, float] = field(factory=dict)
    ticks: dict[str, int] = field(factory=dict)


class Judge:
    """Keeps the poses of a run and says what it was worth.

    Args:
        course: the course.
        rig: the robot as built; the floor sensors' middle is what follows the line.

    Attributes:
        note: note((tick, x, y, heading)) keeps the pose (m, m, rad) of a tick.
        touches: the contacts so far.
        yard: the zone's objects, where the world has any.

    """

    def __init__(self, course: Course, rig: Rig) -> None:
        self.course = course
        self.period_s = rig.period_s
        left, right = rig.mount("floor_left"), rig.mount("floor_right")
        self.ahead_m = 0.5 * (left.ahead_m + right.ahead_m)
        self.left_m = 0.5 * (left.left_m + right.left_m)
        self.touches: list[Touch] = []
        self.yard: Yard | None = None
        self._lifts: list[tuple[int, float]] = []
        self._poses = array("d")
        self.note = self._poses.extend
        spots = [spot for spot in course.route.spots if spot.kind == "obstacle"]
        self._detours = [(spot.s_m - DETOUR_M, spot.end_m + DETOUR_M) for spot in spots]

    def touch(self, time_s: float, solid: Solid) -> None:
        """Note that a contact began."""
        self.touches.append(Touch(time_s, solid.source))

    def put_back(self, s: float) -> None:
        """Note that somebody lifted the robot and put it down where the route has come to `s` metres."""
        self._lifts.append((len(self._poses) // 4, s))

    def verdict(self) -> Verdict:
        """Work out what the run was worth so far."""
        walk = self._gone([])
        finish = self._finish_tick()
        reasons = self._reasons(walk, finish)
        rms = {kind: 1000.0 * math.sqrt(total / walk.ticks[kind]) for kind, total in walk.squares.items()}
        route = self.course.route
        return Verdict(
            not reasons, reasons, route.counted(walk.furthest), route.outside_m,
            self._time(len(self._poses) // 4 - 1) or 0.0, self._time(finish), self._time(walk.left),
            tuple(touch for touch in self.touches if not _of_zone(touch)), rms, walk.ticks, self._zone(walk),
            len(self._lifts),
        )  # fmt: skip

    def progress(self) -> list[float]:
        """Return how far along the route (m) the robot had come at most, for every pose that was kept."""
        furthest: list[float] = []
        self._gone(furthest)
        return furthest

    def lifts_s(self) -> list[float]:
        """Return when the robot was put back after it had been lifted, in seconds."""
        last = len(self._poses) // 4 - 1
        return [self._time(min(index, last)) or 0.0 for index, _ in self._lifts]

    def _gone(self, furthest: list[float]) -> _Walk:
        """Go through all poses, and add how far each had come to `furthest`."""
        walk, sections = _Walk(), Sections(self.course.route)
        before: tuple[float, float] | None = None
        lifts = dict(self._lifts)
        zoned = self.course.zone is not None and self.course.route.zone is not None
        for i, (x, y, heading) in enumerate(self._middles()):
            if i in lifts:
                walk.s, walk.driven, walk.inside, before = lifts[i], 0.0, False, None
            if before is not None:
                walk.driven += math.hypot(x - before[0], y - before[1])
            before = x, y
            if not zoned or not self._in_zone(walk, i, x, y):
                self._follow(walk, sections, i, x, y, heading)
            furthest.append(walk.furthest)
        return walk

    def _in_zone(self, walk: _Walk, i: int, x: float, y: float) -> bool:
        """Tell whether the robot is in the zone; where it comes out, the walk goes on from that opening."""
        zone, span = self.course.zone, self.course.route.zone
        if zone is None or span is None:
            return False
        inside = zone.inside(x, y)
        if inside and walk.entered is None and walk.furthest >= span[0] - SKIP_M:
            walk.entered, walk.furthest = i, max(walk.furthest, span[0])
        if walk.inside and not inside:
            into, out = zone.gate("silver"), zone.gate("green")
            by_exit = math.hypot(x - out.x, y - out.y) < math.hypot(x - into.x, y - into.y)
            walk.s, walk.driven = span[by_exit], 0.0
            if by_exit and walk.entered is not None:
                walk.exited, walk.furthest = walk.exited or i, max(walk.furthest, span[1])
        walk.inside = inside
        return inside

    def _zone(self, walk: _Walk) -> ZoneVerdict | None:
        zone, poses = self.course.zone, self._poses
        if zone is None:
            return None
        places = zip(poses[1::4], poses[2::4], poses[3::4], strict=True)
        times = self._time(walk.entered), self._time(walk.exited)
        return score_zone(zone, self.yard, places, times, sum(map(_of_zone, self.touches)))

    def _time(self, index: int | None) -> float | None:
        return None if index is None or index < 0 else self._poses[4 * index] * self.period_s

    def _middles(self, first: int = 0) -> Iterator[tuple[float, float, float]]:
        """Give the middle of the floor sensors, and the heading, of every tick from the `first` kept one on."""
        ahead, left, poses, cos, sin = self.ahead_m, self.left_m, self._poses[4 * first :], math.cos, math.sin
        for x, y, heading in zip(poses[1::4], poses[2::4], poses[3::4], strict=True):
            c, s = cos(heading), sin(heading)
            yield x + ahead * c - left * s, y + ahead * s + left * c, heading

    def _follow(self, walk: _Walk, sections: Sections, i: int, x: float, y: float, heading: float) -> None:
        around = self._detour(walk.s)
        reach = min(max(SKIP_M, around), DRIVEN * walk.driven + SLACK_M)
        s, away = self.course.route.project(x, y, walk.s, back_m=BACK_M, ahead_m=reach, heading=heading)
        if away <= ON_LINE_M:
            walk.s, walk.driven = s, 0.0
            walk.furthest = max(walk.furthest, s)
            if math.cos(heading - self.course.route.line.heading(s)) < ALONG:
                return
            kind = sections.kind(s)
            walk.squares[kind] = walk.squares.get(kind, 0.0) + away * away
            walk.ticks[kind] = walk.ticks.get(kind, 0) + 1
        elif away > STRAY_M and not around and walk.left is None:
            walk.left = i
        if walk.left is None and not (0.0 <= x <= self.course.width_m and 0.0 <= y <= self.course.height_m):
            walk.left = i

    def _detour(self, s: float) -> float:
        """Return how far ahead the robot may come back to the route where an obstacle is near, else 0."""
        reach = 0.0
        for near, beyond in self._detours:
            if near <= s <= beyond:
                reach = max(reach, beyond - s)
        return reach

    def _finish_tick(self) -> int | None:
        """Return the index at which the robot came to its last rest, if that is at the finish."""
        strip, poses, last = self.course.finish, self._poses, len(self._poses) // 4 - 1
        rest = round(REST_S / self.period_s)
        if strip is None or last < rest:
            return None
        x, y, heading = next(self._middles(last))
        along, left = into_frame(x, y, (strip.x, strip.y), strip.heading)
        along = abs(along) if math.cos(heading - strip.heading) > 0.0 else -along
        if not -0.5 * strip.along_m - BEFORE_FINISH_M <= along <= 0.5 * strip.along_m + PAST_FINISH_M:
            return None
        if abs(left) > 0.5 * strip.across_m:
            return None
        at, end = last, poses[4 * last + 1 : 4 * last + 3]
        while at > 0 and math.dist(poses[4 * at - 3 : 4 * at - 1], end) < REST_M:
            at -= 1
        return at if (poses[4 * last] - poses[4 * at]) * self.period_s >= REST_S - 1e-9 else None

    def _reasons(self, walk: _Walk, finish: int | None) -> tuple[str, ...]:
        reasons = []
        if walk.left is not None:
            reasons.append(f"left the course at {self._time(walk.left):.2f} s")
        route = self.course.route
        if walk.furthest < route.length_m - PAST_FINISH_M:
            x, y, _ = route.at(walk.furthest)
            reasons.append(
                f"came {route.counted(walk.furthest):.2f} of {route.outside_m:.2f} m along the route, "
                f"to [{1000 * x:.0f}, {1000 * y:.0f}] mm"
            )
        if finish is None:
            reasons.append("does not stand at the finish")
        if route.zone is not None and walk.exited is None:
            reasons.append("did not enter the zone" if walk.entered is None else "did not leave the zone by the exit")
        return tuple(reasons)


def _of_zone(touch: Touch) -> bool:
    return touch.source.startswith("zone.")
