"""Decoding marks what may not be trusted, and never puts a plausible number in its place."""

import math

import pytest

from robotcore import readings as r
from robotcore.calibration import Calibration
from robotcore.decode import Decoder
from robotcore.errors import UserError
from robotcore.layout import NEVER
from tests.scripted import BLACK, WHITE, calibration, rig, row


def decoder():
    return Decoder(rig(), calibration())


def test_white_is_one_and_black_is_zero_contrast():
    sample = decoder()(0, row(left=WHITE, right=BLACK))
    assert sample.floor_left[:5] == pytest.approx((1, 1, 1, 1, 1))
    assert sample.floor_right.contrast == pytest.approx(0)
    assert sample.floor_right.lightness == pytest.approx(1 / 8)


def test_time_is_the_tick_times_the_period():
    assert decoder()(250, row()).time_s == 2.5


def test_a_role_that_the_rig_lacks_is_absent():
    sample = decoder()(0, row())
    assert sample.side_range.status == r.ABSENT
    assert math.isnan(sample.side_range.distance_m)
    assert not sample.tilt.valid


def test_no_reading_is_missing_and_holds_no_number():
    sample = decoder()(0, row(age=NEVER))
    for reading in (sample.floor_left, sample.drive, sample.gripper, sample.start_button):
        assert (reading.valid, reading.status) == (False, r.MISSING)
    assert math.isnan(sample.drive.travel_m)
    assert sample.start_button.pressed is False


def test_an_old_reading_is_stale_but_keeps_what_was_measured():
    sample = decoder()(0, row(age=60000))
    assert sample.floor_left.status == r.STALE
    assert sample.floor_left.lightness == pytest.approx(1)
    assert sample.floor_left.age_s == pytest.approx(6.0)


def test_the_end_of_the_converters_range_is_saturated():
    sample = decoder()(0, row(left=(1023, 800, 800)))
    assert (sample.floor_left.valid, sample.floor_left.status) == (False, r.SATURATED)
    assert sample.floor_right.valid


def test_the_drive_counts_from_where_it_stood():
    decode = decoder()
    decode(0, row(counts=(1000, 2000)))
    sample = decode(10, row(counts=(1360, 2360)))
    circumference = 2 * math.pi * 0.02
    assert sample.drive.travel_m == pytest.approx(circumference)
    assert sample.drive.heading_rad == pytest.approx(0)
    assert sample.drive.left_m_s == pytest.approx(circumference / 0.1)


def test_a_turn_to_the_left_is_positive():
    decode = decoder()
    decode(0, row())
    assert decode(1, row(counts=(-90, 90))).drive.heading_rad == pytest.approx(2 * (math.pi / 2) * 0.02 / 0.14)


def test_a_colour_sensor_without_reference_is_a_users_error():
    with pytest.raises(UserError, match=r"no \[floor_left\]; calibrate"):
        Decoder(rig(), Calibration("", "", {}, ""))


def test_a_sample_cannot_be_changed():
    sample = decoder()(0, row())
    with pytest.raises(AttributeError):
        sample.tick = 3
    with pytest.raises(AttributeError):
        sample.drive.left_m = 3.0


def test_a_motor_that_stood_for_long_gives_the_same_speed_when_it_moves_again():
    decode = decoder()
    counts = [0] * 5 + [10, 20, 30] + [30] * 30 + [25, 20, 15, 10]
    speeds = [decode(tick, row(grip=count)).gripper.speed_rad_s for tick, count in enumerate(counts)]
    for tick in range(5, len(counts)):
        assert speeds[tick] == pytest.approx(math.radians(counts[tick] - counts[tick - 5]) / 0.05)


def test_a_motor_that_stood_and_then_gave_nothing_is_missing():
    decode = decoder()
    for tick in range(20):
        decode(tick, row(grip=5))
    assert decode(20, row(grip=5, age=NEVER)).gripper.status == r.MISSING
    for tick in range(21, 40):
        assert decode(tick, row(grip=5, age=NEVER)).gripper.status == r.MISSING
    assert decode(40, row(grip=6)).gripper.valid
