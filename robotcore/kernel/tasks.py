"""What the kernel runs and says: a task, those who look on, and the ways in which a task can end badly.

Rule: nothing here runs anything; the scheduler alone sets the private fields of a task.
"""

from collections.abc import Callable, Coroutine
from typing import Any, Literal

Ending = Literal["returned", "cancelled", "raised"]


class Cancelled(BaseException):
    """Thrown into a behaviour at its await when it is cancelled; clean up without awaiting and let it pass."""


class CleanupError(RuntimeError):
    """A cancelled behaviour awaited something in its clean-up; the text names it."""


class TimeUp(Exception):
    """The time limit of `within` was reached.

    Attributes:
        seconds: the limit, in seconds.
        behaviour: the name of the behaviour that had not ended.

    """

    def __init__(self, seconds: float, behaviour: str) -> None:
        super().__init__(seconds, behaviour)
        self.seconds = seconds
        self.behaviour = behaviour

    def __str__(self) -> str:
        return f"behaviour {self.behaviour!r} had not ended within {self.seconds:g} s"


class Task:
    """One running behaviour.

    Attributes:
        name: the behaviour's name.
        number: place in the order of starting, from 1.
        parent: the task that awaits this one; None for the main task.
        alive: False as soon as the task has ended or was cancelled.
        steps, time_ns, worst_ns: how often it was resumed, its time in all and at worst (kept only with `timing`).

    """

    __slots__ = (
        "_coro", "_group", "_listed", "_place", "_send", "_wait",
        "alive", "name", "number", "parent", "steps", "time_ns", "worst_ns",
    )  # fmt: skip

    def __init__(self, coro: Coroutine[Any, Any, Any], name: str, number: int, parent: "Task | None") -> None:
        self.name = name
        self.number = number
        self.parent = parent
        self.alive = True
        self.steps = self.time_ns = self.worst_ns = 0
        self._coro = coro
        self._send: Callable[[Any], object] = coro.send
        self._wait: Any = None  # the Sleep or Group that it waits for, if not the next tick
        self._group: Any = None  # the Group that it is a child of
        self._place = 0  # its place among the arguments of that group
        self._listed = False  # whether its entry in the list of this tick still stands for the next one

    def __repr__(self) -> str:
        return f"<Task {self.number} {self.name!r}{'' if self.alive else ' ended'}>"

    def _spent(self, nanoseconds: int) -> None:
        self.steps += 1
        self.time_ns += nanoseconds
        if nanoseconds > self.worst_ns:
            self.worst_ns = nanoseconds


class Observer:
    """Looks on from outside the loop; override what you need. The kernel drops an observer that raises."""

    def task_started(self, task: Task) -> None:
        """Note that the kernel took on `task`, which has not run yet."""

    def task_ended(self, task: Task, how: Ending) -> None:
        """Note that `task` ended; "cancelled" whatever its clean-up did then."""

    def tick_done(self, tick: int) -> None:
        """Note that everything due in tick number `tick` has run."""


def keep_both(kept: BaseException | None, later: BaseException | None, cleaned: str) -> BaseException | None:
    """Return one error for two, the other inside it as a note and as the end of its context chain.

    Args:
        kept: the error that came first, if any.
        later: what the clean-up of the task called `cleaned` raised, if anything.
        cleaned: a task's name.

    """
    if kept is None or later is None or kept is later:
        return kept or later
    if _gravity(later) > _gravity(kept):
        later.add_note(f"raised in the clean-up of {cleaned!r}, which began with {kept!r}")
        kept, later = later, kept
    else:
        kept.add_note(f"a second error, raised in the clean-up of {cleaned!r}: {later!r}")
    chain, other = _contexts(kept), _contexts(later)
    if not any(one is two for one in chain for two in other):  # never tie a knot
        chain[-1].__context__ = later
    return kept


def _gravity(error: BaseException) -> int:
    return 2 if not isinstance(error, Exception) else 0 if isinstance(error, TimeUp) else 1


def _contexts(error: BaseException) -> list[BaseException]:
    chain = [error]
    while chain[-1].__context__ is not None:
        chain.append(chain[-1].__context__)
    return chain
