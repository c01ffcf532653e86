"""The motors stop: every cause, really sent or raised in a process of its own; the last thing sent is a stop."""

import signal
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent


def ended(cause, tmp_path, sent=None):
    """Run the child until it ends; return what it said, its exit code, and the lines it sent."""
    file = tmp_path / "sent"
    words = [sys.executable, "-m", "tests.stop_child", cause, str(file)]
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=TOP) as child:
        assert child.stdout.readline() == "moving\n"
        if sent is not None:
            child.send_signal(sent)
        said, _ = child.communicate(timeout=60)
    return said.strip(), child.returncode, file.read_text().split()


def check_at_rest(lines):
    assert "move" in lines
    last_move = len(lines) - 1 - lines[::-1].index("move")
    assert "stop" in lines[last_move + 1 :]
    assert set(lines[last_move + 1 :]) <= {"stop", "close"}


CAUSES = {
    "raises": "failed ValueError",
    "lost-link": "failed OSError",
    "button": "stop button NoneType",
    "time-limit": "time limit NoneType",
    "hangs": "hung behaviour HungError",
    "hangs-and-swallows": "hung behaviour HungError",
}


@pytest.mark.parametrize("cause", CAUSES)
def test_stops_by_itself(cause, tmp_path):
    said, code, lines = ended(cause, tmp_path)
    assert (said, code) == (CAUSES[cause], 0)
    check_at_rest(lines)


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_stops_on_a_signal(name, tmp_path):
    said, code, lines = ended("signal", tmp_path, getattr(signal, name))
    assert (said, code) == (f"interrupted by {name} NoneType", 0)
    check_at_rest(lines)


def test_a_behaviour_that_hangs_and_cannot_be_ended_is_stopped_and_left(tmp_path):
    _, code, lines = ended("hangs-deep", tmp_path)
    assert code == 70
    check_at_rest(lines)
