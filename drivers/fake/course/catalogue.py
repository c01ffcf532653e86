"""Finding a course: shipped by name, a file by its path, or a random one by its seed."""

from importlib import resources
from pathlib import Path

from drivers.fake.course.course import Course
from drivers.fake.course.format import parse_course
from drivers.fake.course.generator import random_course
from drivers.fake.zone.generator import KINDS as ZONES
from drivers.fake.zone.generator import random_zone_course
from robotcore.checking import nearest, read_text
from robotcore.errors import UserError

RANDOM = ("random", *ZONES)
"""The courses that are drawn by chance."""


def shipped() -> list[str]:
    """Return the names of the courses that come with the package."""
    folder = resources.files("drivers.fake") / "courses"
    return sorted(entry.name[:-5] for entry in folder.iterdir() if entry.name.endswith(".toml"))


def load_course(name_or_path: str, seed: int = 0, difficulty: float = 0.5) -> Course:
    """Return a shipped course by name, a course file by its path (ending in .toml), or a random one.

    Args:
        name_or_path: "quay", "courses/mine.toml", "random", "random-zone" or "random-relief".
        seed: for random courses only.
        difficulty: for random courses only, from 0 to 1.

    Raises:
        UserError: no such course, or its file has faults (all of them are listed).
    """
    if name_or_path == "random":
        return random_course(seed, difficulty)
    if name_or_path in ZONES:
        return random_zone_course(name_or_path, seed, difficulty)
    if name_or_path.endswith(".toml"):
        return parse_course(read_text(Path(name_or_path)), name_or_path)
    if name_or_path not in shipped():
        raise UserError(
            f"course {name_or_path!r}: no such course; {nearest(name_or_path, [*shipped(), *RANDOM])} "
            "or give the path of a file ending in .toml"
        )
    file = resources.files("drivers.fake") / "courses" / f"{name_or_path}.toml"
    return parse_course(file.read_text(encoding="utf-8"), f"{name_or_path}.toml")
