"""The map in the DOT language, an open text format that Graphviz and others read.

Rule: the whole map, or what a `Look` shows of it; a behaviour that is looked into is a cluster, and ways that start or
end at a cluster say so by ``ltail`` and ``lhead``.
"""

from collections.abc import Iterator

from robotcore.mission_map.layout import Look
from robotcore.mission_map.model import END, GROUP, START, STATE, WAIT, Chart, Node, Way

SHAPES = {
    START: "shape=circle, style=filled, fillcolor=black, width=0.12, fixedsize=true",
    END: 'shape=box, style="rounded,filled", fillcolor=gray25, fontcolor=white',
    WAIT: "shape=box, style=rounded",
    STATE: "shape=box",
    GROUP: "shape=ellipse, style=dashed",
}


def dot_of(chart: Chart, look: Look) -> str:
    """Return a map as DOT text."""
    title = f"Mission {chart.mission}: {chart.summary}"
    lines = [
        f"digraph {_quoted(chart.mission)} {{",
        f"  label={_quoted(title)}; labelloc=t; compound=true; fontname=Helvetica;",
        "  node [fontname=Helvetica, fontsize=10]; edge [fontname=Helvetica, fontsize=9];",
        *(f"  {line}" for line in _node(chart.root, look)),
        "}",
    ]
    return "\n".join(lines) + "\n"


def _node(node: Node, look: Look) -> Iterator[str]:
    inner = _shown(node, look)
    if not inner and node.kind != GROUP:
        yield f"{_id(node)} [{SHAPES[node.kind]}, label={_quoted(_label(node, look))}];"
        return
    style = "style=dashed" if node.kind == GROUP else "style=solid"
    yield f"subgraph {_quoted(f'cluster_{node.key}')} {{"
    yield f"  label={_quoted(_label(node, look))}; {style};"
    if node.kind == GROUP:
        yield f"  {_id(node)} [{SHAPES[GROUP]}, label={_quoted(node.name)}];"
    for one in inner:
        yield from (f"  {line}" for line in _node(one, look))
    yield "}"
    if node.body is not None and node.kind != GROUP:
        yield from (_way(way, look) for way in node.body.ways)


def _shown(node: Node, look: Look) -> list[Node]:
    if node.kind == GROUP:
        return node.members
    return node.body.nodes if node.body is not None and node.key in look.opened else []


def _way(way: Way, look: Look) -> str:
    source, target = _anchor(way.source, look, -1), _anchor(way.target, look, 0)
    count = 0 if look.path is None else look.path.ways.get(way.key, 0)
    label = "\n".join([*([way.text] if way.text else []), *([f"{count}\u00d7"] if count else [])])
    marks = [f"label={_quoted(label)}"] if label else []
    for end, node in (("ltail", way.source), ("lhead", way.target)):
        marks += [f"{end}={_quoted(f'cluster_{node.key}')}"] if node.kind != GROUP and _shown(node, look) else []
    marks += ["penwidth=2"] if count else []
    return f"{_id(source)} -> {_id(target)}" + (f" [{', '.join(marks)}];" if marks else ";")


def _anchor(node: Node, look: Look, place: int) -> Node:
    """Return the node inside a cluster that an edge is tied to: of a behaviour its start (0) or its end (-1)."""
    inner = _shown(node, look)
    return node if node.kind == GROUP or not inner else _anchor(inner[place], look, place)


def _label(node: Node, look: Look) -> str:
    name = {END: f"return {node.name}".removesuffix(" "), START: ""}.get(node.kind, node.name)
    lines = [name, f"({node.detail})" if node.detail else "", node.summary]
    lines += [f"says {', '.join(node.says)}"] if node.says else []
    path = look.path
    if path is not None and node.kind != START:
        count = path.visits.get(node.key, 0)
        decided = path.decided.get(node.key, 0)
        lines.append(
            f"{count}\u00d7, {path.seconds(node.key):.1f} s" + (f", decided {decided}\u00d7" if decided else "")
        )
    return "\n".join(line for line in lines if line)


def _id(node: Node) -> str:
    return _quoted(f"n{node.key}")


def _quoted(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'
