"""Which colour a reading is, by shares and brightness: objects in the jaws, berths on the floor or on walls.

Rules: shares of a channel do not change with the light's brightness; a reading that fits nothing is "", never the
nearest guess; one reading decides nothing.
"""

from behaviours.zone.settings import ClassSettings
from robotcore.readings import OK, SATURATED, Colour

GATE = 0.04  #: lightness below which a floor or a wall has no colour


def hue(red: float, green: float, blue: float, s: ClassSettings) -> str:
    """Return "red", "orange", "brown", "yellow", "green" or "blue" of three channels; "grey", or "" between these."""
    total = red + green + blue
    if total <= 0.0:
        return ""
    r, g, b = red / total, green / total, blue / total
    if max(abs(r - 1 / 3), abs(g - 1 / 3), abs(b - 1 / 3)) < s.grey:
        return "grey"
    if b > s.lead:
        return "blue"
    if g > s.lead - 0.05 and g - r > 0.05:
        return "green"
    if r > s.lead or (r > s.lead - 0.06 and g > s.second):
        return "yellow" if g > s.second + 0.02 else "brown" if b > s.earth else "orange" if g > s.warm else "red"
    return ""


def object_colour(colour: Colour, s: ClassSettings) -> str:
    """Return the colour of what the jaws hold before the forward sensor; "" where the reading says nothing.

    The jaws hold every object at the same place, so brightness counts: it tells black from silver.
    """
    if colour.status not in (OK, SATURATED):
        return ""
    light = colour.lightness
    named = hue(max(0.0, colour.red), max(0.0, colour.green), max(0.0, colour.blue), s)
    if light < s.dark:
        return "black" if named in ("grey", "") or light < 0.3 * s.dark else named
    if named != "grey":
        return "" if colour.status == SATURATED else named
    return "silver" if light > s.bright else ""


def floor_colour(colour: Colour, s: ClassSettings) -> str:
    """Return the hue under a floor eye, or of a painted wall before the robot; "" for plain or none."""
    if not colour.valid or colour.lightness < GATE:
        return ""
    named = hue(colour.red, colour.green, colour.blue, s)
    return "" if named == "grey" else named
