"""What a tick of the fake robot costs, as ratios against a bare arithmetic floor and against real time.

Floor: the same world with everything left out but its sums, written straight down in one function: two first-order
motors, one exact arc, three bilinear looks at a flat list, three normal draws each. No choice, no course, no batteries,
no ages. A driver at the proportional helm keeps the fake on its course as far as that leads (it knows no markers), so
that ramps, bumps and walls come up as they do in a run. The fastest of several turns counts; floor and fake take turns.

Run: python -m tests.benchmarks.bench_fake
"""

import math
import random
import time

from drivers.devices import find_built_in
from drivers.fake.backend import build
from robotcore.backend import parse_address
from robotcore.cli.plugins import rig_path
from robotcore.command import Command
from robotcore.rig import load_rig

PERIOD_S = 0.010
TICKS = 1500
ROUNDS = 7
COURSES = ("quay", "slipway", "breakwater", "shoals", "storm")


def floor_tick():
    """Return the floor: a function of one tick."""
    rng = random.Random(1)
    raster = [rng.random() for _ in range(400 * 400)]
    noise = [rng.gauss(0.0, 1.0) for _ in range(4093)]
    decay, reach = math.exp(-PERIOD_S / 0.08), 0.08 * (1.0 - math.exp(-PERIOD_S / 0.08))
    left = right = x = y = heading = 0.0
    at = 0

    def tick() -> tuple[int, ...]:
        nonlocal left, right, x, y, heading, at
        a, b = left - 0.15, right - 0.16
        dl, dr = 0.15 * PERIOD_S + a * reach, 0.16 * PERIOD_S + b * reach
        left, right = 0.15 + a * decay, 0.16 + b * decay
        half, along = 0.5 * (dr - dl) / 0.14, 0.5 * (dl + dr)
        chord = along * math.sin(half) / half
        x += chord * math.cos(heading + half)
        y += chord * math.sin(heading + half)
        heading += 2.0 * half
        counts = []
        for off in (-0.012, 0.0, 0.012):
            fx, fy = (100.0 * (x + off)) % 398.0, (100.0 * (y + off)) % 398.0
            i, j = int(fx), int(fy)
            k, u, v = i + 400 * j, fx - i, fy - j
            value = (raster[k] * (1 - u) + raster[k + 1] * u) * (1 - v)
            value += (raster[k + 400] * (1 - u) + raster[k + 401] * u) * v
            for gain in (0.8, 1.0, 0.7):
                at = (at + 1) % 4093
                counts.append(int(480.0 * gain * value + noise[at]))
        return tuple(counts)

    return tick


def time_floor() -> float:
    tick = floor_tick()
    start = time.perf_counter()
    for _ in range(TICKS):
        tick()
    return (time.perf_counter() - start) / TICKS


def time_fake(course: str, rig, seed: int = 3) -> tuple[float, float]:
    """Return seconds a tick of act and sense together, and of the helm alone, which does not count."""
    robot = build(parse_address(f"fake:{course}?seed={seed}"), rig)
    left, right = rig.layout.slots["floor_left"].stop - 2, rig.layout.slots["floor_right"].stop - 2
    sense, act = robot.sense, robot.act
    last, spent = 0.0, 0.0
    clock = time.perf_counter
    for tick in range(TICKS):
        start = clock()
        row = sense(tick)
        spent += clock() - start
        error = (row[right] - row[left]) / 450.0
        turn = 0.084 * error + 0.21 * (error - last)
        last = error
        command = Command(0.15 - turn, 0.15 + turn, 0.0, 0.0)
        start = clock()
        act(command)
        spent += clock() - start
    return spent / TICKS, robot.judge.verdict().progress_m


def clock_cost() -> float:
    clock = time.perf_counter
    start = clock()
    for _ in range(TICKS):
        clock() - clock()
        clock() - clock()
    return (clock() - start) / TICKS / 2


def main() -> None:
    rig = load_rig(rig_path("harbour"), find_built_in)
    best_floor, best, clock = math.inf, dict.fromkeys(COURSES, math.inf), math.inf
    gone = {}
    for _ in range(ROUNDS):
        best_floor, clock = min(best_floor, time_floor()), min(clock, clock_cost())
        for course in COURSES:
            spent, gone[course] = time_fake(course, rig)
            best[course] = min(best[course], spent)
    print(f"floor: {best_floor * 1e6:.2f} us a tick (bare sums); the clock's own {clock * 1e6:.2f} us are taken off")
    print("course       us a tick   times the floor   times real time at 100 Hz   metres driven")
    for course, spent in best.items():
        spent -= clock
        ratio, speed = spent / best_floor, PERIOD_S / spent
        print(f"{course:12} {spent * 1e6:9.2f} {ratio:17.2f} {speed:27.0f} {gone[course]:15.2f}")


if __name__ == "__main__":
    main()
