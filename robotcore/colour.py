"""Colour as the robot can trust it: shares, which do not change with brightness, and lightness, which does.

Rules: every reading here is already normalised to white, channel by channel: (raw - dark) / (white - dark), where
`dark` is the reading with the lamp off. So 1.0 is the white reference, and a glossy or metallic floor may read above
it. A share is R, G or B over R + G + B. A grey of any lightness has shares of 1/3; a brighter lamp changes nothing.

Do not subtract a *black surface's* reading, tempting as it is to have black tape read 0. What black reflects grows with
the light like everything else: it is part of the signal, not of the electronics. With it taken off as a constant,
(k raw - black) / (white - black) is no longer in proportion to the brightness k, and shares drift with it: on measured
green paint from .589 to .506 as k goes from 0.5 to 1.5, where white alone leaves the share the same to the last
digits (tests/test_colour.py). Take off only what is there without light.

Noise makes shares useless in the dark: see `share_noise`. What counts as green is for behaviours to say.
"""

import math
from typing import NamedTuple

DARK = 0.08
"""Default gate: the lightness below which there are no shares. Black paint reads about .04 and dim green .1; chosen
so that green at half brightness still passes (tests/test_colour.py), and to be judged anew for each sensor."""


class Shares(NamedTuple):
    """Each channel over the sum of all three; they add up to 1. Noise may take one a little below 0."""

    r: float
    g: float
    b: float


def lightness(r: float, g: float, b: float) -> float:
    """Return the mean of the three normalised channels: 1.0 on the white reference."""
    return (r + g + b) / 3.0


def shares(r: float, g: float, b: float, dark: float = DARK) -> Shares | None:
    """Return the shares of a normalised reading, or None where it is too dark to have any.

    None and not nan, so that nobody compares it with a threshold by mistake.

    Args:
        r: red, normalised to white.
        g: green, normalised to white.
        b: blue, normalised to white.
        dark: the gate, a lightness above 0.

    Raises:
        ValueError: a channel is not finite, or the gate is not above 0.

    """
    total = r + g + b
    if not -math.inf < total < math.inf:
        raise ValueError(f"the reading is ({r!r}, {g!r}, {b!r}); give finite channels")
    if not dark > 0.0:
        raise ValueError(f"dark is {dark!r}; give a lightness above 0")
    if total < 3.0 * dark:
        return None
    return Shares(r / total, g / total, b / total)


def share_noise(noise: float, level: float) -> float:
    """Return the standard deviation of one share of a grey, √6 noise / (9 level), to first order.

    Follows from g = G/(R+G+B) with equal, independent noise on the channels. Set gates by it, and trust a colour only
    if its share lies several of these from 1/3.

    Args:
        noise: standard deviation of each normalised channel.
        level: lightness of the grey, above 0.

    Raises:
        ValueError: level is not above 0, or noise is negative.

    """
    if not (level > 0.0 and noise >= 0.0):
        raise ValueError(f"level is {level!r} and noise is {noise!r}; give level above 0 and noise 0 or more")
    return math.sqrt(6.0) * noise / (9.0 * level)
