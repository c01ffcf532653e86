"""``robotcore export`` and ``robotcore compact``: a recording as a table (or two side by side), and made small."""

import argparse
from pathlib import Path
from typing import Any

from robotcore.cli.output import produce
from robotcore.cli.recorded import robot_of
from robotcore.cli.setup import parser
from robotcore.decode import Decoder
from robotcore.errors import UserError
from robotcore.log import Fault
from robotcore.recording import schema
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording
from robotcore.replay.course_of_run import Raised

FORMS = (".csv", ".parquet")


def export_verb(words: list[str]) -> int:
    """Write a table and say where it lies."""
    args = _parser().parse_args(words)
    ending = next((f".{word}.csv" for word in ("decisions", "pair", "replayed") if getattr(args, word)), ".csv")
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
    kind = words.add_mutually_exclusive_group()
    kind.add_argument("--decisions", action="store_true", help="one row a decision, in place of one a tick")
    kind.add_argument("--pair", metavar="OTHER", help="another recording beside it, tick by tick, with differences")
    kind.add_argument("--replayed", action="store_true", help="what today's code does beside it, as far as trust goes")
    words.add_argument("--force", action="store_true", help="replace a file that is there already")
    return words


def _write(recording: Recording, out: Path, args: argparse.Namespace) -> int:
    from robotcore.recording import export

    if args.decisions:
        return produce(out, args.force, lambda path: export.export_decisions_csv(recording, path))
    if args.pair or args.replayed:
        from robotcore.recording.pairs import write_table

        table = _pair(recording, args)
        return produce(out, args.force, lambda path: write_table(table, path))
    decode = Decoder(*robot_of(recording))
    write = export.export_csv if out.suffix.lower() == ".csv" else export.export_parquet
    return produce(out, args.force, lambda path: write(recording, path, decode))


def _pair(recording: Recording, args: argparse.Namespace) -> dict[str, list[Any]]:
    from robotcore.recording import pairs

    if args.pair:
        return pairs.pair_table(recording, open_recording(args.pair))
    return _with_replay(recording)


def _with_replay(recording: Recording) -> dict[str, list[Any]]:
    """Return recorded and replayed commands and decisions, beside the raw counts that both were made from."""
    from robotcore.cli.judging import Request, judge_recording
    from robotcore.recording import pairs

    judgement = judge_recording(recording, Request(accepted=False)).judgement
    replayed, last = judgement.replayed, judgement.trusted_tick
    whole = pairs.recorded_side("recorded", recording)
    raw, until = recording.layout.names, len(recording.layout.names) + len(pairs.COMMANDS)
    one = whole._replace(
        names=pairs.COMMANDS, values={tick: row[len(raw) : until] for tick, row in whole.values.items()}
    )
    two = pairs.Side(
        "replayed",
        pairs.COMMANDS,
        {tick: command for tick, command in zip(replayed.ticks, replayed.commands, strict=False) if tick <= last},
        [decision for decision in replayed.decisions if decision.tick <= last],
        [fault for fault in (*replayed.faults, *_raised(replayed.raised)) if fault.tick <= last],
    )
    ticks = pairs.ticks_of(one, two)
    shared: dict[str, list[Any]] = {"trusted": [tick <= last for tick in ticks]}
    for place, name in enumerate(raw):
        shared[name] = [whole.values[tick][place] if tick in whole.values else None for tick in ticks]
    return pairs.joined(one, two, recording.header.period_s, shared)


def _raised(raised: Raised | None) -> list[Fault]:
    """Return what a behaviour raised as the fault that a run would have recorded."""
    return [] if raised is None else [Fault(raised.tick, raised.time_s, "error", raised.text, "runtime")]


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
