"""Accepted decisions: a text with a reason and no date, read back as what a replay is held against."""

import pytest

from robotcore.errors import Faults, UserError
from robotcore.replay import Verdict, expected_of, judge
from robotcore.replay.acceptance import accepted_text, read_accepted
from tests.replay_kit import NOMINAL, PERIOD_S, Settings, again, judged, rows, think
from tests.test_verdict import breaks_at, says

RUN = think(rows())
RECORDED = expected_of(RUN.log.decisions, [], RUN.outcome, RUN.last_tick, PERIOD_S)
GREEN = Settings(colour="green")


def accepted(tmp_path, judgement, reason="the strip is green now"):
    path = tmp_path / "kit.accepted.toml"
    path.write_text(accepted_text(judgement, reason, "kit.rec"), encoding="utf-8")
    return read_accepted(path, RECORDED)


def test_what_was_accepted_is_what_is_expected_from_then_on(tmp_path):
    expected = accepted(tmp_path, judged(RUN, GREEN))
    assert judge(again(RUN, GREEN), expected, NOMINAL, PERIOD_S).verdict == Verdict.SAME
    assert judge(again(RUN), expected, NOMINAL, PERIOD_S).verdict == Verdict.CHANGED


def test_the_text_holds_the_reason_and_nothing_that_changes_by_itself(tmp_path):
    text = accepted_text(judged(RUN, GREEN), 'a "green"\nstrip', "kit.rec")
    assert 'reason = "a \\"green\\" strip"' in text
    assert 'fields = { colour = "green" }' in text
    assert text == accepted_text(judged(RUN, GREEN), 'a "green"\nstrip', "kit.rec")
    assert "20" not in text.split("[[decision]]")[0].replace("last_tick = 290", "")


@pytest.mark.parametrize("value", ["é\u7f8e\U0001f6a9\x7f\t", "", 1, True, 0.1, -1e-9, 10**15])
def test_every_kind_of_field_comes_back(tmp_path, value):
    judgement = judged(think(rows(ticks=9), mission=says(key=value)), mission=says(key=value))
    found = accepted(tmp_path, judgement).decisions[0].fields
    assert found == {"key": value}
    assert type(found["key"]) is type(value)


def test_it_reaches_as_far_as_trust_did(tmp_path):
    """Both the stripe and, before it, speed differ: accepted up to the horizon, undecided beyond it."""
    fast = Settings(speed_m_s=0.12, dark=-1.0)
    judgement = judged(RUN, fast)
    expected = accepted(tmp_path, judgement)
    assert expected.until == judgement.trusted_tick
    held = judge(again(RUN), expected, NOMINAL, PERIOD_S)
    assert held.verdict == Verdict.UNDECIDED
    assert held.trusted_tick == judgement.trusted_tick


def test_a_reason_is_needed():
    with pytest.raises(UserError, match="reason is empty"):
        accepted_text(judged(RUN, GREEN), "  ", "kit.rec")


def test_an_error_is_never_accepted(tmp_path):
    with pytest.raises(UserError, match="BrokenError: on purpose"):
        accepted_text(judged(RUN, mission=breaks_at(5)), "because", "kit.rec")


def test_a_faulty_file_is_refused_with_every_fault(tmp_path):
    path = tmp_path / "kit.accepted.toml"
    path.write_text('reason = ""\nwhole = 1\nextra = 2\n[[decision]]\ntick = -1\nname = "a"\nfields = { x = [1] }\n')
    with pytest.raises(Faults) as caught:
        read_accepted(path, RECORDED)
    text = str(caught.value)
    for place in (
        "reason",
        "last_tick",
        "whole",
        "extra",
        "decision[1].tick",
        "decision[1].time_s",
        "decision[1].fields",
    ):
        assert f"kit.accepted.toml: {place}: " in text
