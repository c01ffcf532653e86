"""Figures of the on-robot path on the emulated 32-bit ARM: memory, instructions to the first tick and a tick, rates.

    python tests/benchmarks/bench_arm32.py

Instructions repeat to 0.1 %; what a 300 MHz ARM926 takes for a million of them (17 to 20 ms) is an estimate, twofold
either way. The tick is that of the full line mission with recording, fed from a recording, and over the serial link.
"""

import contextlib
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]  # so that it runs as a script, from anywhere

# ruff: noqa: E402 - the path comes first
import arm32_kit as arm

MS_PER_MILLION = (17.0, 20.0)  #: on a 300 MHz ARM926 (estimate)
LIBRARIES = "import attr, structlog, serial\n"


def counted(folder: Path, tick: int, *words: str) -> arm.Ran:
    """Run until `tick` begins."""
    return arm.run(folder, "run", *words, "--quiet", "--out", f"{len(list(folder.iterdir()))}.rec", ARM_UNTIL=str(tick))


@contextlib.contextmanager
def brick(folder: Path):
    """Give the address of a stand-in brick of this machine."""
    link = folder / "brick"
    command = [sys.executable, "-m", "drivers.agent.pty", "--course", "quay", "--seed", "5", "--link", str(link)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT) as child:
        try:
            child.stdout.readline()
            yield f"serial:{link}"
        finally:
            child.terminate()


def tick_of(name: str, early: arm.Ran, late: arm.Ran, ticks: int) -> None:
    """Print the cost of a tick, and the rates that it allows."""
    millions = (late.millions - early.millions) / ticks
    low, high = (millions * ms for ms in MS_PER_MILLION)
    busy = " to ".join(f"{100 * ms / 10:.0f}" for ms in (low, high))
    half = " to ".join(f"{1000 / (2 * ms):.0f}" for ms in (high, low))
    print(
        f"{name}: {millions:.3f} million instructions a tick; on a 300 MHz ARM926 {low:.1f} to {high:.1f} ms, "
        f"{busy} % of a 10 ms period; half of the period at {half} Hz (estimate, twofold either way)"
    )


def main() -> None:
    """Print all."""
    if arm.missing():
        sys.exit(arm.missing())
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        arm.ship(folder)
        command = [sys.executable, "-m", "robotcore", "run", "fake:quay?seed=5", "--quiet", "--out", f"{folder}/q.rec"]
        subprocess.run(command, check=True, cwd=ROOT)
        (folder / "plain.py").write_text("import sys; sys.argv = ['x']\n" + LIBRARIES)
        start = counted(folder, 0, "replay:q.rec")
        print(f"start to first tick: {start.millions:.0f} million instructions; .pyc files shipped")
        done = subprocess.run([str(arm.launcher()), place, "plain.py"], capture_output=True, text=True, check=True)
        floor = float(arm.REPORT.search(done.stderr)[3])
        print(f"importing attr, structlog and serial alone: {floor:.0f} million ({start.millions / floor:.2f})")
        whole = arm.run(folder, "run", "replay:q.rec", "--quiet", "--out", "whole.rec")
        print(f"run with recording: {whole.peak_mib:.1f} MiB of guest memory at its peak")
        early, late = (counted(folder, tick, "replay:q.rec") for tick in (1000, 4000))
        tick_of("line mission, recorded, from a recording", early, late, 3000)
        runs = []
        for tick in (300, 1300):
            with brick(folder) as address:
                runs.append(counted(folder, tick, address))
        tick_of("line mission, recorded, over the serial link", *runs, 1000)
        print(f"run over the serial link: {runs[-1].peak_mib:.1f} MiB at its peak")


if __name__ == "__main__":
    main()
