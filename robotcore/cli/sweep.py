"""``robotcore sweep``: a mission over a grid of perturbations, rigs, courses and seeds, in parallel, resumable."""

import argparse
import json
import shlex
import sys
import time
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from pathlib import Path
from typing import NamedTuple

from robotcore.backend import parse_address
from robotcore.checking import read_text
from robotcore.cli.output import check_writable, write_report
from robotcore.cli.setup import Setup, add_setup, from_words, number, parser, seconds, whole
from robotcore.cli.single import build, code_digest, text_digest, work
from robotcore.cli.version import code_version
from robotcore.errors import UserError
from robotcore.stats import flawless_runs
from robotcore.sweep.bar import Bar
from robotcore.sweep.engine import Entry, sweep
from robotcore.sweep.job import Job, Result
from robotcore.sweep.plan import SETUP_AXES, Cell, Plan, Run, make_plan, parse_axis
from robotcore.sweep.pool import cores, dask, processes
from robotcore.sweep.report import CellReport, failures, report, table, to_json
from robotcore.sweep.store import Key, Store

EPILOG = """\
--vary NAME=VALUE,VALUE makes an axis of the grid. NAME is rig, mission or calibration; a setting (with a dot, such as
follow.kp_rad_s=2,3); or any option of the URL, such as a perturbation: noise, light, slip ... in nominal sizes, perturb
for all of them. Every value of every axis meets every course and every seed.

Results go into the store as they come. What is there is not run again: after a kill, Ctrl-C or with more seeds the same
command goes on from there. Changed code, rigs, courses or settings are other runs, and are done anew.

Examples:
  robotcore sweep fake:storm --seeds 10000-10199
  robotcore sweep fake:quay fake:slipway --seeds 1-50 --vary noise=0.5,1,2 --vary rig=harbour,harbour-clear
  robotcore sweep fake:storm --seeds 1-100 --vary follow.cruise_m_s=0.18,0.21 --at-least 0.95

Exit code: 0 when every run was done, 1 where --at-least is given and not met, 2 for wrong input, 130 after Ctrl-C.
"""


def sweep_verb(words: list[str]) -> int:
    """Run a sweep and print what it found."""
    args = _parser().parse_args(words)
    check_writable(args.json)
    _check_counts(args)
    plan = make_plan(args.url, args.seeds, [parse_axis(text) for text in args.vary])
    grid = _Grid(plan, args)
    if args.check:
        grid.check()
        return 0
    bar = Bar(time.monotonic, sys.stderr, live=args.bar or (False if args.quiet else None), label=args.label)
    try:
        with Store(args.store) as store:
            results = _sweep(args, grid, store, bar)
    except KeyboardInterrupt:
        bar.end()
        print(
            f"stopped with {bar.known + bar.done} of {plan.size()} runs done; the same command goes on", file=sys.stderr
        )
        return 130
    finally:
        bar.end()
    return _tell(args, grid, results)


def _parser() -> argparse.ArgumentParser:
    words = parser("sweep", "Drive a mission over perturbations, rigs, courses and seeds: how often does it succeed?")
    words.formatter_class = argparse.RawDescriptionHelpFormatter
    words.epilog = EPILOG
    words.add_argument("url", nargs="+", help="courses without seed: fake:storm, fake:random?difficulty=0.8")
    words.add_argument("--seeds", required=True, metavar="RANGE", help="1-200, or 1-20,33")
    words.add_argument("--vary", action="append", default=[], metavar="NAME=V,V", help="an axis of the grid; see below")
    add_setup(words)
    words.add_argument("--time-limit", type=seconds, default=480.0, metavar="S", help="end a run after S seconds (480)")
    words.add_argument("--jobs", type=whole, metavar="N", help="processes (default: one for each core)")
    words.add_argument("--dask", metavar="ADDRESS", help="use a Dask cluster, tcp://host:8786; it needs the same code")
    words.add_argument("--store", default="sweep.db", metavar="FILE", help="where results are kept (sweep.db)")
    words.add_argument("--at-least", type=_share, metavar="SHARE", help="exit 1 where a cell's Wilson bound is lower")
    words.add_argument(
        "--failures", type=whole, default=20, metavar="N", help="print the commands of N failed runs (20)"
    )
    words.add_argument("--json", metavar="FILE", help="also write everything as JSON; - for standard output, alone")
    words.add_argument("--quiet", action="store_true", help="no progress bar")
    words.add_argument("--check", action="store_true", help="only check that all of it could be driven")
    words.add_argument("--label", default="", help=argparse.SUPPRESS)  # these two are for `robotcore compare`
    words.add_argument("--bar", action="store_true", help=argparse.SUPPRESS)
    return words


def _check_counts(args: argparse.Namespace) -> None:
    if args.jobs is not None and args.jobs < 1:
        raise UserError(f"--jobs {args.jobs}: give a number of processes, at least 1")
    if args.failures < 0:
        raise UserError(f"--failures {args.failures}: give a number of commands, 0 for none")


def _share(text: str) -> float:
    return number(text, "a share from 0 to 1", 0.0, 1.0)


class _Made(NamedTuple):
    """What a cell is made of: its setup and its part of the key."""

    setup: Setup
    key: Key
    content: str


class _Grid:
    """The plan with everything read: files, setups, keys and jobs.

    Args:
        plan: the runs.
        args: the command line's words.

    Raises:
        UserError: a file, a name or a setting is not good.

    """

    def __init__(self, plan: Plan, args: argparse.Namespace) -> None:
        self.plan = plan
        self.args = args
        self.made = [self._make(cell) for cell in plan.cells]

    def words_of(self, cell: Cell) -> argparse.Namespace:
        """Return the words that `robotcore run` would need for a cell."""
        words = argparse.Namespace(**vars(self.args))
        for axis in SETUP_AXES:
            setattr(words, axis, cell.value(axis) or getattr(self.args, axis))
        words.set = [*self.args.set, *cell.settings()]
        return words

    def _make(self, cell: Cell) -> _Made:
        words = self.words_of(cell)
        setup = from_words(words)
        parts = [setup.rig.text, setup.calibration.text, repr(setup.settings), f"time limit {words.time_limit:g} s"]
        content = "\n".join([*parts, *_course(cell)])
        key = Key(
            cell.place(),
            0,
            cell.perturbations(),
            words.rig,
            setup.mission.name,
            text_digest(content),
            code_digest(setup),
        )
        return _Made(setup, key, content)

    def check(self) -> None:
        """Build the first world of every cell, so that what is wrong is found before anything runs.

        Raises:
            UserError: a course, an option or a perturbation is not good.

        """
        for cell, made in zip(self.plan.cells, self.made, strict=True):
            build(cell.address(self.plan.seeds[0]), made.setup)

    def key(self, run: Run) -> Key:
        """Return a run's name in the store."""
        return self.made[run.cell].key._replace(seed=run.seed)

    def entry(self, run: Run) -> Entry:
        """Return a run as the engine wants it."""
        cell, setup = self.plan.cells[run.cell], self.made[run.cell].setup
        mission = self.words_of(cell).mission
        texts = setup.rig.text, setup.calibration.text, setup.settings_text
        return Entry(self.key(run), Job(cell.address(run.seed), mission, *texts, self.args.time_limit))

    def command(self, cell: Cell, seed: int) -> str:
        """Return the command that drives a run again, recorded."""
        words = self.words_of(cell)
        command = ["robotcore", "run", cell.address(seed)]
        command += ["--mission", words.mission] if words.mission != "line" else []
        command += ["--rig", words.rig] if words.rig != "harbour" else []
        command += ["--calibration", words.calibration] if words.calibration else []
        command += ["--settings", words.settings] if words.settings else []
        command += [word for change in words.set for word in ("--set", change)]
        command += ["--time-limit", f"{words.time_limit:g}"] if words.time_limit != 480.0 else []
        return shlex.join(command)


def _course(cell: Cell) -> list[str]:
    """Return the text of a course that is a file: it decides a run, and its name does not tell when it changes."""
    place = parse_address(cell.url).place
    return [read_text(place)] if place.endswith(".toml") and Path(place).is_file() else []


def _sweep(args: argparse.Namespace, grid: _Grid, store: Store, bar: Bar) -> dict[Key, Result]:
    """Have done what is not in the store."""
    entries = [grid.entry(run) for run in grid.plan.runs()]
    missing = len(entries) - len(store.find([entry.key for entry in entries]))
    _say_what_is_there(args, grid, store, len(entries) - missing)
    if not missing:
        return store.find([entry.key for entry in entries])
    if args.dask:
        with dask(args.dask) as (executor, width):
            return _spread(grid, store, bar, entries, executor, width)
    count = min(args.jobs or cores(), missing)
    with processes(count) as executor:
        return _spread(grid, store, bar, entries, executor, count)


def _spread(
    grid: _Grid, store: Store, bar: Bar, entries: Sequence[Entry], executor: Executor, width: int
) -> dict[Key, Result]:
    """Check every cell while the workers start, then have the runs done."""
    grid.check()
    _describe(grid, store)
    return sweep(entries, work, executor, width, store, bar, time.monotonic)


def _describe(grid: _Grid, store: Store) -> None:
    setups = {made.key.setup: made.content for made in grid.made}
    for code, setup in {made.key.code: made.setup for made in grid.made}.items():
        store.describe(setups, code, code_version(setup.mission))


def _say_what_is_there(args: argparse.Namespace, grid: _Grid, store: Store, known: int) -> None:
    if known:
        print(f"{args.store}: {known} of {grid.plan.size()} runs are there already", file=sys.stderr)
    others = store.other_code(grid.made[0].key.code)
    if others and not args.label:  # who compares knows that there is other code
        print(
            f"{args.store}: {sum(others.values())} runs of other code do not count ({'; '.join(sorted(others))})",
            file=sys.stderr,
        )


def _tell(args: argparse.Namespace, grid: _Grid, found: Mapping[Key, Result]) -> int:
    results = {run: found[key] for run in grid.plan.runs() if (key := grid.key(run)) in found}
    reports = report(grid.plan, results)
    if args.json:
        _write_json(args.json, grid, results)
    if args.json != "-":
        lines = [*table(reports), *failures(reports, grid.command, args.failures), *_short(args.at_least, reports)]
        print("\n".join(lines))
    return 1 if _short(args.at_least, reports) else 0


def _short(least: float | None, reports: Sequence[CellReport]) -> list[str]:
    """Return a line for each cell that falls short of ``--at-least``, and says what is wanting."""
    return [_short_of(least, one) for one in reports if least is not None and one.low < least]


def _short_of(least: float, one: CellReport) -> str:
    """Say what a cell vouches for; without a failure, how many runs would do."""
    cell = " ".join([one.cell.url, *(f"{name}={value}" for name, value in one.cell.point)])
    line = f"--at-least {least:g} is not met by {cell}: {one.successes} of {one.runs} vouch for {one.low:.3f}"
    if one.failed or least >= 1.0:
        return line
    return f"{line}; drive more seeds, {flawless_runs(least)} without a failure would do"


def _write_json(file: str, grid: _Grid, results: Mapping[Run, Result]) -> None:
    import robotcore

    facts = {
        "code": sorted({made.key.code for made in grid.made}),
        "version": sorted({code_version(made.setup.mission) for made in grid.made}),
        "tree": str(Path(robotcore.__file__).resolve().parent.parent),
    }
    text = json.dumps(to_json(grid.plan, results, facts, grid.command), indent=1) + "\n"
    if file == "-":
        sys.stdout.write(text)
        return
    write_report(file, text)
