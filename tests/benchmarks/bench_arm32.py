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
#: Fits walls to so many readings, so often: what a survey of the zone does for each guess, one a tick.
SURVEY = """
import math, sys
sys.path.insert(0, ".")
from behaviours.zone.survey import fit
from robotcore.rig import Mount
count, times = int(sys.argv[1]), int(sys.argv[2])
mount = Mount(0.03, -0.08, 0.06, -math.pi / 2)
heard = [(6.6 * i / count - 0.85, 0.3 + 0.2 * math.sin(2.0 * i)) for i in range(count)]
for n in range(times):
    fit([(heading + 0.005 * (heading - 0.1) + 0.01 * n, far) for heading, far in heard], mount, 0.2)
"""
READINGS = (60, 90)  #: of a survey: usual ones, and the most that are used


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


def survey_of(folder: Path) -> None:
    """Print what a guess of a survey costs, and how many periods it takes."""
    (folder / "survey.py").write_text(SURVEY)
    for count in READINGS:
        none, some = (arm.run_script(folder, "survey.py", str(count), times)[0] for times in ("0", "40"))
        millions = (some - none) / 40
        low, high = (millions * ms for ms in MS_PER_MILLION)
        print(
            f"survey of the zone, one guess of {count} readings: {millions:.2f} million instructions; on a 300 MHz "
            f"ARM926 {low:.0f} to {high:.0f} ms, {low / 10:.1f} to {high / 10:.1f} periods of 10 ms (estimate)"
        )


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
        floor, _ = arm.run_script(folder, "plain.py")
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
        (folder / "quay.rec").write_bytes((folder / "q.rec").read_bytes())
        (folder / "link.py").write_text(arm.LINK)
        few, many = (arm.run_script(folder, "link.py", ticks)[0] for ticks in ("100", "1100"))
        print(f"of that, link and motor loops, from memory: {(many - few) / 1000:.3f} million instructions a tick")
        survey_of(folder)
        print(f"run over the serial link: {runs[-1].peak_mib:.1f} MiB at its peak")


if __name__ == "__main__":
    main()
