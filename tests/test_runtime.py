"""The loop: whatever ends a run, the last thing sent is a stop; the period is kept without drift."""

import threading

import pytest

from robotcore.backend import EndOfRun
from robotcore.command import AT_REST, CUT, HALT
from robotcore.errors import UserError
from robotcore.kernel import sleep, tick
from robotcore.log import Log
from robotcore.runtime import Limits, Run
from robotcore.safety import Gate, Watchdog
from tests.scripted import ScriptedBackend, ToldClock, brain, row


async def forward(robot):
    while True:
        robot.drive(0.1, 0.1)
        await tick()


class Memory:
    """A recorder that only remembers."""

    def __init__(self):
        self.rows, self.late, self.failure = [], [], None

    def row(self, *row):
        self.rows.append(row)

    def overrun(self, *overrun):
        self.late.append(overrun)


LIMITS = Limits()


def run(behaviour, rows, *, limits=LIMITS, memory=None, on_act=None, clock=None, **options):
    log = Log()
    timing = None if clock is None else lambda: int(clock.time_s * 1e9)
    world = ScriptedBackend(rows, paced=clock is not None, on_act=on_act)
    mind = brain(behaviour, log, timing=timing)
    outcome = Run(world, mind, log, limits, recorder=memory, clock=clock, **options).run()
    return outcome, world, log


def ends_at_rest(world) -> bool:
    """No command after the last stop, and the backend closed."""
    stops = [i for i, sent in enumerate(world.sent) if sent == ("stop", HALT)]
    return bool(stops) and world.sent[stops[-1] + 1 :] == ["close"]


def forever(**readings):
    while True:
        yield row(**readings)


def test_a_mission_that_ends_finishes_the_run():
    async def mission(robot):
        robot.drive(0.1, 0.1)
        await sleep(0.03)
        return "there"

    outcome, world, _ = run(mission, forever())
    assert outcome.finished
    assert (outcome.result, outcome.ticks) == ("there", 4)
    assert ends_at_rest(world)


def test_a_behaviour_that_raises_is_stopped_and_its_row_is_kept():
    async def mission(robot):
        robot.drive(0.1, 0.1)
        await tick()
        raise ZeroDivisionError("in the behaviour")

    memory = Memory()
    outcome, world, _ = run(mission, forever(), memory=memory)
    assert isinstance(outcome.error, ZeroDivisionError)
    assert [kept[2] for kept in memory.rows] == [(0.1, 0.1, 0.0, 0.0), AT_REST]
    assert ends_at_rest(world)


@pytest.mark.parametrize("error", [OSError("link"), KeyboardInterrupt(), SystemExit(1)])
def test_a_backend_that_raises_is_stopped(error):
    outcome, world, _ = run(forward, [row(), row(), error])
    assert outcome.error is error
    assert not outcome.finished
    assert ends_at_rest(world)


def test_the_end_of_the_samples_is_no_error():
    outcome, world, _ = run(forward, [row(), EndOfRun("link lost")])
    assert (outcome.how, outcome.error) == ("link lost", None)
    assert ends_at_rest(world)


def test_the_time_limit_ends_the_run():
    outcome, world, _ = run(forward, forever(), limits=Limits(run_s=0.5))
    assert (outcome.how, outcome.ticks) == ("time limit", 51)
    assert ends_at_rest(world)


def test_a_press_of_the_button_while_moving_stops():
    outcome, world, _ = run(forward, [row(), row(), row(button=1)])
    assert outcome.how == "stop button"
    assert ends_at_rest(world)


def test_the_press_that_starts_a_run_does_not_stop_it():
    async def mission(robot):
        while not robot.sample.start_button.pressed:
            await tick()
        robot.drive(0.1, 0.1)
        await sleep(0.05)

    outcome, _, _ = run(mission, [row(), row(button=1), row(button=1), *[row()] * 9])
    assert outcome.finished


def test_a_mission_may_keep_the_button_but_holding_it_stops_all_the_same():
    outcome, _, _ = run(forward, [row(), *[row(button=1)] * 200], button_stops=False)
    assert (outcome.how, outcome.ticks) == ("stop button", 151)


def test_a_recorder_that_fails_ends_the_run_with_its_reason():
    memory = Memory()
    memory.failure = "x.rec: no longer recorded (disk is full); free some space"
    outcome, world, _ = run(forward, forever(), memory=memory)
    assert isinstance(outcome.error, UserError)
    assert ends_at_rest(world)


def test_a_clean_up_that_raises_cannot_keep_the_stop_back():
    async def mission(robot):
        try:
            await forward(robot)
        finally:
            raise RuntimeError("clean-up")

    outcome, world, _ = run(mission, [row(), EndOfRun("")])
    assert isinstance(outcome.error, RuntimeError)
    assert ends_at_rest(world)


def test_ticks_without_a_row_run_no_behaviour():
    seen = []

    async def mission(robot):
        while True:
            seen.append(robot.sample.tick)
            await tick()

    run(mission, [row(), None, None, row(), EndOfRun("")])
    assert seen == [0, 3]


def test_the_period_is_kept_without_drift():
    clock = ToldClock()
    run(forward, forever(), limits=Limits(run_s=1.0), clock=clock, on_act=lambda: clock.late(0.004))
    assert clock.time_s == pytest.approx(101.0 + 0.004)
    assert clock.naps == pytest.approx([0.006] * 100)


def test_missed_ticks_are_skipped_counted_and_blamed():
    clock, memory = ToldClock(), Memory()

    async def mission(robot):
        while True:
            if robot.sample.tick == 3:
                clock.late(0.035)
            await tick()

    outcome, _, log = run(mission, forever(), limits=Limits(run_s=0.1), clock=clock, memory=memory)
    assert [kept[0] for kept in memory.rows] == [0, 1, 2, 3, 6, 7, 8, 9, 10]
    assert (outcome.overruns, outcome.skipped) == (1, 2)
    assert memory.late == [(6, pytest.approx(25000, abs=1), "scripted")]
    assert [fault.kind for fault in log.faults] == ["overrun"]


class Leaping:
    """A world's own beat that leaves ticks out; no work here is late."""

    overruns = worst_late_us = 0
    skipped = 2

    def start(self):
        pass

    def next(self, tick):
        return tick + (3 if tick == 3 else 1), 0


def test_ticks_that_a_world_passed_over_are_no_overrun():
    log, world = Log(), ScriptedBackend([row()] * 8)
    world.pacer = Leaping()
    outcome = Run(world, brain(forward, log), log, Limits()).run()
    assert (outcome.overruns, outcome.skipped) == (0, 2)
    assert [(fault.kind, fault.detail) for fault in log.faults] == [
        ("skipped", "2 ticks that the robot passed over itself; no work here was late")
    ]


def test_what_the_backend_noticed_goes_into_the_log():
    world = ScriptedBackend([row(), None, EndOfRun("")])
    world.noticed = [("link", "lost")]
    log = Log()
    Run(world, brain(forward, log), log, Limits()).run()
    assert [(fault.kind, fault.detail) for fault in log.faults] == [("link", "lost")]


def test_nothing_passes_a_shut_gate():
    world = ScriptedBackend([])
    gate = Gate(world)
    gate.act(AT_REST)
    gate.stop(CUT)
    gate.act(AT_REST)
    assert world.sent == [AT_REST, ("stop", CUT)]


def test_a_stop_gets_past_a_send_that_hangs():
    held, release = threading.Event(), threading.Event()

    class Hanging(ScriptedBackend):
        def act(self, command):
            held.set()
            release.wait()

    world = Hanging([])
    gate = Gate(world)
    thread = threading.Thread(target=gate.act, args=(AT_REST,))
    thread.start()
    held.wait()
    gate.stop(CUT)
    assert world.sent == [("stop", CUT)]
    release.set()
    thread.join()


def test_the_watchdog_lets_a_living_loop_be_and_stops_a_silent_one():
    world, told = ScriptedBackend([]), []
    beats = iter([True, True, False, False])

    def wait(seconds):
        if next(beats):
            dog.beats += 1
        return False

    dog = Watchdog(
        Gate(world), 1.0, wait=wait, interrupt=lambda: told.append("end"), give_up=lambda: told.append("leave")
    )
    dog.watch()
    assert dog.fired
    assert world.sent == [("stop", CUT)]
    assert told == ["end", "leave"]
