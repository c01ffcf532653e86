"""The fake robot as the world behind a stand-in brick: it gets power, not set-points, as a real one does.

Rule: a period here is a tick of the fake, so that a host in time makes the same run as the backend ``fake:`` does.
"""

from collections.abc import Sequence

from drivers.agent.stand_in import Powers
from drivers.fake.backend import FakeBackend
from drivers.fake.operator import PRESS_S


class FakeWorld:
    """The fake robot, a period at a time, under raw power."""

    def __init__(self, fake: FakeBackend) -> None:
        self._fake = fake
        self._world = fake.world
        self._joints = [fake.world.joints.get("gripper"), fake.world.joints.get("sorter")]
        self._tick = 0
        self._first = fake.sense(0)  # whatever is worked out at the first look must not make the first row late

    def press(self) -> None:
        """Press the start button for a moment, from now on."""
        now_s = self._world.truth.time_s
        self._world.presses.append((now_s, now_s + PRESS_S))

    def look(self) -> Sequence[int]:
        """Return the row at the start."""
        return self._first

    def step(self, powers: Powers, driven: bool) -> Sequence[int]:
        """Go on by one period; return the row."""
        world = self._world
        self._tick += 1
        if driven:
            world.power(powers[0], powers[1])
        else:
            world.halt(brake=False, hold=False)
        for joint, power in zip(self._joints, powers[2:], strict=True):
            if joint is not None:
                joint.power = power
        return self._fake.sense(self._tick)
