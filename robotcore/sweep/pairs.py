"""Two versions on the same runs, pair by pair.

Rules: only runs that both have count; a difference in success is judged by McNemar's exact test on the pairs that
differ; times and tracking errors are compared over pairs in which both succeeded, since a run that failed early is not
a fast one.
"""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from robotcore.stats import mcnemar_exact, median, percentile, wilson

KEPT = ("same", "equivalent")  #: verdicts of a replay under which nothing changed
CHANGED = "changed"


class Outcome(NamedTuple):
    """What one version made of one run. `decided` tells same runs from others; `command` opens it again."""

    success: bool
    time_s: float
    rms_mm: float | None
    decided: str
    why: str
    command: str


class Spread(NamedTuple):
    """How a number is spread over runs."""

    runs: int
    p10: float
    median: float
    p90: float


class Rate(NamedTuple):
    """A success rate with its Wilson interval."""

    successes: int
    runs: int
    low: float
    high: float


class Odds(NamedTuple):
    """How pairs fall: both, only the first, only the second, neither; and McNemar's exact p."""

    both: int
    only_first: int
    only_second: int
    neither: int
    p: float

    def worse(self, level: float) -> bool:
        """Tell whether the second is significantly worse."""
        return self.p < level and self.only_first > self.only_second

    def better(self, level: float) -> bool:
        """Tell whether the second is significantly better."""
        return self.p < level and self.only_second > self.only_first


class Measure(NamedTuple):
    """One number under both versions, and the median of second minus first, over `pairs` pairs."""

    first: Spread | None
    second: Spread | None
    shift: float | None
    pairs: int


class Comparison(NamedTuple):
    """All that is said of two versions. `alike` counts pairs that decide the same in every tick."""

    first: Rate
    second: Rate
    odds: Odds
    alike: int
    time_s: Measure
    rms_mm: Measure
    differ: tuple[str, ...]


def compare(first: Mapping[str, Outcome], second: Mapping[str, Outcome]) -> Comparison | None:
    """Compare two versions on the runs (name -> outcome) that both have; None where there are none."""
    names = [name for name in first if name in second]
    if not names:
        return None
    pairs = [(first[name], second[name]) for name in names]
    both = [(one, two) for one, two in pairs if one.success and two.success]
    return Comparison(
        first=rate([one.success for one, _ in pairs]),
        second=rate([two.success for _, two in pairs]),
        odds=odds([(one.success, two.success) for one, two in pairs]),
        alike=sum(one.decided == two.decided and one.success == two.success for one, two in pairs),
        time_s=_measure([(one.time_s, two.time_s) for one, two in both]),
        rms_mm=_measure([(a.rms_mm, b.rms_mm) for a, b in both if a.rms_mm is not None and b.rms_mm is not None]),
        differ=tuple(name for name in names if first[name].success != second[name].success),
    )


def rate(successes: Sequence[bool]) -> Rate:
    """Return a success rate; there must be runs."""
    return Rate(sum(successes), len(successes), *wilson(sum(successes), len(successes)))


def odds(pairs: Sequence[tuple[bool, bool]]) -> Odds:
    """Count how pairs of successes fall."""
    only_first, only_second = pairs.count((True, False)), pairs.count((False, True))
    p = mcnemar_exact(only_first, only_second)
    return Odds(pairs.count((True, True)), only_first, only_second, pairs.count((False, False)), p)


def _measure(pairs: Sequence[tuple[Any, Any]]) -> Measure:
    if not pairs:
        return Measure(None, None, None, 0)
    shift = median(two - one for one, two in pairs)
    return Measure(spread([one for one, _ in pairs]), spread([two for _, two in pairs]), shift, len(pairs))


def spread(values: Sequence[float]) -> Spread:
    """Return how values are spread; there must be some."""
    return Spread(len(values), percentile(values, 10), median(values), percentile(values, 90))


class Replays(NamedTuple):
    """Two versions on the same recordings. `undecided` are those of which one version's replay cannot tell."""

    odds: Odds
    undecided: tuple[str, ...]
    differ: tuple[str, ...]


def compare_replays(first: Mapping[str, str], second: Mapping[str, str]) -> Replays:
    """Compare verdicts (file -> verdict): a success is what still decides as recorded."""
    names = [name for name in first if name in second]
    known = (*KEPT, CHANGED)
    decided = [name for name in names if first[name] in known and second[name] in known]
    return Replays(
        odds([(first[name] in KEPT, second[name] in KEPT) for name in decided]),
        tuple(name for name in names if name not in decided),
        tuple(name for name in names if first[name] != second[name]),
    )
