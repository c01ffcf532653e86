"""Shares against measured reflectances under measured and standard lights.

Outside source of all spectra: colour-science (BSD-3): the ISO 17321-1 chart's reflectances, CIE illuminants and LED
spectra, measured camera sensitivities (Nikon 5100 and Sigma SDMerill, NPL), CIE 1931 matching functions; 400 to 680 nm
in steps of 5 nm. They stand in for the robot's sensor and the venue's paint, whose spectra nobody knows: nothing here
says that a real sensor works. The tables (R) were computed with colour-science 0.4.7 before this code was written.
"""

import math
import random
import warnings
from statistics import NormalDist

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robotcore.colour import DARK, Shares, lightness, share_noise, shares

LIGHTS = ("A", "D50", "D65", "FL2", "FL11", "LED-B3", "LED-RGB1")
WHITE, GREY, BLACK = "white 9.5 (.05 D)", "neutral 5 (.70 D)", "black 2 (1.5 D)"
BRIGHTNESS = (0.5, 0.75, 1.0, 1.25, 1.5)
channels = st.floats(0.0, 1.5)


class Bench:
    """The raw channel values of any patch under any light, as (r, g, b)."""

    def __init__(self):
        with warnings.catch_warnings():
            # On import, colour-science warns of plotting packages that are not installed; no plot is drawn here.
            warnings.filterwarnings("ignore", message=r'"\w+" related API features are not available')
            import colour
        import numpy as np

        def sampled(spectrum):
            return spectrum.values[np.searchsorted(spectrum.wavelengths, np.arange(400, 681, 5))]

        self.patches = {name: sampled(sd) for name, sd in colour.SDS_COLOURCHECKERS["ISO 17321-1"].items()}
        self.lights = {name: sampled(colour.SDS_ILLUMINANTS[name]) for name in LIGHTS}
        self.lights = {name: power / power.sum() for name, power in self.lights.items()}
        self.sensors = {
            "Nikon": sampled(colour.MSDS_CAMERA_SENSITIVITIES["Nikon 5100 (NPL)"]),
            "Sigma": sampled(colour.MSDS_CAMERA_SENSITIVITIES["Sigma SDMerill (NPL)"]),
            "CIE": sampled(colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]),
        }

    def raw(self, patch, light, sensor):
        return ((self.patches[patch] * self.lights[light]) @ self.sensors[sensor]).tolist()

    def on_white(self, patch, light, sensor, brightness=1.0, taught=None):
        """Normalise to the white that was taught under the light `taught` (default: the same light)."""
        white = self.raw(WHITE, taught or light, sensor)
        return [brightness * x / w for x, w in zip(self.raw(patch, light, sensor), white, strict=True)]

    def off_black(self, patch, light, sensor, brightness=1.0):
        """Normalise with black paint's reading taken off: what robotcore.colour advises against."""
        black, white = self.raw(BLACK, light, sensor), self.raw(WHITE, light, sensor)
        raw = self.raw(patch, light, sensor)
        return [(brightness * x - k) / (w - k) for x, k, w in zip(raw, black, white, strict=True)]


@pytest.fixture(scope="module")
def bench():
    return Bench()


@pytest.mark.parametrize(
    ("patch", "expected"),
    [
        (WHITE, (0.333,) * 7),
        (GREY, (0.334, 0.333, 0.333, 0.333, 0.333, 0.333, 0.334)),
        ("green", (0.513, 0.522, 0.521, 0.520, 0.566, 0.527, 0.506)),
        ("foliage", (0.446, 0.448, 0.447, 0.456, 0.488, 0.455, 0.438)),
        ("yellow green", (0.441, 0.442, 0.442, 0.455, 0.474, 0.453, 0.427)),
        ("bluish green", (0.385, 0.395, 0.396, 0.386, 0.401, 0.394, 0.399)),
        ("yellow", (0.371, 0.363, 0.361, 0.392, 0.388, 0.380, 0.346)),
        ("cyan", (0.330, 0.355, 0.362, 0.324, 0.333, 0.339, 0.368)),
        ("blue", (0.183, 0.220, 0.232, 0.180, 0.177, 0.183, 0.201)),
        ("red", (0.129, 0.104, 0.099, 0.136, 0.121, 0.121, 0.112)),
    ],
)
def test_share_of_green_on_readings_between_black_and_white(bench, patch, expected):
    # Source: colour-science (R). Nikon, (x - black 2)/(white 9.5 - black 2), per light. The gate plays no part in it.
    found = [shares(*bench.off_black(patch, light, "Nikon"), dark=0.01).g for light in LIGHTS]
    assert found == pytest.approx(expected, abs=0.002)


@pytest.mark.parametrize(
    ("sensor", "expected"),
    [  # colour-science (R): x/white, least and greatest over the seven lights
        (
            "Nikon",
            {
                WHITE: (0.333, 0.333),
                BLACK: (0.331, 0.334),
                "green": (0.475, 0.520),
                "foliage": (0.406, 0.438),
                "yellow green": (0.418, 0.459),
                "bluish green": (0.381, 0.395),
                "yellow": (0.345, 0.387),
                "red": (0.151, 0.192),
            },
        ),
        (
            "CIE",
            {
                WHITE: (0.333, 0.333),
                BLACK: (0.326, 0.330),
                "green": (0.466, 0.505),
                "foliage": (0.419, 0.446),
                "yellow green": (0.455, 0.495),
                "bluish green": (0.345, 0.364),
                "yellow": (0.426, 0.472),
                "red": (0.312, 0.330),
            },
        ),
        (
            "Sigma",
            {
                WHITE: (0.333, 0.333),
                BLACK: (0.332, 0.333),
                "green": (0.351, 0.358),
                "foliage": (0.340, 0.345),
                "yellow green": (0.341, 0.347),
                "bluish green": (0.342, 0.347),
                "yellow": (0.333, 0.339),
                "red": (0.297, 0.317),
            },
        ),
    ],
)
def test_share_of_green_on_readings_over_white(bench, sensor, expected):
    for patch, limits in expected.items():
        found = [shares(*bench.on_white(patch, light, sensor), dark=0.01).g for light in LIGHTS]
        assert (min(found), max(found)) == pytest.approx(limits, abs=0.002), patch


def test_largest_shares_of_red_and_blue_paint(bench):
    # Source: colour-science (R). Red patch r .807 to .855, blue patch b .682 to .764.
    red = [shares(*bench.off_black("red", light, "Nikon"), dark=0.01).r for light in LIGHTS]
    blue = [shares(*bench.off_black("blue", light, "Nikon"), dark=0.01).b for light in LIGHTS]
    assert (min(red), max(red)) == pytest.approx((0.807, 0.855), abs=0.002)
    assert (min(blue), max(blue)) == pytest.approx((0.682, 0.764), abs=0.002)


def found_green(bench, sensor, taught, judge):
    """Count (greens found, others mistaken) over 7 lights and 5 brightnesses; 35 green cases, 175 others."""
    hits = dict.fromkeys(("green", "red", "blue", WHITE, BLACK, GREY), 0)
    for patch in hits:
        for light in LIGHTS:
            for k in BRIGHTNESS:
                hits[patch] += judge(bench.on_white(patch, light, sensor, k, taught))
    return hits.pop("green"), sum(hits.values())


def green_by_share(reading):
    found = shares(*reading)
    return found is not None and found.g > 0.42


@pytest.mark.parametrize("sensor", ["Nikon", "CIE"])
@pytest.mark.parametrize("taught", [None, "D65"])
def test_share_finds_green_where_absolute_ranges_do_not(bench, sensor, taught):
    # Source: colour-science (R): share 35 of 35 and no false one, calibrated freshly and in another
    # light. The box (±30 % about green as taught under D65) is an untuned baseline that cannot span ±50 % brightness;
    # over these five brightnesses it finds at most half.
    centre = bench.on_white("green", "D65", sensor)

    def green_by_box(reading):
        return all(abs(x - c) <= 0.3 * c for x, c in zip(reading, centre, strict=True))

    assert found_green(bench, sensor, taught, green_by_share) == (35, 0)
    assert found_green(bench, sensor, taught, green_by_box)[0] <= 17


def test_gate_lets_dim_green_pass_and_stops_black(bench):
    # Source: colour-science (R): black reads .038, green .18 to .21 at brightness 1.
    for light in LIGHTS:
        black, green = bench.on_white(BLACK, light, "Nikon"), bench.on_white("green", light, "Nikon")
        assert lightness(*black) == pytest.approx(0.038, abs=0.001)
        assert 0.18 <= lightness(*green) <= 0.21
        assert shares(*black) is None
        assert shares(*bench.on_white("green", light, "Nikon", 0.5)) is not None


def test_a_share_over_white_does_not_see_brightness(bench):
    # Source: colour-science (R): .4819 under D65, whatever the brightness.
    found = [shares(*bench.on_white("green", "D65", "Nikon", k)).g for k in BRIGHTNESS]
    assert found == pytest.approx([0.4819] * 5, abs=1e-4)
    assert max(found) - min(found) < 1e-12


def test_taking_off_black_paint_makes_shares_see_brightness(bench):
    # Source: colour-science (R): .589 to .506 as the brightness goes from 0.5 to 1.5.
    found = [shares(*bench.off_black("green", "D65", "Nikon", k), dark=0.01).g for k in (0.5, 1.5)]
    assert found == pytest.approx([0.589, 0.506], abs=0.001)


@given(channels, channels, channels, st.floats(0.5, 1.5))
def test_shares_do_not_change_with_brightness(r, g, b, k):
    before, after = shares(r, g, b), shares(k * r, k * g, k * b)
    if before is not None and after is not None:
        assert after == pytest.approx(before, abs=1e-12)


@given(channels, channels, channels)
def test_shares_add_up_to_one_or_are_none_in_the_dark(r, g, b):
    found = shares(r, g, b)
    if lightness(r, g, b) > DARK * (1.0 + 1e-12):
        assert sum(found) == pytest.approx(1.0, abs=1e-12)
    elif lightness(r, g, b) < DARK * (1.0 - 1e-12):
        assert found is None


@given(st.floats(DARK * 1.001, 1.5))
def test_every_grey_has_thirds(level):
    assert shares(level, level, level) == pytest.approx(Shares(1 / 3, 1 / 3, 1 / 3), abs=1e-15)


def test_noise_below_nothing_is_no_error():
    assert shares(-0.01, 0.6, 0.01) == pytest.approx((-0.01 / 0.6, 1.0, 0.01 / 0.6))
    assert shares(-0.01, -0.01, 0.0) is None


@pytest.mark.parametrize("level", [0.2, 0.5, 1.0])
def test_noise_of_a_share_as_drawn(level):
    # Source: 4000 seeded draws; the standard error of a standard deviation is 1.1 %, so 4 % is over three of them.
    draw = random.Random(11)
    found = [shares(*(draw.gauss(level, 0.01) for _ in range(3)), dark=0.01).g for _ in range(4000)]
    spread = math.sqrt(sum((g - 1 / 3) ** 2 for g in found) / len(found))
    assert spread == pytest.approx(share_noise(0.01, level), rel=0.04)


@pytest.mark.parametrize(("level", "chance"), [(0.05, 0.113), (0.10, 0.008)])
def test_noise_turns_dark_grey_green_as_often_as_drawn_elsewhere(level, chance):
    # Source: numpy, 200 000 draws (R): P(g > .40) at σ = .01. share_noise is first order, hence 5e-3.
    estimate = 1.0 - NormalDist(1 / 3, share_noise(0.01, level)).cdf(0.40)
    assert estimate == pytest.approx(chance, abs=5e-3)


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_readings_that_are_not_finite_are_refused(bad):
    for reading in ((bad, 0.5, 0.5), (0.5, bad, 0.5), (0.5, 0.5, bad)):
        with pytest.raises(ValueError, match="the reading is"):
            shares(*reading)


@pytest.mark.parametrize("gate", [0.0, -0.1, math.nan])
def test_a_gate_that_lets_nothing_be_divided_by_nothing_is_refused(gate):
    with pytest.raises(ValueError, match="dark is"):
        shares(0.5, 0.5, 0.5, dark=gate)


@pytest.mark.parametrize(("noise", "level"), [(0.01, 0.0), (-0.01, 0.5), (0.01, math.nan)])
def test_impossible_noise_is_refused(noise, level):
    with pytest.raises(ValueError, match="level is"):
        share_noise(noise, level)
