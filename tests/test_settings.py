"""Settings hold what they promise: defaults, checks, no change afterwards; and stand beside attrs' classes."""

import copy
import pickle

import attrs
import pytest

from robotcore.mission import read_settings
from robotcore.settings import checked, fields_of, number, part, replaced, settings, whole, word


def _even(name, value):
    if value % 2:
        raise ValueError(f"{name} is {value!r}; give an even number")


@settings
class Inner:
    """Within."""

    speed_m_s: float = number(0.2, 0.03, 1.0)
    votes: int = whole(3, 1, 20)
    side: str = word("left", ("left", "right"))
    pairs: int = checked(_even, 2)
    open_end: float = 7.0


@settings
class Outer:
    """Around."""

    inner: Inner = part(Inner)
    other: Inner = Inner(0.5, 4)
    low: float = number(0.0, -1.0, 1.0)
    high: float = number(1.0, -1.0, 2.0)

    def validate(self):
        if not self.low < self.high:
            raise ValueError("low is not below high")


@settings
class Needs:
    """One without a default."""

    gain: float


def test_defaults_positions_and_names():
    assert Inner() == Inner(0.2, 3, "left", pairs=2, open_end=7.0)
    assert (Inner(0.3).speed_m_s, Inner(votes=9).votes, Outer().other.votes) == (0.3, 9, 4)
    assert repr(Inner()) == "Inner(speed_m_s=0.2, votes=3, side='left', pairs=2, open_end=7.0)"


@pytest.mark.parametrize(
    ("given", "text"),
    [
        ({"speed_m_s": 1.5}, "speed_m_s is 1.5; give a number from 0.03 to 1"),
        ({"speed_m_s": float("nan")}, "speed_m_s is nan; give a number"),
        ({"votes": 2.0}, "votes is 2.0; give a whole number from 1 to 20"),
        ({"votes": 21}, "votes is 21; give a whole number"),
        ({"side": "up"}, "side is 'up'; give one of 'left', 'right'"),
        ({"pairs": 3}, "pairs is 3; give an even number"),
    ],
)
def test_what_does_not_fit_is_refused_with_its_name(given, text):
    with pytest.raises(ValueError, match=text.replace(".", r"\.")):
        Inner(**given)


def test_two_fields_are_checked_together():
    with pytest.raises(ValueError, match="low is not below high"):
        Outer(low=1.0)


@pytest.mark.parametrize("call", [lambda: Inner(1, 2, "left", 2, 7.0, 9), lambda: Inner(0.2, speed_m_s=0.2)])
def test_too_many_arguments_are_refused(call):
    with pytest.raises(TypeError, match="do not fit"):
        call()


def test_unknown_and_missing_arguments_are_named():
    with pytest.raises(TypeError, match="do not fit: speed"):
        Inner(speed=1)
    with pytest.raises(TypeError, match="gain is missing"):
        Needs()


def test_nothing_changes_afterwards():
    inner = Inner()
    with pytest.raises(AttributeError, match="frozen"):
        inner.votes = 4
    with pytest.raises(AttributeError, match="frozen"):
        del inner.votes
    assert replaced(inner, votes=4) == Inner(votes=4) != inner
    with pytest.raises(ValueError, match="votes is 0"):
        replaced(inner, votes=0)


def test_equal_settings_have_equal_hashes_and_travel():
    outer = Outer(inner=Inner(votes=5))
    assert hash(outer) == hash(Outer(inner=Inner(votes=5)))
    assert pickle.loads(pickle.dumps(outer)) == outer
    assert copy.deepcopy(outer) == outer
    assert Inner() != Outer()


def test_fields_are_told_for_both_kinds_of_classes():
    kind = attrs.make_class("Kind", {"a": attrs.field(default=1.0), "b": attrs.field(default=2)}, frozen=True)
    assert fields_of(kind) == ("a", "b")
    assert fields_of(Outer) == ("inner", "other", "low", "high")
    assert fields_of(int) is None
    assert replaced(kind(), b=3) == kind(1.0, 3)
    assert read_settings(kind, "b = 4", "here") == kind(1.0, 4)


def test_a_settings_file_reaches_the_inner_ones():
    outer = read_settings(Outer, "low = -0.5\n[inner]\nvotes = 7\n", "here")
    assert (outer.low, outer.inner.votes, outer.inner.side) == (-0.5, 7, "left")
