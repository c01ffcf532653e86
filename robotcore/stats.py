"""The few statistics that reports need: how sure is a success rate, did a change help, what is typical.

Rules: exact where exact is cheap; nothing is claimed from no data, so empty input raises. Pure Python, so that a
report can be made on the brick too; the normal quantile is imported where it is used.
"""

import math
from collections.abc import Iterable


def wilson(successes: int, runs: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the Wilson score interval (low, high) of a success rate.

    E. B. Wilson, JASA 22 (1927), as in Newcombe, Statistics in Medicine 17 (1998), method 3, without continuity
    correction (from memory). Ten of ten successes prove no more than 72 %: low is n/(n + z²) there.

    Raises:
        ValueError: runs is below 1, successes is not within 0 to runs, or confidence is not within (0, 1).

    """
    if not (runs >= 1 and 0 <= successes <= runs):
        raise ValueError(f"successes are {successes!r} of {runs!r}; give 0 to runs, and at least one run")
    z2 = _two_sided_z(confidence) ** 2
    rate = successes / runs
    centre = rate + z2 / (2 * runs)
    spread = math.sqrt(z2 * (rate * (1.0 - rate) + z2 / (4 * runs)) / runs)
    scale = 1.0 + z2 / runs
    low = 0.0 if successes == 0 else (centre - spread) / scale
    high = 1.0 if successes == runs else (centre + spread) / scale
    return low, high


def flawless_runs(least: float, confidence: float = 0.95) -> int:
    """Return how many runs without a failure vouch for a success rate of `least`: those with n/(n + z²) from it on.

    Raises:
        ValueError: least is not within [0, 1), or confidence is not within (0, 1).

    """
    if not 0.0 <= least < 1.0:
        raise ValueError(f"least is {least!r}; give a number from 0 to below 1")
    return math.ceil(_two_sided_z(confidence) ** 2 * least / (1.0 - least))


def _two_sided_z(confidence: float) -> float:
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence is {confidence!r}; give a number between 0 and 1, such as 0.95")
    from statistics import NormalDist  # late: the control loop never needs it

    return NormalDist().inv_cdf(0.5 + 0.5 * confidence)


def mcnemar_exact(only_first: int, only_second: int) -> float:
    """Return the two-sided p of McNemar's exact test for paired runs.

    Of pairs run with the same seed under the old and the new code, those that agree say nothing. Under no difference
    the others fall either way like a fair coin: p is twice the smaller tail of that binomial, at most 1, and exact.

    Args:
        only_first: pairs in which only the first succeeded.
        only_second: pairs in which only the second succeeded.

    Raises:
        ValueError: a count is negative.

    """
    if only_first < 0 or only_second < 0:
        raise ValueError(f"counts are {only_first!r} and {only_second!r}; give 0 or more")
    pairs = only_first + only_second
    term = tail = 1
    for chosen in range(min(only_first, only_second)):
        term = term * (pairs - chosen) // (chosen + 1)  # the next binomial coefficient, in whole numbers
        tail += term
    return min(1.0, 2 * tail / (1 << pairs))


def percentile(values: Iterable[float], percent: float) -> float:
    """Return a percentile, linear between order statistics (Hyndman and Fan 1996, type 7; numpy's default).

    Raises:
        ValueError: there are no values, one is not finite, or percent is not within 0 to 100.

    """
    if not 0.0 <= percent <= 100.0:
        raise ValueError(f"percent is {percent!r}; give a number from 0 to 100")
    ordered = sorted(_checked(values))
    place = (len(ordered) - 1) * (percent / 100.0)
    below = int(place)
    above = min(below + 1, len(ordered) - 1)
    weight = place - below
    return ordered[below] * (1.0 - weight) + ordered[above] * weight


def median(values: Iterable[float]) -> float:
    """Return the median, the mean of the middle two where the values are even in number.

    Raises:
        ValueError: there are no values, or one is not finite.

    """
    return percentile(values, 50.0)


def rms(values: Iterable[float]) -> float:
    """Return the root of the mean square.

    Raises:
        ValueError: there are no values, or one is not finite.

    """
    checked = _checked(values)
    return math.hypot(*checked) / math.sqrt(len(checked))  # hypot scales: no overflow on the way


def _checked(values: Iterable[float]) -> list[float]:
    numbers = list(values)
    if not numbers:
        raise ValueError("there are no values; give at least one")
    for number in numbers:
        if not -math.inf < number < math.inf:
            raise ValueError(f"a value is {number!r}; give finite numbers")
    return numbers
