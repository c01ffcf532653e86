"""What a floor sensor sees: the board as a raster, averaged once over the sensor's round footprint.

Rules: numpy paints and blurs when the floor is built; a look is pure Python on a flat list of interned colours, so that
four equal neighbours are one object and answer at once. Only blocks that hold paint are computed. The cache holds a few
floors a process, each about 8 bytes a square millimetre.
"""

import math
from collections.abc import Callable
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from drivers.fake.course.course import Course
from drivers.fake.course.geometry import rectangle
from drivers.fake.course.outline import LAP_M, Box, Polygon, Shape, layers
from drivers.fake.course.paint import Array, cover_all
from drivers.fake.course.shapes import Colour

if TYPE_CHECKING:
    from numpy.typing import NDArray

_PIXEL_M = LAP_M  # pieces of line that meet overlap by just one pixel
_BLOCK = 128  # pixels a side of one blurred block, its margin included
_FINE = 32  # parts a side into which a pixel is cut to find how much of it the disc covers
_LEVELS = 8000  # steps of reflectance from 0 to 1


class Floor:
    """A course's floor as a sensor with a round footprint sees it; make it with `Floor.of`.

    Attributes:
        look: look(x, y) -> (red, green, blue), the reflectance averaged over the footprint at (x, y) metres; beside
            the board it is the table's.
        footprint_m: radius of the footprint.
    """

    __slots__ = ("footprint_m", "look")

    def __init__(self, look: Callable[[float, float], Colour], footprint_m: float) -> None:
        self.look = look
        self.footprint_m = footprint_m

    @staticmethod
    def of(course: Course, footprint_m: float = 0.004) -> "Floor":
        """Return the floor of `course` for a footprint of radius `footprint_m`, built once a process.

        A footprint under 1 mm is taken as a point, blurred by a pixel of 1 mm. For a radius of 4 mm within 1 % of
        full scale of the exact average along edges (1.3 % at corners), nearer for larger ones.

        Raises:
            ValueError: the footprint is not within 0 to 40 mm.
        """
        if not 0.0 <= footprint_m <= 0.04:
            raise ValueError(f"footprint_m is {footprint_m}; give a radius from 0 to 0.04 m")
        return _build(course, footprint_m)


@lru_cache(maxsize=6)
def _build(course: Course, footprint_m: float) -> Floor:
    margin = math.ceil(footprint_m / _PIXEL_M) + 2
    columns = math.ceil(course.width_m / _PIXEL_M - 1e-9) + 2 * margin
    rows = math.ceil(course.height_m / _PIXEL_M - 1e-9) + 2 * margin
    raster, grey = _raster(_Painter(course, footprint_m, margin), columns, rows)
    return Floor(_looker(raster, grey, columns, rows, margin, _rounded(course.colours.table)), footprint_m)


def _rounded(colour: Colour) -> Colour:
    red, green, blue = (round(value * _LEVELS) / _LEVELS for value in colour)
    return red, green, blue


def _looker(
    raster: list[Colour], grey: bytes, columns: int, rows: int, margin: int, table: Colour
) -> Callable[[float, float], Colour]:
    scale, shift = 1.0 / _PIXEL_M, margin - 0.5
    right, top, floor = columns - 1.0, rows - 1.0, math.floor

    def look(x: float, y: float) -> Colour:
        """Return the (red, green, blue) reflectance averaged over the footprint at (x, y)."""
        fx, fy = x * scale + shift, y * scale + shift
        if not (0.0 <= fx < right and 0.0 <= fy < top):
            return table
        column, row = floor(fx), floor(fy)
        k = row * columns + column
        n = k + columns
        a, b, c, d = raster[k], raster[k + 1], raster[n], raster[n + 1]
        if a is b and b is c and c is d:
            return a
        fx -= column
        fy -= row
        wd = fx * fy
        wb, wc = fx - wd, fy - wd
        wa = 1.0 - fx - wc
        if grey[k]:
            level = wa * a[0] + wb * b[0] + wc * c[0] + wd * d[0]
            return level, level, level
        ar, ag, ab = a
        br, bg, bb = b
        cr, cg, cb = c
        dr, dg, db = d
        return (
            wa * ar + wb * br + wc * cr + wd * dr,
            wa * ag + wb * bg + wc * cg + wd * dg,
            wa * ab + wb * bb + wc * cb + wd * db,
        )

    return look


class _Painter:
    """Paints and blurs square blocks of the board, one at a time."""

    def __init__(self, course: Course, footprint_m: float, margin: int) -> None:
        board = Polygon(rectangle(course.width_m / 2, course.height_m / 2, 0.0, course.width_m, course.height_m))
        painted = [(layer.colour, layer.shapes) for layer in layers(course)]
        self.layers = [
            (colour, [(shape, shape.box()) for shape in shapes])
            for colour, shapes in [*painted, (course.colours.floor, (board,))]
        ]
        colours = np.array([course.colours.table, *(colour for colour, _ in self.layers)])
        self.least, self.most = colours.min(axis=0), colours.max(axis=0)
        self.course = course
        self.margin = margin
        self.blur = _kernel(footprint_m / _PIXEL_M)

    def block(self, row: int, column: int) -> "NDArray[np.int64] | None":
        """Return levels (pixels, pixels, 3) of the block whose inner corner is there; None for bare floor."""
        x0, y0 = (column - 2 * self.margin) * _PIXEL_M, (row - 2 * self.margin) * _PIXEL_M
        box = (x0, y0, x0 + _BLOCK * _PIXEL_M, y0 + _BLOCK * _PIXEL_M)
        here = [(colour, [shape for shape, its in row if _overlap(box, its)]) for colour, row in self.layers]
        inside = x0 >= 0.0 and y0 >= 0.0 and box[2] <= self.course.width_m and box[3] <= self.course.height_m
        if inside and not any(shapes for _, shapes in here[:-1]):
            return None
        spectrum = np.fft.rfft2(self._paint(here, x0, y0), axes=(0, 1)) * self.blur[:, :, None]
        blurred = np.fft.irfft2(spectrum, s=(_BLOCK, _BLOCK), axes=(0, 1))
        keep = slice(self.margin, _BLOCK - self.margin)
        image: Array = np.clip(blurred, self.least, self.most)  # sharpening overshoots; an average cannot
        levels: NDArray[np.int64] = np.rint(image[keep, keep] * _LEVELS).astype(np.int64)
        return levels

    def _paint(self, here: list[tuple[Colour, list[Shape]]], x0: float, y0: float) -> Array:
        steps = (np.arange(_BLOCK) + 0.5) * _PIXEL_M
        x: Array = (x0 + steps)[None, :]
        y: Array = (y0 + steps)[:, None]
        image: Array = np.zeros((_BLOCK, _BLOCK, 3))
        left: Array = np.ones((_BLOCK, _BLOCK))  # the share of each pixel that nothing covers yet
        for colour, shapes in here:
            if shapes:
                taken: Array = np.minimum(cover_all(shapes, x, y, _PIXEL_M), left)
                image += taken[:, :, None] * np.array(colour)
                left = left - taken
        image += left[:, :, None] * np.array(self.course.colours.table)
        return image


def _overlap(one: Box, two: Box) -> bool:
    return one[0] < two[2] and two[0] < one[2] and one[1] < two[3] and two[1] < one[3]


def _kernel(radius: float) -> "NDArray[np.complex128]":
    """Return the spectrum of a disc of `radius` pixels, sharpened against what the raster itself blurs.

    A blur of variance v per axis is undone, to second order, by 1 - v/2 times the Laplacian. Painted pixels, the disc's
    pixels and the linear look-up (on average) have 1/12, 1/12 and 1/6.
    """
    steps = np.minimum(np.arange(_BLOCK), _BLOCK - np.arange(_BLOCK)).astype(float)
    if radius < 1.0:
        return np.ones((_BLOCK, _BLOCK // 2 + 1), complex)
    fine = (np.arange(_FINE) + 0.5) / _FINE - 0.5
    squares = (steps[: _BLOCK // 2, None] + fine) ** 2
    disc = np.zeros((_BLOCK, _BLOCK))
    reach = math.ceil(radius + 0.5)
    for i in range(reach + 1):
        for j in range(reach + 1):
            share = np.mean(squares[i][:, None] + squares[j][None, :] <= radius**2)
            disc[[i, -i], [[j], [-j]]] = share
    turns = 2 * np.pi * np.arange(_BLOCK) / _BLOCK
    cx, cy = np.cos(turns)[None, : _BLOCK // 2 + 1], np.cos(turns)[:, None]
    laplacian = (4 * (cx + cy) + 2 * cx * cy - 10) / 3  # nine points
    spectrum: NDArray[np.complex128] = np.fft.rfft2(disc / disc.sum()) * (1.0 - laplacian / 6)
    return spectrum


def _raster(painter: _Painter, columns: int, rows: int) -> tuple[list[Colour], bytes]:
    """Return rows x columns colours, lowest row first, and for each whether it and the next three are all grey.

    Equal colours are one object; the next three are those to the right, above, and above right.
    """
    step = _BLOCK - 2 * painter.margin
    known: dict[int, Colour] = {}
    floor = _intern(known, np.rint(np.array([painter.course.colours.floor]) * _LEVELS).astype(np.int64))[0]
    raster = [floor] * (columns * rows)
    grey = np.full((rows, columns), floor[0] == floor[1] == floor[2])
    for row in range(0, rows, step):
        for column in range(0, columns, step):
            block = painter.block(row, column)
            if block is None:
                continue
            block = block[: rows - row, : columns - column]
            height, width = block.shape[:2]
            grey[row : row + height, column : column + width] = (block[:, :, :1] == block).all(axis=2)
            colours = _intern(known, block.reshape(-1, 3))
            for i in range(height):
                at = (row + i) * columns + column
                raster[at : at + width] = colours[i * width : (i + 1) * width]
    grey[:-1, :-1] &= grey[:-1, 1:] & grey[1:, :-1] & grey[1:, 1:]
    return raster, grey.tobytes()


def _intern(known: dict[int, Colour], levels: "NDArray[np.int64]") -> list[Colour]:
    """Return a colour for every row of `levels`, the same object for the same levels."""
    keys = (levels[:, 0] << 40) + (levels[:, 1] << 20) + levels[:, 2]
    single, where = np.unique(keys, return_inverse=True)
    colours = []
    for key in single.tolist():
        if key not in known:
            known[key] = ((key >> 40) / _LEVELS, ((key >> 20) & 0xFFFFF) / _LEVELS, (key & 0xFFFFF) / _LEVELS)
        colours.append(known[key])
    return list(map(colours.__getitem__, where.tolist()))
