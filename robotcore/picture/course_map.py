"""The map of a sheet: the course, the path on it, the robot at both ends, and numbered marks where it decided.

Rules: all lengths in metres; the course is paled so that the path stands out on a black line too; words are placed
by `labels` and never on each other.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from matplotlib.collections import LineCollection
from matplotlib.patches import Circle, Polygon
from matplotlib.patheffects import withStroke

from robotcore.picture import labels
from robotcore.picture.scene import Colour, Figure, Scene
from robotcore.picture.style import BLUE, GREEN, PALE, PURPLE, SMALL, VERMILLION
from robotcore.picture.traces import Array, Traces
from robotcore.rig import Body

MARGIN_M = 0.15
_PALED = 0.35  # how far the course's colours go towards white


class Mark(NamedTuple):
    """Something that happened: when, the word that stands for it, and whether it is a fault."""

    time_s: float
    word: str
    fault: bool


class Field(NamedTuple):
    """The part of the floor that is shown, in metres."""

    left: float
    bottom: float
    right: float
    top: float


def field_of(traces: Traces, scene: Scene | None, body: Body, whole: bool) -> Field | None:
    """Return what of the floor to show: the whole course, or the path with a margin; None where neither is known."""
    known = _known(traces.poses)
    points = [known[:, :2], *(_placed(_outline(body), known[i]) for i in (0, -1) if len(known))]
    if whole and scene is not None:
        points += [np.array(figure.points) for figure in scene.figures if figure.layer != "start"]
    every = np.concatenate([part for part in points if len(part)] or [np.empty((0, 2))])
    if not len(every):
        return None
    (left, bottom), (right, top) = every.min(axis=0), every.max(axis=0)
    margin = 0.03 if whole and scene is not None else MARGIN_M
    return Field(left - margin, bottom - margin, right + margin, top + margin)


def draw_map(ax: Any, field: Field, scene: Scene | None, traces: Traces, body: Body, marks: Sequence[Mark]) -> None:
    """Draw the map into axes whose place and size are settled."""
    ax.set_xlim(field.left, field.right)
    ax.set_ylim(field.bottom, field.top)
    ax.set_xlabel("x / m")
    ax.set_ylabel("y / m")
    ax.set_facecolor(PALE)
    for figure in scene.figures if scene is not None else ():
        if figure.layer != "start":
            _figure(ax, figure)
    if scene is None:
        ax.grid(color="white", linewidth=1.0)
    known = traces._replace(time_s=traces.time_s[np.isfinite(traces.poses[:, 0])], poses=_known(traces.poses))
    if len(known.time_s):
        _path(ax, known)
        outlines = [_robot(ax, known.poses[i], body, colour) for i, colour in ((0, GREEN), (-1, VERMILLION))]
        _marks(ax, known, marks, np.concatenate(outlines))


def _known(poses: Array) -> Array:
    return poses[np.isfinite(poses[:, 0])]


def _pale(colour: Colour) -> Colour:
    red, green, blue = (value + (1.0 - value) * _PALED for value in colour)
    return red, green, blue


def _figure(ax: Any, figure: Figure) -> None:
    colour = _pale(figure.colour)
    if figure.kind == "circle":
        ax.add_patch(Circle(figure.points[0], figure.radius, facecolor=colour, edgecolor="0.4", linewidth=0.6))
    elif figure.kind == "line":
        for (ax_m, ay_m), (bx_m, by_m) in pairwise(figure.points):
            ax.add_patch(Polygon(_bar(ax_m, ay_m, bx_m, by_m, figure.width_m), facecolor=colour, linewidth=0))
    else:
        edged = figure.layer in ("board", "solid", "wall")
        edge, width = ("0.4", 0.6) if edged else (colour, 0.3)  # an edge of its own colour closes hairlines
        ax.add_patch(Polygon(figure.points, facecolor=colour, edgecolor=edge, linewidth=width))


def _bar(ax_m: float, ay_m: float, bx_m: float, by_m: float, width_m: float) -> list[tuple[float, float]]:
    angle = math.atan2(by_m - ay_m, bx_m - ax_m)
    across, up = -math.sin(angle) * width_m / 2, math.cos(angle) * width_m / 2
    return [
        (ax_m + across, ay_m + up), (ax_m - across, ay_m - up),
        (bx_m - across, by_m - up), (bx_m + across, by_m + up),
    ]  # fmt: skip


def _path(ax: Any, traces: Traces) -> None:
    halo = [withStroke(linewidth=3.2, foreground="white")]
    ax.plot(traces.poses[:, 0], traces.poses[:, 1], color=BLUE, linewidth=1.6, path_effects=halo, zorder=5)
    per_m = _points_a_metre(ax)
    ticks = []
    last = (math.inf, math.inf)
    for i in _seconds(traces, 1.0):
        x, y, heading = traces.poses[i]
        if math.hypot(x - last[0], y - last[1]) * per_m < 3.0:
            continue  # it stands, or crawls: ticks would be a blot
        last = (x, y)
        reach = 3.5 / per_m
        across, up = -math.sin(heading) * reach, math.cos(heading) * reach
        ticks.append([(x - across, y - up), (x + across, y + up)])
    ax.add_collection(LineCollection(ticks, colors=BLUE, linewidths=1.0, zorder=6))


def _seconds(traces: Traces, step_s: float) -> list[int]:
    """Return the row of every whole multiple of `step_s`."""
    first, last = math.ceil(traces.time_s[0] / step_s), math.floor(traces.time_s[-1] / step_s)
    rows = np.searchsorted(traces.time_s, np.arange(first, last + 1) * step_s - 1e-9)
    return [int(row) for row in rows if row < len(traces.time_s)]


def _points_a_metre(ax: Any) -> float:
    """Return how many points (1/72 inch) of paper a metre takes."""
    (x0, _), (x1, _) = ax.transData.transform([(0.0, 0.0), (1.0, 0.0)])
    return float((x1 - x0) * 72.0 / ax.figure.dpi)


def _outline(body: Body) -> Array:
    half, front, rear = body.width_m / 2, body.front_m, -body.rear_m
    return np.array([(front, -half), (front, half), (rear, half), (rear, -half), (front, -half)])


def _placed(points: Array, pose: Array) -> Array:
    """Return points of the body, ahead and left, where they lie on the floor."""
    x, y, heading = pose
    turn = np.array([[math.cos(heading), math.sin(heading)], [-math.sin(heading), math.cos(heading)]])
    placed: Array = points @ turn + (x, y)
    return placed


def _robot(ax: Any, pose: Array, body: Body, colour: str) -> Array:
    """Draw the robot's outline with an arrow ahead; return points along it."""
    front, side = body.front_m, body.width_m * 0.2
    outline = _placed(_outline(body), pose)
    arrow = _placed(np.array([(front * 0.5, side), (front * 0.9, 0.0), (front * 0.5, -side)]), pose)
    halo = [withStroke(linewidth=3.4, foreground="white")]
    for points in (outline, arrow):
        ax.plot(points[:, 0], points[:, 1], color=colour, linewidth=1.8, path_effects=halo, zorder=4)
    steps = np.linspace(0.0, 1.0, 12)[:, None]
    edges = [*pairwise(outline), *pairwise(arrow)]
    return np.concatenate([a + (b - a) * steps for a, b in edges])


def _marks(ax: Any, traces: Traces, marks: Sequence[Mark], outlines: Array) -> None:
    rows = np.searchsorted(traces.time_s, [mark.time_s - 1e-9 for mark in marks]).clip(0, len(traces.time_s) - 1)
    for mark, row in zip(marks, rows, strict=True):
        x, y = traces.poses[row, :2]
        look = {"marker": "x", "color": VERMILLION, "markersize": 8.0, "markeredgewidth": 2.2, "zorder": 8}
        if not mark.fault:
            look = {"marker": "o", "color": PURPLE, "markersize": 5.5, "markeredgecolor": "white", "zorder": 7}
        ax.plot([x], [y], linestyle="none", **look)
    paper = _Paper(ax)
    frame = paper.frame(ax)
    named = [(mark.word, paper.to(traces.poses[row, :2])) for mark, row in zip(marks, rows, strict=True) if mark.word]
    inside = [labels.Spot(*at, (word,)) for word, at in named if labels.Box(*at, 0.0, 0.0).within(frame)]
    step = max(1, len(traces.poses) // 3000)
    avoid = np.array([paper.to(point) for point in (*traces.poses[::step, :2], *outlines)])
    taken = _words(ax, paper, labels.gather(inside, 9.0), frame, avoid)
    _clock(ax, paper, traces, frame, avoid, taken)


class _Paper:
    """Turns metres into points (1/72 inch) of the sheet and back."""

    def __init__(self, ax: Any) -> None:
        self._there = ax.transData
        self._back = ax.transData.inverted()
        self._scale = 72.0 / ax.figure.dpi

    def to(self, point: Any) -> tuple[float, float]:
        x, y = self._there.transform(point) * self._scale
        return float(x), float(y)

    def back(self, x: float, y: float) -> tuple[float, float]:
        x_m, y_m = self._back.transform((x / self._scale, y / self._scale))
        return float(x_m), float(y_m)

    def frame(self, ax: Any) -> labels.Box:
        (left, right), (bottom, top) = ax.get_xlim(), ax.get_ylim()
        (x0, y0), (x1, y1) = self.to((left, bottom)), self.to((right, top))
        return labels.Box((x0 + x1) / 2, (y0 + y1) / 2, x1 - x0, y1 - y0)


def _words(ax: Any, paper: _Paper, spots: Sequence[labels.Spot], frame: labels.Box, avoid: Array) -> list[labels.Box]:
    """Write the marks' words, each with a line to its mark; return where they stand."""
    texts = [labels.joined(spot.words) for spot in spots]
    sizes = [labels.size_of(text, SMALL) for text in texts]
    boxes = labels.place([(spot.x, spot.y) for spot in spots], sizes, frame, avoid)
    for spot, text, box in zip(spots, texts, boxes, strict=True):
        if box is None:
            continue  # the list still tells of it
        colour = VERMILLION if all(word.startswith("F") for word in spot.words) else PURPLE
        (x0, y0), (x1, y1) = paper.back(spot.x, spot.y), paper.back(box.x, box.y)
        ax.plot([x0, x1], [y0, y1], color=colour, linewidth=0.8, zorder=9)
        face = {"boxstyle": "square,pad=0.15", "facecolor": "white", "edgecolor": colour, "linewidth": 0.8}
        ax.text(x1, y1, text, fontsize=SMALL, ha="center", va="center", zorder=10, bbox=face)
    return [box for box in boxes if box is not None]


def _clock(
    ax: Any, paper: _Paper, traces: Traces, frame: labels.Box, avoid: Array, taken: Sequence[labels.Box]
) -> None:
    """Write the time beside the path every few seconds, where there is room."""
    span_s = traces.time_s[-1] - traces.time_s[0]
    step_s = next(step for step in (1.0, 2.0, 5.0, 10.0, 30.0, 60.0, 1e9) if span_s / step < 14)
    rows = _seconds(traces, step_s)
    anchors = [paper.to(traces.poses[row, :2]) for row in rows]
    texts = [f"{traces.time_s[row]:.0f} s" for row in rows]
    boxes = labels.place(anchors, [labels.size_of(text, SMALL) for text in texts], frame, avoid, taken)
    halo = [withStroke(linewidth=2.0, foreground="white")]
    for text, box, (x, y) in zip(texts, boxes, anchors, strict=True):
        if box is not None and math.hypot(box.x - x, box.y - y) < 40.0:
            at = paper.back(box.x, box.y)
            ax.text(*at, text, fontsize=SMALL, color=BLUE, ha="center", va="center", zorder=9, path_effects=halo)
