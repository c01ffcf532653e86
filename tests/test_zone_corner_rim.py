"""Driving at a slant by a corner, with what each of the fake's beams hears there: a chart that is right stays right."""

import math

import pytest

from drivers.fake.course.shapes import Wall
from drivers.fake.ranging import make_cone
from tests.chart_kit import MOUNT, SILENT, beam_of, charted, heard, tracks

GREY, REACH_M = (0.4, 0.4, 0.4), 1.2
BEAMS = {
    "echo_us": (15.0, 35.0),
    "optical_mm": (8.0, 75.0),
}  # half-angle and grazing limit, from drivers/fake/models.py


def room():
    """Return the four walls of a room of 1.2 by 0.9 m, the entry's in the middle of one side."""
    corners = [(0.0, -0.45), (1.2, -0.45), (1.2, 0.45), (0.0, 0.45)]
    return [Wall(*corners[i], *corners[(i + 1) % 4], 0.2, 1e-9, GREY).solid() for i in range(4)]


@pytest.mark.parametrize("beam", BEAMS.values(), ids=BEAMS)
@pytest.mark.parametrize("askew", [-0.35, -0.42, -0.5])
def test_backing_at_a_slant_out_of_a_corner_turns_no_right_chart(beam, askew):
    """The far rim of the beam meets the wall behind the corner before the near rim meets the wall beside."""
    half, grazing = map(math.radians, beam)
    nearest = make_cone(room(), half, grazing, REACH_M)
    chart, x, y, left = charted(0.40, 0.0, askew), 0.40, 0.0, 0.0
    chart.place(x, y, askew, 0.01, 0.05)
    chart.move(tracks(0.0, 0.0))
    for _ in range(70):
        left, x, y = left - 0.004, x - 0.004 * math.cos(askew), y - 0.004 * math.sin(askew)
        chart.move(tracks(left, left))
        distance = nearest(*beam_of(x, y, askew, MOUNT))[0]
        chart.hear(heard(distance) if distance < REACH_M else SILENT)
        assert abs(chart.heading - askew) < 0.03
