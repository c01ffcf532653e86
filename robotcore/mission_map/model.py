"""What a mission's map is made of.

A `Body` is one behaviour from the inside: nodes and the ways between them. A node may have a body of its own (the
behaviour that is awaited there) or members (what `first`, `together` or `within` run side by side). So the map is a
tree of bodies, and a way never leaves the body that it is in.
"""

from collections.abc import Iterator
from types import CodeType

import attrs

START, STATE, GROUP, WAIT, END, JOIN = "start", "state", "group", "wait", "end", "join"

Span = tuple[int, int, int, int]
"""Where an await stands in its file: first line, first column, last line, last column, as code objects tell it."""


@attrs.define(eq=False)
class Node:
    """One state, or where a body begins or ends.

    Attributes:
        kind: START, STATE (a behaviour), GROUP (several at once), WAIT (for a tick or some time), END (return, raise).
        name: the behaviour's name; for a group what is awaited, for an end what is returned.
        key: its place in the tree, such as ``2.0.1``; unique, and the same for the same code.
        detail: what it is called with, where that says something; "" else.
        summary: the first sentence of the behaviour's docstring.
        says: the decisions and faults that the behaviour itself may say.
        span: where the await stands; None for members of a group, starts and ends.
        body: the behaviour from the inside; None where it only waits for ticks, or is not of the mission's package.
        members: of a group.

    """

    kind: str
    name: str
    key: str = ""
    detail: str = ""
    summary: str = ""
    says: tuple[str, ...] = ()
    span: Span | None = None
    body: "Body | None" = None
    members: list["Node"] = attrs.field(factory=list)

    def walk(self) -> Iterator["Node"]:
        """Give this node and everything inside it."""
        yield self
        for member in self.members:
            yield from member.walk()
        if self.body is not None:
            yield from self.body.walk()

    def all_says(self) -> tuple[str, ...]:
        """Return what this node and everything inside it may say, each once."""
        return tuple(dict.fromkeys(said for node in self.walk() for said in node.says))


@attrs.define(eq=False)
class Way:
    """A way from one node to another of the same body, and on what condition it is taken ("" always)."""

    source: Node
    target: Node
    text: str

    @property
    def key(self) -> tuple[str, str]:
        """Return the keys of its two ends."""
        return self.source.key, self.target.key


@attrs.define(eq=False)
class Body:
    """A behaviour from the inside; `nodes` in the order of the code, its start first."""

    code: CodeType
    nodes: list[Node]
    ways: list[Way]

    @property
    def start(self) -> Node:
        """Return where it begins."""
        return self.nodes[0]

    def walk(self) -> Iterator[Node]:
        """Give every node in it, inner ones included."""
        for node in self.nodes:
            yield from node.walk()

    def at(self, span: Span | None, line: int) -> Node | None:
        """Return the node whose await stands at `span`, or else the only one on that line; None if there is none."""
        awaits = [node for node in self.nodes if node.span is not None]
        for node in awaits:
            if node.span == span:
                return node
        near = [node for node in awaits if node.span is not None and node.span[0] <= line <= node.span[2]]
        return near[0] if len(near) == 1 else None


@attrs.frozen
class Chart:
    """A whole mission: `root` is its coroutine."""

    mission: str
    summary: str
    root: Node

    def of(self, name: str) -> "Chart | None":
        """Return the map of one behaviour alone, the first that is called so and has states inside; None without."""
        found = [node for node in self.root.walk() if node.name == name]
        found = [node for node in found if node.body is not None] or found
        return Chart(self.mission, self.summary, found[0]) if found else None

    def nodes(self) -> dict[str, Node]:
        """Return every node by key."""
        return {node.key: node for node in self.root.walk()}


def number(root: Node) -> None:
    """Give every node of a tree its key."""
    root.key = root.key or "0"
    for i, member in enumerate(root.members):
        member.key = f"{root.key}.{i}"
        number(member)
    if root.body is not None:
        for i, node in enumerate(root.body.nodes):
            node.key = f"{root.key}.{i}"
            number(node)
