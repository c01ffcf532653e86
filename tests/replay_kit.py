"""A mission small enough to reason about, rows for it, and ways to record it: for tests of replay and its verdicts.

It drives on, says each time when its left eye gets dark, and stops where both are.
"""

from pathlib import Path
from typing import Any

import attrs

from robotcore.brain import Brain
from robotcore.calibration import calibration_text, parse_calibration
from robotcore.kernel import sleep, tick
from robotcore.log import Log
from robotcore.mission import Mission, read_settings
from robotcore.recording.schema import Header
from robotcore.recording.writer import Recorder
from robotcore.replay import Replayed, Tolerance, Trust, expected_of, judge, replay
from tests import scripted

CALIBRATION = calibration_text("today", "none", scripted.REFERENCES)
PERIOD_S = 0.01
NOMINAL = Tolerance()


@attrs.frozen
class Settings:
    speed_m_s: float = 0.1
    left_extra_m_s: float = 0.0
    gripper_rad: float = 0.0
    dark: float = 0.5
    late_s: float = 0.0
    colour: str = "red"


async def crossing(robot: Any, s: Settings) -> None:
    was_dark = False
    robot.gripper(s.gripper_rad)
    while True:
        left, right = robot.sample.floor_left.contrast, robot.sample.floor_right.contrast
        if max(left, right) < s.dark:
            break
        if left < s.dark and not was_dark:
            if s.late_s:
                await sleep(s.late_s)
            robot.decide("stripe", side="left", contrast=left)
        was_dark = left < s.dark
        robot.drive(s.speed_m_s + s.left_extra_m_s, s.speed_m_s)
        await tick()
    robot.stand()
    robot.decide("strip", colour=s.colour)
    await sleep(0.2)


CROSSING = Mission("crossing", crossing, Settings, "drives on and stops at a strip")


def rows(
    *, ticks: int = 300, stripes: tuple[int, ...] = (100, 200), strip: int | None = 270, level: int = 100
) -> list[Any]:
    """White floor, a stripe of 5 ticks under the left eye at each of `stripes`, both eyes dark from `strip` on."""
    found = []
    for number in range(ticks):
        on_strip = strip is not None and number >= strip
        dark = (level,) * 3
        left = dark if on_strip or any(0 <= number - start < 5 for start in stripes) else scripted.WHITE
        found.append(scripted.row(left=left, right=dark if on_strip else scripted.WHITE))
    return found


def brain(settings: Settings, log: Log, mission: Mission = CROSSING) -> Brain:
    return Brain(scripted.rig(), parse_calibration(CALIBRATION, "kit"), mission, settings, log)


@attrs.define
class Run:
    """What a mission made of rows."""

    rows: list[Any]
    log: Log
    outcome: str | None
    error: str = ""

    @property
    def last_tick(self) -> int:
        return self.rows[-1][0]


def think(
    raws: list[Any], settings: Settings = Settings(), mission: Mission = CROSSING, *, cut: int | None = None
) -> Run:
    """Let a mission think over rows, up to its end or `cut` rows, as a run would have recorded it."""
    log = Log()
    mind, found, run_outcome, error = brain(settings, log, mission), [], "stopped: stop button", ""
    for number, raw in enumerate(raws[:cut]):
        try:
            command = tuple(mind.step(number, raw))
        except Exception as raised:
            error, run_outcome = f"{type(raised).__name__}: {raised}", "stopped: failed"
            found.append((number, raw, (0.0, 0.0, 0.0, 0.0)))
            break
        found.append((number, raw, command))
        if mind.done:
            run_outcome = "finished"
            break
    mind.close()
    return Run(found, log, run_outcome, error)


def again(
    run: Run, settings: Settings = Settings(), mission: Mission = CROSSING, tolerance: Tolerance = NOMINAL
) -> Replayed:
    """Replay a run with other settings or another mission."""
    log = Log()
    trust = Trust(scripted.rig().body.track_width_m, tolerance)
    return replay(run.rows, run.last_tick, brain(settings, log, mission), log, trust)


def judged(run: Run, settings: Settings = Settings(), mission: Mission = CROSSING, tolerance: Tolerance = NOMINAL):
    """Replay and judge."""
    expected = expected_of(run.log.decisions, faults(run), run.outcome, run.last_tick, PERIOD_S)
    return judge(again(run, settings, mission, tolerance), expected, tolerance, PERIOD_S)


def faults(run: Run) -> list[Any]:
    """The faults of a run, with the error that ended it as the runtime would have put it."""
    from robotcore.log import Fault

    ended = [Fault(run.last_tick, run.last_tick * PERIOD_S, "error", run.error, "runtime")] if run.error else []
    return [*run.log.faults, *ended]


def record(path: Path, run: Run, *, settings: str = "", mission: str = "crossing", **header: Any) -> Path:
    """Write a run as a recording of the scripted rig."""
    fields = {
        "name": path.stem, "started": "2000-01-01T12:00:00+0000", "mission": mission, "rig_name": "scripted",
        "rig": scripted.RIG, "calibration": CALIBRATION, "settings": settings, "backend": "made up",
        "code_version": "0", "period_s": PERIOD_S, "facts": {}, **header,
    }  # fmt: skip
    recorder = Recorder(path, Header(**fields), scripted.rig().layout, blocking=True)
    for number, raw, command in run.rows:
        recorder.row(number, raw, command, None)
    for decision in run.log.decisions:
        recorder.decision(*decision)
    for fault in faults(run):
        recorder.fault(*fault)
    if run.outcome is None:
        recorder.flush()
        recorder._db.close()
    else:
        recorder.close(run.outcome, len(run.rows) * PERIOD_S)
    return path


def of_text(text: str) -> Settings:
    return read_settings(Settings, text, "kit")


TEAM = '''"""The crossing mission, as a team's own package would bring it."""
from tests.replay_kit import CROSSING
'''


def team_package(
    folder: Path, source: str = TEAM, name: str = "crossing_team", points: str = "crossing = {}:CROSSING"
) -> Path:
    """Make a package with entry points in a folder that is to be put on the path."""
    (folder / f"{name}.py").write_text(source)
    info = folder / f"{name}-1.0.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name.replace('_', '-')}\nVersion: 1.0\n")
    (info / "entry_points.txt").write_text(f"[robotcore.missions]\n{points.format(name)}\n")
    return folder
