"""What the kernel's tests share: a kernel with a diary, and a mission that uses everything."""

import pytest

from robotcore.kernel import Kernel, TimeUp, first, sleep, tick, together, within

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


def contexts(error):
    while error.__context__ is not None:
        error = error.__context__
        yield error
