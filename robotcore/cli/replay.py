"""``robotcore replay``: recordings through today's code, compared."""

import argparse

from robotcore.brain import Brain
from robotcore.cli.setup import from_texts, parser
from robotcore.log import Log
from robotcore.readings import ROLES, STATUS_WORDS, Sample
from robotcore.recording.reader import open_recording
from robotcore.replay import Difference, Replayed, replay


def replay_verb(words: list[str]) -> int:
    """Replay recordings; 0 where all are the same, 1 where one differs."""
    args = _parser().parse_args(words)
    codes = [_one(path, args) for path in args.recording]
    return max(codes)


def _parser() -> argparse.ArgumentParser:
    words = parser("replay", "Feed the raw counts of recordings through today's behaviours and compare.")
    words.add_argument("recording", nargs="+", help="recording files (.rec)")
    words.add_argument("--mission", help="another mission than the recorded one")
    words.add_argument("--set", action="append", default=[], metavar="KEY=VALUE", help="one setting, changed")
    return words


def _one(path: str, args: argparse.Namespace) -> int:
    recording = open_recording(path)
    header = recording.header
    mission = args.mission or header.mission
    setup = from_texts(header.rig, header.calibration, mission, header.settings, path, args.set)
    log = Log()
    brain = Brain(setup.rig, setup.calibration, setup.mission, setup.settings, log)
    result = replay(recording.rows(), recording.decisions, brain, log)
    print("\n".join(_lines(path, result)))
    return 0 if result.same else 1


def _lines(path: str, result: Replayed) -> list[str]:
    if result.same:
        return [f"{path}: same, {result.ticks} ticks and {len(result.decisions)} decisions, every command bit-equal"]
    lines = [f"{path}: different"]
    for difference in (result.decision, result.command):
        if difference is not None:
            lines += _difference(difference)
    return lines


def _difference(difference: Difference) -> list[str]:
    at = f"first {difference.what} that differs: {difference.role} in tick {difference.tick}, {difference.time_s:.2f} s"
    lines = [f"  {at}", f"    recorded  {difference.recorded}", f"    replayed  {difference.replayed}"]
    return lines + ([] if difference.sample is None else sample_lines(difference.sample))


def sample_lines(sample: Sample) -> list[str]:
    """Return a sample's readings, one role a line."""
    lines = []
    for role in ROLES:
        reading = getattr(sample, role)
        values = zip(reading._fields[:-2], reading[:-2], strict=True)
        words = " ".join(f"{name}={value:.4g}" for name, value in values)
        lines.append(f"    {role:<12} {STATUS_WORDS[reading.status]:<12} {words}")
    return lines
