"""What really happened in a recorded run, as events that a points table can name.

How: the fake robot is built again as the recording says, and driven by the recorded commands. Same address, same
commands, same run: as long as every raw count comes out as recorded, the world is the one that was, with every touch,
object and lift, of which the recording itself holds nothing. Where counts differ (the fake was changed since, or the
run was no fake's from its first tick) the recorded poses are all that is left, and the rest is said to be unknown.

| event | details | when |
| --- | --- | --- |
| gap, corner, bump, ramp, obstacle, silver, green | length_m | the sensors are 50 mm past it |
| junction | length_m, marker, decoy, go | the same |
| zone entered, zone left | | in, and out by the exit |
| collected | kind, name | an object was sorted into a hold for the first time |
| in berth | kind, name, berth, right, carried | it slid out of a hold; else at the run's end |
| finish | | at rest on the red strip, all the route driven |
| touch, wall touch | thing | a contact began, on the line field or with the zone's walls |
| lift | | put back by somebody |
"""

from collections.abc import Iterator, Mapping

from drivers.fake.backend import FakeBackend
from drivers.fake.course.course import Course
from drivers.fake.course.format import parse_course
from drivers.fake.judge import PAST_FINISH_M, Judge
from drivers.fake.perturbations import read_sizes
from drivers.fake.zone.score import ZoneVerdict
from drivers.fake.zone.yard import Yard
from robotcore.backend import Address, parse_address
from robotcore.command import HALT, Command
from robotcore.errors import UserError
from robotcore.recording.content import Recording
from robotcore.rig import Rig
from robotcore.score import Event, Truth

PAST_M = 0.05  #: so far past something it counts as passed: the way that was taken behind it was the right one
REST_TICKS = 40  #: the world goes on so long after a finished run, so that the judge sees whether the robot stands
UNKNOWN = frozenset(("collected", "in berth", "touch", "wall touch", "lift"))  #: what poses do not tell


def truth_of(recording: Recording, rig: Rig) -> Truth | None:
    """Return what really happened in a recorded run of the fake robot; None on the calibration pad.

    Raises:
        UserError: the recording's facts are not good.

    """
    facts, source = recording.header.facts, f"{recording.path}: facts"
    text = facts.get("course_toml", "")
    if not text:
        return None
    course = parse_course(text, f"{source}: course_toml")
    again = _again(recording, rig, course, source)
    if again is not None:
        return Truth(tuple(events_of(again)))
    judge = _from_poses(recording, rig, course)
    if judge is None:
        return Truth((), UNKNOWN, ("the true path is not recorded, and today's fake robot drives otherwise",))
    note = "today's fake robot drives otherwise: judged by the recorded path; touches, lifts and objects are unknown"
    return Truth(tuple(events_of(judge)), UNKNOWN, (note,))


def _again(recording: Recording, rig: Rig, course: Course, source: str) -> Judge | None:
    """Drive the recorded commands again; None where another raw count comes out."""
    backend = _backend(recording.header.facts, rig, course, source)
    judge, tick = backend.judge, 0
    for tick, raw, command in recording.rows():
        if backend.sense(tick) != raw:
            return None
        backend.act(Command(*command))
    if recording.outcome is not None:
        backend.stop(HALT)
        for later in range(tick + 1, tick + 1 + REST_TICKS):
            backend.sense(later)
    return judge


def _backend(facts: Mapping[str, str], rig: Rig, course: Course, source: str) -> FakeBackend:
    try:
        address = parse_address(facts.get("url", ""))
        seed = int(facts.get("seed", ""))
    except UserError as error:
        raise UserError(f"{source}: {error}") from None
    except ValueError:
        raise UserError(f"{source}: seed is {facts.get('seed', '')!r:.40}, no whole number") from None
    pairs = [part.partition("=") for part in facts.get("perturbation_sizes", "").split(", ") if part]
    sizes = read_sizes({name: size for name, _, size in pairs}, f"{source}: perturbation_sizes")
    options = {key: value for key, value in address.options.items() if key != "pace"}
    return FakeBackend(Address(address.scheme, address.place, options, address.url), rig, course, seed, sizes)


def _from_poses(recording: Recording, rig: Rig, course: Course) -> Judge | None:
    judge, tick, pose = Judge(course, rig), 0, None
    for tick, pose in zip(recording.ticks, recording.truth(), strict=True):
        if pose is None:
            return None
        judge.note((tick, *pose))
    if recording.outcome is not None and pose is not None:
        for later in range(tick + 1, tick + 1 + REST_TICKS):
            judge.note((later, *pose))  # it coasts a little; the judge's strip allows for that
    return judge if pose is not None else None


def events_of(judge: Judge) -> list[Event]:
    """Return what happened in the run that a judge saw, in order."""
    verdict, progress = judge.verdict(), judge.progress()
    length_m = judge.course.route.length_m
    events = list(_passed(judge, progress))
    events += [Event(touch.time_s, "touch", {"thing": touch.source}) for touch in verdict.touches]
    walls = [touch for touch in judge.touches if touch not in verdict.touches]
    events += [Event(touch.time_s, "wall touch", {"thing": touch.source}) for touch in walls]
    events += [Event(time_s, "lift", {}) for time_s in judge.lifts_s()]
    if verdict.finish_s is not None and progress[-1] >= length_m - PAST_FINISH_M:
        events.append(Event(verdict.finish_s, "finish", {}))
    if verdict.zone is not None:
        events += _zone(verdict.zone, judge.yard, verdict.time_s)
    return sorted(events, key=lambda event: event.time_s)


def _passed(judge: Judge, progress: list[float]) -> Iterator[Event]:
    """Give everything on the route that the robot has passed."""
    tick = 0
    for spot in sorted(judge.course.route.spots, key=lambda spot: spot.end_m):
        while tick < len(progress) and progress[tick] < spot.end_m + PAST_M:
            tick += 1
        if tick == len(progress):
            return
        if spot.kind in ("finish", "zone"):
            continue
        fields: dict[str, str | int | float | bool] = {"length_m": spot.end_m - spot.s_m}
        if spot.kind == "junction":
            fields |= {"marker": spot.marker, "decoy": spot.decoy, "go": spot.go}
        yield Event(tick * judge.period_s, spot.kind, fields)


def _zone(verdict: ZoneVerdict, yard: Yard | None, end_s: float) -> Iterator[Event]:
    for time_s, what in ((verdict.entered_s, "zone entered"), (verdict.left_s, "zone left")):
        if time_s is not None:
            yield Event(time_s, what, {})
    entries = [] if yard is None else yard.diary.entries
    for fate in verdict.objects:
        sorted_s = [entry.time_s for entry in entries if entry.name == fate.name and entry.what == "sorted"]
        released_s = [entry.time_s for entry in entries if entry.name == fate.name and entry.what == "released"]
        about: dict[str, str | int | float | bool] = {"kind": fate.kind, "name": fate.name}
        if sorted_s:
            yield Event(sorted_s[0], "collected", about)
        if fate.right or fate.wrong:
            told = {**about, "berth": fate.place, "right": fate.right, "carried": bool(released_s)}
            yield Event(released_s[-1] if released_s else end_s, "in berth", told)
