"""Patience with behaviours that do not give control back: a replay must end, too, with a line that says where."""

import signal
import threading
from pathlib import Path
from types import FrameType, TracebackType
from typing import Any

from robotcore.brain import Brain
from robotcore.errors import UserError


class OutOfPatience(BaseException):
    """The time is over. Not an `Exception`, so that a behaviour does not swallow it."""


class Patience:
    """Interrupts what runs inside after so many seconds, and says in which tick that was.

    It needs the main thread and a system with interval timers, and leaves alone a timer that is somebody else's;
    otherwise patience is endless.

    Args:
        path: the recording, for the message.
        brain: tells the tick.
        seconds: how long to wait.

    """

    def __init__(self, path: Path, brain: Brain, seconds: float) -> None:
        self._path = path
        self._brain = brain
        self._seconds = seconds
        self._ours = False
        self._before: Any = None

    def __enter__(self) -> None:
        """Begin to wait."""
        able = hasattr(signal, "setitimer") and threading.current_thread() is threading.main_thread()
        if able and signal.getitimer(signal.ITIMER_REAL)[0] == 0.0:
            self._ours = True
            self._before = signal.signal(signal.SIGALRM, self._over)
            signal.setitimer(signal.ITIMER_REAL, self._seconds, 1.0)

    def _over(self, number: int, frame: FrameType | None) -> None:
        raise OutOfPatience

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        """Wait no more; turn an interruption into the line that says so."""
        if self._ours:
            signal.setitimer(signal.ITIMER_REAL, 0.0)
            signal.signal(signal.SIGALRM, self._before)
        if isinstance(error, OutOfPatience):
            raise UserError(
                f"{self._path}: the behaviours did not come back within {self._seconds:.0f} s, in tick "
                f"{self._brain.kernel.tick}; look for a loop without an await"
            ) from None
