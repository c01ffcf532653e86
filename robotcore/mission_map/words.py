"""Conditions as people read them.

Rules: the code's own names stay; signs that Python spells otherwise become words; a constant in capitals that holds a
text is shown as that text. An `elif` is read after its `if`: what was refused before need not be said again.
"""

import ast
from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

LONGEST = 60

_OPPOSITE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip


class Condition(NamedTuple):
    """One condition on a way.

    `refused` tells that a test failed; `chain` numbers the if-elif-else it belongs to, `subject` is what it compares
    with a constant, "" where it does nothing of the kind.
    """

    text: str
    refused: bool = False
    chain: int = 0
    subject: str = ""

    def goes_with(self, other: "Condition") -> bool:
        """Tell whether two are answers to one question."""
        return self.chain == other.chain or (self.subject != "" and self.subject == other.subject)


def extend(conditions: Sequence[Condition], new: Condition) -> tuple[Condition, ...]:
    """Return the conditions with one more; refusals that an accepted answer to the same question makes needless go."""
    kept = [one for one in conditions if new.refused or not (one.refused and one.goes_with(new))]
    return (*kept, new)


def subject_of(test: ast.expr) -> str:
    """Return what a test compares with a constant, "" where it does nothing of the kind."""
    if not (isinstance(test, ast.Compare) and len(test.ops) == 1 and isinstance(test.ops[0], ast.Eq)):
        return ""
    constant = test.comparators[0]
    plain = isinstance(constant, ast.Constant) or (isinstance(constant, ast.Name) and constant.id.isupper())
    return ast.unparse(test.left) if plain else ""


def joined(conditions: Sequence[Condition]) -> str:
    """Return conditions that must all hold as one text."""
    parts: list[str] = []
    for one in conditions:
        answers = [other for other in conditions if other.refused and one.refused and other.goes_with(one)]
        text = "otherwise" if len(answers) > 1 else one.text
        if text and text not in parts:
            parts.append(text)
    return ", ".join(parts)


def say(test: ast.expr, names: Mapping[str, Any]) -> str:
    """Return a test in words."""
    return _short(_worded(ast.unparse(_Plain(names).visit(_copy(test)))))


def say_not(test: ast.expr, names: Mapping[str, Any]) -> str:
    """Return the opposite of a test in words."""
    if isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not):
        return say(test.operand, names)
    if isinstance(test, ast.Compare) and len(test.ops) == 1:
        return say(ast.Compare(test.left, [_OPPOSITE[type(test.ops[0])]()], test.comparators), names)
    if isinstance(test, ast.Name | ast.Attribute | ast.Call | ast.Await):
        return f"not {say(test, names)}"
    return _short(f"not ({say(test, names)})")


def value(expression: ast.expr | None, names: Mapping[str, Any]) -> str:
    """Return an expression as it stands, awaits shown by what they await."""
    return "" if expression is None else _short(ast.unparse(_Plain(names).visit(_copy(expression))))


class ForEach(NamedTuple):
    """What is said where a loop over things begins, goes on, ends, and does nothing; whether it surely begins."""

    enter: str
    again: str
    done: str
    none: str
    surely: bool


def for_each(target: ast.expr, things: ast.expr, names: Mapping[str, Any]) -> ForEach:
    """Return the words for ``for target in things``."""
    surely = isinstance(things, ast.Tuple | ast.List) and len(things.elts) > 0
    counted = isinstance(things, ast.Call) and isinstance(things.func, ast.Name) and things.func.id == "range"
    if isinstance(target, ast.Name) and target.id.startswith("_") and isinstance(things, ast.Call) and counted:
        times = f"{', '.join(value(argument, names) for argument in things.args)} times"
        return ForEach(times, "again", f"after {times}", "no times", surely)
    one, several = ast.unparse(target), value(things, names)
    return ForEach(f"each {one} of {several}", f"next {one}", f"no more {one}", f"nothing in {several}", surely)


def _copy(node: ast.expr) -> ast.expr:
    return ast.parse(ast.unparse(node), mode="eval").body


def _worded(text: str) -> str:
    return text.replace(" == ", " is ").replace(" != ", " is not ")


def _short(text: str) -> str:
    return text if len(text) <= LONGEST else text[: LONGEST - 3].rstrip() + "..."


class _Plain(ast.NodeTransformer):
    """Shows an await by the name of what it awaits, and a constant by its text."""

    def __init__(self, names: Mapping[str, Any]) -> None:
        self._names = names

    def visit_Await(self, node: ast.Await) -> ast.expr:
        """Show what is awaited by its name."""
        call = node.value
        shown = call.func if isinstance(call, ast.Call) else call
        return shown if isinstance(shown, ast.Name) else ast.Name(ast.unparse(shown))

    def visit_Name(self, node: ast.Name) -> ast.expr:
        """Show a constant by its text."""
        found = self._names.get(node.id)
        return ast.Constant(found) if node.id.isupper() and isinstance(found, str) else node
