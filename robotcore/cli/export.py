"""``robotcore export`` and ``robotcore compact``: a recording as a table, and a recording small enough to commit."""

import argparse
from pathlib import Path

from robotcore.cli.output import produce
from robotcore.cli.recorded import robot_of
from robotcore.cli.setup import parser
from robotcore.decode import Decoder
from robotcore.errors import UserError
from robotcore.recording import schema
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording

FORMS = (".csv", ".parquet")


def export_verb(words: list[str]) -> int:
    """Write a table and say where it lies."""
    args = _parser().parse_args(words)
    ending = ".decisions.csv" if args.decisions else ".csv"
    out = Path(args.out) if args.out else Path(args.recording).with_suffix(ending)
    form = out.suffix.lower()
    if form not in FORMS or (args.decisions and form != ".csv"):
        wanted = ".csv" if args.decisions else ".csv or .parquet"
        raise UserError(f"{out}: no such kind of table; end its name in {wanted}")
    recording = open_recording(args.recording)
    rows = _write(recording, out, args)
    print(f"{out}: {rows} {'decisions' if args.decisions else 'ticks'}")
    return 0


def _parser() -> argparse.ArgumentParser:
    words = parser("export", "Write a recording as a table: raw counts, commands, and readings in SI units.")
    words.add_argument("recording", help="recording file (.rec)")
    words.add_argument("--out", help="table file, .csv or .parquet (default: the recording's name with .csv)")
    words.add_argument("--decisions", action="store_true", help="one row a decision, in place of one a tick")
    words.add_argument("--force", action="store_true", help="replace a file that is there already")
    return words


def _write(recording: Recording, out: Path, args: argparse.Namespace) -> int:
    from robotcore.recording import export

    if args.decisions:
        return produce(out, args.force, lambda path: export.export_decisions_csv(recording, path))
    decode = Decoder(*robot_of(recording))
    write = export.export_csv if out.suffix.lower() == ".csv" else export.export_parquet
    return produce(out, args.force, lambda path: write(recording, path, decode))


def compact_verb(words: list[str]) -> int:
    """Write a smaller copy of a recording and say where it lies."""
    args_parser = parser("compact", "Write a smaller copy of a recording, the same in all it says, to be committed.")
    args_parser.add_argument("recording", help="recording file (.rec)")
    args_parser.add_argument("--out", required=True, help="the new recording's file (.rec)")
    args_parser.add_argument("--force", action="store_true", help="replace a recording that is there already")
    args = args_parser.parse_args(words)
    from robotcore.recording.compact import compact

    out = Path(args.out)
    if out.suffix != schema.SUFFIX:
        raise UserError(f"{out}: a recording's name ends in {schema.SUFFIX}; add that")
    for beside in schema.leftovers(out):
        if beside.exists():  # a journal of the old file would be played into the new one
            raise UserError(f"{beside}: belongs to a run that goes on or was cut off; give --out another name")
    size = produce(out, args.force, lambda path: compact(args.recording, path))
    print(f"{out}: {size} bytes, from {Path(args.recording).stat().st_size}")
    return 0
