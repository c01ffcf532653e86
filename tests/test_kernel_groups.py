"""Rules 3 to 7 and 9 of the kernel: several behaviours at once, limits, cancelling, closing."""

import pytest

from robotcore.kernel import Cancelled, CleanupError, Kernel, TimeUp, first, sleep, tick, together, within
from tests.kernel_log import PERIOD, Log, contexts


@pytest.fixture
def log():
    return Log()


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


def test_the_kernel_lets_go_of_a_clean_up_that_will_not_end(log):
    async def clinging():
        for _ in range(10):
            try:
                await tick()
            except BaseException:
                log("clinging", "stayed")

    with pytest.raises(CleanupError, match="clinging"):
        log.run(first(clinging(), tick()))
    assert len(log.lines) == 9


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
