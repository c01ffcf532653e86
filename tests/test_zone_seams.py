"""The zone's driving at its seams: scripted light and floor, and what is asked of the tracks."""

from types import SimpleNamespace
from typing import Any

import pytest

from behaviours.zone.drive import STRIP, THERE, slow_down, straight, strip_ahead
from tests.zone_stand_in import StandIn, finish, plain


def test_slowing_down_is_gentle_until_a_wall_comes_into_light():
    """What rolls in the collector must stay there; but a wall that comes near is not run into meanwhile."""
    dark: Any = StandIn(speed_m_s=0.17)
    finish(slow_down(dark))
    steps = [a - b for a, b in zip(dark.speeds, dark.speeds[1:-1], strict=False)]
    assert max(steps) <= dark.s.sweep.slow_m_s2 * 0.01 + 1e-9
    assert dark.way == pytest.approx(0.17**2 / (2 * dark.s.sweep.slow_m_s2), rel=0.1)  # v^2 / 2a, textbook
    wall: Any = StandIn(lambda way: 0.0004 / max(0.005, 0.09 - way) ** 2, speed_m_s=0.17)
    finish(slow_down(wall))
    assert wall.way < 0.06
    assert wall.speed == 0.0


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize(("told", "end"), [((), 0.03), ((0.06,), 0.06)])
def test_a_straight_way_ends_as_fast_as_told(sign, told, end):
    """Slowly where what lies ahead must not be hit hard; it comes down to that in proportion to what is left."""
    zone: Any = StandIn()
    zone.chart = SimpleNamespace(heading=0.0)
    assert finish(straight(zone, sign * 0.2, 0.24, lambda: "", *told)) == THERE
    assert sign * zone.way == pytest.approx(0.2, abs=0.001)
    asked = [sign * speed for speed in zone.speeds[1:]]
    assert max(asked) == pytest.approx(0.24)
    assert asked[-1] == pytest.approx(end, abs=0.003)
    assert min(asked) == asked[-1]


def test_slowing_down_stays_gentle_with_light_in_the_jaws():
    """A silver buoy before the eye from the start is no wall that comes near."""
    held: Any = StandIn(lambda way: 1.0, speed_m_s=0.08)
    finish(slow_down(held))
    assert held.way == pytest.approx(0.08**2 / (2 * held.s.sweep.slow_m_s2), rel=0.15)


@pytest.mark.parametrize(("white", "floor", "strip"), [(0.9, 0.95, False), (1.35, 1.4, False), (0.9, 1.6, True)])
def test_a_strip_is_brighter_than_the_white_of_this_floor(white, floor, strip):
    """In bright light white floor passes calibrated white by far; it is no strip for that."""
    zone: Any = StandIn()
    zone.load.learnt = white, white, 0.015
    zone.sample.floor_left = zone.sample.floor_right = plain(floor)
    stop = strip_ahead(zone)
    assert (STRIP in [stop() for _ in range(10)]) == strip
