"""What the judge says of a zone: objects, floor swept, way in and out, lifts; and the same run again, anywhere."""

import hashlib
import math
import os
import struct
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from shapely.geometry import LineString, Point, Polygon
from shapely.ops import unary_union

from drivers.fake.backend import build
from drivers.fake.judge import Judge
from drivers.fake.operator import BEFORE_M, read_help
from drivers.fake.perturbations import draw
from drivers.fake.zone.chances import ZONE_NAMES, draw_chances, read_zone_sizes
from drivers.fake.zone.coverage import CELL_M, grid, off_berths, reachable, swept
from robotcore.backend import parse_address
from robotcore.command import Command
from robotcore.errors import UserError
from tests.zone_kit import hand_on, harbour, zone_course, zone_text

TOP = Path(__file__).parents[1]


# --- coverage ---


def test_the_reachable_floor_is_all_but_the_corners():
    """By shapely: the union of the mouth over collision-free poses, walls perpendicular and at 45 degrees."""
    zone, body = zone_course().zone, harbour().body
    can = reachable(zone, body)
    x, y = grid(zone)
    assert can.shape == (45, 60)
    missing = [(px, py) for px, py in zip(x[~can], y[~can], strict=True)]
    corners = [(zone.left, zone.bottom), (zone.right, zone.bottom), (zone.right, zone.top), (zone.left, zone.top)]
    assert all(min(math.dist(place, corner) for corner in corners) < 0.06 for place in missing)
    assert can.mean() > 0.99
    assert np.array_equal(can, can[::-1]) and np.array_equal(can, can[:, ::-1])  # noqa: PT018


def path_of(*points):
    """Return poses 2 mm apart that drive these points one after another, turning on the spot between."""
    poses = []
    for (ax, ay), (bx, by) in pairwise(points):
        heading, length = math.atan2(by - ay, bx - ax), math.dist((ax, ay), (bx, by))
        if poses:
            before = poses[-1][2]
            turn = math.remainder(heading - before, math.tau)
            poses += [(ax, ay, before + turn * i / 90) for i in range(91)]
        poses += [(ax + (bx - ax) * s, ay + (by - ay) * s, heading) for s in np.linspace(0, 1, round(length / 0.002))]
    return poses


@pytest.mark.parametrize("points", [
    [(0.7, 0.5), (1.4, 0.5)], [(0.7, 0.4), (1.3, 0.8)], [(0.7, 0.4), (1.4, 0.4), (1.4, 0.9), (0.8, 0.9), (0.8, 0.6)],
])  # fmt: skip
def test_the_swept_floor_is_what_the_mouth_passed_over(points):
    """Every cell whose middle lies in shapely's union of the mouth's rectangles, but for 2 mm along its rim."""
    zone, body = zone_course().zone, harbour().body
    poses, parts = path_of(*points), []
    mouth = ((0.1, -0.055), (0.16, -0.055), (0.16, 0.055), (0.1, 0.055))
    for x, y, heading in poses[::3]:
        c, s = math.cos(heading), math.sin(heading)
        parts.append(Polygon([(x + a * c - b * s, y + a * s + b * c) for a, b in mouth]))
    exact = unary_union(parts)
    done = swept(zone, body, poses)
    for px, py, found in zip(*(part.ravel() for part in (*grid(zone), done)), strict=True):
        place = Point(px, py)
        if exact.boundary.distance(place) > 0.002:
            assert found == exact.contains(place)
    assert done.sum() * CELL_M**2 == pytest.approx(exact.area, abs=0.5 * CELL_M * exact.length)


def test_a_straight_sweep_is_the_buffer_of_its_line():
    """A mouth 110 mm wide that drives 700 mm sweeps shapely's flat buffer of the line of its middle, askew."""
    zone, body = zone_course().zone, harbour().body
    line = LineString([(0.6, 0.45), (1.53, 0.85)])
    ends = [line.interpolate(s) for s in (0.1, 0.1 + 0.6)]
    strip = LineString([line.interpolate(0.2), line.interpolate(0.1 + 0.6 + 0.16)]).buffer(0.055, cap_style="flat")
    found = swept(zone, body, path_of(*((end.x, end.y) for end in ends))).sum() * CELL_M**2
    assert found == pytest.approx(strip.area, rel=0.03)


def test_floor_outside_the_berths():
    zone = zone_course().zone
    share = 1.0 - off_berths(zone).mean()
    assert share == pytest.approx(sum(Polygon(berth.area).area for berth in zone.berths) / (1.2 * 0.9), rel=0.08)


# --- verdicts ---


def judged(hand):
    return hand.robot.judge.verdict().zone


def fetch(hand, side):
    return hand.go(1.0, grip=45).go(1.5, grip=125).go(0.8, sort=side).go(1.0, sort=0, grip=0)


def test_every_object_is_told_where_it_is(tmp_path):
    hand = hand_on(tmp_path, zone_text(("silver", [840, 600]), ("kit", [1000, 900]))).put(0.7, 0.6)
    fate = {fate.name: fate for fate in judged(hand.go(0.1)).objects}
    assert (fate["silver-1"].place, fate["silver-1"].collected, fate["silver-1"].right) == ("floor", False, False)
    fetch(hand, 35)
    fate = {fate.name: fate for fate in judged(hand).objects}["silver-1"]
    assert (fate.place, fate.collected, fate.hold, fate.dropped) == ("left hold", True, "left hold", "")
    hand.put(1.45, 0.35, 180.0).go(1.0, 0.1, sort=60).go(1.0)
    zone = judged(hand)
    fate = {fate.name: fate for fate in zone.objects}["silver-1"]
    assert (fate.place, fate.dropped, fate.right, fate.wrong) == ("lee", "lee", True, False)
    assert not zone.complete
    assert any("1 of 3 objects in their berths" in line for line in zone.lines())


def test_a_wrong_berth_counts_as_a_wrong_drop(tmp_path):
    hand = hand_on(tmp_path, zone_text(("silver", [840, 600]))).put(0.7, 0.6)
    fetch(hand, -35).put(1.45, 1.0, 180.0).go(1.0, 0.05, sort=-60).go(1.0)
    zone = judged(hand)
    fate = {fate.name: fate for fate in zone.objects}["silver-1"]
    assert (fate.place, fate.right, fate.wrong) == ("far", False, True)
    assert zone.wrong_drops == 1


def test_walls_touched_are_not_touches_of_the_line_field(tmp_path):
    hand = hand_on(tmp_path, zone_text(("silver", [1400, 900]))).put(1.5, 0.6).go(2.0, 0.15).go(0.5, -0.1)
    verdict = hand.robot.judge.verdict()
    assert verdict.zone.wall_touches >= 1
    assert verdict.touches == ()


def drive_through(judge, course, *, turn_back=False):
    """Note the poses of a perfect robot: along the route, straight through the zone."""
    ahead = judge.ahead_m
    way = [course.route.at(0.004 * i) for i in range(int(course.route.length_m / 0.004) + 1)]
    if turn_back:
        into = [pose for pose in way if pose[0] < 0.8]
        way = [*into, *((x, y, heading + math.pi) for x, y, heading in into[::-1])]
    way += [way[-1]] * 40
    for tick, (x, y, heading) in enumerate(way):
        judge.note((tick, x - ahead * math.cos(heading), y - ahead * math.sin(heading), heading))
    return judge.verdict()


def test_a_perfect_robot_does_the_course():
    course = zone_course()
    verdict = drive_through(Judge(course, harbour()), course)
    assert verdict.success, verdict.reasons
    assert verdict.progress_m == pytest.approx(course.route.outside_m, abs=0.01)
    assert verdict.length_m == pytest.approx(course.route.outside_m)
    low, high = course.route.zone
    assert verdict.zone.entered_s == pytest.approx(low / 0.4, abs=0.05)
    assert verdict.zone.left_s == pytest.approx(high / 0.4, abs=0.05)


def test_who_leaves_by_the_entry_has_not_left():
    course = zone_course()
    verdict = drive_through(Judge(course, harbour()), course, turn_back=True)
    assert not verdict.success
    assert "did not leave the zone by the exit" in verdict.reasons
    assert verdict.zone.entered_s is not None
    assert verdict.zone.left_s is None


def test_who_never_came_has_not_entered():
    course = zone_course()
    judge = Judge(course, harbour())
    for tick in range(100):
        judge.note((tick, 0.25, 0.55, 0.0))
    assert "did not enter the zone" in judge.verdict().reasons


# --- the operator ---


def test_a_lift_presses_sets_down_and_presses_again(tmp_path):
    hand = hand_on(tmp_path, zone_text(("silver", [1100, 900])), "perturb=0&lift_at=3").put(0.9, 0.6)
    pressed, places = [], []
    for _ in range(600):
        hand.go(0.01, 0.05)
        pressed.append(hand.count("start_button"))
        places.append(hand.robot.truth()[0])
    rises = [i / 100 for i in range(1, 600) if pressed[i] and not pressed[i - 1]]
    assert rises == pytest.approx([0.3, 3.0, 5.0], abs=0.06)
    course = hand.robot.judge.course
    x, y, _ = course.route.at(course.route.zone[0] - BEFORE_M)
    assert places[450] == pytest.approx(x)
    assert hand.robot.truth()[1] == pytest.approx(y, abs=0.02)
    assert places[299] > 1.0
    verdict = hand.robot.judge.verdict()
    assert verdict.lifts == 1
    assert verdict.left_course_s is None
    assert "lifted 1 times" in verdict.lines()


def test_a_load_stays_in_the_holds_through_a_lift(tmp_path):
    hand = hand_on(tmp_path, zone_text(("silver", [840, 600])), "perturb=0&lift_at=8").put(0.7, 0.6)
    fetch(hand, 35).go(8.0)
    assert hand.thing("silver-1").place == "left hold"
    assert hand.robot.judge.verdict().lifts == 1


def test_a_stuck_robot_is_helped_only_when_asked_for(tmp_path):
    for options, lifts in (("perturb=0", 0), ("perturb=0&operator=help", 1)):
        hand = hand_on(tmp_path, zone_text(), options).put(0.9, 0.6).go(25.0)
        assert hand.robot.judge.verdict().lifts == lifts


def test_before_the_zone_the_checkpoint_is_the_start(tmp_path):
    hand = hand_on(tmp_path, zone_text(), "perturb=0&lift_at=2").go(2.0, 0.05).go(3.0)
    start = hand.robot.judge.course.start
    assert hand.robot.truth()[:2] == pytest.approx((start.x, start.y), abs=1e-3)


def test_behind_the_exit_the_checkpoint_is_there(tmp_path):
    hand = hand_on(tmp_path, zone_text(), "perturb=0&lift_at=6").put(1.1, 0.9, 90.0).go(5.0, 0.06).go(5.0)
    _, y, _ = hand.robot.truth()
    assert y == pytest.approx(1.1 + 0.15, abs=0.01)


@pytest.mark.parametrize("options", [{"operator": "yes"}, {"lift_at": "soon"}, {"lift_at": "3,nan"}, {"lift_at": "0"}])
def test_an_operator_that_is_none_is_refused(options):
    with pytest.raises(UserError, match=r"fake:basin: (operator|lift_at)="):
        read_help(options, "fake:basin")


# --- chance ---


def test_what_chance_does_in_a_zone_changes_nothing_else():
    for name in ZONE_NAMES:
        assert draw_chances(3, {name: 1.0}) != draw_chances(3, {})
        with pytest.raises(UserError, match="does not exist"):
            draw(3, {name: 1.0})
    assert read_zone_sizes({"perturb": "0", "grip": "2"}, "u") == {"placement": 0.0, "friction": 0.0, "grip": 2.0}
    with pytest.raises(UserError, match="grip=much is no size"):
        read_zone_sizes({"grip": "much"}, "u")
    assert [draw_chances(seed, {"grip": 1.0}).jam for seed in (1, 2)] == [0.04, 0.04]


def test_placement_is_by_seed(tmp_path):
    spots = []
    for options in ("seed=1", "seed=1", "seed=2", "seed=1&placement=0"):
        hand = hand_on(tmp_path, zone_text(("silver", [900, 600]), ("black", "random")), options)
        spots.append([(thing.x, thing.y) for thing in hand.yard.things[:2]])
    assert spots[0] == spots[1] != spots[2]
    assert spots[3][0] == (0.9, 0.6)
    assert spots[3][1] == spots[0][1]


# --- the same run again ---

DRIVE = """
import sys
from tests.test_zone_judge import digest_of
print(digest_of(sys.argv[1]))
"""


def digest_of(url: str) -> str:
    """Return a digest of all counts, poses and the fate of everything, of a robot that drives about wildly."""
    robot, digest = build(parse_address(url), harbour()), hashlib.sha256()
    for tick in range(3000):
        row = robot.sense(tick)
        digest.update(struct.pack(f"{len(row)}q3d", *row, *robot.truth()))
        phase = tick % 700
        turn = 0.12 * math.sin(0.013 * tick) if tick > 400 else 0.0
        grip = 0.0 if phase < 300 else 45.0 if phase < 400 else 125.0 if phase < 560 else 0.0
        sort = 35.0 if 500 < phase < 600 else -60.0 if phase > 640 else 0.0
        robot.act(Command(0.15 + turn, 0.15 - turn, math.radians(grip), math.radians(sort)))
    verdict = robot.judge.verdict()
    digest.update(repr((verdict.zone, verdict.reasons, robot.world.yard.diary.entries)).encode())
    return digest.hexdigest()


@pytest.mark.slow
def test_the_same_address_gives_the_same_run_in_any_process():
    url = "fake:basin-roads?seed=5&grip=5"
    here = digest_of(url)
    assert digest_of(url) == here
    assert digest_of("fake:basin-roads?seed=6&grip=5") != here
    for hash_seed in ("0", "77"):
        done = subprocess.run(
            [sys.executable, "-c", DRIVE, url], capture_output=True, text=True, check=True, cwd=TOP,
            env={**os.environ, "PYTHONHASHSEED": hash_seed},
        )  # fmt: skip
        assert done.stdout.strip() == here
