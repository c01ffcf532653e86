"""A bad wire: bit errors, dropped and doubled bytes, stalls. Seeded, and its time is an argument.

It stands between the agent and the line, in tests and in the stand-in brick (`python -m drivers.agent.pty`).
"""

import math
import random
from typing import NamedTuple


class LineFaults(NamedTuple):
    """How bad the wire is, each way. All zero is a perfect one."""

    bit_errors: float = 0.0  #: probability for each bit
    drops: float = 0.0  #: probability that a byte is lost
    duplicates: float = 0.0  #: probability that a byte comes twice
    stall_every_s: float = 0.0  #: mean time between stalls, 0 for none
    stall_low_s: float = 0.05
    stall_high_s: float = 0.5


class Line:
    """One direction of a wire.

    Args:
        faults: how bad it is.
        seed: of its own generator.

    """

    def __init__(self, faults: LineFaults, seed: int) -> None:
        self._faults = faults
        self._random = random.Random(seed)
        self._held = bytearray()
        self._stalled_until_s = -math.inf
        self._next_stall_s = math.inf
        self._bits_to_error = self._gap()
        self.errors = self.dropped = self.doubled = self.stalls = 0

    def carry(self, data: bytes, now_s: float) -> bytes:
        """Take in `data` at `now_s`; return what comes out at the other end by now."""
        self._held += self._spoil(data)
        if self._stalled(now_s):
            return b""
        out = bytes(self._held)
        self._held.clear()
        return out

    def _stalled(self, now_s: float) -> bool:
        if not self._faults.stall_every_s:
            return False
        if self._next_stall_s == math.inf:
            self._next_stall_s = now_s + self._random.expovariate(1.0 / self._faults.stall_every_s)
        if now_s >= self._next_stall_s and now_s >= self._stalled_until_s:
            length_s = self._random.uniform(self._faults.stall_low_s, self._faults.stall_high_s)
            self._stalled_until_s = now_s + length_s
            self._next_stall_s = self._stalled_until_s + self._random.expovariate(1.0 / self._faults.stall_every_s)
            self.stalls += 1
        return now_s < self._stalled_until_s

    def _gap(self) -> int:
        """Return the number of sound bits before the next wrong one."""
        rate = self._faults.bit_errors
        if not rate:
            return 1 << 62
        return int(math.log(1.0 - self._random.random()) / math.log(1.0 - rate))

    def _spoil(self, data: bytes) -> bytes:
        spoilt = bytearray(data)
        while self._bits_to_error < 8 * len(spoilt):
            spoilt[self._bits_to_error // 8] ^= 1 << self._bits_to_error % 8
            self.errors += 1
            self._bits_to_error += 1 + self._gap()
        self._bits_to_error -= 8 * len(spoilt)
        if self._faults.drops or self._faults.duplicates:
            return self._lose_and_double(spoilt)
        return bytes(spoilt)

    def _lose_and_double(self, data: bytearray) -> bytes:
        out = bytearray()
        for octet in data:
            draw = self._random.random()
            if draw < self._faults.drops:
                self.dropped += 1
                continue
            out.append(octet)
            if draw > 1.0 - self._faults.duplicates:
                self.doubled += 1
                out.append(octet)
        return bytes(out)
