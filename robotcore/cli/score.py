"""``robotcore score``: the points of recorded runs, by the truth of their world and by what the robot said."""

import argparse
import json
import sys
from typing import Any

from robotcore.backend import parse_address
from robotcore.cli import plugins
from robotcore.cli.recorded import robot_of
from robotcore.cli.setup import parser
from robotcore.errors import UserError
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording
from robotcore.score import Count, PointsTable, Sheet, Truth, load_table, score


def score_verb(words: list[str]) -> int:
    """Count the points of recordings and show both sides."""
    args = _parser().parse_args(words)
    table = load_table(plugins.score_path(args.table))
    sheets = [(path, sheet_of(open_recording(path), table)) for path in args.recordings]
    if args.json:
        json.dump([{"recording": path, **data(sheet)} for path, sheet in sheets], sys.stdout, indent=1)
        print()
    else:
        print("\n\n".join("\n".join([path, *lines(sheet)]) for path, sheet in sheets))
    return 0


def _parser() -> argparse.ArgumentParser:
    words = parser("score", "Count the points of recordings by the world's truth and by what the robot said.")
    words.add_argument("recordings", nargs="+", help="recording files (.rec)")
    words.add_argument("--table", default="harbour-relief", help="points: shipped name or TOML file (harbour-relief)")
    words.add_argument("--json", action="store_true", help="for machines")
    return words


def sheet_of(recording: Recording, table: PointsTable) -> Sheet:
    """Return a recording's points.

    Raises:
        UserError: its rig or the facts of its world are not good.

    """
    return score(table, _truth(recording), recording.decisions)


def _truth(recording: Recording) -> Truth | None:
    """Return what the recording's world knows; None where it is no world that knows anything."""
    try:
        factory = plugins.truth(parse_address(recording.header.backend).scheme)
    except UserError as error:
        raise UserError(f"{recording.path}: {error}") from None
    if factory is None:
        return None
    rig, _ = robot_of(recording)
    found: Truth | None = factory(recording, rig)
    return found


def lines(sheet: Sheet) -> list[str]:
    """Return a sheet in lines of text."""
    table = sheet.table
    width = max(len(text) for text in [*(rule.text for rule in table.rules), table.name, "in all"]) + 2
    rows = [f"{table.name:<{width}} {'points':>7} {'truth':>14} {'robot said':>14}"]
    rows += [_row(count, width) for count in sheet.counts if count.truth or count.said]
    if table.bonus is not None and any(sheet.bonus):
        rows.append(f"{table.bonus.text:<{width}} {'':>7} {_points(sheet.bonus[0]):>14} {_points(sheet.bonus[1]):>14}")
    rows.append(f"{'in all':<{width}} {'':>7} {_points(sheet.truth_points):>14} {_points(sheet.said_points):>14}")
    if sheet.common is not None:
        truth, said = (_points(side) for side in sheet.common)
        rows.append(f"{'of what both can tell':<{width}} {'':>7} {truth:>14} {said:>14}")
    rows += [f"{time:9.2f} s  {text}" for time, text in sheet.differences()]
    return rows + [f"note: {note}" for note in sheet.notes]


def _row(count: Count, width: int) -> str:
    rule = count.rule
    truth, said = (_times(count, times) for times in (count.truth, count.said))
    mark = "" if count.agreed is not False else "  differ"
    return f"{rule.text:<{width}} {rule.points:>7g} {truth:>14} {said:>14}{mark}"


def _times(count: Count, times: tuple[float, ...] | None) -> str:
    return "-" if times is None else f"{len(times)} = {_points(count.points(times))}"


def _points(points: float | None) -> str:
    return "-" if points is None else f"{points:g}"


def data(sheet: Sheet) -> dict[str, Any]:
    """Return a sheet as plain data for JSON."""
    bonus, common = sheet.table.bonus, sheet.common
    return {
        "table": sheet.table.name,
        "truth": sheet.truth_points,
        "said": sheet.said_points,
        "common": None if common is None else {"truth": common[0], "said": common[1]},
        "agreed": sheet.agreed,
        "time": None if bonus is None else {"what": bonus.what, "truth": sheet.bonus[0], "said": sheet.bonus[1]},
        "awards": [
            {
                "what": count.rule.what, "text": count.rule.text, "points": count.rule.points,
                "truth_s": count.truth, "said_s": count.said, "unsaid_s": count.unsaid, "untrue_s": count.untrue,
            }
            for count in sheet.counts
        ],
        "notes": sheet.notes,
    }  # fmt: skip
