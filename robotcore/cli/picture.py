"""``robotcore picture``: one sheet that shows what a robot did."""

import argparse
import sys
from pathlib import Path
from typing import Any

from robotcore.backend import parse_address
from robotcore.cli import plugins
from robotcore.cli.output import check_free, produce
from robotcore.cli.recorded import robot_of
from robotcore.cli.setup import number, parser
from robotcore.errors import UserError
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording

FORMS = ("png", "svg")


def picture_verb(words: list[str]) -> int:
    """Draw a recording and say where the picture lies."""
    args = _parser().parse_args(words)
    out = Path(args.out) if args.out else Path(args.recording).with_suffix(".png")
    form = out.suffix[1:].lower()
    if form not in FORMS:
        raise UserError(f"{out}: no such kind of picture; end its name in .png or .svg")
    recording = open_recording(args.recording)
    check_free(out, args.force)
    data = _draw(recording, args, form)
    produce(out, args.force, lambda path: path.write_bytes(data))
    print(out)
    return 0


def _parser() -> argparse.ArgumentParser:
    words = parser("picture", "Draw a recording: course, path driven, decisions, faults and sensor traces.")
    words.add_argument("recording", help="recording file (.rec)")
    words.add_argument("--out", help="picture file, .png or .svg (default: the recording's name with .png)")
    words.add_argument("--from", dest="from_s", type=_seconds, metavar="S", help="begin at S seconds, and zoom in")
    words.add_argument("--to", dest="to_s", type=_seconds, metavar="S", help="end at S seconds, and zoom in")
    words.add_argument("--force", action="store_true", help="replace a picture that is there already")
    return words


def _seconds(text: str) -> float:
    return number(text, "a number of seconds from 0 on", 0.0, 1e9)


def _draw(recording: Recording, args: argparse.Namespace, form: str) -> bytes:
    try:
        from robotcore.picture.sheet import Window, gather, render  # late: matplotlib is for the laptop, and slow
    except ImportError as error:
        if (error.name or "").partition(".")[0] not in ("matplotlib", "numpy"):
            raise
        raise UserError(f"picture: needs {error.name}; pip install 'robotcore[laptop]'") from None
    rig, calibration = robot_of(recording)
    window = Window(args.from_s, args.to_s)
    return render(gather(recording, rig, calibration, scene_of(recording), window), form)


def scene_of(recording: Recording) -> Any:
    """Return the scene that the recording's backend gives for its facts, or None; bad facts cost the course only."""
    header = recording.header
    try:
        address = parse_address(header.backend)
        if address.scheme == "replay":  # a replay hands the facts of the first run on
            address = parse_address(header.facts.get("url", header.backend))
        factory = plugins.scenery(address.scheme)
        return None if factory is None else factory(header.facts)
    except UserError as error:
        print(f"{recording.path}: drawn without its course ({error})", file=sys.stderr)
        return None
