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

from replays.staging import (
    ROOT,
    Recipe,
    dazzled,
    described,
    flash,
    late,
    make,
    missing,
    shoved,
    silence,
    stale,
    stuck,
)
from robotcore.cli.judging import Request, judge_recording
from robotcore.log import Decision
from robotcore.recording.content import Recording
from robotcore.recording.reader import open_recording
from robotcore.replay.expectations import BROKEN

HERE = ROOT / "replays"
LARGEST_BYTES = 300_000

RED = ("exactly 1 red strip", "must stop on red", "must finish", "never faster than 0.3 m/s")
CLEAN = ("no fault", "no lost", *RED)
STRAIGHT = ("no corner", "no crossing", "no marker left", "no marker right", "no marker both", "no obstacle", *RED)
NOTHING = ("no marker", "no fault", *STRAIGHT)
BLIND = ("exactly 1 fault blind", "no lost", *STRAIGHT)

RECIPES = (
    # -- the line and its arms
    Recipe("bends", "bends", "curves to 100 mm and a zigzag", ("no marker", "no gap", *CLEAN)),
    Recipe("bends-cool", "bends", "the same with sixteen-bit eyes", ("no marker", "no gap", *CLEAN), "seed=2", "harbour-clear"),
    Recipe("bends-slow", "bends", "the same with late sensors", ("no marker", *RED), "seed=3&delay=3"),
    Recipe("corners", "corners", "corners of 60, 90 and 120 degrees", ("exactly 3 corner left", "exactly 2 corner right", "no crossing", *CLEAN)),
    Recipe("corners-dim", "corners", "the same in half the light, tinted", ("exactly 3 corner left", "exactly 2 corner right", "no crossing", "no marker", *CLEAN), "seed=4&light=1.5&tint=1.5"),
    Recipe("corners-bare", "corners", "the same with the least rig", ("exactly 5 corner", *CLEAN), "seed=5", "harbour-bare"),
    Recipe(
        "corner-unsure", "tees", "a corner at which the other eye sees black too", ("exactly 1 corner left", "no corner right", *RED),
        happens=(flash("floor_right", "black", 476, 4),),
    ),
    Recipe("crossings", "crossings", "arms left, right and on both sides, decoys behind them", ("exactly 1 crossing left", "exactly 1 crossing right", "exactly 3 crossing both", "no corner", "no marker", *CLEAN)),
    Recipe("crossings-tinted", "crossings", "the same in tinted light", ("no corner", "no marker", *CLEAN), "seed=6&tint=2&noise=2"),
    Recipe("wide", "wide", "a line of 20 mm", ("exactly 1 corner left", "exactly 1 corner right", "exactly 1 crossing both", "exactly 1 marker right", *CLEAN)),
    Recipe("thin", "thin", "a line of 10 mm with a gap of 150", ("no corner", "no crossing", "no marker", "no fault", *RED)),
    Recipe("hills", "hills", "a ramp of 25 degrees, bumps straight and askew: no false black, no false green", ("no corner", "no crossing", "no marker", "no gap", *CLEAN)),
    Recipe("hills-clear", "hills", "the same with sixteen-bit eyes", ("no corner", "no crossing", "no marker", *CLEAN), "seed=7", "harbour-clear"),
    # -- markers
    Recipe("marker-left", "marker-left", "a marker left, then one right; decoys behind", ("exactly 1 marker left", "exactly 1 marker right", "marker left before marker right", "no marker both", *CLEAN)),
    Recipe("marker-right", "marker-right", "a marker right, then one left; decoys behind", ("exactly 1 marker left", "exactly 1 marker right", "marker right before marker left", "no marker both", *CLEAN)),
    Recipe("marker-glare", "marker-left", "the same in much light", ("exactly 1 marker left", "exactly 1 marker right", *CLEAN), "seed=8&light=2&tint=2"),
    Recipe("marker-lossy", "marker-right", "the same with 3 % of readings dropped", ("exactly 1 marker left", "exactly 1 marker right", *RED), "seed=9&dropout=10"),
    Recipe("turn-round", "turn-round", "two markers: turn round; the decoy passed before holds now", ("exactly 1 marker both", "exactly 1 marker right", "marker both before marker right", *CLEAN)),
    Recipe("turn-round-clear", "turn-round", "the same with sixteen-bit eyes", ("exactly 1 marker both", "exactly 1 marker right", *CLEAN), "seed=10", "harbour-clear"),
    Recipe("paint", "paint", "a green strip across the line, and no junction", ("no marker left", "no marker right", "no marker both", "exactly 1 marker none", *CLEAN)),
    Recipe(
        "ghost", "arms", "green before a junction that the second look does not find", ("no marker left", "no marker right", "no marker both", "exactly 2 marker none", *CLEAN),
        happens=(flash("floor_left", "green", 445, 8), flash("floor_right", "green", 810, 8)),
    ),
    Recipe(
        "green-twice", "straight", "two green readings are no marker", NOTHING,
        happens=(flash("floor_left", "green", 500, 2), flash("floor_right", "green", 650, 2), flash("floor_left", "green", 800, 2)),
    ),
    Recipe(
        "green-thrice", "straight", "three green readings call for a second look, on either side", ("exactly 2 marker none", "no fault", *STRAIGHT),
        happens=(flash("floor_left", "green", 500, 3), flash("floor_right", "green", 800, 3)),
    ),
    Recipe(
        "green-dark", "straight", "green in too little light has no colour", NOTHING,
        happens=(flash("floor_left", "green", 500, 6, 0.2), flash("floor_right", "green", 800, 6, 0.2)),
    ),
    # -- gaps, the lost line
    Recipe("gaps", "gaps", "gaps of 60, 120 and 200 mm", ("at least 2 gap", "no marker", *CLEAN)),
    Recipe("gaps-slip", "gaps", "the same on slippery tracks", ("at least 2 gap", "no marker", "no fault", *RED), "seed=11&slip=1.5"),
    Recipe("lost-right", "straight", "moved to the left: the line is found on the right", ("exactly 1 lost", "exactly 1 found right", "no fault", *RED), happens=(shoved(600, left_mm=40),)),
    Recipe("lost-left", "straight", "moved and turned to the right: the line is found on the left", ("exactly 1 lost", "exactly 1 found left", "no fault", *RED), happens=(shoved(600, left_mm=-40, turn_deg=-30),)),
    Recipe("lost-turned", "straight", "turned to the left off the line", ("exactly 1 lost", "exactly 1 found right", "no fault", *RED), happens=(shoved(600, turn_deg=35),)),
    Recipe("lost-for-good", "straight", "carried away from the line: the robot gives up and stands", ("exactly 1 fault lost", "exactly 1 finish lost", "no found", "no red strip", "must stop on finish", "must finish"), happens=(shoved(600, left_mm=400),)),
    # -- obstacles
    Recipe("box", "box", "a blue box", ("exactly 1 obstacle left", "exactly 1 passed left", "obstacle before passed", *CLEAN)),
    Recipe("box-right", "box", "the same passed on the right", ("exactly 1 obstacle right", "exactly 1 passed right", *CLEAN), "seed=12", "harbour-mirrored"),
    Recipe("box-optical", "box", "the same with the optical range sensor", ("exactly 1 obstacle left", "exactly 1 passed left", *CLEAN), "seed=13", "harbour-optical"),
    Recipe("box-plain", "box", "the same with neither range sensor nor button", ("exactly 1 start", "exactly 1 obstacle left", "exactly 1 passed left", *CLEAN), "seed=1", "harbour-plain"),
    Recipe("drum", "drum", "a black drum", ("exactly 1 obstacle left", "exactly 1 passed left", *CLEAN)),
    Recipe("drum-unheard", "drum", "the same with no word from the front for a while, and no echo for a second", ("exactly 1 obstacle left", "exactly 1 passed left", *CLEAN), happens=(missing("front", 300, 20), missing("side_range", 500, 100))),
    Recipe("bollard", "bollard", "a yellow prism on a bend to the left", ("exactly 1 obstacle left", "exactly 1 passed left", *CLEAN)),
    Recipe("crate", "crate", "a red box askew on a bend to the right", ("exactly 1 obstacle left", "exactly 1 passed left", *CLEAN)),
    Recipe("crate-right", "crate", "the same passed on the right", ("exactly 1 obstacle right", "exactly 1 passed right", *CLEAN), "seed=14", "harbour-mirrored"),
    Recipe("front-flash", "straight", "a flash ahead of four readings is no obstacle", NOTHING, happens=(flash("front", "white", 500, 4), flash("front", "white", 700, 4))),
    # -- the red strip
    Recipe("strip-left", "strip-left", "the left eye meets the strip first", ("exactly 1 red strip left", *CLEAN)),
    Recipe("strip-right", "strip-right", "the right eye meets the strip first", ("exactly 1 red strip right", *CLEAN)),
    Recipe(
        "red-thrice", "straight", "three red readings are no strip; nor is red in too little light", NOTHING,
        happens=(
            flash("floor_left", "red", 500, 3), flash("floor_right", "red", 600, 3), flash("floor_left", "red", 700, 3),
            flash("floor_right", "red", 800, 6, 0.1),
        ),
    ),
    # -- readings that fail
    Recipe("gone-left", "straight", "no word from the left eye: 0.2 s are held through, 0.6 s are not", BLIND, happens=(missing("floor_left", 500, 20), missing("floor_left", 700, 60))),
    Recipe("gone-right", "straight", "the same on the right", BLIND, happens=(missing("floor_right", 500, 20), missing("floor_right", 700, 60))),
    Recipe("gone-drive", "straight", "the same for the encoders", BLIND, happens=(missing("drive", 500, 20), missing("drive", 700, 60))),
    Recipe("stale", "straight", "old readings of an eye and of the encoders", ("exactly 2 fault blind", *STRAIGHT), happens=(stale("floor_left", 500, 60), stale("drive", 800, 60))),
    Recipe("stuck", "straight", "readings that do not change, and do not say so", NOTHING, happens=(stuck("floor_left", 500, 20), stuck("floor_right", 700, 20), stuck("drive", 900, 20))),
    Recipe("dazzled", "straight", "eyes at full scale", ("no marker", "no obstacle", "exactly 1 red strip", "must finish"), happens=(dazzled("floor_left", 500, 15), dazzled("floor_right", 700, 15), dazzled("front", 900, 5))),
    Recipe("dazzled-long", "straight", "an eye at full scale for long", ("no marker", "no obstacle", "exactly 1 red strip", "must finish"), happens=(dazzled("floor_left", 500, 30), dazzled("floor_right", 700, 30))),
    Recipe("gone-button", "straight", "the button's first readings are missing", ("exactly 1 start button", "no start before 0.3 s", *NOTHING), happens=(missing("start_button", 0, 25),)),
    # -- how a run can end, and what happens to the loop
    Recipe("link", "straight", "the link is down for 0.6 s", NOTHING, happens=(silence(600, 60),)),
    Recipe("late", "straight", "two late ticks; 13 are skipped", NOTHING, happens=(late(500, 0.035), late(700, 0.12))),
    Recipe("stop-button", "straight", "the operator presses the button while the robot drives", ("exactly 1 start", "no red strip"), "seed=1&lift_at=4"),
    Recipe("time-limit", "straight", "the run's time is over", ("exactly 1 start", "no red strip"), limit_s=4.0),
    Recipe("error", "straight", "settings that contradict each other: a behaviour raises, and the run ends with a stop", ("no red strip",), changes=("marker.votes=5",)),
)  # fmt: skip


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
    made = f"`{recipe.course}` {recipe.options.replace('&', ' ')}" + (f", rig {recipe.rig}" if recipe.rig != "harbour" else "")
    made += "".join(f", {change}" for change in recipe.changes) + (f"; staged: {staged}" if staged else "")
    decided = ", ".join(word(decision) for decision in recording.decisions[2:])
    faults = "".join(f", **{fault.kind}**" for fault in recording.faults)
    return f"| {recipe.name} | {recipe.what} | {made} | {len(recording) / 100:.1f} | {size // 1000} | {decided}{faults} |"


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

{count} runs of the mission `line` on the fake robot, {seconds:.0f} seconds of robot time in {kilobytes} kB. They cover every
decision and every fault that a run on the line field can meet; the second table says which lies where.

```
robotcore replay replays/          judge them all against today's code
python -m pytest replays/          the same as tests
python -m replays.make             make them anew, after a change that was meant (a minute or less)
python -m replays.make gaps box    only these
```

This table is written by `python -m replays.make` from its recipes. "Staged" is what a fake robot cannot meet by itself: a
reading that fails, a flash, a hand. It is laid over the raw rows or done to the simulated robot on the way; everything
else is a run like any other. The sentences beside each recording (`NAME.expect.txt`) say what must happen there by the
course's truth, whatever the code decided when it was recorded. Harbour Relief and all courses are invented.

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
        print(f"replays.make: no recipe is called {', '.join(unknown)}; see RECIPES in replays/make.py", file=sys.stderr)
        return 2
    with contextlib.chdir(ROOT):
        return make_all([recipe for recipe in RECIPES if not words or recipe.name in words])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
