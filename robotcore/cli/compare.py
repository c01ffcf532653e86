"""``robotcore compare``: two versions on the same seeds and recordings, and whether the second is worse."""

import argparse
import json
import os
import re
import shlex
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any, NamedTuple

import attrs

import robotcore
from robotcore.checking import parse_toml, read_text
from robotcore.cli.contrast import Against, against, lines_of, to_json
from robotcore.cli.output import check_writable, write_report
from robotcore.cli.setup import number, parser, whole
from robotcore.errors import UserError
from robotcore.replay import Verdict
from robotcore.sweep.pairs import Outcome
from robotcore.sweep.plan import SETUP_AXES, make_plan, parse_axis
from robotcore.sweep.pool import cores
from robotcore.sweep.report import FORMAT
from robotcore.sweep.trees import WORK, Tree, changed, environment, tree_of

EPILOG = """\
A version is a name with a colon and what makes it, in KEY=VALUE words:

  rev=COMMIT        code: a commit, branch or tag; a folder; or `work`, the working tree as it is now (default)
  settings=FILE     the mission's settings          set=KEY=VALUE   one setting (may stand several times)
  rig=NAME          the robot as built              calibration=NAME          mission=NAME

The first version is the base; each other one is held against it. A commit is checked out into a temporary folder and
runs in a process of its own. With recordings, settings are changes over the recorded ones.

Examples:
  robotcore compare --url fake:storm --seeds 1-200 old: rev=HEAD new: rev=work
  robotcore compare --url fake:quay --seeds 1-100 slow: set=follow.cruise_m_s=0.18 fast: set=follow.cruise_m_s=0.24
  robotcore compare --url fake:quay --seeds 1-100 echo: rig=harbour clear: rig=harbour-clear
  robotcore compare --recordings replays/ old: rev=main new: rev=work

Success is compared by McNemar's exact test, two-sided. Exit code: 0 where no version is significantly worse than the
base, 1 where one is, 2 for wrong input or a recording that cannot be judged, 130 after Ctrl-C (the same command goes
on from there).
"""
KEYS = ("rev", "settings", "set", "rig", "calibration", "mission")
_BAR = re.compile(r"\r[^\r\n]*")


@attrs.frozen
class Version:
    """One version as it was asked for."""

    name: str
    rev: str = WORK
    settings: str | None = None
    sets: tuple[str, ...] = ()
    rig: str | None = None
    calibration: str | None = None
    mission: str | None = None

    def words(self) -> list[str]:
        """Return the words that tell `robotcore sweep` of it."""
        words = [word for change in self.sets for word in ("--set", change)]
        for key in ("settings", "rig", "calibration", "mission"):
            value = getattr(self, key)
            words += [f"--{key}", value] if value is not None else []
        return words

    def replay_words(self) -> list[str]:
        """Return the words that tell `robotcore replay` of it: a settings file is changes one by one."""
        if self.calibration is not None:
            raise UserError(f"{self.name}: calibration={self.calibration}: recordings have their own; leave it out")
        sets = list(self.sets)
        if self.settings is not None:
            sets = [*_changes(parse_toml(read_text(self.settings), self.settings)), *sets]
        words = [word for change in sets for word in ("--set", change)]
        words += ["--rig", self.rig] if self.rig is not None else []
        return words + (["--mission", self.mission] if self.mission is not None else [])


def _changes(tree: Mapping[str, Any], place: str = "") -> Iterator[str]:
    """Give nested settings as KEY.SUB=VALUE words."""
    for key, value in tree.items():
        if isinstance(value, dict):
            yield from _changes(value, f"{place}{key}.")
        else:
            yield f"{place}{key}={json.dumps(value)}"


def parse_versions(words: Sequence[str]) -> list[Version]:
    """Read ``a: rev=HEAD b: rev=work set=follow.kp_rad_s=3``.

    Raises:
        UserError: there are fewer than two, a name stands twice, or a word is none of a version's.

    """
    found: list[tuple[str, list[tuple[str, str]]]] = []
    for word in words:
        key, equals, value = word.partition("=")
        if word.endswith(":") and not equals:
            found.append((word[:-1], []))
        elif not found:
            raise UserError(f"compare: {word!r} belongs to no version; begin with a name, such as old: rev=HEAD")
        elif key not in KEYS or not value:
            raise UserError(f"compare: {found[-1][0]}: {word!r} is no KEY=VALUE of {', '.join(KEYS)}; see --help")
        else:
            found[-1][1].append((key, value))
    names = [name for name, _ in found]
    if len(names) < 2 or len(set(names)) < len(names) or not all(names):
        raise UserError("compare: give two versions with names of their own, such as old: rev=HEAD new: rev=work")
    return [_version(name, pairs) for name, pairs in found]


def _version(name: str, pairs: Sequence[tuple[str, str]]) -> Version:
    single = [(key, value) for key, value in pairs if key != "set"]
    if len(dict(single)) < len(single):
        raise UserError(f"compare: {name}: a word stands twice; only set= may")
    version = Version(name, sets=tuple(value for key, value in pairs if key == "set"), **dict(single))
    if version.mission is not None and ":" in version.mission and version.rev != WORK:
        raise UserError(
            f"compare: {name}: mission={version.mission} lies outside of rev={version.rev}; name a registered one"
        )
    return version


class _Played(NamedTuple):
    """A version that ran: what came of every run and recording."""

    version: Version
    tree: Tree
    runs: dict[str, Outcome]
    replays: dict[str, str]
    unjudged: tuple[str, ...]  #: why recordings could not be judged


def compare_verb(words: list[str]) -> int:
    """Run all versions, compare, and return the exit code."""
    args = _parser().parse_intermixed_args(words)
    _part(args)
    check_writable(args.json)
    versions = parse_versions(args.version)
    _check(args, versions)
    top = Path(robotcore.__file__).resolve().parent.parent
    try:
        with ExitStack() as stack:
            trees = [stack.enter_context(tree_of(version.rev, top)) for version in versions]
            _note_changes(trees, top)
            for version, tree in zip(versions, trees, strict=True):
                _try(version, tree, args)
            played = [_play(version, tree, args) for version, tree in zip(versions, trees, strict=True)]
    except KeyboardInterrupt:
        print(f"stopped; what was done is in {args.store}, the same command goes on from there", file=sys.stderr)
        return 130
    return _tell(args, played, top)


def _parser() -> argparse.ArgumentParser:
    words = parser("compare", "Two versions on the same seeds and recordings, pair by pair: is the second worse?")
    words.formatter_class = argparse.RawDescriptionHelpFormatter
    words.epilog = EPILOG
    words.add_argument("version", nargs="*", help="NAME: KEY=VALUE ...; see below")
    words.add_argument("--url", action="append", default=[], help="course without seed, such as fake:storm; may repeat")
    words.add_argument("--seeds", metavar="RANGE", help="1-200, or 1-20,33")
    words.add_argument("--vary", action="append", default=[], metavar="NAME=V,V", help="perturbations, as for sweep")
    words.add_argument("--recordings", nargs="+", default=[], metavar="FILE", help="recordings, or folders of them")
    words.add_argument("--time-limit", default="480", metavar="S", help="end a run after S seconds (480)")
    words.add_argument("--p", type=number, default=0.05, metavar="P", help="significant below this (0.05)")
    words.add_argument(
        "--jobs", type=whole, default=cores(), metavar="N", help="processes (default: one for each core)"
    )
    words.add_argument("--store", default="compare.db", metavar="FILE", help="where results are kept (compare.db)")
    words.add_argument("--json", metavar="FILE", help="also write everything as JSON; - for standard output, alone")
    words.add_argument("--quiet", action="store_true", help="no progress bar")
    return words


def _part(args: argparse.Namespace) -> None:
    """Give back the versions that ``--recordings`` took in, since it takes every word that follows."""
    taken = args.recordings
    first = next((place for place, word in enumerate(taken) if word.endswith(":")), len(taken))
    args.recordings, args.version = taken[:first], taken[first:] + args.version


def _check(args: argparse.Namespace, versions: Sequence[Version]) -> None:
    """Refuse what the versions' own processes would refuse, before anything is checked out."""
    if not args.url and not args.recordings:
        raise UserError("compare: give --url and --seeds, or --recordings, or both")
    if bool(args.url) != (args.seeds is not None):
        raise UserError("compare: --url and --seeds go together; give both")
    if not 0 < args.p < 1:
        raise UserError(f"compare: --p {args.p}: give a number between 0 and 1, such as 0.05")
    axes = [parse_axis(text) for text in args.vary]
    for axis in axes:
        if axis.name in SETUP_AXES or "." in axis.name:
            raise UserError(f"--vary {axis.name}: is part of a version here; give it as {axis.name}= there")
    if args.url:
        make_plan(args.url, args.seeds, axes)
    for version in versions:
        if version.settings is not None:
            read_text(version.settings)
        if args.recordings:
            version.replay_words()


def _note_changes(trees: Sequence[Tree], top: Path) -> None:
    """Say it where somebody may think that uncommitted changes are in a commit."""
    count = changed(top)
    if count and any(tree.commit for tree in trees) and all(tree.folder != top for tree in trees):
        print(f"{top}: {count} uncommitted changes are in none of the versions; rev={WORK} has them", file=sys.stderr)


def _play(version: Version, tree: Tree, args: argparse.Namespace) -> _Played:
    with tempfile.TemporaryDirectory(prefix="robotcore-") as place:
        runs = _drive(version, tree, args, Path(place) / "runs.json") if args.url else {}
        entries = _replay(version, tree, args, Path(place) / "replays.json") if args.recordings else []
    replays = {entry["file"]: entry["verdict"] for entry in entries}
    unjudged = tuple(entry["reason"] for entry in entries if entry["verdict"] == Verdict.BAD)
    return _Played(version, tree, runs, replays, unjudged)


def _try(version: Version, tree: Tree, args: argparse.Namespace) -> None:
    """Have a version check its words, so that a slip in the last one is found before the first one runs."""
    if args.url:
        _child(version, tree, [*_sweep_words(version, args), "--check"])


def _sweep_words(version: Version, args: argparse.Namespace) -> list[str]:
    words = ["sweep", *args.url, "--seeds", args.seeds, "--time-limit", args.time_limit, "--jobs", str(args.jobs)]
    words += [word for axis in args.vary for word in ("--vary", axis)]
    return [*words, "--store", args.store, "--failures", "0", "--label", f"{version.name} ", *version.words()]


def _drive(version: Version, tree: Tree, args: argparse.Namespace, out: Path) -> dict[str, Outcome]:
    """Run a version's own sweep and read what it wrote."""
    words = [*_sweep_words(version, args), "--json", str(out)]
    words += ["--bar"] if sys.stderr.isatty() and not args.quiet else ["--quiet"]
    data = _child(version, tree, words, out)
    if data.get("format") != FORMAT:
        raise UserError(f"{version.name}: {tree.label} reports in format {data.get('format')}, this reads {FORMAT}")
    if Path(data["tree"]) != tree.folder.resolve():
        raise UserError(
            f"{version.name}: other code ran ({data['tree']}); is something set that comes before PYTHONPATH?"
        )
    return {run["url"]: _outcome(run, tree) for run in data["runs"]}


def _outcome(run: Mapping[str, Any], tree: Tree) -> Outcome:
    command = run["command"]
    if tree.commit:
        command = f"PYTHONPATH={shlex.quote(kept_at(tree))} python -P -m {command}"
    why = "; ".join(run["reasons"])
    return Outcome(run["success"], run["time_s"], run["rms_mm"], run["decided"], why, command)


def kept_at(tree: Tree) -> str:
    """Return where a commit is checked out by the command that the report prints."""
    return str(Path(tempfile.gettempdir()) / f"robotcore-{tree.commit[:10]}")


def _replay(version: Version, tree: Tree, args: argparse.Namespace, out: Path) -> list[dict[str, Any]]:
    """Run a version's own replay and return what it says of each recording."""
    words = [
        "replay",
        *args.recordings,
        "--json",
        str(out),
        "--jobs",
        str(args.jobs),
        "--quiet",
        *version.replay_words(),
    ]
    found: list[dict[str, Any]] = _child(version, tree, words, out)["recordings"]
    return found


def _child(version: Version, tree: Tree, words: Sequence[str], out: Path | None = None) -> dict[str, Any]:
    """Run a verb of a version's code in a process of its own, show its bar, and return the JSON that it wrote to `out`.

    Raises:
        UserError: it refused; with its reason.
        KeyboardInterrupt: it was stopped.

    """
    command = [sys.executable, "-P", "-m", "robotcore", *words]
    env = environment(tree, os.environ)
    with subprocess.Popen(command, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) as child:
        try:
            said = _listen(child)
        except KeyboardInterrupt:
            child.wait()  # it heard the same Ctrl-C, and keeps what it has
            raise
    if child.returncode in (130, -2):
        raise KeyboardInterrupt
    if child.returncode != 0 if out is None else not out.is_file():
        raise UserError(f"{version.name}: {said[-1] if said else f'{tree.label}: ended with {child.returncode}'}")
    for line in said:
        print(f"{version.name}: {line}", file=sys.stderr)
    return {} if out is None else json.loads(out.read_text(encoding="utf-8"))


def _listen(child: "subprocess.Popen[bytes]") -> list[str]:
    """Pass a child's bar on and return the lines that it said."""
    said = ""
    assert child.stderr is not None
    while chunk := os.read(child.stderr.fileno(), 65536):
        text = chunk.decode("utf-8", "replace")
        for bar in _BAR.findall(text):
            sys.stderr.write(bar)
        sys.stderr.flush()
        said += _BAR.sub("", text)
    return [line for line in said.splitlines() if line.strip()]


def _tell(args: argparse.Namespace, played: Sequence[_Played], top: Path) -> int:
    first, *others = played
    found = [_against(first, other, args.p) for other in others]
    if args.json:
        text = json.dumps([to_json(one) for one in found], indent=1) + "\n"
        if args.json == "-":
            sys.stdout.write(text)
        else:
            write_report(args.json, text)
    if args.json != "-":
        print(
            "\n\n".join("\n".join(lines_of(one, _opening((first, other), top))) for one, other in _zip(found, others))
        )
    unjudged = [f"{one.version.name}: {reason}" for one in played for reason in one.unjudged]
    if unjudged:
        raise UserError("\n".join(unjudged))
    return 1 if any(one.worse for one in found) else 0


def _zip(found: Sequence[Against], others: Sequence[_Played]) -> Iterator[tuple[Against, _Played]]:
    return zip(found, others, strict=True)


def _against(first: _Played, second: _Played, level: float) -> Against:
    names = first.version.name, second.version.name
    labels = _label(first), _label(second)
    return against(names, labels, (first.runs, second.runs), (first.replays, second.replays), level)


def _label(played: _Played) -> str:
    version = played.version
    words = [f"{key}={getattr(version, key)}" for key in ("settings", "rig", "calibration", "mission")]
    words = [word for word in words if not word.endswith("=None")] + list(version.sets)
    return ", ".join([played.tree.label, *words])


def _opening(played: Sequence[_Played], top: Path) -> list[str]:
    """Return the commands that check out commits again, so that their runs can be opened."""
    trees = {one.tree.commit: one.tree for one in played if one.tree.commit}
    return [
        shlex.join(["git", "-C", str(top), "worktree", "add", "--detach", kept_at(tree), commit])
        for commit, tree in trees.items()
    ]
