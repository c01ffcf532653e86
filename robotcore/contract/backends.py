"""The rules of backends: what the loop relies on, whichever world is behind the seam.

Rules: each check opens a backend of its own and closes it. What needs the world's own time (ages, motion) is checked
where the world waits for the loop (`paced` is False), and motion only where the world answers to commands.
"""

import math
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from itertools import pairwise
from typing import Any

from robotcore.backend import EndOfRun, Raw
from robotcore.command import AT_REST, CUT, HALT, HOLD, Command
from robotcore.contract.common import Breaches, Check, Rule, bind, demand, promises
from robotcore.layout import AGE_UNIT_S, CODES, LONGEST_AGE, NEVER
from robotcore.rig import Rig

FORWARD = Command(0.1, 0.1, 0.0, 0.0)
BACKWARD = Command(-0.1, -0.1, 0.0, 0.0)
METHODS = ("open", "sense", "act", "stop", "close", "faults", "truth")


def check_backend(make_backend: Callable[[], Any], rig: Rig, answers: bool = True) -> None:
    """Put a backend through every rule.

    Args:
        make_backend: makes a new one, unopened, with the same world each time.
        rig: the rig it was made for.
        answers: whether its world answers to commands (a recording does not).

    Raises:
        ContractError: lists every breach of every rule.

    """
    demand(backend_checks(make_backend, rig, answers))


def backend_checks(make_backend: Callable[[], Any], rig: Rig, answers: bool = True) -> list[Check]:
    """Return the rules that hold for a backend, each a `Check`; arguments as for `check_backend`."""
    backend = make_backend()
    rules: list[Rule] = [*_ALWAYS]
    if getattr(backend, "paced", None) is False:
        rules += [*_UNPACED, *(_ANSWERING if answers else ())]
    return bind(rules, World(make_backend, rig), type(backend).__name__)


class World:
    """A backend under check: opens it and runs it."""

    def __init__(self, make: Callable[[], Any], rig: Rig) -> None:
        self.make = make
        self.rig = rig

    @contextmanager
    def opened(self) -> Iterator[Any]:
        """Give an opened backend, and close it whatever happens."""
        backend = self.make()
        try:
            backend.open()
            yield backend
        finally:
            backend.close()

    def run(self, backend: Any, ticks: Sequence[int], command: Command | None) -> list[tuple[int, Raw]]:
        """Sense and, where there is a command, act; return (tick, row) of those ticks that had one."""
        rows = []
        for tick in ticks:
            try:
                raw = backend.sense(tick)
            except EndOfRun:
                break
            if raw is not None:
                rows.append((tick, raw))
            if command is not None:
                backend.act(command)
        return rows

    def turns(self, rows: Sequence[tuple[int, Raw]]) -> list[tuple[float, float]]:
        """Return the wheels' angles in those rows that have them."""
        slot = self.rig.layout.slots["drive"]
        turns = next(fitted.device.turns for fitted in self.rig.fitted if fitted.role == "drive")
        return [turns(raw[slot.start : slot.stop]) for _, raw in rows if raw[slot.age] != NEVER]


@promises("It has every method of the seam, says whether it is paced, and states its facts as texts.")
def _members(world: World) -> Breaches:
    backend = world.make()
    yield from (f"has no method {name}()" for name in METHODS if not callable(getattr(backend, name, None)))
    if not isinstance(getattr(backend, "paced", None), bool):
        yield f"paced is {getattr(backend, 'paced', None)!r}; make it True or False"
    facts = getattr(backend, "facts", None)
    if not isinstance(facts, Mapping) or not all(isinstance(part, str) for pair in facts.items() for part in pair):
        yield f"facts are {facts!r}; make them a mapping of texts to texts"


@promises("Every row is a tuple of whole numbers as long as the rig's layout, each within its column's code.")
def _rows_fit(world: World) -> Breaches:
    columns = world.rig.layout.columns
    with world.opened() as backend:
        for tick, raw in world.run(backend, range(50), FORWARD):
            if not isinstance(raw, tuple) or len(raw) != len(columns):
                yield f"tick {tick} gives {raw!r}; the layout has {len(columns)} columns"
                return
            for column, count in zip(columns, raw, strict=True):
                _, low, high = CODES[column.code]
                if type(count) is not int or not low <= count <= high:
                    yield f"tick {tick} gives {count!r} in {column.name}; whole numbers from {low} to {high} fit"


@promises("Within a hundred ticks there is a row, and in one of them the drive has a reading.")
def _rows_come(world: World) -> Breaches:
    with world.opened() as backend:
        rows = world.run(backend, range(100), AT_REST)
        if not world.turns(rows):
            yield f"{len(rows)} rows came, none with a reading of the drive"


@promises("Tick numbers may jump where the loop was late.")
def _late_ticks(world: World) -> Breaches:
    with world.opened() as backend:
        world.run(backend, (0, 1, 7, 8, 60), FORWARD)
    yield from ()


@promises("Faults are pairs of texts, and told once.")
def _faults_once(world: World) -> Breaches:
    with world.opened() as backend:
        world.run(backend, range(20), AT_REST)
        faults, again = backend.faults(), backend.faults()
    if not all(isinstance(f, tuple) and len(f) == 2 and all(isinstance(part, str) for part in f) for f in faults):
        yield f"faults are {faults!r}; make them pairs (kind, detail)"
    if again:
        yield f"asked twice, it tells faults again: {again!r}"


@promises("`stop` works before opening, from another thread, twice, and after closing; acting goes on after it.")
def _stop_from_anywhere(world: World) -> Breaches:
    trouble: list[str] = []

    def stop(backend: Any, when: str) -> None:
        for category in (CUT, CUT, HALT, HALT, HOLD, HOLD):
            try:
                backend.stop(category)
            except Exception as error:
                trouble.append(f"stop({category}) {when} raises {type(error).__name__}: {error}")

    stop(world.make(), "before opening")
    with world.opened() as backend:
        world.run(backend, range(5), FORWARD)
        thread = threading.Thread(target=stop, args=(backend, "from another thread"))
        thread.start()
        thread.join()
        world.run(backend, range(5, 10), FORWARD)
    stop(backend, "after closing")
    yield from dict.fromkeys(trouble)


@promises("`close` may be called twice and without opening; sensing after it is refused.")
def _closes(world: World) -> Breaches:
    world.make().close()
    with world.opened() as backend:
        world.run(backend, range(3), AT_REST)
    backend.close()
    try:
        raw = backend.sense(3)
    except Exception:
        return
    yield f"after closing, sense gives {raw!r}; raise instead"


@promises("The truth is None, or three finite numbers.")
def _truth_or_none(world: World) -> Breaches:
    with world.opened() as backend:
        world.run(backend, range(5), FORWARD)
        truth = backend.truth()
    if truth is not None and not (len(truth) == 3 and all(map(math.isfinite, truth))):
        yield f"truth is {truth!r}"


@promises("From one tick to the next no reading ages by more than the time between.")
def _ages_grow_with_time(world: World) -> Breaches:
    ages = [(slot.role, slot.age) for slot in world.rig.layout.slots.values()]
    with world.opened() as backend:
        rows = world.run(backend, range(200), FORWARD)
    for (then, before), (now, after) in pairwise(rows):
        units = (now - then) * world.rig.period_s / AGE_UNIT_S + 1
        for role, column in ages:
            old, new = before[column], after[column]
            if NEVER not in (old, new) and new - old > units and new < LONGEST_AGE:
                yield f"{role} ages from {old} to {new} (0.1 ms) between ticks {then} and {now}"
                return


@promises("Two worlds made alike give the same rows for the same commands, bit for bit.")
def _repeats(world: World) -> Breaches:
    runs = []
    for _ in range(2):
        with world.opened() as backend:
            runs.append(world.run(backend, range(100), FORWARD) + world.run(backend, range(100, 150), BACKWARD))
    for one, other in zip(*runs, strict=False):
        if one != other:
            yield f"tick {one[0]}: {one[1]} and {other[1]}"
            return
    if len(runs[0]) != len(runs[1]):
        yield f"{len(runs[0])} rows and {len(runs[1])}"


def _moved(turns: Sequence[tuple[float, float]]) -> tuple[float, float]:
    return (turns[-1][0] - turns[0][0], turns[-1][1] - turns[0][1]) if turns else (0.0, 0.0)


@promises("Without a command other than rest the wheels do not turn.")
def _rests(world: World) -> Breaches:
    with world.opened() as backend:
        left, right = _moved(world.turns(world.run(backend, range(100), AT_REST)))
    if abs(left) > 0.02 or abs(right) > 0.02:
        yield f"in 100 ticks at rest the wheels turned by {left:.3f} and {right:.3f} rad"


@promises("A command forward turns both wheels forward, one backward turns them backward.")
def _drives(world: World) -> Breaches:
    for name, command, sign in (("forward", FORWARD, 1), ("backward", BACKWARD, -1)):
        with world.opened() as backend:
            moved = _moved(world.turns(world.run(backend, range(100), command)))
        least = 0.02 / world.rig.body.wheel_radius_m
        if min(sign * moved[0], sign * moved[1]) < least:
            yield f"100 ticks {name} turned the wheels by {moved[0]:.3f} and {moved[1]:.3f} rad"


@promises("After a stop of any kind nothing moves, within a second and until the next act.")
def _stands_after_stop(world: World) -> Breaches:
    for category in (CUT, HALT, HOLD):
        with world.opened() as backend:
            world.run(backend, range(100), FORWARD)
            backend.stop(category)
            world.run(backend, range(100, 200), None)
            left, right = _moved(world.turns(world.run(backend, range(200, 260), None)))
        if abs(left) > 0.02 or abs(right) > 0.02:
            yield f"a second after stop({category}) the wheels turned by {left:.3f} and {right:.3f} rad"


_ALWAYS = (
    _members, _rows_fit, _rows_come, _late_ticks, _faults_once, _stop_from_anywhere, _closes, _truth_or_none,
)  # fmt: skip
_UNPACED = (_ages_grow_with_time, _repeats)
_ANSWERING = (_rests, _drives, _stands_after_stop)
