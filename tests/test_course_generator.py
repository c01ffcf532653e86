"""Random courses: valid, the same for the same seed, and varied."""

import itertools
import subprocess
import sys
from collections import Counter

import pytest
from shapely.geometry import LineString

from drivers.fake.course.catalogue import load_course
from drivers.fake.course.format import parse_course
from drivers.fake.course.generator import random_course, random_text

SEEDS = range(60)


def difficulty_of(seed):
    return seed % 11 / 10


def test_random_courses_are_valid_and_hold_every_kind_of_spot():
    seen = Counter()
    for seed in SEEDS:
        course = random_course(seed, difficulty_of(seed))
        assert course.route.length_m > 1.5
        assert course.route.spots[-1].kind == "finish"
        seen.update(spot.marker or spot.kind for spot in course.route.spots)
        seen.update("decoy" for spot in course.route.spots if spot.decoy not in ("", "none"))
    wanted = {"left", "right", "both", "none", "corner", "gap", "bump", "ramp", "obstacle", "finish", "decoy"}
    assert set(seen) == wanted
    assert min(seen.values()) >= 8, seen


def test_strokes_of_a_random_course_keep_apart_where_they_do_not_meet():
    for seed in range(0, 60, 4):
        course = random_course(seed, difficulty_of(seed))
        lines = [LineString([p for piece in stroke.pieces for p in piece.points()]) for stroke in course.strokes]
        near = [a.distance(b) for a, b in itertools.combinations(lines, 2)]
        # Ends that meet are within rounding; a gap keeps 40 mm and more; else dead ends and waves keep 70 mm.
        assert all(away < 1e-6 or away > 0.039 for away in near), sorted(near)[:5]


def test_a_random_course_keeps_room_beside_its_obstacles():
    found = 0
    for seed in SEEDS:
        course = random_course(seed, difficulty_of(seed))
        for spot in course.route.spots:
            if spot.kind == "obstacle":
                found += 1
                x, y, _ = course.route.at((spot.s_m + spot.end_m) / 2)
                for other in course.route.spots:
                    assert other.kind == "obstacle" or not spot.s_m - 0.15 < other.s_m < spot.end_m + 0.15
                far = [s / 50 for s in range(int(course.route.length_m * 50)) if abs(s / 50 - spot.s_m) > 0.5]
                assert all((course.route.at(s)[0] - x) ** 2 + (course.route.at(s)[1] - y) ** 2 > 0.33**2 for s in far)
    assert found >= 8


def test_the_same_seed_gives_the_same_text_in_any_process():
    code = "from drivers.fake.course.generator import random_text\nprint(random_text(7, 0.9), end='')"
    for seed in ("1", "2"):
        out = subprocess.run(
            [sys.executable, "-c", code],
            env={"PYTHONHASHSEED": seed, "PYTHONPATH": "."},
            check=True,
            capture_output=True,
            text=True,
        ).stdout
        assert out == random_text(7, 0.9)
    assert random_text(8, 0.9) != random_text(7, 0.9) != random_text(7, 0.8)


def test_a_random_course_carries_its_text_and_comes_by_name():
    course = load_course("random", 3, 0.6)
    assert course == random_course(3, 0.6)
    again = parse_course(course.text, "again")
    assert again.route.points == course.route.points
    assert again.name == "random 3"


def test_harder_courses_hold_more():
    def spots(difficulty):
        return sum(len(random_course(seed, difficulty).route.spots) for seed in range(12))

    assert spots(0.0) < spots(0.5) < spots(1.0)
    easy = {spot.kind for seed in range(12) for spot in random_course(seed, 0.0).route.spots}
    assert easy <= {"gap", "finish"}


@pytest.mark.parametrize("difficulty", [-0.1, 1.1, float("nan")])
def test_an_impossible_difficulty_is_refused(difficulty):
    with pytest.raises(ValueError, match="give a number from 0 to 1"):
        random_course(1, difficulty)
