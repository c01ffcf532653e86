"""An emulated 32-bit soft-float ARM with Debian 12's packages, where it is at hand; see .ci/run for how it gets there.

Rule: everything is counted in the guest's instructions and its resident memory, which repeat; never in seconds.
"""

import importlib.util
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

ROOT = Path(__file__).parents[1]
REPORT = re.compile(r"\[arm\] rc=(\d+) guest_rss_peak=([\d.]+)MiB .* insns=([\d.]+)M")

_MAGIC_311 = bytes.fromhex("a70d0d0a")  #: of compiled files of CPython 3.11, which Debian 12 has

#: Runs the command line; with ARM_UNTIL set it ends without a trace when that tick begins, to count what came before.
GO = """
import os, sys
sys.path.insert(0, os.getcwd())
until = int(os.environ.get("ARM_UNTIL", "-1"))
if until >= 0:
    import robotcore.runtime as runtime
    loop = runtime.Run._loop
    def ended(self, signals):
        sense = self._backend.sense
        def counted(tick):
            if tick >= until:
                os._exit(0)
            return sense(tick)
        self._backend.sense = counted
        return loop(self, signals)
    runtime.Run._loop = ended
from robotcore.cli.main import main
code = main(sys.argv[1:])
if os.environ.get("ARM_MODULES"):
    print("modules:", " ".join(sorted(sys.modules)))
sys.exit(code)
"""


#: Feeds the serial backend with the rows of a recording, framed, from memory: so many ticks, a row and an act each. Its
#: clock is made up: a row comes 0.3 ms after it was made.
LINK = """
import os, sys
sys.path.insert(0, os.getcwd())
from drivers.link import messages as m
from drivers.serial_brick import SerialBrick
from drivers.devices import find_built_in
from robotcore.command import Command
from robotcore.recording.reader import open_recording
from robotcore.rig import load_rig
from pathlib import Path

ticks, most = int(sys.argv[1]), 1200
rig = load_rig(Path("drivers/rigs/harbour.toml"), find_built_in)
kept = list(open_recording("quay.rec").rows())[300 : 300 + most]
rows = [rig.layout.row.pack(*raw) for _, raw, _ in kept]
frames = iter([m.encode(m.Sense(10000 * n, 5, 0, row), n) for n, row in enumerate(rows, 1)])
times = iter([0.01 * (n // 3) + 0.0003 * (n % 3) for n in range(2, 3 * most)])

class Wire:
    def read(self, wait_s):
        return next(frames)
    def write(self, data):
        pass

brick = SerialBrick("memory", rig, clock=times.__next__)
brick._wire = Wire()
brick.session.state = "running"
brick.session._heard_s = 0.01
brick.pacer.start()
brick.sense(0)
tick = sampled = 0
for _, _, command in kept[1 : ticks + 1]:
    tick, late_us = brick.pacer.next(tick)
    sampled += brick.sense(tick) is not None and not late_us
    brick.act(Command(*command))
print(sampled)
"""


class Ran(NamedTuple):
    """What came of a run: exit code, peak resident MiB, million instructions, what it printed."""

    code: int
    peak_mib: float
    millions: float
    out: str
    errors: str


def launcher() -> Path | None:
    """Return the script that runs another one on the emulated ARM."""
    places = [os.environ.get("ARM32_RUN", ""), str(ROOT.parent / "shared" / "arm32" / "run.sh")]
    return next((Path(place) for place in places if place and os.access(place, os.X_OK)), None)


def missing() -> str:
    """Return why there is no emulated ARM here; nothing where there is one."""
    if launcher() is None:
        return "no emulated ARM here: set ARM32_RUN to its run.sh"
    cache = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    home = Path(os.environ.get("ARM32_HOME") or cache / "robotcore-arm32")
    if not (home / "root" / "usr" / "bin" / "python3.11").exists():
        return f"the emulated ARM is not unpacked: run setup.sh beside {launcher()}"
    if not (home / "plugin" / "armcount.so").exists():
        return "the emulated ARM has no instruction counter: it needs gcc"
    return ""


def ship(folder: Path) -> None:
    """Copy the code as it goes to a brick: compiled, since compiling costs six times as much as importing."""
    for package in ("robotcore", "drivers", "behaviours"):
        shutil.copytree(ROOT / package, folder / package, ignore=shutil.ignore_patterns("__pycache__"))
    (folder / "go.py").write_text(GO)
    compiling = ["-m", "compileall", "-q", "--invalidation-mode", "unchecked-hash", "."]
    same_python = importlib.util.MAGIC_NUMBER == _MAGIC_311
    command = [sys.executable] if same_python else [str(launcher()), str(folder)]
    subprocess.run([*command, *compiling], check=True, cwd=folder, stderr=subprocess.DEVNULL)


def run_script(folder: Path, *words: str) -> tuple[float, str]:
    """Run a script of the folder on the ARM; return its million instructions, and what it printed."""
    done = subprocess.run(
        [str(launcher()), str(folder), *words], capture_output=True, text=True, check=True, timeout=240
    )
    report = REPORT.search(done.stderr)
    assert report is not None, done.stderr
    return float(report[3]), done.stdout


def run(folder: Path, *words: str, **environment: str) -> Ran:
    """Run ``robotcore`` with `words` on the ARM, in `folder`; 64 MB of memory is what the brick has."""
    command = [str(launcher()), str(folder), "go.py", *words]
    given = " ".join(f"{key}={value}" for key, value in environment.items())
    variables = {**os.environ, "ARM_ENV": given, "ARM_RSS_MB": "48", "ARM_DATA_MB": "40"}
    done = subprocess.run(command, capture_output=True, text=True, env=variables, timeout=240, check=False)
    report = REPORT.search(done.stderr)
    assert report is not None, done.stderr
    return Ran(int(report[1]), float(report[2]), float(report[3]), done.stdout, done.stderr)
