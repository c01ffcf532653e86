"""Random courses."""

from drivers.fake.course.course import Course
from drivers.fake.course.format import parse_course


def random_course(seed: int, difficulty: float = 0.5) -> Course:
    """Return a random course."""
    return parse_course("", "random")
