"""Writing a file that somebody asked for, and printing what came from a stranger.

Rules: a file is written whole or not at all, and never over another one unless told to; what is printed steers nothing.
"""

import os
from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

from robotcore.errors import UserError

Result = TypeVar("Result")


def show(lines: Iterable[str]) -> None:
    """Print lines; what would steer a terminal, in a recording from a stranger, comes out as a question mark."""
    for line in lines:
        print("".join(letter if letter.isprintable() else "?" for letter in line))


def check_free(out: Path, force: bool) -> None:
    """Check that a file may be written, before any work is put into it.

    Raises:
        UserError: the file is there already and `force` is not said, or its folder is not there.

    """
    if out.is_dir():
        raise UserError(f"{out}: is a folder; give the name of a file in it")
    if out.exists() and not force:
        raise UserError(f"{out}: is there already; say --force to replace it, or --out for another name")
    if not out.parent.is_dir():
        raise UserError(f"{out}: its folder does not exist; make {out.parent} first")


def produce(out: Path, force: bool, write: Callable[[Path], Result]) -> Result:
    """Let `write` make the file and return what it returns.

    Args:
        out: the file that is wanted.
        force: replace a file that is there; the old one stays until the new one is whole.
        write: is given the path to write to, which is not there yet.

    Raises:
        UserError: the file is there already, its folder is not, or it cannot be written; names `out`.

    """
    check_free(out, force)
    part = out.with_name(f"{out.stem}.new-{os.getpid()}{out.suffix}")
    try:
        result = write(part)
        os.replace(part, out)
    except OSError as error:
        raise UserError(f"{out}: cannot be written ({error.strerror}); check folder and free space") from None
    except UserError as error:  # nobody knows the name under which it grew
        raise UserError(str(error).replace(str(part), str(out))) from None
    finally:
        with suppress(OSError):  # a folder that takes no file lets none be removed either
            part.unlink()
    return result


def check_writable(place: str | None) -> None:
    """Check that a report may be written to `place` (None and - are no file), before any work is put into it.

    Raises:
        UserError: it is a folder, its folder is not there, or it may not be written.

    """
    if place is None or place == "-":
        return
    check_free(Path(place), force=True)
    there = Path(place).exists()
    if not os.access(place if there else Path(place).parent, os.W_OK):
        raise UserError(f"{place}: may not be written; choose another name, or change the rights")


def write_report(place: str, text: str) -> None:
    """Write a report over what is there.

    Raises:
        UserError: it cannot be written.

    """
    try:
        Path(place).write_text(text, encoding="utf-8")
    except OSError as error:
        raise UserError(f"{place}: cannot be written ({error.strerror}); check folder and free space") from None


def fresh_in_runs(stem: str) -> Path:
    """Return a name in ``runs/`` that no recording has yet; makes the folder.

    Raises:
        UserError: the folder cannot be made.

    """
    path, number = Path("runs") / f"{stem}.rec", 1
    while path.exists():
        number += 1
        path = Path("runs") / f"{stem}-{number}.rec"
    try:
        path.parent.mkdir(exist_ok=True)
    except OSError as error:
        raise UserError(f"runs: cannot be made ({error.strerror}); say --out, with a folder you may write to") from None
    return path
