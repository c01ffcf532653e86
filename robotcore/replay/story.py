"""Telling a judgement to people: in lines that fit a terminal, a JUnit report or a mail."""

from robotcore.command import Command
from robotcore.log import Decision
from robotcore.replay.decisions import ENDED, ERROR, Difference
from robotcore.replay.readings import Readings
from robotcore.replay.verdict import Judgement, Verdict


def in_words(decision: Decision | None) -> str:
    """Return a decision on one line; "nothing" for None."""
    if decision is None:
        return "nothing"
    fields = " ".join(f"{key}={_number(value)}" for key, value in sorted(decision.fields.items()))
    return f"{decision.name} {fields}".rstrip() + f" at {decision.time_s:.2f} s"


def decided_by(decision: Decision | None) -> str:
    """Return which behaviour decided in which line, "" where that is not known."""
    if decision is None or not decision.place:
        return ""
    return f"by {decision.behaviour} in {decision.place}" if decision.behaviour else f"in {decision.place}"


def _number(value: object) -> str:
    return f"{value:.4g}" if isinstance(value, float) else str(value)


def headline(judgement: Judgement) -> str:
    """Return the verdict and why, in one line."""
    replayed = judgement.replayed
    if judgement.verdict == Verdict.SAME:
        return f"same: {len(replayed.commands)} commands bit-equal, {_decisions(judgement)}"
    if judgement.verdict == Verdict.EQUIVALENT:
        return f"equivalent: {_decisions(judgement)} as {judgement.expected.source}; {parted(judgement)}"
    if judgement.difference is not None:
        return f"changed: {first_line(judgement.difference)}"
    until = f"nothing is known after {judgement.trusted_s:.2f} of {judgement.end_s:.2f} s"
    if judgement.why:
        return f"undecided: {until}: {judgement.why}"
    return f"undecided: a decision was due just when the recording ends ({judgement.end_s:.2f} s)"


def compared(judgement: Judgement) -> int:
    """Return how many decisions were compared, how the run ended left out."""
    return sum(decision.name not in (ENDED, ERROR) for decision in judgement.decisions)


def _decisions(judgement: Judgement) -> str:
    count = compared(judgement)
    return f"{count} decision{'' if count == 1 else 's'}"


def first_line(difference: Difference) -> str:
    """Return a difference in one line."""
    sides = [side for side in (difference.recorded, difference.replayed) if side is not None]
    side = min(sides, key=lambda decision: decision.tick)
    return f"{side.name} at {side.time_s:.2f} s: {difference.why}"


def parted(judgement: Judgement) -> str:
    """Return where the commands first differ, in words."""
    replayed = judgement.replayed
    place = replayed.first if replayed.first is not None else replayed.signs
    if place is None:
        return "commands bit-equal"
    old, new = replayed.recorded[place], replayed.commands[place]
    role = next(i for i in range(len(new)) if repr(old[i]) != repr(new[i]))
    time_s = replayed.ticks[place] * judgement.end_s / (replayed.last_tick or 1)
    return (
        f"commands part in tick {replayed.ticks[place]} ({time_s:.2f} s): "
        f"{Command._fields[role]} {new[role]!r} instead of {old[role]!r}"
    )


def story(judgement: Judgement, readings: Readings | None) -> list[str]:
    """Return everything there is to say, the verdict first."""
    lines = [headline(judgement)]
    difference = judgement.difference
    if difference is not None:
        for side, decision in ((judgement.expected.source, difference.recorded), ("replayed", difference.replayed)):
            lines.append(f"  {side:<9} {in_words(decision)} {decided_by(decision)}".rstrip())
    if judgement.verdict != Verdict.EQUIVALENT:
        lines.append(f"  {parted(judgement)}")
    if judgement.expected.ending != "finished":
        lines.append(f"  the recording: {judgement.expected.ending}")
    if judgement.why:
        lines.append(f"  trusted to {judgement.trusted_s:.2f} of {judgement.end_s:.2f} s: {judgement.why}")
    if readings is not None and difference is not None:
        lines += _table(readings, difference)
    return lines


def _table(readings: Readings, difference: Difference) -> list[str]:
    side = difference.replayed or difference.recorded
    middle = side.tick if side is not None else difference.tick
    ticks = {side.tick for side in (difference.recorded, difference.replayed) if side is not None}
    heads = [f"{name:>9}" for name in readings.columns]
    lines = [f"  readings around tick {middle}, commands in m/s (* where one side decided):", "  " + " ".join(heads)]
    period_s = difference.time_s / difference.tick if difference.tick else 1.0
    for row in readings.rows:
        mark = "*" if any(abs(row[0] - tick * period_s) < 1e-6 for tick in ticks) else " "
        lines.append(mark + " " + " ".join(_cell(value) for value in row))
    return lines


def _cell(value: float) -> str:
    return " " * 8 + "-" if value != value else f"{value:9.3f}"
