"""The errors that a person caused and can mend.

Rule: a `UserError` is one line that names the file, the place and the remedy. The command line prints it and
exits with 2, without a traceback. Everything else is a defect of the code and keeps its traceback.
"""

from collections.abc import Sequence


class UserError(Exception):
    """Something outside the code is wrong; the text says where and what to do about it."""


class Faults(UserError):
    """Every fault found in one file, listed at once.

    Args:
        source: the file or text that was checked.
        faults: one line each, "place: what is wrong; remedy".
        spots: where on the floor each of them is, x and y in metres, or None; nothing for nowhere.

    """

    def __init__(self, source: str, faults: Sequence[str], spots: Sequence[tuple[float, float] | None] = ()) -> None:
        self.source = source
        self.faults = tuple(faults)
        self.spots = tuple(spots) or (None,) * len(self.faults)
        super().__init__("\n".join(f"{source}: {fault}" for fault in self.faults))


class OwnershipError(RuntimeError):
    """Two behaviours commanded the same actuator in one tick; the text names both."""


class CommandError(ValueError):
    """A behaviour commanded a value that is not a finite number; the text names actuator and behaviour."""
