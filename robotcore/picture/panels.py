"""The traces of a sheet: one strip a quantity over time, decisions as lines through all of them.

Rules: SI units, but degrees for angles; a line breaks where there is no measurement, and what the runtime marked as
not valid is shaded: the left (or only) sensor's upper half, the right one's lower half.
"""

import math
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np

from robotcore.picture.course_map import Mark
from robotcore.picture.labels import Spot, along
from robotcore.picture.style import BLACK, GREEN, LEFT, PURPLE, RIGHT, SHEET_IN, SMALL, VERMILLION
from robotcore.picture.traces import Array, Traces, thin

POINTS_A_LINE = 3000
LABEL_IN = 0.5  #: from a strip's left edge to its label; the numbers of the scale stand between
MANY = 60  #: decisions
BEYOND, BAD = "#DDDDDD", "#F3C9A5"  #: shades: out of range; missing, stale or saturated


class Line(NamedTuple):
    """One line of a panel."""

    label: str
    colour: str
    values: Callable[[Traces], Array]


class Panel(NamedTuple):
    """One strip: what it shows, the roles whose validity shades it, the least range, and a level to mark."""

    label: str
    roles: tuple[str, ...]
    lines: tuple[Line, ...]
    low: float
    high: float
    level: float | None = None


def _field(role: str, field: str, scale: float = 1.0) -> Callable[[Traces], Array]:
    return lambda traces: traces.shown(role, field) * scale


def _share(role: str, channel: str) -> Callable[[Traces], Array]:
    return lambda traces: traces.share(role, channel)


def _command(index: int, scale: float = 1.0) -> Callable[[Traces], Array]:
    return lambda traces: traces.commands[:, index] * scale


def _floor(value: Callable[[str], Callable[[Traces], Array]]) -> tuple[Line, Line]:
    return Line("left", LEFT, value("floor_left")), Line("right", RIGHT, value("floor_right"))


def _motor(index: int, role: str, field: str, colour: str, scale: float = 1.0) -> tuple[Line, Line]:
    return Line("measured", colour, _field(role, field, scale)), Line("commanded", BLACK, _command(index, scale))


_FLOORS = ("floor_left", "floor_right")
_DEG = math.degrees(1.0)

PANELS = (
    Panel("floor\ncontrast", _FLOORS, _floor(lambda role: _field(role, "contrast")), -0.05, 1.1),
    Panel("green\nshare", _FLOORS, _floor(lambda role: _share(role, "green")), 0.25, 0.5, 1 / 3),
    Panel("red\nshare", _FLOORS, _floor(lambda role: _share(role, "red")), 0.25, 0.5, 1 / 3),
    Panel("front\nlightness", ("front",), (Line("front", GREEN, _field("front", "lightness")),), 0.0, 0.2),
    Panel("side range\nm", ("side_range",), (Line("side", GREEN, _field("side_range", "distance_m")),), 0.0, 0.3),
    Panel("left track\nm/s", ("drive",), _motor(0, "drive", "left_m_s", LEFT), -0.02, 0.1),
    Panel("right track\nm/s", ("drive",), _motor(1, "drive", "right_m_s", RIGHT), -0.02, 0.1),
    Panel("gripper\ndegrees", ("gripper",), _motor(2, "gripper", "angle_rad", GREEN, _DEG), 0.0, 10.0),
    Panel("sorter\ndegrees", ("sorter",), _motor(3, "sorter", "angle_rad", GREEN, _DEG), -10.0, 10.0),
    Panel(
        "tilt\ndegrees", ("tilt",),
        (Line("pitch", LEFT, _field("tilt", "pitch_rad", _DEG)), Line("roll", RIGHT, _field("tilt", "roll_rad", _DEG))),
        -3.0, 3.0, 0.0,
    ),
    Panel("battery\nV", ("battery",), (Line("battery", GREEN, _field("battery", "voltage_v")),), math.inf, -math.inf),
)  # fmt: skip


def chosen(traces: Traces, fitted: Sequence[str]) -> list[Panel]:
    """Return the panels worth showing: roles that the rig fills, and arms only where one was told to move."""
    moved = {"gripper": np.any(traces.commands[:, 2] != 0.0), "sorter": np.any(traces.commands[:, 3] != 0.0)}
    return [panel for panel in PANELS if panel.roles[0] in fitted and moved.get(panel.roles[0], True)]


def draw_panel(ax: Any, panel: Panel, traces: Traces, marks: Sequence[Mark]) -> None:
    """Draw one strip."""
    low, high = panel.low, panel.high
    for order, line in enumerate(panel.lines):
        values = line.values(traces)
        shown = thin(traces.time_s, values, POINTS_A_LINE)
        ax.plot(*shown, color=line.colour, linewidth=1.0, zorder=4 - order)
        known = values[np.isfinite(values)]
        if len(known):
            low, high = min(low, float(known.min())), max(high, float(known.max()))
        _key(ax, line, order)
    if low < math.inf:
        room = 0.06 * (high - low) or 0.1
        ax.set_ylim(low - room, high + room)
    if panel.level is not None:
        ax.axhline(panel.level, color="0.6", linewidth=0.6, zorder=1)
    _shade(ax, panel.roles, traces)
    times = [mark.time_s for mark in marks if not mark.fault]
    width = 0.8 if len(times) <= MANY else 0.3  # many lines would hide what lies under them
    ax.vlines(times, 0, 1, transform=ax.get_xaxis_transform(), color=PURPLE, linewidth=width, zorder=2)
    ax.set_ylabel(panel.label, rotation=0, ha="right", va="center")
    ax.yaxis.set_label_coords(-LABEL_IN / (ax.get_position().width * SHEET_IN), 0.5)
    ax.yaxis.set_major_locator(_few_ticks())
    ax.grid(axis="x", color="0.9", linewidth=0.5)
    ax.set_axisbelow(True)


def _few_ticks() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(nbins=3, steps=[1, 2, 2.5, 5, 10])


def _key(ax: Any, line: Line, order: int) -> None:
    """Name a line beside the strip, in its colour."""
    at = (1.0 + 0.1 / SHEET_IN, 0.72 - 0.42 * order)
    ax.annotate(line.label, at, xycoords="axes fraction", fontsize=SMALL, color=line.colour, va="center")


def _shade(ax: Any, roles: Sequence[str], traces: Traces) -> None:
    height = 1.0 / len(roles)
    across = ax.get_xaxis_transform()
    for number, role in enumerate(roles):
        place = (1.0 - height * (number + 1), height)
        for beyond, colour in ((True, BEYOND), (False, BAD)):
            spans = traces.spans(role, beyond=beyond)
            if spans:
                ax.broken_barh(spans, place, transform=across, facecolors=colour, edgecolor=colour, zorder=0.5)


def draw_numbers(ax: Any, traces: Traces, marks: Sequence[Mark], width_points: float) -> None:
    """Draw the strip above all others: the numbers of decisions, and a cross for each fault."""
    ax.axis("off")
    ax.set_ylim(0, 1)
    first, last = ax.get_xlim()
    per_s = width_points / (last - first)
    spots = [Spot((mark.time_s - first) * per_s, 0.0, (mark.word,)) for mark in marks if not mark.fault and mark.word]
    for x, text in along(spots, SMALL, 0.0, width_points):
        ax.text(first + x / per_s, 0.7, text, fontsize=SMALL, color=BLACK, ha="center", va="center")
    ax.vlines([m.time_s for m in marks if not m.fault], 0, 0.4, color=PURPLE, linewidth=0.8)
    faults = [mark.time_s for mark in marks if mark.fault]
    ax.plot(faults, [0.2] * len(faults), "x", color=VERMILLION, markersize=6.0, markeredgewidth=1.8, clip_on=False)
