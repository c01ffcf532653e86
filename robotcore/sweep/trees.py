"""Versions of the code, each in a folder of its own: the working tree as it is, or a commit checked out for a while.

Rules: git is asked, never guessed; the working tree is not touched; what was checked out is taken away again, however
the comparison ends. A version runs in a process of its own whose first place to look for code is its folder.
"""

import os
import subprocess
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from robotcore.errors import UserError

WORK = "work"  #: the word for the working tree, whatever state it is in


class Tree(NamedTuple):
    """A version's code: where it lies, how to call it, and its commit ("" for a folder as it is)."""

    folder: Path
    label: str
    commit: str = ""


@contextmanager
def tree_of(revision: str, top: Path) -> Iterator[Tree]:
    """Give the code of a revision for a while.

    Args:
        revision: "work", a folder, or anything that git can make a commit of.
        top: the folder that holds the code which runs now.

    Raises:
        UserError: there is no such revision, or no code of ours in it.

    """
    if revision == WORK:
        yield Tree(top, _work_label(top))
    elif Path(revision).is_dir():
        folder = Path(revision).resolve()
        yield _checked(Tree(folder, str(folder)), revision)
    else:
        commit = commit_of(revision, top)
        with checkout(commit, top) as folder:
            yield _checked(Tree(folder, f"{revision} ({commit[:10]})", commit), revision)


def _checked(tree: Tree, revision: str) -> Tree:
    if not (tree.folder / "robotcore" / "cli" / "sweep.py").is_file():
        raise UserError(
            f"rev={revision}: no code in it that knows sweeps (robotcore/cli/sweep.py); "
            "give a later commit, or a folder that holds the project"
        )
    return tree


def commit_of(revision: str, top: Path) -> str:
    """Return the commit that a revision stands for.

    Raises:
        UserError: there is none, or no version control.

    """
    if revision.startswith("-"):
        raise UserError(f"rev={revision}: is no revision; give a commit, a branch, a folder or {WORK}")
    done = _git(top, "rev-parse", "--verify", "--quiet", "--end-of-options", f"{revision}^{{commit}}")
    if done.returncode == 0:
        return done.stdout.strip()
    if _git(top, "rev-parse", "--git-dir").returncode != 0:
        raise UserError(f"rev={revision}: {top} is not under version control; give rev={WORK} or a folder")
    raise UserError(f"rev={revision}: {top} has no such commit, branch or folder; `git log --oneline` shows commits")


@contextmanager
def checkout(commit: str, top: Path) -> Iterator[Path]:
    """Check a commit out into a temporary folder, and take it away again.

    Raises:
        UserError: git cannot do it.

    """
    with tempfile.TemporaryDirectory(prefix="robotcore-", ignore_cleanup_errors=True) as place:
        folder = Path(place) / commit[:10]
        _git(top, "worktree", "prune")
        try:
            done = _git(top, "worktree", "add", "--detach", "--quiet", str(folder), commit)
            if done.returncode != 0:
                raise UserError(
                    f"rev={commit[:10]}: cannot be checked out ({_last(done.stderr)}); check folder and space"
                )
            yield folder
        finally:
            _git(top, "worktree", "remove", "--force", str(folder))


def _work_label(top: Path) -> str:
    commit = _git(top, "rev-parse", "--verify", "--quiet", "HEAD").stdout.strip()
    return f"{WORK} ({commit[:10]}{' and uncommitted changes' if changed(top) else ''})" if commit else WORK


def changed(top: Path) -> int:
    """Return how many files of the working tree differ from its commit; untracked ones count."""
    return len(_git(top, "status", "--porcelain").stdout.splitlines())


def environment(tree: Tree, base: Mapping[str, str]) -> dict[str, str]:
    """Return an environment in which a tree's code comes first."""
    others = base.get("PYTHONPATH", "")
    return {**base, "PYTHONPATH": f"{tree.folder}{os.pathsep}{others}" if others else str(tree.folder)}


def _git(top: Path, *words: str) -> "subprocess.CompletedProcess[str]":
    try:
        return subprocess.run(["git", "-C", str(top), *words], capture_output=True, text=True, check=False)
    except OSError as error:
        raise UserError(f"git cannot be started ({error.strerror}); install it, or compare rev={WORK} alone") from None


def _last(text: str) -> str:
    lines = text.strip().splitlines()
    return lines[-1] if lines else "no reason given"
