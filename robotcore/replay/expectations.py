"""What a replay must keep to, in words: ``NAME.expect.txt`` beside ``NAME.rec``, one sentence a line.

    # a line that begins with # says why
    must stop on red
    must finish before 60 s
    exactly 2 obstacle
    at most 1 marker before 12 s
    no marker left after 20 s
    marker left before obstacle
    no fault
    never faster than 0.3 m/s
    never backwards

Rules:
- WHAT is one or more words, in any order; a decision is meant if each is in its name, the name of a field that is
  true, or the text of a field ("marker left": a decision `marker` with `side="left"`). "fault" means faults, those of
  one kind with a second word.
- Checked on what the replay decides and commands, and only inside the trust horizon. What that cannot tell is
  undecided, not met.
- A sentence that is none of these is refused with its line; nothing is ever half understood.
"""

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import NamedTuple

from robotcore.checking import Checker
from robotcore.log import Decision, Fault
from robotcore.replay.verdict import Judgement

SUFFIX = ".expect.txt"
MET, BROKEN, OPEN = "met", "not met", "undecided"
STOP_S = 0.5  #: so long may the tracks take to be told to stand after the decision that must stop them

FORMS = (
    "at most|at least|exactly N WHAT [WHEN]",
    "no WHAT [WHEN]",
    "WHAT before WHAT",
    "must stop on WHAT",
    "must finish [before T s]",
    "never faster than V m/s",
    "never backwards",
    "WHEN is before T s, after T s, or between T and T s",
)


class Evidence(NamedTuple):
    """What sentences are held against: all of it inside the trust horizon.

    `whole` tells that trust held to the recording's end, `end_s` is the time up to which things count, `ended_s` when
    the mission ended by itself.
    """

    decisions: Sequence[Decision]
    faults: Sequence[Fault]
    times_s: Sequence[float]
    commands: Sequence[Sequence[float]]
    whole: bool
    end_s: float
    ended_s: float | None


class Finding(NamedTuple):
    """What became of one sentence: its line in the file, "met", "not met" or "undecided", and why."""

    line: int
    sentence: str
    state: str
    why: str


Check = Callable[[Evidence], tuple[str, str]]


class Expectation(NamedTuple):
    """One sentence, understood."""

    line: int
    sentence: str
    check: Check

    def find(self, evidence: Evidence) -> Finding:
        """Hold the sentence against what happened."""
        return Finding(self.line, self.sentence, *self.check(evidence))


def path_beside(recording: Path) -> Path:
    """Return where the sentences for a recording stand."""
    return recording.with_name(recording.stem + SUFFIX)


def parse(text: str, source: str) -> list[Expectation]:
    """Understand a file of sentences.

    Raises:
        Faults: every sentence that is not understood, with its line and the known forms.

    """
    found, checker = [], Checker(source)
    for number, line in enumerate(text.splitlines(), 1):
        sentence = " ".join(line.split("#", 1)[0].lower().rstrip(". ").split())
        if not sentence:
            continue
        check = _understand(sentence)
        if check is None:
            checker.fault(f"line {number}", f"{sentence[:80]!r} is not understood; known are: {'; '.join(FORMS)}")
        else:
            found.append(Expectation(number, sentence, check))
    checker.finish()
    return found


def evidence_of(judgement: Judgement, period_s: float) -> Evidence:
    """Return what of a judgement sentences may be held against."""
    replayed, last = judgement.replayed, judgement.trusted_tick
    kept = sum(tick <= last for tick in replayed.ticks[: len(replayed.commands)])
    ended = replayed.ended is not None and replayed.ended <= last
    return Evidence(
        decisions=[decision for decision in replayed.decisions if decision.tick <= last],
        faults=[fault for fault in replayed.faults if fault.tick <= last],
        times_s=[tick * period_s for tick in replayed.ticks[:kept]],
        commands=replayed.commands[:kept],
        whole=judgement.held,
        end_s=judgement.trusted_s,
        ended_s=(replayed.ended or 0) * period_s if ended else None,
    )


class _Span(NamedTuple):
    """A stretch of time in seconds, and how the sentence called it."""

    start_s: float
    end_s: float
    words: str

    def holds(self, time_s: float) -> bool:
        return self.start_s <= time_s < self.end_s

    def over(self, evidence: Evidence) -> bool:
        """Tell whether nothing more can come in this stretch."""
        return evidence.whole or evidence.end_s >= self.end_s


_NUMBER = r"(\d+(?:\.\d+)?)"
_WHEN = rf"(?: (?:(before|after) {_NUMBER} s|between {_NUMBER} s? ?and {_NUMBER} s))?"
_WHAT = r"([a-z_][\w -]*?)"
_COUNT = re.compile(rf"(?:(at most|at least|exactly) (\d+)|(no)) {_WHAT}{_WHEN}")
_ORDER = re.compile(rf"{_WHAT} before {_WHAT}")
_STOP = re.compile(rf"must stop on {_WHAT}")
_FINISH = re.compile(rf"must finish(?: before {_NUMBER} s)?")
_SPEED = re.compile(rf"never faster than {_NUMBER} (m/s|mm/s)")
_LEADING = frozenset(("must", "never", "at", "exactly", "no", "maybe", "not", "always"))


def _understand(sentence: str) -> Check | None:
    if match := _COUNT.fullmatch(sentence):
        word, number, no, what, *when = match.groups()
        span = _span(*when)
        return None if span is None or _looks_timed(what) else _counting(no or word, int(number or 0), what, span)
    if match := _STOP.fullmatch(sentence):
        return None if _looks_timed(match[1]) else _stopping(match[1])
    if match := _FINISH.fullmatch(sentence):
        return _finishing(float(match[1]) if match[1] else None)
    if match := _SPEED.fullmatch(sentence):
        return _slow(float(match[1]) / (1000 if match[2] == "mm/s" else 1))
    if sentence == "never backwards":
        return _forward
    match = _ORDER.fullmatch(sentence)
    if match and not _looks_timed(match[2]) and sentence.split()[0] not in _LEADING:
        return _ordering(match[1], match[2])
    return None


def _looks_timed(what: str) -> bool:
    """Tell whether words that should name a decision hold a time that was not understood."""
    return bool(re.search(r"\b(before|after|between|and|or|\d+(\.\d+)?)\b", what))


def _span(word: str | None, at: str | None, start: str | None, end: str | None) -> _Span | None:
    if word == "before" and at:
        return _Span(-1.0, float(at), f" before {at} s")
    if word == "after" and at:
        return _Span(float(at), float("inf"), f" after {at} s")
    if start and end:
        return _Span(float(start), float(end), f" between {start} and {end} s") if float(start) < float(end) else None
    return _Span(-1.0, float("inf"), "")


def _counting(word: str, number: int, what: str, span: _Span) -> Check:
    low = 0 if word in ("at most", "no") else number
    high = float("inf") if word == "at least" else number

    def check(evidence: Evidence) -> tuple[str, str]:
        found = [time_s for time_s in _times(what, evidence) if span.holds(time_s)]
        count = len(found)
        said = f"{count} {what}{span.words}" + (f", the last at {found[-1]:.2f} s" if found else "")
        if count > high:
            return BROKEN, f"{said}; allowed are {number}"
        if span.over(evidence):
            return (MET, said) if count >= low else (BROKEN, f"{said}; wanted {low}")
        return (MET, said) if count >= low and high == float("inf") else (OPEN, _beyond(evidence, said))

    return check


def _ordering(one: str, two: str) -> Check:
    def check(evidence: Evidence) -> tuple[str, str]:
        first, second = _times(one, evidence)[:1], _times(two, evidence)[:1]
        if first and second:
            said = f"{one} at {first[0]:.2f} s, {two} at {second[0]:.2f} s"
            return (MET if first[0] <= second[0] else BROKEN), said
        if second:
            return BROKEN, f"{two} at {second[0]:.2f} s and no {one} before"
        said = f"{one} at {first[0]:.2f} s and no {two}" if first else f"no {one} and no {two}"
        return (BROKEN, said) if evidence.whole else (OPEN, _beyond(evidence, said))

    return check


def _stopping(what: str) -> Check:
    def check(evidence: Evidence) -> tuple[str, str]:
        found = _times(what, evidence)
        if not found:
            return (BROKEN, f"no {what}") if evidence.whole else (OPEN, _beyond(evidence, f"no {what} yet"))
        moving = [t for t, command in zip(evidence.times_s, evidence.commands, strict=True) if command[0] or command[1]]
        moved_s, last_s = (moving or [-1.0])[-1], found[-1]
        if moved_s >= last_s + STOP_S:
            return BROKEN, f"{what} at {last_s:.2f} s, moving at {moved_s:.2f} s"
        if not evidence.whole:
            return OPEN, _beyond(evidence, f"{what} at {last_s:.2f} s, at rest")
        if moved_s >= evidence.end_s and evidence.ended_s is None:
            return BROKEN, f"{what} at {last_s:.2f} s, still moving at the recording's end"
        return MET, f"{what} at {last_s:.2f} s, at rest after"

    return check


def _finishing(limit_s: float | None) -> Check:
    def check(evidence: Evidence) -> tuple[str, str]:
        if evidence.ended_s is not None:
            said = f"the mission ended at {evidence.ended_s:.2f} s"
            return (MET if limit_s is None or evidence.ended_s < limit_s else BROKEN), said
        said = f"the mission had not ended at {evidence.end_s:.2f} s"
        over = evidence.whole or (limit_s is not None and evidence.end_s >= limit_s)
        return (BROKEN, said) if over else (OPEN, _beyond(evidence, said))

    return check


def _slow(limit_m_s: float) -> Check:
    def check(evidence: Evidence) -> tuple[str, str]:
        fastest, at = 0.0, 0.0
        for time_s, command in zip(evidence.times_s, evidence.commands, strict=True):
            if max(abs(command[0]), abs(command[1])) > fastest:
                fastest, at = max(abs(command[0]), abs(command[1])), time_s
        said = f"the faster track {fastest:.3f} m/s at {at:.2f} s"
        if fastest > limit_m_s * (1 + 1e-9):
            return BROKEN, said
        return (MET, said) if evidence.whole else (OPEN, _beyond(evidence, said))

    return check


def _forward(evidence: Evidence) -> tuple[str, str]:
    for time_s, command in zip(evidence.times_s, evidence.commands, strict=True):
        if command[0] + command[1] < -1e-9:
            return BROKEN, f"{(command[0] + command[1]) / 2:.3f} m/s at {time_s:.2f} s"
    return (MET, "never") if evidence.whole else (OPEN, _beyond(evidence, "not yet"))


def _beyond(evidence: Evidence, said: str) -> str:
    return f"{said} up to {evidence.end_s:.2f} s, and nothing is known after that"


def _times(what: str, evidence: Evidence) -> list[float]:
    """Return when what the words mean was decided, or went wrong."""
    words = what.split()
    if words[0] in ("fault", "faults"):
        return [fault.time_s for fault in evidence.faults if _all_in(words[1:], _split(fault.kind))]
    return [decision.time_s for decision in evidence.decisions if _all_in(words, _tokens(decision))]


def _all_in(words: Sequence[str], tokens: set[str]) -> bool:
    return all(word in tokens or (word.endswith("s") and word[:-1] in tokens) for word in words)


def _tokens(decision: Decision) -> set[str]:
    tokens = _split(decision.name)
    for key, value in decision.fields.items():
        if value is True:
            tokens |= _split(key)
        elif isinstance(value, str):
            tokens |= _split(value)
    return tokens


def _split(text: str) -> set[str]:
    return set(re.split(r"[\s_]+", text.lower())) | {text.lower()}
