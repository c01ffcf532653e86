"""A mission is a coroutine function and its settings; the command line finds it by name.

Rules: settings are frozen classes (`robotcore.settings`, or of attrs) of numbers, texts and truth values, nested at
will; every one has a default.
They are read from TOML, validated whole, and go into the recording.
"""

from collections.abc import Callable, Coroutine, Sequence
from typing import Any, NamedTuple

from robotcore.checking import Checker, Table, parse_toml
from robotcore.errors import UserError
from robotcore.robot import Robot
from robotcore.settings import fields_of, replaced


class Mission(NamedTuple):
    """What the robot is to do.

    Args:
        name: how the command line and recordings call it.
        run: the coroutine function, called with the robot and the settings.
        settings: the settings' class; called without arguments it gives the defaults.
        summary: one line for people.
        handles_button: True where a press of the start button during the run is the mission's own business.

    """

    name: str
    run: Callable[[Robot, Any], Coroutine[Any, Any, Any]]
    settings: type
    summary: str
    handles_button: bool = False


def read_settings(kind: type, text: str, source: str) -> Any:
    """Build settings of class `kind` from TOML text; what is not named keeps its default.

    Raises:
        Faults: unknown keys and values of the wrong type, all at once.

    """
    checker = Checker(source)
    settings = _from_table(kind(), Table(parse_toml(text, source), checker))
    checker.finish()
    return settings


def _from_table(default: Any, table: Table) -> Any:
    changes: dict[str, Any] = {}
    for name in fields_of(type(default)) or ():
        before = len(table.checker.faults)
        value = _value_of(getattr(default, name), name, table)
        if len(table.checker.faults) == before:  # else it is a stand-in, whose range nobody needs to hear about
            changes[name] = value
    table.close()
    return _evolve(default, changes, table)


def _value_of(default: Any, name: str, table: Table) -> Any:
    """Return what the table says of one field, or the field's default."""
    if fields_of(type(default)) is not None:
        return _from_table(default, table.table(name, {}))
    for kind, read in ((bool, table.boolean), (int, table.integer), (float, table.number), (str, table.text)):
        if isinstance(default, kind):
            return read(name, default)
    return default


def _evolve(default: Any, changes: dict[str, Any], table: Table) -> Any:
    try:
        return replaced(default, **changes)
    except ValueError as error:
        table.checker.fault(table.place or "settings", str(error))
        return default


def with_overrides(text: str, overrides: Sequence[str]) -> str:
    """Return settings text with ``key.sub=value`` overrides put in; values are TOML.

    Raises:
        UserError: an override is not ``key=value``, or its value is not TOML.

    """
    tree: dict[str, Any] = parse_toml(text, "settings")
    for override in overrides:
        path, equals, value = override.partition("=")
        if not equals or not path:
            raise UserError(f"--set {override}: write key=value, such as follow.speed_m_s=0.2")
        entry = parse_toml(f"value = {value}", f"--set {override}")["value"]
        *tables, key = path.split(".")
        place = tree
        for name in tables:
            place = place.setdefault(name, {})
            if not isinstance(place, dict):
                raise UserError(f"--set {override}: {name} is a value and no table; give it alone")
        place[key] = entry
    return to_toml(tree)


def to_toml(tree: dict[str, Any]) -> str:
    """Return nested tables of numbers, texts and truth values as TOML."""
    lines: list[str] = []
    _write(tree, "", lines)
    return "\n".join(lines) + ("\n" if lines else "")


def _write(tree: dict[str, Any], place: str, lines: list[str]) -> None:
    for key, value in tree.items():
        if not isinstance(value, dict):
            lines.append(f"{key} = {_value(value)}")
    for key, value in tree.items():
        if isinstance(value, dict):
            path = f"{place}.{key}" if place else key
            lines.append(f"[{path}]")
            _write(value, path, lines)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    return repr(value)
