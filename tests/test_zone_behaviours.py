"""The zone's detectors and policies, each with made-up readings; nothing here drives a simulated robot."""

import math
from types import SimpleNamespace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from behaviours.zone.chart import ENTRY, QUARTER, Chart
from behaviours.zone.collect import Look, kind_of
from behaviours.zone.colours import floor_colour, hue, object_colour
from behaviours.zone.deposit import Visit, assign, next_visit
from behaviours.zone.enter import SilverWatch, is_silver
from behaviours.zone.hand import HELD, JAMMED, NOTHING, held_by
from behaviours.zone.load import Load
from behaviours.zone.openings import Opening, Openings, same
from behaviours.zone.scene import Zone
from behaviours.zone.settings import (
    ChartSettings,
    ClassSettings,
    ExitSettings,
    HandSettings,
    KindSettings,
    MissionSettings,
    ResumeSettings,
    SilverSettings,
    ZoneSettings,
)
from robotcore.mission import read_settings
from robotcore.odometry import Pose, advance
from robotcore.readings import (
    ABSENT_READINGS,
    OK,
    OUT_OF_RANGE,
    SATURATED,
    STALE,
    Colour,
    Drive,
    Position,
    Range,
    Sample,
    Tilt,
)
from robotcore.rig import Mount

S, C, H = SilverSettings(), ClassSettings(), HandSettings()
KINDS = ZoneSettings().kinds

# Reflectances at 650, 550 and 450 nm by Fresnel's equations from measured optical constants: aluminium after Rakic,
# silver after Johnson and Christy (shared checks, a.8; computed there from a published data set, label R).
METALS = {"aluminium": (0.906, 0.915, 0.922), "silver": (0.990, 0.983, 0.980)}
WHITE = 0.85  #: reflectance of calibration white, common practice, no source


def colour(red: float, green: float, blue: float, status: int = OK) -> Colour:
    light = (red + green + blue) / 3.0
    return Colour(red, green, blue, light, light, 0.0, status == OK, status)


def sample(left: Colour, right: Colour, pitch: float = 0.0) -> Sample:
    absent = ABSENT_READINGS
    return Sample(
        0, 0.0, left, right, absent["colour"], absent["range"], absent["drive"], absent["position"], absent["position"],
        Tilt(pitch, 0.0, 0.0, True, OK), absent["button"], absent["battery"],
    )  # fmt: skip


@pytest.mark.parametrize("metal", METALS)
@pytest.mark.parametrize("gloss", [1.6, 2.0, 3.0])
def test_metal_is_silver_where_the_lamp_is_mirrored(metal, gloss):
    """Without gloss the metals are 1.07 to 1.16 of white: no share and no level tells them, only what they mirror."""
    shine = colour(*(gloss * r / WHITE for r in METALS[metal]))
    assert is_silver(shine, 1.0, S)
    matt = colour(*(r / WHITE for r in METALS[metal]))
    assert not is_silver(matt, 1.0, S)
    assert abs(matt.green / (3.0 * matt.lightness) - 1.0 / 3.0) < 0.004


@given(st.floats(0.5, 1.25), st.floats(-0.03, 0.03))
def test_white_is_never_silver_however_bright_the_lamp_is(level, tint):
    """A lamp 25 % brighter than at calibration, and tinted, makes white no metal: the white here is known."""
    assert not is_silver(colour(level * (1 + tint), level, level * (1 - tint)), level, S)


def test_a_saturated_green_is_evidence():
    """What is cut off was at least that bright; its shares say nothing and are not asked."""
    assert is_silver(colour(2.0, 1.9, 1.2, SATURATED), 1.0, S)
    assert not is_silver(colour(2.0, 1.9, 1.2, OK), 1.0, S)
    assert not is_silver(colour(1.9, 1.9, 1.9, STALE), 1.0, S)


def test_coloured_glare_is_not_silver():
    assert not is_silver(colour(2.4, 1.6, 0.6), 1.0, S)


def watch_says(samples) -> list[str]:
    watch = SilverWatch(S, 0.01)
    for _ in range(50):
        watch.see(sample(colour(1, 1, 1), colour(1, 1, 1)), 1.0, 1.0)
    return [says for says in (watch.see(s, 1.0, 1.0) for s in samples) if says]


SHINE, PLAIN = colour(1.8, 1.8, 1.8), colour(1.0, 1.0, 1.0)


def test_silver_needs_the_other_eye_or_persistence():
    assert watch_says([sample(SHINE, SHINE)] * S.votes)[0] == "both"
    assert not watch_says([sample(SHINE, PLAIN)] * (S.alone - 1))
    assert watch_says([sample(SHINE, PLAIN)] * S.alone) == ["left"]
    assert watch_says([sample(PLAIN, SHINE)] * S.alone) == ["right"]
    assert not watch_says([sample(SHINE, PLAIN), sample(PLAIN, PLAIN)] * 20)  # a glint now and then


def test_a_dipping_nose_makes_no_silver():
    """On a bump's far side the eyes come down to half their height and read half as much again."""
    half_again = colour(1.55, 1.55, 1.55)
    assert not watch_says([sample(half_again, half_again, pitch=-0.12)] * 30)
    assert not watch_says([sample(SHINE, SHINE, pitch=-0.12)] * (S.together - 1))
    assert not watch_says([sample(SHINE, half_again, pitch=-0.12), sample(half_again, SHINE, pitch=-0.12)] * 20)


def test_both_eyes_bright_for_long_are_over_the_strip_even_where_braking_tips_the_body():
    tipped = sample(SHINE, SHINE, pitch=-0.12)
    assert watch_says([tipped] * S.together) == ["both"]
    broken = [*[tipped] * (S.together - 1), sample(PLAIN, PLAIN, pitch=-0.12), *[tipped] * (S.together - 1)]
    assert not watch_says(broken)
    assert not watch_says([sample(SHINE, PLAIN, pitch=-0.12)] * 30)


@pytest.mark.parametrize(
    ("rgb", "named"),
    [
        ((0.06, 0.10, 0.34), "blue"), ((0.62, 0.50, 0.07), "yellow"), ((0.55, 0.20, 0.05), "orange"),
        ((0.22, 0.13, 0.08), "brown"), ((0.42, 0.055, 0.045), "red"), ((0.11, 0.26, 0.16), "green"),
        ((0.85, 0.85, 0.85), "grey"), ((0.04, 0.04, 0.04), "grey"),
    ],
)  # fmt: skip
@given(st.floats(0.5, 1.5))
def test_hues_do_not_depend_on_brightness(rgb, named, level):
    assert hue(*(level * c for c in rgb), C) == named


def test_what_lies_between_two_classes_is_nothing():
    assert object_colour(colour(0.32, 0.32, 0.32), C) == ""  # neither black nor silver
    assert object_colour(colour(0.07, 0.07, 0.07), C) == "black"
    assert object_colour(colour(1.1, 1.1, 1.1), C) == "silver"
    assert object_colour(colour(0.08, 0.13, 0.45), C) == "blue"
    assert object_colour(colour(1.0, 1.0, 1.0, STALE), C) == ""
    assert floor_colour(colour(0.9, 0.9, 0.9), C) == ""
    assert floor_colour(colour(0.02, 0.01, 0.0), C) == ""  # too dark for a colour


def test_a_look_is_voted_and_unsure_is_not_guessed():
    sure, unsure = Look(C), Look(C)
    for i in range(C.looks):
        sure.see("black" if i else "")
        unsure.see("black" if i % 2 else "blue")
    assert sure.done
    assert sure.verdict == "black"
    assert unsure.verdict == ""
    assert kind_of("", KINDS) is None
    assert kind_of("red", KINDS) is None
    found = kind_of("silver", KINDS)
    assert found is not None
    assert found.name == "silver"


@pytest.mark.parametrize(
    ("degrees", "state"), [(40, NOTHING), (38, NOTHING), (25, HELD), (22, HELD), (7, JAMMED), (0, JAMMED)]
)
def test_where_closed_jaws_stop_says_what_is_between_them(degrees, state):
    assert held_by(Position(math.radians(degrees), 0.0, 0.0, True, OK), H) == state


def test_a_jaw_that_is_not_seen_holds_nothing():
    assert held_by(ABSENT_READINGS["position"], H) == NOTHING


# ---------------------------------------------------------------------------------------------- deposit


def test_holds_are_emptied_in_their_own_order_and_never_into_a_foreign_berth():
    holds = {"left": ["kit", "silver"], "right": ["black"]}
    assert next_visit(holds, KINDS, {"yellow": 3, "blue": 0}) == Visit("left", "yellow", 2)
    assert next_visit(holds, KINDS, {"blue": 0}) == Visit("right", "blue", 1)
    assert next_visit(holds, KINDS, {}) is None
    assert next_visit({"left": [], "right": []}, KINDS, {"yellow": 1}) is None


def test_a_hold_with_two_berths_is_emptied_piece_by_piece():
    kinds = (KindSettings("a", "blue", "left", "yellow", 0, 1), KindSettings("b", "black", "left", "blue", 0, 2))
    holds = {"left": ["a", "b", "a"], "right": []}
    assert next_visit(holds, kinds, {"yellow": 0, "blue": 1}) == Visit("left", "yellow", 1)
    del holds["left"][0]
    assert next_visit(holds, kinds, {"yellow": 0, "blue": 1}) == Visit("left", "blue", 1)


def test_one_missing_berth_may_be_the_one_that_is_left_over():
    assert assign({"orange": (2, 30), "blue": (0, 20)}, KINDS, True) == {"blue": 0, "yellow": 2}
    assert assign({"orange": (2, 30), "blue": (0, 20)}, KINDS, False) == {"blue": 0}
    assert assign({"orange": (2, 30), "brown": (0, 20)}, KINDS, True) == {}
    assert assign({"orange": (0, 3), "blue": (0, 20)}, KINDS, True) == {"blue": 0}  # the same corner


def test_the_load_survives_being_said_and_read():
    load = Load(ResumeSettings())
    load.holds["left"] += ["kit", "silver"]
    load.dropped = 2
    told = load.fields()
    text = "[resume]\n" + "\n".join(f"{k} = {v!r}".replace("'", '"') for k, v in told.items())
    again = Load(read_settings(MissionSettings, text, "test").resume)
    assert again.fields() == told
    assert again.count == 2


@pytest.mark.parametrize(
    ("left", "right", "visits"), [([], [], 0), (["kit", "silver"], [], 1), (["kit"], ["black", "black"], 2)]
)
@pytest.mark.parametrize("sooner_s", [-0.1, 0.1])
def test_it_is_late_once_no_more_time_is_left_than_it_takes_to_drop_and_leave(left, right, visits, sooner_s):
    """Kit and silver go to one berth, black to another: each berth is a visit, each object takes its time there."""
    z: Any = SimpleNamespace(s=ZoneSettings(), load=Load(ResumeSettings()), sample=SimpleNamespace(time_s=0.0))
    z.load.holds["left"] += left
    z.load.holds["right"] += right
    s = z.s.sweep
    z.sample.time_s = s.end_s - s.leave_s - visits * s.visit_s - len(left + right) * s.drop_s - sooner_s
    assert Zone.late.fget(z) == (sooner_s < 0.0)  # type: ignore[attr-defined]


# ---------------------------------------------------------------------------------------------- chart

MOUNT = Mount(0.03, -0.08, 0.06, -QUARTER)


def drive_reading(left: float, right: float) -> Drive:
    return Drive(left, right, 0.5 * (left + right), (right - left) / 0.14, 0.0, 0.0, 0.0, True, OK)


def exact_tracks() -> ChartSettings:
    return ChartSettings(slip_mean=0.0, scrub_mean=0.0)


@given(st.lists(st.tuples(st.floats(-0.02, 0.02), st.floats(-0.02, 0.02)), min_size=1, max_size=40))
def test_dead_reckoning_follows_exact_arcs(steps):
    """Against `robotcore.odometry.advance`, which is held against scipy; the chart takes short chords for arcs."""
    chart, pose, left, right = Chart(exact_tracks(), MOUNT, 0.14), Pose(), 0.0, 0.0
    chart.move(drive_reading(0.0, 0.0))
    for a, b in steps:
        left, right = left + a, right + b
        chart.move(drive_reading(left, right))
        pose = advance(pose, a, b, 0.14)
    assert math.hypot(chart.x - pose.x_m, chart.y - pose.y_m) < 2e-3 * len(steps) * 0.2 + 1e-9
    assert abs(chart.heading - pose.heading_rad) < 1e-9


def test_a_wall_beside_takes_out_a_wrong_place_and_heading():
    """Driving along a wall 0.2 m off, with a chart that began 20 mm and 3 degrees wrong and does not know the slip."""
    chart = Chart(ChartSettings(), MOUNT, 0.14)
    chart.walls[3] = 0.5
    chart.place(0.0, -0.28, math.radians(3.0), 0.03, 0.08)
    left = right = 0.0
    chart.move(drive_reading(left, right))
    for i in range(400):
        left, right = left + 0.002, right + 0.002
        chart.move(drive_reading(left, right))
        if i % 4 == 0:
            chart.hear(Range(0.5 - 0.3 - 0.08, 0.0, True, OK))  # the truth: y = -0.3, heading 0
    assert abs(chart.y + 0.3) < 0.003
    assert abs(chart.heading) < math.radians(0.5)


def test_readings_at_openings_and_wild_ones_correct_nothing():
    chart = Chart(ChartSettings(), MOUNT, 0.14)
    chart.walls[3] = 0.5
    chart.place(1.0, -0.3, 0.0, 0.001, 0.001)
    chart.gaps.append((3, 0.9, 1.2))
    chart.move(drive_reading(0.0, 0.0))
    chart.move(drive_reading(0.02, 0.02))
    before = chart.y
    chart.hear(Range(0.14, 0.0, True, OK))
    assert chart.y == before
    chart.gaps.clear()
    chart.hear(Range(0.9, 0.0, True, OK))
    assert chart.y == before
    chart.hear(ABSENT_READINGS["range"])
    assert chart.y == before


def test_a_wall_met_twice_shares_the_error_with_what_was_driven_between():
    """Closing the round: the wall that was measured badly moves, not only the robot."""
    chart = Chart(ChartSettings(), MOUNT, 0.14)
    chart.place(1.0, 0.0, 0.0, 0.005, 0.01)
    chart.squared(0, 0.1, 0.035)
    assert chart.walls[0] == pytest.approx(1.1, abs=1e-3)
    chart.squared(ENTRY, 0.1, 0.006)  # says: axle 0.1 m from the entry wall, though dead reckoning says 1.0
    assert chart.walls[0] is not None
    assert chart.walls[ENTRY] == 0.0  # known for sure
    assert chart.x < 1.0
    assert chart.walls[0] < 1.1


# ------------------------------------------------------------------------------------------- openings


def pass_by(readings) -> list[Opening]:
    chart, openings, found = Chart(exact_tracks(), MOUNT, 0.14), Openings(ExitSettings()), []
    chart.walls[3] = 0.5
    chart.place(0.0, -0.35, 0.0, 0.001, 0.001)
    left = 0.0
    chart.move(drive_reading(left, left))
    for reading in readings:
        left += 0.005
        chart.move(drive_reading(left, left))
        chart.hear(reading)
        new = openings.hear(chart, reading)
        found += [new] if new else []
    return found


WALL, FAR, SILENT = Range(0.07, 0.0, True, OK), Range(0.9, 0.0, True, OK), Range(0.0, 0.0, False, OUT_OF_RANGE)


@pytest.mark.parametrize("beyond", [FAR, SILENT])
def test_an_opening_is_found_with_its_middle_and_width(beyond):
    found = pass_by([WALL] * 40 + [beyond] * 52 + [WALL] * 20)
    assert len(found) == 1
    assert found[0].wall == 3
    assert found[0].width_m == pytest.approx(0.26, abs=0.006)
    assert found[0].middle_m == pytest.approx(0.03 + 0.005 * (40 + 26.5), abs=0.006)


def test_a_lost_reading_and_a_missing_wall_are_no_openings():
    assert not pass_by([WALL] * 20 + [SILENT] * 6 + [WALL] * 20)
    assert not pass_by([WALL] * 20 + [FAR] * 140 + [WALL] * 20)


def test_two_measurements_of_one_opening_are_the_same():
    assert same(Opening(1, 0.5, 0.28), Opening(1, 0.53, 0.26))
    assert not same(Opening(1, 0.5, 0.28), Opening(3, 0.5, 0.28))
    openings = Openings(ExitSettings())
    openings.add(Opening(1, 0.5, 0.28))
    openings.add(Opening(1, 0.52, 0.27))
    assert [o.middle_m for o in openings.found] == [0.52]


def test_what_is_bright_after_the_nose_was_up_is_no_silver():
    """Over a bump both eyes go dim first, then near the floor they read half as much again."""
    dim = colour(0.55, 0.55, 0.55)
    half_again = colour(1.55, 1.55, 1.55)
    assert not watch_says([sample(dim, dim)] * 10 + [sample(half_again, half_again)] * 30)
    assert not watch_says([sample(dim, dim)] * 10 + [sample(SHINE, SHINE)] * (S.together - 1))
