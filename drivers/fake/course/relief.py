"""The height of the floor: bumps and plates, with a grid that answers "flat here" at once.

Rules: pure Python floats; where pieces overlap the highest counts.
"""

import math
from collections.abc import Sequence

from drivers.fake.course.geometry import bounds, segment_distance
from drivers.fake.course.shapes import Bump, Plate

_CELL_M = 0.05


class Relief:
    """Bumps and plates of a course.

    Args:
        bumps: the bumps.
        plates: the plates of all ramps.
        width_m: the board's size to the right.
        height_m: the board's size upward.
    """

    __slots__ = ("_cells", "_columns", "_rows", "bumps", "flat", "plates")

    def __init__(
        self, bumps: Sequence[Bump], plates: Sequence[Plate], width_m: float, height_m: float
    ) -> None:
        self.bumps = tuple(bumps)
        self.plates = tuple(plates)
        self.flat = not (bumps or plates)
        self._columns = math.ceil(width_m / _CELL_M) + 1
        self._rows = math.ceil(height_m / _CELL_M) + 1
        cells: list[list[Bump | Plate]] = [[] for _ in range(self._columns * self._rows)]
        for bump in self.bumps:
            self._enter(cells, bump, bounds(((bump.ax, bump.ay), (bump.bx, bump.by))), bump.width_m / 2)
        for plate in self.plates:
            self._enter(cells, plate, bounds(plate.corners()), 0.0)
        self._cells = [tuple(cell) for cell in cells]

    def height(self, x: float, y: float) -> float:
        """Return the height (m) of the floor at (x, y) above the board; 0 beside the board."""
        if self.flat:
            return 0.0
        column, row = math.floor(x / _CELL_M), math.floor(y / _CELL_M)
        if not (0 <= column < self._columns and 0 <= row < self._rows):
            return 0.0
        pieces = self._cells[row * self._columns + column]
        if not pieces:
            return 0.0
        return max(piece_height(piece, x, y) for piece in pieces)

    def _enter(
        self, cells: list[list[Bump | Plate]], piece: Bump | Plate,
        box: tuple[float, float, float, float], margin: float,
    ) -> None:
        left, bottom = math.floor((box[0] - margin) / _CELL_M), math.floor((box[1] - margin) / _CELL_M)
        right, top = math.floor((box[2] + margin) / _CELL_M), math.floor((box[3] + margin) / _CELL_M)
        for row in range(max(0, bottom), min(self._rows - 1, top) + 1):
            for column in range(max(0, left), min(self._columns - 1, right) + 1):
                cells[row * self._columns + column].append(piece)


def piece_height(piece: Bump | Plate, x: float, y: float) -> float:
    """Return the height (m) of one bump or plate at (x, y), 0 where it does not reach."""
    if isinstance(piece, Bump):
        away = segment_distance(x, y, (piece.ax, piece.ay), (piece.bx, piece.by))
        if away >= piece.width_m / 2:
            return 0.0
        return piece.height_m * math.cos(math.pi * away / piece.width_m) ** 2
    dx, dy = x - piece.x, y - piece.y
    c, s = math.cos(piece.heading), math.sin(piece.heading)
    along, left = dx * c + dy * s, dy * c - dx * s
    if not (0.0 <= along <= piece.length_m and abs(left) <= piece.width_m / 2):
        return 0.0
    return piece.near_m + (piece.far_m - piece.near_m) * along / piece.length_m
