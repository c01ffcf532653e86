"""Reading TOML from strangers: everything is checked, every fault is listed at once, nothing is executed.

Rules: a `Table` hands out values that passed their check and a stand-in otherwise; nobody may use what was read
before `Checker.finish()` returned. Keys that nobody asked for are faults too, with the nearest known key.
"""

import math
import sys
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from robotcore.errors import Faults, UserError

_REQUIRED: Any = object()
_LARGEST = sys.float_info.max


class Checker:
    """Collects the faults of one source.

    Args:
        source: the name that faults are reported under, usually the file's path.

    """

    def __init__(self, source: str) -> None:
        self.source = source
        self.faults: list[str] = []
        self._spots: list[tuple[float, float] | None] = []

    def fault(self, place: str, text: str, spot: tuple[float, float] | None = None) -> None:
        """Note a fault at `place` (a key path such as ``device[2].role``), with its remedy in `text`.

        `spot` is where on the floor it is, in metres, for who wants to mend it by machine.
        """
        self.faults.append(f"{place}: {text}")
        self._spots.append(spot)

    def finish(self) -> None:
        """Raise `Faults` with everything noted so far, or return if there was nothing."""
        if self.faults:
            raise Faults(self.source, self.faults, self._spots)


class Table:
    """One TOML table under check.

    Args:
        data: the parsed table.
        checker: where faults go.
        place: the table's key path, "" for the whole file.

    """

    def __init__(self, data: Mapping[str, Any], checker: Checker, place: str = "") -> None:
        self.data = data
        self.checker = checker
        self.place = place
        self._asked: list[str] = []

    def at(self, key: str) -> str:
        """Return the key path of `key` in this table."""
        name = key if key.isidentifier() or key.replace("-", "_").isidentifier() else _shown(key)
        return f"{self.place}.{name}" if self.place else name

    def fault(self, key: str, text: str) -> None:
        """Note a fault at `key`."""
        self.checker.fault(self.at(key), text)

    def has(self, key: str) -> bool:
        """Tell whether `key` is there (and count it as known)."""
        self._asked.append(key)
        return key in self.data

    def _get(self, key: str, default: Any, kind: str, stand_in: Any) -> tuple[Any, bool]:
        self._asked.append(key)
        if key in self.data:
            return self.data[key], True
        if default is _REQUIRED:
            self.fault(key, f"is missing; add {kind}")
            return stand_in, False
        return default, False

    def number(self, key: str, default: Any = _REQUIRED, *, low: float = -math.inf, high: float = math.inf) -> float:
        """Return a finite number within [low, high]."""
        value, there = self._get(key, default, "a number", max(low, min(high, 0.0)))
        if not there:
            return value  # type: ignore[no-any-return]
        if not _is_number(value):
            self.fault(key, f"is {_shown(value)}; give a finite number")
            return max(low, min(high, 0.0))
        if not low <= value <= high:
            self.fault(key, f"is {_shown(value)}; give a number from {low:g} to {high:g}")
            return low if value < low else high
        return float(value)

    def integer(self, key: str, default: Any = _REQUIRED, *, low: int = -(2**62), high: int = 2**62) -> int:
        """Return a whole number within [low, high]."""
        value, there = self._get(key, default, "a whole number", max(low, min(high, 0)))
        if there and (isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high):
            self.fault(key, f"is {_shown(value)}; give a whole number from {low} to {high}")
            return max(low, min(high, 0))
        return value  # type: ignore[no-any-return]

    def text(self, key: str, default: Any = _REQUIRED) -> str:
        """Return a text."""
        value, there = self._get(key, default, "a text", "")
        if there and not isinstance(value, str):
            self.fault(key, f"is {_shown(value)}; give a text in quotes")
            return ""
        return value  # type: ignore[no-any-return]

    def choice(self, key: str, known: Sequence[str], default: Any = _REQUIRED) -> str:
        """Return one of the `known` words."""
        value = self.text(key, default)
        if key in self.data and isinstance(self.data[key], str) and value not in known:
            self.fault(key, f"is {_shown(value)}; {nearest(value, known)}")
            return known[0] if known else ""
        return value

    def boolean(self, key: str, default: Any = _REQUIRED) -> bool:
        """Return true or false."""
        value, there = self._get(key, default, "true or false", False)
        if there and not isinstance(value, bool):
            self.fault(key, f"is {_shown(value)}; give true or false")
            return False
        return value  # type: ignore[no-any-return]

    def numbers(
        self,
        key: str,
        default: Any = _REQUIRED,
        *,
        count: int | None = None,
        low: float = -math.inf,
        high: float = math.inf,
    ) -> tuple[float, ...]:
        """Return a list of finite numbers within [low, high], of `count` entries where given."""
        stand_in = (max(low, min(high, 0.0)),) * (count or 0)
        value, there = self._get(key, default, "a list of numbers", stand_in)
        if not there:
            return value  # type: ignore[no-any-return]
        wanted = f"{count} numbers" if count is not None else "numbers"
        if not isinstance(value, list) or (count is not None and len(value) != count):
            self.fault(key, f"is {_shown(value)}; give a list of {wanted}")
            return stand_in
        if not all(_is_number(entry) and low <= entry <= high for entry in value):
            self.fault(key, f"is {_shown(value)}; give {wanted} from {low:g} to {high:g}")
            return stand_in
        return tuple(float(entry) for entry in value)

    def table(self, key: str, default: Any = _REQUIRED) -> "Table":
        """Return a sub-table."""
        value, there = self._get(key, default, f"a table [{self.at(key)}]", {})
        if there and not isinstance(value, Mapping):
            self.fault(key, f"is {_shown(value)}; make it a table [{self.at(key)}]")
            value = {}
        return Table(value, self.checker, self.at(key))

    def tables(self, key: str, default: Any = ()) -> list["Table"]:
        """Return a list of sub-tables, empty where the key is not there."""
        value, there = self._get(key, default, f"[[{self.at(key)}]]", [])
        if there and not (isinstance(value, list) and all(isinstance(entry, Mapping) for entry in value)):
            self.fault(key, f"is not a list of tables; write [[{self.at(key)}]]")
            value = []
        return [Table(entry, self.checker, f"{self.at(key)}[{i}]") for i, entry in enumerate(value, 1)]

    def close(self) -> None:
        """Note every key that nobody asked for."""
        for key in self.data:
            if key not in self._asked:
                self.fault(key, f"is not known here; {nearest(key, self._asked)}, or remove it")


def _is_number(value: Any) -> bool:
    # Compared, not converted: a whole number from a file may be too large for a float.
    return not isinstance(value, bool) and isinstance(value, int | float) and -_LARGEST <= value <= _LARGEST


def _shown(value: Any) -> str:
    """Return a value as a fault names it: on one line, and not for ever."""
    try:
        text = repr(value)
    except (ValueError, RecursionError):  # a number of thousands of digits
        return "far too large"
    return text if len(text) <= 80 else text[:76] + " ..."


def nearest(word: str, known: Iterable[str]) -> str:
    """Return "did you mean ...?" or "known are ..." for a word that is not known."""
    import difflib  # late: only a faulty file needs it

    names = sorted(dict.fromkeys(known))
    close = difflib.get_close_matches(word, names, 1)
    if close:
        return f"did you mean {close[0]!r}?"
    return f"known are {', '.join(names)}" if names else "none is known"


def parse_toml(text: str, source: str) -> dict[str, Any]:
    """Parse TOML text.

    Raises:
        UserError: the text is not TOML; names source, line and column.

    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UserError(f"{source}: not valid TOML: {error}; mend the line it names") from None
    except ValueError:  # Python's limit to the digits of a number
        raise UserError(f"{source}: holds a number of thousands of digits; mend it") from None
    except RecursionError:
        raise UserError(f"{source}: tables or lists are nested hundreds deep; mend it") from None


def read_text(path: str | Path) -> str:
    """Read a UTF-8 text file. A byte-order mark, with which some editors begin one, is left out.

    Raises:
        UserError: it cannot be read, or is not UTF-8.

    """
    try:
        return Path(path).read_text(encoding="utf-8").removeprefix("\ufeff")
    except UnicodeDecodeError:
        raise UserError(f"{path}: not UTF-8 text; save it as UTF-8") from None
    except OSError as error:
        raise UserError(f"{path}: cannot be read ({error.strerror}); check the path") from None
    except ValueError:  # a path with a null character
        raise UserError(f"{str(path)!r}: cannot be a path; check it") from None
