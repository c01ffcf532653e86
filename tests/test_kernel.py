"""The kernel's rules, one by one, in the order of the list at the top of robotcore/kernel/__init__.py."""

import subprocess
import sys

import pytest

from robotcore.kernel import Cancelled, CleanupError, Kernel, Observer, TimeUp, first, sleep, tick, together, within

PERIOD = 0.01


class Log:
    """A kernel, and a diary of (tick, who, what) that its behaviours write."""

    def __init__(self, **options):
        self.kernel = Kernel(PERIOD, **options)
        self.lines = []

    def __call__(self, who, what="ran"):
        self.lines.append((self.kernel.tick, who, what))

    def run(self, main, ticks=range(100)):
        self.kernel.spawn(main)
        for number in ticks:
            if not self.kernel.step(number, f"s{number}"):
                break
        return self.kernel.result

    async def ticking(self, who, times=10**9, result=None):
        for _ in range(times):
            await tick()
            self(who)
        return result

    async def napping(self, who, seconds):
        await sleep(seconds)
        self(who, "woke")
        return who

    async def guarded(self, who, inner=None):
        try:
            return await (inner or self.ticking(who))
        finally:
            self(who, "cleaned")


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


# --- first ---


def test_first_returns_the_winners_result_and_cancels_the_others_last_started_first(log):
    async def main():
        await tick()
        return await first(
            log.guarded("a"), log.ticking("winner", 2, "won"), log.guarded("c"), log.guarded("d", log.napping("d", 9))
        )

    assert log.run(main()) == "won"
    assert [line for line in log.lines if line[2] == "cleaned"] == [
        (3, "d", "cleaned"),
        (3, "c", "cleaned"),
        (3, "a", "cleaned"),
    ]


def test_of_two_that_end_in_one_tick_the_earlier_wins_and_the_other_does_not_run(log):
    async def main():
        return await first(log.ticking("a", 3, "a"), log.ticking("b", 3, "b"))

    assert log.run(main()) == "a"
    assert (3, "a", "ran") in log.lines
    assert (3, "b", "ran") not in log.lines


def test_the_loser_that_would_have_woken_in_this_tick_does_not(log):
    async def main():
        await first(log.napping("a", 0.03), log.napping("b", 0.03))
        return await sleep(0.05)

    assert log.run(main()) == "s8"
    assert log.lines == [(3, "a", "woke")]


def test_one_that_returns_at_once_leaves_the_rest_unstarted(log):
    async def at_once():
        return "now"

    async def main():
        await tick()
        won = await first(
            log.guarded("a"), at_once(), log.ticking("c"), within(1, first(log.ticking("d"), sleep(1))), tick()
        )
        return won, log.kernel.tick

    assert log.run(main()) == ("now", 1)
    assert log.lines == [(1, "a", "cleaned")]


def test_thousands_of_immediate_races_in_one_tick_do_not_pile_up(log):
    async def at_once():
        return 1

    async def main():
        total = sum([await first(log.ticking("a"), at_once(), at_once()) for _ in range(3000)])
        await tick()
        return total, len(log.kernel._ready)

    assert log.run(main()) == (3000, 1)
    assert log.kernel.tick == 1


def test_first_inside_first_cancels_the_subtree_deepest_and_last_first(log):
    async def nest(who, *inner):
        try:
            await first(*inner)
        finally:
            log(who, "cleaned")

    async def main():
        await first(
            log.ticking("winner", 1),
            nest("p", log.guarded("p1"), nest("p2", log.guarded("p21"), log.guarded("p22"))),
            nest("q", log.guarded("q1")),
        )

    log.run(main())
    assert [who for _, who, what in log.lines if what == "cleaned"] == ["q1", "q", "p22", "p21", "p2", "p1", "p"]


def test_awaitables_of_the_kernel_can_be_raced_themselves(log):
    async def main():
        return [await first(sleep(0.05), tick()), await first(within(0.5, sleep(0.02)), first(sleep(0.03)))]

    assert log.run(main()) == ["s1", "s3"]


def test_a_finished_race_leaves_nothing_scheduled(log):
    async def main():
        for _ in range(50):
            await within(60, first(tick(), sleep(60), log.ticking("x")))

    log.run(main(), range(40))
    kernel = log.kernel
    assert (len(kernel._sleepers), len(kernel._limits), len(kernel._ready)) == (1, 1, 2)


# --- together ---


def test_together_returns_results_in_argument_order(log):
    async def main():
        return await together(log.ticking("a", 3, "A"), log.ticking("b", 1, "B"), log.ticking("c", 0, "C")), tick

    assert log.run(main())[0] == ("A", "B", "C")
    assert log.kernel.tick == 3


def test_together_of_nothing_is_an_empty_tuple_at_once(log):
    async def main():
        return await together(), log.kernel.tick

    assert log.run(main()) == ((), 0)


def test_an_error_in_one_cancels_the_others_and_propagates(log):
    error = KeyError("bad")

    async def failing():
        await tick()
        raise error

    async def main():
        with pytest.raises(KeyError) as caught:
            await together(log.guarded("a"), failing(), log.guarded("c"))
        return caught.value is error, log.kernel.tick

    assert log.run(main()) == (True, 1)
    assert [line for line in log.lines if line[2] == "cleaned"] == [(1, "c", "cleaned"), (1, "a", "cleaned")]


def test_an_error_at_the_start_leaves_the_rest_unstarted(log):
    async def failing():
        raise KeyError("bad")

    async def main():
        await together(log.guarded("a"), failing(), log.ticking("c"))

    with pytest.raises(KeyError):
        log.run(main())
    assert log.lines == [(0, "a", "cleaned")]


# --- within ---


def test_within_gives_the_result_in_time(log):
    async def main():
        return await within(0.05, log.ticking("a", 4, "done"))

    assert log.run(main()) == "done"


def test_within_cancels_and_raises_time_up_in_the_tick_of_the_limit(log):
    async def main():
        await tick()
        with pytest.raises(TimeUp, match=r"'Log\.guarded' had not ended within 0\.05 s") as caught:
            await within(0.05, log.guarded("a"))
        return caught.value.seconds, caught.value.behaviour, log.kernel.tick

    assert log.run(main()) == (0.05, "Log.guarded", 6)
    assert log.lines[-2:] == [(6, "a", "ran"), (6, "a", "cleaned")]


def test_what_ends_in_the_tick_of_its_limit_is_in_time(log):
    async def nested():
        return await first(log.napping("deep", 0.03))

    async def main():
        return [await within(0.03, sleep(0.03)), await within(0.03, nested())]

    assert log.run(main()) == ["s3", "deep"]


def test_limits_of_one_tick_fall_innermost_first(log):
    async def inner():
        try:
            await within(0.03, log.ticking("a"))
        except TimeUp:
            return "handled"

    async def main():
        return await within(0.03, inner()), log.kernel.tick

    assert log.run(main()) == ("handled", 3)


def test_what_starts_after_time_up_starts_in_the_same_tick(log):
    async def main():
        with pytest.raises(TimeUp):
            await within(0.02, sleep(1))
        await first(log.ticking("next", 1))

    log.run(main())
    assert log.lines == [(3, "next", "ran")]


def test_a_limit_in_a_jumped_tick_falls_at_the_next_one(log):
    async def main():
        with pytest.raises(TimeUp):
            await within(0.02, log.ticking("a"))
        return log.kernel.tick

    assert log.run(main(), [0, 1, 7]) == 7


def test_an_error_in_the_clean_up_outranks_time_up(log):
    async def sloppy():
        try:
            await sleep(9)
        finally:
            raise KeyError("clean-up")

    async def main():
        await within(0.02, sloppy())

    with pytest.raises(KeyError, match="clean-up") as caught:
        log.run(main())
    assert "TimeUp" in caught.value.__notes__[0]
    assert any(isinstance(error, TimeUp) for error in contexts(caught.value))


# --- cancelling ---


def contexts(error):
    while error.__context__ is not None:
        error = error.__context__
        yield error


def test_a_behaviour_may_swallow_its_cancelling_and_return(log):
    async def stubborn():
        try:
            await sleep(9)
        except Cancelled:
            return "ignored"

    async def main():
        return await first(stubborn(), log.ticking("a", 1, "won"))

    assert log.run(main()) == "won"


@pytest.mark.parametrize("wait", [tick, lambda: sleep(1), lambda: first(Log().ticking("x"), tick())])
def test_a_clean_up_that_awaits_is_an_error_that_names_the_behaviour(log, wait):
    async def lingering():
        try:
            await sleep(9)
        finally:
            log("lingering", "before")
            await wait()
            log("lingering", "after")

    async def main():
        await first(lingering(), log.ticking("a", 1))

    with pytest.raises(CleanupError, match="'lingering' awaits in its clean-up"):
        log.run(main())
    assert log.lines[-1] == (1, "lingering", "before")


def test_a_clean_up_that_will_not_end_is_thrown_out_and_named(log):
    async def clinging():
        for _ in range(4):
            try:
                await tick()
            except BaseException:
                log("clinging", "stayed")

    async def main():
        await first(clinging(), sleep(0.01))

    # It swallows everything and returns; the clean-up's fault must come out all the same.
    with pytest.raises(CleanupError, match="clinging"):
        log.run(main(), [0, 1])
    assert not log.kernel.step(2, None)


def test_alive_and_current_are_right_at_every_step(log):
    kernel = log.kernel
    tasks = {}

    def here(who):
        task = kernel.current
        assert tasks.setdefault(who, task) is task
        assert task.alive
        return task

    async def loser(who, *inner):
        here(who)
        try:
            await (first(*inner) if inner else sleep(9))
        finally:
            here(who)

    async def winner():
        here("winner")
        await tick()
        here("winner")

    async def main():
        here("main")
        await first(loser("a"), winner(), loser("c", loser("d"), loser("e")))
        here("main")
        assert [task.name for task in tasks.values() if task.alive] == ["main"]
        assert tasks["d"].parent is tasks["c"]
        assert tasks["c"].parent is tasks["main"]
        assert tasks["main"].parent is None
        await tick()
        here("main")

    assert kernel.current is None
    log.run(main())
    assert kernel.current is None
    assert [(task.name, task.number) for task in tasks.values()] == [
        ("main", 1), ("loser", 2), ("winner", 3), ("loser", 4), ("loser", 5), ("loser", 6)
    ]  # fmt: skip
    assert not any(task.alive for task in tasks.values())


def test_close_cancels_children_before_parents_and_is_idempotent(log):
    async def main():
        try:
            await together(log.guarded("a"), log.guarded("b", first(log.guarded("b1"), log.guarded("b2"))))
        finally:
            log("main", "cleaned")

    task = log.kernel.spawn(main())
    log.kernel.step(0, None)
    log.kernel.close()
    log.kernel.close()
    assert [who for _, who, _ in log.lines] == ["b2", "b1", "b", "a", "main"]
    assert not task.alive
    assert log.kernel.current is None
    assert not log.kernel.step(1, None)
    assert log.kernel.result is None


def test_close_before_the_first_step_and_without_a_main_task():
    Kernel(PERIOD).close()
    for main in (tick(), Log().ticking("a"), first(Log().ticking("a"), within(1, Log().ticking("b")))):
        kernel = Kernel(PERIOD)
        task = kernel.spawn(main)
        kernel.close()
        assert not task.alive


def test_close_raises_the_errors_of_clean_ups_after_all_of_them_ran(log):
    async def sloppy(who):
        try:
            await tick()
        finally:
            log(who, "cleaned")
            raise KeyError(who)

    log.kernel.spawn(together(sloppy("a"), sloppy("b"), log.guarded("c")))
    log.kernel.step(0, None)
    with pytest.raises(KeyError, match="b") as caught:
        log.kernel.close()
    assert [who for _, who, _ in log.lines] == ["c", "b", "a"]
    assert "KeyError('a')" in caught.value.__notes__[0]
    log.kernel.close()


# --- errors ---


def test_an_error_of_the_main_task_comes_out_of_step_once(log):
    async def main():
        await tick()
        raise KeyError("main")

    task = log.kernel.spawn(main())
    assert log.kernel.step(0, None)
    with pytest.raises(KeyError, match="main") as caught:
        log.kernel.step(1, None)
    assert caught.value.__context__ is None
    assert not task.alive
    assert not log.kernel.step(2, None)


def test_the_traceback_shows_child_and_parent(log):
    import traceback

    async def failing_child():
        await tick()
        raise KeyError("deep")

    async def middle_parent():
        await first(failing_child(), sleep(9))

    async def main():
        await together(middle_parent())

    with pytest.raises(KeyError) as caught:
        log.run(main())
    shown = "".join(traceback.format_exception(caught.value))
    places = [shown.index(f"in {name}") for name in ("main", "middle_parent", "failing_child")]
    assert places == sorted(places)
    assert "StopIteration" not in shown


def test_an_error_after_a_childs_end_has_no_foreign_context(log):
    async def main():
        await first(log.ticking("a", 1))
        raise KeyError("own")

    with pytest.raises(KeyError) as caught:
        log.run(main())
    assert caught.value.__context__ is None


def test_a_second_error_in_a_clean_up_stays_as_note_and_context(log):
    async def sloppy():
        try:
            await sleep(9)
        finally:
            raise OSError("second")

    async def failing():
        await tick()
        try:
            raise IndexError("cause")
        except IndexError:
            raise KeyError("first") from None

    async def main():
        await together(sloppy(), failing())

    with pytest.raises(KeyError, match="first") as caught:
        log.run(main())
    assert caught.value.__notes__ == ["a second error, raised in the clean-up of 'sloppy': OSError('second')"]
    assert [type(error) for error in contexts(caught.value)] == [IndexError, OSError, Cancelled]


def test_one_error_raised_twice_ties_no_knot(log):
    error = KeyError("shared")

    async def failing(seconds):
        try:
            await sleep(seconds)
        finally:
            raise error

    async def main():
        await together(failing(0.01), failing(9), failing(9))

    with pytest.raises(KeyError) as caught:
        log.run(main())
    assert caught.value is error
    assert len(list(contexts(error))) <= 2


def test_the_winners_result_yields_to_an_error_in_a_clean_up(log):
    async def sloppy():
        try:
            await sleep(9)
        finally:
            raise OSError("clean-up")

    async def main():
        return await first(sloppy(), log.ticking("a", 1, "won"))

    with pytest.raises(OSError, match="clean-up"):
        log.run(main())


def test_an_interrupt_is_never_hidden_behind_an_error(log):
    async def interrupted():
        try:
            await sleep(9)
        finally:
            raise KeyboardInterrupt

    async def failing():
        await tick()
        raise KeyError("first")

    async def main():
        await together(interrupted(), failing())

    with pytest.raises(KeyboardInterrupt) as caught:
        log.run(main())
    assert "KeyError('first')" in caught.value.__notes__[0]


def test_a_mission_can_catch_what_its_behaviour_raised(log):
    async def failing():
        await tick()
        raise OSError("sensor")

    async def main():
        try:
            await first(failing(), log.ticking("a"))
        except OSError:
            await tick()
            return log.kernel.tick

    assert log.run(main()) == 2


def test_a_tree_too_deep_fails_and_can_still_be_closed(log):
    made, depth = [], []

    async def deeper():
        depth.append("in")
        try:
            made.append(deeper())
            await first(made[-1], sleep(1))
        finally:
            depth.append("out")

    with pytest.raises(RecursionError):
        log.run(deeper())
    log.kernel.close()
    assert depth.count("in") == depth.count("out") > 50
    made.pop().close()  # it may be that there was no room left to hand the last one over
    assert all(coro.cr_frame is None for coro in made)


# --- wrong use ---


class Foreign:
    def __await__(self):
        yield self


@pytest.mark.parametrize("handed", [Foreign(), None])
def test_awaiting_something_foreign_is_a_type_error_that_says_what_exists(log, handed):
    class Bare:
        def __await__(self):
            yield handed

    async def straying():
        await Bare()

    with pytest.raises(TypeError, match=r"'straying': awaited .*; the kernel knows tick\(\), sleep\(\), first\(\)"):
        log.run(straying())


def test_awaiting_an_asyncio_future_is_a_type_error(log):
    import asyncio

    loop = asyncio.new_event_loop()
    future = loop.create_future()

    async def straying():
        await future

    with pytest.raises(TypeError, match="'straying': awaited <Future pending"):
        log.run(straying())
    loop.close()


@pytest.mark.parametrize("verb", [first, together])
def test_arguments_that_are_not_fresh_coroutines_are_refused_and_the_others_closed(log, verb):
    async def mission(*arguments):
        with pytest.raises(TypeError) as caught:
            await verb(log.ticking("a"), *arguments, within(1, log.ticking("b")))
        return str(caught.value)

    twice = log.ticking("c")
    used = log.ticking("d")
    used.send(None)
    done = log.ticking("e")
    done.close()
    group = first(log.ticking("f"))
    name = verb.__name__
    for arguments, text in [
        ((twice, twice), f"'mission': {name}() got one coroutine of 'Log.ticking' twice; call it once for each use"),
        ((used,), f"{name}() got a coroutine of 'Log.ticking' that has already been started or closed"),
        ((done,), f"{name}() got a coroutine of 'Log.ticking' that has already been started or closed"),
        ((group, group), f"'mission': {name}() got one coroutine of 'first(Log.ticking)' twice"),
        ((log.ticking,), "call it to get a coroutine"),
        ((42,), f"{name}() got 42, which is not a coroutine"),
        ((iter([]),), "which is not a coroutine"),
    ]:
        assert text in Log().run(mission(*arguments))
    used.close()


def test_within_refuses_both_kinds_of_argument(log):
    async def main():
        await within(1, 5)

    with pytest.raises(TypeError, match=r"within\(\) got 5"):
        log.run(main())


def test_first_of_nothing_is_a_type_error(log):
    async def main():
        await first()

    with pytest.raises(TypeError, match=r"first\(\) needs at least one"):
        log.run(main())


def test_the_kernel_refuses_wrong_use_of_itself(log):
    kernel = log.kernel
    with pytest.raises(RuntimeError, match="before spawn"):
        kernel.step(0, None)
    with pytest.raises(TypeError, match=r"spawn\(\) got"):
        kernel.spawn(log.ticking)

    async def main():
        for call in (lambda: kernel.step(5, None), kernel.close):
            with pytest.raises(RuntimeError, match="from inside 'mission'"):
                call()
        await tick()

    assert kernel.spawn(main(), "mission").name == "mission"
    with pytest.raises(RuntimeError, match="already runs 'mission'"):
        kernel.spawn(log.ticking("second"))
    kernel.step(0, None)
    for number in (0, -1):
        with pytest.raises(ValueError, match="tick numbers must rise"):
            kernel.step(number, None)
    assert not kernel.step(1, None)


@pytest.mark.parametrize("period", [0, -0.01, float("nan"), float("inf")])
def test_a_period_must_be_finite_and_above_zero(period):
    with pytest.raises(ValueError, match="period_s"):
        Kernel(period)


def test_a_name_leaves_out_what_encloses_the_function():
    async def mission():
        await tick()

    for main, name in [(mission(), "mission"), (first(tick(), sleep(1)), "first(tick, sleep)")]:
        kernel = Kernel(PERIOD)
        assert kernel.spawn(main).name == name
        kernel.close()


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


def busy_mission(log):
    async def stage(number):
        await first(log.guarded(f"g{number}"), log.ticking("t", number), sleep(0.05))
        await together(log.napping("n", 0.02), log.ticking("u", 2))
        with pytest.raises(TimeUp):
            await within(0.03, log.guarded("w"))

    async def main():
        for number in range(1, 5):
            await together(stage(number), stage(number + 1))

    return main()


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
    for number in range(4):
        kernel.step(number, None)
    kernel.close()
    assert [(task.time_ns, task.worst_ns, task.steps) for task in tasks] == [(0, 0, 2), (15, 5, 5), (210, 70, 5)]


def test_without_timing_nothing_is_counted(log):
    task = log.kernel.spawn(log.ticking("a", 2))
    for number in range(3):
        log.kernel.step(number, None)
    assert (task.steps, task.time_ns, task.worst_ns) == (0, 0, 0)


# --- the same in every process, and cheap to import ---

PROGRAM = """
from tests.test_kernel import Log, busy_mission
log = Log()
log.run(busy_mission(log))
print(log.lines)
"""


def python(*arguments, **environment):
    return subprocess.run(
        [sys.executable, *arguments], check=True, capture_output=True, text=True, env={"PYTHONPATH": ".", **environment}
    ).stdout


def test_the_order_does_not_depend_on_the_hash_seed():
    said = {python("-c", PROGRAM, PYTHONHASHSEED=seed) for seed in ("0", "1", "4711")}
    assert len(said) == 1
    assert len(said.pop()) > 1000


def test_importing_the_kernel_imports_nothing_dear():
    code = "import sys; import robotcore.kernel; print(*sys.modules)"
    dear = {"asyncio", "logging", "random", "inspect", "dataclasses", "traceback", "attr"}
    assert not dear & set(python("-S", "-c", code).split())
