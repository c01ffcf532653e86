"""What a behaviour can await.

Rules: each of these hands the kernel one request and gets back the answer; nothing here runs a task or knows the
kernel. `tick` is a generator-based coroutine since that resumes at nearly the speed of C; the groups are objects so
that what was never started can be closed with everything inside it, without "never awaited" warnings.
"""

import types
from collections.abc import Awaitable, Coroutine, Generator
from math import ceil, isfinite
from typing import Any, TypeVar, cast, final

from robotcore.kernel.tasks import Task

T = TypeVar("T")
_ITERABLE_COROUTINE = 0x100  # inspect.CO_ITERABLE_COROUTINE; inspect itself is too dear to import


@final
class _Tick:
    """The request for the next tick; there is one, compared by identity."""


TICK = _Tick()


@types.coroutine
def tick() -> Generator[object, Any, Any]:
    """Wait for the next tick; return its sample."""
    return (yield TICK)


@final
class Sleep:
    """The request to sleep for `seconds`; the kernel sets `deadline`, a tick number."""

    __slots__ = ("deadline", "seconds")

    def __init__(self, seconds: float) -> None:
        self.seconds = seconds
        self.deadline = 0


@types.coroutine
def sleep(seconds: float) -> Generator[object, Any, Any]:
    """Sleep for `seconds`, counted in whole ticks and one at least; return the sample of the tick that ends it.

    Raises:
        ValueError: seconds is negative or not finite; the text names the behaviour.

    """
    return (yield Sleep(seconds))


class Group:
    """The request to run several behaviours as child tasks until the outcome stands.

    Attributes:
        verb: what the behaviour called, for messages.
        items: the coroutines.
        children: the tasks made of the first of them, in the same order.
        outcome: the result, once `take` has returned True.
        seconds: the time limit, or None.
        deadline: the tick in which the limit falls; set by the kernel.
        parent: the task that waits; set by the kernel.
        open: whether the outcome is still awaited.
        starting: whether the kernel is still at starting the children.
        turn: how the parent is to be resumed if the outcome came while starting.

    """

    __slots__ = (
        "children", "deadline", "items", "open", "outcome", "parent", "seconds", "starting", "turn",
    )  # fmt: skip
    verb = "first"

    def __init__(self, items: tuple[Any, ...], seconds: float | None = None) -> None:
        self.items = items
        self.seconds = seconds
        self.deadline = 0
        self.children: list[Task] = []
        self.outcome: Any = None
        self.parent: Task | None = None
        self.open = self.starting = True
        self.turn: Any = None

    def __await__(self) -> Generator[object, Any, Any]:
        return (yield self)

    def take(self, place: int, result: object) -> bool:
        """Note what the child at `place` returned; tell whether the outcome stands."""
        self.outcome = result
        return True

    def close(self) -> None:
        """Close everything that was not started."""
        for item in self.items[len(self.children) :]:
            if startable(item):
                item.close()

    def fault(self) -> str | None:
        """Say what is wrong with the arguments, or None."""
        if not self.items:
            return f"{self.verb}() needs at least one coroutine"
        for place, item in enumerate(self.items):
            if not startable(item):
                return f"{self.verb}() got {_described(item)}"
            if item in self.items[:place]:  # coroutines are equal only to themselves
                return f"{self.verb}() got one coroutine of {name_of(item)!r} twice; call it once for each use"
        return None


@final
class Together(Group):
    """A group whose outcome is the tuple of all results."""

    __slots__ = ("_missing",)
    verb = "together"

    def __init__(self, items: tuple[Any, ...]) -> None:
        super().__init__(items)
        self.outcome = [None] * len(items)
        self._missing = len(items)

    def __await__(self) -> Generator[object, Any, Any]:
        return (yield self) if self.items else ()

    def take(self, place: int, result: object) -> bool:
        """Note what the child at `place` returned; tell whether it was the last."""
        self.outcome[place] = result
        self._missing -= 1
        if self._missing == 0:
            self.outcome = tuple(self.outcome)
        return self._missing == 0


@final
class Within(Group):
    """A group of one with a time limit."""

    __slots__ = ()
    verb = "within"


def first(*behaviours: Awaitable[T]) -> Awaitable[T]:
    """Run `behaviours` side by side until one returns; cancel the others, last started first; return its result.

    Raises:
        TypeError: no argument, one that is not a fresh coroutine, or one twice; raised at the await.
        BaseException: what a behaviour raised, after the others were cancelled.

    """
    return Group(behaviours)


def together(*behaviours: Awaitable[Any]) -> Awaitable[tuple[Any, ...]]:
    """Run `behaviours` side by side until all have returned; return their results in argument order.

    Raises:
        TypeError: an argument that is not a fresh coroutine, or one twice; raised at the await.
        BaseException: what a behaviour raised, after the others were cancelled.

    """
    return Together(behaviours)


def within(seconds: float, behaviour: Awaitable[T]) -> Awaitable[T]:
    """Run `behaviour` for `seconds` at most (counted as `sleep` counts them); return its result.

    Raises:
        TimeUp: it had not ended in the tick of the limit; it was cancelled.
        ValueError: seconds is negative or not finite; the text names the behaviour that set the limit.
        TypeError: not a fresh coroutine.
        BaseException: what the behaviour raised.

    """
    return Within((behaviour,), seconds)


def startable(item: object) -> bool:
    """Tell whether `item` is a coroutine, or one of our groups, that has not been started."""
    if isinstance(item, types.CoroutineType):
        return item.cr_frame is not None and not item.cr_running and not item.cr_suspended
    if isinstance(item, types.GeneratorType) and item.gi_code.co_flags & _ITERABLE_COROUTINE:
        return item.gi_frame is not None and not item.gi_running and not item.gi_suspended
    return isinstance(item, Group) and item.parent is None


def coroutine_of(item: Any) -> Coroutine[Any, Any, Any]:
    """Return what can be sent to and thrown into for a startable `item`."""
    return cast("Coroutine[Any, Any, Any]", item.__await__() if isinstance(item, Group) else item)


def name_of(item: Any) -> str:
    """Return the name of a startable behaviour: its function's, with its class but without what encloses it."""
    if isinstance(item, Group):
        return f"{item.verb}({', '.join(map(_called, item.items))})"
    name = str(item.__qualname__)
    return name.rpartition("<locals>.")[2] if ">" in name else name


def whole_ticks(verb: str, seconds: float, period_s: float) -> int:
    """Return how many ticks of `period_s` make up `seconds`, one at least.

    Raises:
        ValueError: seconds is negative or not finite.
        TypeError: seconds is not a number.

    """
    try:
        ticks = seconds / period_s
    except TypeError:
        raise TypeError(f"{verb}() got {seconds!r}; give a number of seconds") from None
    except OverflowError:
        ticks = -1.0
    if not isfinite(ticks) or ticks < 0:
        raise ValueError(f"{verb}() got {seconds!r}; give a finite number of seconds, 0 or more")
    return max(1, ceil(ticks - 1e-9))


def _called(item: object) -> str:
    return name_of(item) if hasattr(item, "__qualname__") or isinstance(item, Group) else repr(item)


def _described(item: object) -> str:
    if isinstance(item, types.CoroutineType | types.GeneratorType | Group):
        return f"a coroutine of {name_of(item)!r} that has already been started or closed"
    hint = "; call it to get a coroutine" if callable(item) else ", which is not a coroutine"
    return f"{item!r}{hint}"
