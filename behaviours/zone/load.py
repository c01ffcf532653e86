"""What is on board, and what was done: the mission's memory, small enough to stand in a decision.

Rule: only names and counts; it is said with every checkpoint and read back from a recording by `--resume`.
"""

from behaviours.zone.settings import ResumeSettings


def _names(text: str) -> list[str]:
    return [name for name in text.split(",") if name]


class Load:
    """The two holds, the first in first, and the count of what was dropped.

    Args:
        resume: what an earlier run had.

    Attributes:
        holds: names by side.
        dropped: objects dropped so far.
        stops: lacks of progress so far.
        checkpoint: the last one reached.
        learnt: what the floor read under both eyes before the zone and the line's width; None where that was not
            seen in this run.

    """

    def __init__(self, resume: ResumeSettings) -> None:
        self.holds = {"left": _names(resume.left), "right": _names(resume.right)}
        self.dropped = resume.dropped
        self.stops = resume.stops
        self.checkpoint = resume.checkpoint
        self.learnt: tuple[float, float, float] | None = None

    @property
    def whites(self) -> tuple[float, float]:
        """What white floor reads under the left and right eye; calibrated white where none was seen."""
        return self.learnt[:2] if self.learnt else (1.0, 1.0)

    @property
    def count(self) -> int:
        """How many objects are on board."""
        return len(self.holds["left"]) + len(self.holds["right"])

    def fields(self) -> dict[str, str | int]:
        """Return what a checkpoint says."""
        return {
            "left": ",".join(self.holds["left"]),
            "right": ",".join(self.holds["right"]),
            "dropped": self.dropped,
            "stops": self.stops,
        }
