"""Runs every benchmark briefly, one after the other, each in a process of its own.

    python -m tests.benchmarks              all of them, a few minutes
    python -m tests.benchmarks loop tick    some of them

Briefly means fewer turns and smaller samples than the figures are stated with; each benchmark alone, by
``python -m tests.benchmarks.bench_NAME``, takes its full measure. Nothing here can fail on seconds: the exit code is 1
only where one did not run to its end.
"""

import importlib
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from importlib.util import find_spec

BRIEF: dict[str, tuple[Sequence[str], Mapping[str, object]]] = {
    "kernel": ((), {"ROUNDS": 8}),
    "tick": ((), {"ROUNDS": 12}),
    "loop": ((), {"ROUNDS": 2, "STARTS": 3}),
    "fake": ((), {"ROUNDS": 2}),
    "floor": ((), {"ROUNDS": 3}),
    "zone": (("--courses", "basin", "--seeds", "10000:10004"), {}),
    "recording": ((), {"ROUNDS": 2, "KILLS": 2}),
    "replay": ((), {}),
    "sweep": (("--runs", "8", "--rounds", "1"), {}),
    "link": (("--frames", "100000", "--repeats", "800", "--paced-ticks", "60"), {}),
    "tracking": (("2",), {}),
    "success": (("storm", "6"), {}),
    "onward": (("1",), {}),
    "arm32": ((), {}),
}
"""name -> words after the command, and what is set in the module before its `main` (or `costs`, or `bench`) runs."""


def run_one(name: str) -> None:
    """Run one benchmark in this process."""
    words, changes = BRIEF[name]
    module = importlib.import_module(f"tests.benchmarks.bench_{name}")
    for key, value in changes.items():
        assert hasattr(module, key), f"bench_{name} has no {key}"
        setattr(module, key, value)
    sys.argv = [f"bench_{name}", *words]
    if name == "onward":
        module.bench(int(words[0]))
    elif name == "replay":
        module.costs()
    else:
        module.main()


def main(names: Sequence[str]) -> int:
    """Run some or all, and tell how many did not run to their end."""
    unknown = [name for name in names if name not in BRIEF]
    if unknown:
        print(f"no benchmark {', '.join(unknown)}; there are {', '.join(BRIEF)}", file=sys.stderr)
        return 2
    if find_spec("hypothesis") is None:  # a test's own rows and lines serve some of them
        print("benchmarks need what the tests do; pip install -e '.[laptop,test]'", file=sys.stderr)
        return 2
    failed = []
    for name in names or BRIEF:
        began = time.perf_counter()
        print(f"=== {name}", flush=True)
        done = subprocess.run([sys.executable, "-m", "tests.benchmarks", "--one", name], check=False)
        print(f"    ({time.perf_counter() - began:.0f} s)\n", flush=True)
        failed += [name] if done.returncode else []
    if failed:
        print(f"not run to their end: {', '.join(failed)}")
    return 1 if failed else 0


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        run_one(sys.argv[2])
    else:
        sys.exit(main(sys.argv[1:]))
