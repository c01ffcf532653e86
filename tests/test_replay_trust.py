"""The trust horizon: both command streams driven, how far apart they bring the robot, and why that is safe."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from robotcore.replay import Tolerance, Trust

WIDTH_M = 0.14
PLAIN = Tolerance(growth_per_s=0.0)


def drive(trust: Trust, old, new, seconds: float, period_s: float = 0.01) -> int:
    """Drive pairs of track speeds; return how many ticks trust held."""
    for number in range(round(seconds / period_s)):
        if not trust.holds((*old, 0.0, 0.0), (*new, 0.0, 0.0), period_s):
            return number
    return -1


def test_equal_commands_are_trusted_for_ever():
    assert drive(Trust(WIDTH_M, Tolerance()), (0.1, 0.2), (0.1, 0.2), 480.0) == -1


def test_without_growth_trust_ends_where_the_distance_is_used_up():
    """20 mm/s more on both tracks: 5 mm after 0.25 s."""
    assert drive(Trust(WIDTH_M, PLAIN), (0.1, 0.1), (0.12, 0.12), 1.0) == pytest.approx(25, abs=1)


def test_without_growth_trust_ends_where_the_turn_is_used_up():
    """10 mm/s between the tracks on 140 mm: 3 degrees after 0.733 s; the middle moves along, so take both ways."""
    expected = math.radians(3.0) * WIDTH_M / 0.01 / 0.01
    assert drive(Trust(WIDTH_M, PLAIN), (0.1, 0.1), (0.095, 0.105), 2.0) == pytest.approx(expected, abs=1)


def test_turning_apart_and_back_is_seen_at_the_place_and_not_in_the_sum():
    """Closed form: a heading off by 1 degree for 0.2 m brings 0.2 sin(1 degree) = 3.5 mm across."""
    trust = Trust(WIDTH_M, PLAIN)
    turn = math.radians(1.0) * WIDTH_M / 2
    assert trust.holds((0.0, 0.0, 0, 0), (-turn, turn, 0, 0), 1.0)
    assert trust.holds((0.2, 0.2, 0, 0), (0.2, 0.2, 0, 0), 1.0)
    assert trust.apart[0] == pytest.approx(2 * 0.2 * math.sin(math.radians(0.5)), rel=1e-12)
    assert trust.apart[1] == pytest.approx(math.radians(1.0), rel=1e-12)


def test_what_was_brought_about_grows_as_stated():
    """Grönwall's inequality for x' = rate x: 1 % of the tolerance lasts ln(100) / rate seconds."""
    trust = Trust(WIDTH_M, Tolerance(growth_per_s=3.0))
    assert trust.holds((0.0, 0.0, 0, 0), (0.005, 0.005, 0, 0), 0.01)
    held = drive(trust, (0.1, 0.1), (0.1, 0.1), 10.0)
    assert held * 0.01 == pytest.approx(math.log(100) / 3.0, abs=0.02)
    assert "may be the rest" in trust.why()


def test_rounding_does_not_grow():
    trust = Trust(WIDTH_M, Tolerance())
    assert drive(trust, (0.1, 0.2), (0.1 * (1 + 1e-9), 0.2), 480.0) == -1


@given(
    st.lists(st.floats(-0.3, 0.3), min_size=5, max_size=60),
    st.floats(0.02, 0.5),
)
def test_a_lagging_motor_is_never_farther_apart_than_its_set_points_were(differences, lag_s):
    """The claim that makes set-points the safe side; the lag by scipy's lfilter (ZOH of a first-order motor)."""
    pole = math.exp(-0.01 / lag_s)
    speed = lfilter([0.0, 1.0 - pole], [1.0, -pole], [*differences, *[0.0] * 200])
    travelled, wanted, furthest = 0.0, 0.0, 0.0
    for actual, asked in zip(speed, [*differences, *[0.0] * 200], strict=True):
        travelled += actual * 0.01
        wanted += asked * 0.01
        furthest = max(furthest, abs(wanted))
        assert abs(travelled) <= furthest + 1e-12


@pytest.mark.parametrize(("name", "place"), [("gripper", 2), ("sorter", 3)])
def test_a_positional_motor_ends_trust_beyond_the_tolerance(name, place):
    def command(angle):
        return tuple(angle if i == place else 0.0 for i in range(4))

    trust = Trust(WIDTH_M, Tolerance())
    assert trust.holds(command(0.0), command(math.radians(2.9)), 0.01)
    assert not trust.holds(command(0.0), command(math.radians(3.1)), 0.01)
    assert name in trust.why()


@pytest.mark.parametrize("field", ["trust_m", "trust_rad", "growth_per_s", "time_s", "share", "absolute"])
@pytest.mark.parametrize("value", [-1.0, math.nan, math.inf])
def test_a_tolerance_is_a_finite_number_of_0_or_more(field, value):
    with pytest.raises(ValueError, match=field):
        Tolerance(**{field: value})
