"""From the statements of a behaviour to its states and the ways between them.

How: the statements are gone through in order with the loose ends of all ways that lead here. An await ties them to a
new node; a test splits them; a loop's head gathers what comes back. What is known of a variable that was just set to a
constant (``found = False``) decides a later test of it on that way, so that no way is drawn that nobody can go.

What it does not know: values that come out of calls, and that an error may leave a behaviour anywhere. A `try` is
taken to fail at any await inside it.
"""

import ast
from collections.abc import Iterator, Mapping, Sequence
from types import CodeType, FunctionType, MappingProxyType
from typing import Any, NamedTuple

from robotcore.mission import Mission
from robotcore.mission_map import words
from robotcore.mission_map.code import GROUPS, WAITS, AnyDef, Source, resolve, says, source_of
from robotcore.mission_map.model import END, GROUP, JOIN, START, STATE, WAIT, Body, Chart, Node, Way, number
from robotcore.mission_map.words import Condition

DEEPEST = 12
NOTHING: Mapping[str, object] = MappingProxyType({})
_CONTROL = (ast.Return, ast.Raise, ast.Break, ast.Continue)


class Loose(NamedTuple):
    """The end of a way that leads nowhere yet: from which node, on which conditions, and what is known there."""

    node: Node
    conditions: tuple[Condition, ...] = ()
    known: Mapping[str, object] = NOTHING

    def on(self, condition: Condition) -> "Loose":
        """Return the same way with one more condition."""
        return self._replace(conditions=words.extend(self.conditions, condition))


Ends = list[Loose]


def chart_of(mission: Mission) -> Chart:
    """Return the map of a mission.

    Raises:
        UserError: its source cannot be read.

    """
    source = source_of(mission.run)
    root = Node(STATE, source.name, summary=source.summary, says=says(source.definition))
    root.body = _Flow(source, ()).body()
    number(root)
    return Chart(mission.name, mission.summary, root)


class _Loop(NamedTuple):
    """A loop that is being gone through: where `continue` leads, and the ways that broke out."""

    again: Node
    breaks: Ends


class _Flow:
    """One behaviour being gone through. `above` are the definitions that led here, against endless recursion."""

    def __init__(self, source: Source, above: tuple[AnyDef, ...]) -> None:
        self._source = source
        self._above = (*above, source.definition)
        self._nodes: list[Node] = [Node(START, source.name)]
        self._arrows: list[tuple[Loose, Node]] = []
        self._loops: list[_Loop] = []
        self._chains = 0

    def body(self) -> Body | None:
        """Return the behaviour from the inside; None where it only waits for ticks."""
        ends = self._statements(self._source.definition.body, [Loose(self._nodes[0])])
        self._end(ends, "")
        if not any(node.kind in (STATE, GROUP) for node in self._nodes):
            return None
        ways = _without_joins(self._arrows)
        nodes = [node for node in self._nodes if node.kind == START or any(way.target is node for way in ways)]
        return Body(_code_of(self._source), nodes, ways)

    def _tie(self, ends: Ends, node: Node) -> Ends:
        """Lead all ways to a node; return the way that goes on from it."""
        self._arrows += [(end, node) for end in ends]
        if node not in self._nodes:
            self._nodes.append(node)
        return [Loose(node)]

    def _end(self, ends: Ends, name: str) -> None:
        """Lead all ways to the end called so; ends of one name are one."""
        if ends:
            same = [node for node in self._nodes if node.kind == END and node.name == name]
            self._tie(ends, same[0] if same else Node(END, name))

    # statements

    def _statements(self, block: Sequence[ast.stmt], ends: Ends) -> Ends:
        for statement in block:
            if not ends:
                break
            ends = self._statement(statement, ends)
        return ends

    def _statement(self, statement: ast.stmt, ends: Ends) -> Ends:
        if isinstance(statement, AnyDef | ast.ClassDef):
            return ends
        if not _matters(statement):
            return [_forget(end, statement) for end in ends]
        handler = getattr(self, f"_on_{type(statement).__name__.lower()}", self._on_plain)
        found: Ends = handler(statement, ends)
        return found

    def _on_plain(self, statement: ast.stmt, ends: Ends) -> Ends:
        for part in ast.iter_child_nodes(statement):
            if isinstance(part, ast.expr):
                ends = self._expression(part, ends)
        return [_forget(end, statement) for end in ends]

    def _on_return(self, statement: ast.Return, ends: Ends) -> Ends:
        if statement.value is not None:
            ends = self._expression(statement.value, ends)
        said = words.value(statement.value, self._source.names)
        said = "its answer" if isinstance(statement.value, ast.Await) else said
        self._end(ends, "" if said == "None" else said)
        return []

    def _on_raise(self, statement: ast.Raise, ends: Ends) -> Ends:
        raised = statement.exc.func if isinstance(statement.exc, ast.Call) else statement.exc
        self._end(ends, f"raise {words.value(raised, self._source.names)}".rstrip())
        return []

    def _on_if(self, statement: ast.If, ends: Ends, chain: int = 0) -> Ends:
        if not chain:
            self._chains += 1
            chain = self._chains
        accepted, refused = self._test(statement.test, ends, chain)
        after = self._statements(statement.body, accepted)
        if len(statement.orelse) == 1 and isinstance(statement.orelse[0], ast.If) and refused:
            return after + self._on_if(statement.orelse[0], refused, chain)
        return after + self._statements(statement.orelse, refused)

    def _on_while(self, statement: ast.While, ends: Ends) -> Ends:
        head = Node(JOIN, "")
        self._chains += 1
        inside, out = self._test(statement.test, self._tie(ends, head), self._chains)
        back, breaks = self._loop(statement, inside, head)
        self._tie(back, head)
        return self._statements(statement.orelse, out) + breaks

    def _on_for(self, statement: ast.For | ast.AsyncFor, ends: Ends) -> Ends:
        said = words.for_each(statement.target, statement.iter, self._source.names)
        ends, head, tail = self._expression(statement.iter, ends), Node(JOIN, ""), Node(JOIN, "")
        inside = self._tie([end.on(Condition(said.enter)) for end in ends], head)
        back, breaks = self._loop(statement, inside, tail)
        (turn,) = self._tie(back, tail)
        self._tie([turn.on(Condition(said.again))], head)
        out = [turn.on(Condition(said.done))]
        if not said.surely:
            out += [end.on(Condition(said.none)) for end in ends]
        return self._statements(statement.orelse, out) + breaks

    _on_asyncfor = _on_for

    def _loop(self, statement: ast.While | ast.For | ast.AsyncFor, inside: Ends, again: Node) -> tuple[Ends, Ends]:
        """Go through a loop's body; return the ways that come to its end, and those that break out."""
        loop = _Loop(again, [])
        self._loops.append(loop)
        back = self._statements(statement.body, inside)
        self._loops.pop()
        return back, loop.breaks

    def _on_break(self, statement: ast.Break, ends: Ends) -> Ends:
        self._loops[-1].breaks.extend(ends)
        return []

    def _on_continue(self, statement: ast.Continue, ends: Ends) -> Ends:
        self._tie(ends, self._loops[-1].again)
        return []

    def _on_with(self, statement: ast.With | ast.AsyncWith, ends: Ends) -> Ends:
        for item in statement.items:
            ends = self._expression(item.context_expr, ends)
        return self._statements(statement.body, ends)

    _on_asyncwith = _on_with

    def _on_try(self, statement: ast.Try, ends: Ends) -> Ends:
        already = len(self._nodes)
        after = self._statements([*statement.body, *statement.orelse], ends)
        tried = [node for node in self._nodes[already:] if node.kind in (STATE, GROUP, WAIT)]
        for handler in statement.handlers:
            kind = "an error" if handler.type is None else ast.unparse(handler.type)
            after += self._statements(handler.body, [Loose(node, (Condition(f"on {kind}"),)) for node in tried])
        return self._statements(statement.finalbody, after)

    def _on_match(self, statement: ast.Match, ends: Ends) -> Ends:
        ends = self._expression(statement.subject, ends)
        self._chains += 1
        subject, after = words.value(statement.subject, self._source.names), []
        for case in statement.cases:
            pattern = ast.unparse(case.pattern)
            guard = "" if case.guard is None else f" if {words.say(case.guard, self._source.names)}"
            taken = Condition("otherwise" if pattern == "_" and not guard else f"{subject} is {pattern}{guard}")
            after += self._statements(case.body, [end.on(taken) for end in ends])
        anything = any(ast.unparse(case.pattern) == "_" and case.guard is None for case in statement.cases)
        return after if anything else after + [end.on(Condition("otherwise")) for end in ends]

    # expressions

    def _expression(self, expression: ast.expr, ends: Ends) -> Ends:
        """Go through the awaits of an expression, in the order in which Python evaluates it."""
        if not _awaits(expression):
            return ends
        if isinstance(expression, ast.BoolOp):
            accepted, refused = self._test(expression, ends, 0)
            return accepted + refused
        if isinstance(expression, ast.IfExp):
            accepted, refused = self._test(expression.test, ends, 0)
            return self._expression(expression.body, accepted) + self._expression(expression.orelse, refused)
        inside = expression.value if isinstance(expression, ast.Await) else expression
        for part in ast.iter_child_nodes(inside):
            if isinstance(part, ast.expr | ast.keyword):
                ends = self._expression(part.value if isinstance(part, ast.keyword) else part, ends)
        return self._tie(ends, self._awaited(expression)) if isinstance(expression, ast.Await) else ends

    def _test(self, test: ast.expr, ends: Ends, chain: int) -> tuple[Ends, Ends]:
        """Return the ways on which a test holds, and those on which it does not."""
        if isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not) and _awaits(test):
            accepted, refused = self._test(test.operand, ends, chain)
            return refused, accepted
        if isinstance(test, ast.BoolOp) and (_awaits(test) or any(_foreseen(test, end) is not None for end in ends)):
            return self._test_each(test, ends, chain)
        ends, names = self._expression(test, ends), self._source.names
        subject = words.subject_of(test)
        yes = Condition(words.say(test, names), False, chain, subject)
        no = Condition(words.say_not(test, names), True, chain, subject)
        if isinstance(test, ast.Await):
            yes, no = Condition("yes"), Condition("no")
        accepted, refused = [], []
        for end in ends:
            foreseen = _foreseen(test, end)
            accepted += [end if foreseen else _told(end.on(yes), test, True)] if foreseen is not False else []
            refused += [end if foreseen is False else _told(end.on(no), test, False)] if not foreseen else []
        return accepted, refused

    def _test_each(self, test: ast.BoolOp, ends: Ends, chain: int) -> tuple[Ends, Ends]:
        """Split at every part of an `and` or `or`, as Python does."""
        settled: Ends = []
        every = isinstance(test.op, ast.And)
        for part in test.values:
            accepted, refused = self._test(part, ends, chain)
            ends = accepted if every else refused
            settled += refused if every else accepted
        return (ends, settled) if every else (settled, ends)

    # awaits

    def _awaited(self, expression: ast.Await) -> Node:
        node = self._node(expression.value)
        end_line, end_column = expression.end_lineno or 0, expression.end_col_offset or 0
        node.span = (expression.lineno, expression.col_offset, end_line, end_column)
        return node

    def _node(self, awaited: ast.expr) -> Node:
        """Return the node of what is awaited."""
        if isinstance(awaited, ast.Name) and (made := self._source.assigned(awaited.id)) is not None:
            awaited = made
        if not isinstance(awaited, ast.Call):
            return Node(STATE, words.value(awaited, self._source.names))
        found = resolve(awaited.func, self._source)
        for verb, function in GROUPS.items():
            if found is function:
                return self._group(verb, awaited)
        for verb, function in WAITS.items():
            if found is function:
                return Node(WAIT, f"{verb} {', '.join(map(ast.unparse, awaited.args))}".rstrip())
        return self._state(awaited, found)

    def _group(self, verb: str, call: ast.Call) -> Node:
        arguments = call.args
        if verb == "within" and len(arguments) == 2:
            verb, arguments = f"within {words.value(arguments[0], self._source.names)} s", arguments[1:]
        members = [self._node(item) for argument in arguments for item in self._spread(argument)]
        return Node(GROUP, verb, members=members)

    def _spread(self, argument: ast.expr) -> list[ast.expr]:
        """Return what stands behind ``*several``, where it is a list that the code shows."""
        if not isinstance(argument, ast.Starred):
            return [argument]
        value = argument.value
        if isinstance(value, ast.Name):
            value = self._source.assigned(value.id) or value
        return list(value.elts) if isinstance(value, ast.List | ast.Tuple) else [argument]

    def _state(self, call: ast.Call, found: Any) -> Node:
        source = self._inner(found)
        if source is None:
            return Node(STATE, ast.unparse(call.func), detail=_detail(call, self._source))
        node = Node(STATE, source.name, summary=source.summary, says=says(source.definition))
        if source.definition not in self._above and len(self._above) < DEEPEST:
            node.body = _Flow(source, self._above).body()
        if node.body is None:
            node.detail = _detail(call, self._source)
        return node

    def _inner(self, found: Any) -> Source | None:
        """Return the source of a behaviour of the mission's own package."""
        found = getattr(found, "__func__", found)
        if isinstance(found, ast.AsyncFunctionDef):
            return Source(found, self._source.function, self._source)
        if not isinstance(found, FunctionType) or not self._source.within_package(found):
            return None
        return source_of(found) if found.__code__.co_flags & _COROUTINE else None


_COROUTINE = 0x80  # inspect.CO_COROUTINE


def _awaits(node: ast.AST) -> bool:
    return any(isinstance(inner, ast.Await) for inner in _own(node))


def _own(node: ast.AST) -> Iterator[ast.AST]:
    yield node
    if not isinstance(node, AnyDef | ast.Lambda | ast.ClassDef):
        for inner in ast.iter_child_nodes(node):
            yield from _own(inner)


def _matters(statement: ast.stmt) -> bool:
    """Tell whether a statement awaits something or leads somewhere else."""
    return any(isinstance(inner, (ast.Await, ast.AsyncFor, ast.AsyncWith, *_CONTROL)) for inner in _own(statement))


def _forget(end: Loose, statement: ast.stmt) -> Loose:
    """Return a way with what is known after a statement that leads straight on."""
    set_here = {node.id for node in _own(statement) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)}
    known = {name: value for name, value in end.known.items() if name not in set_here}
    if isinstance(statement, ast.Assign) and isinstance(statement.value, ast.Constant) and len(statement.targets) == 1:
        target = statement.targets[0]
        if isinstance(target, ast.Name):
            known[target.id] = statement.value.value
    return end._replace(known=known) if known or end.known else end


def _told(end: Loose, test: ast.expr, holds: bool) -> Loose:
    """Return a way with what a test has just told of a variable."""
    while isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not):
        test, holds = test.operand, not holds
    return end._replace(known={**end.known, test.id: holds}) if isinstance(test, ast.Name) else end


def _foreseen(test: ast.expr, end: Loose) -> bool | None:
    """Return how a test ends on a way, as far as that is known; None where it is not."""
    if isinstance(test, ast.Constant):
        return bool(test.value)
    if isinstance(test, ast.Name) and test.id in end.known:
        return bool(end.known[test.id])
    if isinstance(test, ast.UnaryOp) and isinstance(test.op, ast.Not):
        inner = _foreseen(test.operand, end)
        return None if inner is None else not inner
    if isinstance(test, ast.BoolOp):
        parts = [_foreseen(part, end) for part in test.values]
        return _foreseen_all(parts) if isinstance(test.op, ast.And) else _foreseen_any(parts)
    return None


def _foreseen_all(parts: Sequence[bool | None]) -> bool | None:
    return False if False in parts else None if None in parts else True


def _foreseen_any(parts: Sequence[bool | None]) -> bool | None:
    return True if True in parts else None if None in parts else False


def _without_joins(arrows: Sequence[tuple[Loose, Node]]) -> list[Way]:
    """Lead every way through the heads of loops on to where it really goes; ways with the same ends become one."""
    found: list[tuple[Node, Node, str]] = []

    def lead(source: Node, conditions: tuple[Condition, ...], target: Node, passed: tuple[Node, ...]) -> None:
        if target.kind != JOIN:
            found.append((source, target, words.joined(conditions)))
        elif target not in passed:
            for end, on in arrows:
                if end.node is target:
                    lead(source, (*conditions, *end.conditions), on, (*passed, target))

    for end, target in arrows:
        if end.node.kind != JOIN:
            lead(end.node, end.conditions, target, ())
    return _merged(found)


def _merged(found: Sequence[tuple[Node, Node, str]]) -> list[Way]:
    texts: dict[tuple[int, int], tuple[Node, Node, list[str]]] = {}
    for source, target, text in found:
        texts.setdefault((id(source), id(target)), (source, target, []))[2].append(text)
    ways = []
    for source, target, several in texts.values():
        said = list(dict.fromkeys(several))
        ways.append(Way(source, target, "" if "" in said else " or ".join(said)))
    return ways


def _detail(call: ast.Call, source: Source) -> str:
    """Return the arguments of a call that say something: no plain names, no settings handed on."""
    given = [("", argument) for argument in call.args] + [(f"{one.arg}=", one.value) for one in call.keywords]
    telling = [
        (name, value)
        for name, value in given
        if not isinstance(value, ast.Name | ast.Lambda | ast.Starred) and not _settings(value)
    ]
    return ", ".join(name + words.value(value, source.names) for name, value in telling)


def _settings(value: ast.expr) -> bool:
    """Tell whether an argument is a part of the settings, handed on as it is."""
    base = value.value if isinstance(value, ast.Attribute) else None
    return isinstance(base, ast.Name) and base.id in ("s", "settings")


def _code_of(source: Source) -> CodeType:
    """Return the code object of a behaviour, also of one that is defined inside another."""
    code = source.function.__code__
    if source.outer is None:
        return code
    waiting = [code]
    while waiting:
        inner = waiting.pop(0)
        if inner.co_name == source.name and inner.co_firstlineno == source.definition.lineno:
            return inner
        waiting += [const for const in inner.co_consts if isinstance(const, CodeType)]
    return code
