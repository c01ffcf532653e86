"""A mission's map says what its code does, and the path of a run what the run did; both held against other counts."""

import json
import os
import shutil
import subprocess
import sys
import xml.etree.ElementTree as ET
from collections import Counter
from itertools import combinations
from pathlib import Path

import attrs
import made_up_run
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import isotonic_regression

from behaviours.missions import MISSIONS
from robotcore.cli.main import main
from robotcore.errors import UserError
from robotcore.kernel import Kernel, TimeUp, first, sleep, tick, together, within
from robotcore.mission import Mission
from robotcore.mission_map import layers
from robotcore.mission_map.dot import dot_of
from robotcore.mission_map.flow import chart_of
from robotcore.mission_map.layout import Look, box_of, to_depth, to_fit
from robotcore.mission_map.model import END, GROUP, START
from robotcore.mission_map.svg import svg_of
from robotcore.mission_map.visits import Walker
from robotcore.recording.reader import open_recording

TOP = Path(__file__).parent.parent
RED = "red strip"


@attrs.frozen
class Nothing:
    """Settings."""

    count: int = 3


# behaviours that wait, and missions made of them


async def step(robot, ticks=1):
    """Wait a little. And more that nobody needs to read."""
    for _ in range(ticks):
        await tick()
    return ticks


async def other(robot, ticks=1):
    """Wait (for so long: ticks) too; and so on."""
    robot.decide("done", ticks=ticks)
    robot.fault("slow")
    return await step(robot, ticks)


async def endless(robot):
    while True:
        await tick()


async def branches(robot, s):
    kind = await step(robot)
    if kind == "a":
        await other(robot, 2)
    elif kind == RED:
        raise StopAsyncIteration
    else:
        await sleep(0.5)
    if kind == 3:
        return
    await step(robot)


async def loops(robot, s):
    found = False
    for _ in range(3):
        found = await step(robot)
        if not found:
            break
    while robot.again:
        if await other(robot):
            continue
        await step(robot)


async def foreseen(robot, s):
    if robot.x:
        good = await step(robot)
    else:
        good = False
    if not good and not await other(robot):
        return "bad"
    return "good"


async def groups(robot, s):
    both = [step(robot), other(robot, s.count)]
    await first(endless(robot), within(2.0, step(robot)), together(*both))
    waiting = step(robot)
    await waiting


async def trying(robot, s):
    try:
        await within(1.0, endless(robot))
    except TimeUp:
        await step(robot)
    match robot.kind:
        case "a":
            await other(robot)
        case _:
            return "none"
    raise ValueError("x")


async def again(robot, s):
    if robot.more:
        await again(robot, s)


class Sweep:
    """A behaviour that is a method."""

    async def run(self, robot):
        """Run."""
        await self.part(robot)
        await self.part(robot)

    async def part(self, robot):
        """Do a part."""
        await tick()


async def methods(robot, s):
    sweep = Sweep()

    async def inner():
        """Do it inside."""
        await step(robot)
        await step(robot, 2)

    await sweep.run(robot)
    await inner()


def mission(run):
    return Mission("made up", run, Nothing, "made up for tests")


def ways(run):
    """The ways of a mission's own body, as texts."""
    body = chart_of(mission(run)).root.body
    return [(named(way.source), named(way.target), way.text) for way in body.ways]


def named(node):
    return {START: "start", END: f"end {node.name}".strip()}.get(node.kind, node.name)


# the map


def test_branches_are_told_in_words_and_an_elif_needs_no_refusals():
    assert ways(branches) == [
        ("start", "step", ""),
        ("step", "other", "kind is 'a'"),
        ("step", "end raise StopAsyncIteration", "kind is 'red strip'"),
        ("step", "sleep 0.5", "otherwise"),
        ("other", "end", "kind is 3"),
        ("sleep 0.5", "end", "kind is 3"),
        ("other", "step", "kind is not 3"),
        ("sleep 0.5", "step", "kind is not 3"),
        ("step", "end", ""),
    ]


def test_loops_lead_back_and_break_and_continue_lead_where_they_do():
    assert set(ways(loops)) == {
        ("start", "step", "3 times"),
        ("start", "other", "no times, robot.again"),
        ("start", "end", "no times, not robot.again"),
        ("step", "step", "found, again"),
        ("step", "other", "found, after 3 times, robot.again or not found, robot.again"),
        ("step", "end", "found, after 3 times, not robot.again or not found, not robot.again"),
        ("other", "other", "yes, robot.again"),
        ("other", "end", "yes, not robot.again"),
        ("other", "step", "no"),
        ("step", "other", "robot.again"),
        ("step", "end", "not robot.again"),
    }


def test_a_variable_just_set_to_a_constant_decides_its_test():
    assert set(ways(foreseen)) == {
        ("start", "step", "robot.x"),
        ("start", "other", "not robot.x"),
        ("step", "other", "not good"),
        ("step", "end 'good'", "good"),
        ("other", "end 'bad'", "no"),
        ("other", "end 'good'", "yes"),
    }


def test_groups_have_members_also_from_a_list_and_a_coroutine_may_be_made_before_it_is_awaited():
    body = chart_of(mission(groups)).root.body
    group = body.nodes[1]
    assert (group.kind, group.name) == (GROUP, "first")
    assert [member.name for member in group.members] == ["endless", "within 2.0 s", "together"]
    assert [member.name for member in group.members[2].members] == ["step", "other"]
    assert body.nodes[2].name == "step"


def test_a_try_may_fail_at_its_awaits_and_a_match_is_a_branch():
    assert ways(trying) == [
        ("start", "within 1.0 s", ""),
        ("within 1.0 s", "step", "on TimeUp"),
        ("within 1.0 s", "other", "robot.kind is 'a'"),
        ("step", "other", "robot.kind is 'a'"),
        ("within 1.0 s", "end 'none'", "otherwise"),
        ("step", "end 'none'", "otherwise"),
        ("other", "end raise ValueError", ""),
    ]


def test_recursion_methods_and_inner_behaviours_are_followed():
    inner = chart_of(mission(again)).root.body.nodes[1]
    assert inner.name == "again"
    assert inner.body is None
    run, local = chart_of(mission(methods)).root.body.nodes[1:3]
    assert [node.name for node in run.body.nodes[1:3]] == ["part", "part"]
    assert [node.detail for node in local.body.nodes[1:3]] == ["", "2"]


def test_what_a_behaviour_is_and_says_comes_from_its_own_text():
    node = chart_of(mission(branches)).root.body.nodes[2]
    assert (node.summary, node.says, node.detail) == ("Wait (for so long: ticks) too", ("done", "fault: slow"), "")
    assert node.body.nodes[1].summary == "Wait a little"


def test_what_is_no_coroutine_function_is_refused():
    with pytest.raises(UserError, match="is no `async def`"):
        chart_of(mission(print))


def test_the_line_mission_is_as_its_code_says():
    chart = chart_of(MISSIONS["line"])
    names = {node.name for node in chart.root.walk()}
    assert {"start_pressed", "line_field", "follow_line", "take_junction", "go_round", "recover", "red_strip"} <= names
    field = next(node for node in chart.root.walk() if node.name == "line_field")
    found = {(way.source.name, way.target.name, way.text) for way in field.body.ways}
    assert ("first", "take_junction", "met.kind is 'marker'") in found
    assert ("recover", "first", "yes") in found
    assert len({node.key for node in chart.root.walk()}) == sum(1 for _ in chart.root.walk())


# the path


class Hand:
    """A robot that says nothing, and counts which behaviours were called."""

    def __init__(self, **known):
        self.called = Counter()
        self.__dict__.update(known)

    def decide(self, name, **fields):
        self.called[name] += 1

    def fault(self, kind, detail=""):
        pass


def walked(run, robot=None, ticks=400):
    chart = chart_of(mission(run))
    walker = Walker(chart, 0.01)
    kernel = Kernel(0.01, observers=[walker])
    kernel.spawn(run(robot or Hand(), Nothing()))
    for number in range(ticks):
        if not kernel.step(number, None):
            break
    last = walker.path.last
    kernel.close()
    return chart, walker.path, last


def told(chart, path):
    """name -> (visits, ticks) of every node that was visited; nodes of one name together."""
    found: dict[str, list[int]] = {}
    for node in chart.root.walk():
        if node.kind != START and path.visits.get(node.key):
            entry = found.setdefault(named(node), [0, 0])
            entry[0] += path.visits[node.key]
            entry[1] += path.active.get(node.key, 0)
    return {name: tuple(entry) for name, entry in found.items()}


async def paced(robot, s):
    for _ in range(3):
        await step(robot, 5)
    await sleep(0.2)
    winner = await first(other(robot, 7), endless(robot))
    if winner == 7:
        await step(robot, 0)
        await step(robot, 2)


def test_visits_and_ticks_are_those_of_the_code():
    chart, path, last = walked(paced)
    assert last == ()
    found = told(chart, path)
    assert found["sleep 0.2"] == (1, 20)
    assert found["endless"] == (1, 7)
    assert found["other"] == (1, 7)
    assert path.ticks == 15 + 20 + 7 + 2 + 1  # the last step is the one that ends the mission
    inner = chart.root.body.nodes
    assert [path.visits.get(node.key, 0) for node in inner[1:6]] == [3, 1, 1, 1, 1]
    assert [path.active.get(node.key, 0) for node in inner[1:6]] == [15, 20, 7, 0, 2]
    assert path.guessed == 1  # `step(robot, 0)` took no time, and lies on the only way
    group = inner[3]
    assert [path.decided.get(member.key, 0) for member in group.members] == [1, 0]


async def nested(robot, s):
    for count in (1, 2, 3):
        await first(together(step(robot, count), other(robot, 2)), endless(robot))
        await deeper(robot)


async def deeper(robot):
    await step(robot, 1)
    await first(within(5.0, step(robot, 2)), endless(robot))


def test_groups_in_groups_and_behaviours_in_behaviours_are_told_apart():
    chart, path, _ = walked(nested)
    body = chart.root.body
    group, inner = body.nodes[1], body.nodes[2]
    pair = group.members[0]
    assert [path.visits[node.key] for node in (group, pair, *pair.members, inner)] == [3, 3, 3, 3, 3]
    assert [path.active[node.key] for node in pair.members] == [1 + 2 + 3, 3 * 2]
    assert path.active[group.key] == 2 + 2 + 3
    assert path.active[inner.key] == 3 * 3
    limited = inner.body.nodes[2].members[0]
    assert (path.visits[limited.key], path.active[limited.members[0].key]) == (3, 6)


def conserved(chart, path):
    """In each body that is left as often as it is entered: what comes into a node equals its visits."""
    for owner in chart.root.walk():
        for node in owner.body.nodes[1:] if owner.body else []:
            came = sum(path.ways.get(way.key, 0) for way in owner.body.ways if way.target is node)
            assert came == path.visits.get(node.key, 0), (node.key, node.name)
        if owner.body:
            begun = sum(path.ways.get(way.key, 0) for way in owner.body.ways if way.source is owner.body.start)
            assert begun <= path.visits.get(owner.key, 0)


@pytest.mark.parametrize("run", [paced, nested, groups, methods])
def test_ways_into_a_node_add_up_to_its_visits(run):
    chart, path, _ = walked(run, Hand(again=False))
    conserved(chart, path)


def test_a_run_that_is_cut_off_says_where():
    chart, path, last = walked(paced, ticks=20)
    assert [chart.nodes()[key].name for key in last] == ["paced", "sleep 0.2"]
    assert path.active[chart.root.key] == path.ticks == 20


# the pictures


def test_boxes_lie_in_their_box_and_beside_each_other():
    chart = chart_of(MISSIONS["line"])
    for look in (to_fit(chart), to_depth(chart, 1), to_depth(chart, 9)):
        check_inside(box_of(chart.root, look))


def check_inside(box):
    inner = list(box.members)
    off = 0.0, 0.0
    if box.plan is not None:
        inner, off = box.plan.boxes, box.plan_at
    for one in inner:
        x, y = one.x + off[0], one.y + off[1]
        assert x >= -0.01
        assert y >= -0.01
        assert x + one.width <= box.width + 0.01
        assert y + one.height <= box.height + 0.01
        check_inside(one)
    for one, two in combinations(inner, 2):
        apart_x = one.x + one.width <= two.x + 0.01 or two.x + two.width <= one.x + 0.01
        apart_y = one.y + one.height <= two.y + 0.01 or two.y + two.height <= one.y + 0.01
        assert apart_x or apart_y, (one.node.name, two.node.name)


def test_a_page_is_kept_to_and_depth_opens_more():
    chart = chart_of(MISSIONS["line"])
    box = box_of(chart.root, to_fit(chart))
    assert max(box.width, box.height) <= 1560
    assert min(box.width, box.height) <= 1100
    opened = [len(to_depth(chart, depth).opened) for depth in (1, 2, 3, 9)]
    assert opened == sorted(opened)
    assert opened[0] == 1


def test_the_svg_is_well_formed_and_names_every_state_shown():
    chart = chart_of(MISSIONS["line"])
    look = to_depth(chart, 9)
    root = ET.fromstring(svg_of(chart, look))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    texts = " ".join(root.itertext())
    for node in chart.root.walk():
        hidden = any(
            node.key.startswith(f"{one.key}.") for one in chart.root.walk() if one.body and one.key not in look.opened
        )
        assert hidden or node.kind in (START, END, GROUP) or node.name in texts
    assert not any("href" in key for one in root.iter() for key in one.attrib)  # nothing from elsewhere


SAME = """
from behaviours.missions import MISSIONS
from robotcore.mission_map.dot import dot_of
from robotcore.mission_map.flow import chart_of
from robotcore.mission_map.layout import to_fit
from robotcore.mission_map.svg import svg_of
import hashlib
chart = chart_of(MISSIONS["line"])
text = svg_of(chart, to_fit(chart)) + dot_of(chart, to_fit(chart))
print(hashlib.sha256(text.encode()).hexdigest())
"""


def test_pictures_are_the_same_under_any_hash_seed():
    found = {
        subprocess.run(
            [sys.executable, "-c", SAME], env={**os.environ, "PYTHONHASHSEED": seed}, cwd=TOP,
            capture_output=True, text=True, check=True,
        ).stdout
        for seed in ("1", "77")
    }  # fmt: skip
    assert len(found) == 1


def test_dot_text_has_every_node_and_way_and_is_read_by_graphviz():
    chart = chart_of(MISSIONS["line"])
    text = dot_of(chart, to_depth(chart, 9))
    ways_shown = sum(
        len(node.body.ways) for node in chart.root.walk() if f'"cluster_{node.key}" {{' in text and node.body
    )
    assert text.count(" -> ") == ways_shown
    assert text.count("{") == text.count("}")
    if shutil.which("dot") is None:
        pytest.skip("Graphviz (https://graphviz.org/doc/info/lang.html) is not installed: its reading is not checked")
    done = subprocess.run(["dot", "-Tsvg"], input=text, capture_output=True, text=True, check=True)
    assert done.stdout.count('class="edge"') == ways_shown
    assert done.stderr == ""


@given(st.lists(st.tuples(st.floats(-100, 100), st.floats(0, 50), st.floats(0.5, 5)), min_size=1, max_size=12))
def test_positions_are_the_nearest_that_keep_apart(rows):
    """Against scipy.optimize.isotonic_regression (pool adjacent violators), after taking the distances out."""
    wanted, gaps, weights = (list(column) for column in zip(*rows, strict=True))
    found = layers.apart(wanted, gaps[1:], weights)
    shifts = np.concatenate([[0.0], np.cumsum(gaps[1:])])
    expected = isotonic_regression(np.array(wanted) - shifts, weights=np.array(weights)).x + shifts
    assert np.allclose(found, expected, atol=1e-6)


# the verb


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    return made_up_run.drive(tmp_path_factory.mktemp("runs") / "quay.rec", seconds=2.0)


@pytest.fixture
def known(monkeypatch):
    """The mission of the made-up run, by its name."""
    from robotcore.cli import plugins

    monkeypatch.setattr(plugins, "mission", lambda name, by_module=False: made_up_run.MISSION)


def test_the_verb_draws_the_map_of_a_mission(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["map"]) == 0
    assert capsys.readouterr().out == "line.svg\n"
    ET.parse(tmp_path / "line.svg")
    assert main(["map"]) == 2
    assert "line.svg: is there already; say --force" in capsys.readouterr().err
    assert main(["map", "--out", "-"]) == 0
    assert capsys.readouterr().out.startswith('digraph "line" {')


def test_one_behaviour_alone_may_be_drawn(tmp_path, capsys):
    out = tmp_path / "search.svg"
    assert main(["map", "--of", "find_line", "--out", str(out)]) == 0
    texts = " ".join(ET.parse(out).getroot().itertext())
    assert "search" in texts
    assert "follow_line" not in texts


def test_the_verb_marks_the_path_of_a_recording(run, known, tmp_path, capsys):
    assert main(["map", str(run), "--out", str(tmp_path / "a.svg")]) == 0
    out = capsys.readouterr().out.splitlines()
    assert out[0] == "Path of quay (fake:quay?seed=3&perturb=0): 2.0 s, stopped: time limit"
    ticks = len(open_recording(run))
    assert out[2].split() == ["wander", "1", f"{ticks * 0.01:.2f}", "100.0%"]
    assert main(["map", str(run), "--out", str(tmp_path / "a.json")]) == 0
    found = json.loads((tmp_path / "a.json").read_text())
    assert (found["ticks"], found["guessed"], found["last"]) == (ticks, 0, ["0"])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--out", "a.png"], "a.png: no such kind of map; end its name in one of .svg, .dot, .gv, .json"),
        (["--out", "a.json"], "a.json: JSON holds the path of a run"),
        (["--mission", "lime"], "mission 'lime' does not exist; did you mean 'line'?"),
        (["--depth", "0"], "--depth 0: give 1 or more"),
        (["--of", "find_lime"], "--of find_lime: mission 'line' awaits no such behaviour; did you mean 'find_line'?"),
        (["nothing.rec"], "nothing.rec: "),
    ],
)
def test_bad_input_is_one_line(words, said, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["map", *words]) == 2
    error = capsys.readouterr().err
    assert error.startswith(said)
    assert error.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_look_may_show_nothing_but_the_mission_itself():
    chart = chart_of(MISSIONS["line"])
    assert box_of(chart.root, Look(frozenset())).plan is None


def test_a_long_call_is_cut_with_a_mark():
    from robotcore.mission_map.layout import WRAP, brief

    assert brief("") == []
    assert brief("(0.05)") == ["(0.05)"]
    lines = brief("(passed.middle_m - line.travel_m, settings.slow_m_s, settings.patience_s)")
    assert len(lines) == 2
    assert lines[1].endswith(" ...)")
    assert max(map(len, lines)) <= WRAP + 2
