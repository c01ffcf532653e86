"""What a backend may give so that its world can be drawn under a run. Rule: plain data, no plotting library."""

from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple, Protocol

from robotcore.odometry import Pose

Colour = tuple[float, float, float]


class Figure(Protocol):
    """One figure: "polygon" (points), "circle" (one point and a radius) or "line" (points and a width)."""

    @property
    def kind(self) -> str:
        """Say which of the three it is."""
        ...

    @property
    def layer(self) -> str:
        """Say what it belongs to; "start" is left out, since the run's own start is drawn."""
        ...

    @property
    def points(self) -> Sequence[tuple[float, float]]:
        """Return x and y in metres."""
        ...

    @property
    def colour(self) -> Colour:
        """Return red, green and blue as a screen wants them, 0 to 1."""
        ...

    @property
    def radius(self) -> float:
        """Return a circle's radius in metres."""
        ...

    @property
    def width_m(self) -> float:
        """Return a line's width in metres."""
        ...


class Scene(NamedTuple):
    """A world to be drawn: figures, those to be painted first in front, and where a robot is put down, if known."""

    figures: Sequence[Figure]
    start: Pose | None


SceneryFactory = Callable[[Mapping[str, str]], Scene | None]
"""Builds the scene from a recording's facts; None where they tell of no place. Raises `UserError` for bad facts."""
