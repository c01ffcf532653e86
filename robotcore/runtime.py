"""The loop: sense, think, record, act, once a tick, and a stop as the last thing sent whatever happens.

Rules: time comes in through the pacer alone; recording and progress look on and never steer; every way in which a
run can end passes through `_finish`, which shuts the gate before anything else.
"""

from collections.abc import Callable
from typing import Any, NamedTuple, Protocol

from robotcore.backend import Backend, EndOfRun, Raw
from robotcore.brain import Brain
from robotcore.command import AT_REST, HALT, Command
from robotcore.errors import UserError
from robotcore.log import Fault, Log
from robotcore.pacing import Clock, FreePacer, Pacer, WallClock, WallPacer
from robotcore.safety import Gate, HungError, Signals, Watchdog


class RowRecorder(Protocol):
    """What the loop needs of a recorder."""

    failure: str | None

    def row(self, tick: int, raw: Raw, command: Command, truth: tuple[float, float, float] | None) -> None:
        """Keep one tick."""
        ...

    def overrun(self, tick: int, late_us: int, behaviour: str) -> None:
        """Keep how late a tick was, and the behaviour that took longest."""
        ...


class Limits(NamedTuple):
    """Bounds of a run, in seconds. `hold_to_stop_s` is how long the button is held for a stop at any time."""

    run_s: float = 480.0
    hung_s: float = 1.0
    hold_to_stop_s: float = 1.5


class Outcome(NamedTuple):
    """How a run ended. `how` is "finished" or says what ended it; `error` is what was raised, if anything.

    `clipped` counts set-points beyond the rig's limits, which were cut to them.
    """

    how: str
    error: BaseException | None
    ticks: int
    seconds: float
    overruns: int
    skipped: int
    worst_late_us: int
    clipped: int
    result: Any

    @property
    def finished(self) -> bool:
        """Tell whether the mission came to its own end."""
        return self.how == "finished"


def _pacer(backend: Backend, clock: Clock | None, period_s: float) -> Pacer:
    """Return the backend's own pacer, if it brings one; else the clock's for a world that goes on by itself."""
    own: Pacer | None = getattr(backend, "pacer", None)
    if own is not None:
        return own
    return WallPacer(clock or WallClock(), period_s) if backend.paced else FreePacer()


class Run:
    """One run of a brain on a backend.

    Args:
        backend: unopened; it is closed at the end.
        brain: what thinks; a kernel with timing tells which behaviour made a tick late.
        log: where faults of the runtime go, beside those of the behaviours.
        limits: bounds in seconds.
        recorder: keeps rows and overruns, if any.
        button_stops: whether a press of the start button while the tracks run ends the run; a mission that resumes
            after a press says no.
        clock: the time for paced backends; the machine's by default.
        progress: called each `progress_ticks` with the tick number.

    """

    def __init__(
        self,
        backend: Backend,
        brain: Brain,
        log: Log,
        limits: Limits,
        *,
        recorder: RowRecorder | None = None,
        button_stops: bool = True,
        clock: Clock | None = None,
        progress: Callable[[int], None] | None = None,
        progress_ticks: int = 50,
    ) -> None:
        self._backend = backend
        self._brain = brain
        self._log = log
        self._limits = limits
        self._recorder = recorder
        self._progress = progress or (lambda tick: None)
        self._progress_ticks = progress_ticks
        self._button_stops = button_stops
        period_s = brain.kernel.period_s
        self._pacer = _pacer(backend, clock, period_s)
        self._last_tick = round(limits.run_s / period_s)
        self._hold_ticks = round(limits.hold_to_stop_s / period_s)
        self._gate = Gate(backend)
        self._watchdog = Watchdog(self._gate, limits.hung_s)
        self._tick = 0
        self._held = 0

    def run(self) -> Outcome:
        """Run to the end, whatever it is, and tell how it ended. Errors are in the outcome, not raised."""
        how = "failed"
        error: BaseException | None = None
        with Signals(lambda: self._watchdog.fired) as signals:
            try:
                self._backend.open()
                self._watchdog.start()
                self._pacer.start()
                how = self._loop(signals)
            except EndOfRun as end:
                how = str(end) or "no more samples"
            except HungError as caught:
                how, error = "hung behaviour", caught
            except KeyboardInterrupt as caught:
                how, error = "interrupted twice", caught
            except BaseException as caught:  # whatever it is, the motors stop first
                error = caught
            late = self._finish()
        return self._outcome(how if late is None else "failed", error or late)

    def _loop(self, signals: Signals) -> str:
        """Run ticks until something ends the run; return what."""
        sense, step, act, truth = self._backend.sense, self._brain.step, self._gate.act, self._backend.truth
        next_tick, brain, watchdog, recorder = self._pacer.next, self._brain, self._watchdog, self._recorder
        robot, last_tick = brain.robot, self._last_tick
        tick = report = 0
        last = AT_REST
        while True:
            raw = sense(tick)
            if raw is not None:
                try:
                    command = step(tick, raw)
                except BaseException as error:
                    self._keep(tick, raw, error)
                    raise
                if recorder is not None:
                    recorder.row(tick, raw, command, truth())
                act(command)
                if brain.done:
                    return "finished"
                if (robot.sample[10][0] or self._held) and self._button(last):  # the start button is pressed
                    return "stop button"
                last = command
            if signals.caught or tick >= last_tick or (recorder is not None and recorder.failure is not None):
                return self._why(signals)
            watchdog.beats += 1
            if raw is None or tick >= report:
                report = tick + self._progress_ticks
                self._look_round(tick)
            tick, late_us = next_tick(tick)
            self._tick = tick
            if late_us:
                self._late(tick, late_us)

    def _keep(self, tick: int, raw: Raw, error: BaseException) -> None:
        """Keep the row on which the behaviours failed, and how, so that a replay is held against it."""
        if isinstance(error, Exception):
            self._fault("error", f"{type(error).__name__}: {error}" if str(error) else type(error).__name__)
        if self._recorder is not None:
            self._recorder.row(tick, raw, AT_REST, self._backend.truth())

    def _button(self, last: Command) -> bool:
        """Tell whether the button asks for a stop: pressed while moving, or held for long."""
        if not self._brain.robot.sample.start_button.pressed:
            self._held = 0
            return False
        self._held += 1
        moving = last.left_m_s != 0.0 or last.right_m_s != 0.0
        return (self._held == 1 and moving and self._button_stops) or self._held >= self._hold_ticks

    def _why(self, signals: Signals) -> str:
        if signals.caught:
            return f"interrupted by {signals.caught}"
        if self._recorder is not None and self._recorder.failure is not None:
            raise UserError(self._recorder.failure)
        return "time limit"

    def _look_round(self, tick: int) -> None:
        """Take in what the backend noticed, and show progress."""
        self._take_faults()
        self._progress(tick)

    def _take_faults(self) -> None:
        for kind, detail in self._backend.faults():
            self._fault(kind, detail)

    def _late(self, tick: int, late_us: int) -> None:
        slowest = self._brain.kernel.slowest
        if self._recorder is not None:
            self._recorder.overrun(tick, late_us, "" if slowest is None else slowest.name)

    def _fault(self, kind: str, detail: str) -> None:
        self._log.add(Fault(self._tick, self._tick * self._brain.kernel.period_s, kind, detail, "runtime"))

    def _finish(self) -> BaseException | None:
        """Stop the motors, then everything else; return the first error, nothing may keep the stop back."""
        first: BaseException | None = None
        steps = (self._halt, self._watchdog.end, self._brain.close, self._take_faults, self._backend.close)
        for step in steps:
            try:
                step()
            except BaseException as error:
                first = first or error
        return first

    def _halt(self) -> None:
        self._gate.stop(HALT)

    def _outcome(self, how: str, error: BaseException | None) -> Outcome:
        pacer = self._pacer
        if pacer.skipped and pacer.overruns:
            self._fault(
                "overrun", f"{pacer.overruns} late ticks, {pacer.skipped} skipped, worst {pacer.worst_late_us} us"
            )
        elif pacer.skipped:
            self._fault("skipped", f"{pacer.skipped} ticks that the robot passed over itself; no work here was late")
        return Outcome(
            how=how,
            error=error,
            ticks=self._tick + 1,
            seconds=(self._tick + 1) * self._brain.kernel.period_s,
            overruns=pacer.overruns,
            skipped=pacer.skipped,
            worst_late_us=pacer.worst_late_us,
            clipped=self._brain.robot.clipped,
            result=self._brain.kernel.result,
        )
