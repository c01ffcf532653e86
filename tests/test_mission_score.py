"""A whole mission, line to line through the zone, recorded as a user does it, scored by the truth and by its decisions.

The course is short, and its objects lie where the first round passes; everything else is the mission as it is.
"""

import pytest

from drivers.fake.points import UNKNOWN, truth_of
from robotcore.cli import plugins
from robotcore.cli.main import main
from robotcore.cli.recorded import robot_of
from robotcore.cli.score import sheet_of
from robotcore.recording.reader import open_recording
from robotcore.score import load_table, score
from tests.zone_kit import zone_text

pytestmark = pytest.mark.slow

OBJECTS = (("kit", [1000, 345]), ("silver", [1300, 345]), ("black", [1555, 600]))
COUNTED = [word for kind in ("kit", "light", "dark") for word in ("--set", f"zone.{kind}.count=1")]


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    """One recorded run of the mission `full`, from the start button to the red strip."""
    folder = tmp_path_factory.mktemp("mission")
    course, path = folder / "short.toml", folder / "mission.rec"
    course.write_text(zone_text(*OBJECTS), encoding="utf-8")
    assert main(["run", f"fake:{course}?seed=3", "--mission", "full", "--quiet", "--out", str(path), *COUNTED]) == 0
    return open_recording(path)


@pytest.fixture(scope="module")
def sheet(recording):
    """Its points."""
    return sheet_of(recording, load_table(plugins.score_path("harbour-relief")))


def test_the_whole_mission_was_done(recording):
    names = [decision.name for decision in recording.decisions]
    for name in ("start", "silver strip", "zone entered", "sorted", "dropped", "exit found", "left zone", "red strip"):
        assert name in names, name
    assert recording.decisions[-1].fields["reason"] == "red"
    assert not recording.faults


def test_the_truth_is_known_in_full(recording):
    found = truth_of(recording, robot_of(recording)[0])
    assert (found.unknown, found.notes) == (frozenset(), ())
    assert UNKNOWN  # there are things that it could not have known


def test_points_by_the_truth_are_points_by_what_the_robot_said(sheet):
    """Every rule that both sides can tell is told alike, to the last object; none is empty for want of events."""
    assert sheet.differences() == []
    assert sheet.common is not None
    true, said = sheet.common
    assert true == said
    counted = {count.rule.text: len(count.truth or ()) for count in sheet.counts}
    assert counted["basin entered"] == counted["exit found"] == counted["stopped on the red strip"] == 1
    assert counted["kit picked up"] == counted["kit in its berth"] == 1
    assert counted["buoy picked up"] == 2
    assert counted["object in a wrong berth"] == 0
    assert true == 20 + 20 + 2 * 10 + 40 + 30 + 25 + 30 + 30  # by hand from the shipped table


def test_a_claim_that_is_taken_away_is_missed(recording):
    """A robot that did the same and kept silent about the end."""
    truth = truth_of(recording, robot_of(recording)[0])
    silent = [decision for decision in recording.decisions if decision.name != "finish"]
    short = score(load_table(plugins.score_path("harbour-relief")), truth, silent)
    assert [text for _, text in short.differences()] == ["stopped on the red strip: happened, not said"]
