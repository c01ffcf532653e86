"""What is painted on the floor: white, black, green, red, silver or unknown, from readings normalised by white alone.

Rules: shares of a channel do not change with brightness, so nothing is subtracted for black. Below a gate there is
too little light for a share. One reading decides nothing: a strip is voted.
"""

from behaviours.settings import LineSettings, MarkerSettings, StripSettings
from robotcore.control import Vote
from robotcore.kernel import tick
from robotcore.readings import Colour
from robotcore.robot import Robot

WHITE, BLACK, GREEN, RED, SILVER, UNKNOWN = "white", "black", "green", "red", "silver", "unknown"
LIT = 0.5  #: a grey reading above half of white is floor; below, line or shade


def is_green(colour: Colour, s: MarkerSettings) -> bool:
    """Tell whether a reading is a marker's green: share of green with a margin, bright enough, not too bright."""
    red, green, blue, lightness = colour[0], colour[1], colour[2], colour[3]
    if not (colour[6] and s.gate < lightness < s.light):
        return False
    total = 3.0 * lightness
    margin = s.margin * total
    return green > s.green * total and green - red > margin and green - blue > margin


def is_red(colour: Colour, s: StripSettings) -> bool:
    """Tell whether a reading is a strip's red."""
    return colour[6] and colour[3] > s.gate and colour[0] > s.red * 3.0 * colour[3]


def paint(colour: Colour, white: float, marker: MarkerSettings, strip: StripSettings) -> str:
    """Return what is painted under an eye, given the lightness of white floor here."""
    lightness = colour.lightness
    if not colour.valid:
        return UNKNOWN
    if lightness < strip.gate:
        return BLACK
    if is_green(colour, marker):
        return GREEN
    if is_red(colour, strip):
        return RED
    total = 3.0 * lightness
    if max(abs(channel / total - 1.0 / 3.0) for channel in colour[:3]) > strip.grey:
        return UNKNOWN
    if lightness > strip.silver * white:
        return SILVER
    return WHITE if lightness > LIT * white else BLACK


async def red_strip(robot: Robot, s: LineSettings) -> str:
    """Return once enough of the last readings of one eye were red; says which eye."""
    strip, votes = s.strip, (Vote(s.strip.votes, s.strip.window), Vote(s.strip.votes, s.strip.window))
    quiet = True
    while True:
        sample = await tick()
        left, right = sample[2], sample[3]
        left_red = left[0] > left[1] + left[2] and is_red(left, strip)
        right_red = right[0] > right[1] + right[2] and is_red(right, strip)
        if quiet and not left_red and not right_red:
            continue
        left_says, right_says = votes[0].update(left_red), votes[1].update(right_red)
        quiet = votes[0].count + votes[1].count == 0
        if left_says or right_says:
            seen = left if left_says else right
            share = seen.red / (3.0 * seen.lightness) if seen.valid else s.strip.red
            robot.decide("red strip", eye="left" if left_says else "right", share=round(share, 3))
            return RED
