"""How much of each pixel a painted shape covers.

Rules: numpy, for the laptop only; exact for edges along the pixels, within a hundredth of a pixel's edge for others.
"""

import math
from collections.abc import Iterable
from typing import Any, TypeAlias

import numpy as np
from numpy.typing import NDArray

from drivers.fake.course.outline import Band, Polygon, Shape

Array: TypeAlias = NDArray[Any]
"""Floats, one a pixel."""


def cover(shape: Shape, x: Array, y: Array, pixel: float) -> Array:
    """Return the share of the pixels centred on x and y that `shape` covers."""
    return _cover_band(shape, x, y, pixel) if isinstance(shape, Band) else _cover_polygon(shape, x, y, pixel)


def _cover_polygon(polygon: Polygon, x: Array, y: Array, pixel: float) -> Array:
    covered: Any = 1.0
    for i in range(len(polygon.corners)):
        (ax, ay), (bx, by) = polygon.corners[i - 1], polygon.corners[i]
        length = math.hypot(bx - ax, by - ay)
        nx, ny = (ay - by) / length / pixel, (bx - ax) / length / pixel
        covered = covered * np.clip(0.5 + (x - ax) * nx + (y - ay) * ny, 0.0, 1.0)
    return covered  # type: ignore[no-any-return]


def _cover_band(band: Band, x: Array, y: Array, pixel: float) -> Array:
    arc = band.arc
    dx, dy = x - arc.cx, y - arc.cy
    away = np.abs(np.hypot(dx, dy) - arc.radius)
    covered: Any = np.clip(0.5 + (band.width / 2 - away) / pixel, 0.0, 1.0)
    side = math.copysign(1.0 / pixel, arc.sweep)
    for angle, sign in ((arc.start, side), (arc.start + arc.sweep, -side)):
        past = (dy * math.cos(angle) - dx * math.sin(angle)) * sign
        covered = covered * np.clip(0.5 + past, 0.0, 1.0)
    return covered  # type: ignore[no-any-return]


def cover_all(shapes: Iterable[Shape], x: Array, y: Array, pixel: float) -> Array:
    """Return the share of each pixel that shapes of one layer cover together.

    Shapes that meet must overlap by a pixel: of two that only touch, the greater share would count.
    """
    total: Any = 0.0
    for shape in shapes:
        total = np.maximum(total, cover(shape, x, y, pixel))
    return total  # type: ignore[no-any-return]
