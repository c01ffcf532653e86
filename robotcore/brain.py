"""One tick of thinking: a raw row in, a command out. The same for the brick, the fake robot and a replay.

Rule: nothing here senses, acts, paces or records; whoever holds a `Brain` does. That is why a replay runs everything
but the wire.
"""

from collections.abc import Callable, Sequence
from typing import Any

from robotcore.calibration import Calibration
from robotcore.command import Command
from robotcore.decode import Decoder
from robotcore.kernel import Kernel, Observer
from robotcore.log import Log
from robotcore.mission import Mission
from robotcore.readings import Sample
from robotcore.rig import Rig
from robotcore.robot import Robot


class Brain:
    """Decoder, kernel and mission of one run.

    Args:
        rig: the robot as built.
        calibration: references of its colour sensors.
        mission: what to do.
        settings: an instance of the mission's settings class.
        log: where decisions and faults go.
        observers: see `robotcore.kernel.Observer`.
        timing: a nanosecond clock, where the time of each behaviour is to be kept.
        shuffle_seed: runs behaviours of a tick in a shuffled order, for tests only.

    """

    def __init__(
        self,
        rig: Rig,
        calibration: Calibration,
        mission: Mission,
        settings: Any,
        log: Log,
        *,
        observers: Sequence[Observer] = (),
        timing: Callable[[], int] | None = None,
        shuffle_seed: int | None = None,
    ) -> None:
        self.kernel = Kernel(rig.period_s, observers=observers, timing=timing, shuffle_seed=shuffle_seed)
        self.robot = Robot(rig, self.kernel, log)
        self.done = False
        self._decode: Callable[[int, Any], Sample] = Decoder(rig, calibration).sample
        self._mission = mission
        self._settings = settings

    def step(self, tick: int, raw: tuple[Any, ...]) -> Command:
        """Run one tick. Tick numbers rise, and may jump; `done` tells when the mission has ended.

        Raises:
            Exception: whatever a behaviour raised; nothing may be sent but a stop after that.

        """
        robot, kernel = self.robot, self.kernel
        robot.sample = sample = self._decode(tick, raw)
        if kernel.main is None:
            kernel.spawn(self._mission.run(robot, self._settings), self._mission.name)
        if not kernel.step(tick, sample):
            self.done = True
        return robot.collect()

    def take_samples(self) -> None:
        """From now on `step` gets samples in place of raw rows: of a replay that has decoded them all beforehand."""
        self._decode = _as_it_is

    def close(self) -> None:
        """End every behaviour that still runs; their clean-ups run."""
        self.kernel.close()


def _as_it_is(tick: int, sample: Any) -> Any:
    return sample
