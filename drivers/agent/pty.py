"""A stand-in brick as a process of its own: the agent on a pseudo-terminal, the fake robot behind it, in real time.

    python -m drivers.agent.pty --course quay --seed 3 --rig harbour --link /tmp/brick
    robotcore run serial:/tmp/brick ...

It prints the name of its port and runs until it is ended. With `--link` the port has a name that stays the same, so
that it can be ended and started anew under a host, as a pulled cable or a brick that restarts. Its start button is
pressed at the first rows, and at each Enter in its terminal; for another run from the start it is started anew. The
wire can be made as bad as wanted; everything drawn is seeded.
"""

import argparse
import errno
import itertools
import math
import os
import pty
import select
import signal
import sys
import time
import tty
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from drivers.agent.brick_agent import Agent
from drivers.agent.fake_world import FakeWorld
from drivers.agent.line import Line, LineFaults
from drivers.agent.stand_in import WorldPort
from drivers.devices import find_built_in
from drivers.fake.backend import FakeBackend, build
from robotcore.backend import parse_address
from robotcore.errors import UserError
from robotcore.rig import Rig, load_rig

POLL_S = 0.0005
TERMINAL, LOOK_TURNS = 0, 100  #: where Enter is hit, and how often that is looked at


class PtyPipe:
    """The master's end of a pseudo-terminal, through whatever spoils the line."""

    def __init__(self, master: int, faults: LineFaults, seed: int) -> None:
        self._master = master
        self._down, self._up = Line(faults, 2 * seed), Line(faults, 2 * seed + 1)
        self._in, self._out = b"", b""
        os.set_blocking(master, False)

    def read_bytes(self, limit: int) -> bytes:
        """Return what the host has sent, at most `limit` bytes."""
        try:
            heard = os.read(self._master, 4096)
        except BlockingIOError:
            heard = b""
        except OSError as error:
            if error.errno != errno.EIO:  # EIO: nobody has the other end open
                raise
            heard = b""
        self._in += self._down.carry(heard, time.monotonic())
        data, self._in = self._in[:limit], self._in[limit:]
        return data

    def write_bytes(self, data: bytes) -> int:
        """Send; a full line takes nothing."""
        self._out += self._up.carry(b"", time.monotonic())
        if self._out and not self._push():
            return 0
        self._out += self._up.carry(data, time.monotonic())
        self._push()
        return len(data)

    def _push(self) -> bool:
        try:
            self._out = self._out[os.write(self._master, self._out) :]
        except OSError as error:
            if error.errno not in (errno.EAGAIN, errno.EIO):
                raise
        return not self._out


def main(words: Sequence[str] | None = None) -> int:
    """Run the stand-in until SIGTERM or Ctrl-C."""
    try:
        args = _parser().parse_args(words)
        rig = _rig(args.rig)
        fake = build(parse_address(f"fake:{args.course}?seed={args.seed}{_more(args.world)}"), rig)
    except UserError as error:
        print(error, file=sys.stderr)
        return 2
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    master, slave = pty.openpty()
    tty.setraw(slave)
    name = os.ttyname(slave)
    try:
        if args.link is not None:
            _point(args.link, name)
        _serve(args, rig, fake, master, name)
    except UserError as error:
        print(error, file=sys.stderr)
        return 2
    except KeyboardInterrupt:
        return 0
    finally:
        if args.link is not None and args.link.is_symlink() and os.readlink(args.link) == name:
            args.link.unlink()  # not where another stand-in has taken the name over
    return 0


def _point(link: Path, name: str) -> None:
    """Make a link of that name; a file or folder that is there is somebody's, and stays."""
    try:
        if link.is_symlink():
            link.unlink()
        link.symlink_to(name)
    except FileExistsError:
        raise UserError(f"--link {link}: is there already, and no link; give another name") from None
    except OSError as error:
        raise UserError(f"--link {link}: cannot be made ({error.strerror}); choose another folder") from None


def _serve(args: argparse.Namespace, rig: Rig, fake: FakeBackend, master: int, name: str) -> None:
    faults = LineFaults(args.bit_errors, args.drops, args.duplicates, args.stall_every)
    world = FakeWorld(fake)
    port = WorldPort(rig, world, PtyPipe(master, faults, args.line_seed), time.monotonic)
    agent = Agent(port)
    print(name, flush=True)
    print(_greeting(args.link or name), file=sys.stderr, flush=True)
    try:
        for turn in itertools.count():
            agent.step()
            select.select([master], [], [], POLL_S)
            if turn % LOOK_TURNS == 0 and entered(TERMINAL):
                world.press()
    finally:
        for motor in range(4):
            port.release(motor)
        print(_summary(agent, fake), file=sys.stderr, flush=True)


def _greeting(port: Path | str) -> str:
    return (
        f"brick: a stand-in; in another terminal: robotcore run serial:{port}\n"
        f"brick: its start button is pressed at the first rows; Enter presses it again, where the robot stands then\n"
        f"brick: Ctrl-C ends it; for another run from the start, start it anew"
    )


def entered(terminal: int) -> bool:
    """Tell whether Enter was hit in a terminal; never from the background, where reading would stop us."""
    try:
        if os.tcgetpgrp(terminal) != os.getpgrp() or not select.select([terminal], [], [], 0.0)[0]:
            return False
        return bool(os.read(terminal, 256))
    except OSError:  # no terminal
        return False


def _summary(agent: Agent, fake: FakeBackend) -> str:
    counts = ("accepted", "damaged", "lost", "late", "repeated", "trips", "skipped")
    x, y, _ = fake.truth()
    told = ", ".join(f"{count} {getattr(agent, count)}" for count in counts)
    return f"brick: {told}; the robot stands at {x:.3f} m, {y:.3f} m"


def _rig(name: str) -> Rig:
    path = Path(name) if name.endswith(".toml") else Path(__file__).parents[1] / "rigs" / f"{name}.toml"
    return load_rig(path, find_built_in)


def _more(options: str) -> str:
    return f"&{options}" if options else ""


class _Words(argparse.ArgumentParser):
    """Its errors are one line, as everywhere."""

    def error(self, message: str) -> NoReturn:
        raise UserError(f"{self.prog}: {message}; see --help")


def _number(text: str, below: float, what: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not 0.0 <= value < below:
        raise argparse.ArgumentTypeError(f"{text!r} is not {what}")
    return value


def _chance(text: str) -> float:
    return _number(text, 1.0, "a probability from 0 to below 1")


def _seconds(text: str) -> float:
    return _number(text, 1e6, "a number of seconds, 0 for never")


def _whole(text: str) -> int:
    return int(_number(text, 2.0**53, "a whole number of 0 or more"))


def _parser() -> argparse.ArgumentParser:
    words = _Words(prog="python -m drivers.agent.pty", description=__doc__.split("\n", 1)[0])
    words.add_argument("--course", default="quay", help="a course of the fake robot (quay)")
    words.add_argument("--seed", type=_whole, default=0, help="of the fake robot (0)")
    words.add_argument("--world", default="", metavar="KEY=VALUE&...", help="more options of the fake robot")
    words.add_argument("--rig", default="harbour", help="a shipped rig or a .toml file (harbour)")
    words.add_argument("--link", type=Path, help="make a symbolic link of this name to the port")
    words.add_argument("--bit-errors", type=_chance, default=0.0, help="probability that a bit is wrong")
    words.add_argument("--drops", type=_chance, default=0.0, help="probability that a byte is lost")
    words.add_argument("--duplicates", type=_chance, default=0.0, help="probability that a byte comes twice")
    words.add_argument("--stall-every", type=_seconds, default=0.0, metavar="S", help="mean seconds between stalls")
    words.add_argument("--line-seed", type=_whole, default=1, help="of the bad wire (1)")
    return words


if __name__ == "__main__":
    sys.exit(main())
