"""The recordings that ship: each replays as itself, keeps its sentences, is small; together they cover everything."""

import ast
from functools import cache
from pathlib import Path

import pytest

from replays.make import HERE, LARGEST_BYTES, readme, said, sentences, word
from replays.recipes import RECIPES
from replays.staging import make
from robotcore.cli.judging import Request, judge_recording
from robotcore.recording.reader import open_recording
from robotcore.replay.expectations import BROKEN, MET

TOP = Path(__file__).parent.parent
NAMES = [recipe.name for recipe in RECIPES]
#: what the line mission is made of; the zone's behaviours are not met on the line field
LINE = ("line_mission", "start", "follow", "junction", "lost", "obstacle", "strips", "motion", "eyes")
#: faults that the runtime and a link report; behaviours' own are found in their source
RUNTIME_FAULTS = {"error", "overrun", "link-lost", "link-back"}
#: faults of a real wire or of another backend: no run on the line field meets them for what the field is
ELSEWHERE = {"link-noise", "brick-fault", "device-unnamed", "dead-man", "sysfs", "skipped"}


def found():
    return {name: open_recording(HERE / f"{name}.rec") for name in NAMES}


@cache
def judged(name):
    return judge_recording(open_recording(HERE / f"{name}.rec"), Request(accepted=False))


@pytest.mark.parametrize("name", NAMES)
def test_no_decision_changes_and_no_sentence_is_broken(name):
    assert judged(name).judgement.verdict != "changed"
    broken = [finding.sentence for finding in judged(name).findings if finding.state == BROKEN]
    assert not broken


def test_the_recordings_are_of_todays_behaviours():
    """A change of steering leaves old recordings undecided: they say little then, and are to be made anew."""
    other = [name for name in NAMES if judged(name).judgement.verdict != "same"]
    assert not other, "if the change was meant, run python -m replays.make"
    assert all(finding.state == MET for name in NAMES for finding in judged(name).findings)


def test_every_recording_has_a_recipe_and_sentences():
    assert sorted(path.stem for path in HERE.glob("*.rec")) == sorted(NAMES)
    for recipe in RECIPES:
        beside = HERE / f"{recipe.name}.expect.txt"
        assert beside.read_text(encoding="utf-8") == sentences(recipe), "run python -m replays.make"


def test_every_recording_is_small():
    assert max((HERE / f"{name}.rec").stat().st_size for name in NAMES) <= LARGEST_BYTES


def test_the_table_is_up_to_date():
    assert (HERE / "README.md").read_text(encoding="utf-8") == readme(), "run python -m replays.make"


def calls(method):
    """Every first argument of `robot.decide` or `robot.fault` in the line's behaviours."""
    names = set()
    for module in LINE:
        for node in ast.walk(ast.parse((TOP / "behaviours" / f"{module}.py").read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == method:
                assert isinstance(node.args[0], ast.Constant), f"{module}: a name that is not written out"
                names.add(node.args[0].value)
    return names


def test_every_decision_that_the_line_can_say_is_recorded():
    said_names = {decision.name for recording in found().values() for decision in recording.decisions}
    assert calls("decide") == said_names


def test_every_fault_that_a_line_run_can_meet_is_recorded():
    kinds = {fault.kind for recording in found().values() for fault in recording.faults}
    assert calls("fault") | RUNTIME_FAULTS == kinds


def runtime_faults():
    """Every fault kind in the source of runtime and drivers: a text that a call names first."""
    names = set()
    for path in (*TOP.glob("robotcore/runtime.py"), *TOP.glob("drivers/*.py"), *TOP.glob("drivers/link/*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.args:
                first = (
                    node.args[0].elts[0] if isinstance(node.args[0], ast.Tuple) and node.args[0].elts else node.args[0]
                )
                if node.func.attr in ("_fault", "note", "append") and isinstance(first, ast.Constant):
                    names |= {first.value} if isinstance(first.value, str) else set()
    return names


def test_faults_of_runtime_and_link_are_recorded_or_belong_elsewhere():
    assert runtime_faults() - ELSEWHERE <= RUNTIME_FAULTS


@pytest.mark.parametrize(
    "words",
    [
        "start button",
        "start no button on this rig",
        "corner left",
        "corner right",
        "corner left not sure",
        "crossing left",
        "crossing right",
        "crossing both",
        "marker left",
        "marker right",
        "marker both",
        "marker none",
        "marker no junction behind the green none",
        "obstacle left",
        "obstacle right",
        "passed left",
        "passed right",
        "lost left",
        "lost right",
        "found left",
        "found right",
        "finish red",
        "finish lost",
    ],
)
def test_every_shape_of_a_decision_is_recorded(words):
    assert words in {word(decision) for recording in found().values() for decision in recording.decisions}


def test_a_strip_is_met_with_either_eye():
    strips = [d for recording in found().values() for d in recording.decisions if d.name == "red strip"]
    assert {strip.fields["eye"] for strip in strips} == {"left", "right"}


def test_every_way_to_end_is_recorded():
    ends = {recording.outcome for recording in found().values()}
    assert ends == {"finished", "stopped: failed", "stopped: stop button", "stopped: time limit"}


@pytest.mark.parametrize("name", ["strip-left", "link", "time-limit"])
def test_a_recipe_makes_the_same_recording_twice(name, tmp_path, monkeypatch):
    monkeypatch.chdir(TOP)
    recipe = RECIPES[NAMES.index(name)]
    runs = []
    for number in (1, 2):
        (tmp_path / str(number)).mkdir()
        make(recipe, tmp_path / str(number) / f"{name}.rec")
        runs.append(said(open_recording(tmp_path / str(number) / f"{name}.rec")))
    assert runs[0] == runs[1]
