"""The path of a run as a table, for a terminal or for machines."""

from collections.abc import Iterator
from typing import Any

from robotcore.mission_map.layout import Look
from robotcore.mission_map.model import END, GROUP, START, Chart, Node
from robotcore.mission_map.visits import Path


def table(chart: Chart, path: Path, look: Look) -> list[str]:
    """Return the states that a run was in, as far as a look shows them, with counts, seconds and share of the run."""
    rows = [(_named(node), node) for node in _seen(chart.root, look) if node.kind not in (START, END)]
    shown = [("  " * _level(chart, node) + name, node) for name, node in rows if path.visits.get(node.key)]
    width = max((len(name) for name, _ in shown), default=0)
    lines = [f"{'state':<{width}}  {'times':>5} {'seconds':>8} {'share':>6}  decided"]
    for name, node in shown:
        seconds = path.seconds(node.key)
        share = path.active.get(node.key, 0) / path.ticks if path.ticks else 0.0
        decided = path.decided.get(node.key, 0)
        row = f"{name:<{width}}  {path.visits[node.key]:>5} {seconds:>8.2f} {share:>6.1%}  {decided or ''}"
        lines.append(row.rstrip())
    return lines


def _seen(node: Node, look: Look) -> Iterator[Node]:
    """Give a node and what is shown inside it."""
    yield node
    inside = node.body.nodes if node.body is not None and node.key in look.opened else []
    for one in [*node.members, *inside]:
        yield from _seen(one, look)


def _named(node: Node) -> str:
    return f"{node.name} of {len(node.members)}" if node.kind == GROUP and node.name == "first" else node.name


def _level(chart: Chart, node: Node) -> int:
    return node.key.count(".") - chart.root.key.count(".")


def data(chart: Chart, path: Path) -> dict[str, Any]:
    """Return the map with the path of a run as plain data for JSON."""
    nodes = [
        {
            "key": node.key, "kind": node.kind, "name": node.name, "times": path.visits.get(node.key, 0),
            "seconds": round(path.seconds(node.key), 6), "decided": path.decided.get(node.key, 0),
        }
        for node in chart.root.walk()
    ]  # fmt: skip
    bodies = [node.body for node in chart.root.walk() if node.body is not None]
    ways = [
        {"from": way.source.key, "to": way.target.key, "when": way.text, "times": path.ways.get(way.key, 0)}
        for body in bodies
        for way in body.ways
    ]
    return {"mission": chart.mission, "ticks": path.ticks, "guessed": path.guessed, "last": path.last,
            "nodes": nodes, "ways": ways}  # fmt: skip
