"""The on-robot path on a 32-bit soft-float ARM with Debian 12's attrs 22.2, structlog 22.3 and pyserial 3.5, no numpy.

Recordings made here replay there with the same decisions at the same ticks, and the other way round. The limits are
those of the issue: 25 MiB, 320 million instructions to the first tick, 0.25 million a tick.
"""

import json
import struct
import subprocess
import sys

import arm32_kit as arm
import pytest

from robotcore.recording.reader import open_recording

pytestmark = [pytest.mark.slow, pytest.mark.skipif(bool(arm.missing()), reason=arm.missing() or "it is here")]

LATE = ("attr", "attrs", "structlog", "serial", "numpy", "asyncio", "traceback", "tempfile", "drivers.fake")


def robotcore(*words):
    command = [sys.executable, "-m", "robotcore", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=240, check=True, cwd=arm.ROOT)


@pytest.fixture(scope="module")
def shipped(tmp_path_factory):
    """A folder as on the brick, with recordings made on this machine."""
    folder = tmp_path_factory.mktemp("brick")
    arm.ship(folder)
    for course in ("quay", "storm"):
        robotcore("run", f"fake:{course}?seed=5", "--quiet", "--out", str(folder / f"{course}.rec"))
    return folder


@pytest.fixture(scope="module")
def there(shipped):
    """The line mission on the ARM, fed with the counts recorded here, and recorded there."""
    return arm.run(shipped, "run", "replay:quay.rec", "--out", "there.rec", ARM_MODULES="1")


def said(recording):
    return [(d.tick, d.behaviour, d.name, dict(d.fields)) for d in recording.decisions]


def ulps(a, b):
    """Return how many doubles lie between two: 0 for the same bits."""
    one, two = (struct.unpack("<q", struct.pack("<d", x))[0] for x in (a, b))
    return abs(one - two)


def test_same_decisions_at_the_same_ticks_and_the_same_commands(shipped, there):
    assert there.code == 0, there.errors
    ours, theirs = open_recording(shipped / "quay.rec"), open_recording(shipped / "there.rec")
    assert said(ours) == said(theirs)
    assert len(said(ours)) >= 7
    commands, theirs_commands = ({t: c for t, _, c in rec.rows()} for rec in (ours, theirs))
    assert commands.keys() == theirs_commands.keys()
    worst = max(ulps(a, b) for t in commands for a, b in zip(commands[t], theirs_commands[t], strict=True))
    assert worst == 0, f"commands differ by up to {worst} units in the last place"


def test_recordings_of_here_replay_as_same_there(shipped):
    done = arm.run(shipped, "replay", "quay.rec", "storm.rec", "--jobs", "1", "--json", "verdicts.json")
    assert done.code == 0, done.out + done.errors
    verdicts = json.loads((shipped / "verdicts.json").read_text())["recordings"]
    assert [entry["verdict"] for entry in verdicts] == ["same", "same"]


def test_recording_of_there_replays_as_same_here(shipped, there):
    assert " same " in robotcore("replay", str(shipped / "there.rec")).stdout


def test_memory_of_a_run_stays_in_bounds(there):
    assert there.peak_mib < 25.0


def test_a_run_imports_little(there):
    line = next(line for line in there.out.splitlines() if line.startswith("modules:"))
    modules = line.split()[1:]
    assert "robotcore.runtime" in modules
    assert [name for name in LATE if name in modules] == []


def test_instructions_to_the_first_tick_and_a_tick(shipped):
    words = ("run", "replay:quay.rec", "--quiet", "--out")
    start, early, late = (
        arm.run(shipped, *words, f"until-{tick}.rec", ARM_UNTIL=str(tick)) for tick in (0, 1000, 4000)
    )
    assert start.code == early.code == late.code == 0
    assert start.millions <= 320
    assert (late.millions - early.millions) / 3000 <= 0.25


def test_instructions_of_the_link_a_tick(shipped):
    """Row in, command out, the motors' loops included; without system calls, which the emulator does not count."""
    (shipped / "link.py").write_text(arm.LINK)
    (few, first), (many, all_) = (arm.run_script(shipped, "link.py", str(ticks)) for ticks in (100, 1100))
    assert (int(first), int(all_)) == (100, 1100), "every tick had its row, and in time"
    assert (many - few) / 1000 <= 0.1


def test_events_are_told_by_debians_structlog(shipped):
    done = arm.run(shipped, "run", "replay:quay.rec", "--no-recording", "--quiet", "--events", "--time-limit", "3")
    assert done.code == 1
    assert "event='start'" in done.errors
    assert "by=" in done.errors


def test_debians_pyserial_is_asked_for_a_port(shipped):
    done = arm.run(shipped, "run", "serial:socket://127.0.0.1:9", "--no-recording")
    assert done.code == 2
    assert "nobody listens there" in done.errors


def test_a_run_over_the_wire_from_there(shipped, tmp_path):
    """The ARM drives a stand-in brick of this machine over a pseudo-terminal, in real time, and its recording holds."""
    link = tmp_path / "brick"
    command = [sys.executable, "-m", "drivers.agent.pty", "--course", "quay", "--seed", "5", "--link", str(link)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=arm.ROOT) as child:
        try:
            child.stdout.readline()
            done = arm.run(shipped, "run", f"serial:{link}", "--out", "wired.rec", "--time-limit", "3")
        finally:
            child.terminate()
    assert done.code == 1, done.errors
    assert "time limit" in done.out
    assert done.peak_mib < 25.0
    recording = open_recording(shipped / "wired.rec")
    assert [d.name for d in recording.decisions][:2] == ["start", "floor learnt"]
    assert " same " in robotcore("replay", str(shipped / "wired.rec")).stdout
