"""What a tick of the fake robot costs in a zone, act and sense, as ratios against a line course and against real time.

The robot is led round the zone by its true pose, in rings that shrink, closing, lifting and sorting as it goes, so that
objects are pushed, gripped and lie about near; the line course is the same robot on `quay`, driven straight on and
turning. Both include the leading itself. CPU time, not the clock: other work on the machine counts little. Fastest
turn counts.

Run: python -m tests.benchmarks.bench_zone
"""

import math
import time

from drivers.fake.backend import FakeBackend, build
from robotcore.backend import parse_address
from robotcore.command import Command
from tests.zone_kit import Hand, harbour

TICKS, ROUNDS, PERIOD_S = 6000, 3, 0.010
COURSES = ("basin", "basin-cove", "basin-roads", "basin-sound", "relief")


def way(robot: FakeBackend) -> list[tuple[float, float]]:
    """Return places that lead into the zone and round it in rings."""
    assert robot.judge is not None
    zone = robot.judge.course.zone
    assert zone is not None
    gate = zone.gate("silver")
    points = [(gate.x + s * math.cos(gate.heading), gate.y + s * math.sin(gate.heading)) for s in (-0.2, 0.25)]
    for i in range(5):
        m = 0.14 + 0.09 * i
        points += [(zone.left + m, zone.bottom + m), (zone.right - m, zone.bottom + m)]
        points += [(zone.right - m, zone.top - m), (zone.left + m, zone.top - m)]
    return points


def lead(robot: FakeBackend, points: list[tuple[float, float]]) -> None:
    at = 0
    for tick in range(TICKS):
        robot.sense(tick)
        x, y, heading = robot.truth()
        tx, ty = points[at % len(points)]
        if math.hypot(tx - x, ty - y) < 0.04:
            at += 1
        off = math.remainder(math.atan2(ty - y, tx - x) - heading, math.tau)
        go, turn = 0.15 * max(0.0, math.cos(off)), 0.12 * max(-1.0, min(1.0, 2.0 * off))
        phase = tick % 800
        grip = 0.0 if phase < 400 or phase > 700 else 45.0 if phase < 550 else 125.0
        robot.act(Command(go - turn, go + turn, math.radians(grip), math.radians(35.0 if phase > 650 else 0.0)))


def timed(url: str) -> float:
    """Return seconds of CPU a tick."""
    best = math.inf
    for _ in range(ROUNDS):
        hand = Hand(build(parse_address(url), harbour()))
        robot, points = hand.robot, [(1.0, 0.3), (1.4, 0.5), (0.6, 0.5), (0.6, 0.3)]
        if robot.world.yard is not None:
            points = way(robot)
            hand.put(*points[0], math.degrees(math.atan2(points[1][1] - points[0][1], points[1][0] - points[0][0])))
        start = time.process_time()
        lead(robot, points)
        best = min(best, (time.process_time() - start) / TICKS)
    return best


def main() -> None:
    """Print the table."""
    floor = timed("fake:quay?seed=1")
    print(f"{'course':>12}  times a tick on the line  times real time at 100 Hz")
    print(f"{'quay':>12}  {1.0:>24.2f}  {PERIOD_S / floor:>25.0f}")
    for course in COURSES:
        found = timed(f"fake:{course}?seed=1")
        print(f"{course:>12}  {found / floor:>24.2f}  {PERIOD_S / found:>25.0f}")


if __name__ == "__main__":
    main()
