"""``robotcore replay --continue``: past the trust horizon the run goes on in a simulated world, marked as simulated.

Rules:
- The same brain that thought through the recorded rows up to the horizon goes on in the simulated world.
- Nothing after the horizon is evidence: verdict and exit code stay those of the replay. Text, JSON and the new
  recording say from which tick on it is simulated; the new recording holds a fault "simulated" there, and facts.
- The world is found by name (`robotcore.cli.plugins.ONWARD`); nothing here knows what it simulates.
"""

import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import attrs

from robotcore.backend import Raw
from robotcore.brain import Brain
from robotcore.cli import plugins
from robotcore.cli.judging import Report, Request, thinking
from robotcore.cli.output import fresh_in_runs
from robotcore.cli.recorded import robot_of
from robotcore.cli.run import keep
from robotcore.cli.single import settle
from robotcore.cli.version import code_version
from robotcore.command import Command
from robotcore.errors import UserError
from robotcore.log import Fault, Log
from robotcore.mission import with_overrides
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording
from robotcore.recording.schema import Header
from robotcore.recording.writer import Recorder
from robotcore.replay import Verdict
from robotcore.replay.story import in_words
from robotcore.rig import Rig
from robotcore.runtime import Limits, Outcome, Run

SIMULATOR = "fake"  #: the scheme whose world goes on, whatever the run was recorded on
REST_S = 0.4  #: the world goes on so long after the end, so that its judge sees the robot stand
KIND = "simulated"


class World(Protocol):
    """What a simulator gives to go on in; see `drivers.fake.reconstruct.onward` for one."""

    backend: Any  #: a `robotcore.backend.Backend`
    poses: list[tuple[int, float, float, float]]  #: (tick, x m, y m, heading rad) on its course, of the recorded run
    course: str  #: what course it is, in words
    notes: list[str]  #: what to know about it
    data: dict[str, Any]  #: the same for JSON

    def hand_over(self, rows: list[tuple[int, tuple[int, ...], tuple[float, ...]]]) -> None:
        """Go on from the last of these rows, whose command is the one in force."""
        ...


@attrs.frozen
class Options:
    """How to go on.

    Args:
        reconstruct: make the course from the readings although it is known.
        at_s: hand over at this time at the latest; None for the trust horizon.
        out: file of the new recording; None for a new one in ``runs/``.
        time_limit_s: end after so many seconds, those of the recording included.

    """

    reconstruct: bool = False
    at_s: float | None = None
    out: Path | None = None
    time_limit_s: float = 480.0


@attrs.frozen
class Continued:
    """What came of going on: lines to print and data for JSON. `outcome` is None where there was nothing to do."""

    lines: list[str]
    data: dict[str, Any]
    log: Log
    outcome: Outcome | None = None
    verdict: Any = None  #: of the world's judge, None where it has none


class _Seam:
    """A backend that gives the recorded rows up to a tick, and from there on the simulated world."""

    paced = False

    def __init__(self, recording: Recording, tick: int, world: World) -> None:
        self._recorded: Iterator[tuple[int, Raw, tuple[float, ...]]] = recording.rows()
        self._next = next(self._recorded)
        self.tick, self.world = tick, world
        self._rows: list[tuple[int, Raw, tuple[float, ...]]] = []
        self._poses = {pose[0]: pose[1:] for pose in world.poses}
        self._now = 0
        self.facts: Mapping[str, str] = dict(world.backend.facts)
        self.handed_over = False

    def open(self) -> None:
        """Make the simulated world ready."""
        self.world.backend.open()

    def sense(self, tick: int) -> Raw | None:
        """Return what was recorded, or what the world gives once it was handed over to."""
        self._now = tick
        if tick > self.tick:
            if not self.handed_over:
                self.handed_over = True
                self.world.hand_over(self._rows)
            raw: Raw | None = self.world.backend.sense(tick)
            return raw
        row = self._next
        if row[0] != tick:
            return None
        self._rows.append(row)
        self._next = next(self._recorded, (-1, (), ()))
        return row[1]

    def act(self, command: Command) -> None:
        """Tell the simulated world; in the last recorded tick keep the command for it to begin with."""
        if self._now > self.tick:
            self.world.backend.act(command)
        elif self._now == self.tick:
            self._rows[-1] = (*self._rows[-1][:2], command)

    def stop(self, category: int) -> None:
        """Stop the simulated robot."""
        self.world.backend.stop(category)

    def close(self) -> None:
        """Let go of the world."""
        self.world.backend.close()

    def faults(self) -> list[tuple[str, str]]:
        """Return what the world noticed."""
        found: list[tuple[str, str]] = self.world.backend.faults()
        return found

    def truth(self) -> tuple[float, float, float] | None:
        """Return the pose on the course that is gone on on."""
        if self._now <= self.tick:
            return self._poses.get(self._now)
        pose: tuple[float, float, float] | None = self.world.backend.truth()
        return pose


def continue_all(reports: Sequence[Report], request: Request, options: Options) -> list[str]:
    """Go on with every recording that could be judged; return lines to print, and put the rest into the reports' data.

    Raises:
        UserError: one cannot go on, or several are to be written into one file.

    """
    judged = [report for report in reports if report.verdict != Verdict.BAD]
    if options.out is not None and len(judged) > 1:
        raise UserError(f"--out {options.out}: is one file for {len(judged)} recordings; leave it out")
    lines: list[str] = []
    for report in judged:
        continued = go_on(report, request, options)
        report.data["simulated"] = continued.data
        lines += ["", report.file, *continued.lines]
    return lines


def go_on(report: Report, request: Request, options: Options) -> Continued:
    """Go on from where trust in a judged replay ended.

    Args:
        report: of the replay; not one of bad input.
        request: how it was judged; the same code goes on.
        options: how to go on.

    Raises:
        UserError: there is no world to go on in, or the new recording cannot be written; says why.

    """
    recording = open_recording(report.file)
    recorded_rig, calibration = robot_of(recording)
    rig, fresh = thinking(recording, request, recorded_rig, calibration)
    tick = _tick(recording, report.data["trusted_tick"], rig, options)
    factory = plugins.onward(SIMULATOR)
    world: World = factory(recording, recorded_rig, calibration, tick, options.reconstruct)
    seam, path = _Seam(recording, tick, world), options.out or fresh_in_runs(f"{recording.path.stem}-onward")
    header = _header(recording, request, rig, seam, world)
    return _run(header, fresh(), seam, rig, path, options.time_limit_s)


def _tick(recording: Recording, trusted: int, rig: Rig, options: Options) -> int:
    """Return the last recorded tick, at or before the horizon, from which to go on."""
    latest = trusted if options.at_s is None else min(trusted, round(options.at_s / rig.period_s))
    found = [tick for tick in recording.ticks if tick <= latest]
    if not found:
        raise UserError(f"{recording.path}: begins after {options.at_s} s; hand over later")
    return found[-1]


def _run(
    header: Header, thinker: tuple[Brain, Log], seam: _Seam, rig: Rig, path: Path, time_limit_s: float
) -> Continued:
    """Run from the recording's first tick to the end of the simulated part."""
    brain, log = thinker
    recorder = Recorder(path, header, rig.layout, blocking=True)
    log.tell = keep(recorder)
    mark = _Mark(log, seam.tick, rig.period_s, seam.world.course)
    limits = Limits(run_s=time_limit_s)
    outcome = Run(
        seam, brain, log, limits, recorder=recorder, button_stops=False, progress=mark, progress_ticks=1
    ).run()  # fmt: skip
    recorder.close(outcome.how if outcome.finished else f"stopped: {outcome.how}", outcome.seconds)
    if recorder.failure is not None:
        raise UserError(recorder.failure)
    if not seam.handed_over:
        path.unlink(missing_ok=True)
        if isinstance(outcome.error, UserError):
            raise outcome.error
        return _nothing(outcome, seam.tick * rig.period_s)
    settle(seam.world.backend, outcome.ticks, rig.period_s)
    judge = getattr(seam.world.backend, "judge", None)
    return _told(outcome, log, None if judge is None else judge.verdict(), seam, path)


class _Mark:
    """Puts the mark "simulated" into the log in the first simulated tick."""

    def __init__(self, log: Log, tick: int, period_s: float, course: str) -> None:
        self._log, self._tick, self._period_s, self._course = log, tick, period_s, course
        self._said = False

    def __call__(self, tick: int) -> None:
        """Look at a tick that is over."""
        if not self._said and tick >= self._tick:
            self._said = True
            text = f"everything after this tick is simulated, on the course {self._course}; it is no evidence"
            self._log.add(Fault(tick, tick * self._period_s, KIND, text, "runtime"))


def _header(recording: Recording, request: Request, rig: Rig, seam: _Seam, world: World) -> Header:
    """Return the header of the new recording: what was in force, and where the simulation begins."""
    old, at_s = recording.header, seam.tick * rig.period_s
    mission = plugins.mission(request.mission or old.mission)
    facts = {
        **seam.facts,
        "simulated_after_tick": str(seam.tick),
        "simulated_after_s": f"{at_s:.3f}",
        "continued_from": recording.path.name,
        "simulated_on": "; ".join([world.course, *world.notes]),
    }
    return old._replace(
        name=f"{old.name}, simulated after {at_s:.2f} s",
        started=time.strftime("%Y-%m-%dT%H:%M:%S%z"),
        mission=mission.name,
        rig_name=rig.name,
        rig=rig.text,
        settings=with_overrides(old.settings, request.changes) if request.changes else old.settings,
        backend=f"{SIMULATOR}:{seam.facts.get('course', 'course')}",
        code_version=code_version(mission),
        facts=facts,
    )


def _nothing(outcome: Outcome, at_s: float) -> Continued:
    how = "the mission had ended" if outcome.finished else f"the replay ended: {outcome.error or outcome.how}"
    line = f"  not simulated: {how} by {at_s:.2f} s; there is nothing to go on with"
    return Continued([line], {"after_tick": None, "why": how}, Log())


def _told(outcome: Outcome, log: Log, verdict: Any, seam: _Seam, path: Path) -> Continued:
    world, tick, at_s = seam.world, seam.tick, seam.tick * outcome.seconds / outcome.ticks
    after = [decision for decision in log.decisions if decision.tick > tick]
    lines = [
        f"  SIMULATED after {at_s:.2f} s (tick {tick}), on the course {world.course}; nothing below is evidence",
        *(f"  | {note}" for note in world.notes),
        *(f"  | {in_words(decision)}" for decision in after),
        f"  | {outcome.how} at {outcome.seconds:.2f} s" + (f": {outcome.error}" if outcome.error else ""),
        *(f"  | judged by the simulation: {line}" for line in ([] if verdict is None else verdict.lines())),
        f"  | recording {path}",
    ]
    data = {
        "after_tick": tick,
        "after_s": at_s,
        "evidence": False,
        "course": world.course,
        "notes": world.notes,
        **world.data,
        "ended": outcome.how,
        "error": None if outcome.error is None else str(outcome.error),
        "end_s": outcome.seconds,
        "success": None if verdict is None else verdict.success,
        "judged": [] if verdict is None else verdict.lines(),
        "decisions": [{**decision._asdict(), "fields": dict(decision.fields)} for decision in after],
        "recording": str(path),
    }
    return Continued(lines, data, log, outcome, verdict)
