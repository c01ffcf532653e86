"""Template of a port: everything that the brick agent asks of your board. Copy it, rename it, fill it in.

Rules: no function waits. Each is called from the agent's loop; what takes longer than a millisecond (a range sensor's
echo, a slow bus) is started in one call and fetched in a later one, and the age says how old the value is. An
exception is allowed: the agent releases all motors, tells the host, and waits for a new greeting.

Test each function by itself, tracks off the ground, before the agent runs for the first time. The same subset of
Python as brick_agent.py: this file runs on MicroPython too.
"""


class Port:
    """Your board. Everything in capitals is read once a handshake; the rest is called in every step."""

    #: How the brick calls itself in reports; any text up to 200 bytes.
    NAME = "our brick"

    #: Where `ticks_us` wraps: 2**30 for MicroPython's time.ticks_us(), 2**32 for a 32-bit counter.
    TICKS_PERIOD = 2**30

    #: One entry a device: (name, driver, samples a second, channels). `name` is the `port` that the rig file gives the
    #: device, or its role. `driver` is the rig's driver name ("" = not checked). Each channel is (name, code, unit),
    #: exactly as the driver lists them; code is B, H, h, i or I (8, 16, signed 16, signed 32, 32 bits).
    DEVICES = (
        ("in1", "", 100, (("red", "H", "counts"), ("green", "H", "counts"), ("blue", "H", "counts"))),
        ("out", "", 100, (("left", "i", "counts"), ("right", "i", "counts"))),
        ("button", "", 100, (("pressed", "B", "0 or 1"),)),
        ("cell", "", 10, (("voltage", "H", "mV"),)),
    )

    def ticks_us(self) -> int:
        """Return microseconds from a clock that never jumps back except by wrapping at `TICKS_PERIOD`."""
        raise NotImplementedError("ticks_us: return time.ticks_us()")

    def read_bytes(self, limit: int) -> bytes:
        """Return what the serial line has received, at most `limit` bytes, b"" if nothing. Never wait."""
        raise NotImplementedError("read_bytes: return uart.read(min(limit, uart.any())) or b''")

    def write_bytes(self, data: bytes) -> int:
        """Give bytes to the serial line; return how many it took (0 if its buffer is full). Never wait."""
        raise NotImplementedError("write_bytes: return uart.write(data) or 0")

    def read_counts(self, number: int, counts: "list[int]") -> int:
        """Write the newest raw counts of device `number` (its place in `DEVICES`) into the list `counts`.

        Returns:
            The reading's age in microseconds, or -1 where there is no reading. Never invent one.
            Encoders count from power-on and are never reset. A button is a count of 0 or 1.

        """
        raise NotImplementedError("read_counts: fill counts[0], counts[1], ... and return the age")

    def set_power(self, motor: int, per_mille: int) -> None:
        """Power a motor: 0 left track, 1 right track, 2 gripper, 3 sorter; -1000 to 1000.

        Positive drives forward, closes the gripper, turns the sorter left. 0 must brake if the board can (both ends
        of the winding joined), and must not merely let go. A motor that you do not have: do nothing.
        """
        raise NotImplementedError("set_power: set direction and duty cycle")

    def release(self, motor: int) -> None:
        """Take all power off a motor, so that it coasts. Called first of all at start: it must always work."""
        raise NotImplementedError("release: duty cycle 0, bridge off")
