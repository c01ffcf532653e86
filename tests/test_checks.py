"""One command checks all: format, lint and strict types are tests like any other."""

import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent

CHECKS = {
    "format": ["ruff", "format", "--check", "."],
    "lint": ["ruff", "check", "."],
    "types": ["mypy"],
}


@pytest.mark.parametrize("name", CHECKS)
def test_check(name):
    done = subprocess.run([sys.executable, "-m", *CHECKS[name]], capture_output=True, text=True, cwd=TOP)
    assert done.returncode == 0, done.stdout + done.stderr
