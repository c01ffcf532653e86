"""Rules 1, 2, 6 and 10 of the kernel (listed in its package): ticks, sleep, order, observers, timing, determinism."""

import subprocess
import sys
from pathlib import Path

import pytest

from robotcore.kernel import Kernel, Observer, first, sleep, tick, together, within
from tests.kernel_log import PERIOD, Log, busy_mission


@pytest.fixture
def log():
    return Log()


# --- tick and sleep ---


def test_main_starts_in_the_first_step_and_gets_the_next_samples(log):
    async def main():
        log("main", "started")
        return [await tick(), await tick()]

    assert log.run(main(), [3, 4, 9]) == ["s4", "s9"]
    assert log.lines == [(3, "main", "started")]


@pytest.mark.parametrize(
    ("seconds", "ticks"),
    [(0, 1), (0.0001, 1), (0.01, 1), (0.0100001, 2), (0.03, 3), (0.07, 7), (0.57, 57), (0.29, 29), (1e-12, 1)],
)
def test_sleep_counts_whole_ticks_and_returns_the_waking_sample(log, seconds, ticks):
    async def main():
        await tick()
        return await sleep(seconds)

    assert log.run(main()) == f"s{1 + ticks}"


def test_every_whole_number_of_ticks_survives_the_division(log):
    from robotcore.kernel.waits import whole_ticks

    assert all(
        whole_ticks("sleep", count * period, period) == count
        for period in (0.01, 0.02, 0.005, 0.004, 1 / 60)
        for count in range(1, 3000)
    )


def test_jumped_ticks_wake_whatever_fell_due_in_between(log):
    async def main():
        return await together(log.napping("a", 0.05), log.napping("b", 0.03), log.napping("c", 0.2))

    log.run(main(), [0, 1, 10, 11, 40])
    assert log.lines == [(10, "a", "woke"), (10, "b", "woke"), (40, "c", "woke")]


def test_sleep_after_a_jump_counts_from_the_tick_that_ran(log):
    async def main():
        await tick()
        await sleep(0.02)
        return log.kernel.tick

    assert log.run(main(), [0, 50, 51, 52, 53]) == 52


@pytest.mark.parametrize("seconds", [-1, -1e-9, float("nan"), float("inf"), 10**400])
def test_a_bad_time_is_a_value_error_that_names_the_behaviour(log, seconds):
    async def dozing():
        await sleep(seconds)

    async def limiting():
        await within(seconds, log.ticking("never"))

    for behaviour in (dozing, limiting):
        with pytest.raises(ValueError, match=f"behaviour '{behaviour.__name__}'.*finite"):
            Log().run(behaviour())


def test_a_time_that_is_no_number_is_a_type_error(log):
    async def dozing():
        await sleep("soon")

    with pytest.raises(TypeError, match=r"'dozing': sleep\(\) got 'soon'"):
        log.run(dozing())


def test_a_bad_time_can_be_caught_at_the_await(log):
    async def main():
        with pytest.raises(ValueError, match="main"):
            await sleep(-1)
        return await tick()

    assert log.run(main()) == "s1"


# --- order ---


def test_ready_and_waking_tasks_run_in_spawn_order(log):
    async def main():
        await together(log.napping("a", 0.02), log.ticking("b", 2), log.napping("c", 0.02), log.ticking("d", 2))

    log.run(main())
    assert [line[1] for line in log.lines if line[0] == 2] == ["a", "b", "c", "d"]


def test_equal_deadlines_wake_in_insertion_order_which_is_spawn_order(log):
    async def main():
        await together(*(log.napping(who, 0.05) for who in "abcdefg"))

    log.run(main())
    assert "".join(who for _, who, _ in log.lines) == "abcdefg"


def test_equal_deadlines_set_in_reverse_order_still_wake_in_spawn_order(log):
    async def late(who, delay):
        await sleep(delay)
        await sleep(0.1 - delay)
        log(who, "woke")

    async def main():
        await together(late("a", 0.05), late("b", 0.03), late("c", 0.01))

    log.run(main())
    assert log.lines == [(10, "a", "woke"), (10, "b", "woke"), (10, "c", "woke")]


def test_children_start_at_once_in_argument_order(log):
    async def child(who):
        log(who, "started")
        log(who, await tick())

    async def main():
        log("main", await tick())
        await together(child("a"), child("b"))
        log("main", "on")

    log.run(main())
    assert log.lines == [
        (1, "main", "s1"),
        (1, "a", "started"),
        (1, "b", "started"),
        (2, "a", "s2"),
        (2, "b", "s2"),
        (2, "main", "on"),
    ]


def test_a_parent_goes_on_in_the_same_tick_before_the_next_task(log):
    async def mission():
        await first(log.ticking("short", 2), log.ticking("long"))
        log("mission", "switched")
        await first(log.ticking("next", 1), log.ticking("other"))

    async def main():
        await together(mission(), log.ticking("beside", 4))

    log.run(main())
    assert [line for line in log.lines if line[0] in (2, 3)] == [
        (2, "short", "ran"),
        (2, "mission", "switched"),
        (2, "beside", "ran"),
        (3, "beside", "ran"),
        (3, "next", "ran"),
    ]


def test_a_resumed_parent_is_not_run_twice_in_a_tick(log):
    async def mission():
        await first(log.ticking("a", 1))
        log("mission", await tick())

    async def main():
        await together(mission(), log.ticking("b", 3))

    log.run(main())
    assert (2, "mission", "s2") in log.lines


def test_a_shuffle_is_reproducible_and_shuffles():
    def order(seed):
        log = Log(shuffle_seed=seed)
        log.run(together(*(log.ticking(who, 5) for who in "abcdef")))
        return log.lines

    assert order(7) == order(7)
    assert order(7) != order(8)
    assert sorted(order(7)) == sorted(order(None)) != order(7)
    assert order(None) == sorted(order(None))
    by_tick = {number: [who for at, who, _ in order(7) if at == number] for number in (1, 2, 3)}
    assert by_tick[1] != by_tick[2] or by_tick[2] != by_tick[3]


# --- observers and timing ---


class Diary(Observer):
    def __init__(self):
        self.lines = []

    def task_started(self, task):
        self.lines.append(f"+{task.name}")

    def task_ended(self, task, how):
        assert not task.alive
        self.lines.append(f"-{task.name} {how}")

    def tick_done(self, tick):
        self.lines.append(tick)


def test_observers_are_told_everything_in_order():
    diary = Diary()
    log = Log(observers=[Observer(), diary])

    async def failing():
        await sleep(0.02)
        raise KeyError

    async def main():
        await first(log.ticking("a", 1), sleep(1))
        with pytest.raises(KeyError):
            await together(failing())

    log.run(main())
    assert diary.lines == [
        "+main", "+Log.ticking", "+sleep", 0, "-Log.ticking returned", "-sleep cancelled", "+failing", 1, 2,
        "-failing raised", "-main returned", 3,
    ]  # fmt: skip


def test_an_observer_that_raises_is_logged_once_and_dropped(caplog):
    class Broken(Observer):
        def tick_done(self, tick):
            raise KeyError("observer")

    diary = Diary()
    log = Log(observers=[Broken(), diary])
    assert log.run(log.ticking("a", 3, "done")) == "done"
    assert len(caplog.records) == 1
    assert "tick_done" in caplog.text
    assert [line for line in diary.lines if isinstance(line, int)] == [0, 1, 2, 3]


def test_the_timed_path_runs_the_same_and_accounts_for_all_time():
    plain = Log()
    plain.run(busy_mission(plain))

    class Clock:
        now = 0

        def __call__(self):
            self.now += 3
            return self.now

    tasks = []

    class Collector(Observer):
        def task_started(self, task):
            tasks.append(task)

    timed = Log(timing=Clock(), observers=[Collector()])
    timed.run(busy_mission(timed))
    assert timed.lines == plain.lines
    assert len(plain.lines) > 100
    assert all(task.steps > 0 and task.time_ns == 3 * task.steps and task.worst_ns == 3 for task in tasks)
    steps = {"main": 5, "stage": 4}
    assert [task.steps for task in tasks if task.name in steps] == [
        steps[task.name] for task in tasks if task.name in steps
    ]


def test_time_is_charged_to_the_task_that_used_it():
    now = [0]

    async def working(cost):
        while True:
            await tick()
            now[0] += cost

    tasks = []

    class Collector(Observer):
        def task_started(self, task):
            tasks.append(task)

    kernel = Kernel(PERIOD, timing=lambda: now[0], observers=[Collector()])
    kernel.spawn(together(working(5), working(70)))
    kernel.step(0, None)
    for number in range(1, 4):
        kernel.step(number, None)
        assert kernel.slowest is tasks[2]
    kernel.close()
    assert [(task.time_ns, task.worst_ns, task.steps) for task in tasks] == [(0, 0, 2), (15, 5, 5), (210, 70, 5)]


def test_a_task_that_starts_and_ends_in_a_tick_may_be_its_slowest():
    now = [0]

    async def brief(cost):
        now[0] += cost

    async def main():
        while True:
            now[0] += 10
            await tick()
            await together(brief(4), brief(90))

    kernel = Kernel(PERIOD, timing=lambda: now[0])
    kernel.spawn(main(), "main")
    names = []
    for number in range(3):
        kernel.step(number, None)
        names.append(kernel.slowest.name)
    assert names == ["main", "brief", "brief"]


def test_without_timing_nothing_is_counted(log):
    task = log.kernel.spawn(log.ticking("a", 2))
    assert repr(task) == "<Task 1 'Log.ticking'>"
    for number in range(3):
        log.kernel.step(number, None)
    assert repr(task) == "<Task 1 'Log.ticking' ended>"
    assert (task.steps, task.time_ns, task.worst_ns) == (0, 0, 0)


# --- the same in every process, and cheap to import ---

PROGRAM = """
from tests.kernel_log import Log, busy_mission
log = Log()
log.run(busy_mission(log))
print(log.lines)
"""


def python(*arguments, **environment):
    return subprocess.run(
        [sys.executable, *arguments],
        check=True,
        capture_output=True,
        text=True,
        env={"PYTHONPATH": str(Path(__file__).parents[1]), **environment},
    ).stdout


def test_the_order_does_not_depend_on_the_hash_seed():
    said = {python("-c", PROGRAM, PYTHONHASHSEED=seed) for seed in ("0", "1", "4711")}
    assert len(said) == 1
    assert len(said.pop()) > 1000


def test_importing_the_kernel_imports_nothing_dear():
    code = "import sys; import robotcore.kernel; print(*sys.modules)"
    dear = {"asyncio", "logging", "random", "inspect", "dataclasses", "traceback", "attr"}
    assert not dear & set(python("-S", "-c", code).split())
