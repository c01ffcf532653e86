"""A course made from a recording: its parts against closed forms and outside libraries, the whole against the truth."""

import json
import math

import numpy as np
import pytest
from shapely.geometry import Point, box

from drivers.fake.course.format import parse_course
from drivers.fake.reconstruct import making
from drivers.fake.reconstruct.drawing import Pen
from drivers.fake.reconstruct.fitting import away, curve, end_direction, even, fit, smooth
from drivers.fake.reconstruct.line import covered, offsets, width_of
from drivers.fake.reconstruct.making import _driven_otherwise, _lawful, remade
from drivers.fake.reconstruct.onward import onward
from drivers.fake.reconstruct.paint import Spot
from drivers.fake.reconstruct.route import Stretch, _again, _by_marker, _crossed, _into
from drivers.fake.reconstruct.tracking import Shift, moved, reckon, samples_of, track_of
from drivers.fake.reconstruct.writing import Found, Stub, board, text_of
from robotcore import odometry
from robotcore.cli.main import main
from robotcore.cli.recorded import robot_of
from robotcore.errors import UserError
from robotcore.recording.reader import open_recording


def record(path, url: str, *words: str):
    main(["run", url, "--out", str(path), "--quiet", *words])
    return path


def parts(path):
    recording = open_recording(path)
    return recording, *robot_of(recording)


@pytest.fixture(scope="module")
def exact(tmp_path_factory):
    """A run on the quay without perturbations, and what is made of it."""
    recording, rig, calibration = parts(record(tmp_path_factory.mktemp("made") / "quay.rec", "fake:quay?perturb=0"))
    return recording, rig, remade(recording, rig, calibration)


def circle(radius: float, degrees: float, count: int = 400) -> np.ndarray:
    angles = np.radians(np.linspace(0.0, degrees, count))
    return np.stack([radius * np.sin(angles), radius * (1.0 - np.cos(angles))], axis=1)


def away_from_truth(course, recording) -> np.ndarray:
    """Distances in mm of the made route from the true one, once turned and moved onto it as well as can be."""
    truth = np.array(parse_course(recording.header.facts["course_toml"], "true").route.points)
    truth, made = even(truth), even(np.array(course.route.points))
    z, onto = made[:, 0] + 1j * made[:, 1], truth[:, 0] + 1j * truth[:, 1]
    share = np.linspace(0.0, 1.0, len(z))
    near = np.interp(share, np.linspace(0, 1, len(onto)), onto.real) + 1j * np.interp(
        share, np.linspace(0, 1, len(onto)), onto.imag
    )
    for _ in range(30):
        a, b = z - z.mean(), near - near.mean()
        turn = (b * a.conj()).sum()
        now = turn / abs(turn) * a + near.mean()
        near = onto[np.abs(now[:, None] - onto[None, :]).argmin(axis=1)]
    return 1000.0 * np.abs(now - near)


def test_reckoning_is_the_odometry_of_the_runtime():
    rng = np.random.default_rng(1)
    left, right = np.cumsum(rng.normal(0.002, 0.002, (2, 200)), axis=1)
    x, y, heading, travel = reckon(left, right, 0.14)
    pose = odometry.Pose()
    for i in range(1, 200):
        pose = odometry.advance(pose, left[i] - left[i - 1], right[i] - right[i - 1], 0.14)
        assert (x[i], y[i], heading[i]) == pytest.approx(pose, abs=1e-12)
    assert travel[-1] == pytest.approx(0.5 * (left[-1] - left[0] + right[-1] - right[0]))


def test_slip_that_is_known_is_undone():
    turned = np.linspace(0.0, 0.11, 100)  # on the spot: each track rolls 110 mm, a tenth of the turn is lost
    assert reckon(-turned, turned, 0.14, 0.0, 0.1)[2][-1] == pytest.approx(0.9 * 0.22 / 0.14)
    straight = np.linspace(0.0, 1.0, 100)
    heading = reckon(straight * 1.01, straight * 0.99, 0.14, 0.02)[2][-1]
    assert heading == pytest.approx(-0.02 / 0.14 + 0.02 / 0.14, abs=0.002)


@pytest.mark.parametrize("width_mm", [10, 15, 20])
def test_cover_of_a_round_spot_by_a_stripe_is_that_of_shapely(width_mm):
    """shapely (GEOS) cuts a polygon of 1024 corners; ours is the closed form of a circle's segments."""
    spot = Point(0.0, 0.0).buffer(4.0, quad_segs=256)
    for off in np.linspace(-18.0, 18.0, 25):
        stripe = box(off - width_mm / 2, -50.0, off + width_mm / 2, 50.0)
        share = spot.intersection(stripe).area / spot.area
        assert covered(np.array(off / 1000), width_mm / 1000) == pytest.approx(share, abs=1e-4)


def test_a_straight_and_an_arc_come_back_as_one_piece_each():
    straight = np.stack([np.linspace(0.0, 1.0, 300), np.zeros(300)], axis=1)
    (piece,) = fit(even(straight))
    assert piece.sweep == 0.0
    for radius, degrees in ((0.15, 90.0), (0.3, 180.0), (0.1, -60.0)):
        points = even(circle(radius, abs(degrees)) * (1.0, math.copysign(1.0, degrees)))
        (piece,) = fit(points)
        assert piece.radius_m == pytest.approx(radius, rel=0.01)
        assert math.degrees(piece.sweep) == pytest.approx(degrees, rel=0.01)
        assert away(piece, points).max() < 0.001


def test_noisy_points_give_few_pieces_that_stay_near():
    rng = np.random.default_rng(3)
    line = np.stack([np.linspace(0.0, 0.6, 400), np.zeros(400)], axis=1)
    bend = circle(0.2, 90.0) + np.array([0.6, 0.0])
    points = np.concatenate([line, bend[1:]])
    found = fit(smooth(even(even(points) + rng.normal(0.0, 0.001, even(points).shape))))
    assert len(found) <= 5
    assert sum(abs(piece.sweep) for piece in found) == pytest.approx(math.pi / 2, abs=0.25)


def test_a_pen_ends_where_it_was_aimed_in_spite_of_rounding():
    pieces = fit(even(np.concatenate([circle(0.2, 120.0), circle(0.2, 120.0)[-1] + np.array([[0.3, 0.4]])])))
    pen = Pen(pieces[0].ax, pieces[0].ay, pieces[0].begins)
    for piece in pieces:
        pen.draw(piece)
    assert math.dist((pen.x, pen.y), (pieces[-1].bx, pieces[-1].by)) < 0.0005


def test_a_smooth_curve_has_the_ends_that_were_asked_for():
    points = curve((0.0, 0.0, 0.0), (0.3, 0.2, math.pi / 2))
    assert end_direction(points, False, 0.01)[2] == pytest.approx(0.0, abs=0.1)
    assert end_direction(points, True, 0.01)[2] == pytest.approx(math.pi / 2, abs=0.1)
    assert tuple(points[-1]) == pytest.approx((0.3, 0.2))


def test_a_run_laid_elsewhere_moves_from_a_tick_on_only(exact):
    recording, rig, _ = exact
    track = track_of(samples_of(recording, rig, robot_of(recording)[1]), rig)
    there = moved(track, 1000, Shift(1j, 2.0 + 0.0j))
    assert (there.x[:1000] == track.x[:1000]).all()
    assert there.x[1000:] == pytest.approx(2.0 - track.y[1000:])
    assert there.left.y[1000:] == pytest.approx(track.left.x[1000:])
    assert there.heading[-1] == pytest.approx(track.heading[-1] + math.pi / 2)


def test_line_width_and_offset_are_those_of_the_true_floor(exact):
    recording, rig, _ = exact
    track = track_of(samples_of(recording, rig, robot_of(recording)[1]), rig)
    assert width_of(track) == pytest.approx(0.018, abs=0.0012)
    truth = np.array(recording.truth())
    route = parse_course(recording.header.facts["course_toml"], "true").route
    found = offsets(track, 0.018)
    seen = np.flatnonzero(np.isfinite(found) & (track.travel < 1.3))  # the first straight, which runs east at y = 0.3
    eyes = truth[seen, 1] + track.left.ahead_m * np.sin(truth[seen, 2])
    assert route.at(0.5)[1] == pytest.approx(0.3)
    assert np.sqrt(np.mean((eyes + found[seen] - 0.3) ** 2)) < 0.0015


def test_the_quay_is_made_again_within_a_few_millimetres(exact):
    recording, _, made = exact
    true = parse_course(recording.header.facts["course_toml"], "true")
    off = away_from_truth(made.course, recording)
    print(f"quay, no perturbations: rms {np.sqrt(np.mean(off**2)):.1f} mm, at most {off.max():.1f} mm; {made.fit}")
    assert np.sqrt(np.mean(off**2)) < 20.0
    assert made.course.route.length_m == pytest.approx(true.route.length_m, rel=0.03)
    assert made.course.line_width_m == pytest.approx(true.line_width_m, abs=0.0012)
    assert made.fit.rms < 0.2
    assert made.fit.off < 0.03
    assert len(made.course.text.splitlines()) < 120


def test_poses_on_the_made_course_follow_its_line(exact):
    recording, rig, made = exact
    assert [pose[0] for pose in made.poses] == recording.ticks
    tick, x, y, heading = made.poses[600]
    ahead = 0.5 * (rig.mount("floor_left").ahead_m + rig.mount("floor_right").ahead_m)
    away_m = made.course.route.line.nearest(x + ahead * math.cos(heading), y + ahead * math.sin(heading))[1]
    assert tick == 600
    assert away_m < 0.012


def test_a_run_goes_on_on_a_made_course_though_the_recording_knows_none(exact):
    recording, rig, made = exact
    bare = open_recording(recording.path)
    bare.header = bare.header._replace(facts={"backend": "serial brick"})
    world = onward(bare, rig, robot_of(recording)[1], 1500, False)
    assert world.course.endswith("reconstructed")
    assert world.data["fit_rms"] == pytest.approx(made.fit.rms)
    world.hand_over([row for row in recording.rows() if row[0] <= 1500])
    assert world.backend.truth() == world.poses[1500][1:]
    for tick in range(1501, 1520):
        raw = world.backend.sense(tick)
    assert len(raw) == len(rig.layout.columns)


def test_the_verb_goes_on_on_a_made_course_and_states_the_fit(exact, tmp_path, capsys):
    words = ["--continue", "--reconstruct", "--at", "15", "--out", str(tmp_path / "o.rec"), "--json", "-", "--once"]
    main(["replay", str(exact[0].path), *words])
    data = json.loads(capsys.readouterr().out)["recordings"][0]["simulated"]
    assert data["evidence"] is False
    assert 0.0 < data["fit_rms"] < 0.25
    assert any(note.startswith("fit: darkness off by") for note in data["notes"])
    assert data["success"] is True
    facts = open_recording(tmp_path / "o.rec").header.facts
    assert "reconstructed" in facts["simulated_on"]
    assert parse_course(facts["course_toml"], "made").name == "made from quay"


def test_a_bad_fit_is_refused_in_one_line_that_states_the_limit(exact, monkeypatch):
    recording, rig, _ = exact
    monkeypatch.setattr(making, "WORST_RMS", 0.01)
    match = r"quay\.rec: cannot be reconstructed: fit: darkness off by .* at most 0.01"
    with pytest.raises(UserError, match=match) as told:
        remade(recording, rig, robot_of(recording)[1])
    assert len(str(told.value).splitlines()) == 1


def test_encoders_that_tell_lies_are_refused(exact):
    """A track that brought a third less than it rolled: what comes out cannot be right, and is not gone on on."""
    recording, rig, calibration = *exact[:2], robot_of(exact[0])[1]
    lying = open_recording(recording.path)
    slot = rig.layout.slots["drive"]
    lying.rows = lambda: (
        (tick, (*raw[: slot.start], int(raw[slot.start] * 0.65), *raw[slot.start + 1 :]), command)
        for tick, raw, command in recording.rows()
    )
    with pytest.raises(UserError, match="cannot be reconstructed"):
        remade(lying, rig, calibration)


def test_a_run_that_followed_no_line_is_refused(tmp_path):
    recording, rig, calibration = parts(record(tmp_path / "short.rec", "fake:quay?perturb=0", "--time-limit", "2"))
    with pytest.raises(UserError, match=r"less than 0\.5 m of line"):
        remade(recording, rig, calibration)


# ---- junctions


def stretch(first: tuple[float, float], last: tuple[float, float]) -> Stretch:
    return Stretch(even(np.array([first, last])), 0, 100)


@pytest.mark.parametrize("turn", [0.0, 0.7, -2.0])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_a_marker_in_the_inner_corner_tells_where_the_junction_is(turn, side):
    """In along x to (0, 0), out to `side`; the marker touches both lines of 15 mm: 20 mm from each middle.

    Decoys stand behind the junction; one before it on the other side as well would mean to turn round.
    """

    def at(x: float, y: float) -> tuple[float, float]:
        c, s = math.cos(turn), math.sin(turn)
        return x * c - side * y * s, x * s + side * y * c

    one, two = (*at(-0.05, 0.0), turn), (*at(0.0, 0.08), turn + side * math.pi / 2)
    inner, decoys = at(-0.02, 0.02), [at(0.02, 0.02), at(0.02, -0.02)]
    marks = [(Spot(*place, 0.0), 0) for place in (*decoys, inner)]
    assert _by_marker(one, two, marks) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert _by_marker(one, two, marks[:-1]) is None
    assert math.remainder(_into(turn + 0.2, two[2]) - turn, math.tau) == pytest.approx(0.2)
    assert math.remainder(_into(turn + 0.6, two[2]) - turn, math.tau) == pytest.approx(0.0, abs=1e-9)


def test_a_junction_that_was_overrun_lies_on_what_was_followed():
    bent = np.array([[0.0, 0.0], [0.1, 0.0], [0.2, 0.02]])
    assert _crossed((0.15, 0.07, math.pi / 2), even(bent)) == pytest.approx((0.15, 0.01), abs=1e-3)
    assert _crossed((0.15, 0.5, math.pi / 2), even(bent)) is None


def test_short_pieces_of_the_way_back_are_laid_onto_the_way_there():
    """After turning round between arms there is no long piece; on the way there they are the line's own end."""
    there = [stretch((0.0, 0.0), (0.5, 0.0))]
    back = [stretch((0.40, 0.06), (0.36, 0.06)), stretch((0.30, 0.06), (0.26, 0.06))]
    found = _again(back, there, back_already=False)
    assert len(found) == sum(len(piece.points) for piece in back)
    assert _again(back, there, back_already=True) is None
    forward = [stretch((0.36, 0.06), (0.40, 0.06))]
    assert _again(forward, there, back_already=False) is None
    aside = [stretch((0.40, 0.06), (0.36, 0.06)), stretch((0.30, 0.20), (0.26, 0.20))]
    assert len(_again(aside, there, back_already=False)) == len(aside[0].points)


def bend(stubs, markers):
    """A line that runs 500 mm east and then bends 90 degrees to the left, as it would be found."""
    track = np.array([[0.0, 0.0], [0.5, 0.5]])
    pieces = fit(even(np.array([[0.0, 0.0], [0.5, 0.0]]))) + fit(even(np.array([[0.5, 0.0], [0.5, 0.5]])))
    pen = Pen(0.0, 0.0, 0.0)
    for piece in pieces:
        pen.draw(piece)
    finish = Spot(0.5, 0.48, math.pi / 2)
    found = Found(Spot(0.03, 0.0, 0.0), 0.015, [pen], stubs, markers, finish, [])
    return found, board(found, track)


def test_a_branch_that_the_rules_disprove_is_left_out_and_that_is_said():
    """Without a marker the rules send a robot straight on: one that turned here met a bend and no junction."""
    found, box = bend([Stub(0.5, 0.0, 0.0)], [])
    course, text, told = _lawful(found, box, "bend", [], "here")
    assert course.route.length_m == pytest.approx(0.5 + 0.48 - 0.03, abs=0.01)
    assert text.count("[[line]]") == 1
    assert told == ["1 of them are left out: by the field's rules the way would not go on as it was driven."]


def test_branches_between_which_the_rules_cannot_choose_are_left_out():
    """The course's own fault says where on the floor it is, whatever its words."""
    found, box = bend([Stub(0.5, 0.0, 0.1), Stub(0.5, 0.0, -0.1), Stub(0.2, 0.0, math.pi / 2)], [])
    course, why, place = _driven_otherwise(text_of(found, box, "bend", []), found, box)
    assert course is None
    assert "two arms alike" in why
    assert place == pytest.approx((0.5, 0.0), abs=0.002)
    course, text, told = _lawful(found, box, "bend", [], "here")
    assert text.count("[[line]]") == 2
    assert told[0].startswith("2 of them are left out")


def test_a_branch_with_a_marker_stays():
    found, box = bend([Stub(0.5, 0.0, 0.0)], [Spot(0.48, 0.02, 0.0)])
    course, text, told = _lawful(found, box, "bend", [], "here")
    assert course.route.length_m == pytest.approx(0.5 + 0.48 - 0.03, abs=0.01)
    assert text.count("[[line]]") == 2
    assert told == []


def test_what_no_branch_explains_is_refused():
    found, box = bend([], [Spot(0.48, 0.02, 0.0)])
    with pytest.raises(UserError, match=r"here: what comes out could not be driven .* stands at no junction"):
        _lawful(found, box, "bend", [], "here")


@pytest.mark.slow
@pytest.mark.parametrize("course", ["quay", "slipway", "breakwater", "shoals", "storm"])
def test_perturbed_runs_are_made_again_or_refused(course, tmp_path):
    made, errors, fits, lengths = 0, [], [], []
    for seed in range(60, 66):
        recording, rig, calibration = parts(
            record(tmp_path / f"{seed}.rec", f"fake:{course}?seed={seed}", "--time-limit", "150")
        )
        try:
            found = remade(recording, rig, calibration)
        except UserError:
            continue
        made += 1
        fits.append(found.fit.rms)
        errors.append(np.sqrt(np.mean(away_from_truth(found.course, recording) ** 2)))
        true = parse_course(recording.header.facts["course_toml"], "true")
        lengths.append(found.course.route.length_m / true.route.length_m)
    print(f"{course}: {made} of 6 made, the others refused")
    if made:
        print(f"  darkness rms {np.mean(fits):.3f}, line rms {np.median(errors):.0f} mm (worst {max(errors):.0f})")
    assert made >= 4
    assert max(fits) < making.WORST_RMS
    assert max(abs(length - 1.0) for length in lengths) < 0.1  # no loop missed, none driven twice
