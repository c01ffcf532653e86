"""Colours and sizes of a sheet.

The colours are the palette of Okabe and Ito, "Color Universal Design" (2008), chosen by them so that people with any of
the common kinds of colour blindness can tell them apart (values from memory).
"""

from typing import Any

BLACK = "#000000"
ORANGE = "#E69F00"
SKY = "#56B4E9"
GREEN = "#009E73"
BLUE = "#0072B2"
VERMILLION = "#D55E00"
PURPLE = "#CC79A7"
PALE = "#E4E4E4"  #: the floor where nothing is known of it

LEFT, RIGHT = BLUE, ORANGE  #: of the two sides of the robot

DOTS_PER_INCH = 100
SHEET_IN = 16.0  #: width; 1600 dots
SMALL, NORMAL, LARGE = 8.5, 9.5, 15.0  #: letters, in points

SETTINGS: dict[Any, Any] = {
    "font.family": "DejaVu Sans",
    "font.size": NORMAL,
    "axes.labelsize": NORMAL,
    "xtick.labelsize": SMALL,
    "ytick.labelsize": SMALL,
    "axes.linewidth": 0.6,
    "text.parse_math": False,  # a dollar sign in a recording is a dollar sign
    "svg.hashsalt": "robotcore",
    "svg.fonttype": "path",
    "path.simplify": True,
    "savefig.bbox": None,
}
