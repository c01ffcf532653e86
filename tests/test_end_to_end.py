"""A whole run over the wire is the run without it: same rows, same commands, same decisions, and it replays as same.

In memory, on a clock that moves when told, everything is compared to the last bit. Through a pseudo-terminal between
two processes, in real time, a busy machine makes some messages late, as a real wire would: there the decisions, their
order and their words are compared, and the verdict of the replay. The full course takes its 45 s there and the zone a
minute, so they run where ROBOTCORE_REALTIME is set (.ci/run sets it); a short one always does.
"""

import os
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import pytest
from link_bench import STEP_S, FakeBench

from drivers.fake.backend import build
from robotcore.backend import parse_address
from robotcore.brain import Brain
from robotcore.cli.setup import Setup, add_setup, from_words, parser
from robotcore.log import Log
from robotcore.recording.reader import open_recording
from robotcore.runtime import Limits, Run

ROOT = Path(__file__).parents[1]
NO_WIRE_TIME = "/dev/pts/bench"  # a baud rate is a mere word there, so nothing is added to the readings' ages

SHORT = """
[course]
name = "short"
size_mm = [1500, 900]
line_width_mm = 18
[start]
at_mm = [200, 300]
heading_deg = 0
[[line]]
from_mm = [100, 300]
heading_deg = 0
moves = [
  { straight_mm = 400 },
  { gap_mm = 80 },
  { straight_mm = 150 },
  { arc_deg = 90, radius_mm = 150 },
  { straight_mm = 200 },
  { strip = "red" },
  { straight_mm = 20 },
]
"""


class Kept:
    """A recorder in memory."""

    failure = None

    def __init__(self):
        self.rows = {}
        self.late = []

    def row(self, tick, raw, command, truth):
        self.rows[tick] = raw, tuple(command)

    def overrun(self, tick, late_us, behaviour):
        self.late.append(tick)


def setup(mission: str = "line") -> Setup:
    words = parser("test", "")
    add_setup(words)
    return from_words(words.parse_args(["--mission", mission]))


def driven(world, mission="line"):
    """Run a mission; return the outcome, what was said, and what was kept."""
    parts, log, kept = setup(mission), Log(), Kept()
    brain = Brain(parts.rig, parts.calibration, parts.mission, parts.settings, log)
    return Run(world, brain, log, Limits(), recorder=kept).run(), log, kept


def said(log):
    return [(d.tick, d.behaviour, d.name, dict(d.fields)) for d in log.decisions]


@pytest.mark.parametrize(
    ("url", "mission"),
    [
        ("fake:quay?seed=3", "line"),
        ("fake:storm?seed=5", "line"),
        pytest.param("fake:relief?seed=2", "full", marks=pytest.mark.slow),
        pytest.param("fake:basin-roads?seed=1", "zone", marks=pytest.mark.slow),
    ],
)
def test_run_over_the_wire_in_memory_is_the_direct_run_to_the_last_bit(url, mission):
    """The zone too: jaws, lift and sorter are commanded over the wire, and what they hold comes to the same berths."""
    rig = setup().rig
    outcome, log, kept = driven(build(parse_address(url), rig), mission)
    bench = FakeBench(rig, url)
    backend = bench.backend(NO_WIRE_TIME)
    wired, wired_log, wired_kept = driven(backend, mission)
    assert outcome.finished
    assert wired.finished
    assert said(log) == said(wired_log)
    assert len(said(log)) >= 7
    assert mission == "line" or {"gripped", "sorted", "dropped"} <= {name for _, _, name, _ in said(log)}
    assert kept.rows == wired_kept.rows
    assert (wired.overruns, wired.skipped, wired_log.faults) == (0, 0, log.faults)
    bench.run(STEP_S)
    assert bench.port.powers == [0, 0, 0, 0]
    assert wired_kept.rows.keys() == set(range(outcome.ticks))


def test_brick_restarted_on_the_way_drives_on_from_where_its_encoders_stood():
    """The new brick's counts begin at zero; what the runtime sees goes on, and is recorded so."""
    bench = FakeBench(setup().rig, "fake:quay?seed=3&perturb=0")
    backend = bench.backend(NO_WIRE_TIME)
    act, acts = backend.act, []

    def act_and_restart(command):
        act(command)
        acts.append(command)
        if len(acts) == 500:
            bench.restart_agent()  # a new world as well: the robot is back at the start, at rest

    backend.act = act_and_restart
    _, log, kept = driven(backend)
    slot = bench.rig.layout.slots["drive"]
    counts = [raw[slot.start] for _, (raw, _) in sorted(kept.rows.items())]
    assert max(abs(b - a) for a, b in pairwise(counts)) < 30, "no jump"
    assert counts[500] > 300
    told = [fault.detail for fault in log.faults if fault.kind == "link-back"]
    assert len(told) == 1
    assert "encoders count on" in told[0]


@pytest.fixture
def brick(tmp_path):
    """Start stand-in bricks on a course; they end with the test."""
    children = []

    def start(course):
        link = tmp_path / "brick"
        command = [sys.executable, "-m", "drivers.agent.pty", "--course", course, "--seed", "3", "--link", str(link)]
        child = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT)
        children.append(child)
        assert child.stdout.readline().startswith("/dev/")
        return f"serial:{link}"

    yield start
    for child in children:
        child.kill()
        child.communicate()


def robotcore(*words):
    command = [sys.executable, "-m", "robotcore", *words]
    return subprocess.run(command, capture_output=True, text=True, timeout=240, check=False, cwd=ROOT)


def words_of(path):
    """Return the decisions of a recording without their numbers: (name, texts)."""
    return [
        (d.name, sorted((key, value) for key, value in d.fields.items() if isinstance(value, str)))
        for d in open_recording(path).decisions
    ]


def wired_run(brick, course, tmp_path, *more, code=0):
    """Drive a stand-in brick in real time; return the recording, which replays as same, and what was printed."""
    wired = tmp_path / "wired.rec"
    done = robotcore("run", brick(course), "--out", str(wired), *more)
    assert done.returncode == code, done.stdout + done.stderr
    replayed = robotcore("replay", str(wired))
    assert replayed.returncode == 0
    assert " same " in replayed.stdout
    return open_recording(wired), done.stdout


def check_in_real_time(brick, course, tmp_path):
    direct = tmp_path / "direct.rec"
    recording, printed = wired_run(brick, course, tmp_path)
    assert robotcore("run", f"fake:{course}?seed=3", "--out", str(direct)).returncode == 0
    assert words_of(recording.path) == words_of(direct), printed
    return recording


def test_short_course_in_real_time_between_two_processes(brick, tmp_path):
    course = tmp_path / "short.toml"
    course.write_text(SHORT)
    recording = check_in_real_time(brick, str(course), tmp_path)
    names = [name for name, _ in words_of(recording.path)]
    assert names[0] == "start"
    assert {"gap", "finish"} <= set(names)
    assert sum(1 for _ in recording.rows()) > 500


@pytest.mark.slow
@pytest.mark.skipif(not os.environ.get("ROBOTCORE_REALTIME"), reason="takes 45 s; set ROBOTCORE_REALTIME=1 to run it")
def test_full_line_course_in_real_time_between_two_processes(brick, tmp_path):
    check_in_real_time(brick, "quay", tmp_path)


@pytest.mark.slow
@pytest.mark.skipif(not os.environ.get("ROBOTCORE_REALTIME"), reason="takes 60 s; set ROBOTCORE_REALTIME=1 to run it")
def test_zone_in_real_time_between_two_processes(brick, tmp_path):
    """Its first minute, which ends by the time limit: entry, survey, and the first object gripped and sorted.

    What is met first in the zone hangs on millimetres, and so on which messages a busy machine made late; the test in
    memory holds every decision against the direct run.
    """
    recording, printed = wired_run(brick, "basin", tmp_path, "--mission", "zone", "--time-limit", "60", code=1)
    names = [name for name, _ in words_of(recording.path)]
    assert names[:5] == ["start", "checkpoint", "floor learnt", "silver strip", "checkpoint"], printed
    assert {"survey", "zone entered", "gripped", "sorted"} <= set(names), printed
