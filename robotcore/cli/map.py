"""``robotcore map``: a mission's states and the ways between them, from its code, with the path of a recorded run."""

import argparse
import json
import sys
from pathlib import Path

from robotcore.brain import Brain
from robotcore.checking import nearest
from robotcore.cli import plugins
from robotcore.cli.output import check_free, produce
from robotcore.cli.recorded import robot_of
from robotcore.cli.setup import parser, whole
from robotcore.errors import UserError
from robotcore.log import Log
from robotcore.mission import Mission, read_settings
from robotcore.mission_map import visits
from robotcore.mission_map.dot import dot_of
from robotcore.mission_map.flow import chart_of
from robotcore.mission_map.layout import Look, to_depth, to_fit
from robotcore.mission_map.model import STATE, Chart
from robotcore.mission_map.report import data, table
from robotcore.mission_map.svg import svg_of
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording
from robotcore.replay import Replayed, Tolerance, Trust, replay

FORMS = (".svg", ".dot", ".gv", ".json")


def map_verb(words: list[str]) -> int:
    """Draw a mission's map and say where the picture lies."""
    args = _parser().parse_args(words)
    recording = None if args.recording is None else open_recording(args.recording)
    mission = _mission(recording, args.mission)
    out = _out(args, mission)
    whole = chart_of(mission)
    chart = whole if args.of is None else _part(whole, args.of)
    if recording is None:
        return _write(chart, _look(chart, None, args.depth), [], out, args)
    path, replayed = walk(whole, mission, recording)
    said, look = _said(recording, replayed, path), _look(chart, path, args.depth)
    if out is not None:
        print("\n".join([*said, *table(chart, path, look)]))
    return _write(chart, look, said, out, args)


def _parser() -> argparse.ArgumentParser:
    words = parser(
        "map", "Draw a mission's states and the ways between them from its code; with a recording, its path."
    )
    words.add_argument("recording", nargs="?", help="recording file (.rec): mark the path that the run took")
    words.add_argument("--mission", help="name or module:NAME (default: the recording's, or line)")
    words.add_argument(
        "--out", help="file ending in .svg, .dot, .gv or .json, or - for DOT text (default: MISSION.svg)"
    )
    words.add_argument("--of", metavar="BEHAVIOUR", help="draw this behaviour alone")
    words.add_argument(
        "--depth", type=whole, metavar="N", help="look into N behaviours inside each other (default: a page)"
    )
    words.add_argument("--force", action="store_true", help="replace a file that is there already")
    return words


def _part(chart: Chart, name: str) -> Chart:
    part = chart.of(name)
    if part is None:
        known = [node.name for node in chart.root.walk() if node.kind == STATE]
        raise UserError(f"--of {name}: mission {chart.mission!r} awaits no such behaviour; {nearest(name, known)}")
    return part


def _mission(recording: Recording | None, name: str | None) -> Mission:
    if recording is None or name is not None:
        return plugins.mission(name or "line", by_module=True)
    try:
        return plugins.mission(recording.header.mission)
    except UserError as error:
        raise UserError(
            f"{recording.path}: {error}; it was recorded with that one, say --mission for another"
        ) from None


def _out(args: argparse.Namespace, mission: Mission) -> Path | None:
    """Return where the map goes; None is the terminal."""
    if args.out == "-":
        return None
    default = f"{mission.name}.svg" if args.recording is None else Path(args.recording).with_suffix(".map.svg")
    out = Path(args.out or default)
    if out.suffix not in FORMS:
        raise UserError(f"{out}: no such kind of map; end its name in one of {', '.join(FORMS)}")
    if out.suffix == ".json" and args.recording is None:
        raise UserError(f"{out}: JSON holds the path of a run; name a recording, or write .svg or .dot")
    if args.depth is not None and args.depth < 1:
        raise UserError(f"--depth {args.depth}: give 1 or more")
    check_free(out, args.force)
    return out


def walk(chart: Chart, mission: Mission, recording: Recording) -> tuple[visits.Path, Replayed]:
    """Replay a recording through today's mission and return the path that it took on the map, as far as trust goes.

    Raises:
        UserError: the recording cannot be replayed; says why.

    """
    if not len(recording):
        raise UserError(f"{recording.path}: holds no tick; the run ended before the first reading")
    rig, calibration = robot_of(recording)
    settings = read_settings(mission.settings, recording.header.settings, f"{recording.path}: settings")
    walker, log = visits.Walker(chart, rig.period_s), Log()
    brain = Brain(rig, calibration, mission, settings, log, observers=(walker,))
    last = recording.blocks[-1].first_tick + recording.blocks[-1].size - 1
    replayed = replay(recording.rows(), last, brain, log, Trust(rig.body.track_width_m, Tolerance()))
    return walker.path, replayed


def _said(recording: Recording, replayed: Replayed, path: visits.Path) -> list[str]:
    """Return what must be known about a path: whose it is, and how far it is evidence."""
    header, outcome = recording.header, recording.outcome or "cut off"
    lines = [f"Path of {header.name} ({header.backend}): {path.ticks * header.period_s:.1f} s, {outcome}"]
    if replayed.raised is not None:
        lines.append(f"Today's code fails at {replayed.raised.time_s:.2f} s: {replayed.raised.text}")
    if replayed.first is not None:
        begins = replayed.ticks[replayed.first] * header.period_s
        until = replayed.horizon.time_s if replayed.horizon is not None else replayed.ticks[-1] * header.period_s
        lines.append(
            f"Today's code drives otherwise from {begins:.2f} s on; this is its path, trusted to {until:.2f} s"
        )
    if path.guessed:
        some = "1 way" if path.guessed == 1 else f"{path.guessed} ways"
        lines.append(f"{some} led through states that took no time; which ones is inferred")
    return lines


def _look(chart: Chart, path: visits.Path | None, depth: int | None) -> Look:
    return to_fit(chart, path) if depth is None else to_depth(chart, depth, path)


def _write(chart: Chart, look: Look, said: list[str], out: Path | None, args: argparse.Namespace) -> int:
    if out is None:
        sys.stdout.write(dot_of(chart, look))
        return 0
    if out.suffix == ".svg":
        text = svg_of(chart, look, said)
    elif look.path is not None and out.suffix == ".json":
        text = json.dumps(data(chart, look.path), indent=1) + "\n"
    else:
        text = dot_of(chart, look)
    produce(out, args.force, lambda place: place.write_text(text, encoding="utf-8"))
    print(out)
    return 0
