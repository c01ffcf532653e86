"""A recording as arrays over time, ready to be drawn.

Rules: readings are decoded by the recording's own rig and calibration, from its first tick on, so that what is shown
is what the behaviours saw. What is not valid is marked, and what is no measurement at all is NaN.
"""

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from robotcore.calibration import Calibration
from robotcore.colour import DARK
from robotcore.decode import Decoder
from robotcore.odometry import Pose, advance
from robotcore.readings import OK, OUT_OF_RANGE, ROLES, SATURATED, STALE, Sample
from robotcore.recording.content import Recording
from robotcore.rig import Rig

Array = NDArray[np.float64]

TRUE, ENCODERS, UNKNOWN = "true pose", "by the track encoders", "unknown"


class Traces(NamedTuple):
    """A run over time. `n` rows, one a recorded tick.

    `readings` is role -> field -> (n,); `commands` is (n, 4) in the order of `Command`; `poses` is (n, 3) x m, y m,
    heading rad, and `pose_source` says where they come from.
    """

    period_s: float
    time_s: Array
    readings: dict[str, dict[str, Array]]
    commands: Array
    poses: Array
    pose_source: str

    def between(self, from_s: float, to_s: float) -> "Traces":
        """Return the part from `from_s` to `to_s`, both included."""
        keep = (self.time_s >= from_s) & (self.time_s <= to_s)
        readings = {role: {f: v[keep] for f, v in fields.items()} for role, fields in self.readings.items()}
        return self._replace(
            time_s=self.time_s[keep], readings=readings, commands=self.commands[keep], poses=self.poses[keep]
        )

    def shown(self, role: str, field: str) -> Array:
        """Return a field, NaN where it is no measurement; stale and saturated values are measurements."""
        fields = self.readings[role]
        status = fields["status"]
        return np.where((status == OK) | (status == STALE) | (status == SATURATED), fields[field], np.nan)

    def share(self, role: str, channel: str) -> Array:
        """Return a channel over the sum of all three, NaN where it is too dark to tell (`robotcore.colour`)."""
        red, green, blue = (self.shown(role, name) for name in ("red", "green", "blue"))
        total = red + green + blue
        lit = np.where(total >= 3.0 * DARK, total, np.nan)
        return self.shown(role, channel) / lit

    def spans(self, role: str, *, beyond: bool) -> list[tuple[float, float]]:
        """Return the stretches (from s, length s) where a role is not valid.

        Args:
            role: the role.
            beyond: those that are out of range, or else those that are missing, stale or saturated.

        """
        status = self.readings[role]["status"]
        marked = (status == OUT_OF_RANGE) if beyond else (status != OK) & (status != OUT_OF_RANGE)
        edges = np.flatnonzero(np.diff(np.concatenate([[False], marked, [False]]).astype(int)))
        ends = [(self.time_s[a], self.time_s[b - 1] + self.period_s) for a, b in edges.reshape(-1, 2)]
        return [(float(a), float(b - a)) for a, b in ends]


def read_traces(recording: Recording, rig: Rig, calibration: Calibration, start: Pose | None) -> Traces:
    """Decode a recording.

    Args:
        recording: what was recorded.
        rig: the rig that it holds, its raw columns those of the recording.
        calibration: the calibration that it holds.
        start: where the robot was put down, for odometry; the origin where None.

    """
    decode = Decoder(rig, calibration)
    samples = [decode(tick, raw) for tick, raw, _ in recording.rows()]
    table = recording.columns()
    poses, source = _poses(table, samples, rig.body.track_width_m, start or Pose())
    names = ("left_m_s", "right_m_s", "gripper_rad", "sorter_rad")
    return Traces(
        recording.header.period_s,
        np.asarray(table["time_s"], dtype=np.float64),
        {role: _fields(role, samples) for role in ROLES},
        np.column_stack([table[f"command.{name}"] for name in names]),
        poses,
        source,
    )


def _fields(role: str, samples: list[Sample]) -> dict[str, Array]:
    names: tuple[str, ...] = Sample.__annotations__[role]._fields
    values = np.array([getattr(sample, role) for sample in samples], dtype=np.float64).reshape(-1, len(names))
    return {name: values[:, i] for i, name in enumerate(names)}


def _poses(table: dict[str, Any], samples: list[Sample], width_m: float, start: Pose) -> tuple[Array, str]:
    if "truth.x_m" in table:
        names = ("truth.x_m", "truth.y_m", "truth.heading_rad")
        return np.column_stack([table[name] for name in names]).astype(np.float64), TRUE
    if not any(sample.drive.valid for sample in samples):
        return np.full((len(samples), 3), np.nan), UNKNOWN
    return _odometry(samples, width_m, start), ENCODERS


def _odometry(samples: list[Sample], width_m: float, start: Pose) -> Array:
    """Return the pose at every sample; where the encoders say nothing the robot is shown where it was last."""
    pose, left, right, poses = start, 0.0, 0.0, []
    for sample in samples:
        drive = sample.drive
        if drive.valid:
            pose = advance(pose, drive.left_m - left, drive.right_m - right, width_m)
            left, right = drive.left_m, drive.right_m
        poses.append(pose)
    return np.array(poses, dtype=np.float64)


def thin(time_s: Array, values: Array, most: int) -> tuple[Array, Array]:
    """Return a line of about `most` points that looks the same: lowest and highest of each stretch, gaps kept.

    Args:
        time_s: (n,), rising.
        values: (n,), NaN for gaps.
        most: points to keep, 2 or more.

    """
    count = len(values)
    if count <= most:
        return time_s, values
    keep = [np.flatnonzero(np.diff(np.isnan(values).astype(int)))]  # both sides of every gap's edges
    for part in np.array_split(np.arange(count), most // 2):
        inside = values[part]
        if not np.all(np.isnan(inside)):
            keep.append(np.array([part[np.nanargmin(inside)], part[np.nanargmax(inside)]]))
    chosen = np.unique(np.concatenate([*keep, keep[0] + 1, np.array([0, count - 1])]))
    return time_s[chosen], values[chosen]
