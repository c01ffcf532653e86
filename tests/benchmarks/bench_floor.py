"""What one look at the floor costs, as ratios against a floor measured in the same run.

Floor: a bare Python function of two numbers that returns one stored colour. Measured: looks on white, on a line's edge,
beside the board, the height of flat floor and of a ramp, and building the floor of a course.

Run: python -m tests.benchmarks.bench_floor
"""

import time
from collections.abc import Callable

from drivers.fake.course.catalogue import load_course
from drivers.fake.course.floor import Floor
from drivers.fake.course.shapes import WHITE

CALLS = 20_000
ROUNDS = 9


def bare(x, y):
    return WHITE


def cost(function: Callable[[float, float], object], x: float, y: float) -> float:
    """Return the seconds of one call: the fastest of several rounds."""
    best = 1e9
    for _ in range(ROUNDS):
        begun = time.perf_counter()
        for _ in range(CALLS):
            function(x, y)
        best = min(best, time.perf_counter() - begun)
    return best / CALLS


def main():
    course = load_course("slipway")
    begun = time.perf_counter()
    look = Floor.of(course).look
    built = time.perf_counter() - begun
    height, floor = course.relief.height, cost(bare, 0.5, 0.5)
    cases = {
        "a bare call (the floor)": floor,
        "look on white": cost(look, 1.2, 0.7),
        "look on an edge": cost(look, 0.35, 0.3083),
        "look beside the board": cost(look, -1.0, 0.3),
        "height of flat floor": cost(height, 0.35, 0.3),
        "height on a ramp": cost(height, 0.6, 0.31),
    }
    for name, seconds in cases.items():
        print(f"{name:26} {seconds * 1e6:6.3f} us {seconds / floor:7.1f} times the floor")
    print(f"building a floor of {course.width_m} x {course.height_m} m: {built:.2f} s")


if __name__ == "__main__":
    main()
