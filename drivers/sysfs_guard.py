"""The dead-man timer of a robot whose motors hang on the kernel's PWM: a process that drivers/sysfs.py starts.

    python -I -S sysfs_guard.py SECONDS ENABLE_FILE ...

It reads a byte a tick from its standard input. When none comes for so long, it writes 0 to every enable file and says
so with one byte; when the input ends (the robot's process is gone, by SIGKILL too) it does that and ends. Rules: it
imports almost nothing, so that it costs little memory; one file that cannot be written keeps no other motor on.
"""

import os
import select
import sys
from collections.abc import Callable, Sequence


def switch_off(files: Sequence[str]) -> None:
    """Write 0 to every enable file."""
    for file in files:
        try:
            handle = os.open(file, os.O_WRONLY)
        except OSError:
            continue
        try:
            os.write(handle, b"0")
        except OSError:
            continue
        finally:
            os.close(handle)


Hear = Callable[[float | None], bytes | None]


def watch(hear: Hear, off: Callable[[], None], tell: Callable[[], None], limit_s: float) -> None:
    """Keep watch until the input ends.

    Args:
        hear: waits for input, at most so many seconds (None: for ever); returns it, b"" at its end, None for silence.
        off: switches all motors off.
        tell: says that it did.
        limit_s: the dead-man time.

    """
    patience_s: float | None = None  # the first byte starts the timer
    while True:
        heard = hear(patience_s)
        if heard:
            patience_s = limit_s
            continue
        off()
        if heard is not None:
            return
        tell()
        patience_s = None


def _hear(patience_s: float | None) -> bytes | None:
    ready, _, _ = select.select([0], [], [], patience_s)
    return os.read(0, 4096) if ready else None


def _tell() -> None:
    try:
        os.write(1, b"!")
    except OSError:
        return  # nobody listens; the motors are off all the same


if __name__ == "__main__":
    watch(_hear, lambda: switch_off(sys.argv[2:]), _tell, float(sys.argv[1]))
