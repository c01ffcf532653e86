"""A run in a process of its own that writes down what it sends; `test_stops` ends it in every way there is.

Usage: python -m tests.stop_child CAUSE FILE. Says "moving" on standard output once the tracks run.
"""

import contextlib
import os
import sys
import threading

from robotcore.command import AT_REST
from robotcore.kernel import tick
from robotcore.log import Log
from robotcore.runtime import Limits, Run
from tests.scripted import ScriptedBackend, brain, row


class Written(ScriptedBackend):
    """Writes every command and stop to a file at once, past all buffers."""

    def __init__(self, rows, path):
        super().__init__(rows, paced=True)
        self.file = os.open(path, os.O_CREAT | os.O_WRONLY | os.O_APPEND)
        self.told = False

    def act(self, command):
        os.write(self.file, b"rest\n" if command == AT_REST else b"move\n")
        if not self.told:
            self.told = True
            print("moving", flush=True)

    def stop(self, category):
        os.write(self.file, b"stop\n")

    def close(self):
        os.write(self.file, b"close\n")


async def forward(robot):
    while True:
        robot.drive(0.1, 0.1)
        await tick()


async def raises(robot):
    robot.drive(0.1, 0.1)
    await tick()
    raise ValueError("a defect")


async def hangs(robot):
    robot.drive(0.1, 0.1)
    await tick()
    while True:
        pass


async def hangs_and_swallows(robot):
    robot.drive(0.1, 0.1)
    await tick()
    while True:
        try:
            while True:
                pass
        except Exception:
            pass


async def hangs_deep(robot):
    robot.drive(0.1, 0.1)
    await tick()
    while True:
        with contextlib.suppress(BaseException):
            threading.Event().wait()


def rows(cause):
    yield row()
    yield row()
    if cause == "lost-link":
        raise OSError("unplugged")
    if cause == "button":
        yield row(button=1)
    while True:
        yield row()


BEHAVIOURS = {"raises": raises, "hangs": hangs, "hangs-and-swallows": hangs_and_swallows, "hangs-deep": hangs_deep}


def main(cause, path):
    log = Log()
    limits = Limits(run_s=0.2 if cause == "time-limit" else 60.0, hung_s=0.2)
    outcome = Run(Written(rows(cause), path), brain(BEHAVIOURS.get(cause, forward), log), log, limits).run()
    print(outcome.how, type(outcome.error).__name__)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], sys.argv[2]))
