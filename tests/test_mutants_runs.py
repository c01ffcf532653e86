"""The line's behaviours in closed loop on the small courses of `replays/`, judged by the fake's truth.

Each run says what must be decided there by the course, in order, and how long it may take. The times are a fifth
above what was measured: they are there to notice a robot that dithers, not to praise one that hurries. Recordings
cannot judge steering (their world does not answer); these runs can. `tests/benchmarks/mutants.py` holds them against
seeded defects.
"""

from itertools import pairwise

import pytest

from tests.driving import drive

pytestmark = pytest.mark.slow

#: what may come beside what the course asks for: a line that is left and found again is no failure
BESIDE = {"start", "floor learnt", "lost", "found", "gap", "finish", "red strip"}

COURSES = [
    # course, seconds at most, the turns that it asks for
    ("bends", 16.0, None),
    ("corners", 19.0, ["corner left", "corner right", "corner left", "corner right", "corner left"]),
    ("crossings", 14.0, ["crossing left", "crossing right", "crossing both", "crossing both", "crossing both"]),
    ("marker-left", 16.0, ["marker left", "marker right"]),
    ("marker-right", 16.0, ["marker right", "marker left"]),
    ("turn-round", 18.0, ["crossing left", "marker both", "marker right"]),
    ("gaps", 14.0, []),
    ("wide", 17.0, ["corner left", "corner right", "crossing both", "marker right"]),
    ("hills", 14.0, []),
    ("box", 14.0, ["obstacle left", "passed left"]),
    ("drum", 14.0, ["obstacle left", "passed left"]),
    ("crate", 19.0, None),
    ("bollard", 24.0, None),
    ("paint", 8.0, ["marker none"]),
    ("thin", 13.0, []),
]


def word(decision):
    for key in ("side", "arms"):
        if key in decision.fields:
            return f"{decision.name} {decision.fields[key]}"
    return decision.name


def turns(run):
    return [word(decision) for decision in run.decisions if decision.name not in BESIDE]


def on(course, options="perturb=0", rig="harbour", **more):
    return drive(f"fake:replays/courses/{course}.toml?seed=1&{options}", rig, seconds=45.0, **more)


@pytest.fixture(autouse=True)
def top(monkeypatch, request):
    monkeypatch.chdir(request.config.rootpath)


@pytest.mark.parametrize(("course", "seconds", "asked"), COURSES)
def test_it_drives_the_course_as_it_asks(course, seconds, asked):
    run = on(course)
    verdict = run.world.judge.verdict()
    assert verdict.success, verdict.reasons
    assert not verdict.touches
    assert verdict.finish_s < seconds
    assert not run.faults
    if asked is not None:
        assert turns(run) == asked


@pytest.mark.parametrize("course", ["corners", "marker-left", "turn-round"])
def test_it_does_so_in_other_light_with_noise_and_slip(course):
    run = on(course, "perturb=1&light=1.5")
    assert run.world.judge.verdict().success
    assert not run.faults


def test_it_tracks_bends_within_the_stated_error():
    """The goal of the line field: rms of 4 mm at most on curves of 150 mm radius."""
    assert on("bends").world.judge.verdict().rms_mm["curve 150"] < 3.0
    assert on("bends").world.judge.verdict().rms_mm["curve 100"] < 5.0


def test_it_drives_a_straight_line_calmly_and_fast():
    """Once it has found the middle it goes straight at its cruising speed."""
    run = on("straight", trace=True)
    steady = [c for c, p in zip(run.commands, run.poses, strict=True) if 0.7 < p[0] < 1.05]
    turning = [(c.right_m_s - c.left_m_s) / 0.14 for c in steady]
    speeds = [(c.right_m_s + c.left_m_s) / 2 for c in steady]
    assert sum(speeds) / len(speeds) > 0.18
    assert max(speeds) <= 0.2101
    assert sum(abs(b - a) for a, b in pairwise(turning)) / len(turning) < 0.2
    ahead = [abs(p[1] - 0.6) for p in run.poses if 0.7 < p[0] < 1.05]
    assert sum(ahead) / len(ahead) < 0.006


def test_speed_grows_no_faster_than_stated():
    run = on("straight", trace=True)
    speeds = [(c.right_m_s + c.left_m_s) / 2 for c, s in zip(run.commands, run.samples, strict=True) if s.time_s > 2.5]
    assert max(b - a for a, b in pairwise(speeds)) < 0.0051


def test_it_slows_down_in_bends():
    run = on("bends", trace=True)
    fastest = max((c.right_m_s + c.left_m_s) / 2 for c in run.commands)
    bend = [
        (c.right_m_s + c.left_m_s) / 2
        for c, p in zip(run.commands, run.poses, strict=True)
        if abs(c.right_m_s - c.left_m_s) / 0.14 > 1.0 and p[0] < 1.0
    ]
    assert bend
    assert sum(bend) / len(bend) < 0.8 * fastest


@pytest.mark.parametrize(("rig", "side"), [("harbour", "left"), ("replays/rigs/harbour-mirrored.toml", "right")])
def test_it_passes_a_box_on_the_side_away_from_its_range_sensor(rig, side, monkeypatch):
    from tests import driving

    if rig != "harbour":
        reference = driving.calibration_of("harbour")
        monkeypatch.setattr(driving, "calibration_of", lambda name: reference)
    run = on("box", rig=rig)
    verdict = run.world.judge.verdict()
    assert verdict.success
    assert not verdict.touches
    assert turns(run) == [f"obstacle {side}", f"passed {side}"]


def test_it_stands_after_the_red_strip():
    run = on("straight", trace=True)
    assert run.ended
    assert run.names()[-2:] == ["red strip", "finish"]
    assert run.commands[-1][:2] == (0.0, 0.0)
    assert run.world.judge.verdict().finish_s is not None
