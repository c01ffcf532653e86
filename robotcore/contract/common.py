"""Rules as test items: what a check is, and the error that lists every broken promise.

Rule: a check finds every breach it can, and an exception on the way is a breach as well, never the end of the suite.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from typing import Any, NamedTuple

Breaches = Iterator[str]


class ContractError(AssertionError):
    """Promises that were broken; `breaches` holds them all, one line each."""

    def __init__(self, subject: str, breaches: Sequence[str]) -> None:
        self.breaches = tuple(breaches)
        super().__init__("\n".join(f"{subject}: {breach}" for breach in breaches))


class Check(NamedTuple):
    """One rule, ready to be called; `str()` is its name, for test items."""

    name: str
    promise: str
    find: Callable[[], Breaches]
    subject: str

    def __str__(self) -> str:
        return self.name

    def __call__(self) -> None:
        """Raise `ContractError` if the rule is broken."""
        breaches = self.breaches()
        if breaches:
            raise ContractError(self.subject, breaches)

    def breaches(self) -> list[str]:
        """Return every breach of the rule; an exception within is one, too."""
        found = []
        try:
            found += [f"{self.name}: {breach}" for breach in self.find()]
        except Exception as error:
            found.append(f"{self.name}: raised {type(error).__name__}: {error}; the promise: {self.promise}")
        return found


class Rule(NamedTuple):
    """What holds for every subject of a kind, and how breaches of it are found."""

    name: str
    promise: str
    find: Callable[[Any], Breaches]


def promises(promise: str) -> Callable[[Callable[[Any], Breaches]], Rule]:
    """Make a rule of a function that yields breaches; `promise` says in one sentence what holds."""
    return lambda find: Rule(find.__name__.strip("_").replace("_", "-"), promise, find)


def bind(rules: Iterable[Rule], subject: Any, name: str) -> list[Check]:
    """Return the rules as checks of one subject."""
    return [Check(rule.name, rule.promise, partial(rule.find, subject), name) for rule in rules]


def demand(checks: Sequence[Check]) -> None:
    """Put a subject through all checks.

    Raises:
        ContractError: lists every breach of every rule.

    """
    breaches = [breach for check in checks for breach in check.breaches()]
    if breaches:
        raise ContractError(checks[0].subject, breaches)
