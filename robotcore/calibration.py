"""Calibration: what white and black look like to each colour sensor at this venue.

Rules: a calibration is TOML, carries date, light and spread, and is validated whole. White alone normalises colours;
black serves steering only. Offsets are what the sensor reads with its lamp off and covered.
"""

from pathlib import Path
from typing import NamedTuple

from robotcore.checking import Checker, Table, parse_toml, read_text

Triple = tuple[float, float, float]


class Reference(NamedTuple):
    """One colour sensor's references, as linear shares of full scale (see `robotcore.devices.ColourSensor.light`)."""

    white: Triple
    black: Triple
    offset: Triple = (0.0, 0.0, 0.0)
    spread: Triple = (0.0, 0.0, 0.0)  #: standard deviation over white, per channel


class Calibration(NamedTuple):
    """The references of every colour role, with when and under which light they were taken."""

    date: str
    light: str
    references: dict[str, Reference]
    text: str


def load_calibration(path: str | Path) -> Calibration:
    """Read and validate a calibration file.

    Raises:
        UserError: it cannot be read or is not TOML; `Faults` lists everything else that is wrong.

    """
    return parse_calibration(read_text(path), str(path))


def parse_calibration(text: str, source: str) -> Calibration:
    """Validate a calibration's text; `source` names it in faults."""
    checker = Checker(source)
    top = Table(parse_toml(text, source), checker)
    head = top.table("calibration")
    date, light = head.text("date"), head.text("light", "")
    head.close()
    references = {role: _reference(top.table(role)) for role in ("floor_left", "floor_right", "front") if top.has(role)}
    top.close()
    checker.finish()
    return Calibration(date, light, references, text)


def _reference(table: Table) -> Reference:
    offset = _triple(table, "offset", (0.0, 0.0, 0.0))
    white = _triple(table, "white", None)
    black = _triple(table, "black", None)
    spread = _triple(table, "spread", (0.0, 0.0, 0.0))
    if "white" in table.data and not all(w - o > 0.002 for w, o in zip(white, offset, strict=True)):
        table.fault(
            "white", f"{white} is hardly above the offset {offset}; put the sensor over white and calibrate again"
        )
    if "white" in table.data and "black" in table.data and not sum(white) - sum(black) > 0.1 * sum(white):
        table.fault(
            "black", f"{black} is hardly darker than white {white}; put the sensor over black and calibrate again"
        )
    table.close()
    return Reference(white, black, offset, spread)


def _triple(table: Table, key: str, default: Triple | None) -> Triple:
    values = (
        table.numbers(key, count=3, low=0.0, high=2.0)
        if default is None
        else table.numbers(key, default, count=3, low=0.0, high=2.0)
    )
    return (values[0], values[1], values[2])


def calibration_text(date: str, light: str, references: dict[str, Reference]) -> str:
    """Return a calibration as TOML, ready to be written and read again."""
    lines = ["[calibration]", f"date = {_quoted(date)}", f"light = {_quoted(light)}"]
    for role, reference in references.items():
        lines += ["", f"[{role}]"]
        for key in ("white", "black", "offset", "spread"):
            values = ", ".join(repr(round(value, 6)) for value in getattr(reference, key))
            lines.append(f"{key} = [{values}]")
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    printable = "".join(letter if letter.isprintable() else " " for letter in text)
    return '"' + printable.replace("\\", "\\\\").replace('"', '\\"') + '"'
