"""Sentences beside a recording: each form met, not met, undecided; others are refused with their line."""

import re
from pathlib import Path

import pytest

from robotcore.errors import Faults
from robotcore.log import Decision, Fault
from robotcore.replay.expectations import Evidence, evidence_of, parse
from tests.replay_kit import PERIOD_S, Settings, judged, rows, think


def decision(time_s, name, **fields):
    return Decision(round(time_s * 100), time_s, "line", name, fields, "line.py:1")


DECISIONS = [
    decision(1.0, "marker", side="left", share=0.43),
    decision(2.0, "marker", side="right"),
    decision(3.0, "obstacle", sure=True, again=False),
    decision(5.0, "red strip", eye="left"),
]
FAULTS = [Fault(150, 1.5, "stale", "side_range", "runtime")]


def evidence(
    *, decisions=DECISIONS, faults=FAULTS, end_s=6.0, whole=True, stop_s=5.2, speed=0.2, ended_s=6.0, back=False
):
    times = [number / 100 for number in range(round(end_s * 100) + 1)]
    commands = [
        (speed, speed * (-1.5 if back else 1), 0, 0) if time_s < stop_s else (0.0, 0.0, 0, 0) for time_s in times
    ]
    kept = [d for d in decisions if d.time_s <= end_s]
    return Evidence(kept, [f for f in faults if f.time_s <= end_s], times, commands, whole, end_s, ended_s)


PART = evidence(end_s=2.5, whole=False, ended_s=None)


def state(sentence, at=None):
    (found,) = parse(sentence, "quay.expect.txt")
    return found.find(evidence() if at is None else at).state


@pytest.mark.parametrize(
    ("sentence", "whole", "part"),
    [
        ("at most 2 markers", "met", "undecided"),
        ("at most 1 marker", "not met", "not met"),
        ("at most 1 marker before 1.5 s", "met", "met"),
        ("at most 1 marker before 12 s", "not met", "not met"),
        ("at most 2 markers before 12 s", "met", "undecided"),
        ("at least 2 marker", "met", "met"),
        ("at least 1 obstacle", "met", "undecided"),
        ("at least 3 marker", "not met", "undecided"),
        ("exactly 1 obstacle", "met", "undecided"),
        ("exactly 1 obstacle before 2 s", "not met", "not met"),
        ("exactly 2 markers between 0.5 and 2.2 s", "met", "met"),
        ("exactly 1 marker after 1.5 s", "met", "undecided"),
        ("no obstacle before 2.5 s", "met", "met"),
        ("no marker left after 1.5 s", "met", "undecided"),
        ("no left marker", "not met", "not met"),
        ("no crossing", "met", "undecided"),
        ("no obstacle sure", "not met", "undecided"),
        ("no obstacle again", "met", "undecided"),
        ("no fault", "not met", "not met"),
        ("no fault lost", "met", "undecided"),
        ("at most 1 fault stale", "met", "undecided"),
        ("marker left before obstacle", "met", "undecided"),
        ("marker right before marker left", "not met", "not met"),
        ("marker left before marker", "met", "met"),
        ("crossing before obstacle", "not met", "undecided"),
        ("must stop on red", "met", "undecided"),
        ("must stop on green", "not met", "undecided"),
        ("must finish", "met", "undecided"),
        ("must finish before 5 s", "not met", "undecided"),
        ("must finish before 2 s", "not met", "not met"),
        ("never faster than 0.2 m/s", "met", "undecided"),
        ("never faster than 0.19 m/s", "not met", "not met"),
        ("never faster than 150 mm/s", "not met", "not met"),
        ("never backwards", "met", "undecided"),
    ],
)
def test_every_form(sentence, whole, part):
    """Against a whole run, and against one that is trusted to 2.5 s of it."""
    assert state(sentence) == whole
    assert state(sentence, PART) == part


def test_stopping_means_at_rest_half_a_second_later_and_for_good():
    assert state("must stop on red", evidence(stop_s=5.4)) == "met"
    assert state("must stop on red", evidence(stop_s=5.8)) == "not met"
    assert state("must stop on red", evidence(stop_s=9.0, end_s=5.2, ended_s=None)) == "not met"
    assert state("must stop on red", evidence(stop_s=9.0, end_s=5.2, ended_s=5.2)) == "met"


@pytest.mark.parametrize("command", [(0.4, 0.0, 0, 0), (0.0, -0.4, 0, 0)])
def test_fast_is_the_faster_track_in_either_direction(command):
    fast = evidence(speed=0.1)
    assert state("never faster than 0.3 m/s", fast) == "met"
    fast.commands[-1] = command
    assert state("never faster than 0.3 m/s", fast) == "not met"


@pytest.mark.parametrize("command", [(0.1, 0.0, 0, 0), (0.0, -0.1, 0, 0)])
def test_one_track_that_moves_is_no_stop(command):
    creeps = evidence()
    creeps.commands[-1] = command
    assert state("must stop on red", creeps) == "not met"


def test_driving_backwards_is_the_middle_of_both_tracks():
    assert state("never backwards", evidence(back=True)) == "not met"


def test_letter_case_spaces_comments_and_full_stops_do_not_count():
    found = parse("# why\n\n  Must  stop on RED.   # at the end\nno fault lost\n", "x")
    assert [(one.line, one.sentence) for one in found] == [(3, "must stop on red"), (4, "no fault lost")]


@pytest.mark.parametrize(
    "sentence",
    [
        "must stop",
        "at most one marker",
        "at most 1 marker before lunch",
        "marker before 12 s",
        "never faster than light",
        "never faster than 0.3",
        "must stop on red before 12 s",
        "no marker between 5 and 2 s",
        "maybe no marker",
        "exactly 2",
        "no marker and no fault",
        "must be good",
    ],
)
def test_what_is_not_understood_is_refused_with_its_line_and_the_known_forms(sentence):
    with pytest.raises(Faults) as caught:
        parse(f"no crossing\n{sentence}\nnonsense here", "quay.expect.txt")
    lines = str(caught.value).splitlines()
    assert lines[0].startswith("quay.expect.txt: line 2: ")
    assert lines[1].startswith("quay.expect.txt: line 3: ")
    assert "must stop on WHAT" in lines[0]


def test_evidence_ends_with_trust():
    run = think(rows())
    whole, part = judged(run), judged(run, Settings(speed_m_s=0.12))
    assert evidence_of(whole, PERIOD_S).ended_s == pytest.approx(2.9)
    assert len(evidence_of(whole, PERIOD_S).commands) == 291
    assert evidence_of(part, PERIOD_S).decisions == []
    assert evidence_of(part, PERIOD_S).end_s == part.trusted_s < 0.3
    (finding,) = parse("must stop on red", "x")
    assert finding.find(evidence_of(part, PERIOD_S)).state == "undecided"


def test_every_sentence_of_the_manual_is_understood():
    manual = (Path(__file__).parent.parent / "robotcore" / "replay" / "JUDGING.md").read_text(encoding="utf-8")
    block = manual.split("## Sentences", 1)[1].split("```")[1]
    words = [part for line in block.splitlines() for part in re.split(r"\s{3,}", line.strip()) if part]
    remarks = ("at rest within 0.5 s after it, to the end", "the first of each; both must come")
    sentences = [part for part in words if part not in remarks]
    assert len(parse("\n".join(sentences), "JUDGING.md")) == len(sentences) == 12
