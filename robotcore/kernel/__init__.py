"""The deterministic cooperative scheduler on which behaviours run; it knows no sample, device or robot.

A behaviour is an `async def` that awaits `tick`, `sleep`, `first`, `together` or `within`, and nothing else. One
`Kernel` runs one tree of them, one step a tick, in an order that depends on nothing but the code and the ticks:

 1. Tasks are numbered as they are started. Those that are due in a tick run in the order of these numbers, whether
    they waited for the tick or slept, and in whatever order they began to sleep. So sleepers with equal deadlines
    wake in spawn order, which is the order of insertion wherever tasks begin to sleep in spawn order.
 2. A task runs to its first await in the tick in which it is started; its `tick()` then gives the next tick's sample.
    The main task starts in the first step. No task is run from a tick's list twice in that tick.
 3. `first`, `together` and `within` start their tasks on the spot, in argument order. Once the outcome stands, what
    has not been started is closed without ever running.
 4. A task that ends settles its group at once: the others are cancelled, last started first, before they run in this
    tick if their turn had not come. The waiting parent resumes next, in the same tick, before any other task; what it
    starts runs in this tick as well. So of two that would end in one tick the one with the lower number wins.
 5. Cancelling a task first cancels what it waits for: deepest and last started first. `Cancelled` is thrown at its
    await; what the clean-up does, it does at once. It must not await: that is a `CleanupError`. A behaviour that
    swallows `Cancelled` and returns is fine; its result is dropped.
 6. `sleep(s)` ends in the first tick numbered now + ceil(s / period - 1e-9) or later, one tick later at least. Tick
    numbers may jump: whatever fell due in between is due now.
 7. The limit of `within(s, a)` falls in the tick in which `sleep(s)` would end, after all other tasks of that tick
    have run: what ends in the tick of its limit is in time. Limits of one tick fall innermost (highest number) first.
 8. An error cancels the siblings and is thrown, the same object, into the parent at its await; from the main task it
    comes out of `step`. An error in a clean-up goes the same way. Of two errors the graver is kept (an exit or
    interrupt, then an error, then `TimeUp`), else the earlier; the other stays as its note and its context.
 9. `task.alive` is true until the task's last clean-up statement has run and false before anyone else runs;
    `kernel.current` is the task whose code runs, in clean-ups too, and None outside.
10. An observer sees and never disturbs: one that raises is logged once and dropped.

`shuffle_seed` replaces rule 1 by a seeded random order a tick: a test mode that finds code which leans on the order.
"""

from robotcore.kernel.scheduler import Kernel
from robotcore.kernel.tasks import Cancelled, CleanupError, Observer, Task, TimeUp
from robotcore.kernel.waits import first, sleep, tick, together, within

__all__ = [
    "Cancelled",
    "CleanupError",
    "Kernel",
    "Observer",
    "Task",
    "TimeUp",
    "first",
    "sleep",
    "tick",
    "together",
    "within",
]
