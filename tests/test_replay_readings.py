"""The readings around a decision: half a second on both sides, and only what says something."""

import math

import pytest

from robotcore.calibration import parse_calibration
from robotcore.decode import Decoder
from robotcore.replay.readings import around
from tests import scripted
from tests.replay_kit import CALIBRATION, PERIOD_S, Settings, again, rows, think

GREEN = (200, 420, 180)


def readings(raws, tick, settings=None):
    run = think(raws)
    decode = Decoder(scripted.rig(), parse_calibration(CALIBRATION, "kit"))
    return around(tick, run.rows, decode, again(run, settings or Settings()), PERIOD_S)


def test_half_a_second_before_and_after_every_50_ms_the_tick_itself_among_them():
    found = readings(rows(), 101)
    assert [row[0] for row in found.rows] == pytest.approx([0.51 + 0.05 * n for n in range(21)])
    assert found.rows[10][0] == pytest.approx(1.01)


def test_only_what_changes_is_shown_and_always_both_sides_commands():
    found = readings(rows(stripes=(100,), strip=None), 100)
    assert found.columns == ["time_s", "L contr", "L light", "old left", "old right", "new left", "new right"]
    contrast = [row[1] for row in found.rows]
    assert contrast[10] == pytest.approx(0.0, abs=1e-5)  # a calibration holds 6 digits
    assert contrast[9] == contrast[11] == pytest.approx(1.0, abs=1e-5)


def test_shares_are_shown_where_there_is_colour():
    raws = rows(stripes=(), strip=None)
    raws[100] = scripted.row(left=GREEN)
    found = readings(raws, 100)
    assert [name for name in found.columns if name.startswith("L ")] == [
        "L contr",
        "L light",
        "L red",
        "L green",
        "L blue",
    ]
    assert not [name for name in found.columns if name.startswith("R ")]
    shares = [found.rows[10][found.columns.index(f"L {name}")] for name in ("red", "green", "blue")]
    assert sum(shares) == pytest.approx(1.0)
    assert shares[1] == pytest.approx(420 / 800, rel=1e-9)


def test_a_reading_that_may_not_be_used_and_a_command_that_never_came_are_no_numbers():
    raws = rows(stripes=(100,), strip=None)
    raws[110] = scripted.row(left=(1023, 1023, 1023))
    found = readings(raws, 100, Settings(speed_m_s=0.12))
    place = found.columns.index("L contr")
    assert math.isnan(found.rows[12][place])
    assert math.isnan(found.rows[12][-1])
    assert found.rows[12][-3] == 0.1
