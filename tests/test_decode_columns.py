"""Decoding by columns gives the very samples of the decoder, whatever a recording holds."""

import random
from pathlib import Path

import pytest

from robotcore import decode_columns
from robotcore.cli import judging
from robotcore.cli.judging import Request, judge_file
from robotcore.cli.recorded import robot_of
from robotcore.decode import Decoder
from robotcore.layout import CODES, NEVER
from robotcore.recording.reader import open_recording
from robotcore.recording.schema import Header
from robotcore.recording.writer import Recorder
from tests.driving import RIGS, calibration_of, rig_of

REPLAYS = Path(__file__).parent.parent / "replays"


def exactly(sample):
    """Everything of a sample that could differ: classes, and numbers to the last bit."""
    return [(type(part).__name__, [(type(one).__name__, repr(one)) for one in part]) for part in sample[2:]], repr(
        (type(sample).__name__, sample[:2])
    )


def both_ways(recording, rig, calibration):
    decode = Decoder(rig, calibration)
    one_by_one = [exactly(decode(tick, raw)) for tick, raw, _ in recording.rows()]
    return one_by_one, [exactly(sample) for sample in decode_columns.samples(recording, rig, calibration)]


def made(path, rig, rows):
    """A recording of these (tick, row)."""
    header = Header("a", "", "line", rig.name, rig.text, "", "", "fake", "test", rig.period_s, {})
    recorder = Recorder(path, header, rig.layout, blocking=True)
    for tick, raw in rows:
        recorder.row(tick, raw, (0.0, 0.0, 0.0, 0.0), None)
    recorder.close("finished")
    return open_recording(path)


def any_rows(rig, seed, count=900):
    """Rows that stand still, crawl, jump, age, go missing, and skip ticks."""
    rng, tick = random.Random(seed), 0
    columns = rig.layout.columns
    row = [0] * len(columns)
    for _ in range(count):
        tick += 1 if rng.random() < 0.9 else rng.randrange(1, 30)
        for place, column in enumerate(columns):
            _, low, high = CODES[column.code]
            draw = rng.random()
            if draw < 0.02:
                row[place] = rng.choice((low, high, NEVER if column.name.endswith(".age") else 0))
            elif draw < 0.1:
                row[place] = rng.randint(low, high)
            elif draw < 0.4:
                row[place] = min(max(row[place] + rng.randint(-9, 9), low), high)
            elif column.name.endswith(".age") and draw < 0.8:
                row[place] = rng.choice((20, 120, 600, 2000))
        yield tick, tuple(row)


@pytest.mark.parametrize(
    "name", ["gone-left", "dazzled", "stale", "late", "link", "box-optical", "hills-clear", "thin"]
)
def test_recorded_runs_decode_to_the_same_bits(name):
    recording = open_recording(REPLAYS / f"{name}.rec")
    one_by_one, by_columns = both_ways(recording, *robot_of(recording))
    assert len(recording) > 100
    assert by_columns == one_by_one


@pytest.mark.parametrize("rig_name", RIGS)
@pytest.mark.parametrize("seed", range(3))
def test_anything_decodes_to_the_same_bits(tmp_path, rig_name, seed):
    rig = rig_of(rig_name)
    recording = made(tmp_path / "a.rec", rig, any_rows(rig, seed))
    one_by_one, by_columns = both_ways(recording, rig, calibration_of(rig_name))
    assert by_columns == one_by_one


def test_a_drive_that_never_went_missing_has_its_speeds_from_columns(tmp_path):
    rig = rig_of("harbour")
    age = rig.layout.slots["drive"].age
    rows = [(tick, (*row[:age], 600 * (tick % 3), *row[age + 1 :])) for tick, row in any_rows(rig, 5)]
    one_by_one, by_columns = both_ways(made(tmp_path / "a.rec", rig, rows), rig, calibration_of("harbour"))
    assert by_columns == one_by_one


def test_a_rig_with_a_driver_that_does_not_say_so_is_decoded_row_by_row(monkeypatch):
    rig = rig_of("harbour")
    assert decode_columns.fits(rig)
    monkeypatch.setattr(type(rig.role("tilt").device), "elementwise", False)
    assert not decode_columns.fits(rig)


@pytest.mark.parametrize("name", ["crate", "lost-for-good"])
def test_a_replay_says_the_same_with_and_without(monkeypatch, name):
    path, asked = str(REPLAYS / f"{name}.rec"), Request(changes=("follow.kp_rad_s=2.61",))
    by_columns = judge_file(path, Request()), judge_file(path, asked)
    monkeypatch.setattr(judging, "by_columns", lambda recording, rig: False)
    assert (judge_file(path, Request()), judge_file(path, asked)) == by_columns
    assert by_columns[0].verdict == "same"
