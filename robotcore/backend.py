"""The seam: where raw counts come from and commands go. The fake, the wire and a recording all fit through here.

A backend is chosen by URL, ``scheme:place?key=value&key=value``: ``fake:quay?seed=3``, ``serial:/dev/ttyACM0``,
``replay:replays/gap.rec``. Rules: `sense` and `act` are called in turn, once a tick, from one thread; `stop` may be
called from any thread at any time, also twice, and nothing moves after it until `act` is called again.
"""

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple, Protocol
from urllib.parse import parse_qsl, unquote

from robotcore.command import Command
from robotcore.errors import UserError
from robotcore.rig import Rig

Raw = tuple[int, ...]
"""One row of raw counts, laid out as the rig's `Layout` says."""


class EndOfRun(Exception):
    """The backend has no more samples: a recording is over, or the link is gone and the rig says "end"."""


class Backend(Protocol):
    """One world that senses and acts.

    A paced one whose world has a beat of its own may bring a `robotcore.pacing.Pacer` as its attribute `pacer`.
    """

    paced: bool  #: True where the world goes on by itself, so that the loop must keep to the wall clock
    facts: Mapping[str, str]  #: what a recording should know about this world (course text, seed, device names ...)

    def open(self) -> None:
        """Make ready to sense; actuators at rest. Raises `UserError` with the remedy."""
        ...

    def sense(self, tick: int) -> Raw | None:
        """Return the counts of this tick, or None where there are none (behaviours do not run in such a tick).

        Tick numbers rise, and jump where the loop was late. Raises `EndOfRun`.
        """
        ...

    def act(self, command: Command) -> None:
        """Send the set-points of this tick."""
        ...

    def stop(self, category: int) -> None:
        """Stop all motors: `robotcore.command.CUT`, `HALT` or `HOLD`."""
        ...

    def close(self) -> None:
        """Stop and let go of the world; may be called twice."""
        ...

    def faults(self) -> list[tuple[str, str]]:
        """Return and forget what went wrong since the last call: (kind, detail)."""
        ...

    def truth(self) -> tuple[float, float, float] | None:
        """Return the true pose (x m, y m, heading rad) where a world knows it. For recordings, never for behaviours."""
        ...


class Address(NamedTuple):
    """A backend's URL in parts."""

    scheme: str
    place: str
    options: dict[str, str]
    url: str


def parse_address(url: str) -> Address:
    """Split ``scheme:place?key=value``.

    Raises:
        UserError: there is no scheme, or an option has no value or stands twice.

    """
    scheme, colon, rest = url.partition(":")
    if not colon or not scheme:
        raise UserError(f"{url}: not a backend; write scheme:place, such as fake:quay or serial:/dev/ttyACM0")
    place, _, query = rest.partition("?")
    try:
        pairs = parse_qsl(query, keep_blank_values=False, strict_parsing=bool(query))
    except ValueError:
        raise UserError(f"{url}: {query!r} is not key=value&key=value; mend the options after '?'") from None
    options = dict(pairs)
    if len(options) != len(pairs):
        raise UserError(f"{url}: an option stands twice; keep one of them")
    return Address(scheme, unquote(place), options, url)


BackendFactory = Callable[[Address, Rig], Any]
"""Builds a backend (unopened) from its address and the rig; raises `UserError` for options that it does not know."""
