"""How many runs that go on past a hand-over finish their course: ``python -m tests.benchmarks.bench_onward``.

``known`` goes on on the recorded course, ``made`` on one reconstructed from the readings; unchanged code, hand-overs at
15, 40, 65 and 90 % of each run. Recorded runs that failed themselves are left out and counted. Prints; asserts nothing.
"""

import contextlib
import io
import sys
import tempfile
from collections import Counter
from pathlib import Path

from robotcore.cli.judging import Request, judge_file
from robotcore.cli.main import main
from robotcore.cli.onward import Options, go_on
from robotcore.errors import UserError
from robotcore.stats import wilson

SHARES = (0.15, 0.40, 0.65, 0.90)
COURSES = ("quay", "slipway", "breakwater", "shoals", "storm")
FIRST_SEED = 100


def measure(course: str, seeds: int, reconstruct: bool, folder: Path) -> Counter[str]:
    """Record, go on, and count what came of it."""
    counts: Counter[str] = Counter()
    for seed in range(FIRST_SEED, FIRST_SEED + seeds):
        path = folder / f"{course}-{seed}-{reconstruct}.rec"
        said = io.StringIO()
        with contextlib.redirect_stdout(said):
            main(["run", f"fake:{course}?seed={seed}", "--out", str(path), "--time-limit", "150"])
        if "the course was done" not in said.getvalue():
            counts["failed"] += 1
            continue
        counts.update(_go_on(path, reconstruct))
    return counts


def _go_on(path: Path, reconstruct: bool) -> Counter[str]:
    counts: Counter[str] = Counter()
    request = Request(twice=False)
    report = judge_file(str(path), request)
    for share in SHARES:
        out = path.with_name("onward.rec")
        out.unlink(missing_ok=True)
        try:
            continued = go_on(report, request, Options(reconstruct, report.end_s * share, out, 240.0))
        except UserError as error:
            print(f"    {error}")
            return Counter(refused=1)
        counts["runs"] += 1
        counts["good"] += bool(continued.data["success"])
    return counts


def bench(seeds: int) -> None:
    """Print a line for each course and kind."""
    with tempfile.TemporaryDirectory() as name:
        for kind in ("known", "made"):
            for course in COURSES:
                c = measure(course, seeds, kind == "made", Path(name))
                low, high = wilson(c["good"], c["runs"]) if c["runs"] else (0.0, 1.0)
                print(
                    f"{kind} {course:<10} {c['good']:3} of {c['runs']:3} finish (Wilson {low:.3f} to {high:.3f}); "
                    f"of {seeds} recorded runs {c['failed']} failed themselves, {c['refused']} refused"
                )


if __name__ == "__main__":
    bench(int(sys.argv[1]) if len(sys.argv) > 1 else 6)
