"""A brick, a wire and a host in memory, on a clock that only moves when told: tests of the link that never sleep."""

from collections.abc import Callable
from typing import Protocol

from drivers.agent.brick_agent import Agent
from drivers.agent.fake_world import FakeWorld
from drivers.agent.line import Line, LineFaults
from drivers.agent.stand_in import Powers, WorldPort
from drivers.devices import find_built_in
from drivers.fake.backend import build
from drivers.serial_brick import SerialBrick
from drivers.wire import Wire
from robotcore.backend import parse_address
from robotcore.command import Command
from robotcore.rig import Rig, parse_rig

RIG_TEXT = """
[rig]
name = "bench"
period_ms = 10
dead_man_ms = 200
on_lost_link = "{on_lost_link}"
[body]
track_width_mm = 140
wheel_radius_mm = 20
front_mm = 100
rear_mm = 100
width_mm = 170
max_speed_mm_s = 300
[[device]]
role = "floor_left"
driver = "rgb10"
port = "colour-1"
[[device]]
role = "floor_right"
driver = "rgb10"
port = "colour-2"
[[device]]
role = "drive"
driver = "tracks"
port = "tracks"
options = {{ counts_per_turn = 360, full_speed_rad_s = 18, dead_band = 40, motor_ms = 80 }}
[[device]]
role = "gripper"
driver = "positioner"
port = "gripper"
[[device]]
role = "battery"
driver = "battery_mv"
port = "cell"
"""
PERFECT = LineFaults()
STEP_S = 0.0005  #: how often the agent's loop runs
DRIVE_ON = Command(0.1, 0.1, 0.0, 0.0)


def bench_rig(on_lost_link: str = "wait", extra: str = "") -> Rig:
    return parse_rig(RIG_TEXT.format(on_lost_link=on_lost_link) + extra, "bench.toml", find_built_in)


class Roller:
    """A world: two tracks that follow their power at once, a gripper likewise, steady colours."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.at = [0.0, 0.0, 0.0]
        self.ticks = 0

    def look(self) -> tuple[int, ...]:
        return self.step((0, 0, 0, 0), False)

    def step(self, powers: Powers, driven: bool) -> tuple[int, ...]:
        self.ticks += 1
        for i in range(3):
            self.at[i] += powers[i] * 0.01
        row = [0] * len(self.rig.layout.columns)
        slots = self.rig.layout.slots
        for role, counts in (
            ("floor_left", (900, 901, 902)),
            ("floor_right", (self.ticks % 1000, 911, 912)),
            ("drive", (int(self.at[0]), int(self.at[1]))),
            ("gripper", (int(self.at[2]),)),
            ("battery", (7400,)),
        ):
            slot = slots[role]
            row[slot.start : slot.stop] = counts
        row[slots["battery"].age] = 0xFFFF if self.ticks % 10 else 3
        return tuple(row)


class Wires:
    """Both directions of the line, through whatever spoils them."""

    def __init__(self, bench: "Bench", faults: LineFaults, seed: int) -> None:
        self.bench = bench
        self.down = Line(faults, 2 * seed)  # host to brick
        self.up = Line(faults, 2 * seed + 1)
        self.to_brick = bytearray()
        self.to_host = bytearray()

    def read_bytes(self, limit: int) -> bytes:
        self.to_brick += self.down.carry(b"", self.bench.now_s)
        data = bytes(self.to_brick[:limit])
        del self.to_brick[:limit]
        return data

    def write_bytes(self, data: bytes) -> int:
        self.to_host += self.up.carry(data, self.bench.now_s)
        return len(data)


class MemoryWire:
    """The host's end. `read` with a wait lets the bench's time pass."""

    def __init__(self, bench: "Bench", wait_s: float) -> None:
        self.bench = bench
        self.wait_s = wait_s
        self.closed = False

    def read(self, wait_s: float) -> bytes:
        self._check()
        wires = self.bench.wires
        wires.to_host += wires.up.carry(b"", self.bench.now_s)
        until_s = self.bench.now_s + min(wait_s, self.wait_s)
        while not wires.to_host and self.bench.now_s < until_s - 1e-9:
            self.bench.run(STEP_S)
            wires.to_host += wires.up.carry(b"", self.bench.now_s)
            self._check()
        data = bytes(wires.to_host)
        wires.to_host.clear()
        return data

    def write(self, data: bytes) -> None:
        self._check()
        self.bench.wires.to_brick += self.bench.wires.down.carry(data, self.bench.now_s)

    def close(self) -> None:
        self.closed = True

    def _check(self) -> None:
        if self.bench.unplugged:
            raise OSError(5, "Input/output error")


class FarEnd(Protocol):
    """The brick's side of a real line."""

    def take(self, count: int) -> bytes: ...  # waits for so many bytes of the host

    def give(self, data: bytes) -> None: ...  # sends to the host


class PumpedWire:
    """A real wire with the bench's agent at its far end, which runs whenever the host reads: no clock is needed."""

    def __init__(self, bench: "Bench", wire: Wire, far: FarEnd) -> None:
        self.bench = bench
        self.wire = wire
        self.far = far
        self.close = wire.close

    def write(self, data: bytes) -> None:
        self.wire.write(data)
        self.bench.wires.to_brick += self.far.take(len(data))

    def read(self, wait_s: float) -> bytes:
        self.bench.run(0.001)
        if not self.bench.wires.to_host:
            return b""
        data = bytes(self.bench.wires.to_host)
        self.bench.wires.to_host.clear()
        self.far.give(data)
        return self.wire.read(60.0)


class Bench:
    """The whole set-up."""

    def __init__(
        self, rig: Rig | None = None, faults: LineFaults = PERFECT, seed: int = 1, brick_rig: Rig | None = None
    ) -> None:
        self.rig = rig or bench_rig()
        self.brick_rig = brick_rig or self.rig
        self.now_s = 5.0
        self.unplugged = False
        self.agent_alive = True
        self.wires = Wires(self, faults, seed)
        self.moving: list[tuple[float, float]] = []  #: (time, time of the last act accepted) whenever a motor has power
        self.opened = 0
        self.restart_agent()

    def restart_agent(self) -> None:
        self.port = WorldPort(self.brick_rig, Roller(self.brick_rig), self.wires, lambda: self.now_s)
        self.agent = Agent(self.port)
        self.agent_alive = True

    def run(self, seconds: float, each: Callable[[], None] | None = None) -> None:
        for _ in range(max(1, round(seconds / STEP_S))):
            self.now_s += STEP_S
            if self.agent_alive:
                self.agent.step()
            else:
                self.wires.to_brick.clear()
            if any(self.port.powers):
                acted_s = self.now_s - ((self.agent._clock - self.agent._acted) & 0xFFFFFFFF) * 1e-6
                self.moving.append((self.now_s, acted_s))
            if each:
                each()

    def open_wire(self, url: str, baud: int, wait_s: float) -> MemoryWire:
        if self.unplugged:
            raise OSError(2, "No such file")
        self.opened += 1
        return MemoryWire(self, wait_s)

    def backend(self, url: str = "/dev/bench", patience_s: float = 1.0) -> SerialBrick:
        return SerialBrick(
            url,
            self.rig,
            patience_s=patience_s,
            clock=lambda: self.now_s,
            sleep=self.run,
            opener=self.open_wire,
            background=lambda work: work(),
        )

    def drive(self, backend: SerialBrick, seconds: float, command: Command = DRIVE_ON) -> int:
        """Run the loop as the runtime does; return the ticks that had a sample."""
        ticks = round(seconds / self.rig.period_s)
        sampled = 0
        start_s = self.now_s
        for tick in range(ticks):
            row = backend.sense(tick)
            if row is not None:
                sampled += 1
                backend.act(command)
            while self.now_s < start_s + (tick + 1) * self.rig.period_s - 1e-9:
                self.run(STEP_S)
        return sampled

    def longest_after_act_s(self) -> float:
        """Return the longest time that a motor had power after the act message that allowed it."""
        return max((now_s - acted_s for now_s, acted_s in self.moving), default=0.0)


class FakeBench(Bench):
    """The set-up with the fake robot behind the brick: `url` as for the backend ``fake:``."""

    def __init__(self, rig: Rig, url: str) -> None:
        self.url = url
        super().__init__(rig)

    def restart_agent(self) -> None:
        fake = build(parse_address(self.url), self.brick_rig)
        self.port = WorldPort(self.brick_rig, FakeWorld(fake), self.wires, lambda: self.now_s)
        self.agent = Agent(self.port)
        self.agent_alive = True
