"""The host's half of a conversation with the brick: handshake, counting, clock offset; no I/O, time is an argument.

State machine (`TRANSITIONS`, printed in LINK.md):

    GREETING  --Welcome-->  LISTING  --last Entry-->  STARTING  --Sense-->  RUNNING
        ^                                                                     |
        +---------------- silence, a restarted brick, no answer --------------+

A brick that cannot serve the rig leads to REFUSED, with the reasons in `problems`. Rules: nothing is acted upon twice,
nothing old replaces something new, and whatever is not used is counted.
"""

import itertools
import struct
from collections.abc import Iterable
from typing import Any, NamedTuple

from drivers.link import messages as m
from robotcore.layout import LONGEST_AGE, NEVER, Layout
from robotcore.rig import Rig

GREETING, LISTING, STARTING, RUNNING, REFUSED = "greeting", "listing", "starting", "running", "refused"

ANSWER_S = 0.2  #: a question of the handshake that got no answer for so long is put again
TRIES = 25  #: after so many the handshake starts from its beginning
DRIFT = 2e-4  #: how fast the two clocks may part; twice what two common quartz crystals do (common practice, no source)
SLOWEST_S = (1.0 + DRIFT) * 1e-6  #: a microsecond of a brick whose clock is slow
SAME_CLOCK_US = 500_000  #: a message is never held up so long and still taken; a restart takes longer
NEW, LATE, REPEATED = "new", "late", "repeated"
WINDOW = 64  #: sequence numbers back to which a late message is told from a repeated one
SEEN = (1 << WINDOW) - 1
EVENTS_KEPT = 200

_TOP = 0x8000  # the highest bit of an age

new_tuple = tuple.__new__  #: of a named tuple, at half the cost
_SENSE, _HEAD_SIZE, _head = m.SENSE, m.SENSE_HEAD.size, m.SENSE_HEAD.unpack_from

#: state -> message -> states that may follow
TRANSITIONS: dict[str, dict[str, tuple[str, ...]]] = {
    GREETING: {"Welcome": (LISTING, STARTING, REFUSED), "Fault": (GREETING, REFUSED)},
    LISTING: {"Entry": (LISTING, STARTING, REFUSED), "Fault": (LISTING, REFUSED)},
    STARTING: {"Sense": (STARTING, RUNNING), "Fault": (STARTING, GREETING, REFUSED)},
    RUNNING: {"Sense": (RUNNING,), "Status": (RUNNING,), "Fault": (RUNNING, GREETING)},
    REFUSED: {},
}


class Tally:
    """Counts lost, late and repeated messages by their sequence numbers, modulo 65536.

    A message that comes late was first counted as lost; that is taken back. Numbers further back than `WINDOW`
    count as late.
    """

    def __init__(self) -> None:
        self.lost = self.late = self.repeated = 0
        self._accepted = 0  # up to `_from`
        self._seen = 0  # bit n: the message n before `_from` was seen
        self._from = -1  # the number after the newest when these two were brought up to date,
        self._next = -1  # and now: those between followed one another

    @property
    def accepted(self) -> int:
        """How many were newer than all before."""
        return self._accepted + self._next - self._from

    def restart(self, sequence: int) -> None:
        """Begin a new series at `sequence`; the counts go on."""
        self._accepted = self.accepted + 1
        self._seen = 1
        self._next = self._from = sequence + 1

    def note(self, sequence: int) -> str:
        """Count a message; return NEW, LATE or REPEATED."""
        if sequence == self._next:  # nearly always
            self._next = sequence + 1
            return NEW
        if self._next < 0:
            self.restart(sequence)
            return NEW
        self._catch_up()
        ahead = (sequence - self._next + 1) & 0xFFFF
        if 0 < ahead < 0x8000:
            self._accepted += 1
            self.lost += ahead - 1
            self._seen = (self._seen << ahead | 1) & SEEN if ahead < WINDOW else 1
            self._next = self._from = sequence + 1
            return NEW
        return self._back(-ahead & 0xFFFF)

    def _catch_up(self) -> None:
        run = self._next - self._from
        self._accepted += run
        self._from = self._next
        self._seen = (self._seen << run | (1 << run) - 1) & SEEN if run < WINDOW else SEEN

    def _back(self, behind: int) -> str:
        if behind < WINDOW and self._seen >> behind & 1:
            self.repeated += 1
            return REPEATED
        self.late += 1
        if behind < WINDOW:
            self._seen |= 1 << behind
            self.lost = max(0, self.lost - 1)
        return LATE


class AgentClock:
    """Maps the brick's 32-bit microseconds to the host's seconds.

    A message is due as long after the last one as the brick's clock says, and no later than it comes: so the quickest
    one sets the pace. `DRIFT` lets it loose again, so that it follows the two clocks. What is due left the brick the
    time on the wire before that.
    """

    def __init__(self, wire_s: float) -> None:
        self.wire_s = wire_s
        self._count = -1  # the brick's microseconds in the last message
        self._due_s = 0.0  # when that one was due

    def due(self, clock_us: int, arrived_s: float) -> float:
        """Return when, on the host's clock, a message is here if nothing holds it up."""
        if self._count < 0:
            due_s = arrived_s
        else:
            due_s = self._due_s + (clock_us - self._count & 0xFFFFFFFF) * SLOWEST_S
            if arrived_s < due_s:
                due_s = arrived_s
        self._count, self._due_s = clock_us, due_s
        return due_s

    def fits(self, clock_us: int, arrived_s: float) -> bool:
        """Tell whether this is still the clock that was followed so far; one that was started anew shows another time.

        A clock that is wrapped and happens to show nearly the same passes for it.
        """
        if self._count < 0:
            return True
        passed_us = round((arrived_s - self._due_s) * 1e6)
        off_us = (clock_us - self._count - passed_us + 0x80000000 & 0xFFFFFFFF) - 0x80000000
        return abs(off_us) < SAME_CLOCK_US


class Wanted(NamedTuple):
    """A device that the rig names, as far as the wire is concerned."""

    role: str
    port: str
    driver: str
    channels: str


def wanted_devices(rig: Rig) -> list[Wanted]:
    """Return the rig's devices in row order."""
    return [
        Wanted(f.role, f.port, f.driver_name, ";".join(":".join(channel) for channel in f.device.channels))
        for f in rig.fitted
    ]


class Row(NamedTuple):
    """The newest row of raw counts, packed, with its times: when it was made, and when it should have arrived."""

    packed: bytes
    sent_s: float  #: when it left the brick, on the host's clock
    due_s: float  #: when it is here if nothing holds it up, on the host's clock
    clock_us: int  #: the brick's own clock
    state: int
    session: int  #: how many handshakes there were before it


class HostSession:
    """One conversation, with as many handshakes as it takes.

    Args:
        wanted: the rig's devices in row order.
        row_size: bytes of a packed row.
        period_s: of sense messages.
        dead_man_s: the brick's dead-man time; also the silence after which the link counts as lost.
        wire_s: the time that a sense message takes on the wire by the baud rate; the handshake may show less.

    """

    def __init__(
        self, wanted: Iterable[Wanted], row_size: int, period_s: float, dead_man_s: float, wire_s: float = 0.0
    ) -> None:
        self._wanted = tuple(wanted)
        self._row_size = row_size
        self._payload_size = m.SENSE_HEAD.size + row_size
        self._period_s = period_s
        self._dead_man_s = dead_man_s
        self._wire_s = wire_s
        self._receiver = m.Receiver()
        self._payloads = self._receiver.payloads
        self._out = bytearray()
        self._numbers = itertools.count(1)
        self._nonce = 0
        self._heard_s = self._asked_s = 0.0
        self.row: Row | None = None  #: the newest, until it is taken
        self._events: list[tuple[str, str]] = []
        self._entries: dict[int, m.Entry] = {}
        self._expected = self._tries = 0
        self._start = m.Start(0, 0, b"")
        self._clock = AgentClock(wire_s)
        self.state = GREETING
        self.tally = Tally()
        self.problems: list[str] = []
        self.brick_name = ""
        self.status: m.Status | None = None  #: what the brick counted
        self.rows_refused = 0  #: sense messages with a row of the wrong length
        self.rows_passed_over = 0  #: rows that a newer one replaced before they were taken
        self.echoes = 0  #: own messages that came back
        self.handshakes = 0
        self.restarted = False  #: the brick of this session is not the one of the last: its clock began anew

    # -- what goes out ---------------------------------------------------------------------------------------------

    def encode(self, message: m.Message) -> bytes:
        """Return the next frame to send, numbered. May be called from any thread: no number is given twice."""
        return m.encode(message, next(self._numbers))

    def take(self) -> bytes:
        """Return what the session itself wants sent (handshakes), and forget it."""
        out = bytes(self._out)
        self._out.clear()
        return out

    def greet(self, now_s: float) -> None:
        """Begin a handshake. On the brick it stops the motors and ends the old session."""
        self.state = GREETING
        self._nonce = (self._nonce + 0x9E3779B1 + int(now_s * 1e6)) & 0xFFFFFFFF  # unlike the last ones
        self._entries.clear()
        self.row = None
        self._tries = 0
        self._hello(now_s)

    def _hello(self, now_s: float) -> None:
        self._asked_s = now_s
        self._out += b"\0"  # ends whatever half frame the line holds
        period_us, dead_man_ms = round(self._period_s * 1e6), round(self._dead_man_s * 1e3)
        self._out += self.encode(m.Hello(m.VERSION, period_us, dead_man_ms, self._nonce))

    def _ask_again(self, now_s: float) -> None:
        """Repeat the question that got no answer; what was heard so far is kept, so a noisy line gets there too."""
        self._tries += 1
        if self._tries > TRIES:
            self.greet(now_s)
        elif self.state == STARTING:
            self._asked_s = now_s
            self._out += b"\0" + self.encode(self._start)
        else:
            self._hello(now_s)

    def tick(self, now_s: float) -> None:
        """Look at the time: a silent brick is greeted anew."""
        if self.state == RUNNING and now_s - self._heard_s > self._dead_man_s:
            self._lose(f"no message from the brick for {now_s - self._heard_s:.3f} s", now_s)
        elif self.state in (GREETING, LISTING, STARTING) and now_s - self._asked_s > ANSWER_S:
            self._ask_again(now_s)

    # -- what comes in ---------------------------------------------------------------------------------------------

    def feed(self, data: bytes, now_s: float) -> None:
        """Take in bytes that arrived at `now_s`. After a row that comes while `RUNNING` there is nothing else to do."""
        for payload in self._payloads(data):
            if payload[0] == _SENSE and self.state == RUNNING and len(payload) == self._payload_size:
                _, sequence, clock_us, _, state = _head(payload)
                if self.tally.note(sequence) is NEW:
                    self._heard_s = now_s
                    self._keep(clock_us, state, payload[_HEAD_SIZE:], now_s)
            else:
                received = self._receiver.message(payload)
                if received is not None:
                    self._hear(received, now_s)

    def events(self) -> list[tuple[str, str]]:
        """Return (kind, detail) of what happened since the last call, oldest first."""
        events, self._events = self._events, []
        return events

    def counts(self) -> dict[str, int]:
        """Return every counter of this side."""
        damage = self._receiver.damage
        return {
            "accepted": self.tally.accepted,
            "lost": self.tally.lost,
            "late": self.tally.late,
            "repeated": self.tally.repeated,
            "damaged": damage.dropped,
            "octets": damage.octets,
            "refused": self._receiver.refused + self.rows_refused,
            "passed_over": self.rows_passed_over,
            "echoes": self.echoes,
            "handshakes": self.handshakes,
        }

    def note(self, kind: str, detail: str) -> None:
        """Keep an event for `events`; past `EVENTS_KEPT` the newest replace each other."""
        if len(self._events) >= EVENTS_KEPT:
            self._events[-1] = ("link-events", f"more than {EVENTS_KEPT} events; the last was {kind}: {detail}")
        else:
            self._events.append((kind, detail))

    def _hear(self, received: m.Received, now_s: float) -> None:
        sequence, message = received
        kind = type(message)
        action = _ACTIONS.get(kind)
        if action is None:  # what only a host says
            self.echoes += 1
            return
        if kind is m.Welcome and message.nonce == self._nonce and self.state == GREETING:
            self.tally.restart(sequence)
        else:
            order = self.tally.note(sequence)
            if order is not NEW and (order == REPEATED or kind is m.Sense):
                return
        self._heard_s = now_s
        if kind.__name__ in TRANSITIONS[self.state]:
            action(self, message, now_s)

    def _welcome(self, message: m.Welcome, now_s: float) -> None:
        if message.nonce != self._nonce:
            return  # the answer to an older greeting
        if message.version != m.VERSION:
            self._refuse([_version_text(f"protocol version {message.version}")])
            return
        self.restarted = not self._clock.fits(message.clock_us, now_s)
        self._clock = AgentClock(min(self._wire_s, now_s - self._asked_s))  # a port may be quicker than its baud rate
        self._clock.due(message.clock_us, now_s)
        self._expected, self.brick_name = message.devices, message.name
        self.state = LISTING
        self._asked_s = now_s
        self._start_when_listed(now_s)

    def _entry(self, message: m.Entry, now_s: float) -> None:
        if message.nonce == self._nonce:
            self._entries[message.number] = message
            self._start_when_listed(now_s)

    def _start_when_listed(self, now_s: float) -> None:
        if len(self._entries) < self._expected:
            return
        order, problems, spare = match_devices(self._wanted, [self._entries[n] for n in sorted(self._entries)])
        if problems:
            self._refuse(problems)
            return
        if not self.handshakes:
            for name in spare:
                self.note("device-unnamed", f"the brick has {name!r}, which the rig does not name; it is left alone")
        columns = m.digest((self._entries[n].name, self._entries[n].channels) for n in order)
        self._start = m.Start(self._nonce, columns, bytes(order))
        self._out += self.encode(self._start)
        self.state = STARTING
        self._asked_s = now_s

    def _sense(self, message: m.Sense, now_s: float) -> None:
        if len(message.row) != self._row_size:
            self.rows_refused += 1
            return
        if self.state == STARTING:
            self.state = RUNNING
            self.handshakes += 1
            if self.handshakes > 1:
                again = ", started anew: its encoders count on from where they stood" if self.restarted else ""
                self.note("link-back", f"{self.brick_name} answers again (handshake {self.handshakes}){again}")
        self._keep(message.clock_us, message.state, message.row, now_s)

    def _keep(self, clock_us: int, state: int, packed: bytes, now_s: float) -> None:
        if self.row is not None:
            self.rows_passed_over += 1
        due_s = self._clock.due(clock_us, now_s)
        self.row = new_tuple(Row, (packed, due_s - self._clock.wire_s, due_s, clock_us, state, self.handshakes))

    def _status(self, message: m.Status, now_s: float) -> None:
        self.status = message

    def _fault(self, message: m.Fault, now_s: float) -> None:
        word = m.FAULT_WORDS.get(message.code, f"code {message.code}")
        if message.code == m.FAULT_VERSION and self.state != RUNNING:
            self._refuse([_version_text(message.text)])
        elif message.code == m.FAULT_HANDSHAKE and self.state != RUNNING:
            self._refuse([f"the brick refuses the handshake: {message.text}; compare its device list with the rig"])
        elif message.code in (m.FAULT_NO_SESSION, m.FAULT_AGENT) and self.state in (STARTING, RUNNING):
            self.note("brick-fault", f"{word}: {message.text}")
            if self.state == STARTING:
                self.greet(now_s)
            else:
                self._lose("the brick left the session", now_s)
        elif message.code != m.FAULT_NO_SESSION:  # while greeting it only says what the greeting is for
            self.note("brick-fault", f"{word}: {message.text}")

    def _refuse(self, problems: list[str]) -> None:
        self.problems = problems
        self.state = REFUSED

    def _lose(self, why: str, now_s: float) -> None:
        self.note("link-lost", why)
        self.greet(now_s)


_ACTIONS: dict[type[Any], Any] = {
    m.Welcome: HostSession._welcome,
    m.Entry: HostSession._entry,
    m.Sense: HostSession._sense,
    m.Status: HostSession._status,
    m.Fault: HostSession._fault,
}


def _version_text(said: str) -> str:
    return (
        f"the brick says: {said}; this host speaks version {m.VERSION}; "
        f"copy drivers/agent/brick_agent.py of this release to the brick"
    )


def match_devices(wanted: Iterable[Wanted], entries: list[m.Entry]) -> tuple[list[int], list[str], list[str]]:
    """Find each wanted device among the brick's, by port name or by role.

    Returns:
        The brick's numbers in row order, the problems, and the names of devices that nobody wants.

    """
    by_name = {entry.name: entry for entry in entries}
    order: list[int] = []
    problems: list[str] = []
    for device in wanted:
        entry = by_name.get(device.port) or by_name.get(device.role)
        if entry is None:
            known = ", ".join(by_name) or "none"
            problems.append(
                f"{device.role}: the brick has no device at port {device.port!r} (it has: {known}); "
                f"plug it in, or mend the rig or the brick's device list"
            )
            continue
        problems += _differences(device, entry)
        order.append(entry.number)
    spare = [entry.name for entry in entries if entry.number not in order]
    return order, problems, spare


def _differences(device: Wanted, entry: m.Entry) -> list[str]:
    if entry.driver and entry.driver != device.driver:
        return [
            f"{device.role}: the brick has {entry.driver!r} at {entry.name!r}, the rig says {device.driver!r}; "
            f"mend the one that is wrong"
        ]
    if entry.channels != device.channels:
        return [
            f"{device.role}: the brick reports {entry.channels!r} at {entry.name!r}, driver {device.driver!r} "
            f"expects {device.channels!r}; mend the brick's device list"
        ]
    return []


class Ages:
    """The ages in a packed row, which grow while it is under way.

    All at once: the row is taken as one long number, to which as much is added at each age. The columns beside them do
    not change, since no age of less than `_TOP` runs over by less than `_TOP`.

    Args:
        layout: of the row.

    """

    def __init__(self, layout: Layout) -> None:
        ages = {slot.age for slot in layout.slots.values()}
        at = [struct.calcsize("<" + layout.codes[:column]) for column in ages]
        self._row = layout.row
        self._ages = ages
        self._each = sum(1 << 8 * offset for offset in at)
        self._tops = sum(_TOP << 8 * offset for offset in at)

    def grown(self, packed: bytes, add: int) -> bytes:
        """Return the row with `add` (tenths of a millisecond) more on each age of a reading that is there."""
        number = int.from_bytes(packed, "little")
        if add < _TOP and not number & self._tops:  # nearly always: all are there, and none is three seconds old
            return (number + add * self._each).to_bytes(len(packed), "little")
        row = list(self._row.unpack(packed))
        for column in self._ages:
            if row[column] != NEVER:
                row[column] = min(row[column] + add, LONGEST_AGE)
        return self._row.pack(*row)
