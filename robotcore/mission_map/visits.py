"""The path that a run took through the map: which state was active when, how often, and which ways were gone.

How: a recording is replayed, and this looks on as an observer of the kernel. Tasks tell when they start and end. What
a task awaits inside itself is no task: at the end of every tick its coroutine is suspended, and the chain of what it
awaits, with the place in the code where each link stands, says in which state it is. Nothing is traced or changed, so
the behaviours run as they always do.

What it cannot see: a state that began and ended within one tick. Where two states follow each other that no way
joins, the shortest way through states that took no time is taken, and counted as guessed.
"""

from collections.abc import Iterator, Sequence
from types import CoroutineType
from typing import Any, NamedTuple

import attrs

from robotcore.kernel import Observer, Task
from robotcore.kernel.tasks import Ending
from robotcore.mission_map.model import END, GROUP, START, Body, Chart, Node, Span


class _Link(NamedTuple):
    """One behaviour under way: the node that it is, its coroutine, the node that it is in, and what it awaits there."""

    owner: Node
    coroutine: Any
    inside: Node
    awaited: Any


@attrs.define(eq=False)
class _Thread:
    """A live task: the node that it is, and the chain of behaviours that it was last seen in."""

    task: Task
    node: Node
    links: list[_Link] = attrs.field(factory=list)


@attrs.define
class Path:
    """What a run did on the map, by the keys of nodes.

    Attributes:
        period_s: seconds a tick.
        ticks: of the run.
        visits: how often each node was entered.
        active: in how many ticks each node was under way.
        decided: how often each member of a group was the one that returned.
        ways: how often each way was gone, by the keys of its ends.
        guessed: how many of them led through states that took no time.
        last: the nodes under way in the last tick; empty where the mission ended.

    """

    period_s: float
    ticks: int = 0
    visits: dict[str, int] = attrs.field(factory=dict)
    active: dict[str, int] = attrs.field(factory=dict)
    decided: dict[str, int] = attrs.field(factory=dict)
    ways: dict[tuple[str, str], int] = attrs.field(factory=dict)
    guessed: int = 0
    last: tuple[str, ...] = ()

    def seconds(self, key: str) -> float:
        """Return how long a node was under way."""
        return self.active.get(key, 0) * self.period_s

    def enter(self, node: Node) -> None:
        """Count a visit."""
        self.visits[node.key] = self.visits.get(node.key, 0) + 1


class Walker(Observer):
    """Follows a run through a map; `path` holds what it saw."""

    def __init__(self, chart: Chart, period_s: float) -> None:
        self.path = Path(period_s)
        self._chart = chart
        self._threads: dict[int, _Thread] = {}
        self._places: dict[tuple[str, int], Node | None] = {}

    def task_started(self, task: Task) -> None:
        """Find the node that a task is: the mission, or a member of the group that its parent waits for."""
        node = self._chart.root if task.parent is None else self._member(task.parent)
        if node is not None:
            self._threads[task.number] = _Thread(task, node)
            self.path.enter(node)

    def task_ended(self, task: Task, how: Ending) -> None:
        """Note whether a task decided its group; its states are over."""
        thread = self._threads.pop(task.number, None)
        if thread is None:
            return
        if how == "returned":
            self._finish(thread.links)
            if task.parent is not None:
                self.path.decided[thread.node.key] = self.path.decided.get(thread.node.key, 0) + 1
            else:
                self.path.last = ()

    def tick_done(self, tick: int) -> None:
        """See where every task is."""
        path, now = self.path, []
        path.ticks += 1
        for thread in self._threads.values():
            self._look(thread)
            now.append(thread.node.key)
            now += [link.inside.key for link in thread.links]
        for key in now:
            path.active[key] = path.active.get(key, 0) + 1
        path.last = tuple(now)

    def _member(self, parent: Task) -> Node | None:
        thread = self._threads.get(parent.number)
        if thread is None:
            return None
        self._look(thread)
        group = thread.links[-1].inside if thread.links else thread.node
        place = len(parent._wait.children)  # the kernel adds a child once it has told of it
        return group.members[place] if group.kind == GROUP and place < len(group.members) else None

    def _look(self, thread: _Thread) -> None:
        """Compare the chain that a task is in now with the one seen before."""
        before, now = thread.links, list(self._links(thread))
        same = 0
        for old, new in zip(before, now, strict=False):
            if old.coroutine is not new.coroutine or old.awaited is not new.awaited:
                break
            same += 1
        stays = same < len(before) and same < len(now) and before[same].coroutine is now[same].coroutine
        self._finish(before[same + stays :])
        for place in range(same, len(now)):
            link = now[place]
            source = before[place].inside if stays and place == same else _body(link.owner).start
            self._go(_body(link.owner), source, link.inside)
            self.path.enter(link.inside)
        thread.links = now

    def _links(self, thread: _Thread) -> Iterator[_Link]:
        """Give what a task awaits, from the outside in."""
        owner: Node | None = thread.node
        coroutine: Any = thread.task._coro
        while owner is not None and owner.body is not None and isinstance(coroutine, CoroutineType):
            awaited = coroutine.cr_await
            inside = None if awaited is None else self._inside(owner, coroutine)
            if inside is None:
                return
            yield _Link(owner, coroutine, inside, awaited)
            owner, coroutine = inside, awaited

    def _inside(self, owner: Node, coroutine: "CoroutineType[Any, Any, Any]") -> Node | None:
        """Return the node whose await a suspended coroutine stands at."""
        frame, body = coroutine.cr_frame, _body(owner)
        if frame is None or frame.f_code is not body.code:
            return None
        place = owner.key, frame.f_lasti
        if place not in self._places:
            self._places[place] = body.at(_span(body, frame.f_lasti), frame.f_lineno)
        return self._places[place]

    def _go(self, body: Body, source: Node, target: Node) -> None:
        """Count the way from one node to the next, through states that took no time where it must be."""
        steps = shortest(body, source, [target])
        self.path.guessed += len(steps) > 1
        for one, other in steps:
            self._count(one, other)
            if other is not target:
                self.path.enter(other)

    def _finish(self, links: Sequence[_Link]) -> None:
        """Count the way to the end of behaviours that returned, where there is but one."""
        for link in reversed(links):
            body = _body(link.owner)
            ends = [way.target for way in body.ways if way.source is link.inside and way.target.kind == END]
            others = [way for way in body.ways if way.source is link.inside and way.target.kind != END]
            if len(ends) == 1 or (not ends and not others):
                for end in ends:
                    self._count(link.inside, end)
                    self.path.enter(end)

    def _count(self, source: Node, target: Node) -> None:
        key = source.key, target.key
        self.path.ways[key] = self.path.ways.get(key, 0) + 1


def shortest(body: Body, source: Node, targets: Sequence[Node]) -> list[tuple[Node, Node]]:
    """Return the steps of the shortest way to one of `targets`, the first in the code's order among equals.

    Empty where none leads there, which an error caught above may do.
    """
    trails: list[list[tuple[Node, Node]]] = [[]]
    seen: list[Node] = []
    while trails:
        trail = trails.pop(0)
        here = trail[-1][1] if trail else source
        for way in body.ways:
            if way.source is not here or any(way.target is node for node in seen):
                continue
            steps = [*trail, (here, way.target)]
            if any(way.target is target for target in targets):
                return steps
            seen.append(way.target)
            if way.target.kind not in (START, END):
                trails.append(steps)
    return []


def _body(node: Node) -> Body:
    assert node.body is not None  # only behaviours that have one are looked into
    return node.body


def _span(body: Body, offset: int) -> Span | None:
    """Return where the instruction at `offset` stands in the file; None where the code keeps no columns."""
    places = list(body.code.co_positions())
    index = offset // 2
    line, last_line, column, last_column = places[index] if index < len(places) else (None, None, None, None)
    if line is None or last_line is None or column is None or last_column is None:
        return None
    return line, column, last_line, last_column
