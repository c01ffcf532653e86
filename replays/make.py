"""Makes the shipped recordings anew, all or some: ``python -m replays.make [NAME ...]``, from the top of the project.

Rules: `RECIPES` is the whole truth about what lies here; README.md and the sentences beside each recording are written
from it. A recording whose ticks and decisions have not changed keeps its file. What was made is judged at once: where a
sentence is not met the recording is written all the same, it is named, and the exit code is 1. What the sentences say
must happen follows from the course, not from what the behaviours did.
"""

import contextlib
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from replays.recipes import RECIPES
from replays.staging import ROOT, Recipe, described, make
from robotcore.cli.judging import Request, judge_recording
from robotcore.log import Decision
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording
from robotcore.replay.expectations import BROKEN

HERE = ROOT / "replays"
LARGEST_BYTES = 300_000


class Made(NamedTuple):
    """What became of a recipe: "new", "changed" or "kept"; `wrong` says what is not as it should be."""

    state: str
    wrong: list[str]


def make_all(recipes: Sequence[Recipe] = RECIPES) -> int:
    """Make recordings, sentences and the table; return 1 where something is not as it should be."""
    bad = 0
    for recipe in recipes:
        made = make_one(recipe)
        bad += bool(made.wrong)
        print(f"{recipe.name:18} {made.state:8} {'; '.join(made.wrong) or 'good'}")
    for stray in sorted(HERE.glob("*.rec")):
        if stray.stem not in {recipe.name for recipe in RECIPES}:
            print(f"{stray.stem:18} {'stray':8} no recipe makes it; remove it")
            bad += 1
    (HERE / "README.md").write_text(readme(), encoding="utf-8")
    return 1 if bad else 0


def make_one(recipe: Recipe) -> Made:
    """Make one recording and the sentences beside it, and judge it."""
    path = HERE / f"{recipe.name}.rec"
    path.with_suffix(".expect.txt").write_text(sentences(recipe), encoding="utf-8")
    with tempfile.TemporaryDirectory() as folder:
        fresh = Path(folder) / path.name
        make(recipe, fresh)
        state = _state(path, fresh)
        if state != "kept":
            path.write_bytes(fresh.read_bytes())
    return Made(state, judged(path))


def judged(path: Path) -> list[str]:
    """Return what is wrong with a recording that was just made."""
    found = judge_recording(open_recording(path), Request(accepted=False))
    wrong = [f"{finding.sentence}: {finding.why}" for finding in found.findings if finding.state == BROKEN]
    if found.judgement.verdict != "same":
        wrong.append(f"its replay is {found.judgement.verdict}")
    if path.stat().st_size > LARGEST_BYTES:
        wrong.append(f"{path.stat().st_size} bytes are too many")
    return wrong


def _state(old: Path, fresh: Path) -> str:
    if not old.exists():
        return "new"
    return "kept" if said(open_recording(old)) == said(open_recording(fresh)) else "changed"


def said(recording: Recording) -> tuple[object, ...]:
    """Return all that a recording says, but for the code's version and the lines of code that decided."""
    header = recording.header._replace(code_version="")
    decisions = [decision._replace(place="") for decision in recording.decisions]
    ticks = [(block.first_tick, block.raw, block.commands, block.truth) for block in recording.blocks]
    return header, recording.outcome, recording.end_s, decisions, recording.faults, recording.overruns, ticks


def sentences(recipe: Recipe) -> str:
    """Return the text that stands beside a recording."""
    return f"# {recipe.what}\n" + "".join(f"{sentence}\n" for sentence in recipe.expect)


# -- the table


def readme() -> str:
    """Return README.md, from the recipes and from what the recordings hold."""
    found = {recipe.name: open_recording(HERE / f"{recipe.name}.rec") for recipe in RECIPES}
    rows = [_row(recipe, found[recipe.name]) for recipe in RECIPES]
    size = sum((HERE / f"{name}.rec").stat().st_size for name in found)
    head = HEAD.format(count=len(rows), seconds=sum(len(one) for one in found.values()) / 100, kilobytes=size // 1000)
    return "\n".join([head, *rows, "", MIDDLE, *_covered(found), ""])


def _row(recipe: Recipe, recording: Recording) -> str:
    size = (HERE / f"{recipe.name}.rec").stat().st_size
    staged = "; ".join(map(described, recipe.happens))
    made = f"`{recipe.course}` {recipe.options.replace('&', ' ')}"
    made += f", rig {recipe.rig}" if recipe.rig != "harbour" else ""
    made += "".join(f", {change}" for change in recipe.changes) + (f"; staged: {staged}" if staged else "")
    decided = ", ".join(word(decision) for decision in recording.decisions[2:])
    faults = "".join(f", **{fault.kind}**" for fault in recording.faults)
    seconds = f"{len(recording) / 100:.1f}"
    return f"| {recipe.name} | {recipe.what} | {made} | {seconds} | {size // 1000} | {decided}{faults} |"


def word(decision: Decision) -> str:
    """Return a decision in short: its name and its texts."""
    texts = [value for key, value in decision.fields.items() if isinstance(value, str) and key != "eye"]
    unsure = [f"not {key}" for key, value in decision.fields.items() if value is False]
    return " ".join([decision.name, *texts, *unsure])


def _covered(found: dict[str, Recording]) -> list[str]:
    where: dict[str, list[str]] = {}
    for name, recording in found.items():
        said = [word(decision) for decision in recording.decisions]
        said += [f"**fault {fault.kind}** ({fault.behaviour})" for fault in recording.faults]
        said += [f"*ends: {recording.outcome}*"]
        for words in dict.fromkeys(said):
            where.setdefault(words, []).append(name)
    return [f"| {words} | {_some(names)} |" for words, names in sorted(where.items())]


def _some(names: list[str]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


HEAD = """\
# Recordings that are regression tests

{count} runs of the mission `line` on the fake robot, {seconds:.0f} seconds of robot time in {kilobytes} kB. They cover
every decision and every fault that a run on the line field can meet; the second table says which lies where.

```
robotcore replay replays/          judge them all against today's code
python -m pytest replays/          the same as tests
python -m replays.make             make them anew, after a change that was meant (a minute or less)
python -m replays.make gaps box    only these
```

This table is written by `python -m replays.make` from `recipes.py` and the recordings. "Staged" is what a fake robot
cannot meet by itself: a failing reading, a flash, a hand. It is laid over the raw rows or done to the simulated robot
on the way; everything else is a run like any other. The sentences beside each recording (`NAME.expect.txt`) say what
must happen there by the course's truth, whatever the code decided when it was recorded. Harbour Relief and all courses
are invented.

| recording | what for | how it was made | s | kB | what it decides after the start; **faults** |
| --- | --- | --- | --- | --- | --- |"""

MIDDLE = """\
## What is covered where

| decision, fault or end | recordings |
| --- | --- |"""


def main(words: Sequence[str]) -> int:
    """Make all recordings, or those that are named."""
    unknown = sorted(set(words) - {recipe.name for recipe in RECIPES})
    if unknown:
        print(f"replays.make: no recipe is called {', '.join(unknown)}; see replays/recipes.py", file=sys.stderr)
        return 2
    with contextlib.chdir(ROOT):
        return make_all([recipe for recipe in RECIPES if not words or recipe.name in words])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
