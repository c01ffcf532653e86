"""The sheet of one recording: title, map with list beside it, traces below.

Rules: its width is fixed and its height grows with what there is to tell, so that nothing has to overlap; the same
recording gives the same bytes (no date, a fixed salt, no user's settings of the plotting library).
"""

import io
import math
import warnings
from typing import Any, NamedTuple

import attrs
import matplotlib as mpl
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from robotcore.calibration import Calibration
from robotcore.errors import UserError
from robotcore.picture.course_map import Field, Mark, draw_map, field_of
from robotcore.picture.event_list import Entry, cut, entries, printable
from robotcore.picture.panels import BAD, BEYOND, PANELS, chosen, draw_numbers, draw_panel
from robotcore.picture.scene import Scene
from robotcore.picture.style import (
    BLUE,
    DOTS_PER_INCH,
    GREEN,
    LARGE,
    NORMAL,
    PURPLE,
    SETTINGS,
    SHEET_IN,
    SMALL,
    VERMILLION,
)
from robotcore.picture.traces import ENCODERS, TRUE, Traces, read_traces
from robotcore.recording.content import Recording
from robotcore.recording.summary import CUT_OFF, duration_s
from robotcore.rig import Rig

TITLE_IN, LEGEND_IN, FOOT_IN = 0.95, 0.85, 0.75
MAP_LEFT_IN, MAP_WIDTH_IN, MAP_HIGHEST_IN, MAP_LOWEST_IN = 0.75, 9.4, 9.0, 4.0
LINE_IN, COLUMN_IN, COLUMN_GAP_IN = 0.165, 4.75, 0.3
PANEL_LEFT_IN, PANEL_RIGHT_IN, PANEL_IN, PANEL_GAP_IN = 1.25, 1.0, 0.85, 0.13
NUMBERS_IN = 0.4
LIST_LETTERS = 66


class Window(NamedTuple):
    """The part of a run that is wanted, in seconds; None for its start or its end."""

    from_s: float | None
    to_s: float | None


@attrs.frozen
class Content:
    """All that the sheet shows."""

    recording: Recording
    rig: Rig
    scene: Scene | None
    traces: Traces
    entries: list[Entry]
    whole: bool


def gather(recording: Recording, rig: Rig, calibration: Calibration, scene: Scene | None, window: Window) -> Content:
    """Work out what the sheet shows.

    Raises:
        UserError: there is nothing recorded, or nothing between the times that are wanted.

    """
    traces = read_traces(recording, rig, calibration, None if scene is None else scene.start)
    if not len(traces.time_s):
        raise UserError(f"{recording.path}: holds no tick, so there is nothing to draw; see `robotcore describe`")
    first, last = float(traces.time_s[0]), float(traces.time_s[-1])
    from_s = first if window.from_s is None else window.from_s
    to_s = last if window.to_s is None else window.to_s
    part = traces.between(from_s, to_s)
    if not len(part.time_s):
        raise UserError(
            f"{recording.path}: holds nothing from {from_s:g} to {to_s:g} s; "
            f"it reaches from {first:.2f} to {last:.2f} s"
        )
    listed = entries(recording.decisions, recording.faults, LIST_LETTERS)
    listed = [entry for entry in listed if from_s <= entry.mark.time_s <= to_s + traces.period_s]
    return Content(recording, rig, scene, part, listed, window == Window(None, None))


def render(content: Content, form: str) -> bytes:
    """Return the sheet as a file's bytes; `form` is "png" or "svg"."""
    buffer = io.BytesIO()
    with warnings.catch_warnings(), mpl.rc_context():
        warnings.filterwarnings("ignore", "Glyph")  # a letter that the font lacks is drawn as a box
        figure = lay_out(content)
        if form == "svg":
            canvas: Any = FigureCanvasSVG(figure)  # Any: the library's own stubs leave the next line untyped
            canvas.print_svg(buffer, metadata={"Date": None, "Creator": "robotcore"})
        else:
            canvas = FigureCanvasAgg(figure)
            canvas.print_png(buffer, metadata={"Software": "robotcore"})
    return buffer.getvalue()


def lay_out(content: Content) -> Figure:
    """Return the sheet as a figure; sets the plotting library's settings, so call it inside ``rc_context``."""
    mpl.rcdefaults()
    mpl.rcParams.update(SETTINGS)
    return _Sheet(content).draw()


class _Sheet:
    """Lays the parts out from top to bottom, in inches."""

    def __init__(self, content: Content) -> None:
        self.content = content
        self.panels = chosen(content.traces, [fitted.role for fitted in content.rig.fitted])
        self.field = field_of(content.traces, content.scene, content.rig.body, content.whole)
        self.lines = [entry for entry in content.entries if entry.text]
        self.map_width, self.map_height = _fit(self.field)
        self.top_height = max(self.map_height, MAP_LOWEST_IN)
        self.list_left = MAP_LEFT_IN + self.map_width + 0.4
        self.rows = int((self.top_height + LEGEND_IN - 0.3) / LINE_IN)
        self.columns = int((SHEET_IN - self.list_left) / (COLUMN_IN + COLUMN_GAP_IN))
        beside = self.rows * self.columns
        self.below_columns = int((SHEET_IN - MAP_LEFT_IN) / (COLUMN_IN + COLUMN_GAP_IN))
        self.below = math.ceil(max(0, len(self.lines) - beside) / self.below_columns)
        self.below_height = self.below * LINE_IN + (0.25 if self.below else 0.0)
        panels_height = NUMBERS_IN + len(self.panels) * (PANEL_IN + PANEL_GAP_IN)
        self.height = TITLE_IN + self.top_height + LEGEND_IN + self.below_height + panels_height + FOOT_IN
        self.figure = Figure(figsize=(SHEET_IN, self.height), dpi=DOTS_PER_INCH, facecolor="white")

    def draw(self) -> Figure:
        """Draw everything."""
        marks = [entry.mark for entry in self.content.entries]
        self.title()
        self.map(marks)
        self.legend()
        self.events()
        self.traces(marks)
        return self.figure

    def axes(self, left: float, top: float, width: float, height: float, **more: Any) -> Any:
        """Return axes whose upper left corner lies so many inches from that of the sheet."""
        x, y = left / SHEET_IN, 1.0 - (top + height) / self.height
        return self.figure.add_axes((x, y, width / SHEET_IN, height / self.height), **more)

    def text(self, left: float, top: float, text: str, size: float, **more: Any) -> None:
        """Write one line, its top so many inches from that of the sheet."""
        at = left / SHEET_IN, 1.0 - top / self.height
        self.figure.text(*at, text, fontsize=size, va="top", **more)

    def title(self) -> None:
        """Write what ran on what, and how it ended."""
        recording = self.content.recording
        header = recording.header
        first = f"{header.mission} · {header.rig_name} · {header.backend}"
        outcome = f"{recording.outcome or CUT_OFF} after {duration_s(recording):.2f} s"
        counts = f"decisions: {len(recording.decisions)}, faults: {len(recording.faults)}"
        if not self.content.whole:
            seconds = self.content.traces.time_s
            counts += f" · shown: {seconds[0]:.2f} to {seconds[-1]:.2f} s"
        self.text(MAP_LEFT_IN, 0.2, cut(printable(first), 110), LARGE, fontweight="bold")
        self.text(MAP_LEFT_IN, 0.5, cut(printable(f"{outcome} · {counts}"), 150), NORMAL + 1.5)
        name = f"{recording.path.name} · started {header.started} · {header.code_version}"
        self.text(MAP_LEFT_IN, 0.72, cut(printable(name), 180), SMALL, color="0.4")

    def map(self, marks: list[Mark]) -> None:
        """Draw the map, or say why there is none."""
        if self.field is None:
            self.text(MAP_LEFT_IN, TITLE_IN + 0.5, "No map: neither a pose nor encoders were recorded.", NORMAL + 1.5)
            return
        content = self.content
        ax = self.axes(MAP_LEFT_IN, TITLE_IN, self.map_width, self.map_height)
        draw_map(ax, self.field, content.scene, content.traces, content.rig.body, marks)

    def legend(self) -> None:
        """Explain the map below it."""
        source = self.content.traces.pose_source
        path = "path driven (true pose)" if source == TRUE else f"path driven ({source}: drifts)"
        handles = [
            Line2D([], [], color=BLUE, linewidth=1.6, label=path),
            Line2D([], [], color=BLUE, marker="|", linestyle="none", markersize=7, label="each second"),
            Line2D([], [], color=GREEN, linewidth=1.8, label="robot at start"),
            Line2D([], [], color=VERMILLION, linewidth=1.8, label="robot at end"),
            Line2D([], [], color=PURPLE, marker="o", linestyle="none", markersize=5.5, label="decision"),
            Line2D([], [], color=VERMILLION, marker="x", linestyle="none", markeredgewidth=2, label="fault"),
        ]
        if self.field is None:
            return
        top = TITLE_IN + self.map_height + 0.5
        at = MAP_LEFT_IN / SHEET_IN, 1.0 - top / self.height
        self.figure.legend(
            handles=handles, loc="upper left", bbox_to_anchor=at, ncol=len(handles), frameon=False, fontsize=NORMAL,
            borderaxespad=0.0, borderpad=0.0, handletextpad=0.4, columnspacing=1.4, handlelength=1.4,
        )  # fmt: skip
        if self.content.scene is None:
            beside = "Course unknown" + (": the path starts at (0, 0)." if source == ENCODERS else ".")
            self.text(MAP_LEFT_IN, top + 0.2, beside, SMALL, color="0.4")

    def events(self) -> None:
        """Write the list beside the map, and what has no room there below it."""
        self.text(self.list_left, TITLE_IN, self.events_head(), NORMAL, fontweight="bold")
        split = self.rows * self.columns
        self.block(self.list_left, TITLE_IN + 0.25, self.lines[:split], self.rows)
        self.block(MAP_LEFT_IN, TITLE_IN + self.top_height + LEGEND_IN, self.lines[split:], self.below)

    def events_head(self) -> str:
        """Return the list's heading, with what it leaves out."""
        hidden = len(self.content.entries) - len(self.lines)
        if hidden:
            return f"Decisions and faults ({hidden} left out; `robotcore describe` has all)"
        return "Decisions and faults" if self.lines else "No decisions, no faults"

    def block(self, left: float, top: float, part: list[Entry], rows: int) -> None:
        """Write lines one below the other, in columns of so many rows."""
        for i, entry in enumerate(part):
            colour = VERMILLION if entry.mark.fault else "black"
            column, row = divmod(i, rows)
            x, y = left + column * (COLUMN_IN + COLUMN_GAP_IN), top + row * LINE_IN
            self.text(x, y, entry.text, SMALL, family="DejaVu Sans Mono", color=colour)

    def traces(self, marks: list[Mark]) -> None:
        """Draw the strips over one axis of time."""
        traces, width = self.content.traces, SHEET_IN - PANEL_LEFT_IN - PANEL_RIGHT_IN
        top = TITLE_IN + self.top_height + LEGEND_IN + self.below_height
        first, last = float(traces.time_s[0]), float(traces.time_s[-1]) + traces.period_s
        numbers = self.axes(PANEL_LEFT_IN, top, width, NUMBERS_IN - 0.04, xlim=(first, last))
        draw_numbers(numbers, traces, marks, width * 72.0)
        top += NUMBERS_IN
        for panel in self.panels:
            ax = self.axes(PANEL_LEFT_IN, top, width, PANEL_IN, xlim=(first, last))
            draw_panel(ax, panel, traces, marks)
            top += PANEL_IN + PANEL_GAP_IN
            ax.tick_params(labelbottom=panel is self.panels[-1])
        absent = [panel.roles[0] for panel in PANELS if self.content.rig.role(panel.roles[0]) is None]
        without = f"   (not on this rig: {', '.join(absent)})" if absent else ""
        self.text(PANEL_LEFT_IN, top + 0.25, f"robot time / s{without}", NORMAL)
        self.foot(top + 0.25)

    def foot(self, top: float) -> None:
        """Explain the shades."""
        handles = [
            Patch(facecolor=BAD, label="not valid: missing, stale or saturated"),
            Patch(facecolor=BEYOND, label="not valid: out of range, no echo"),
            Line2D([], [], color=PURPLE, linewidth=0.8, label="decision"),
        ]
        self.figure.legend(
            handles=handles, loc="upper right", ncol=3, frameon=False, fontsize=SMALL, borderaxespad=0.0, borderpad=0.0,
            bbox_to_anchor=(1.0 - PANEL_RIGHT_IN / SHEET_IN, 1.0 - top / self.height),
        )  # fmt: skip


def _fit(field: Field | None) -> tuple[float, float]:
    """Return width and height in inches in which the field fits with one scale for both axes."""
    if field is None:
        return MAP_WIDTH_IN, MAP_LOWEST_IN
    across, up = field.right - field.left, field.top - field.bottom
    scale = min(MAP_WIDTH_IN / across, MAP_HIGHEST_IN / up)
    return across * scale, up * scale
