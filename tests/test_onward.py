"""Going on past the trust horizon: what the fake takes over, that it is marked as simulated, and that it finishes."""

import json
import math

import numpy as np
import pytest

from drivers.fake.backend import build
from drivers.fake.resuming import Past, end_slope
from robotcore.backend import parse_address
from robotcore.cli.judging import Request, judge_file
from robotcore.cli.main import main
from robotcore.cli.onward import Options, go_on
from robotcore.cli.recorded import robot_of
from robotcore.command import Command
from robotcore.errors import UserError
from robotcore.recording.reader import open_recording
from robotcore.stats import wilson

NO_TWICE = Request(twice=False)


def record(path, url: str, *words: str):
    main(["run", url, "--out", str(path), "--quiet", *words])
    return path


@pytest.fixture(scope="module")
def quay(tmp_path_factory):
    return record(tmp_path_factory.mktemp("onward") / "quay.rec", "fake:quay?seed=3")


def past_of(path, tick: int) -> tuple[Past, object, object]:
    recording = open_recording(path)
    rig, _ = robot_of(recording)
    rows = [row for row in recording.rows() if row[0] <= tick]
    poses = [(at, *pose) for at, pose in zip(recording.ticks, recording.truth(), strict=True) if at <= tick]
    return Past(rows, poses), rig, recording


def role(rig, raw, name: str) -> tuple[int, ...]:
    slot = rig.layout.slots[name]
    return raw[slot.start : slot.stop]


@pytest.mark.parametrize("tick", [700, 1500, 2700])
def test_the_fake_goes_on_from_a_recorded_tick_without_a_jump(quay, tick):
    past, rig, recording = past_of(quay, tick)
    backend = build(parse_address("fake:quay?seed=3"), rig)
    backend.resume_from(past)
    truth = backend.world.truth
    assert (truth.x, truth.y, truth.heading) == past.poses[-1][1:]
    assert truth.time_s == pytest.approx(tick * rig.period_s)
    later = dict(zip(recording.ticks, recording.raws, strict=True))
    raw = backend.sense(tick + 1)
    for now, then in zip(role(rig, raw, "drive"), role(rig, later[tick + 1], "drive"), strict=True):
        assert abs(now - then) <= 1
    volts = [role(rig, row, "battery")[0] for row in (raw, later[tick + 1])]
    assert abs(volts[0] - volts[1]) < 200  # mV: what the motors draw is not known at the hand-over
    assert not role(rig, raw, "start_button")[0]  # time goes on: nobody presses start again


def test_for_a_while_the_resumed_world_drives_as_the_recorded_one_did(quay):
    tick, ticks = 1500, 30
    past, rig, recording = past_of(quay, tick)
    backend = build(parse_address("fake:quay?seed=3"), rig)
    backend.resume_from(past)
    rows = [row for row in recording.rows() if tick < row[0] <= tick + ticks]
    truth = recording.truth()[recording.ticks.index(tick + ticks)]
    for at, _, command in rows:
        backend.sense(at)
        backend.act(Command(*command))
    x, y, heading = backend.truth()
    assert math.dist((x, y), truth[:2]) < 0.002
    assert heading == pytest.approx(truth[2], abs=0.03)


def test_the_judge_of_a_resumed_run_has_seen_the_recorded_part(quay):
    past, rig, _ = past_of(quay, 1500)
    backend = build(parse_address("fake:quay?seed=3"), rig)
    backend.resume_from(past)
    assert backend.judge.verdict().progress_m > 1.0


def test_the_slope_at_the_end_is_that_of_the_parabola_that_fits_best():
    rng = np.random.default_rng(7)
    for count in (2, 4, 5, 15):
        times = np.cumsum(rng.uniform(0.5, 2.0, count)) * 0.01
        values = rng.normal(size=count)
        fitted = np.polyfit(times - times[-1], values, 1 if count < 5 else 2)  # numpy, independent of ours
        assert end_slope(list(times), list(values)) == pytest.approx(fitted[-2], rel=1e-6)
    assert end_slope([0.0], [1.0]) == 0.0


def test_unchanged_code_finishes_from_any_tick_and_what_is_simulated_says_so(quay, tmp_path, capsys):
    out = tmp_path / "onward.rec"
    code = main(["replay", str(quay), "--continue", "--at", "15", "--out", str(out), "--once"])
    said = capsys.readouterr().out
    assert code == 0
    assert "SIMULATED after 15.00 s (tick 1500), on the course 'quay', as recorded; nothing below is evidence" in said
    assert "judged by the simulation: the course was done" in said
    made, old = open_recording(out), open_recording(quay)
    assert made.header.facts["simulated_after_tick"] == "1500"
    assert made.header.facts["continued_from"] == "quay.rec"
    marks = [fault for fault in made.faults if fault.kind == "simulated"]
    assert [(mark.tick, mark.behaviour) for mark in marks] == [(1500, "runtime")]
    assert made.raws[:1501] == old.raws[:1501]
    assert made.raws[1501:1600] != old.raws[1501:1600]
    assert made.commands[:1501] == old.commands[:1501]
    assert made.truth()[:1501] == old.truth()[:1501]


def test_a_continued_recording_replays_bit_for_bit_under_the_same_code(quay, tmp_path):
    report = judge_file(str(quay), NO_TWICE)
    out = tmp_path / "onward.rec"
    go_on(report, NO_TWICE, Options(at_s=20.0, out=out))
    assert judge_file(str(out), Request()).verdict == "same"


def test_json_says_that_it_is_no_evidence_and_the_exit_code_stays(quay, tmp_path, capsys):
    words = ["--set", "follow.kp_rad_s=2.9", "--continue", "--out", str(tmp_path / "o.rec"), "--json", "-", "--once"]
    code = main(["replay", str(quay), *words])
    data = json.loads(capsys.readouterr().out)["recordings"][0]
    assert data["verdict"] == "undecided"
    assert code == 3
    simulated = data["simulated"]
    assert simulated["evidence"] is False
    assert simulated["after_tick"] == data["trusted_tick"]
    assert simulated["recording"].endswith("o.rec")
    assert {"course", "decisions", "success", "ended"} <= set(simulated)
    assert "kp_rad_s" in open_recording(tmp_path / "o.rec").header.settings


def test_a_mission_that_had_ended_is_not_gone_on_with(quay, tmp_path):
    out = tmp_path / "o.rec"
    continued = go_on(judge_file(str(quay), NO_TWICE), NO_TWICE, Options(out=out))
    assert continued.outcome is None
    assert "the mission had ended" in continued.lines[0]
    assert not out.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--reconstruct"], "go with --continue"),
        (["--at", "3"], "go with --continue"),
        (["--continue", "--at", "nan"], "--at"),
    ],
)
def test_words_that_make_no_sense_are_refused_in_one_line(quay, words, said, capsys):
    assert main(["replay", str(quay), *words, "--once"]) == 2
    error = capsys.readouterr().err.strip()
    assert said in error
    assert len(error.splitlines()) == 1


def test_one_file_cannot_take_two_continued_runs(quay, tmp_path, capsys):
    copy = tmp_path / "copy.rec"
    copy.write_bytes(quay.read_bytes())
    words = ["replay", str(quay), str(copy), "--continue", "--at", "9", "--out", str(tmp_path / "o.rec"), "--once"]
    assert main(words) == 2
    assert "is one file for 2 recordings" in capsys.readouterr().err


def test_a_run_on_the_pad_has_no_course_to_go_on_on(tmp_path):
    path = record(tmp_path / "pad.rec", "fake:pad?floor=white", "--time-limit", "3")
    with pytest.raises(UserError, match="calibration pad"):
        go_on(judge_file(str(path), NO_TWICE), NO_TWICE, Options(at_s=2.0, out=tmp_path / "o.rec"))


def test_facts_of_a_stranger_are_checked(quay):
    from drivers.fake.reconstruct.onward import onward

    recording = open_recording(quay)
    rig, calibration = robot_of(recording)
    for key, value in (("seed", "three"), ("course_toml", "[course"), ("perturbation_sizes", "light=77")):
        recording.header = recording.header._replace(facts={**recording.header.facts, key: value})
        with pytest.raises(UserError, match=r"quay\.rec"):
            onward(recording, rig, calibration, 500, False)


@pytest.mark.slow
def test_handing_over_anywhere_finishes_the_course_nearly_always(tmp_path):
    good = runs = 0
    for course in ("quay", "slipway"):
        for seed in range(40, 46):
            path = record(tmp_path / f"{course}-{seed}.rec", f"fake:{course}?seed={seed}")
            report = judge_file(str(path), NO_TWICE)
            for share in (0.2, 0.5, 0.8):
                out = tmp_path / "o.rec"
                continued = go_on(report, NO_TWICE, Options(at_s=share * report.end_s, out=out, time_limit_s=150.0))
                out.unlink()
                good, runs = good + bool(continued.data["success"]), runs + 1
    low, high = wilson(good, runs)
    print(f"{good} of {runs} continued runs finish, Wilson {low:.3f} to {high:.3f}")
    assert low > 0.80
