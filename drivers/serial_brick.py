"""The backend ``serial:``: a real brick at the other end of a wire (protocol: drivers/link/LINK.md).

    serial:/dev/ttyACM0?baud=115200      serial:socket://brick:4000      serial:rfc2217://brick:4000

Rules: a tick begins when its row comes (`drivers.brick_pacer`); `sense` by itself waits at most one period, once; a
lost port is closed and reopened by a thread of its own, so that a network cannot hold up the loop; while the link is
lost the robot stands, by our stop where it still gets through and by the brick's dead-man timer in any case; a brick
that was restarted counts on from where its encoders stood. The clock is an argument.
"""

import contextlib
import math
import os
import threading
import time
from collections.abc import Callable, Mapping

from drivers.brick_pacer import BrickPacer
from drivers.link import messages as m
from drivers.link.session import GREETING, REFUSED, RUNNING, Ages, HostSession, Row, new_tuple, wanted_devices
from drivers.loops import Loops
from drivers.odometers import Odometers
from drivers.wire import Wire, open_wire
from robotcore.backend import Address, EndOfRun, Raw
from robotcore.checking import nearest
from robotcore.command import HALT, Command
from robotcore.errors import Faults, UserError
from robotcore.layout import AGE_UNIT_S, NEVER
from robotcore.rig import Rig

RETRY_S = 0.2  #: between two attempts to open a port
STOP_COPIES = 3
NOISE_S = 1.0  #: between two reports of spoilt messages
LEAST_WAIT_S = 0.001  #: a port waits in whole milliseconds
AGE_UNIT_US = round(AGE_UNIT_S * 1e6)
AGE_UNITS = 1.0 / AGE_UNIT_S  #: a second
BITS_PER_BYTE = 10  #: 8 data bits, a start and a stop bit
FRAME_BYTES = 16  #: of a sense message around its row: see LINK.md

Opener = Callable[[str, int, float], Wire]


def _in_background(work: Callable[[], None]) -> None:
    threading.Thread(target=work, daemon=True, name="reopen").start()


class SerialBrick:
    """A brick on a wire.

    Args:
        url: the port, as pyserial names it.
        rig: the robot as built.
        baud: bits a second.
        patience_s: how long `open` waits for the brick's first sound message.
        clock: monotonic seconds.
        sleep: waits so many seconds, where there is no port to wait on.
        opener: opens the port.
        background: runs an attempt to reopen without holding up the caller.

    Attributes:
        pacer: gives each row its tick.
        session: the conversation, with its counters.

    """

    paced = True

    def __init__(
        self,
        url: str,
        rig: Rig,
        *,
        baud: int = 115200,
        patience_s: float = 1.0,
        clock: Callable[[], float] = time.monotonic,
        sleep: Callable[[float], None] = time.sleep,
        opener: Opener = open_wire,
        background: Callable[[Callable[[], None]], None] = _in_background,
    ) -> None:
        self._url = url
        self._rig = rig
        self._baud = baud
        self._patience_s = patience_s
        self._clock = clock
        self._sleep = sleep
        self._opener = opener
        self._background = background
        self._wait_s = rig.period_s
        self._period_us = round(rig.period_s * 1e6)
        self._soon_us, self._late_us = self._period_us * 4 // 5, -(self._period_us * -6 // 5)  # between them: a period
        layout = rig.layout
        self._unpack = layout.row.unpack
        self._grown = Ages(layout).grown
        self._drive_age = layout.slots["drive"].age
        wire_s = _wire_time_s(url, FRAME_BYTES + layout.row.size, baud)
        self.session = HostSession(wanted_devices(rig), layout.row.size, rig.period_s, rig.dead_man_s, wire_s)
        self.pacer = BrickPacer(self, clock, rig.period_s)
        self._loops = Loops(rig)
        self._odometers = Odometers(rig)
        self._lock = threading.RLock()  # a signal handler may stop while its own thread sends
        self._take, self._give = self._lock.acquire, self._lock.release  # `with` costs twice as much, every tick
        self._wire: Wire | None = None
        self._attempt: Wire | Exception | None = None
        self._attempting = False
        self._attempted_s = 0.0
        self._stops = 0  # how often `stop` was called: an act that began before it must not be sent after it
        self._waited = False  # the pacer has waited for the row of the tick that begins, in vain or not
        self._row: Raw = ()
        self._measured_us = self._acted_us = 0  # brick's clock when the tracks' counts were taken; those acted upon
        self._handshakes = 0
        self._last: tuple[Command, m.Act] | None = None
        self._counted: dict[str, int] = {}  # when noise was last reported
        self._noise_s = -math.inf
        self.facts: Mapping[str, str] = {"link": url, "baud": str(baud), "protocol": str(m.VERSION)}

    # -- opening and closing -----------------------------------------------------------------------------------------

    def open(self) -> None:
        """Open the port and shake hands; the brick's motors are at rest. Raises `UserError` with the remedy."""
        self._wire = wire = self._opener(self._url, self._baud, self._wait_s)
        try:
            self._shake_hands(wire)
        except BaseException:
            self.close()
            raise

    def _shake_hands(self, wire: Wire) -> None:
        session, began_s = self.session, self._clock()
        session.greet(began_s)
        while session.state != RUNNING:
            try:
                self._pump(wire, self._wait_s)
            except OSError as error:
                why = f"the port failed while greeting the brick ({error}); check the cable"
                raise UserError(f"{self._url}: {why}") from error
            if session.state == REFUSED:
                raise Faults(self._url, session.problems)
            patience_s = self._patience_s + (2.0 if session.tally.accepted else 0.0)
            if self._clock() - began_s > patience_s:
                raise UserError(f"{self._url}: {self._why_silent()}")
        self._begin_session()

    def _why_silent(self) -> str:
        counts = self.session.counts()
        if counts["echoes"]:
            return "what we send comes back to us; connect our TX to the brick's RX, and start the agent there"
        if counts["accepted"]:
            return (
                f"the brick answers but the handshake does not get through ({counts['damaged']} damaged messages); "
                f"check cable and ground, or take a lower baud rate"
            )
        if counts["octets"]:
            return (
                f"{counts['octets']} bytes came in {self._patience_s:g} s and no message among them; wrong baud rate "
                f"({self._baud} here), or another program than the agent runs on the brick"
            )
        return (
            f"no answer in {self._patience_s:g} s; switch the brick on and start its agent "
            f"(a board that restarts when the port opens needs ?patience=3)"
        )

    def close(self) -> None:
        """Stop the motors and let go of the port."""
        self.stop(HALT)
        self._drop_wire()

    def _let_go(self) -> Wire | None:
        with self._lock:
            wire, self._wire = self._wire, None
        return wire

    def _drop_wire(self) -> None:
        wire = self._let_go()
        if wire is not None:
            with contextlib.suppress(OSError):  # it may be gone already, which is why we close it
                wire.close()

    # -- sensing -----------------------------------------------------------------------------------------------------

    def sense(self, tick: int) -> Raw | None:
        """Return the newest whole row, None where no new one came. Raises `EndOfRun` as the rig says."""
        if not self._waited:
            self._listen(self._wait_s)
        session = self.session
        row, session.row, self._waited = session.row, None, False
        if row is None:
            return None
        if session.handshakes != self._handshakes:
            self._begin_session()
        packed, sent_s, _, clock_us, _, _ = row
        add = int((self._clock() - sent_s) * AGE_UNITS)
        if add > 0:
            packed = self._grown(packed, add)
        else:
            add = 0
        counts = self._unpack(packed)
        age = counts[self._drive_age]
        if age != NEVER:
            self._measured_us = clock_us - (age - add) * AGE_UNIT_US
        if self._odometers.restarted:
            counts = self._odometers.go_on(counts)
        self._row = counts
        return counts

    def wait_for_row(self, until_s: float) -> Row | None:
        """Wait for a new row; it is kept for `sense`. None where none came until then. Raises `EndOfRun`."""
        self._waited = True
        session, wait_s = self.session, self._wait_s
        while session.row is None:
            if self._wire is None:
                self._reopen()
                self._sleep(max(0.0, until_s - self._clock()))
                return None
            self._listen(wait_s)
            if session.row is None:
                wait_s = until_s - self._clock()
                if wait_s < LEAST_WAIT_S:
                    break
        return session.row

    def drop_row(self) -> None:
        """Forget the row that is kept: its tick is over."""
        self.session.row = None

    def _listen(self, wait_s: float) -> None:
        """Keep the newest row; where there is none, wait once for what arrives, at most a period."""
        wire, session = self._wire, self.session
        if wire is None:
            self._reopen()
            return
        running = session.state == RUNNING
        if running and session.row is not None:
            return
        try:
            data = wire.read(wait_s)
            now_s = self._clock()
            if data:
                session.feed(data, now_s)
            if running and session.row is not None:
                return  # nearly always
            self._attend(now_s)
        except OSError as error:
            self._lose_wire(f"the port failed: {error.strerror or error}")
            return
        if running and session.state != RUNNING:
            self._lost()

    def _pump(self, wire: Wire, wait_s: float) -> None:
        """Take in what comes, after at most one wait, and answer it."""
        data = wire.read(wait_s)
        now_s = self._clock()
        if data:
            self.session.feed(data, now_s)
        self._attend(now_s)

    def _attend(self, now_s: float) -> None:
        """Look at the time, and send what the session itself wants sent."""
        self.session.tick(now_s)
        out = self.session.take()
        if out:
            self._send(out)

    def _begin_session(self) -> None:
        """Start the loops afresh, and the encoders where they stood if the brick was restarted."""
        self._handshakes = self.session.handshakes
        if self.session.restarted and self._row:
            self._odometers.restart(self._row)
        self._loops.restart()
        self._last = None
        self._acted_us = 0

    # -- a lost link -------------------------------------------------------------------------------------------------

    def _lost(self) -> None:
        self._send_stop(HALT)
        if self._rig.on_lost_link == "end":
            raise EndOfRun("the link to the brick was lost")

    def _lose_wire(self, why: str) -> None:
        self.session.note("link-lost", why)
        self.session.state = GREETING
        self._attempted_s = self._clock()
        try:
            self._lost()
        finally:
            wire = self._let_go()
            if wire is not None:
                self._attempting = True  # to reopen waits until this is closed
                self._background(lambda: self._close_lost(wire))

    def _close_lost(self, wire: Wire) -> None:
        """Close what may take its time to close, as a network port does."""
        try:
            with contextlib.suppress(OSError):
                wire.close()
        finally:
            self._attempting = False

    def _reopen(self) -> None:
        attempt, self._attempt = self._attempt, None
        if attempt is not None and not isinstance(attempt, Exception):
            self._wire = attempt
            self.session.greet(self._clock())
        elif not self._attempting and self._clock() - self._attempted_s >= RETRY_S:
            self._attempting = True
            self._attempted_s = self._clock()
            self._background(self._try_open)

    def _try_open(self) -> None:
        try:
            self._attempt = self._opener(self._url, self._baud, self._wait_s)
        except Exception as error:  # it is tried again
            self._attempt = error
        finally:
            self._attempting = False

    def faults(self) -> list[tuple[str, str]]:
        """Return (kind, detail) of what went wrong since the last call; noise once in a while, and at the end."""
        events = self.session.events()
        now_s, counts = self._clock(), self.session.counts()
        noise = [(key, counts[key]) for key in ("damaged", "lost", "late", "repeated", "refused")]
        grown = any(count > self._counted.get(key, 0) for key, count in noise)
        if grown and (self._stops or now_s - self._noise_s >= NOISE_S):
            self._counted, self._noise_s = counts, now_s
            told = ", ".join(f"{count} {key}" for key, count in noise if count)
            events.append(("link-noise", f"{told}, {counts['accepted']} good messages so far; check cable and ground"))
        return events

    # -- acting ------------------------------------------------------------------------------------------------------

    def act(self, command: Command) -> None:
        """Turn set-points into power with the last counts, and send them."""
        stops = self._stops
        if self._wire is None or self.session.state != RUNNING or not self._row:
            return
        message = self._message(command)
        self._take()
        try:
            wire = self._wire
            if self._stops == stops and wire is not None:  # else somebody stopped the robot, or closed, meanwhile
                wire.write(self.session.encode(message))
        except OSError as error:
            self._lose_wire(f"the port failed: {error.strerror or error}")
        finally:
            self._give()

    def _message(self, command: Command) -> m.Act:
        last, measured_us = self._last, self._measured_us
        if last is not None and measured_us == self._acted_us and last[0] == command:
            return last[1]  # nothing new: the same power again
        loops = self._loops
        message = new_tuple(m.Act, (loops.outputs, *loops.powers(command, self._row, self._passed_s())))
        self._last, self._acted_us = (command, message), measured_us
        return message

    def _passed_s(self) -> float:
        """Return the seconds between the last two counts acted upon, in whole periods where that is nearly true."""
        passed_us = self._measured_us - self._acted_us
        if self._soon_us < passed_us < self._late_us or self._last is None or not passed_us:
            return self._wait_s  # nearly always
        passed_us &= 0xFFFFFFFF
        period_us = self._period_us
        periods = (passed_us + period_us // 2) // period_us
        if periods and abs(passed_us - periods * period_us) * 5 < period_us:
            return periods * self._wait_s
        return passed_us * 1e-6

    def stop(self, category: int) -> None:
        """Stop all motors; from any thread, at any time. Errors are swallowed: the dead-man timer does it then."""
        self._stops += 1
        self._send_stop(category)

    def _send_stop(self, category: int) -> None:
        for _ in range(STOP_COPIES):
            try:
                self._send(b"\0" + self.session.encode(m.Stop(category)))  # the zero ends a half-sent frame
            except OSError:
                continue

    def _send(self, data: bytes) -> None:
        held = self._lock.acquire(timeout=2 * self._rig.period_s)  # a stop does not wait for ever behind a stuck write
        try:
            if self._wire is not None:
                self._wire.write(data)
        finally:
            if held:
                self._lock.release()

    def truth(self) -> tuple[float, float, float] | None:
        """Return None: a real robot does not know its true pose."""
        return None


def _wire_time_s(url: str, octets: int, baud: int) -> float:
    """Return how long so many bytes take on the wire; 0 where the baud rate is a mere word (network, USB, pty)."""
    path = os.path.realpath(url)
    if "://" in url or path.startswith(("/dev/pts/", "/dev/ttyACM")):
        return 0.0
    return octets * BITS_PER_BYTE / baud


def build(address: Address, rig: Rig) -> SerialBrick:
    """Build the backend of a ``serial:`` address (unopened)."""
    options = dict(address.options)
    baud = _number(address, options.pop("baud", "115200"), "baud", 300, 4_000_000)
    patience_s = _number(address, options.pop("patience", "1"), "patience", 0.1, 60)
    for key in options:
        raise UserError(f"{address.url}: {key!r} is not an option; {nearest(key, ('baud', 'patience'))}")
    if not address.place:
        raise UserError(f"{address.url} names no port; write serial:/dev/ttyACM0 or serial:socket://host:port")
    return SerialBrick(address.place, rig, baud=int(baud), patience_s=patience_s)


def _number(address: Address, text: str, key: str, low: float, high: float) -> float:
    try:
        value = float(text)
    except ValueError:
        value = float("nan")
    if not low <= value <= high:
        raise UserError(f"{address.url}: {key} is {text!r}; give a number from {low:g} to {high:.7g}")
    return value
