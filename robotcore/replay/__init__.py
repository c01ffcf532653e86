"""Judging a change by replay: recorded readings through today's behaviours, and how far the outcome is evidence.

The recorded world does not answer to new commands. A replay is evidence only as long as the new commands would have
kept the robot where it was; past the trust horizon it says nothing, and nothing past it is ever called good.

| verdict | when |
| --- | --- |
| same | every command bit-equal (the sign of a zero included), the same decisions in the same ticks, the same end |
| equivalent | trust held to the end, the same decisions in the same order within the tolerance |
| changed | a decision, the mission's end or an error differs inside the trust horizon |
| undecided | trust ended before the recording (or what is expected of it) did; no difference until then |

One module a question: `tolerance` how near is near enough, `trust` how far the readings count, `course_of_run` what
came out, `decisions` which differ, `verdict` what it comes to, `acceptance` and `expectations` what else a recording
shall be held against, `story` how to tell it.
"""

from robotcore.replay.course_of_run import Replayed, replay
from robotcore.replay.decisions import Difference
from robotcore.replay.tolerance import Tolerance
from robotcore.replay.trust import Horizon, Trust
from robotcore.replay.verdict import Expected, Judgement, Verdict, expected_of, judge

__all__ = [
    "Difference",
    "Expected",
    "Horizon",
    "Judgement",
    "Replayed",
    "Tolerance",
    "Trust",
    "Verdict",
    "expected_of",
    "judge",
    "replay",
]
