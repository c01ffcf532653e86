"""Checked reading of TOML: every fault at once, with its place and a remedy; nothing else is ever raised."""

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from robotcore.checking import Checker, Table, nearest, parse_toml, read_text
from robotcore.errors import Faults, UserError


def table(text, source="file.toml"):
    checker = Checker(source)
    return checker, Table(parse_toml(text, source), checker)


def faults_of(text, ask):
    checker, top = table(text)
    ask(top)
    return checker.faults


def test_what_is_right_comes_out_and_nothing_is_noted():
    checker, top = table("n = 3\nx = 1.5\ns = 'a'\nb = true\nl = [1, 2.5]\n[t]\nk = 1\n[[ts]]\nk = 2\n[[ts]]\nk = 3\n")
    assert (top.integer("n"), top.number("x"), top.text("s"), top.boolean("b")) == (3, 1.5, "a", True)
    assert top.number("n") == 3.0
    assert isinstance(top.number("n"), float)
    assert top.numbers("l", count=2) == (1.0, 2.5)
    assert top.table("t").integer("k") == 1
    assert [entry.integer("k") for entry in top.tables("ts")] == [2, 3]
    assert top.choice("s", ("a", "b")) == "a"
    top.close()
    checker.finish()


def test_defaults_stand_in_for_what_is_not_there():
    checker, top = table("")
    assert top.number("x", 2.5) == 2.5
    assert top.integer("n", 7) == 7
    assert top.text("s", "z") == "z"
    assert top.boolean("b", True) is True
    assert top.choice("c", ("p", "q"), "q") == "q"
    assert top.numbers("l", (1.0,)) == (1.0,)
    assert top.table("t", {}).number("x", 1) == 1
    assert top.tables("ts") == []
    assert not top.has("x")
    checker.finish()


def test_every_fault_is_listed_at_once_with_source_and_place():
    checker, top = table("x = 'far'\nn = 1.5\nspeeed = 3\n[t]\nk = 300\n", "rigs/mine.toml")
    top.number("x")
    top.integer("n")
    top.number("speed", 1)
    top.boolean("on")
    top.table("t").integer("k", low=0, high=255)
    top.close()
    with pytest.raises(Faults) as caught:
        checker.finish()
    assert str(caught.value).splitlines() == [
        "rigs/mine.toml: x: is 'far'; give a finite number",
        "rigs/mine.toml: n: is 1.5; give a whole number from -4611686018427387904 to 4611686018427387904",
        "rigs/mine.toml: on: is missing; add true or false",
        "rigs/mine.toml: t.k: is 300; give a whole number from 0 to 255",
        "rigs/mine.toml: speeed: is not known here; did you mean 'speed'?, or remove it",
    ]


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "true", "'1'", "[1]", "{}", "2020-01-01", "1" + "0" * 400])
def test_only_finite_numbers_are_numbers(value):
    (fault,) = faults_of(f"x = {value}", lambda top: top.number("x"))
    assert fault.endswith("give a finite number")
    (fault,) = faults_of(f"x = [{value}, 1]", lambda top: top.numbers("x", count=2))
    assert "give 2 numbers" in fault


@pytest.mark.parametrize("value", ["true", "1.0", "'1'", "[]", "10", "-1"])
def test_only_whole_numbers_within_the_limits_are_whole_numbers(value):
    (fault,) = faults_of(f"x = {value}", lambda top: top.integer("x", low=0, high=9))
    assert fault == f"x: is {tomllib.loads('x = ' + value)['x']!r}; give a whole number from 0 to 9"


def test_limits_are_part_of_the_remedy_and_the_stand_in_keeps_them():
    _, top = table("x = 9\ny = -9\nz = 'a'")
    assert (top.number("x", low=1, high=5), top.number("y", low=1, high=5), top.number("z", low=1, high=5)) == (5, 1, 1)
    assert top.integer("missing", low=3, high=5) == 3
    assert top.checker.faults[0] == "x: is 9; give a number from 1 to 5"


@pytest.mark.parametrize(
    ("text", "ask", "remedy"),
    [
        ("s = 3", lambda top: top.text("s"), "s: is 3; give a text in quotes"),
        ("b = 1", lambda top: top.boolean("b"), "b: is 1; give true or false"),
        ("c = 'whait'", lambda top: top.choice("c", ("wait", "end")), "c: is 'whait'; did you mean 'wait'?"),
        ("c = 'x'", lambda top: top.choice("c", ("wait", "end")), "c: is 'x'; known are end, wait"),
        ("c = 1", lambda top: top.choice("c", ("wait", "end")), "c: is 1; give a text in quotes"),
        ("t = 1", lambda top: top.table("t"), "t: is 1; make it a table [t]"),
        ("", lambda top: top.table("t"), "t: is missing; add a table [t]"),
        ("ts = 1", lambda top: top.tables("ts"), "ts: is not a list of tables; write [[ts]]"),
        ("ts = [1]", lambda top: top.tables("ts"), "ts: is not a list of tables; write [[ts]]"),
        ("l = 3", lambda top: top.numbers("l"), "l: is 3; give a list of numbers"),
        ("l = [1, 2]", lambda top: top.numbers("l", count=3), "l: is [1, 2]; give a list of 3 numbers"),
        ("l = [1, 7]", lambda top: top.numbers("l", low=0, high=5), "l: is [1, 7]; give numbers from 0 to 5"),
        ("[[ts]]\n[[ts]]\nk='a'", lambda top: [t.number("k", 0) for t in top.tables("ts")], "ts[2].k: is 'a'; give a"),
    ],
)
def test_what_is_wrong_is_named_with_its_remedy(text, ask, remedy):
    (fault,) = faults_of(text, ask)
    assert fault.startswith(remedy)


def test_a_fault_stays_on_one_line_of_bearable_length():
    faults = faults_of(
        'x = "a\\nb"\ny = "' + "z" * 5000 + '"\nh = 0x' + "f" * 9000 + '\n"k\\nl" = 1\n',
        lambda top: (top.number("x"), top.number("y"), top.number("h"), top.close()),
    )
    assert len(faults) == 4
    assert all("\n" not in fault and len(fault) < 200 for fault in faults)


def test_keys_of_dashes_and_letters_are_shown_bare():
    assert faults_of("a-b = 1\n'c d' = 2", lambda top: top.close()) == [
        "a-b: is not known here; none is known, or remove it",
        "'c d': is not known here; none is known, or remove it",
    ]


def test_the_nearest_word_does_not_depend_on_the_order_of_the_known_ones():
    assert nearest("floor_lefd", ["floor_right", "floor_left"]) == nearest("floor_lefd", ["floor_left", "floor_right"])
    assert nearest("zzz", []) == "none is known"


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("a = = 1", r"f.toml: not valid TOML: .*line 1, column 5.*; mend"),
        ("a = 1\na = 2\n", r"f.toml: not valid TOML: .*line 2"),
        ("a = 1" + "0" * 5000, r"f.toml: holds a number of thousands of digits"),
        ("a = " + "[" * 5000, r"f.toml: tables or lists are nested hundreds deep"),
        ("a = " + "{b = " * 5000, r"f.toml: tables or lists are nested hundreds deep"),
    ],
)
def test_what_is_not_toml_is_one_clear_line(text, complaint):
    with pytest.raises(UserError, match=complaint) as caught:
        parse_toml(text, "f.toml")
    assert "\n" not in str(caught.value)
    assert caught.value.__suppress_context__


def test_files_that_cannot_be_read_are_named_with_the_reason(tmp_path):
    (tmp_path / "latin.toml").write_bytes(b"name = '\xe4'")
    for path, complaint in (
        (tmp_path / "none.toml", "none.toml: cannot be read .No such file"),
        (tmp_path, "cannot be read .Is a directory"),
        (tmp_path / "latin.toml", "latin.toml: not UTF-8 text; save it as UTF-8"),
        ("a\0b", "cannot be a path"),
    ):
        with pytest.raises(UserError, match=complaint):
            read_text(path)
    (tmp_path / "good.toml").write_text("ä = 1", encoding="utf-8")
    assert read_text(tmp_path / "good.toml") == "ä = 1"


SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | st.text() | st.dates()
VALUES = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3), max_leaves=5
)


@given(st.dictionaries(st.sampled_from(["a", "b", "c d", "é", "\n"]), VALUES, max_size=5))
def test_whatever_the_values_every_question_gets_an_answer_of_its_kind(data):
    checker = Checker("x")
    top = Table(data, checker)
    for key in ("a", "b", "c d", "é", "\n"):
        assert 1.0 <= top.number(key, low=1, high=2) <= 2.0
        assert 1 <= top.integer(key, low=1, high=2) <= 2
        assert isinstance(top.text(key), str)
        assert isinstance(top.boolean(key), bool)
        assert top.choice(key, ("p", "q")) in ("p", "q", "")
        assert len(top.numbers(key, count=3)) == 3
        top.table(key).close()
        for entry in top.tables(key):
            entry.close()
    top.close()
    assert all("\n" not in fault for fault in checker.faults)
