"""The loop. Its rules stand at the top of the package; `step` is the fast path, all else is reached from `_follow`.

Two things keep the fast path fast: the list of tasks that wait for the next tick stays as it is while every task asks
for the next tick again, and whatever else a task asks for is an object handled elsewhere. An ended task stays in the
list until it is made anew, with a `_send` that does nothing.
"""

from collections.abc import Awaitable, Callable, Coroutine, Sequence
from math import isfinite
from operator import attrgetter
from typing import Any, NoReturn, TypeAlias, cast

from robotcore.kernel.tasks import Cancelled, CleanupError, Ending, Observer, Task, TimeUp, keep_both
from robotcore.kernel.timetable import Timetable
from robotcore.kernel.waits import TICK, Group, Sleep, coroutine_of, name_of, startable, whole_ticks

# Whom to resume, how (its send or throw) and with what.
Turn: TypeAlias = tuple[Task, Callable[[Any], object], object]

_PATIENCE = 8  # how often a clean-up that awaits is thrown out before the kernel lets go of it
_number = attrgetter("number")


class _Returned:
    """A task's coroutine returned."""

    __slots__ = ("result",)

    def __init__(self, result: object) -> None:
        self.result = result


class _Raised:
    """A task's coroutine raised."""

    __slots__ = ("error",)

    def __init__(self, error: BaseException) -> None:
        self.error = error


def _idle(sample: object) -> object:
    return TICK


class Kernel:
    """Runs one tree of behaviours, one step a tick.

    Args:
        period_s: the length of a tick in seconds, by which `sleep` and `within` count.
        shuffle_seed: test mode: run the tasks of each tick in an order drawn from this seed.
        observers: who is told what starts, ends and passes.
        timing: a clock in nanoseconds; with it every task's time is kept.

    Attributes:
        period_s: as given.
        current: the task whose code is running, or None.
        tick: the number of the tick being run, or the last one; -1 before the first.
        sample: what `step` was given for that tick.
        main: the main task, once spawned.
        result: what the main task returned; None until then.
        slowest: the task that ran longest without a break in the last tick; None without `timing`.

    """

    def __init__(
        self,
        period_s: float,
        *,
        shuffle_seed: int | None = None,
        observers: Sequence[Observer] = (),
        timing: Callable[[], int] | None = None,
    ) -> None:
        if not isfinite(period_s) or period_s <= 0:
            raise ValueError(f"period_s is {period_s!r}; give a finite number of seconds above 0")
        self.period_s = period_s
        self.current: Task | None = None
        self.tick = -1
        self.sample: object = None
        self.main: Task | None = None
        self.result: Any = None
        self._root: Any = None
        self._failure: BaseException | None = None
        self._spawned = 0
        self._ready: list[Task] = []  # run in this tick, in this order
        self._came: list[Task] = []  # joined them since the list was made
        self._stale = False  # whether the list must be made anew for the next tick
        self._sleepers = Timetable()
        self._limits = Timetable()
        self._observers = list(observers)
        self._timing = timing
        self.slowest: Task | None = None
        self._longest_ns = -1  # of this tick
        self._shuffle: Callable[[list[Task]], None] | None = None
        if shuffle_seed is not None:
            import random

            self._shuffle = random.Random(shuffle_seed).shuffle

    def spawn(self, coro: Awaitable[Any], name: str | None = None) -> Task:
        """Take on the main task, which starts in the next step.

        Raises:
            TypeError: coro is not a coroutine that has not been started.
            RuntimeError: there is a main task already.

        """
        if not startable(coro):
            raise TypeError(f"spawn() got {coro!r}; give a coroutine that has not been started")
        if self.main is not None:
            cast("Any", coro).close()
            raise RuntimeError(f"this kernel already runs {self.main.name!r}; it runs one main task in its life")
        self._root = coro
        self.main = task = self._adopt(coroutine_of(coro), name or name_of(coro), None)

        def begin(sample: object) -> object:
            task._send = task._coro.send
            return task._send(None)  # a fresh coroutine takes no value

        task._send = begin
        self._came.append(task)
        self._stale = True
        return task

    def step(self, tick: int, sample: object) -> bool:
        """Run one tick and return whether the main task lives on.

        Args:
            tick: the tick's number, greater than the last; it may have jumped.
            sample: what the tasks that wait for this tick receive.

        Raises:
            ValueError: tick is not greater than the last one.
            RuntimeError: no main task, or called from inside a task.
            BaseException: whatever the main task raised, in the step in which it did.

        """
        main = self.main
        if tick <= self.tick or self.current is not None or main is None:
            self._refuse(tick)
        self.tick = tick
        self.sample = sample
        if self._stale or tick >= self._sleepers.next:
            self._gather(tick)
        try:
            if self._timing is not None:
                self._run_timed(sample, self._timing)
            else:
                for task in self._ready:
                    self.current = task
                    send = task._send  # a call through a local name is a tenth cheaper
                    asked: object
                    try:
                        asked = send(sample)
                        if asked is TICK:
                            continue
                    except StopIteration as end:
                        asked = _Returned(end.value)
                    except BaseException as error:
                        asked = _Raised(error)
                    self._leave(task, asked)
            if tick >= self._limits.next:
                self._end_limits(tick)
        finally:
            self.current = None
        if self._observers:
            self._tell("tick_done", tick)
        return main.alive or self._ended()

    def close(self) -> None:
        """Cancel everything still alive, children before parents and last started first; safe to call again.

        Raises:
            RuntimeError: called from inside a task.
            BaseException: what the clean-ups raised, after all of them ran.

        """
        if self.current is not None:
            raise RuntimeError(f"close() was called from inside {self.current.name!r}")
        if self.main is None or not self.main.alive:
            return
        try:
            error = self._cancel(self.main)
            self._root.close()  # in case it never started
        finally:
            self.current = None
        if error is not None:
            raise error

    def _run_timed(self, sample: object, clock: Callable[[], int]) -> None:
        """Run the tasks of this tick as `step` does, and keep each one's time."""
        self._longest_ns = -1
        start = clock()
        for task in self._ready:
            if not task.alive:
                continue
            self.current = task
            asked: object
            try:
                asked = task._send(sample)
            except StopIteration as end:
                asked = _Returned(end.value)
            except BaseException as error:
                asked = _Raised(error)
            now = clock()
            spent = now - start
            task.steps += 1
            task.time_ns += spent
            if spent > task.worst_ns:
                task.worst_ns = spent
            if spent > self._longest_ns:
                self._longest_ns, self.slowest = spent, task
            start = now
            if asked is not TICK:
                self._leave(task, asked)
                start = clock()

    def _leave(self, task: Task, asked: object) -> None:
        """Follow a task off the list of those that wait for the next tick."""
        task._listed = False
        self._stale = True
        self._follow(task, asked)

    def _gather(self, tick: int) -> None:
        """Make the list of tasks to run in this tick anew: those that stayed, came, or wake now."""
        ready = [task for task in self._ready if task._listed]
        came = [task for task in self._came if task.alive]
        for task in self._sleepers.take_due(tick):
            task._wait = None
            came.append(task)
        for task in came:
            task._listed = True
        ready += came
        ready.sort(key=_number)
        if self._shuffle is not None:
            self._shuffle(ready)
        self._ready = ready
        self._came = []
        self._stale = self._shuffle is not None

    def _follow(self, task: Task, asked: object) -> None:
        """Give the task what it asked for, and go on with whoever can run because of it until nobody can."""
        while asked is not TICK:
            turn = self._answer(task, asked)
            if turn is None:
                return
            task = turn[0]
            asked = self._resume(*turn)
        self._came.append(task)
        self._stale = True

    def _answer(self, task: Task, asked: object) -> Turn | None:
        """Do what a task asked for; return whom to resume now because of it, if anybody."""
        if isinstance(asked, _Returned):
            return self._returned(task, asked.result)
        if isinstance(asked, _Raised):
            return self._raised(task, asked.error)
        if isinstance(asked, Sleep):
            return self._lay_down(task, asked)
        if isinstance(asked, Group):
            return self._open(task, asked)
        known = "tick(), sleep(), first(), together() and within()"
        return self._refuse_wait(task, TypeError(f"awaited {asked!r}; the kernel knows {known} only"))

    def _refuse_wait(self, task: Task, error: Exception) -> Turn:
        return task, task._coro.throw, type(error)(f"behaviour {task.name!r}: {error}")

    def _resume(self, task: Task, call: Callable[[Any], object], value: object) -> object:
        """Run a task to its next await; return what it asks for there."""
        self.current = task
        clock = self._timing
        start = clock() if clock else 0
        asked: object
        try:
            asked = call(value)
        except StopIteration as end:
            asked = _Returned(end.value)
        except BaseException as error:
            asked = _Raised(error)
        if clock:
            spent = clock() - start
            task._spent(spent)
            if spent > self._longest_ns:
                self._longest_ns, self.slowest = spent, task
        return asked

    def _lay_down(self, task: Task, nap: Sleep) -> Turn | None:
        try:
            nap.deadline = self.tick + whole_ticks("sleep", nap.seconds, self.period_s)
        except (TypeError, ValueError) as error:
            fault = error
        else:
            task._wait = nap
            self._sleepers.add(nap.deadline, task.number, task)
            return None
        return self._refuse_wait(task, fault)

    def _open(self, parent: Task, group: Group) -> Turn | None:
        """Start the tasks of a group, in order, until all run or the outcome stands."""
        fault = self._check(group)
        if fault is not None:
            group.close()
            return self._refuse_wait(parent, fault)
        group.parent = parent
        parent._wait = group  # from here on `close` finds whatever is started
        if group.seconds is not None:
            self._limits.add(group.deadline, parent.number, group)
        for place, item in enumerate(group.items):
            child = self._adopt(coroutine_of(item), name_of(item), parent)
            child._group = group
            child._place = place
            group.children.append(child)
            self._follow(child, self._resume(child, child._send, None))
            if not group.open:
                break
        group.starting = False
        return cast("Turn | None", group.turn)

    def _check(self, group: Group) -> Exception | None:
        fault = group.fault()
        if fault is not None:
            return TypeError(fault)
        if group.seconds is not None:
            try:
                group.deadline = self.tick + whole_ticks(group.verb, group.seconds, self.period_s)
            except (TypeError, ValueError) as error:
                return error
        return None

    def _adopt(self, coro: Coroutine[Any, Any, Any], name: str, parent: Task | None) -> Task:
        self._spawned += 1
        task = Task(coro, name, self._spawned, parent)
        if self._observers:
            self._tell("task_started", task)
        return task

    def _returned(self, task: Task, result: object) -> Turn | None:
        self._bury(task, "returned")
        group: Group | None = task._group
        if group is None:
            self.result = result
            return None
        return self._settle(group, None) if group.take(task._place, result) else None

    def _raised(self, task: Task, error: BaseException) -> Turn | None:
        self._bury(task, "raised")
        if task._group is None:
            self._failure = error
            return None
        return self._settle(task._group, error)

    def _settle(self, group: Group, error: BaseException | None) -> Turn | None:
        """Cancel what is left of a group; return its parent's turn, or leave it with a group still starting."""
        error = self._dissolve(group, error)
        parent = cast("Task", group.parent)
        parent._wait = None
        turn: Turn = (parent, parent._coro.throw, error)
        if error is None:
            turn = parent, parent._coro.send, group.outcome
        if group.starting:
            group.turn = turn
            return None
        return turn

    def _end_limits(self, tick: int) -> None:
        for group in reversed(self._limits.take_due(tick)):
            if group.open:
                child: Task = group.children[0]
                error = keep_both(TimeUp(group.seconds, child.name), self._cancel(child), child.name)
                turn = cast("Turn", self._settle(group, error))  # a group whose limit falls has long been started
                self._follow(turn[0], self._resume(*turn))

    def _dissolve(self, group: Group, error: BaseException | None) -> BaseException | None:
        """Cancel all children of a group, last started first; return `error` with those of the clean-ups."""
        group.open = False
        if group.seconds is not None:
            self._limits.remove(group.deadline, cast("Task", group.parent).number)
        group.close()
        for child in reversed(group.children):
            if child.alive:
                error = keep_both(error, self._cancel(child), child.name)
        return error

    def _cancel(self, task: Task) -> BaseException | None:
        """Cancel a task and all below it; return the error of the clean-ups, if there was one."""
        error: BaseException | None = None
        wait = task._wait
        if isinstance(wait, Group):
            error = self._dissolve(wait, None)
        elif wait is not None:
            self._sleepers.remove(wait.deadline, task.number)
        error = keep_both(error, self._throw_out(task), task.name)
        self._bury(task, "cancelled")
        return error

    def _throw_out(self, task: Task) -> BaseException | None:
        """Throw `Cancelled` into a task and see it out; return the error of its clean-up, if there was one."""
        fault: CleanupError | None = None
        asked = self._resume(task, task._coro.throw, Cancelled())
        for _ in range(_PATIENCE):
            if isinstance(asked, _Returned):
                return fault
            if isinstance(asked, _Raised):
                error = asked.error
                return fault if isinstance(error, Cancelled) else keep_both(fault, error, task.name)
            if isinstance(asked, Group):
                asked.close()
            fault = fault or CleanupError(
                f"behaviour {task.name!r} awaits in its clean-up; once cancelled it must do at once what is to be "
                "done, without awaiting"
            )
            asked = self._resume(task, task._coro.throw, fault)
        return fault

    def _bury(self, task: Task, how: Ending) -> None:
        task.alive = False
        task._send = _idle
        task._wait = None
        task._listed = False
        self._stale = True
        if self._observers:
            self._tell("task_ended", task, how)

    def _tell(self, what: str, *facts: object) -> None:
        for observer in tuple(self._observers):
            try:
                getattr(observer, what)(*facts)
            except Exception:
                import logging

                self._observers.remove(observer)
                logging.getLogger(__name__).exception("observer %r raised in %s and is dropped", observer, what)

    def _refuse(self, tick: int) -> NoReturn:
        if self.current is not None:
            raise RuntimeError(f"step() was called from inside {self.current.name!r}")
        if self.main is None:
            raise RuntimeError("step() was called before spawn()")
        raise ValueError(f"step() got tick {tick} after tick {self.tick}; tick numbers must rise")

    def _ended(self) -> bool:
        failure, self._failure = self._failure, None
        try:
            if failure is not None:
                raise failure
        finally:
            del failure  # the frame must not hold the error whose traceback holds the frame
        return False
