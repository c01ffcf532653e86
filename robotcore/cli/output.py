"""Writing a file that somebody asked for. Rule: whole or not at all, and never over another file unless told to."""

import os
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from robotcore.errors import UserError

Result = TypeVar("Result")


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
        UserError: the file is there already, its folder is not, or it cannot be written.

    """
    check_free(out, force)
    part = out.with_name(f"{out.stem}.new-{os.getpid()}{out.suffix}")
    try:
        result = write(part)
        os.replace(part, out)
    except OSError as error:
        raise UserError(f"{out}: cannot be written ({error.strerror}); check folder and free space") from None
    finally:
        part.unlink(missing_ok=True)
    return result
