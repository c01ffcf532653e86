"""Do the shipped recordings and the tests bite? Seeds defects into the behaviours and counts who notices.

    python tests/benchmarks/mutants.py                   all mutants, a table, the shares caught
    python tests/benchmarks/mutants.py --only 12,40-44   some of them
    python tests/benchmarks/mutants.py --list            what they are, and whether they still apply
    python tests/benchmarks/mutants.py --jobs 2 --json out.json

Each mutant is one small change of the source (`tests/benchmarks/mutants.txt` for the line, `mutants_zone.txt` for the
zone: their numbers follow on), made in a copy of `behaviours/` in a temporary folder; robotcore, drivers, replays and
tests are the project's own. A child process judges every recording of `replays/` until one is caught, another runs the
tests named below until one fails.

Rules: a replay counts as caught where its verdict is "changed", a sentence is broken, or it cannot be judged; undecided
counts as not caught. A test run counts where it fails. Both are run for every mutant and counted separately. Before
that, the unchanged code must pass both. A child that hangs is killed and counts as caught: any suite would see it.
"""

import argparse
import concurrent.futures
import functools
import json
import multiprocessing
import os
import resource
import shutil
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

TOP = Path(__file__).resolve().parent.parent.parent
sys.path.insert(0, str(TOP))
TABLES = Path(__file__).with_suffix(".txt"), Path(__file__).with_name("mutants_zone.txt")
#: what is held against each mutant of the line, quickest first
TESTS = (
    "test_mutants_eyes.py",
    "test_mutants_parts.py",
    "test_mutants_places.py",
    "test_mutants_trail.py",
    "test_behaviours_parts.py",
    "test_mutants_runs.py",
    "test_line_courses.py",
)
#: ... and of the zone
ZONE_TESTS = (
    "test_zone_chart.py",
    "test_zone_corner_rim.py",
    "test_zone_held.py",
    "test_zone_comb.py",
    "test_zone_rounds.py",
    "test_zone_corners.py",
    "test_zone_collect.py",
    "test_zone_deposit.py",
    "test_zone_drop.py",
    "test_zone_sight.py",
    "test_zone_leave.py",
    "test_zone_survey.py",
    "test_zone_seams.py",
    "test_zone_behaviours.py",
)

HANG_CPU_S = 300  #: what passes all tests needs a fifth of it
SHARED = ("robotcore", "drivers", "replays", "tests", "pyproject.toml", "README.md", "DEVELOPERS.md")


class Mutant(NamedTuple):
    """A file below behaviours/, what is wrong in words, the text, what it becomes, and why it may do the same."""

    file: str
    words: str
    old: str
    new: str
    same: str


class Result(NamedTuple):
    """What became of a mutant: what a replay said, what a test said ("" where nothing was noticed), and the time."""

    number: int
    replay: str
    test: str
    seconds: float


def read_table(text: str) -> list[Mutant]:
    """Read the table of mutants; its head says how it is written."""
    found = []
    for paragraph in text.split("\n\n"):
        lines = [line for line in paragraph.splitlines() if line and not line.startswith("#")]
        if not lines:
            continue
        file, _, words = lines[0].partition(": ")
        parts = {mark: [line[2:] for line in lines[1:] if line[:2] == mark + " "] for mark in "-+="}
        assert sum(map(len, parts.values())) == len(lines) - 1, f"{words}: a line begins with neither - nor + nor ="
        old, new = "\n".join(parts["-"]), "\n".join(parts["+"])
        found.append(Mutant(file, words, old if parts["+"] else old + "\n", new, " ".join(parts["="])))
    return found


MUTANTS = [mutant for table in TABLES for mutant in read_table(table.read_text(encoding="utf-8"))]


def problem(mutant: Mutant) -> str:
    """Return why a mutant cannot be made of today's source, or ""."""
    source = (TOP / "behaviours" / mutant.file).read_text(encoding="utf-8")
    count = source.count(mutant.old)
    if count != 1:
        return f"its text stands {count} times in {mutant.file}"
    try:
        compile(source.replace(mutant.old, mutant.new), mutant.file, "exec")
    except SyntaxError as error:
        return f"it does not compile: {error}"
    return ""


def tree_of(folder: Path, mutant: Mutant | None) -> None:
    """Lay out a copy of the project in `folder`: behaviours changed, the rest as links."""
    for name in SHARED:
        (folder / name).symlink_to(TOP / name)
    shutil.copytree(TOP / "behaviours", folder / "behaviours", ignore=shutil.ignore_patterns("__pycache__"))
    if mutant is not None:
        path = folder / "behaviours" / mutant.file
        path.write_text(path.read_text(encoding="utf-8").replace(mutant.old, mutant.new), encoding="utf-8")


def check(number: int, mutant: Mutant | None) -> Result:
    """Make a mutant, and ask recordings and tests."""
    began = time.perf_counter()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        tree_of(folder, mutant)
        replay = in_child(ask_replays, folder)
        test = in_child(functools.partial(ask_tests, tests_for(mutant)), folder)
    return Result(number, replay, test, time.perf_counter() - began)


def in_child(ask: Any, folder: Path) -> str:
    """Run `ask(folder)` in a fork of this process, which has loaded everything but behaviours."""
    context = multiprocessing.get_context("fork")
    ours, theirs = context.Pipe(duplex=False)
    child = context.Process(target=_child, args=(ask, folder, theirs))
    child.start()
    theirs.close()
    try:
        return ours.recv()
    except EOFError:
        return f"the process died, or hung for {HANG_CPU_S} s of computing"
    finally:
        child.kill()
        child.join()


def _child(ask: Any, folder: Path, pipe: Any) -> None:
    assert not any(name.split(".")[0] in ("behaviours", "tests") for name in sys.modules)
    resource.setrlimit(resource.RLIMIT_CPU, (HANG_CPU_S, HANG_CPU_S))  # by its own time: the machine may be busy
    sys.dont_write_bytecode = True
    sys.path.insert(0, str(folder))
    os.chdir(folder)
    null = os.open(os.devnull, os.O_WRONLY)
    os.dup2(null, 1)
    os.dup2(null, 2)
    try:
        pipe.send(ask(folder))
    except BaseException as error:  # a mutant may break whatever it likes; that is noticed
        pipe.send(f"{type(error).__name__}: {error}")
    os._exit(0)


def ask_replays(folder: Path) -> str:
    """Return what the first recording says that notices, or ""."""
    from robotcore.cli.judging import Request, judge_file

    request = Request(twice=False)  # that mutants are deterministic is not the question here
    for path in sorted(Path("replays").glob("*.rec")):
        report = judge_file(str(path), request)
        if report.code in (1, 2):
            return f"{path.stem}: {report.first or report.reason}"
    return ""


def tests_for(mutant: Mutant | None) -> tuple[str, ...]:
    """Return the tests that are held against a mutant; for the unchanged code all of them."""
    if mutant is None:
        return (*TESTS, *ZONE_TESTS)
    return ZONE_TESTS if mutant.file.startswith("zone/") else TESTS


def ask_tests(names: Sequence[str], folder: Path) -> str:
    """Return the first test that fails, or ""."""
    import pytest

    seen = _Failures()
    paths = [str(folder / "tests" / name) for name in names]
    words = ["--rootdir", str(folder), "-c", str(folder / "pyproject.toml"), "-x", "-q", "-p", "no:cacheprovider"]
    words += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # what was loaded for all children is not rewritten
    code = pytest.main([*words, *paths], plugins=[seen])
    return "" if code == 0 else seen.first or f"pytest ended with {code}"


class _Failures:
    """A pytest plugin that remembers the first failure."""

    first = ""

    def pytest_runtest_logreport(self, report: Any) -> None:
        """Look at each report."""
        if report.failed and not self.first:
            self.first = report.nodeid.rpartition("/")[2]

    def pytest_collectreport(self, report: Any) -> None:
        """Look at what could not even be loaded."""
        if report.failed and not self.first:
            self.first = f"{Path(report.nodeid).name} cannot be loaded"


def warm_up() -> None:
    """Load whatever is the same for all mutants, so that each child begins with it."""
    import importlib

    for name in ("robotcore.cli.judging", "drivers.fake.backend", "numpy", "pytest", "hypothesis", "replays.staging"):
        importlib.import_module(name)


def run(numbers: Sequence[int], jobs: int) -> list[Result]:
    """Check mutants, telling each as it is done."""
    with concurrent.futures.ThreadPoolExecutor(jobs) as pool:
        waiting = [pool.submit(check, number, MUTANTS[number - 1]) for number in numbers]
        found = []
        for future in concurrent.futures.as_completed(waiting):
            result = future.result()
            found.append(result)
            print(line_of(result), flush=True)
    return sorted(found)


def line_of(result: Result) -> str:
    """Return a mutant's line in the table."""
    mutant = MUTANTS[result.number - 1]
    who = "replay " if result.replay else "       "
    who += "test" if result.test else "    "
    why = result.replay or result.test or mutant.same or "NOT CAUGHT"
    place = f"{mutant.file[:-3]}: {mutant.words}"
    return f"{result.number:3}  {who}  {result.seconds:4.1f} s  {place}  [{why[:110]}]"


def share(count: int, total: int) -> str:
    """Return a share in words."""
    return f"{count} of {total} ({100 * count / total:.1f} %)" if total else "none"


def summary(results: Sequence[Result]) -> list[str]:
    """Return what it all comes to."""
    equal = [r for r in results if not (r.replay or r.test) and MUTANTS[r.number - 1].same]
    real = [r for r in results if r not in equal]
    missed = [r for r in real if not (r.replay or r.test)]
    lines = [
        f"mutants           {len(results)}, of which {len(equal)} do the same as the original (argued in the table)",
        f"caught by replays {share(sum(bool(r.replay) for r in real), len(real))}",
        f"caught by tests   {share(sum(bool(r.test) for r in real), len(real))}",
        f"caught in all     {share(len(real) - len(missed), len(real))}",
    ]
    return lines + [f"not caught        {r.number}: {MUTANTS[r.number - 1].words}" for r in missed]


def chosen(text: str | None) -> list[int]:
    """Return the mutants that ``--only`` names."""
    if text is None:
        return list(range(1, len(MUTANTS) + 1))
    numbers: list[int] = []
    for part in text.split(","):
        low, _, high = part.partition("-")
        numbers += range(int(low), int(high or low) + 1)
    return numbers


def main() -> int:
    """Do what the words ask for."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--only", help="numbers of mutants: 3,7-9")
    words.add_argument("--list", action="store_true", help="list them and stop")
    words.add_argument("--jobs", type=int, default=2 if os.getloadavg()[0] < 1.5 else 1, help="at once (by the load)")
    words.add_argument("--json", help="file for the results")
    args = words.parse_args()
    numbers = chosen(args.only)
    faults = {number: problem(MUTANTS[number - 1]) for number in numbers}
    if args.list:
        for number in numbers:
            print(f"{number:3}  {MUTANTS[number - 1].file:16} {MUTANTS[number - 1].words}  {faults[number]}")
    bad = [f"mutant {number} ({MUTANTS[number - 1].words}): {fault}" for number, fault in faults.items() if fault]
    if args.list:
        print("\n".join(bad) or "all apply")
        return 1 if bad else 0
    warm_up()
    began = time.perf_counter()
    original = check(0, None)
    if original.replay or original.test:
        print(f"the unchanged code does not pass: {original.replay or original.test}", file=sys.stderr)
        return 2
    results = run([number for number in numbers if not faults[number]], args.jobs)
    lines = [*summary(results), *(f"not counted       {words}; mend the table" for words in bad)]
    print("\n".join(["", *lines, f"in                {time.perf_counter() - began:.0f} s with {args.jobs} at once"]))
    if args.json:
        rows = [{**result._asdict(), **MUTANTS[result.number - 1]._asdict()} for result in results]
        Path(args.json).write_text(json.dumps(rows, indent=1), encoding="utf-8")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
