"""Reading courses: the documented format, every fault at once, and nothing but one clear line for bad input."""

import random
import re
from pathlib import Path

import pytest

from drivers.fake.course.catalogue import load_course, shipped
from drivers.fake.course.format import parse_course
from robotcore.errors import Faults, UserError

FORMAT = Path(__file__).parents[1] / "drivers/fake/course/FORMAT.md"
LINE_COURSES = ["breakwater", "quay", "shoals", "slipway", "storm"]
GOOD = """
[course]
name = "good"
size_mm = [2000, 1200]

[start]
at_mm = [200, 300]

[[line]]
from_mm = [150, 300]
moves = [
  { straight_mm = 600 },
  { straight_mm = 600 },
  { strip = "red" },
  { straight_mm = 20 },
]
"""


def faults_of(text):
    with pytest.raises(Faults) as caught:
        parse_course(text, "c.toml")
    return caught.value.faults


def with_moves(moves, more=""):
    return GOOD.replace("  { straight_mm = 600 },\n  { straight_mm = 600 },", moves, 1) + more


def test_the_shipped_courses_load():
    assert [name for name in shipped() if load_course(name).zone is None] == LINE_COURSES
    for name in shipped():
        course = load_course(name)
        assert course.name == name
        assert course.route.spots[-1].kind == "finish"
        assert parse_course(course.text, "again") == course


def test_every_course_printed_in_the_format_document_is_valid():
    blocks = re.findall(r"```toml\n(.*?)```", FORMAT.read_text(encoding="utf-8"), re.DOTALL)
    assert [parse_course(block, "FORMAT.md").name for block in blocks] == ["small", "there and back", "small basin"]


def test_storm_has_every_kind_of_spot_and_every_marker():
    spots = load_course("storm").route.spots
    assert {spot.kind for spot in spots} == {"corner", "gap", "junction", "bump", "obstacle", "ramp", "finish"}
    assert {spot.marker for spot in spots if spot.kind == "junction"} == {"left", "right", "both", "none"}
    assert sum(spot.decoy != "none" for spot in spots if spot.kind == "junction") >= 4
    assert max(spot.end_m - spot.s_m for spot in spots if spot.kind == "gap") == pytest.approx(0.2, abs=1e-9)


def test_a_path_loads_and_an_unknown_name_says_which_are_known(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(GOOD, encoding="utf-8")
    assert load_course(str(path)).name == "good"
    with pytest.raises(UserError, match="did you mean 'quay'"):
        load_course("quai")
    with pytest.raises(UserError, match=r"none\.toml: cannot be read"):
        load_course(str(tmp_path / "none.toml"))


def test_broken_toml_names_the_line():
    with pytest.raises(UserError, match=r"c\.toml: not valid TOML: .*line 4"):
        parse_course("[course]\nname = 'x'\nsize_mm = [1,\n= 3", "c.toml")


def test_all_faults_are_listed_at_once_with_their_places():
    text = (
        GOOD.replace("size_mm = [2000, 1200]", "size_mm = [2000]\ncolour = 3")
        .replace("at_mm", "at")
        .replace("straight_mm = 600", "straight_mm = -600", 1)
    )
    places = [fault.split(":")[0] for fault in faults_of(text)]
    assert places[:2] == ["course.size_mm", "course.colour"]
    assert {"start.at_mm", "start.at", "line[1].moves[1].straight_mm"} <= set(places)


@pytest.mark.parametrize(
    ("moves", "fault"),
    [
        ("{ arc_deg = 90, radius_mm = -150 },", "line[1].moves[1].radius_mm: is -150; give a number from 50 to 20000"),
        ("{ straight_mm = 5000 },", "line[1]: the line leaves the board (2000 by 1200 mm) at [5150, 300] mm; move it"),
        ("{ gap_mm = 250 },", "line[1].moves[1].gap_mm: is 250; give a number from 10 to 200"),
        ("{ turn_deg = 170 },", "line[1].moves[1].turn_deg: is 170; give a number from -135 to 135"),
        ("{ gap_mm = 50, straight_mm = 30 },", "line[1].moves[1]: must hold exactly one of"),
        ("{ straigt_mm = 30 },", "line[1].moves[1]: must hold exactly one of"),
        ("{ straight_mm = 30, radius_mm = 9 },", "line[1].moves[1].radius_mm: is not known here"),
        ('{ junction = ["up"] },', "line[1].moves[1].junction: is ['up']; list the arms"),
        ("{ junction = [[]] },", "line[1].moves[1].junction: is [[]]; list the arms"),
        ('{ junction = ["left"] },', "line[1].moves[1].junction: has no arm 'ahead', yet the line goes on there"),
        ('{ junction = ["left"], marker = "middle" },', "line[1].moves[1].marker: is 'middle'"),
        ('{ junction = ["left"], go = "end" },', "line[1].moves[2]: follows a junction at which this line ends"),
        (
            "{ zigzag = 9, length_mm = 100, reach_mm = 90 },",
            "line[1].moves[1].reach_mm: makes corners over 135 degrees",
        ),
        (
            "{ ramp = { up_deg = 30, rise_mm = 50 } },",
            "line[1].moves[1].ramp.up_deg: is 30; give a number from 1 to 25",
        ),
        (
            '{ obstacle = { shape = "box", size_mm = [50, 50], height_mm = 90 } },',
            "line[1].moves[1].obstacle.height_mm: is 90; give a number from 150 to 1000",
        ),
        (
            '{ obstacle = { shape = "round", diameter_mm = 50, colour = "bleu" } },',
            "line[1].moves[1].obstacle.colour: is 'bleu'; did you mean 'blue'?",
        ),
        ('{ place = "a" }, { place = "a" },', "line[1].moves[2].place: is 'a' for the second time"),
        (
            "{ straight_mm = 300 }, { gap_mm = 100 }, { arc_deg = 20, radius_mm = 400 }, { straight_mm = 400 },",
            "course: the gap at [450, 300] mm has less than 50 mm of straight line after it",
        ),
        (
            '{ straight_mm = 600 }, { junction = ["left", "right"], go = "end" },',
            "line[1].moves[3]: follows a junction at which this line ends",
        ),
    ],
)
def test_a_faulty_move_is_named_with_its_remedy(moves, fault):
    assert any(line.startswith(fault) for line in faults_of(with_moves(moves))), faults_of(with_moves(moves))


TEE = """
[course]
name = "tee"
size_mm = [2000, 1200]
[start]
at_mm = [200, 300]
[[line]]
from_mm = [150, 300]
moves = [ { straight_mm = 600 }, { junction = ["left", "right"], go = "end", stub_mm = 300 } ]
"""


CIRCLE = """
[course]
name = "circle"
size_mm = [2000, 1200]
[start]
at_mm = [600, 300]
[[line]]
from_mm = [600, 300]
moves = [ { arc_deg = 360, radius_mm = 300 } ]
"""


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (TEE, "course: the junction at [750, 300] mm has no arm straight on; put a marker before it"),
        (GOOD.replace('  { strip = "red" },\n', ""), "course: the route ends at [1370, 300] mm with no red strip"),
        (
            GOOD.replace("at_mm = [200, 300]", "at_mm = [200, 320]"),
            "start.at_mm: is not on a line; put the start on one",
        ),
        (
            GOOD.replace("at_mm = [200, 300]", "at_mm = [200, 300]\nheading_deg = 80"),
            "start.heading_deg: does not look along the line there",
        ),
        (GOOD + "[[marker]]\nat_mm = [600, 340]", "marker[1]: the marker at [600, 340] mm touches no line"),
        (GOOD + "[[marker]]\nat_mm = [600, 320]", "marker[1]: the marker at [600, 320] mm stands at no junction"),
        (GOOD + "[[marker]]\nat_mm = [2600, 320]", "marker[1]: the marker leaves the board"),
        (
            GOOD + '[[obstacle]]\nshape = "round"\ndiameter_mm = 80\nat_mm = [1250, 300]',
            "obstacle[1]: stands within 150 mm of the finish at [1350, 300] mm",
        ),
        (
            GOOD + '[[obstacle]]\nshape = "round"\ndiameter_mm = 80\nat_mm = [250, 300]',
            "obstacle[1]: stands within 150 mm of the start",
        ),
        (
            GOOD + '[[obstacle]]\nshape = "round"\ndiameter_mm = 80\nat_mm = [700, 400]',
            "obstacle[1]: stands 60 mm beside the line at [700, 300] mm, where the robot must pass",
        ),
        (GOOD + "[[wall]]\nfrom_mm = [700, 0]\nto_mm = [700, 600]", "wall[1]: stands 0 mm beside the line"),
        (GOOD + "[[wall]]\nfrom_mm = [700, 0]\nto_mm = [700, 0]", "wall[1].to_mm: is the same place as from_mm"),
        (
            GOOD + "[[plate]]\nat_mm = [700, 300]\nlength_mm = 200\nnear_mm = 40\nfar_mm = 40",
            "course: the line meets a step of 40 mm at [700, 300] mm",
        ),
        (
            GOOD + "[[plate]]\nat_mm = [700, 300]\nlength_mm = 100\nnear_mm = 0\nfar_mm = 60",
            "plate[1].far_mm: makes a slope of 31.0 degrees",
        ),
        (
            GOOD + "[[ramp]]\nat_mm = [600, 250]\nheading_deg = 45\nup_deg = 5\nrise_mm = 10",
            "ramp[1]: the line runs askew on a slope",
        ),
        (
            GOOD + '[[tile]]\nat = [0, 2]\nkind = "straight"\n[[tile]]\nat = [0, 2]\nkind = "straight"',
            "tile[2].at: is the square of tile[1] too",
        ),
        (GOOD + '[[tile]]\nat = [0, 2.5]\nkind = "straight"', "tile[1].at: is [0.0, 2.5]; give whole numbers"),
        (GOOD + '[[tile]]\nat = [0, 2]\nkind = "strait"', "tile[1].kind: is 'strait'; did you mean 'straight'?"),
        (GOOD + '[[tile]]\nat = [0, 2]\nkind = "tee"\ndead = ["ahead"]', "tile[1].dead: is ['ahead']; list arms"),
        (
            GOOD + '[[line]]\nfrom = "pier"\nmoves = [ { straight_mm = 20 } ]',
            "line[2].from: is 'pier', a place that no line above it has",
        ),
        (GOOD + "[[line]]\nfrom_mm = [100, 600]", "line[2].moves: is missing or empty"),
        (GOOD + "[[lines]]\n", "lines: is not known here; did you mean 'line'?"),
        (CIRCLE, "course: the route runs in a circle"),
    ],
)
def test_a_faulty_course_is_named_with_its_remedy(text, fault):
    assert any(line.startswith(fault) for line in faults_of(text)), faults_of(text)


def test_an_obstacle_needs_room_to_a_junction():
    moves = (
        '{ straight_mm = 600 }, { junction = ["left", "ahead"] }, { straight_mm = 120 }, '
        '{ obstacle = { shape = "box", size_mm = [60, 80] } }, { straight_mm = 480 },'
    )
    assert faults_of(with_moves(moves)) == (
        "line[1].moves[4].obstacle: stands within 150 mm of the junction at [750, 300] mm, so that nobody can pass it; "
        "move it along the line",
    )


def test_a_marker_on_the_tee_mends_it():
    course = parse_course(
        TEE.replace('go = "end"', 'marker = "left"').replace(
            "stub_mm = 300 }", 'stub_mm = 300 }, { straight_mm = 300 }, { strip = "red" }'
        ),
        "t",
    )
    assert [(spot.kind, spot.go) for spot in course.route.spots] == [("junction", "left"), ("finish", "")]


def test_any_mutilated_course_is_read_or_refused_in_clear_lines():
    rng = random.Random(11)
    junk = ["-7", "1e300", "nan", '"x"', "[]", "{}", "true", "0", "[1, 2]", '["left"]', "[[1], {}]", "9" * 20]
    texts = [load_course(name).text for name in shipped()]
    read = 0
    for _ in range(150):
        text = rng.choice(texts)
        if rng.random() < 0.5:
            spots = [m.span() for m in re.finditer(r"-?\b\d+\b|\"[a-z]+\"|\[[^\[\]]*\]", text)]
            low, high = rng.choice(spots)
            text = text[:low] + rng.choice(junk) + text[high:]
        else:
            lines = text.splitlines()
            del lines[rng.randrange(len(lines))]
            text = "\n".join(lines)
        complaint = ""
        try:
            parse_course(text, "c.toml")
            read += 1
        except UserError as error:
            complaint = str(error)
        assert all(line.startswith("c.toml: ") for line in complaint.splitlines())
    assert 5 < read < 100
