"""How well the line is followed: rms of the eyes' lateral error on bends of 150 mm radius at 0.15 m/s.

Run: python -m tests.benchmarks.bench_tracking [seeds]. Truth from the fake robot's judge, nominal perturbations; goal:
at most 4 mm. The mission is the shipped one; only its speed is held at 0.15 m/s so that the figure means one speed.
"""

import sys
import tempfile
from pathlib import Path

from behaviours.settings import FollowSettings, LineSettings
from robotcore.settings import replaced
from tests.driving import drive

COURSE = """
[course]
name = "bends"
size_mm = [2400, 1500]
line_width_mm = {width}
[start]
at_mm = [300, 600]
heading_deg = 0
[[line]]
from_mm = [200, 600]
moves = [
  {{ straight_mm = 300 }}, {{ arc_deg = 180, radius_mm = 150 }}, {{ arc_deg = -180, radius_mm = 150 }},
  {{ straight_mm = 300 }}, {{ arc_deg = -90, radius_mm = 150 }}, {{ arc_deg = 180, radius_mm = 150 }},
  {{ arc_deg = -180, radius_mm = 150 }}, {{ straight_mm = 400 }}, {{ strip = "red" }}, {{ straight_mm = 20 }},
]
"""

SPEED_M_S = 0.15
GOAL_MM = 4.0


def settings() -> LineSettings:
    """Return the shipped settings at one speed, bends or not."""
    follow = FollowSettings(cruise_m_s=SPEED_M_S, slow_per_rad_s=0.0, slow_for_error=0.0)
    return replaced(LineSettings(), follow=follow)


def rms_mm(width_mm: int, seeds: range) -> tuple[float, float, int]:
    """Return (rms, worst run's rms, runs) over bends of 150 mm radius with a line of this width."""
    squares, ticks, worst, runs = 0.0, 0, 0.0, 0
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bends.toml"
        path.write_text(COURSE.format(width=width_mm), encoding="utf-8")
        for seed in seeds:
            verdict = drive(f"fake:{path}?seed={seed}", settings=settings()).world.judge.verdict()
            assert verdict.success, verdict.reasons
            one, count = verdict.rms_mm["curve 150"], verdict.ticks["curve 150"]
            squares, ticks, worst, runs = squares + one * one * count, ticks + count, max(worst, one), runs + 1
    return (squares / ticks) ** 0.5, worst, runs


def main() -> None:
    """Print the figure for thin, usual and wide lines."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    for width in (10, 15, 20):
        rms, worst, runs = rms_mm(width, range(10000, 10000 + count))
        print(
            f"line {width} mm, bends of 150 mm at {SPEED_M_S} m/s: rms {rms:.2f} mm, "
            f"worst of {runs} runs {worst:.2f} mm (goal {GOAL_MM} mm)"
        )


if __name__ == "__main__":
    main()
