"""``robotcore run``: one mission on one backend, recorded."""

import argparse
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from robotcore.backend import Address, parse_address
from robotcore.brain import Brain
from robotcore.cli import plugins
from robotcore.cli.output import fresh_in_runs
from robotcore.cli.progress import Progress, summary
from robotcore.cli.setup import Setup, add_setup, from_words, parser, seconds
from robotcore.errors import UserError
from robotcore.log import Decision, Fault, Log
from robotcore.runtime import Limits, Outcome, Run

CAUTION = """\
Caution: tracks and gripper move and can pinch. First run with the tracks off the ground, a hand on the stop,
nobody's fingers or hair near the drive. A stalled motor or a damaged lithium cell burns: charge and store cells as
their maker and the venue say. Event rules and the supervising adult go first. The stop here is a software stop, not
an emergency stop; cut the power at the battery.
"""


EPILOG = """\
Exit code: 0 the mission came to its own end (whether it was done well is for `score`), 1 it did not: time limit,
button, error, lost link; 2 wrong input; 130 Ctrl-C, 143 SIGTERM. Whatever it was, the last thing sent is a stop.
"""


def run_verb(words: list[str]) -> int:
    """Run a mission and tell how it went."""
    args = _parser().parse_args(words)
    address = parse_address(args.backend)
    if args.resume:
        from robotcore.cli.resume import resume_words  # late: seldom needed

        args.set = resume_words(args.resume, plugins.mission(args.mission, by_module=True)) + args.set
    setup = from_words(args)
    world = plugins.backend(address)(address, setup.rig)
    if address.scheme not in plugins.HARMLESS:
        _caution(setup, args.yes)
    path = None if args.no_recording else Path(args.out) if args.out else _default_path(setup, address)
    return _run(args, address, setup, world, path)


def _parser() -> argparse.ArgumentParser:
    words = parser("run", "Run a mission. The same mission drives the fake robot, the brick or a recording.")
    words.epilog = EPILOG
    words.formatter_class = argparse.RawDescriptionHelpFormatter
    words.add_argument("backend", help="where it runs: fake:quay?seed=3, serial:/dev/ttyACM0, replay:runs/a.rec")
    add_setup(words)
    words.add_argument(
        "--resume",
        metavar="RECORDING",
        help="go on from the last checkpoint of an earlier recording (a fake robot's world begins anew all the same)",
    )
    words.add_argument("--out", help="the recording's file (default: a new one in runs/)")
    words.add_argument("--no-recording", action="store_true", help="keep nothing")
    words.add_argument("--time-limit", type=seconds, default=480.0, metavar="S", help="end after S seconds (480)")
    words.add_argument("--hung-after", type=seconds, default=1.0, metavar="S", help="watchdog's patience (1)")
    words.add_argument("--events", action="store_true", help="print every decision and fault as it comes")
    words.add_argument("--yes", action="store_true", help="on a real robot without a start button: go at once")
    words.add_argument("--quiet", action="store_true", help="no progress line and no summary")
    return words


def _caution(setup: Setup, yes: bool) -> None:
    print(CAUTION, file=sys.stderr)
    if setup.rig.role("start_button") is not None:
        print("The robot stands until its start button is pressed.", file=sys.stderr)
    elif not yes:
        raise UserError(f"rig {setup.rig.name!r} has no start button; fit one, or say --yes to start at once")


def _run(args: argparse.Namespace, address: Address, setup: Setup, world: Any, path: Path | None) -> int:
    log = Log(_teller() if args.events else None)
    brain = Brain(
        setup.rig,
        setup.calibration,
        setup.mission,
        setup.settings,
        log,
        timing=time.perf_counter_ns if world.paced else None,
    )
    recorder = None if path is None else _recorder(path, args, setup, world)
    progress = Progress(log, setup.rig.period_s, time.monotonic)
    run = Run(
        world,
        brain,
        log,
        Limits(run_s=args.time_limit, hung_s=args.hung_after),
        recorder=recorder,
        button_stops=not setup.mission.handles_button,
        progress=None if args.quiet else progress,
    )
    if recorder is not None:
        log.tell = _chain(log.tell, keep(recorder))
    began = time.monotonic()
    outcome = run.run()
    wall_s = time.monotonic() - began
    if recorder is not None:
        recorder.close(outcome.how if outcome.finished else f"stopped: {outcome.how}", outcome.seconds)
    progress.end()
    if isinstance(outcome.error, UserError) and _never_began(recorder, log):
        raise outcome.error
    if not args.quiet:
        print(
            "\n".join(
                summary(outcome, log, wall_s, setup.rig.period_s)
                + _judged(world, outcome, setup.rig.period_s)
                + _where(path)
            )
        )
    return _exit_code(outcome, recorder)


def _never_began(recorder: Any, log: Log) -> bool:
    """Tell whether nothing was sensed and nothing said; an empty recording would only spoil its folder, so it goes."""
    if recorder is None or recorder.failure is not None or recorder.committed or log.decisions:
        return False
    recorder.path.unlink(missing_ok=True)
    return True


def _recorder(path: Path, args: argparse.Namespace, setup: Setup, world: Any) -> Any:
    from robotcore.cli.version import code_version
    from robotcore.recording.schema import Header
    from robotcore.recording.writer import Recorder

    header = Header(
        name=path.stem,
        started=time.strftime("%Y-%m-%dT%H:%M:%S%z"),
        mission=setup.mission.name,
        rig_name=setup.rig.name,
        rig=setup.rig.text,
        calibration=setup.calibration.text,
        settings=setup.settings_text,
        backend=args.backend,
        code_version=code_version(setup.mission),
        period_s=setup.rig.period_s,
        facts=dict(world.facts),
    )
    return Recorder(path, header, setup.rig.layout, blocking=not world.paced)


def keep(recorder: Any) -> Callable[[Decision | Fault], None]:
    """Return what puts decisions and faults into a recording."""

    def keep(entry: Decision | Fault) -> None:
        if isinstance(entry, Decision):
            recorder.decision(*entry)
        else:
            recorder.fault(*entry)

    return keep


def _chain(
    one: Callable[[Decision | Fault], None] | None, two: Callable[[Decision | Fault], None]
) -> Callable[[Decision | Fault], None]:
    if one is None:
        return two

    def both(entry: Decision | Fault) -> None:
        one(entry)
        two(entry)

    return both


def _teller() -> Callable[[Decision | Fault], None]:
    """Return what prints each entry as a structured event on standard error."""
    import structlog  # late: costs as much as all the rest to import

    logger = structlog.wrap_logger(
        structlog.PrintLogger(sys.stderr),
        processors=[structlog.processors.KeyValueRenderer(key_order=["time_s", "event"])],
    )

    def tell(entry: Decision | Fault) -> None:
        facts: dict[str, Any] = {"time_s": round(entry.time_s, 3), "behaviour": entry.behaviour}
        if isinstance(entry, Decision):
            own = {
                f"{key}_" if key in ("event", *facts, "place") else key: value for key, value in entry.fields.items()
            }
            logger.info(entry.name, **facts, **own, place=entry.place)
        else:
            logger.warning(entry.kind, **facts, detail=entry.detail)

    return tell


def _judged(world: Any, outcome: Outcome, period_s: float) -> list[str]:
    judge = getattr(world, "judge", None)
    if judge is None:
        return []
    from robotcore.cli.single import settle  # late: a robot has no judge

    settle(world, outcome.ticks, period_s)
    return [f"judged     {line}" for line in judge.verdict().lines()]


def _where(path: Path | None) -> list[str]:
    if path is None:
        return ["recording  none"]
    return [f"recording  {path}", f"           look at it: robotcore picture {path}; check it: robotcore replay {path}"]


def _exit_code(outcome: Outcome, recorder: Any) -> int:
    error = outcome.error
    if isinstance(error, UserError):
        raise error
    if recorder is not None and recorder.failure is not None:
        raise UserError(recorder.failure)
    if isinstance(error, Exception):
        import traceback  # late: it costs as much as a driver, and is seldom needed

        traceback.print_exception(error)
    elif error is not None:
        print(f"robotcore: {outcome.how}: {error}", file=sys.stderr)
    return 0 if outcome.finished and error is None else _SIGNAL_CODES.get(outcome.how, 1)


_SIGNAL_CODES = {
    f"interrupted by {name}": 128 + number for name, number in (("SIGINT", 2), ("SIGTERM", 15), ("SIGHUP", 1))
}


def _default_path(setup: Setup, address: Address) -> Path:
    place = "".join(c if c.isalnum() else "-" for c in Path(address.place).stem or address.scheme)[:40]
    seed = f"-{address.options['seed']}" if address.options.get("seed", "").isdigit() else ""
    stem = f"{time.strftime('%Y%m%d-%H%M%S')}-{setup.mission.name}-{place}{seed}"
    return fresh_in_runs(stem)
