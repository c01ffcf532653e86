"""``robotcore replay``: recordings through today's code, judged: is a change safe, is it not, or is that unknown."""

import argparse
import json
import math
import os
import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import attrs

from robotcore.cli.judging import Report, Request, judge_file
from robotcore.cli.output import check_writable, show, write_report
from robotcore.cli.setup import number, parser, whole
from robotcore.errors import UserError
from robotcore.recording.schema import SUFFIX
from robotcore.replay import Tolerance, Verdict

EPILOG = """\
Verdicts: same (every command bit-equal), equivalent (commands differ, the robot would have stayed where it was, same
decisions in time), changed (a decision differs inside the trust horizon), undecided (the new commands would have taken
the robot elsewhere; nothing is known after that). Exit code: 0 same or equivalent, 1 changed or a sentence of
NAME.expect.txt not met, 3 undecided, 2 bad input; of several files the worst: 2 before 1 before 3.
"""
SMALL = 200_000  #: bytes of recordings below which a second process takes longer to start than it saves


def replay_verb(words: list[str]) -> int:
    """Judge recordings and return the exit code."""
    args = _parser().parse_args(words)
    check_writable(args.json)
    files = recordings_in(args.recording)
    request = _request(args)
    bar = _Bar(len(files), args.quiet)
    reports = []
    for report in judge_all(files, request, args.jobs):
        reports.append(report)
        bar.show(report)
    bar.end()
    simulated = _go_on(reports, request, args)
    if args.json:
        _write_json(args.json, reports, request)
    if args.json != "-":
        show(_lines(reports, args) + simulated)
    return worst(report.code for report in reports)


def _parser() -> argparse.ArgumentParser:
    words = parser("replay", "Feed the raw counts of recordings through today's behaviours and judge what comes out.")
    words.epilog = EPILOG
    words.formatter_class = argparse.RawDescriptionHelpFormatter
    words.add_argument("recording", nargs="+", help="recordings (.rec), or folders of them")
    words.add_argument("--mission", help="another mission than the recorded one")
    words.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help="one setting, changed")
    words.add_argument("--rig", help="another rig than the recorded one, with the same devices")
    words.add_argument("--trust-mm", type=_size, default=5.0, metavar="MM", help="trust ends so far apart (5)")
    words.add_argument("--trust-deg", type=_size, default=3.0, metavar="DEG", help="or turned so far (3)")
    words.add_argument("--growth", type=_size, default=3.0, metavar="PER_S", help="rate at which that may grow (3)")
    words.add_argument("--time-s", type=_size, default=0.1, metavar="S", help="decisions may come so much apart (0.1)")
    words.add_argument("--fields-pct", type=_size, default=5.0, metavar="PCT", help="numbers may differ so much (5)")
    words.add_argument("--once", action="store_true", help="do not replay twice to find what is not deterministic")
    words.add_argument("--jobs", type=whole, default=0, metavar="N", help="processes (default: one for each core)")
    words.add_argument("--show", action="store_true", help="the details of every recording, not of changed ones alone")
    words.add_argument("--json", metavar="FILE", help="also write everything as JSON; - for standard output, alone")
    words.add_argument("--quiet", action="store_true", help="no progress bar")
    words.add_argument(
        "--continue", dest="go_on", action="store_true", help="past the horizon go on in the fake world: no evidence"
    )
    words.add_argument("--reconstruct", action="store_true", help="with --continue: on a course made from the readings")
    words.add_argument("--at", type=_size, metavar="S", help="go on from S seconds, if trust reaches there")
    words.add_argument("--out", metavar="FILE", help="the new recording's file (default: a new one in runs/)")
    return words


def _size(text: str) -> float:
    return number(text, "a number of 0 or more", 0.0, sys.float_info.max)


def _request(args: argparse.Namespace) -> Request:
    if args.jobs < 0:
        raise UserError(f"--jobs {args.jobs}: give a number of processes, or 0 for one a core")
    tolerance = Tolerance(
        trust_m=args.trust_mm / 1000,
        trust_rad=math.radians(args.trust_deg),
        growth_per_s=args.growth,
        time_s=args.time_s,
        share=args.fields_pct / 100,
    )
    return Request(args.mission, tuple(args.set), args.rig, tolerance, twice=not args.once)


def _go_on(reports: Sequence[Report], request: Request, args: argparse.Namespace) -> list[str]:
    """Go on past the horizon where that was asked for; return what to print."""
    if not args.go_on:
        if args.reconstruct or args.at is not None or args.out:
            raise UserError("--reconstruct, --at and --out go with --continue; say that too")
        return []
    from robotcore.cli.onward import Options, continue_all  # late: a replay needs no simulator

    out = Path(args.out) if args.out else None
    return continue_all(reports, request, Options(args.reconstruct, args.at, out))


def recordings_in(names: Sequence[str]) -> list[str]:
    """Return the recordings that files and folders stand for, each once.

    Raises:
        UserError: a folder holds none.

    """
    found: dict[str, None] = {}
    for name in names:
        if Path(name).is_dir():
            inside = sorted(str(path) for path in Path(name).rglob(f"*{SUFFIX}") if path.is_file())
            if not inside:
                raise UserError(f"{name}: holds no recording (*{SUFFIX}); give a folder that does")
            found.update(dict.fromkeys(inside))
        else:
            found[name] = None
    return list(found)


def judge_all(files: Sequence[str], request: Request, jobs: int = 0) -> Iterator[Report]:
    """Judge files, in order, each in a process of its own where that is worth it.

    Args:
        files: paths of recordings.
        request: how.
        jobs: processes; 0 for one a core.

    """
    few = jobs == 1 or len(files) < 2 or sum(_bytes(path) for path in files) < SMALL
    jobs = 1 if few else min(jobs or _cores(), len(files))
    if jobs < 2:
        for path in files:
            yield judge_file(path, request)
        return
    yield from _in_processes(files, request, jobs)


def _in_processes(files: Sequence[str], request: Request, jobs: int) -> Iterator[Report]:
    from concurrent.futures import BrokenExecutor  # late: the robot never needs it

    from robotcore.sweep.pool import processes

    try:
        with processes(jobs) as pool:
            for waiting in [pool.submit(judge_file, path, request) for path in files]:
                yield waiting.result()
    except BrokenExecutor:
        raise UserError("replay: a process ended while judging (out of memory?); try --jobs 1") from None


def _cores() -> int:
    from robotcore.sweep.pool import cores  # late: one recording needs no pool

    return cores()


def _bytes(path: str) -> int:
    try:
        return os.stat(path).st_size
    except OSError:
        return 0


def worst(codes: Iterator[int]) -> int:
    """Return the exit code for several: bad input before changed before undecided."""
    return max(codes, key=(0, 3, 1, 2).index)


class _Bar:
    """How far it is, on one line that is written over; nothing where nobody looks."""

    def __init__(self, total: int, quiet: bool) -> None:
        self._total = total
        self._counts: Counter[str] = Counter()
        self._live = not quiet and total > 1 and sys.stderr.isatty()

    def show(self, report: Report) -> None:
        """Count one more."""
        self._counts[report.verdict] += 1
        if self._live:
            done = sum(self._counts.values())
            filled = 24 * done // self._total
            counts = ", ".join(f"{count} {verdict}" for verdict, count in self._counts.items())
            line = f"[{'=' * filled}{' ' * (24 - filled)}] {done}/{self._total}  {counts}"
            sys.stderr.write("\r" + line[:78].ljust(78))
            sys.stderr.flush()

    def end(self) -> None:
        """Clear the line."""
        if self._live:
            sys.stderr.write("\r" + " " * 78 + "\r")
            sys.stderr.flush()


def _lines(reports: Sequence[Report], args: argparse.Namespace) -> list[str]:
    lines = _table(reports)
    for report in reports:
        if report.lines and (args.show or report.code == 1):
            lines += ["", report.file, *report.lines]
    bad = [report.reason for report in reports if report.verdict == Verdict.BAD]
    lines += ["", *bad] if bad else []
    counts = Counter(report.verdict for report in reports)
    said = ", ".join(f"{counts[verdict]} {verdict}" for verdict in reversed(Verdict.WORST_FIRST) if counts[verdict])
    broken = sum(report.broken for report in reports)
    said += f"; in {broken} of them a sentence is not met" if broken else ""
    return [*lines, "", said] if len(reports) > 1 else lines


def _table(reports: Sequence[Report]) -> list[str]:
    width = max(len("recording"), *(len(report.file) for report in reports))
    lines = [f"{'recording':<{width}}  {'verdict':<10} {'trusted':>15}  {'decisions':>9}  first difference"]
    for report in reports:
        if report.verdict == Verdict.BAD:
            lines.append(f"{report.file:<{width}}  {report.verdict:<10} {'-':>15}  {'-':>9}  see below")
            continue
        trusted = f"{report.trusted_s:.2f} of {report.end_s:.2f} s"
        row = f"{report.file:<{width}}  {report.verdict:<10} {trusted:>15}  {report.decisions:>9}  {report.first}"
        lines.append(row.rstrip())
    return lines


def _write_json(place: str, reports: Sequence[Report], request: Request) -> None:
    counts = Counter(report.verdict for report in reports)
    data: dict[str, Any] = {
        "tolerance": attrs.asdict(request.tolerance),
        "counts": {verdict: counts[verdict] for verdict in Verdict.CODES},
        "exit": worst(report.code for report in reports),
        "recordings": [
            {"file": report.file, "verdict": report.verdict, "exit": report.code, **report.data} for report in reports
        ],
    }
    text = json.dumps(data, indent=1, sort_keys=False, allow_nan=False) + "\n"
    if place == "-":
        sys.stdout.write(text)
        return
    write_report(place, text)
