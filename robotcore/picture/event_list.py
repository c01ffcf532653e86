"""Decisions and faults as a list of short lines, numbered as on map and traces.

Rule: everything stands in it up to a stated number; past that the middle is left out, and counted.
"""

from collections.abc import Sequence
from typing import NamedTuple

from robotcore.log import Decision, Fault
from robotcore.picture.course_map import Mark

FIRST_DECISIONS, LAST_DECISIONS = 110, 40
FIRST_FAULTS, LAST_FAULTS = 30, 10


class Entry(NamedTuple):
    """A line of the list, and what it stands for on the sheet."""

    mark: Mark
    text: str


def entries(decisions: Sequence[Decision], faults: Sequence[Fault], letters: int) -> list[Entry]:
    """Return decisions and faults in order of time; those left out have a mark without a word and no text.

    Args:
        decisions: the recording's.
        faults: the recording's.
        letters: the longest line.

    """
    found = []
    for n, d in enumerate(decisions, 1):
        listed = n <= FIRST_DECISIONS or n > len(decisions) - LAST_DECISIONS
        found.append(_entry(d.time_s, str(n), f"{d.name} {words(d)}", letters, fault=False, listed=listed))
    for n, f in enumerate(faults, 1):
        listed = n <= FIRST_FAULTS or n > len(faults) - LAST_FAULTS
        text = f"{f.kind}: {f.detail}".rstrip(": ")
        found.append(_entry(f.time_s, f"F{n}", text, letters, fault=True, listed=listed))
    return sorted(found, key=lambda entry: entry.mark.time_s)  # stable: a tick's decisions before its faults


def _entry(time_s: float, word: str, text: str, letters: int, *, fault: bool, listed: bool) -> Entry:
    if not listed:
        return Entry(Mark(time_s, "", fault), "")
    return Entry(Mark(time_s, word, fault), cut(f"{word:>4} {time_s:8.2f} s  {printable(text)}", letters))


def words(decision: Decision) -> str:
    """Return a decision's fields as ``key=value`` words, numbers shortened."""
    return " ".join(f"{k}={v:.3g}" if isinstance(v, float) else f"{k}={v}" for k, v in decision.fields.items())


def cut(text: str, letters: int) -> str:
    """Return a text of at most that many letters."""
    return text if len(text) <= letters else text[: letters - 1] + "…"


def printable(text: str) -> str:
    """Return a text with everything that no letter can show replaced: a recording may come from a stranger."""
    return "".join(letter if letter.isprintable() and letter < "\u2e80" else "?" for letter in text)
