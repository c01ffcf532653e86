"""How a shipped recording is made: one run on the fake robot, with what happens to it on the way, recorded as any run.

Rules: the run goes through the same loop, recorder and `compact` as `robotcore run`; nothing in a recording is written
by hand. What a fake robot cannot meet by itself (a cable that comes loose, a flash of light, a hand that moves the
robot) is staged: a `Happening` changes raw rows or the fake world from a stated place on, and the table in README.md
says so. Same recipe and same code, same ticks, to the last bit.
"""

import math
import tempfile
from argparse import Namespace
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from robotcore.backend import Raw, parse_address
from robotcore.brain import Brain
from robotcore.calibration import Calibration
from robotcore.cli import plugins
from robotcore.cli.run import keep
from robotcore.cli.setup import Setup, from_words
from robotcore.cli.version import code_version
from robotcore.command import HALT, Command
from robotcore.layout import LONGEST_AGE, NEVER
from robotcore.log import Log
from robotcore.recording.compact import compact
from robotcore.recording.schema import Header
from robotcore.recording.writer import Recorder
from robotcore.rig import Rig
from robotcore.runtime import Limits, Run

ROOT = Path(__file__).resolve().parent.parent
STARTED = "2000-01-01T00:00:00+0000"  #: a fixed date, so that making a recording anew does not change it
PATIENT_S = 60.0  #: the watchdog's patience: a busy machine must not get into a recording

#: what paint throws back of what white floor does, red, green and blue (see drivers/fake/course/FORMAT.md)
PAINT = {
    "green": (0.13, 0.31, 0.19),
    "red": (0.49, 0.065, 0.053),
    "black": (0.047, 0.047, 0.047),
    "white": (1.0, 1.0, 1.0),
}


class Happening(NamedTuple):
    """Something that happens once the axle's true place is `x_mm` east or more: in words, and what it does to a row.

    By place and not by time, so that it meets the robot where it should also after a change of its speed.
    """

    words: str
    x_mm: float
    ticks: int
    touch: "Callable[[Stage, list[int]], list[int] | None]"


class Recipe(NamedTuple):
    """One recording.

    Args:
        name: of the file.
        course: a file in courses/, without ending.
        what: what it is there for, in words.
        expect: what must come out by the course's truth; see robotcore/replay/JUDGING.md.
        options: of the backend's URL.
        rig: a shipped rig or a file in rigs/.
        changes: of the mission's settings.
        limit_s: the run's time limit.
        happens: what is staged.

    """

    name: str
    course: str
    what: str
    expect: Sequence[str]
    options: str = "seed=1"
    rig: str = "harbour"
    changes: Sequence[str] = ()
    limit_s: float = 60.0
    happens: Sequence[Happening] = ()

    @property
    def url(self) -> str:
        """Return the backend's URL, as one would type it beside the README of the project."""
        return f"fake:replays/courses/{self.course}.toml?{self.options}"


def missing(role: str, x_mm: float, ticks: int) -> Happening:
    """Let a device say nothing."""

    def touch(stage: Stage, row: list[int]) -> list[int]:
        slot = stage.slots[role]
        row[slot.age : slot.stop] = [NEVER] + [0] * (slot.stop - slot.start)
        return row

    return Happening(f"{role} says nothing", x_mm, ticks, touch)


def stale(role: str, x_mm: float, ticks: int) -> Happening:
    """Let a device repeat its last reading, older each tick."""
    return _frozen(role, x_mm, ticks, aging=True, words=f"{role} repeats its last reading, older each tick")


def stuck(role: str, x_mm: float, ticks: int) -> Happening:
    """Let a device repeat its last reading as if it were new."""
    return _frozen(role, x_mm, ticks, aging=False, words=f"{role} repeats its last reading as if it were new")


def _frozen(role: str, x_mm: float, ticks: int, *, aging: bool, words: str) -> Happening:
    def touch(stage: Stage, row: list[int]) -> list[int]:
        slot = stage.slots[role]
        first = stage.kept.setdefault((words, x_mm), (stage.tick, row[slot.age : slot.stop]))
        row[slot.age : slot.stop] = first[1]
        if aging and first[1][0] != NEVER:
            row[slot.age] = min(LONGEST_AGE, first[1][0] + 100 * (stage.tick - first[0]))
        return row

    return Happening(words, x_mm, ticks, touch)


def dazzled(role: str, x_mm: float, ticks: int) -> Happening:
    """Let a colour sensor read its full scale in every channel."""

    def touch(stage: Stage, row: list[int]) -> list[int]:
        slot, full = stage.slots[role], stage.device(role).full_scale
        row[slot.start : slot.stop] = [full] * (slot.stop - slot.start)
        return row

    return Happening(f"{role} is dazzled: full scale", x_mm, ticks, touch)


def flash(role: str, paint: str, x_mm: float, ticks: int, light: float = 1.0) -> Happening:
    """Let a ten-bit colour sensor read paint that is not there, for a few ticks."""

    def touch(stage: Stage, row: list[int]) -> list[int]:
        slot, reference = stage.slots[role], stage.calibration.references[role]
        for place, share, white, dark in zip(
            range(slot.start, slot.stop), PAINT[paint], reference.white, reference.offset, strict=True
        ):
            row[place] = round(1023 * (dark + (white - dark) * share * light))
        row[slot.age] = min(row[slot.age], 50)
        return row

    dim = "" if light == 1.0 else f" at {light:g} of the light"
    return Happening(f"{role} reads {paint}{dim}", x_mm, ticks, touch)


def silence(x_mm: float, ticks: int) -> Happening:
    """Take the link down: no rows, the brick stops by itself, and both ends are reported as a real link does."""

    def touch(stage: Stage, row: list[int]) -> None:
        if "silence" not in stage.kept:
            stage.kept["silence"] = stage.tick
            stage.reports.append(("link-lost", "staged: no message came"))
        if stage.tick - stage.kept["silence"] >= stage.rig.dead_man_s / stage.rig.period_s:
            stage.world.stop(HALT)

    return Happening("the link is down: no rows, the brick stops by itself", x_mm, ticks, touch)


def shoved(x_mm: float, ahead_mm: float = 0.0, left_mm: float = 0.0, turn_deg: float = 0.0) -> Happening:
    """Let a hand move the robot, in no time."""

    def touch(stage: Stage, row: list[int]) -> list[int]:
        truth = stage.world.world.truth
        truth.x += 1e-3 * (ahead_mm * truth.cos - left_mm * truth.sin)
        truth.y += 1e-3 * (ahead_mm * truth.sin + left_mm * truth.cos)
        truth.heading += math.radians(turn_deg)
        truth.cos, truth.sin = math.cos(truth.heading), math.sin(truth.heading)
        return row

    moves = [f"{abs(ahead_mm):g} mm {'ahead' if ahead_mm > 0 else 'back'}"] if ahead_mm else []
    moves += [f"{abs(left_mm):g} mm to the {'left' if left_mm > 0 else 'right'}"] if left_mm else []
    moves += [f"{abs(turn_deg):g} degrees to the {'left' if turn_deg > 0 else 'right'}"] if turn_deg else []
    return Happening(f"a hand moves the robot {', '.join(moves)}", x_mm, 1, touch)


def late(x_mm: float, by_s: float) -> Happening:
    """Make the loop late, so that ticks are skipped."""

    def touch(stage: Stage, row: list[int]) -> list[int]:
        stage.clock.time_s += by_s
        return row

    return Happening(f"the loop is {1000 * by_s:g} ms late", x_mm, 1, touch)


class StagedClock:
    """A clock that goes on only while somebody waits, or when a happening says so."""

    def __init__(self) -> None:
        self.time_s = 0.0

    def now(self) -> float:
        """Return the time in seconds."""
        return self.time_s

    def sleep(self, seconds: float) -> None:
        """Let time pass."""
        self.time_s += seconds


class Stage:
    """The fake robot with what is staged; a `robotcore.backend.Backend`."""

    paced = True  #: by its own clock, so that ticks can be late

    def __init__(self, world: Any, rig: Rig, calibration: Calibration, happens: Sequence[Happening]) -> None:
        self.world, self.rig, self.calibration = world, rig, calibration
        self.slots = rig.layout.slots
        self.clock = StagedClock()
        self.reports: list[tuple[str, str]] = []
        self.kept: dict[Any, Any] = {}
        self.tick = 0
        self.facts: Mapping[str, str] = {**world.facts, "staged": "; ".join(map(described, happens)) or "nothing"}
        self.open, self.stop, self.close, self.truth = world.open, world.stop, world.close, world.truth
        self._happens = happens
        self._begun: dict[int, int] = {}

    def device(self, role: str) -> Any:
        """Return the driver of the device in a role."""
        fitted = self.rig.role(role)
        assert fitted is not None
        return fitted.device

    def sense(self, tick: int) -> Raw | None:
        """Return the world's row, after all that is staged for this tick."""
        self.tick = tick
        row: list[int] | None = list(self.world.sense(tick))
        x_mm = 1000.0 * self.world.world.truth.x
        for number, happening in enumerate(self._happens):
            if x_mm >= happening.x_mm:
                self._begun.setdefault(number, tick)
            if row is not None and number in self._begun and tick - self._begun[number] < happening.ticks:
                row = happening.touch(self, row)
        if row is not None and self.kept.pop("silence", None) is not None:
            self.reports.append(("link-back", "staged: the brick answers again"))
        return None if row is None else tuple(row)

    def act(self, command: Command) -> None:
        """Send a command on, as long as the link is up."""
        if "silence" not in self.kept:
            self.world.act(command)

    def faults(self) -> list[tuple[str, str]]:
        """Return what was reported since the last call."""
        reports, self.reports = self.reports, []
        return reports


def described(happening: Happening) -> str:
    """Return a happening in words."""
    lasting = f" for {happening.ticks} ticks" if happening.ticks > 1 else ""
    place = f"x = {happening.x_mm:g} mm" if happening.x_mm else "the start"
    return f"{happening.words}{lasting}, from {place} on"


def make(recipe: Recipe, out: Path) -> int:
    """Drive a recipe's run and write its compacted recording to `out`; return its size in bytes."""
    setup = _setup(recipe)
    address = parse_address(recipe.url)
    world: Any = plugins.backend(address)(address, setup.rig)
    stage = Stage(world, setup.rig, setup.calibration, recipe.happens)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{recipe.name}.rec"
        _drive(recipe, setup, stage, Recorder(path, _header(recipe, setup, stage), setup.rig.layout, blocking=True))
        return compact(path, out)


def _setup(recipe: Recipe) -> Setup:
    own = ROOT / "replays" / "rigs" / f"{recipe.rig}.toml"
    rig = str(own) if own.exists() else recipe.rig
    calibration = "harbour" if own.exists() else recipe.rig
    return from_words(
        Namespace(rig=rig, calibration=calibration, mission="line", settings=None, set=list(recipe.changes))
    )


def _header(recipe: Recipe, setup: Setup, stage: Stage) -> Header:
    return Header(
        name=recipe.name, started=STARTED, mission=setup.mission.name, rig_name=setup.rig.name, rig=setup.rig.text,
        calibration=setup.calibration.text, settings=setup.settings_text, backend=recipe.url,
        code_version=code_version(setup.mission), period_s=setup.rig.period_s, facts=dict(stage.facts),
    )  # fmt: skip


def _drive(recipe: Recipe, setup: Setup, stage: Stage, recorder: Recorder) -> None:
    log = Log(keep(recorder))
    brain = Brain(setup.rig, setup.calibration, setup.mission, setup.settings, log)
    limits = Limits(run_s=recipe.limit_s, hung_s=PATIENT_S)
    outcome = Run(stage, brain, log, limits, recorder=recorder, clock=stage.clock).run()
    recorder.close(outcome.how if outcome.finished else f"stopped: {outcome.how}", outcome.seconds)
    if recorder.failure is not None:
        raise RuntimeError(recorder.failure)
