"""Comparing two versions: the statistics against scipy and numpy, the words, and real commits of a real repository."""

import json
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from robotcore.cli.compare import parse_versions
from robotcore.cli.contrast import against, lines_of, to_json
from robotcore.cli.main import main
from robotcore.errors import UserError
from robotcore.sweep.pairs import Outcome, compare, compare_replays, odds
from robotcore.sweep.trees import Tree, environment

TOP = Path(__file__).parent.parent


def outcome(success=True, time_s=40.0, rms_mm=2.0, decided="x", why="", command="again"):
    return Outcome(success, time_s, rms_mm, decided, why, command)


# ---- the statistics


@given(st.lists(st.tuples(st.booleans(), st.booleans(), st.floats(1, 99), st.floats(1, 99)), min_size=1, max_size=60))
def test_a_comparison_counts_right(rows):
    """Against scipy's exact binomial test and numpy's percentiles, computed from the rows themselves."""
    first = {str(i): outcome(a, one, one / 10) for i, (a, _, one, _) in enumerate(rows)}
    second = {str(i): outcome(b, two, two / 10) for i, (_, b, _, two) in enumerate(rows)}
    found = compare(first, second)
    only_a, only_b = sum(a and not b for a, b, *_ in rows), sum(b and not a for a, b, *_ in rows)
    p = 1.0 if only_a + only_b == 0 else binomtest(only_a, only_a + only_b, 0.5).pvalue
    assert found.odds.p == pytest.approx(p, rel=1e-9)
    assert (found.odds.only_first, found.odds.only_second) == (only_a, only_b)
    assert sum(found.odds[:4]) == len(rows) == found.first.runs
    low, high = binomtest(sum(a for a, *_ in rows), len(rows)).proportion_ci(method="wilson")
    assert (found.first.low, found.first.high) == pytest.approx((low, high), abs=1e-12)
    both = [(one, two) for a, b, one, two in rows if a and b]
    if both:
        ones, twos = np.array(both).T
        spread = found.time_s.first
        assert (spread.p10, spread.median, spread.p90) == pytest.approx(tuple(np.percentile(ones, (10, 50, 90))))
        assert found.time_s.shift == pytest.approx(np.median(twos - ones), abs=1e-9)
        assert found.rms_mm.shift == pytest.approx(np.median(twos - ones) / 10, abs=1e-9)
    else:
        assert found.time_s == (None, None, None, 0)
    assert found.differ == tuple(str(i) for i, (a, b, *_) in enumerate(rows) if a != b)


@pytest.mark.parametrize(
    ("only_first", "only_second", "worse", "better"),
    [(5, 0, False, False), (6, 0, True, False), (0, 6, False, True), (8, 1, True, False), (10, 2, True, False),
     (7, 2, False, False), (0, 0, False, False)],
)  # fmt: skip
def test_worse_is_what_mcnemar_says(only_first, only_second, worse, better):
    """0:5 p = .0625, 0:6 .0312, 1:8 .0391, 2:10 .0386: by scipy's binomial test, and in the tests of `stats`."""
    found = odds([(True, False)] * only_first + [(False, True)] * only_second + [(True, True)] * 40)
    assert (found.worse(0.05), found.better(0.05)) == (worse, better)


def test_a_published_table_gives_its_p():
    """Agresti's approval ratings, 794/150/86/570: exact p = 3.716e-5 (from memory, as scipy's binomial test)."""
    pairs = [(True, True)] * 794 + [(True, False)] * 150 + [(False, True)] * 86 + [(False, False)] * 570
    assert odds(pairs).p == pytest.approx(3.716e-5, rel=1e-3)


def test_only_runs_that_both_have_count():
    found = compare({"1": outcome(), "2": outcome()}, {"2": outcome(False), "3": outcome()})
    assert (found.first.runs, found.differ) == (1, ("2",))
    assert compare({"1": outcome()}, {}) is None


def test_alike_are_runs_that_decide_the_same():
    one = {str(i): outcome(decided=str(i)) for i in range(5)}
    assert compare(one, {**one, "3": outcome(decided="else")}).alike == 4


def test_recordings_that_one_side_cannot_tell_do_not_count():
    first = {"a": "same", "b": "same", "c": "undecided", "d": "changed", "e": "equivalent"}
    second = {"a": "equivalent", "b": "changed", "c": "same", "d": "changed", "e": "bad input"}
    found = compare_replays(first, second)
    assert found.odds[:4] == (1, 1, 0, 1)
    assert (found.undecided, found.differ) == (("c", "e"), ("a", "b", "c", "e"))


# ---- the report


def made(bad, runs=40, **changes):
    return {
        f"fake:quay?seed={i}": outcome(i not in bad, 40 + i / 10, why="fell off" * (i in bad), **changes)
        for i in range(runs)
    }


def told(first, second, level=0.05):
    one = against(("old", "new"), ("the old", "the new"), (first, second), ({}, {}), level)
    return one, "\n".join(lines_of(one, []))


def test_the_report_says_worse_better_or_neither():
    for bad_first, bad_second, says, worse in (
        ((), range(6), "new is significantly worse than old (McNemar exact p = 0.0312 < 0.05)", True),
        (range(6), (), "new is significantly better than old", False),
        ((), range(5), "no significant difference (McNemar exact p = 0.0625)", False),
    ):
        one, text = told(made(bad_first), made(bad_second))
        assert says in text
        assert one.worse is worse


def test_the_level_is_yours():
    assert told(made(()), made(range(5)), level=0.1)[0].worse
    assert not told(made(()), made(range(6)), level=0.01)[0].worse


def test_every_run_that_differs_is_named_with_both_commands():
    _, text = told(made({3}, command="A"), made({3, 7, 9}, command="B"))
    for seed in (7, 9):
        assert f"  fake:quay?seed={seed}  new failed: fell off\n    old: A\n    new: B" in text
    assert "seed=3 " not in text
    assert "difference -5.0 points" in text


def test_the_json_says_all_of_it():
    one, _ = told(made(()), made(range(6)))
    data = json.loads(json.dumps(to_json(one)))
    assert data["worse"] is True
    assert data["seeds"]["odds"]["only_first"] == 6
    assert len(data["runs"]) == 40
    assert data["runs"]["fake:quay?seed=0"]["new"]["why"] == "fell off"


# ---- the words


def test_versions_are_read():
    old, new = parse_versions(["old:", "rev=HEAD~1", "new:", "set=a.b=1", "set=c=2", "rig=harbour-clear"])
    assert (old.name, old.rev, old.words()) == ("old", "HEAD~1", [])
    assert new.rev == "work"
    assert new.words() == ["--set", "a.b=1", "--set", "c=2", "--rig", "harbour-clear"]


def test_a_settings_file_becomes_changes_for_recordings(tmp_path):
    path = tmp_path / "s.toml"
    path.write_text('start_rad = 0.5\n[follow]\nkp_rad_s = 3\nname = "x"\n')
    _, version = parse_versions(["a:", "b:", f"settings={path}", "set=follow.ki_rad_s2=1"])
    sets = ["start_rad=0.5", "follow.kp_rad_s=3", 'follow.name="x"', "follow.ki_rad_s2=1"]
    assert version.replay_words() == [word for change in sets for word in ("--set", change)]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("", "two versions"), ("a: rev=work", "two versions"), ("a: a:", "two versions"), (": b:", "two versions"),
        ("rev=HEAD a: b:", "belongs to no version"), ("a: rve=HEAD b:", "no KEY=VALUE"), ("a: rev= b:", "no KEY=VALUE"),
        ("a: rig=x rig=y b:", "twice"), ("a: rev=HEAD mission=my:MISSION b:", "outside of rev=HEAD"),
    ],
)  # fmt: skip
def test_bad_versions_are_told(words, says):
    with pytest.raises(UserError, match=says) as told:
        parse_versions(words.split())
    assert "\n" not in str(told.value)


def test_a_trees_code_comes_first():
    tree = Tree(Path("/tree"), "x")
    assert environment(tree, {})["PYTHONPATH"] == "/tree"
    assert environment(tree, {"PYTHONPATH": "/other"})["PYTHONPATH"] == "/tree:/other"


def spoken(capsys, *words):
    code = main(["compare", *words])
    out, err = capsys.readouterr()
    return code, out, err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("a: b:", "give --url and --seeds, or --recordings"),
        ("--url fake:quay a: b:", "go together"),
        ("--url fake:quay --seeds 5-1 a: b:", "backwards"),
        ("--url fake:quay --seeds 1 --vary rig=x a: b:", "part of a version"),
        ("--url fake:quay --seeds 1 --p 2 a: b:", "--p 2"),
        ("--url fake:quay --seeds 1 a: settings=no.toml b:", "no.toml: cannot be read"),
        ("--url fake:quay --seeds 1 a: rev=no-such-branch b:", "no such commit, branch or folder"),
        ("--url fake:quay --seeds 1 a: rev=--help b:", "is no revision"),
        ("--url fake:quay --seeds 1 a: rev=. b:", "no code in it that knows sweeps"),
        ("--recordings x.rec -- a: b: calibration=mine", "recordings have their own"),
        ("--url fake:quay --seeds 1 a: rig=harbor b:", "a: rig 'harbor' does not exist"),
        ("--url fake:quay --seeds 1 a: b: set=follow.x=1", "b: settings: follow.x"),
        ("--url fake:quay --seeds 1 --store no/such.db a: b:", "folder does not exist"),
    ],
)
def test_bad_input_is_one_line(tmp_path, monkeypatch, capsys, words, says):
    monkeypatch.chdir(tmp_path)
    code, out, err = spoken(capsys, *words.split())
    assert (code, out) == (2, ""), err
    assert says in err
    assert err.strip().count("\n") == 0, err


# ---- real versions


def git(top, *words):
    done = subprocess.run(
        ["git", "-c", "user.name=t", "-c", "user.email=t@t", "-C", str(top), *words],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    return done.stdout.strip()


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """A repository with this code as its first commit, and a robot that only stands as its second."""
    top = tmp_path_factory.mktemp("house")
    for package in ("robotcore", "drivers", "behaviours"):
        shutil.copytree(TOP / package, top / package, ignore=shutil.ignore_patterns("__pycache__"))
    (top / ".gitignore").write_text("__pycache__/\n")
    git(top, "init", "-q", "-b", "main")
    git(top, "add", "-A")
    git(top, "commit", "-q", "-m", "good")
    settings = top / "behaviours" / "line_mission.py"
    text = settings.read_text()
    assert "    await start_pressed(robot)\n" in text
    settings.write_text(
        text.replace("    await start_pressed(robot)\n", "    await start_pressed(robot)\n    return\n")
    )
    git(top, "commit", "-q", "-a", "-m", "stands")
    return top


def compared(house, folder, *words):
    """Compare in a process that runs the repository's own code."""
    env = {**environment(Tree(house, "x"), {}), "PATH": "/usr/bin:/bin", "HOME": str(folder)}
    done = subprocess.run(
        [sys.executable, "-P", "-m", "robotcore", "compare", *words],
        capture_output=True,
        text=True,
        cwd=folder,
        env=env,
    )
    return done.returncode, done.stdout, done.stderr


@pytest.mark.slow
def test_a_worse_commit_is_found_and_everything_is_cleaned_up(house, tmp_path):
    words = ["--url", "fake:quay", "--seeds", "1-7", "old:", "rev=HEAD~1", "new:", "rev=work", "--json", "all.json"]
    code, out, err = compared(house, tmp_path, *words)
    assert (code, err) == (1, ""), err
    (data,) = json.loads((tmp_path / "all.json").read_text())
    assert data["seeds"]["second"]["successes"] == 0
    assert data["seeds"]["odds"]["only_first"] >= 6
    assert data["worse"] is True
    assert f"{git(house, 'rev-parse', 'HEAD~1')[:10]}" in out
    assert git(house, "worktree", "list").count("\n") == 0
    assert git(house, "status", "--porcelain") == ""
    assert {path.name for path in tmp_path.iterdir()} == {"all.json", "compare.db"}
    check_commands(house, tmp_path, out, data)
    code, again, err = compared(house, tmp_path, *words)
    assert (code, again) == (1, out)
    assert err.count("7 of 7 runs are there already") == 2


def check_commands(house, folder, out, data):
    """The printed commands open the run of each version, as it was."""
    seed = "fake:quay?seed=1"
    first = next(line.strip() for line in out.splitlines() if "worktree add" in line)
    words = shlex.split(first)
    place = Path(words[-2])
    env = {"PATH": f"{Path(sys.executable).parent}:/usr/bin:/bin", "HOME": str(folder)}
    subprocess.run(words, check=True, capture_output=True, env=env)
    try:
        command = data["runs"][seed]["old"]["command"]
        done = subprocess.run(
            f"{command} --no-recording", shell=True, capture_output=True, text=True, cwd=folder, env=env
        )
        assert "the course was done" in done.stdout, done.stderr
        assert f"    old: {command}\n" in out
    finally:
        git(house, "worktree", "remove", "--force", str(place))


@pytest.mark.slow
def test_the_same_code_with_other_settings_is_compared_too(house, tmp_path):
    code, out, err = compared(
        house, tmp_path, "--url", "fake:quay", "--seeds", "1-2", "--time-limit", "2", "--vary", "noise=1,2",
        "one:", "rev=HEAD~1", "two:", "rev=HEAD~1", "set=follow.cruise_m_s=0.15",
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert "0/4" in out
    assert "two  HEAD~1" in out
    assert "follow.cruise_m_s=0.15" in out


@pytest.mark.slow
def test_recordings_are_compared_by_their_verdicts(house, tmp_path):
    words = ["run", "fake:quay?seed=3", "--out", "a.rec", "--time-limit", "12", "--quiet"]
    made = subprocess.run(
        [sys.executable, "-m", "robotcore", *words],
        cwd=tmp_path, env={**environment(Tree(TOP, "x"), {}), "PATH": "/usr/bin:/bin"}, check=False,
    )  # fmt: skip
    assert (tmp_path / "a.rec").exists(), made.returncode
    code, out, err = compared(house, tmp_path, "--recordings", "a.rec", "--", "old:", "rev=HEAD~1", "new:")
    assert code == 0, err  # one pair proves nothing
    assert "only old 1" in out
    assert out.rstrip().splitlines()[-1].split() == ["a.rec", "same", "changed"]
