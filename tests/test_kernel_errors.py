"""Rule 8 of the kernel, and what it says to whoever uses it wrongly."""

import pytest

from robotcore.kernel import Cancelled, Kernel, first, sleep, tick, together, within
from tests.kernel_log import PERIOD, Log, contexts


@pytest.fixture
def log():
    return Log()


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


def test_a_second_error_that_holds_the_first_ties_no_knot(log):
    error = KeyError("shared")

    async def failing():
        await tick()
        raise error

    async def sloppy():
        try:
            await sleep(9)
        finally:
            try:
                raise error
            except KeyError:
                raise OSError("second")  # noqa: B904 - the implicit context is what is tested

    with pytest.raises(KeyError) as caught:
        log.run(together(failing(), sloppy()))
    assert "OSError('second')" in caught.value.__notes__[0]
    assert len(list(contexts(error))) == 1


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
