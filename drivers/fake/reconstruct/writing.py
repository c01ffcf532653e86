"""The course's text: what was found, in the format of FORMAT.md, moved so that all lies on a board."""

import math
from typing import NamedTuple

import numpy as np

from drivers.fake.reconstruct.drawing import Pen
from drivers.fake.reconstruct.features import Thing
from drivers.fake.reconstruct.paint import Spot
from drivers.fake.reconstruct.tracking import Array

MARGIN_M = 0.30
LARGEST_M = 5.0
STUB_M = 0.10

Box = tuple[float, float, float, float]


class Stub(NamedTuple):
    """A branch of which only the beginning was seen: where it begins and where to."""

    x: float
    y: float
    heading: float


class Found(NamedTuple):
    """Everything that makes a course, in the frame of the first tick."""

    start: Spot
    width_m: float
    pens: list[Pen]
    stubs: list[Stub]
    markers: list[Spot]
    strip: Spot
    things: list[Thing]


def board(found: Found, way: Array) -> Box:
    """Return (x, y) of the board's lower left corner and its size, so that lines and the way driven lie on it."""
    points = np.concatenate([way, *(np.array(pen.points) for pen in found.pens)])
    low, high = points.min(axis=0) - MARGIN_M, points.max(axis=0) + MARGIN_M
    width, height = (math.ceil(float(v) * 100.0) / 100.0 for v in high - low)
    return float(low[0]), float(low[1]), width, height


def text_of(found: Found, box: Box, name: str, notes: list[str]) -> str:
    """Return the course as TOML; `notes` stand in it as comments."""
    x, y, width, height = box
    parts = [
        "".join(f"# {note}\n" for note in notes)
        + f'[course]\nname = "{name}"\nsize_mm = [{1000 * width:.0f}, {1000 * height:.0f}]\n'
        f"line_width_mm = {1000 * found.width_m:.1f}\n",
        f"[start]\n{_place(found.start, x, y)}",
    ]
    parts += [_line(pen, x, y) for pen in found.pens]
    parts += [
        f"[[line]]\nfrom_mm = [{1000 * (s.x - x):.1f}, {1000 * (s.y - y):.1f}]\nheading_deg = {_degrees(s.heading)}\n"
        f"moves = [ {{ straight_mm = {1000 * STUB_M:.0f} }} ]\n"
        for s in found.stubs
    ]
    parts += [f"[[marker]]\n{_place(spot, x, y)}" for spot in found.markers]
    parts.append(f'[[strip]]\nkind = "red"\n{_place(found.strip, x, y)}')
    parts += [f"[[{thing.kind}]]\n{_place(thing.spot, x, y)}{thing.words}\n" for thing in found.things]
    return "\n".join(parts)


def _place(spot: Spot, x: float, y: float) -> str:
    at = f"[{1000 * (spot.x - x):.1f}, {1000 * (spot.y - y):.1f}]"
    return f"at_mm = {at}\nheading_deg = {_degrees(spot.heading)}\n"


def _degrees(heading: float) -> str:
    return f"{math.degrees(math.remainder(heading, math.tau)):.2f}"


def _line(pen: Pen, x: float, y: float) -> str:
    at_x, at_y, heading = pen.start
    moves = "".join(f"  {{ {move} }},\n" for move in pen.moves)
    head = f"from_mm = [{1000 * (at_x - x):.1f}, {1000 * (at_y - y):.1f}]\nheading_deg = {_degrees(heading)}"
    return f"[[line]]\n{head}\nmoves = [\n{moves}]\n"
