"""From what stands in a behaviour to the source behind it.

Rules: names are looked up where Python would look them up, in the module that was imported; nothing is called. What
lies outside the mission's package is shown by name and not looked into.
"""

import ast
import inspect
from collections.abc import Callable, Iterator
from functools import lru_cache, partial
from types import FunctionType
from typing import Any

from robotcore import kernel
from robotcore.errors import UserError

AnyDef = ast.FunctionDef | ast.AsyncFunctionDef

GROUPS = {"first": kernel.first, "together": kernel.together, "within": kernel.within}
WAITS = {"tick": kernel.tick, "sleep": kernel.sleep}


class Source:
    """A coroutine function and its definition.

    Attributes:
        function: the function; None for one that is defined inside another, which no name reaches.
        names: the module's names.

    """

    def __init__(self, definition: AnyDef, function: FunctionType, outer: "Source | None" = None) -> None:
        self.definition = definition
        self.function = function
        self.outer = outer
        self.names: dict[str, Any] = function.__globals__

    @property
    def name(self) -> str:
        """Return the behaviour's name."""
        return self.definition.name

    @property
    def summary(self) -> str:
        """Return the first sentence of its docstring."""
        return first_sentence(ast.get_docstring(self.definition) or "")

    def within_package(self, function: FunctionType) -> bool:
        """Tell whether a function belongs to the same top-level package."""
        return function.__module__.partition(".")[0] == self.function.__module__.partition(".")[0]

    def local(self, name: str) -> AnyDef | None:
        """Return a function defined inside this one, or inside the one that this one is defined in."""
        for node in own_nodes(self.definition):
            if isinstance(node, AnyDef) and node.name == name:
                return node
        return None if self.outer is None else self.outer.local(name)

    def assigned(self, name: str) -> ast.expr | None:
        """Return what a local name is given, where that happens in one place only."""
        values = []
        for node in own_nodes(self.definition):
            if isinstance(node, ast.Assign) and any(isinstance(to, ast.Name) and to.id == name for to in node.targets):
                values.append(node.value)
            elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name) and node.target.id == name:
                values += [node.value] if node.value is not None else []
        return values[0] if len(values) == 1 else None


def source_of(function: Callable[..., Any]) -> Source:
    """Return the source of a coroutine function.

    Raises:
        UserError: it has no source to read, or is no coroutine function.

    """
    function = inspect.unwrap(function.func if isinstance(function, partial) else function)
    if not isinstance(function, FunctionType) or not inspect.iscoroutinefunction(function):
        raise UserError(f"map: {function!r} is no `async def`; a mission's `run` must be one")
    definition = _definition(function)
    if definition is None:
        raise UserError(f"map: the source of {function.__qualname__} in {function.__module__} cannot be read")
    return Source(definition, function)


def _definition(function: FunctionType) -> AnyDef | None:
    path = inspect.getsourcefile(function)
    tree = None if path is None else _parsed(path)
    for node in ast.walk(tree) if tree is not None else ():
        first = min([node.lineno, *(mark.lineno for mark in node.decorator_list)]) if isinstance(node, AnyDef) else 0
        if first == function.__code__.co_firstlineno and isinstance(node, AnyDef) and node.name == function.__name__:
            return node
    return None


@lru_cache(maxsize=64)
def _parsed(path: str) -> ast.Module | None:
    try:
        with open(path, "rb") as file:
            return ast.parse(file.read(), path)
    except (OSError, SyntaxError, ValueError):
        return None


def resolve(called: ast.expr, source: Source) -> Any:
    """Return what a name or attribute stands for: an object, a definition inside the function, or None."""
    if isinstance(called, ast.Name):
        return source.local(called.id) or source.names.get(called.id)
    if isinstance(called, ast.Attribute):
        owner = _owner(called.value, source)
        return None if owner is None else inspect.getattr_static(owner, called.attr, None)
    return None


def _owner(base: ast.expr, source: Source) -> Any:
    """Return the module or class that an attribute is taken from."""
    if not isinstance(base, ast.Name):
        return _owner_of_field(base, source) if isinstance(base, ast.Attribute) else None
    if base.id == "self":
        return _named(source.function.__qualname__.rpartition(".")[0], source)
    value = source.assigned(base.id)
    if isinstance(value, ast.Call):
        return resolve(value.func, source)
    for argument in [*source.definition.args.args, *source.definition.args.kwonlyargs]:
        if argument.arg == base.id and argument.annotation is not None:
            return _named(ast.unparse(argument.annotation).strip("'\""), source)
    return source.names.get(base.id)


def _owner_of_field(base: ast.Attribute, source: Source) -> Any:
    """Return what `module.part` stands for; a field of an object is not known."""
    found = _owner(base.value, source)
    return getattr(found, base.attr, None) if inspect.ismodule(found) else None


def _named(name: str, source: Source) -> Any:
    found = source.names.get(name)
    return found if inspect.isclass(found) or inspect.ismodule(found) else None


def own_nodes(definition: AnyDef) -> Iterator[ast.AST]:
    """Give every node of a function but those inside functions defined in it (their definitions are given)."""
    waiting: list[ast.AST] = list(definition.body)
    while waiting:
        node = waiting.pop(0)
        yield node
        if not isinstance(node, AnyDef | ast.Lambda | ast.ClassDef):
            waiting = [*ast.iter_child_nodes(node), *waiting]


def says(definition: AnyDef) -> tuple[str, ...]:
    """Return the decisions, and faults as "fault: kind", that a behaviour may say, in order."""
    found = []
    for node in ast.walk(definition):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.args):
            continue
        word = node.args[0]
        if node.func.attr in ("decide", "fault") and isinstance(word, ast.Constant) and isinstance(word.value, str):
            found.append((word.lineno, word.value if node.func.attr == "decide" else f"fault: {word.value}"))
    return tuple(dict.fromkeys(text for _, text in sorted(found)))


def first_sentence(text: str) -> str:
    """Return the first sentence of a docstring, or what stands before a semicolon or colon, on one line."""
    paragraph = " ".join(text.split("\n\n")[0].split()).replace("`", "")
    depth = 0
    for i, character in enumerate(paragraph):
        depth += (character in "([") - (character in ")]")
        if depth == 0 and character in ".;:" and paragraph[i + 1 : i + 2] in (" ", ""):
            return paragraph[:i]
    return paragraph
