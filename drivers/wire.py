"""The serial port, opened through pyserial: one small class, and every way in which opening it can go wrong.

Rules: a read returns what is there, or waits once, no longer than it was told to at the start; a write that the line
does not take in that time is an error; every error is an `OSError`, and a person's error is a `UserError` with the
remedy. pyserial is imported when a port is opened, not before.
"""

import contextlib
import errno
import os
import select
from typing import Any, Protocol

from robotcore.errors import UserError


class Wire(Protocol):
    """What the serial backend needs of a port. Every function may raise `OSError`."""

    def read(self, wait_s: float) -> bytes:
        """Return what has arrived; where nothing has, wait for it, at most so long. A port may know but one wait."""
        ...

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        ...

    def close(self) -> None:
        """Let go of the port."""
        ...


class SerialWire:
    """A pyserial port whose `in_waiting` counts bytes."""

    def __init__(self, port: Any) -> None:
        self._port = port
        self.close = port.close

    def write(self, data: bytes) -> None:
        """Send all of `data`."""
        self._port.write(data)

    def read(self, wait_s: float) -> bytes:
        """Return what has arrived, after at most one wait, as long as the port was told at the start."""
        port = self._port
        waiting = port.in_waiting
        if waiting:
            return port.read(waiting)  # type: ignore[no-any-return]
        if wait_s <= 0.0:
            return b""
        first = port.read(1)
        waiting = port.in_waiting if first else 0
        return first + port.read(waiting) if waiting else first  # type: ignore[no-any-return]


class DescriptorWire:
    """A port or socket on its file descriptor: a third of the system calls, and of the time, of the above.

    Args:
        port: an open pyserial port of a POSIX system; it has set up line, lock or connection, and waits for nothing.
        wait_s: the longest wait of a read, and of a write.

    """

    def __init__(self, port: Any, wait_s: float) -> None:
        self._handle: int = port.fileno()
        self._wait_s = wait_s
        self._wait_ms = int(1000.0 * wait_s)
        ready = select.poll()
        ready.register(self._handle, select.POLLIN)
        self._poll = ready.poll
        self.close = port.close

    def read(self, wait_s: float) -> bytes:
        """Return what has arrived, after at most one wait, in whole milliseconds and at most that of the start."""
        if not self._poll(self._wait_ms if wait_s >= self._wait_s else int(1000.0 * wait_s)):
            return b""
        try:
            data = os.read(self._handle, 4096)
        except BlockingIOError:
            return b""
        if not data:
            raise OSError(errno.EIO, "unplugged, or closed by the far end")  # ready, yet empty
        return data

    def write(self, data: bytes) -> None:
        """Send all of `data`; `OSError` where the line does not take it in time."""
        try:
            sent = os.write(self._handle, data)
        except BlockingIOError:
            sent = 0
        if sent < len(data):
            self._write_rest(data[sent:])

    def _write_rest(self, data: bytes) -> None:
        while data:
            if not select.select([], [self._handle], [], self._wait_s)[1]:
                raise OSError(errno.ETIMEDOUT, "the line takes no more bytes")
            with contextlib.suppress(BlockingIOError):
                data = data[os.write(self._handle, data) :]


class SocketWire(SerialWire):
    """A ``socket://`` port of a system where a socket is no file descriptor.

    `in_waiting` only tells whether anything is there, and changing the timeout is free.
    """

    def read(self, wait_s: float) -> bytes:
        """Return what has arrived, after at most one wait, as long as the port was told at the start."""
        port = self._port
        first = port.read(1) if wait_s > 0.0 or port.in_waiting else b""
        if not first:
            return b""
        timeout, port.timeout = port.timeout, 0
        try:
            return first + port.read(4096)  # type: ignore[no-any-return]
        finally:
            port.timeout = timeout


def open_wire(url: str, baud: int, wait_s: float) -> Wire:
    """Open a port by device name or pyserial URL, for ourselves alone.

    Args:
        url: ``/dev/ttyACM0``, ``socket://host:port``, ``rfc2217://host:port``, ``loop://``.
        baud: bits a second, 8 data bits, no parity, one stop bit.
        wait_s: the longest wait of a read, and of a write.

    Raises:
        UserError: names the port and the remedy.

    """
    import serial  # type: ignore[import-untyped, unused-ignore]  # late: costs start-up time, and the fake needs none

    if _scheme(url) in ("socket", "rfc2217"):
        _check_network(url)
    own = {} if _scheme(url) == "rfc2217" else {"write_timeout": wait_s, "exclusive": True}  # it refuses the first
    try:
        port = serial.serial_for_url(url, baudrate=baud, timeout=wait_s, **own)
    except (OSError, ValueError) as error:
        raise UserError(f"{url}: {_explain(error)}") from error
    except Exception as error:  # termios.error, which is no OSError
        raise UserError(f"{url}: not a serial port ({error}); give the device of the brick's cable") from error
    return _wire_of(port, url, wait_s, os.name == "posix")


def _scheme(url: str) -> str:
    return url.partition("://")[0].lower() if "://" in url else ""


def _check_network(url: str) -> None:
    from urllib.parse import urlsplit  # late: only a network port needs it

    try:
        parts = urlsplit(url)
        whole = bool(parts.hostname) and parts.port is not None
    except ValueError:
        whole = False
    if not whole:
        raise UserError(f"{url}: names no host and port; write {_scheme(url)}://host:port")


def _wire_of(port: Any, url: str, wait_s: float, posix: bool) -> Wire:
    scheme = _scheme(url)
    if scheme == "socket":
        _send_at_once(port)
    if scheme == "rfc2217":
        port._socket.settimeout(wait_s)  # pyserial has no name for it; without, a write may wait for five seconds
    if not scheme:
        _pass_on_at_once(port)
    if posix and scheme in ("", "socket"):
        return DescriptorWire(port, wait_s)
    return SocketWire(port) if scheme == "socket" else SerialWire(port)


def _pass_on_at_once(port: Any) -> None:
    """Ask the kernel not to gather what comes: some USB adapters keep bytes for 16 ms else, more than a period.

    The flag is ASYNC_LOW_LATENCY of Linux; the 16 ms are those of its driver ftdi_sio (both from memory). A port that
    does not know it, such as a pseudo-terminal, is as quick as it is.
    """
    ask = getattr(port, "set_low_latency_mode", None)
    if ask is not None:
        with contextlib.suppress(OSError, ValueError, NotImplementedError):
            ask(True)


def _send_at_once(port: Any) -> None:
    """Keep the kernel from holding back a small message until the last one was acknowledged."""
    import socket  # late: only a network port needs it

    same = socket.socket(fileno=port.fileno())
    try:
        same.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    finally:
        same.detach()  # it stays pyserial's


_UNREACHED = "cannot be reached; switch the far end on, and see that both are in one network"
_REMEDIES = {
    errno.ENOENT: "no such port; plug the brick in and see `python -m serial.tools.list_ports`",
    errno.ENODEV: "no such port; plug the brick in and see `python -m serial.tools.list_ports`",
    errno.ENXIO: "no such port; plug the brick in and see `python -m serial.tools.list_ports`",
    errno.EACCES: "not allowed; join the port's group (often `sudo usermod -aG dialout $USER`) and log in again",
    errno.EPERM: "not allowed; join the port's group (often `sudo usermod -aG dialout $USER`) and log in again",
    errno.EBUSY: "the port is busy; end the other program that has it open",
    errno.EAGAIN: "the port is busy; end the other program that has it open",
    errno.ECONNREFUSED: "nobody listens there; start the far end and check host and port",
    errno.EHOSTUNREACH: _UNREACHED,
    errno.ENETUNREACH: _UNREACHED,
    errno.ETIMEDOUT: _UNREACHED,
    errno.ENOTTY: "not a serial port; give the device of the brick's cable",
    errno.EISDIR: "not a serial port; give the device of the brick's cable",
}


def _explain(error: Exception) -> str:
    number = getattr(error, "errno", None)
    if number is None and error.__context__ is not None:  # pyserial wraps OSError and termios.error without the number
        number = next(iter(error.__context__.args), None)
    if number in _REMEDIES:
        return _REMEDIES[number]
    for sign, remedy in _SIGNS.items():
        if sign in str(error):
            return remedy
    if isinstance(error, ValueError):
        return f"not a port that can be opened ({error}); check its name and the baud rate"
    return f"cannot be opened ({error}); check cable, name and baud rate"


_SIGNS = {  # what pyserial says in words alone
    "support RFC2217": "answers, but is no RFC 2217 server; for a plain TCP port write socket://host:port",
    "exclusively lock": _REMEDIES[errno.EBUSY],
    "timed out": _UNREACHED,
    "[Errno -": "its host's name is not known here; check the spelling, or give its number",
}
