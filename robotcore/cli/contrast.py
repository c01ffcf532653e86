"""What a comparison of two versions is told as: lines for people, JSON for machines."""

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

from robotcore.sweep.pairs import Comparison, Measure, Odds, Outcome, Replays, Spread, compare, compare_replays
from robotcore.sweep.report import aligned

Both = tuple[str, str]


class Against(NamedTuple):
    """One version held against the base: what they are, what they did, and what that comes to."""

    names: Both
    labels: Both
    runs: tuple[Mapping[str, Outcome], Mapping[str, Outcome]]
    verdicts: tuple[Mapping[str, str], Mapping[str, str]]
    seeds: Comparison | None
    replays: Replays | None
    level: float

    @property
    def worse(self) -> bool:
        """Tell whether the second is significantly worse, on seeds or on recordings."""
        return any(odds.worse(self.level) for odds in self.odds())

    def odds(self) -> list[Odds]:
        """Return how pairs fall, of seeds and of recordings, where there are any."""
        return [part.odds for part in (self.seeds, self.replays) if part is not None]


def against(
    names: Both,
    labels: Both,
    runs: tuple[Mapping[str, Outcome], Mapping[str, Outcome]],
    verdicts: tuple[Mapping[str, str], Mapping[str, str]],
    level: float,
) -> Against:
    """Hold the second version against the first."""
    replays = compare_replays(*verdicts) if verdicts[0] else None
    return Against(names, labels, runs, verdicts, compare(*runs), replays, level)


def lines_of(one: Against, opening: Sequence[str]) -> list[str]:
    """Return the report.

    Args:
        one: the comparison.
        opening: commands that must be given once before runs of a commit can be opened.

    """
    width = max(map(len, one.names))
    lines = [f"{name:<{width}}  {label}" for name, label in zip(one.names, one.labels, strict=True)]
    if one.seeds is not None:
        lines += ["", *_seed_lines(one.names, one.seeds, one.level)]
        lines += _differing(one, one.seeds, opening)
    if one.replays is not None:
        lines += ["", *_replay_lines(one, one.replays)]
    return lines


def _seed_lines(names: Both, found: Comparison, level: float) -> list[str]:
    head = ["", "success", "", "Wilson 95 %", "time s: p10", "median", "p90", "rms mm: p10", "median", "p90"]
    rows = [head]
    for name, rate, time, rms in (
        (names[0], found.first, found.time_s.first, found.rms_mm.first),
        (names[1], found.second, found.time_s.second, found.rms_mm.second),
    ):
        share = f"{100 * rate.successes / rate.runs:.1f} %"
        interval = f"{100 * rate.low:.1f} to {100 * rate.high:.1f} %"
        rows.append([name, f"{rate.successes}/{rate.runs}", share, interval, *_spread(time), *_spread(rms)])
    return [
        *aligned(rows),
        "",
        f"success   {_fallen(names, found.odds)}; difference {_points(found):+.1f} points",
        f"          {judged(names, found.odds, level)}",
        f"time      {_shift(names, found.time_s, 's')}",
        f"tracking  {_shift(names, found.rms_mm, 'mm')}",
        f"decisions {found.alike} of {found.first.runs} runs decide the same, tick for tick",
    ]


def _points(found: Comparison) -> float:
    return 100.0 * (found.second.successes - found.first.successes) / found.first.runs


def _spread(spread: Spread | None) -> list[str]:
    return ["-"] * 3 if spread is None else [f"{value:.1f}" for value in (spread.p10, spread.median, spread.p90)]


def _fallen(names: Both, odds: Odds) -> str:
    first, second = names
    return f"both {odds.both}, only {first} {odds.only_first}, only {second} {odds.only_second}, neither {odds.neither}"


def judged(names: Both, odds: Odds, level: float) -> str:
    """Return in words whether the second is worse, better or neither."""
    first, second = names
    if odds.worse(level):
        return f"{second} is significantly worse than {first} (McNemar exact p = {odds.p:.3g} < {level:g})"
    if odds.better(level):
        return f"{second} is significantly better than {first} (McNemar exact p = {odds.p:.3g} < {level:g})"
    return f"no significant difference (McNemar exact p = {odds.p:.3g})"


def _shift(names: Both, measure: Measure, unit: str) -> str:
    if measure.shift is None:
        return "no pair in which both succeeded"
    change = f"{names[1]} - {names[0]}: median {measure.shift:+.2f} {unit}"
    return f"{change} over {measure.pairs} pairs in which both succeeded"


def _differing(one: Against, found: Comparison, opening: Sequence[str]) -> list[str]:
    if not found.differ:
        return []
    lines = ["", "they differ on:"]
    if opening:
        lines += ["  (once, to open runs of a commit)", *(f"  {command}" for command in opening)]
    for run in found.differ:
        first, second = one.runs[0][run], one.runs[1][run]
        bad, failed = (one.names[0], first) if second.success else (one.names[1], second)
        lines += [f"  {run}  {bad} failed: {failed.why}"]
        lines += [f"    {name}: {side.command}" for name, side in zip(one.names, (first, second), strict=True)]
    return lines


def _replay_lines(one: Against, found: Replays) -> list[str]:
    first, second = one.verdicts
    lines = [
        f"recordings that decide as recorded: {_fallen(one.names, found.odds)}; "
        f"left out, one side cannot tell: {len(found.undecided)}",
        judged(one.names, found.odds, one.level),
    ]
    if found.differ:
        lines += [
            "",
            *aligned([["recording", *one.names], *([name, first[name], second[name]] for name in found.differ)], 3),
        ]
    return lines


def to_json(one: Against) -> dict[str, Any]:
    """Return the comparison as one JSON object."""
    return {
        "format": 1,
        "names": one.names,
        "labels": one.labels,
        "p_level": one.level,
        "worse": one.worse,
        "seeds": None if one.seeds is None else _plain(one.seeds),
        "runs": {
            run: {name: side[run]._asdict() for name, side in zip(one.names, one.runs, strict=True)}
            for run in one.runs[0]
            if run in one.runs[1]
        },
        "replays": None if one.replays is None else _plain(one.replays),
        "verdicts": dict(zip(one.names, map(dict, one.verdicts), strict=True)),
    }


def _plain(value: Any) -> Any:
    """Return nested named tuples as nested objects."""
    if hasattr(value, "_asdict"):
        return {key: _plain(part) for key, part in value._asdict().items()}
    return value
