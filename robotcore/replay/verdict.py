"""What a replay comes to: same, equivalent, changed or undecided. Rule: never better than what is known."""

from collections.abc import Sequence
from typing import NamedTuple

import attrs

from robotcore.log import Decision, Fault
from robotcore.replay.course_of_run import Replayed, steady
from robotcore.replay.decisions import ENDED, ERROR, Difference, Known, first_difference
from robotcore.replay.tolerance import EXACT, Tolerance


class Verdict:
    """The words for an outcome, and the exit codes that the command line gives them."""

    SAME = "same"
    EQUIVALENT = "equivalent"
    CHANGED = "changed"
    UNDECIDED = "undecided"
    BAD = "bad input"
    CODES = {SAME: 0, EQUIVALENT: 0, CHANGED: 1, BAD: 2, UNDECIDED: 3}  # noqa: RUF012 - a table, never written to
    WORST_FIRST = (BAD, CHANGED, UNDECIDED, EQUIVALENT, SAME)


class Expected(NamedTuple):
    """What a replay is held against: decisions in order (how the run ended among them), and how far they are known.

    `until` is the last tick of which anything is known; None where the run came to its own end. `source` is "recorded"
    or "accepted", `ending` says in words how the recording ended.
    """

    decisions: Sequence[Decision]
    until: int | None
    source: str
    ending: str


@attrs.frozen
class Judgement:
    """The outcome of one replay.

    `trusted_tick` is the last tick whose readings count and `why` why no later one does ("" where trust held);
    `trusted_s` and `end_s` are that and the recording's end as times. `waiting` tells that a decision was due so close
    before the horizon that nobody can know whether it would have come.
    """

    verdict: str
    trusted_tick: int
    trusted_s: float
    end_s: float
    why: str
    difference: Difference | None
    waiting: bool
    expected: Expected
    decisions: Sequence[Decision]
    replayed: Replayed

    @property
    def held(self) -> bool:
        """Tell whether trust held to the recording's end."""
        return not self.why


def expected_of(
    decisions: Sequence[Decision], faults: Sequence[Fault], outcome: str | None, last_tick: int, period_s: float
) -> Expected:
    """Return what a recording itself says should come out.

    Args:
        decisions: as recorded.
        faults: as recorded; an error that ended the run is one of them.
        outcome: "finished" or "stopped: why"; None where the run was cut off.
        last_tick: the last recorded tick.
        period_s: the length of a tick.

    """
    raised = next((fault for fault in faults if (fault.kind, fault.behaviour) == (ERROR, "runtime")), None)
    if raised is not None:
        last = Decision(raised.tick, raised.time_s, "", ERROR, {"text": steady(raised.detail)}, "")
        return Expected([*decisions, last], None, "recorded", f"it ended in an error: {raised.detail}")
    if outcome == "finished":
        last = Decision(last_tick, last_tick * period_s, "", ENDED, {}, "")
        return Expected([*decisions, last], None, "recorded", "finished")
    why = "was cut off" if outcome is None else outcome.removeprefix("stopped: ")
    return Expected(decisions, last_tick, "recorded", f"it ends in mid-run ({why}); judged up to there")


def judge(replayed: Replayed, expected: Expected, tolerance: Tolerance, period_s: float) -> Judgement:
    """Say what a replay comes to."""
    decisions = _with_end(replayed, period_s)
    trusted, why = _trusted(replayed, expected)
    decisions = [decision for decision in decisions if decision.tick <= trusted]
    known = Known(trusted, expected.until, not why and expected.until is None)
    difference, waiting = first_difference(expected.decisions, decisions, known, tolerance, period_s)
    if difference is not None:
        verdict = Verdict.CHANGED
    elif why or waiting:
        verdict = Verdict.UNDECIDED
    elif replayed.equal and first_difference(expected.decisions, decisions, known, EXACT, period_s) == (None, False):
        verdict = Verdict.SAME
    else:
        verdict = Verdict.EQUIVALENT
    return Judgement(
        verdict, trusted, trusted * period_s, replayed.last_tick * period_s, why, difference, waiting, expected,
        decisions, replayed,
    )  # fmt: skip


def _trusted(replayed: Replayed, expected: Expected) -> tuple[int, str]:
    if replayed.horizon is not None:
        tick, _, why = replayed.horizon
    else:
        tick, why = replayed.last_tick, ""
    if expected.until is not None and expected.until < tick:
        return expected.until, f"what was accepted reaches to tick {expected.until} only"
    return tick, why


def _with_end(replayed: Replayed, period_s: float) -> list[Decision]:
    """Return the new decisions, and how the mission ended as the last of them."""
    raised = replayed.raised
    if raised is not None:
        fields = {"text": raised.text}
        return [
            *replayed.decisions,
            Decision(raised.tick, raised.time_s, raised.behaviour, ERROR, fields, raised.place),
        ]
    if replayed.ended is not None:
        ended = Decision(replayed.ended, replayed.ended * period_s, "", ENDED, {}, "")
        return [*replayed.decisions, ended]
    return list(replayed.decisions)
