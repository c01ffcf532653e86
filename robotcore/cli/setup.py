"""What several verbs need: rig, calibration, mission and settings from the command line's words or a recording."""

import argparse
import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from robotcore.calibration import Calibration, load_calibration, parse_calibration
from robotcore.checking import read_text
from robotcore.cli import plugins
from robotcore.errors import UserError
from robotcore.mission import Mission, read_settings, with_overrides
from robotcore.rig import Rig, load_rig, parse_rig


class Setup(NamedTuple):
    """Everything that a brain is made of, and the texts it came from."""

    rig: Rig
    calibration: Calibration
    mission: Mission
    settings: Any
    settings_text: str


class Parser(argparse.ArgumentParser):
    """Argument parser whose errors are one line and exit with 2."""

    def error(self, message: str) -> Any:
        """Raise what `main` prints."""
        raise UserError(f"{self.prog}: {message}; see `{self.prog} --help`")


def parser(verb: str, description: str) -> Parser:
    """Return the parser of one verb."""
    return Parser(prog=f"robotcore {verb}", description=description)


def add_setup(words: argparse.ArgumentParser) -> None:
    """Add the words that choose mission, rig, calibration and settings."""
    words.add_argument(
        "--mission", default="line", help="what to do: line (default), another of `robotcore names`, or module:NAME"
    )
    words.add_argument("--rig", default="harbour", help="shipped name or TOML file of the robot as built")
    words.add_argument("--calibration", help="shipped name or TOML file (default: the one named as the rig)")
    words.add_argument("--settings", help="TOML file with the mission's settings")
    words.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help="one setting, over the file's")


def number(text: str, what: str = "a number", low: float = -math.inf, high: float = math.inf) -> float:
    """Read a number within [low, high] for an option of a verb; `what` says in the error what it should have been."""
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise argparse.ArgumentTypeError(f"{text!r} is not {what}")
    return value


def whole(text: str) -> int:
    """Read a whole number for an option of a verb."""
    try:
        return int(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number") from None


def seconds(text: str) -> float:
    """Read a length of time for an option of a verb."""
    return number(text, "a number of seconds from above 0 to a million", math.ulp(0.0), 1e6)


def from_words(args: argparse.Namespace) -> Setup:
    """Build the setup that the words ask for."""
    rig = load_rig(plugins.rig_path(args.rig), plugins.device)
    calibration = load_calibration(_calibration_path(args))
    mission = plugins.mission(args.mission, by_module=True)
    text, source = (read_text(args.settings), args.settings) if args.settings else ("", "settings")
    return _with_settings(rig, calibration, mission, text, source, args.set)


def _calibration_path(args: argparse.Namespace) -> Path:
    """Return the calibration that is asked for, or the shipped one of the rig's name."""
    name = args.calibration or Path(args.rig).stem
    if args.calibration is None and name not in plugins.shipped_names("calibrations"):
        raise UserError(
            f"{args.rig}: no calibration of that name ships; say --calibration FILE, which `robotcore calibrate` writes"
        )
    return plugins.calibration_path(name)


def from_texts(
    rig: str, calibration: str, mission: str, settings: str, source: str, changes: Sequence[str] = ()
) -> Setup:
    """Build the setup that a recording holds; `changes` are KEY=VALUE over its settings."""
    return _with_settings(
        parse_rig(rig, f"{source}: rig", plugins.device),
        parse_calibration(calibration, f"{source}: calibration"),
        plugins.mission(mission),
        settings,
        f"{source}: settings",
        changes,
    )


def _with_settings(
    rig: Rig, calibration: Calibration, mission: Mission, text: str, source: str, changes: Sequence[str]
) -> Setup:
    if changes:
        text = with_overrides(text, changes)
    return Setup(rig, calibration, mission, read_settings(mission.settings, text, source), text)
