"""One recording judged: from a file's path to a report that any process can hand on. For the verb and for pytest.

Rule: what cannot be judged is "bad input" with one clear reason, whatever it is; it never gets a verdict by accident,
and it never keeps others from theirs.
"""

import math
import sys
from collections.abc import Callable, Iterator
from functools import lru_cache
from pathlib import Path
from typing import Any

import attrs

from robotcore.brain import Brain
from robotcore.calibration import Calibration
from robotcore.checking import read_text
from robotcore.cli import plugins
from robotcore.cli.patience import Patience
from robotcore.cli.recorded import robot_of
from robotcore.decode import Decoder
from robotcore.errors import UserError
from robotcore.log import Decision, Log
from robotcore.mission import Mission, read_settings, with_overrides
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording
from robotcore.replay import Expected, Judgement, Replayed, Tolerance, Trust, Verdict, expected_of, judge, replay
from robotcore.replay.acceptance import path_beside as accepted_path
from robotcore.replay.acceptance import read_accepted
from robotcore.replay.course_of_run import Row, first_unlike
from robotcore.replay.expectations import BROKEN, OPEN, Finding, evidence_of, parse
from robotcore.replay.expectations import path_beside as expect_path
from robotcore.replay.readings import Readings, around
from robotcore.replay.story import compared, first_line, in_words, parted, story
from robotcore.rig import Rig, load_rig

PATIENCE_S = 10.0  #: a replay may take so much longer than the run did
BY_COLUMNS = 10_000  #: ticks from which on decoding by columns is worth loading numpy
MOST_BY_COLUMNS = 500_000  #: ticks beyond which its columns would take too much memory: 1 GB


@attrs.frozen
class Request:
    """How recordings are to be judged.

    Args:
        mission: another mission than the recorded one, or None.
        changes: KEY=VALUE over the recorded settings.
        rig: shipped name or path of another rig than the recorded one, or None.
        tolerance: how near is near enough.
        twice: replay what is not the same a second time, and refuse what is not deterministic.
        accepted: hold it against ``NAME.accepted.toml`` where there is one, and not against the recording itself.

    """

    mission: str | None = None
    changes: tuple[str, ...] = ()
    rig: str | None = None
    tolerance: Tolerance = attrs.field(factory=Tolerance)
    twice: bool = True
    accepted: bool = True


@attrs.frozen
class Judged:
    """A judgement with what belongs to it: the recording, what it says itself, and what became of each sentence."""

    recording: Recording
    recorded: Expected
    judgement: Judgement
    findings: tuple[Finding, ...]
    readings: Readings | None


@attrs.frozen
class Report:
    """What is told of one file: plain texts and numbers. `reason` says why, where it could not be judged."""

    file: str
    verdict: str
    code: int
    reason: str = ""
    first: str = ""
    ticks: int = 0
    decisions: int = 0
    trusted_s: float = 0.0
    end_s: float = 0.0
    broken: bool = False  #: a sentence beside it is not met
    lines: tuple[str, ...] = ()
    data: dict[str, Any] = attrs.field(factory=dict)


def judge_file(path: str, request: Request) -> Report:
    """Judge one recording; what is wrong with it is in the report, not raised."""
    try:
        return report(path, judge_recording(open_recording(path), request))
    except UserError as error:
        reason = str(error) if str(error).startswith(path) else f"{path}: {error}"
        return Report(path, Verdict.BAD, Verdict.CODES[Verdict.BAD], reason, data={"reason": reason})


def judge_recording(recording: Recording, request: Request) -> Judged:
    """Replay a recording and judge what comes out.

    Raises:
        UserError: it cannot be judged; says why.

    """
    if not len(recording):
        raise UserError(f"{recording.path}: holds no tick; the run ended before the first reading, remove it")
    last_tick = recording.blocks[-1].first_tick + recording.blocks[-1].size - 1
    recorded_rig, calibration = robot_of(recording)
    rig, fresh = thinking(recording, request, recorded_rig, calibration)

    def once() -> Replayed:
        brain, log = fresh()
        trust = Trust(recorded_rig.body.track_width_m, request.tolerance)
        with Patience(recording.path, brain, PATIENCE_S + len(recording) * rig.period_s):
            return replay(_rows(recording, rig, calibration, brain), last_tick, brain, log, trust)

    replayed = once()
    recorded = expected_of(recording.decisions, recording.faults, recording.outcome, last_tick, rig.period_s)
    beside = accepted_path(recording.path)
    expected = read_accepted(beside, recorded) if request.accepted and beside.exists() else recorded
    judgement = judge(replayed, expected, request.tolerance, rig.period_s)
    if (
        request.twice and judgement.verdict != Verdict.SAME
    ):  # one that is the same has been compared with the run itself
        _check_deterministic(recording.path, replayed, once(), rig.period_s)
    findings = _findings(recording.path, judgement, rig.period_s)
    return Judged(recording, recorded, judgement, findings, _readings(judgement, recording, rig, calibration))


def _rows(recording: Recording, rig: Rig, calibration: Calibration, brain: Brain) -> Iterator[Row]:
    """Give what the brain is fed with: raw rows, or samples where the recording is decoded by columns."""
    if not by_columns(recording, rig):
        return recording.rows()
    from robotcore.decode_columns import samples

    brain.take_samples()
    return recording.with_rows(samples(recording, rig, calibration))


def by_columns(recording: Recording, rig: Rig) -> bool:
    """Tell whether decoding a recording by columns is possible, and pays."""
    if len(recording) > MOST_BY_COLUMNS or (len(recording) < BY_COLUMNS and "numpy" not in sys.modules):
        return False
    try:
        from robotcore.decode_columns import fits  # late: numpy is for the laptop, and takes its time
    except ImportError:
        return False
    return fits(rig)


def _check_deterministic(path: Path, one: Replayed, two: Replayed, period_s: float) -> None:
    tick = first_unlike(one, two)
    if tick is not None:
        raise UserError(
            f"{path}: the behaviours are not deterministic: two replays differ first in tick {tick} "
            f"({tick * period_s:.2f} s); let them read no clock, chance, file or state kept from an earlier run"
        )


def thinking(
    recording: Recording, request: Request, recorded_rig: Rig, calibration: Calibration
) -> tuple[Rig, Callable[[], tuple[Brain, Log]]]:
    """Return the rig to think with, and what makes a fresh brain and its log for a recording."""
    rig = recorded_rig if request.rig is None else _other_rig(recording, request.rig)
    path, header = recording.path, recording.header
    mission = _mission(recording, request)
    text = with_overrides(header.settings, request.changes) if request.changes else header.settings
    settings = read_settings(mission.settings, text, f"{path}: settings")

    def fresh() -> tuple[Brain, Log]:
        log = Log()
        try:
            return Brain(rig, calibration, mission, settings, log), log
        except UserError as error:
            raise UserError(f"{path}: {error}") from None

    return rig, fresh


def _mission(recording: Recording, request: Request) -> Mission:
    name = request.mission or recording.header.mission
    try:
        return plugins.mission(name, by_module=request.mission is not None)
    except UserError as error:
        whose = "" if request.mission else "; it was recorded with that one, say --mission to replay another"
        raise UserError(f"{recording.path}: {error}{whose}") from None


@lru_cache(maxsize=8)
def _rig(name: str) -> Rig:
    return load_rig(plugins.rig_path(name), plugins.device)


def _other_rig(recording: Recording, name: str) -> Rig:
    """Return another rig, if its raw counts lie as the recorded ones do."""
    rig, header = _rig(name), recording.header
    remedy = f"replay it without --rig, with the rig {header.rig_name!r} that it holds"
    if rig.period_s != header.period_s:
        periods = f"{header.period_s * 1000:g} ms a tick, the rig {rig.name!r} has {rig.period_s * 1000:g} ms"
        raise UserError(f"{recording.path}: recorded with {periods}; {remedy}")
    old, new = recording.layout.columns, rig.layout.columns
    if old != new:
        place = next((i for i, (a, b) in enumerate(zip(old, new, strict=False)) if a != b), min(len(old), len(new)))
        here, there = ((columns[place].name if place < len(columns) else "nothing") for columns in (old, new))
        raise UserError(
            f"{recording.path}: recorded with another rig: raw column {place + 1} is {here}, "
            f"in the rig {rig.name!r} it is {there}; {remedy}"
        )
    return rig


def _findings(path: Path, judgement: Judgement, period_s: float) -> tuple[Finding, ...]:
    beside = expect_path(path)
    if not beside.exists():
        return ()
    sentences = parse(read_text(beside), str(beside))
    evidence = evidence_of(judgement, period_s)
    return tuple(sentence.find(evidence) for sentence in sentences)


def _readings(judgement: Judgement, recording: Recording, rig: Rig, calibration: Calibration) -> Readings | None:
    difference = judgement.difference
    if difference is None:
        return None
    side = difference.replayed or difference.recorded
    tick = difference.tick if side is None else min(side.tick, difference.tick)
    return around(tick, list(recording.rows()), Decoder(rig, calibration), judgement.replayed, rig.period_s)


def report(path: str, judged: Judged) -> Report:
    """Return what is told of a judged recording."""
    judgement, findings = judged.judgement, judged.findings
    broken = [finding for finding in findings if finding.state == BROKEN]
    lines = story(judgement, judged.readings)
    lines += [f"  {finding.state}: {finding.sentence} (line {finding.line}): {finding.why}" for finding in findings]
    first = _first(judgement) if judgement.difference or not broken else f"not met: {broken[0].sentence}"
    return Report(
        file=path,
        verdict=judgement.verdict,
        code=1 if broken else Verdict.CODES[judgement.verdict],
        first=first,
        ticks=len(judgement.replayed.commands),
        decisions=compared(judgement),
        trusted_s=judgement.trusted_s,
        end_s=judgement.end_s,
        broken=bool(broken),
        lines=tuple(lines),
        data=_data(judged),
    )


def _first(judgement: Judgement) -> str:
    if judgement.difference is not None:
        return first_line(judgement.difference)
    return "" if judgement.replayed.equal else parted(judgement)


def _data(judged: Judged) -> dict[str, Any]:
    judgement = judged.judgement
    replayed, difference = judgement.replayed, judgement.difference
    data: dict[str, Any] = {
        "held_against": judgement.expected.source,
        "ending": judgement.expected.ending,
        "ticks": len(replayed.commands),
        "decisions": compared(judgement),
        "trusted_tick": judgement.trusted_tick,
        "trusted_s": judgement.trusted_s,
        "end_s": judgement.end_s,
        "trust_ended_because": judgement.why,
        "commands": "bit-equal" if replayed.equal else parted(judgement),
        "expectations": [finding._asdict() for finding in judged.findings],
        "undecided_expectations": sum(finding.state == OPEN for finding in judged.findings),
    }
    if difference is not None:
        data["difference"] = {
            "tick": difference.tick,
            "time_s": difference.time_s,
            "why": difference.why,
            judgement.expected.source: _side(difference.recorded),
            "replayed": _side(difference.replayed),
            "readings": None if judged.readings is None else _table(judged.readings),
        }
    return data


def _side(decision: Decision | None) -> dict[str, Any] | None:
    if decision is None:
        return None
    return {**decision._asdict(), "fields": dict(decision.fields), "words": in_words(decision)}


def _table(readings: Readings) -> dict[str, Any]:
    """Return a table for JSON, which knows no NaN."""
    rows = [[None if math.isnan(value) else value for value in row] for row in readings.rows]
    return {"columns": readings.columns, "rows": rows}
