"""What a behaviour holds in its hands: the latest sample, the body's measures, the actuators, and a voice.

Rules:
- One owner an actuator a tick: two behaviours that command the same actuator in one tick is an error that names
  both. A behaviour that waits for the one it started does not count.
- A track speed lasts as long as the behaviour that set it; when it ends and nobody else takes over in the same
  tick, the tracks stop. Gripper and sorter hold their place.
- No number that is not finite leaves; a speed or angle beyond the rig's limits is cut to the limit, and counted.
- Behaviours see this class and never a driver, port, clock or file.
"""

import sys

from robotcore.command import AT_REST, Command
from robotcore.errors import CommandError, OwnershipError
from robotcore.kernel import Kernel, Task
from robotcore.log import Decision, Fault, Log
from robotcore.readings import Sample
from robotcore.rig import Body, Mount, Rig

_new = tuple.__new__


class Robot:
    """The robot as behaviours know it.

    Args:
        rig: the robot as built.
        kernel: tells which behaviour is running.
        log: where decisions and faults go.

    """

    sample: Sample  #: the readings of this tick

    def __init__(self, rig: Rig, kernel: Kernel, log: Log) -> None:
        self._rig = rig
        self._kernel = kernel
        self._log = log
        self._left = self._right = 0.0
        self._angles = [0.0, 0.0]
        self._drive_owner: Task | None = None
        self._drive_tick = -1
        self._angle_owners: list[Task | None] = [None, None]
        self._angle_ticks = [-1, -1]
        self._limit = rig.body.max_speed_m_s
        self._angle_limits = [_angle_limits(rig, "gripper"), _angle_limits(rig, "sorter")]
        self.clipped = 0

    @property
    def body(self) -> Body:
        """The body's measures, in metres."""
        return self._rig.body

    @property
    def period_s(self) -> float:
        """The length of a tick in seconds."""
        return self._rig.period_s

    def has(self, role: str) -> bool:
        """Tell whether the rig fills a role."""
        return self._rig.role(role) is not None

    def mount(self, role: str) -> Mount:
        """Return where the device in a role sits on the body."""
        return self._rig.mount(role)

    def drive(self, left_m_s: float, right_m_s: float) -> None:
        """Set the track speeds, in metres a second; forward is positive."""
        task = self._kernel.current
        if self._drive_owner is not task:
            self._check_owner("drive", self._drive_owner, self._drive_tick)
            self._drive_owner = task
        self._drive_tick = self._kernel.tick
        self._left = left_m_s
        self._right = right_m_s

    def stand(self) -> None:
        """Stop the tracks."""
        self.drive(0.0, 0.0)

    def gripper(self, angle_rad: float) -> None:
        """Set the gripper motor's angle."""
        self._set_angle(0, "gripper", angle_rad)

    def sorter(self, angle_rad: float) -> None:
        """Set the sorter motor's angle."""
        self._set_angle(1, "sorter", angle_rad)

    def decide(self, name: str, **fields: str | int | float | bool) -> None:
        """Say a decision out loud: it goes into the recording, with the behaviour and the line that decided."""
        frame = sys._getframe(1)
        code = frame.f_code
        place = f"{'/'.join(code.co_filename.replace(chr(92), '/').rsplit('/', 2)[-2:])}:{frame.f_lineno}"
        for key, value in fields.items():
            if isinstance(value, float) and value - value != 0.0:
                fields[key] = repr(value)  # a recording holds finite numbers; saying "nan" must not end a run
        sample = self.sample
        self._log.add(Decision(sample.tick, sample.time_s, code.co_name, name, fields, place))

    def fault(self, kind: str, detail: str = "") -> None:
        """Report something that went wrong but that the behaviour can live with."""
        sample = self.sample
        behaviour = sys._getframe(1).f_code.co_name
        self._log.add(Fault(sample.tick, sample.time_s, kind, detail, behaviour))

    def collect(self) -> Command:
        """Return this tick's command; the runtime calls it once all behaviours have run.

        Raises:
            CommandError: a set-point is not a finite number.

        """
        owner = self._drive_owner
        if owner is None or not owner.alive:
            self._left = self._right = 0.0
            self._drive_owner = None
        left, right, limit = self._left, self._right, self._limit
        if not (-limit <= left <= limit and -limit <= right <= limit):
            left, right = self._clip("drive", left, -limit, limit), self._clip("drive", right, -limit, limit)
        gripper, sorter = self._angles
        return _new(Command, (left, right, gripper, sorter))

    def _set_angle(self, index: int, actuator: str, angle_rad: float) -> None:
        task = self._kernel.current
        if self._angle_owners[index] is not task:
            self._check_owner(actuator, self._angle_owners[index], self._angle_ticks[index])
            self._angle_owners[index] = task
        self._angle_ticks[index] = self._kernel.tick
        low, high = self._angle_limits[index]
        if not low <= angle_rad <= high:
            angle_rad = self._clip(actuator, angle_rad, low, high)
        self._angles[index] = angle_rad

    def _check_owner(self, actuator: str, owner: Task | None, tick: int) -> None:
        """Refuse a second owner in one tick; whoever waits for the running behaviour has let go."""
        if owner is None or not owner.alive or tick != self._kernel.tick:
            return
        current = self._kernel.current
        above = current
        while above is not None:
            if above is owner:
                return
            above = above.parent
        name = current.name if current is not None else "code outside a behaviour"
        raise OwnershipError(
            f"{name} and {owner.name} both command the {actuator} in tick {tick}; let only one of them do so"
        )

    def _clip(self, actuator: str, value: float, low: float, high: float) -> float:
        if value - value != 0.0:
            owner = self._drive_owner if actuator == "drive" else self._kernel.current
            name = owner.name if owner is not None else "?"
            raise CommandError(f"{name} commands {value} to the {actuator}; check that the readings it used were valid")
        clipped = min(max(value, low), high)
        if clipped != value:
            self.clipped += 1
        return clipped


def _angle_limits(rig: Rig, role: str) -> tuple[float, float]:
    fitted = rig.role(role)
    return (AT_REST.gripper_rad,) * 2 if fitted is None else (fitted.device.lowest_rad, fitted.device.highest_rad)
