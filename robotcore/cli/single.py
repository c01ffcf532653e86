"""One run and nothing around it: no recording, no signals, no threads, no terminal. The work of sweeps.

Rules: what a run comes to here, `robotcore run` comes to as well: the same order of sense, think and act, the same
ends (`robotcore.runtime.Run`), the same rest before it is judged; a test holds the two together. What a behaviour
raises is part of the result; what a person must mend is a `UserError`.
"""

import hashlib
import importlib.util
import sys
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

from robotcore.backend import Backend, EndOfRun, parse_address
from robotcore.brain import Brain
from robotcore.calibration import parse_calibration
from robotcore.cli import plugins
from robotcore.cli.setup import Setup
from robotcore.command import AT_REST, HALT, Command
from robotcore.errors import UserError
from robotcore.log import Log
from robotcore.mission import read_settings
from robotcore.rig import parse_rig
from robotcore.runtime import Limits
from robotcore.safety import HungError
from robotcore.sweep.job import Job, Result

REST_S = 0.4  #: a world without a clock goes on so long after the stop, so that its judge sees the robot stand


def work(job: Job) -> Result:
    """Do a job of a sweep; what it is made of is kept for the next.

    Raises:
        UserError: a text or the URL is not good.

    """
    try:
        setup = _setup(job.mission, job.rig, job.calibration, job.settings)
        return drive(job.url, setup, job.time_limit_s)
    except UserError as error:
        raise UserError(str(error)) from None  # every kind of it, in a form that travels between processes


@lru_cache(maxsize=32)
def _setup(mission: str, rig: str, calibration: str, settings: str) -> Setup:
    chosen = plugins.mission(mission, by_module=True)
    return Setup(
        parse_rig(rig, "rig", plugins.device),
        parse_calibration(calibration, "calibration"),
        chosen,
        read_settings(chosen.settings, settings, "settings"),
        settings,
    )


def drive(url: str, setup: Setup, time_limit_s: float) -> Result:
    """Run a mission in a world that waits for it, and say what came of it.

    Raises:
        UserError: the URL is not good, or its world has a clock of its own.

    """
    world = build(url, setup)
    log = Log()
    brain = Brain(setup.rig, setup.calibration, setup.mission, setup.settings, log)
    loop = _Loop(world, brain, time_limit_s, button_stops=not setup.mission.handles_button)
    how, error = loop.run()
    settle(world, loop.tick + 1, setup.rig.period_s)
    seconds = (loop.tick + 1) * setup.rig.period_s
    return _result(world, log, how, error, seconds, code_digest(setup))


def build(url: str, setup: Setup) -> Any:
    """Return the unopened world of a URL.

    Raises:
        UserError: the URL is not good, or its world can hurt somebody or has a clock of its own.

    """
    address = parse_address(url)
    if address.scheme not in plugins.HARMLESS:
        raise UserError(f"{url}: sweeps drive worlds that can hurt nobody; known are {', '.join(plugins.HARMLESS)}")
    world = plugins.backend(address)(address, setup.rig)
    if world.paced:
        raise UserError(f"{url}: keeps to the wall clock; sweeps run as fast as they can, remove pace=real")
    return world


def settle(world: Any, tick: int, period_s: float) -> None:
    """Let a stopped world without a clock go on from `tick` for a moment: a robot needs that to come to rest."""
    if getattr(world, "judge", None) is not None and not world.paced:
        for later in range(tick, tick + round(REST_S / period_s)):
            world.sense(later)


class _Loop:
    """The loop of `robotcore.runtime.Run` for a world that waits, without what guards and records it."""

    def __init__(self, world: Backend, brain: Brain, time_limit_s: float, *, button_stops: bool) -> None:
        period_s = brain.kernel.period_s
        self.tick = 0
        self._world = world
        self._brain = brain
        self._last_tick = round(time_limit_s / period_s)
        self._hold_ticks = round(Limits().hold_to_stop_s / period_s)
        self._button_stops = button_stops
        self._held = 0

    def run(self) -> tuple[str, str]:
        """Run to the end; return what ended it and what was raised."""
        how, error = "failed", ""
        try:
            self._world.open()
            how = self._ticks()
        except EndOfRun as end:
            how = str(end) or "no more samples"
        except HungError as caught:
            how, error = "hung behaviour", _text(caught)
        except (Exception, SystemExit) as caught:  # whatever a behaviour raises is a result
            error = _text(caught)
        for step in (self._halt, self._brain.close, self._world.close):
            try:
                step()
            except (Exception, SystemExit) as caught:
                how, error = "failed", error or _text(caught)
        return how, error

    def _halt(self) -> None:
        self._world.stop(HALT)

    def _ticks(self) -> str:
        sense, step, act, brain = self._world.sense, self._brain.step, self._world.act, self._brain
        last: Command = AT_REST
        for tick in range(self._last_tick + 1):
            self.tick = tick
            raw = sense(tick)
            if raw is None:
                continue
            command = step(tick, raw)
            act(command)
            if brain.done:
                return "finished"
            if (brain.robot.sample.start_button.pressed or self._held) and self._button(last):
                return "stop button"
            last = command
        return "time limit"

    def _button(self, last: Command) -> bool:
        if not self._brain.robot.sample.start_button.pressed:
            self._held = 0
            return False
        self._held += 1
        moving = last.left_m_s != 0.0 or last.right_m_s != 0.0
        return (self._held == 1 and moving and self._button_stops) or self._held >= self._hold_ticks


def _text(error: BaseException) -> str:
    said = " ".join(str(error).split())
    return f"{type(error).__name__}: {said}" if said else type(error).__name__


def _result(world: Any, log: Log, how: str, error: str, seconds: float, code: str) -> Result:
    judge = getattr(world, "judge", None)
    verdict = None if judge is None else judge.verdict()
    reasons = () if verdict is None else tuple(verdict.reasons)
    sections = _sections(verdict)
    if error:
        reasons = (error, *reasons)
    elif verdict is None and how != "finished":
        reasons = (how,)
    return Result(
        success=not error and (how == "finished" if verdict is None else bool(verdict.success)),
        how=how,
        reasons=reasons,
        time_s=round(seconds, 6),
        finish_s=getattr(verdict, "finish_s", None),
        progress_m=getattr(verdict, "progress_m", None),
        length_m=getattr(verdict, "length_m", None),
        touches=len(getattr(verdict, "touches", ())),
        rms_mm=_overall(sections),
        sections=sections,
        decisions=len(log.decisions),
        decided=_digest(repr((d.tick, d.name, sorted(d.fields.items()))) for d in log.decisions),
        faults=len(log.faults),
        error=error,
        code=code,
    )


def _sections(verdict: Any) -> dict[str, tuple[float, int]]:
    rms, ticks = getattr(verdict, "rms_mm", {}), getattr(verdict, "ticks", {})
    return {kind: (rms[kind], ticks[kind]) for kind in sorted(rms)}


def _overall(sections: dict[str, tuple[float, int]]) -> float | None:
    """Return the rms over all ticks, from the rms of the parts."""
    ticks = sum(count for _, count in sections.values())
    return (sum(rms * rms * count for rms, count in sections.values()) / ticks) ** 0.5 if ticks else None


def code_digest(setup: Setup) -> str:
    """Return a digest of all code that decides a run: robotcore, the drivers, the mission's and the devices' own.

    Every source and data file of those packages counts, so that a change anywhere is other code.
    """
    modules = {"robotcore", "drivers", setup.mission.run.__module__}
    modules |= {type(fitted.device).__module__ for fitted in setup.rig.fitted}
    return _code(tuple(sorted(modules)))


@lru_cache(maxsize=32)
def _code(modules: tuple[str, ...]) -> str:
    files = sorted({file for module in modules for file in _files(module)})
    return _digest(part for name, path in files for part in (name, path.read_text(encoding="utf-8", errors="replace")))


def _files(module: str) -> Iterator[tuple[str, Path]]:
    """Give (name, path) of every file of a module's outermost package; of a module that stands alone, its own."""
    top = module.partition(".")[0]
    spec = importlib.util.find_spec(top)
    for place in (spec.submodule_search_locations or ()) if spec is not None else ():
        folder = Path(place)
        for path in folder.rglob("*"):
            if path.suffix in (".py", ".toml"):
                yield f"{top}/{path.relative_to(folder).as_posix()}", path
    own = getattr(sys.modules.get(module), "__file__", None)
    if own is not None:
        yield module, Path(own)


def _digest(parts: Iterator[str]) -> str:
    digest = hashlib.sha256()
    for part in parts:
        digest.update(part.encode() + b"\0")
    return digest.hexdigest()[:16]


def text_digest(*parts: str) -> str:
    """Return a digest of texts."""
    return _digest(iter(parts))
