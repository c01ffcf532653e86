"""What a run is worth by the event's points: once by what really happened, once by what the robot said of itself.

Rules: the points are data of the event, a TOML file, checked whole. What really happened comes from the world as
events; what the robot said are its decisions. A rule names both in its own words, so neither side is asked what the
other saw. Where the world cannot know something, or no decision says it, that side is left out and never guessed.
"""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import attrs

from robotcore.checking import Checker, Table, parse_toml, read_text
from robotcore.log import Decision

Value = str | int | float | bool


class Event(NamedTuple):
    """Something that really happened: when (s), what, and its details."""

    time_s: float
    what: str
    fields: Mapping[str, Value]


@attrs.frozen
class Truth:
    """What a world knows of a run.

    Attributes:
        events: what happened, in order of time.
        unknown: what this world cannot tell of this run; rules about it are not counted by the truth.
        notes: what to know about it, a line each.

    """

    events: tuple[Event, ...]
    unknown: frozenset[str] = frozenset()
    notes: tuple[str, ...] = ()


TruthFactory = Callable[[Any, Any], "Truth | None"]
"""Gives the truth of a run from its `Recording` and `Rig`; None where the world has nothing to score."""


@attrs.frozen
class Filter:
    """A condition on one detail: one of `values`, or a number from `least` to `most`."""

    name: str
    values: tuple[Value, ...] = ()
    least: float | None = None
    most: float | None = None

    def holds(self, fields: Mapping[str, Value]) -> bool:
        """Tell whether the details fulfil it; a missing one does not."""
        value = fields.get(self.name)
        if value is None:
            return False
        if self.values:
            return any(value == one and isinstance(value, bool) == isinstance(one, bool) for one in self.values)
        if isinstance(value, bool | str):
            return False
        return (self.least is None or value >= self.least) and (self.most is None or value <= self.most)


@attrs.frozen
class Rule:
    """Points for something.

    Attributes:
        what: what happens, in the world's words.
        text: the same for people.
        points: for each time; negative for a penalty.
        where: what the world's event must fulfil.
        decision: the decision by which a robot says so; "" where none does.
        said_where: what that decision must fulfil.
        most: counts so often at most; None without limit.
        within_s: said and happened are the same no farther apart.

    """

    what: str
    text: str
    points: float
    within_s: float
    where: tuple[Filter, ...] = ()
    decision: str = ""
    said_where: tuple[Filter, ...] = ()
    most: int | None = None

    def happened(self, events: Sequence[Event]) -> list[float]:
        """Return when it really happened."""
        times = [
            event.time_s
            for event in events
            if event.what == self.what and all(one.holds(event.fields) for one in self.where)
        ]
        return sorted(times)[: self.most]

    def said(self, decisions: Sequence[Decision]) -> list[float]:
        """Return when the robot said so."""
        times = [
            decision.time_s
            for decision in decisions
            if decision.name == self.decision and all(one.holds(decision.fields) for one in self.said_where)
        ]
        return sorted(times)[: self.most]


@attrs.frozen
class TimeBonus:
    """Points for being early: `points` for each whole `every_s` seconds that `what` happened before `before_s`."""

    what: str
    text: str
    points: float
    every_s: float
    before_s: float

    def worth(self, time_s: float) -> float:
        """Return the points for a time."""
        return self.points * max(0, int((self.before_s - time_s) / self.every_s + 1e-9))


@attrs.frozen
class PointsTable:
    """The points of an event."""

    name: str
    about: str
    rules: tuple[Rule, ...]
    bonus: TimeBonus | None = None


def load_table(path: str | Path) -> PointsTable:
    """Read a points table.

    Raises:
        UserError: it cannot be read, or is faulty; all faults at once.

    """
    return parse_table(read_text(path), str(path))


def parse_table(text: str, source: str) -> PointsTable:
    """Build a points table from TOML text; its format stands in `drivers/scores/harbour-relief.toml`.

    Raises:
        UserError: it is not TOML, or faulty; all faults at once.

    """
    checker = Checker(source)
    top = Table(parse_toml(text, source), checker)
    head = top.table("score")
    name, about = head.text("name"), head.text("about", "")
    within_s = head.number("within_s", low=0.0, high=600.0)
    head.close()
    rules = tuple(_rule(table, within_s) for table in top.tables("award"))
    if not rules:
        top.fault("award", "there is none; add [[award]] tables")
    _check_twice(rules, checker)
    bonus = _bonus(top.table("time"), rules) if top.has("time") else None
    top.close()
    checker.finish()
    return PointsTable(name, about, rules, bonus)


def _rule(table: Table, within_s: float) -> Rule:
    what = table.text("what")
    text = table.text("text", what)
    points = table.number("points", low=-10_000.0, high=10_000.0)
    most = table.integer("most", low=1, high=10_000) if table.has("most") else None
    where = _filters(table.table("where", {}))
    decision = ""
    said_where: tuple[Filter, ...] = ()
    if table.has("said"):
        said = table.table("said")
        decision, said_where = said.text("decision"), _filters(said.table("where", {}))
        within_s = said.number("within_s", within_s, low=0.0, high=600.0)
        said.close()
    table.close()
    return Rule(what, text, points, within_s, where, decision, said_where, most)


def _filters(table: Table) -> tuple[Filter, ...]:
    return tuple(_filter(table, name) for name in table.data)


def _filter(table: Table, name: str) -> Filter:
    value = table.data[name]
    if isinstance(value, Mapping):
        limits = table.table(name)
        least = limits.number("least") if limits.has("least") else None
        most = limits.number("most") if limits.has("most") else None
        if least is None and most is None:
            table.fault(name, "has no limit; give least, most or both")
        limits.close()
        return Filter(name, (), least, most)
    values = value if isinstance(value, list) else [value]
    if not values or not all(isinstance(one, str | int | float | bool) for one in values):
        table.fault(name, "give a text, a number, true or false, a list of such, or { least = ..., most = ... }")
        return Filter(name)
    return Filter(name, tuple(values))


def _bonus(table: Table, rules: Sequence[Rule]) -> TimeBonus:
    known = list(dict.fromkeys(rule.what for rule in rules))
    what = table.choice("what", known)
    text = table.text("text", "time")
    points = table.number("points", low=0.0, high=10_000.0)
    every_s, before_s = table.number("every_s", low=0.1, high=1e5), table.number("before_s", low=0.1, high=1e5)
    table.close()
    return TimeBonus(what, text, points, every_s, before_s)


def _check_twice(rules: Sequence[Rule], checker: Checker) -> None:
    seen: list[str] = []
    for i, rule in enumerate(rules, 1):
        if rule.text in seen:
            checker.fault(f"award[{i}].text", f"{rule.text!r} is there twice; give each award its own text")
        seen.append(rule.text)


@attrs.frozen
class Count:
    """How often one rule was met: times in seconds; None where that side cannot tell.

    `unsaid` are times at which it happened and the robot did not say so, `untrue` those at which it said so and it did
    not happen; both empty where one side cannot tell.
    """

    rule: Rule
    truth: tuple[float, ...] | None
    said: tuple[float, ...] | None
    unsaid: tuple[float, ...]
    untrue: tuple[float, ...]

    def points(self, times: tuple[float, ...] | None) -> float | None:
        """Return what so many times are worth."""
        return None if times is None else self.rule.points * len(times)

    @property
    def agreed(self) -> bool | None:
        """Tell whether both sides say the same; None where one cannot tell."""
        return None if self.truth is None or self.said is None else not self.unsaid and not self.untrue


@attrs.frozen
class Sheet:
    """A run's points. `bonus` are those for time, by truth and by what was said; None where a side cannot tell."""

    table: PointsTable
    counts: tuple[Count, ...]
    bonus: tuple[float | None, float | None]
    notes: tuple[str, ...] = ()

    @property
    def truth_points(self) -> float | None:
        """Return the points by the truth; None without truth."""
        known = [points for count in self.counts if (points := count.points(count.truth)) is not None]
        return sum(known) + (self.bonus[0] or 0.0) if known else None

    @property
    def said_points(self) -> float:
        """Return the points by what the robot said."""
        return sum(count.points(count.said) or 0.0 for count in self.counts) + (self.bonus[1] or 0.0)

    @property
    def common(self) -> tuple[float, float] | None:
        """Return the points by truth and by what was said, of rules that both can tell, without time."""
        both = [count for count in self.counts if count.agreed is not None]
        if not both:
            return None
        return sum(count.points(count.truth) or 0.0 for count in both), sum(
            count.points(count.said) or 0.0 for count in both
        )

    @property
    def agreed(self) -> bool:
        """Tell whether truth and robot say the same wherever both can tell."""
        return all(count.agreed is not False for count in self.counts)

    def differences(self) -> list[tuple[float, str]]:
        """Return when and how the two sides differ, in order of time."""
        found = [(time, f"{count.rule.text}: happened, not said") for count in self.counts for time in count.unsaid]
        found += [(time, f"{count.rule.text}: said, did not happen") for count in self.counts for time in count.untrue]
        return sorted(found)


def score(table: PointsTable, truth: Truth | None, decisions: Sequence[Decision]) -> Sheet:
    """Return the points of a run by its truth (None where nobody knows it) and by its decisions."""
    counts = tuple(_count(rule, truth, decisions) for rule in table.rules)
    notes = ("nobody knows the truth of this run",) if truth is None else truth.notes
    return Sheet(table, counts, _time_points(table, counts), notes)


def _count(rule: Rule, truth: Truth | None, decisions: Sequence[Decision]) -> Count:
    known = truth is not None and rule.what not in truth.unknown
    happened = tuple(rule.happened(truth.events)) if truth is not None and known else None
    said = tuple(rule.said(decisions)) if rule.decision else None
    if happened is None or said is None:
        return Count(rule, happened, said, (), ())
    return Count(rule, happened, said, *unmatched(happened, said, rule.within_s))


def unmatched(
    one: Sequence[float], other: Sequence[float], within_s: float
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return the times of each side that have no partner on the other, as few as can be.

    Each time has one partner at most, no farther away than `within_s`. Both must be in order; taking the earliest that
    fits leaves the fewest over.
    """
    left: list[float] = []
    right: list[float] = []
    i = j = 0
    while i < len(one) and j < len(other):
        if abs(one[i] - other[j]) <= within_s:
            i, j = i + 1, j + 1
        elif one[i] < other[j]:
            left.append(one[i])
            i += 1
        else:
            right.append(other[j])
            j += 1
    return (*left, *one[i:]), (*right, *other[j:])


def _time_points(table: PointsTable, counts: Sequence[Count]) -> tuple[float | None, float | None]:
    bonus = table.bonus
    if bonus is None:
        return None, None
    mine = [count for count in counts if count.rule.what == bonus.what]
    return _early(bonus, [count.truth for count in mine]), _early(bonus, [count.said for count in mine])


def _early(bonus: TimeBonus, sides: Sequence[tuple[float, ...] | None]) -> float | None:
    known = [times for times in sides if times is not None]
    firsts = [times[0] for times in known if times]
    return None if not known else bonus.worth(min(firsts)) if firsts else 0.0
