"""What every device driver asks of its options table, in one place so that all of them spell it alike."""

import math

from robotcore.checking import Table

NAN = math.nan
TURN_RAD = 2 * math.pi


def max_age_s(options: Table, default_ms: float) -> float:
    """Read the option ``max_age_ms``, in seconds: older readings are stale."""
    return options.number("max_age_ms", default_ms, low=1, high=6000) / 1000


def rad_per_count(options: Table) -> float:
    """Read the option ``counts_per_turn`` of an encoder (default 360), as radians a count."""
    return TURN_RAD / options.number("counts_per_turn", 360, low=1, high=1e6)
