"""The command ``robotcore``: one verb a module, imported only when it is called.

Rules: a `UserError` is printed as it is and ends with 2; what else goes wrong is a defect and keeps its traceback.
Ctrl-C, and a reader that went away (``robotcore list | head``), end with 128 plus the signal's number, as in a shell:
never with a number that means a verdict.
"""

import errno
import importlib
import os
import sys
from collections.abc import Sequence
from contextlib import suppress

from robotcore.checking import nearest
from robotcore.errors import UserError

#: verb -> (module, what it does)
VERBS = {
    "run": ("robotcore.cli.run", "run a mission on a backend: the fake robot, the brick, or a recording"),
    "replay": ("robotcore.cli.replay", "feed recordings back through today's code and compare"),
    "sweep": ("robotcore.cli.sweep", "drive a mission over perturbations, rigs, courses and seeds, in parallel"),
    "compare": ("robotcore.cli.compare", "two versions on the same seeds and recordings: is the second worse?"),
    "picture": ("robotcore.cli.picture", "draw a recording: course, path, decisions, faults and sensor traces"),
    "map": ("robotcore.cli.map", "draw a mission's states and ways from its code, with the path of a recorded run"),
    "score": ("robotcore.cli.score", "count points by the world's truth and by what the robot said, side by side"),
    "list": ("robotcore.cli.show", "list the recordings of a folder"),
    "describe": ("robotcore.cli.show", "tell what lies in a recording"),
    "export": ("robotcore.cli.export", "write a recording's rows as CSV or Parquet"),
    "compact": ("robotcore.cli.export", "write a smaller copy of a recording, to be committed"),
    "calibrate": ("robotcore.cli.calibrate", "take white and black references of the colour sensors"),
    "check": ("robotcore.cli.check", "check rig, calibration, course and settings files"),
    "names": ("robotcore.cli.check", "name the missions, courses, rigs, devices and backends that are known"),
}

HELP = """usage: robotcore VERB [arguments]

The runtime of a small competition robot. Verbs:

{verbs}

`robotcore VERB --help` tells more. Exit codes: 0 good, 1 not good, 2 wrong input, 3 undecided (replay), 130 stopped by
Ctrl-C, 141 nobody read the output to its end.
"""

INTERRUPTED, UNREAD = 130, 141
_FULL = (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EFBIG)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one verb and return the exit code."""
    _print_anything()
    try:
        code = _main(list(sys.argv[1:] if arguments is None else arguments))
        if sys.stdout is not None:
            sys.stdout.flush()  # so that what cannot be written is found here, and not while Python ends
        return code
    except UserError as error:
        print(error, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        print("robotcore: stopped by Ctrl-C", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        _mute()
        return UNREAD
    except OSError as error:
        if error.filename is not None or error.errno not in _FULL:
            raise
        _mute()
        print(f"standard output: cannot be written ({error.strerror}); free some space", file=sys.stderr)
        return 2


def _print_anything() -> None:
    """Let a letter that a terminal cannot show, or half a one in a file's name, be shown by its number."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


def _mute() -> None:
    """Let what is still to be printed go nowhere, or Python complains about it when it ends."""
    with suppress(OSError, ValueError):  # it may be no file
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _main(words: list[str]) -> int:
    if not words or words[0] in ("-h", "--help"):
        print(HELP.format(verbs="\n".join(f"  {verb:<10} {text}" for verb, (_, text) in VERBS.items())), end="")
        return 0
    if words[0] == "--version":
        from robotcore import __version__

        print(f"robotcore {__version__}")
        return 0
    return _verb(words[0], words[1:])


def _verb(verb: str, words: list[str]) -> int:
    if verb not in VERBS:
        raise UserError(f"verb {verb!r} does not exist; {nearest(verb, VERBS)}")
    module = importlib.import_module(VERBS[verb][0])
    code: int = getattr(module, f"{verb}_verb")(words)
    return code


if __name__ == "__main__":
    sys.exit(main())
