"""How near is near enough when a replay is judged. Every number here is an option and stands in the report."""

import math
from typing import Any

import attrs


def _above_zero(owner: object, attribute: "attrs.Attribute[Any]", value: float) -> None:
    if not 0.0 <= value < math.inf:
        raise ValueError(f"{attribute.name} is {value!r}; give a finite number of 0 or more")


def _size(default: float) -> Any:
    return attrs.field(default=default, validator=_above_zero)


@attrs.frozen
class Tolerance:
    """What a replay may differ by.

    Args:
        trust_m: so far may old and new commands carry the robot apart before the readings count no more.
        trust_rad: the same for its heading, and for the set-points of gripper and sorter.
        growth_per_s: what they have once brought about may grow by exp(growth_per_s times seconds), since the robot
            answers to where it is (see `robotcore.replay.trust`).
        time_s: so much earlier or later may a decision come.
        share: so much of the larger one may numbers with a fraction in a decision differ. Whole numbers (counts),
            texts and truth values must be equal.
        absolute: numbers with a fraction may differ by so much whatever their size: near zero a share means nothing.
            A millimetre, a milliradian or a thousandth of a share, as things are in SI units.

    """

    trust_m: float = _size(0.005)
    trust_rad: float = _size(math.radians(3.0))
    growth_per_s: float = _size(3.0)
    time_s: float = _size(0.1)
    share: float = _size(0.05)
    absolute: float = _size(0.001)

    def ticks(self, period_s: float) -> int:
        """Return `time_s` in whole ticks, rounded down but for the last bits."""
        return int(self.time_s / period_s + 1e-9)


#: what "the same" means: rounding on another machine and nothing else
EXACT = Tolerance(trust_m=0.0, trust_rad=0.0, time_s=0.0, share=1e-9, absolute=0.0)
