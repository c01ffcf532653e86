"""The map as an SVG picture (a W3C standard), on one page, without any font, script or other file.

Rule: colour is never alone in saying something; counts and times stand there in figures.
"""

from collections.abc import Iterator, Sequence
from xml.sax.saxutils import escape

from robotcore.mission_map.layout import LARGE, LINE, PAD, SMALL, Box, Line, Look, Plan, Point, Text, box_of, said
from robotcore.mission_map.model import END, GROUP, START, STATE, WAIT, Chart, Node

STYLE = """\
text { font-family: Helvetica, Arial, 'Liberation Sans', 'DejaVu Sans', sans-serif; fill: #1d2733; }
.name { font-weight: bold; } .groupname { fill: #24527a; font-weight: bold; }
.quiet { fill: #6b7683; } .said { fill: #7a4a00; font-style: italic; } .way { fill: #24527a; }
.count { font-weight: bold; fill: #8a2b06; } .end { fill: #fff; } .endcount { fill: #ffd9a8; font-weight: bold; }
.state { fill: #fff; stroke: #4b5866; } .open { fill: #f4f6f8; stroke: #4b5866; stroke-width: 1.2; }
.inner { fill: #fff; } .group { fill: #e6f0f9; stroke: #24527a; stroke-dasharray: 5 3; }
.wait { fill: #fff; stroke: #9aa5b1; } .stop { fill: #39434e; stroke: none; } .start { fill: #1d2733; }
.been { fill: #fdf0dc; } .long { fill: #f9dcb0; } .last { stroke: #c0340a; stroke-width: 2.5; }
.line { fill: none; stroke: #4b5866; stroke-width: 1.1; } .gone { stroke: #b3470f; stroke-width: 2; }
.faint { opacity: 0.45; } .under { fill: #fff; opacity: 0.85; }
"""

LEGEND = (
    "Dot: begins here. White box: a behaviour. Grey box: a behaviour and what it awaits. Blue box: several at once. "
    "Blue words: when a way is taken (yes, no: what the behaviour answered). Dark: ends. (+): has states inside; "
    "see --depth."
)
LEGEND_RUN = "  n\u00d7: how often, s: for how long; red frame: where the run ended."
MARGIN = 14.0


def svg_of(chart: Chart, look: Look, caption: Sequence[str] = ()) -> str:
    """Return a map as SVG text.

    Args:
        chart: the map.
        look: what of it is shown.
        caption: lines to stand below the title.

    """
    box = box_of(chart.root, look)
    title = Text(f"Mission {chart.mission}: {chart.summary}", LARGE, "name")
    above = [title, *(Text(line, SMALL, "plain") for line in caption)]
    below = _legend(box.width, LEGEND + (LEGEND_RUN if look.path is not None else ""))
    width = max(box.width, *(text.width for text in above)) + 2 * MARGIN
    top = MARGIN + _height(above) + 4.0
    height = top + box.height + _height(below) + 2 * MARGIN
    lines = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{_n(width)}" height="{_n(height)}" '
        f'viewBox="0 0 {_n(width)} {_n(height)}">',
        f"<title>{escape(title.text)}</title>",
        f"<style>\n{STYLE}</style>",
        *(_marker(name, colour) for name, colour in (("a", "#4b5866"), ("b", "#b3470f"))),
        '<rect width="100%" height="100%" fill="#fff"/>',
        *_texts(above, MARGIN, MARGIN),
        *_box(box, (width - box.width) / 2, top, look, 0),
        *_texts(below, MARGIN, top + box.height + MARGIN),
        "</svg>",
    ]
    return "\n".join(lines) + "\n"


def _legend(width: float, text: str) -> list[Text]:
    lines: list[Text] = []
    for word in text.split():
        longer = Text(f"{lines[-1].text} {word}" if lines else word, SMALL, "quiet")
        if lines and longer.width <= max(width, 300.0):
            lines[-1] = longer
        else:
            lines.append(Text(word, SMALL, "quiet"))
    return lines


def _height(texts: Sequence[Text]) -> float:
    return sum(text.size * LINE for text in texts)


def _marker(name: str, colour: str) -> str:
    return (
        f'<marker id="{name}" viewBox="0 0 8 8" refX="7" refY="4" markerWidth="8" markerHeight="8" '
        f'markerUnits="userSpaceOnUse" orient="auto"><path d="M0 0.5L8 4L0 7.5z" fill="{colour}"/></marker>'
    )


def _texts(texts: Sequence[Text], x: float, y: float, middle: bool = False) -> Iterator[str]:
    anchor = ' text-anchor="middle"' if middle else ""
    for text in texts:
        y += text.size * LINE
        yield (
            f'<text x="{_n(x)}" y="{_n(y - 0.3 * text.size)}" font-size="{text.size:g}" class="{text.kind}"{anchor}>'
            f"{escape(text.text)}</text>"
        )


def _box(box: Box, x: float, y: float, look: Look, depth: int) -> Iterator[str]:
    """Draw a box and everything in it at (x, y)."""
    node = box.node
    yield f"<g{_faint(node, look)}><title>{escape(_tip(node))}</title>"
    if node.kind == START:
        yield f'<circle cx="{_n(x + box.width / 2)}" cy="{_n(y + box.height / 2)}" r="5" class="start"/>'
    else:
        radius = {END: 9.0, WAIT: 9.0, GROUP: 3.0}.get(node.kind, 5.0)
        shape = f'x="{_n(x)}" y="{_n(y)}" width="{_n(box.width)}" height="{_n(box.height)}" rx="{radius:g}"'
        yield f'<rect {shape} class="{_class(box, look, depth)}"/>'
    open_box = box.plan is not None or node.kind == GROUP
    yield from _texts(box.texts, x + PAD if open_box else x + box.width / 2, y + PAD * 0.7, middle=not open_box)
    for member in box.members:
        yield from _box(member, x + member.x, y + member.y, look, depth)
    if box.plan is not None:
        yield from _plan(box.plan, x + box.plan_at[0], y + box.plan_at[1], look, depth + 1)
    yield "</g>"


def _plan(plan: Plan, x: float, y: float, look: Look, depth: int) -> Iterator[str]:
    for line in plan.lines:
        yield _curve(line, x, y, look)
    for box in plan.boxes:
        yield from _box(box, x + box.x, y + box.y, look, depth)
    for line in plan.lines:
        if line.texts:
            width, height = max(text.width for text in line.texts), _height(line.texts)
            left, top = x + line.at[0] - width / 2, y + line.at[1] - height / 2
            yield (f'<rect x="{_n(left)}" y="{_n(top)}" width="{_n(width)}" height="{_n(height)}" class="under"/>')
            yield from _texts(line.texts, x + line.at[0], top, middle=True)


def _curve(line: Line, x: float, y: float, look: Look) -> str:
    points = [(x + px, y + py) for px, py in line.points]
    gone = look.path is not None and look.path.ways.get(line.way.key, 0) > 0
    faint = look.path is not None and not gone
    style = (
        f'class="line{" gone" if gone else ""}{" faint" if faint else ""}" marker-end="url(#{"b" if gone else "a"})"'
    )
    return f'<path d="{_bent(points) if line.way.source is not line.way.target else _round(points)}" {style}/>'


def _bent(points: Sequence[Point]) -> str:
    """Return a line through the points, upright at each."""
    (x, y), text = points[0], f"M{_n(points[0][0])} {_n(points[0][1])}"
    for to_x, to_y in points[1:]:
        if abs(to_x - x) < 0.05:
            text += f"L{_n(to_x)} {_n(to_y)}"
        else:
            half = (y + to_y) / 2
            text += f"C{_n(x)} {_n(half)} {_n(to_x)} {_n(half)} {_n(to_x)} {_n(to_y)}"
        x, y = to_x, to_y
    return text


def _round(points: Sequence[Point]) -> str:
    start, *others = (f"{_n(x)} {_n(y)}" for x, y in points)
    return f"M{start}C{' '.join(others)}"


def _faint(node: Node, look: Look) -> str:
    path = look.path
    if path is None or node.kind == START or path.visits.get(node.key, 0):
        return ""
    return ' class="faint"' if node.kind in (STATE, GROUP, WAIT, END) else ""


def _class(box: Box, look: Look, depth: int) -> str:
    node, path = box.node, look.path
    if node.kind in (END, WAIT):
        kind = "stop" if node.kind == END else "wait"
    elif node.kind == GROUP:
        kind = "group"
    else:
        kind = ("open inner" if depth % 2 else "open") if box.plan is not None else "state"
    if path is not None and kind == "state" and path.visits.get(node.key, 0):
        kind += " long" if path.active.get(node.key, 0) > 0.1 * path.ticks else " been"
    if path is not None and node.key in path.last and not _goes_on_inside(box, path.last):
        kind += " last"
    return kind


def _goes_on_inside(box: Box, last: Sequence[str]) -> bool:
    """Tell whether something shown inside a box was under way in the last tick as well."""
    inner = box.members + (box.plan.boxes if box.plan is not None else [])
    return any(one.node.key in last for one in inner)


def _tip(node: Node) -> str:
    says = "".join(f" {line.capitalize()}." for line in said(node.says))
    return f"{node.name or node.kind}{f': {node.summary}.' if node.summary else ''}{says}"


def _n(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
