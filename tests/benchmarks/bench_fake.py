"""What a tick of the fake robot costs, act and sense, as ratios against a bare arithmetic floor and against real time.

Floor: the same world with everything left out but its sums, written straight down in one function: two first-order
motors, one exact arc, three bilinear looks at a flat list, three normal draws each. No choice, no course, no battery,
no ages, no control loops. The fake is given the very commands of a whole mission, driven before the clock starts, so
ramps, bumps and walls come up as they do in a run and nothing of the behaviours is in the time. Fastest turn counts.

Run: python -m tests.benchmarks.bench_fake
"""

import math
import random
import time

from robotcore.backend import parse_address
from tests.driving import build, drive, rig_of

PERIOD_S = 0.010
TICKS = 1500
ROUNDS = 5
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
    start = time.process_time()
    for _ in range(TICKS):
        tick()
    return (time.process_time() - start) / TICKS


def time_fake(url: str, commands) -> float:
    """Return seconds a tick of act and sense together."""
    robot = build(parse_address(url), rig_of("harbour"))
    sense, act = robot.sense, robot.act
    start = time.process_time()
    for tick, command in enumerate(commands):
        sense(tick)
        act(command)
    return (time.process_time() - start) / len(commands)


def main() -> None:
    urls = [f"fake:{course}?seed=3" for course in COURSES]
    commands = {url: drive(url, trace=True).commands for url in urls}
    floor, best = math.inf, dict.fromkeys(urls, math.inf)
    for _ in range(ROUNDS):
        for url in urls:
            floor, best[url] = min(floor, time_floor()), min(best[url], time_fake(url, commands[url]))
    print(f"floor: {floor * 1e6:.2f} us a tick (bare sums)")
    print("course                  us a tick   times the floor   times real time at 100 Hz")
    for url, spent in best.items():
        print(f"{url:24} {spent * 1e6:8.2f} {spent / floor:17.2f} {PERIOD_S / spent:27.0f}")


if __name__ == "__main__":
    main()
