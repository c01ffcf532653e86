"""What the scheduler costs, as ratios against a floor measured in the same run.

Floor: a bare loop over the `send` methods of eight coroutines that each `await tick()`, the kernel's own awaitable, so
that the ratio shows the scheduler's book-keeping alone. Peers: asyncio with `sleep(0)`, and asyncio timers on a
virtual clock that jumps to the next deadline. Each is run in turn, many times over, and the fastest turn counts.

Run: python -m tests.benchmarks.bench_kernel
"""

import asyncio
import selectors
import time
from collections.abc import Callable

from robotcore.kernel import Kernel, first, sleep, tick, together

TICKS = 2000
ROUNDS = 25


async def forever():
    while True:
        await tick()


async def napping():
    while True:
        await sleep(0.02)


async def all_of(behaviour, count):
    await together(*(behaviour() for _ in range(count)))


def floor(count: int, ticks: int) -> int:
    sends = [forever().send for _ in range(count)]
    for send in sends:
        send(None)
    sample = object()
    start = time.perf_counter_ns()
    for _ in range(ticks):
        for send in sends:
            send(sample)
    return time.perf_counter_ns() - start


def kernel_run(count: int, ticks: int, behaviour=forever, **options) -> int:
    kernel = Kernel(0.01, **options)
    kernel.spawn(all_of(behaviour, count))
    sample = object()
    step = kernel.step
    step(0, sample)
    start = time.perf_counter_ns()
    for number in range(1, ticks + 1):
        step(number, sample)
    spent = time.perf_counter_ns() - start
    kernel.close()
    return spent


def switching(count: int, ticks: int) -> int:
    """Each behaviour starts a race of two each tick and a new one the next: the slow path."""

    async def one_tick():
        await tick()

    async def racing():
        while True:
            await first(one_tick(), forever())

    return kernel_run(count, ticks, racing)


class _NoWaiting(selectors.SelectSelector):
    def __init__(self, advance: Callable[[float | None], None]) -> None:
        super().__init__()
        self._advance = advance

    def select(self, timeout=None):
        self._advance(timeout)
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose clock jumps to the next deadline instead of waiting for it."""

    def __init__(self) -> None:
        self._now = 0.0
        super().__init__(_NoWaiting(self._jump))

    def _jump(self, timeout: float | None) -> None:
        if timeout:
            self._now += timeout

    def time(self) -> float:
        return self._now


def asyncio_run(count: int, ticks: int, delay: float) -> int:
    async def worker():
        for _ in range(ticks):
            await asyncio.sleep(delay)

    async def workers():
        start = time.perf_counter_ns()
        await asyncio.gather(*(worker() for _ in range(count)))
        return time.perf_counter_ns() - start

    loop = VirtualLoop()
    try:
        return loop.run_until_complete(workers())
    finally:
        loop.close()


def main() -> None:
    for count in (1, 8, 64):
        ticks = TICKS * 8 // count // 4
        contestants = {
            "bare send (floor)": lambda c=count, t=ticks: floor(c, t),
            "kernel, tick()": lambda c=count, t=ticks: kernel_run(c, t),
            "kernel, timed": lambda c=count, t=ticks: kernel_run(c, t, timing=time.perf_counter_ns),
            "kernel, sleep()": lambda c=count, t=ticks: 2 * kernel_run(c, t, napping),
            "kernel, new race": lambda c=count, t=ticks: switching(c, t),
            "asyncio sleep(0)": lambda c=count, t=ticks // 4: 4 * asyncio_run(c, t, 0),
            "asyncio timers": lambda c=count, t=ticks // 8: 8 * asyncio_run(c, t, 0.01),
        }
        best = dict.fromkeys(contestants, 1 << 62)
        for _ in range(ROUNDS):
            for name, run in contestants.items():
                best[name] = min(best[name], run())
        base, ours = best["bare send (floor)"], best["kernel, tick()"]
        print(f"{count} task{'s' * (count > 1)}")
        for name, spent in best.items():
            each = spent / (ticks * count)
            print(f"  {name:18} {each:7.0f} ns a resume {spent / base:7.2f} x floor {spent / ours:7.2f} x kernel")


if __name__ == "__main__":
    main()
