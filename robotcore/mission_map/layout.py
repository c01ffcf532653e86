"""From a map to boxes, texts and lines with co-ordinates: all that a picture needs, and no drawing yet.

Rules: a behaviour that is looked into is a box around its own states, so a way never crosses a box. Lengths are in
pixels of a screen; widths of texts are guessed, generously, since no font is at hand.
"""

import itertools

import attrs

from robotcore.mission_map import layers
from robotcore.mission_map.model import END, GROUP, START, STATE, WAIT, Body, Chart, Node, Way
from robotcore.mission_map.visits import Path

PAD = 9.0
GAP_Y = 10.0
LINE = 1.25  #: height of a line of text, in font sizes
SMALL, NORMAL, LARGE = 9.5, 11.5, 13.5
WRAP = 30  #: characters a line in a box
WRAP_WAY = 24  #: characters a line at a way
FAULT = "fault: "
NARROW, WIDE = "iljtfrI.,:;'|!()[] ", "mwMW@%"

Point = tuple[float, float]


@attrs.frozen
class Text:
    """A line of text: what, how large, and which kind: "name", "plain", "quiet", "said" or "count"."""

    text: str
    size: float
    kind: str

    @property
    def width(self) -> float:
        """Return how wide it is at most, in pixels."""
        units = sum(0.34 if c in NARROW else 0.92 if c in WIDE else 0.7 if c.isupper() else 0.58 for c in self.text)
        return units * self.size * (1.08 if self.kind in ("name", "count") else 1.0)


@attrs.define(eq=False)
class Box:
    """A node as it is drawn, at (x, y) in the box around it; its texts stand at the top."""

    node: Node
    texts: list[Text]
    width: float
    height: float
    x: float = 0.0
    y: float = 0.0
    plan: "Plan | None" = None
    plan_at: Point = (0.0, 0.0)
    members: list["Box"] = attrs.field(factory=list)


@attrs.frozen
class Line:
    """A way as it is drawn: through these points, bent with upright ends; what is written at it and where (middle)."""

    way: Way
    points: list[Point]
    texts: list[Text]
    at: Point


@attrs.frozen
class Plan:
    """The inside of a behaviour."""

    width: float
    height: float
    boxes: list[Box]
    lines: list[Line]


@attrs.frozen
class Look:
    """What is shown.

    Args:
        opened: keys of the behaviours that are looked into; the others are shown from outside.
        path: of a run, None where the map alone is drawn.

    """

    opened: frozenset[str]
    path: Path | None = None


def to_depth(chart: Chart, depth: int, path: Path | None = None) -> Look:
    """Return a look into so many behaviours inside each other."""
    return Look(frozenset(node.key for node, level in _openable(chart) if level < depth), path)


def to_fit(chart: Chart, path: Path | None = None, long_side: float = 1560.0, short_side: float = 1100.0) -> Look:
    """Return a look into as many behaviours as fit on a page, the outer ones first."""
    look = Look(frozenset(), path)
    for node, _ in sorted(_openable(chart), key=lambda found: found[1]):
        if node is not chart.root and not any(node.key.startswith(f"{key}.") for key in look.opened):
            continue
        wider = Look(look.opened | {node.key}, path)
        box = box_of(chart.root, wider)
        if node is chart.root or (max(box.width, box.height) <= long_side and min(box.width, box.height) <= short_side):
            look = wider
    return look


def _openable(chart: Chart) -> list[tuple[Node, int]]:
    """Return the behaviours with more than one state inside, and how many of such each lies in."""
    found: list[tuple[Node, int]] = []

    def visit(node: Node, level: int) -> None:
        inner = node.body.nodes if node.body is not None else []
        opens = node is chart.root or sum(one.kind in (STATE, GROUP) for one in inner) > 1
        if node.body is not None and opens:
            found.append((node, level))
        for one in [*node.members, *(inner if opens else [])]:
            visit(one, level + (node.body is not None))

    visit(chart.root, 0)
    return found


def box_of(node: Node, look: Look) -> Box:
    """Return a node's box, with everything in it in its place."""
    if node.kind == START:
        return Box(node, [], 11.0, 11.0)
    if node.kind == GROUP:
        return _group(node, look)
    if node.body is not None and node.key in look.opened:
        return _opened(node, node.body, look)
    return _closed(node, look)


def _closed(node: Node, look: Look) -> Box:
    if node.kind == END:
        texts = [
            Text(
                f"return {node.name}" if node.name and not node.name.startswith("raise") else node.name or "end",
                SMALL,
                "end",
            )
        ]
    elif node.kind == WAIT:
        texts = [Text(node.name, SMALL, "plain")]
    else:
        hidden = " (+)" if node.body is not None else ""
        texts = [Text(node.name + hidden, NORMAL, "name"), *_about(node, node.all_says())]
    texts += _counted(node, look)
    return _around(node, texts)


def _about(node: Node, says: tuple[str, ...]) -> list[Text]:
    texts = [Text(line, SMALL, "quiet") for line in brief(f"({node.detail})" if node.detail else "")]
    return texts + [Text(line, SMALL, "plain") for line in wrapped(node.summary, WRAP)] + _said(says, WRAP)


def brief(text: str) -> list[str]:
    """Return a text in two lines at most; that more would follow shows."""
    lines = wrapped(text, WRAP)
    return lines if len(lines) <= 2 else [lines[0], f"{lines[1][: WRAP - 3].rstrip(' ,')} ...)"]


def said(says: tuple[str, ...]) -> list[str]:
    """Return what a behaviour may say in words: decisions, then faults."""
    faults = [one.removeprefix(FAULT) for one in says if one.startswith(FAULT)]
    decisions = [one for one in says if not one.startswith(FAULT)]
    return [f"{word} {', '.join(ones)}" for word, ones in (("says", decisions), ("reports", faults)) if ones]


def _said(says: tuple[str, ...], width: int) -> list[Text]:
    return [Text(line, SMALL, "said") for text in said(says) for line in wrapped(text, width)]


def _counted(node: Node, look: Look) -> list[Text]:
    path = look.path
    if path is None:
        return []
    count = path.visits.get(node.key, 0)
    if not count:
        return [Text("never", SMALL, "quiet")] if node.kind in (STATE, GROUP) else []
    if node.kind == END:
        return [Text(f"{count}\u00d7", SMALL, "endcount")]
    seconds = path.seconds(node.key)
    return [Text(f"{count}\u00d7, {seconds:.1f} s", SMALL, "count")]


def _around(node: Node, texts: list[Text]) -> Box:
    width = max((text.width for text in texts), default=0.0) + 2 * PAD
    return Box(node, texts, width, sum(text.size * LINE for text in texts) + 2 * PAD * 0.7)


def _opened(node: Node, body: Body, look: Look) -> Box:
    texts = [Text(node.name, NORMAL, "name")]
    texts += [Text(line, SMALL, "plain") for line in wrapped(node.summary, 2 * WRAP)]
    texts += [*_said(node.says, 2 * WRAP), *_counted(node, look)]
    box, plan = _around(node, texts), plan_of(body, look)
    box.plan, head = plan, box.height
    box.width = max(box.width, plan.width + 2 * PAD)
    box.height = head + plan.height + PAD
    box.plan_at = (box.width - plan.width) / 2, head
    return box


def _group(node: Node, look: Look) -> Box:
    how = {"first": "at once; the first to end decides, the others are stopped", "together": "at once, until all end"}
    texts = [Text(f"{node.name}: {how[node.name]}" if node.name in how else node.name, SMALL, "groupname")]
    texts += _counted(node, look)
    box = _around(node, texts)
    box.members = [box_of(member, look) for member in node.members]
    x = PAD
    for member in box.members:
        for line in _decided(member.node, look):
            member.texts.append(line)
            member.width, grown = max(member.width, line.width + 2 * PAD), line.size * LINE
            member.height += grown
            member.plan_at = (member.width - member.plan.width) / 2 if member.plan else 0.0, member.plan_at[1] + grown
        member.x, member.y = x, box.height
        x += member.width + PAD
    box.width = max(box.width, x)
    spare = (box.width - x) / 2
    for member in box.members:
        member.x += spare
    box.height += max((member.height for member in box.members), default=0.0) + PAD
    return box


def _decided(member: Node, look: Look) -> list[Text]:
    count = 0 if look.path is None else look.path.decided.get(member.key, 0)
    return [Text(f"decided {count}\u00d7", SMALL, "count")] if count else []


def plan_of(body: Body, look: Look) -> Plan:
    """Return the inside of a behaviour, laid out."""
    boxes = [box_of(node, look) for node in body.nodes]
    numbers = {id(node): i for i, node in enumerate(body.nodes)}
    texts = [_written(way, look) for way in body.ways]
    loops = {id(way.source): _size(text)[0] + 26.0 for way, text in zip(body.ways, texts, strict=True) if _is_loop(way)}
    sizes = [(box.width + 2 * loops.get(id(box.node), 0.0), box.height) for box in boxes]
    links = [
        layers.Link(numbers[id(way.source)], numbers[id(way.target)], *_size(text))
        for way, text in zip(body.ways, texts, strict=True)
    ]
    placed = layers.place(sizes, links, GAP_Y)
    for box, spot in zip(boxes, placed.boxes, strict=True):
        box.x, box.y = spot.x - box.width / 2, placed.tops[spot.layer]
    ports = _ports(boxes, placed)
    lines = [_line(way, texts[i], i, boxes[numbers[id(way.source)]], placed, ports) for i, way in enumerate(body.ways)]
    return Plan(placed.width, placed.bottoms[-1], boxes, lines)


def _is_loop(way: Way) -> bool:
    return way.source is way.target


def _written(way: Way, look: Look) -> list[Text]:
    texts = [Text(line, SMALL, "way") for line in wrapped(way.text, WRAP_WAY)]
    count = 0 if look.path is None else look.path.ways.get(way.key, 0)
    return [*texts, Text(f"{count}\u00d7", SMALL, "count")] if count else texts


def _size(texts: list[Text]) -> tuple[float, float]:
    return max((text.width for text in texts), default=0.0), sum(text.size * LINE for text in texts)


Ports = dict[tuple[int, int, bool], float]
"""Where a line meets a box: by line, box (0 source, 1 target) and whether at its bottom; x."""


def _ports(boxes: list[Box], placed: layers.Placed) -> Ports:
    """Spread the lines along the edges of boxes, each as near as can be to where it comes from."""
    ports: Ports = {}
    for box, spot in zip(boxes, placed.boxes, strict=True):
        for bottom in (True, False):
            met = []
            for i, chain in enumerate(placed.chains):
                for end, here, there in ((0, chain[:1], chain[1:2]), (1, chain[-1:], chain[-2:-1])):
                    if here and here[0] is spot and (there[0].layer > spot.layer) == bottom:
                        met.append((there[0].x, i, end))
            met.sort()
            margin = min(8.0, box.width / 2)
            low, high = box.x + margin, box.x + box.width - margin
            step = min(16.0, (high - low) / max(1, len(met) - 1)) if met else 0.0
            wanted = [min(max(x, low), high) for x, _, _ in met]
            found = layers.apart(wanted, [step] * (len(met) - 1))
            shift = max(0.0, low - found[0]) - max(0.0, found[-1] - high) if found else 0.0
            for (_, i, end), x in zip(met, found, strict=True):
                ports[i, end, bottom] = x + shift
    return ports


def _line(way: Way, texts: list[Text], number: int, source: Box, placed: layers.Placed, ports: Ports) -> Line:
    chain, label = placed.chains[number], placed.labels[number]
    if label is None:
        return _round(way, texts, source)
    points: list[Point] = []
    for place, (one, other) in enumerate(itertools.pairwise(chain)):
        down = other.layer > one.layer
        if place == 0:
            points += _stub(ports[number, 0, down], one, placed, down)
        if place == len(chain) - 2:
            points += _stub(ports[number, 1, not down], other, placed, not down)[::-1]
        else:
            ends = placed.tops[other.layer], placed.bottoms[other.layer]
            points += [(other.x, y) for y in (ends if down else ends[::-1])]
    middle = (placed.tops[label.layer] + placed.bottoms[label.layer]) / 2
    return Line(way, points, texts, (label.x, middle))


def _stub(x: float, box: layers.Place, placed: layers.Placed, bottom: bool) -> list[Point]:
    """Return the first piece of a line, from a box's edge to that of its layer, where higher boxes may stand beside."""
    top = placed.tops[box.layer]
    return [(x, top + box.height), (x, placed.bottoms[box.layer])] if bottom else [(x, top)]


def _round(way: Way, texts: list[Text], box: Box) -> Line:
    """Return the line of a way from a box to itself, at its right."""
    right, top, bottom = box.x + box.width, box.y + box.height * 0.3, box.y + box.height * 0.7
    out, width = right + 24.0, _size(texts)[0]
    return Line(way, [(right, top), (out, top), (out, bottom), (right, bottom)], texts,
                (right + 22.0 + width / 2, (top + bottom) / 2))  # fmt: skip


def wrapped(text: str, width: int) -> list[str]:
    """Return a text in lines of at most `width` characters, broken between words where that goes."""
    lines: list[str] = []
    for word in text.split():
        if lines and len(lines[-1]) + 1 + len(word) <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines
