"""The motors stop: the gate that lets nothing through after a stop, the watchdog, and the signals.

Rules:
- Once the gate is shut, `act` does nothing: the last thing sent is the stop, whichever thread sent it.
- The watchdog runs beside the loop. A behaviour that hangs cannot keep it from stopping the motors.
- These are software stops in the sense of IEC 60204-1's categories, without claiming conformity: not an emergency
  stop, not safety-rated. The brick's own dead-man timer stops the motors when all this fails; cut the power at the
  battery when that fails.
"""

import os
import signal
import threading
from collections.abc import Callable
from types import FrameType
from typing import Any

from robotcore.backend import Backend
from robotcore.command import CUT, Command

SIGNALS = ("SIGINT", "SIGTERM", "SIGHUP")


class HungError(BaseException):
    """A behaviour did not give control back. Not an `Exception`, so that a behaviour does not swallow it."""


class Gate:
    """Stands between the loop and the backend.

    Args:
        backend: what commands go to.

    """

    def __init__(self, backend: Backend) -> None:
        self._backend = backend
        self._act = backend.act
        self._lock = threading.Lock()
        self._take, self._give = self._lock.acquire, self._lock.release  # `with` costs twice as much, every tick
        self.shut = False

    def act(self, command: Command) -> None:
        """Send a command, unless the gate is shut."""
        self._take()
        try:
            if not self.shut:
                self._act(command)
        finally:
            self._give()

    def stop(self, category: int) -> None:
        """Shut the gate for good and stop all motors. A lock held by a hung send does not keep the stop back."""
        self.shut = True
        held = self._lock.acquire(timeout=0.1)
        try:
            self._backend.stop(category)
        finally:
            if held:
                self._lock.release()


class Watchdog:
    """Stops the motors when the loop gives no sign of life, then ends the hung behaviour.

    Args:
        gate: what it shuts.
        limit_s: how long the loop may be silent.
        wait: waits the given seconds for the end of the run and tells whether it came; an argument for tests.
        interrupt: makes the main thread raise; an argument for tests.
        give_up: ends the process when even that did not help.

    """

    def __init__(
        self,
        gate: Gate,
        limit_s: float,
        *,
        wait: Callable[[float], bool] | None = None,
        interrupt: Callable[[], None] | None = None,
        give_up: Callable[[], None] | None = None,
    ) -> None:
        self.beats = 0
        self.fired = False
        self._gate = gate
        self._limit_s = limit_s
        self._ended = threading.Event()
        self._wait = wait or self._ended.wait
        self._interrupt = interrupt or _interrupt_main
        self._give_up = give_up or _leave
        self._thread: threading.Thread | None = None

    def start(self) -> None:
        """Begin to watch."""
        self._thread = threading.Thread(target=self.watch, name="watchdog", daemon=True)
        self._thread.start()

    def end(self) -> None:
        """Stop watching."""
        self._ended.set()

    def watch(self) -> None:
        """Look on until the run ends or the loop is silent for too long."""
        seen = self.beats
        while not self._wait(self._limit_s):
            if self.beats == seen:
                self.fired = True
                self._gate.stop(CUT)
                self._interrupt()
                if not self._wait(self._limit_s):
                    self._give_up()
                return
            seen = self.beats


def _interrupt_main() -> None:
    signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)


def _leave() -> None:
    os.write(2, b"robotcore: a behaviour hangs and cannot be ended; motors stopped, leaving\n")
    os._exit(70)


class Signals:
    """Turns Ctrl-C and the signals that end a process into a request which the loop sees within a tick.

    A second signal, or one after the watchdog has fired, raises at once. Outside the main thread nothing is caught.
    """

    def __init__(self, hung: Callable[[], bool]) -> None:
        self.caught = ""
        self._hung = hung
        self._before: dict[int, Any] = {}

    def __enter__(self) -> "Signals":
        if threading.current_thread() is threading.main_thread():
            for name in SIGNALS:
                number = getattr(signal, name)
                self._before[number] = signal.signal(number, self._catch)
        return self

    def __exit__(self, *error: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _catch(self, number: int, frame: FrameType | None) -> None:
        if self._hung():
            raise HungError("no sign of life from the behaviours; the watchdog stopped the motors")
        if self.caught:
            raise KeyboardInterrupt
        self.caught = signal.Signals(number).name
