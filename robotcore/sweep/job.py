"""What goes to a worker and what comes back: plain texts and numbers, so that any process on any machine can take them.

Rule: a job carries the texts of its files, not their paths; only a course given as a file is read where the run is.
"""

from collections.abc import Callable, Mapping
from typing import NamedTuple


class Job(NamedTuple):
    """One run to be done. `rig`, `calibration` and `settings` are TOML texts."""

    url: str
    mission: str
    rig: str
    calibration: str
    settings: str
    time_limit_s: float = 480.0


class Result(NamedTuple):
    """What came of one run.

    Attributes:
        success: the judge's word and no error; where a world has no judge, whether the mission came to its end.
        how: "finished", or what ended the run ("time limit", "stop button", "error" ...).
        reasons: why it is no success.
        time_s: robot time from the first tick to the end.
        finish_s: robot time at which the robot stood at the finish, where the judge says so.
        progress_m: how far along the course it came, of `length_m`; None where the judge does not say.
        touches: contacts with solids.
        rms_mm: lateral error over all ticks on the line; None where the judge does not say.
        sections: kind of section -> (rms in mm, ticks).
        decisions: how many.
        decided: a digest of every decision with its tick and fields, to tell same runs from others.
        faults: how many.
        error: what was raised, "" where nothing was.
        code: digest of the code that ran.

    """

    success: bool
    how: str
    reasons: tuple[str, ...]
    time_s: float
    finish_s: float | None
    progress_m: float | None
    length_m: float | None
    touches: int
    rms_mm: float | None
    sections: Mapping[str, tuple[float, int]]
    decisions: int
    decided: str
    faults: int
    error: str
    code: str


Work = Callable[[Job], Result]
"""Does one run. Importable by name, so that a spawned process finds it."""
