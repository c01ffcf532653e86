"""The height of the floor: bumps and plates, with a grid that answers "flat here" at once.

Rules: pure Python floats; where pieces overlap the highest counts.
"""

import math
from collections.abc import Callable, Sequence

from drivers.fake.course.geometry import bounds, segment_distance
from drivers.fake.course.shapes import Bump, Plate

_CELL_M = 0.05

Height = Callable[[float, float], float]
"""(x, y) -> metres above the board."""


class Relief:
    """Bumps and plates of a course.

    Args:
        bumps: the bumps.
        plates: the plates of all ramps.
        width_m: the board's size to the right.
        height_m: the board's size upward.

    Attributes:
        height: height(x, y) gives the height (m) of the floor at (x, y) above the board; 0 beside the board.
        flat: there is no relief at all.

    """

    __slots__ = ("_columns", "_rows", "bumps", "flat", "height", "plates")

    def __init__(self, bumps: Sequence[Bump], plates: Sequence[Plate], width_m: float, height_m: float) -> None:
        self.bumps = tuple(bumps)
        self.plates = tuple(plates)
        self.flat = not (bumps or plates)
        self._columns = math.ceil(width_m / _CELL_M) + 1
        self._rows = math.ceil(height_m / _CELL_M) + 1
        cells: list[list[Height]] = [[] for _ in range(self._columns * self._rows)]
        for bump in self.bumps:
            self._enter(cells, _bump_height(bump), bounds(((bump.ax, bump.ay), (bump.bx, bump.by))), bump.width_m / 2)
        for plate in self.plates:
            self._enter(cells, _plate_height(plate), bounds(plate.corners()), 0.0)
        self.height = _level if self.flat else self._finder([tuple(cell) for cell in cells])

    def _finder(self, cells: list[tuple[Height, ...]]) -> Height:
        columns, rows, floor = self._columns, self._rows, math.floor

        def height(x: float, y: float) -> float:
            column, row = floor(x / _CELL_M), floor(y / _CELL_M)
            if not (0 <= column < columns and 0 <= row < rows):
                return 0.0
            highest = 0.0
            for piece in cells[row * columns + column]:
                here = piece(x, y)
                if here > highest:
                    highest = here
            return highest

        return height

    def _enter(
        self,
        cells: list[list[Height]],
        height: Height,
        box: tuple[float, float, float, float],
        margin: float,
    ) -> None:
        left, bottom = math.floor((box[0] - margin) / _CELL_M), math.floor((box[1] - margin) / _CELL_M)
        right, top = math.floor((box[2] + margin) / _CELL_M), math.floor((box[3] + margin) / _CELL_M)
        for row in range(max(0, bottom), min(self._rows - 1, top) + 1):
            for column in range(max(0, left), min(self._columns - 1, right) + 1):
                cells[row * self._columns + column].append(height)


def _level(x: float, y: float) -> float:
    return 0.0


def piece_height(piece: Bump | Plate) -> Callable[[float, float], float]:
    """Return height(x, y) in metres of one bump or plate alone, 0 where it does not reach."""
    return _bump_height(piece) if isinstance(piece, Bump) else _plate_height(piece)


def _bump_height(bump: Bump) -> Callable[[float, float], float]:
    a, b, reach = (bump.ax, bump.ay), (bump.bx, bump.by), bump.width_m / 2
    top, wave = bump.height_m, math.pi / bump.width_m

    def height(x: float, y: float) -> float:
        away = segment_distance(x, y, a, b)
        return top * math.cos(wave * away) ** 2 if away < reach else 0.0

    return height


def _plate_height(plate: Plate) -> Callable[[float, float], float]:
    px, py, c, s = plate.x, plate.y, math.cos(plate.heading), math.sin(plate.heading)
    length, half, near = plate.length_m, plate.width_m / 2, plate.near_m
    slope, end = (plate.far_m - near) / length, length + 1e-9

    def height(x: float, y: float) -> float:
        dx, dy = x - px, y - py
        along = dx * c + dy * s
        if -1e-9 <= along <= end and -half <= dy * c - dx * s <= half:
            return near + slope * along
        return 0.0

    return height
