"""What chance does in a zone: where objects lie, how they roll, and how often gripper and sorter fail.

Rules: a generator of its own, seeded with the run's seed, so that nothing here changes a draw of
`drivers.fake.perturbations`; every value is drawn in a fixed order and sized afterwards.

| name | what it changes | at size 1 |
| --- | --- | --- |
| placement | where an object with a place of its own lies, along x and y | +-20 mm |
| friction | rolling and sliding resistance; restitution of every contact | +-30 %; +-20 % |
| grip | an object slips in a lift; is shaken off by a touch; jams the sorter | 2 %; 10 %; 4 % |

Objects that lie "random" are placed by the seed alone, whatever the sizes.
"""

import random
from collections.abc import Mapping

from attrs import frozen

from drivers.fake.perturbations import read_size

ZONE_NAMES = ("placement", "friction", "grip")
"""The perturbations of a zone."""

JITTER_M, FRICTION, RESTITUTION = 0.020, 0.30, 0.20
SLIP, SHAKE, JAM = 0.02, 0.10, 0.04


@frozen
class Chances:
    """What was drawn for a run, and the seeds for where objects lie and for what happens later."""

    jitter_m: float = 0.0
    friction: float = 1.0
    restitution: float = 1.0
    slip: float = 0.0
    shake: float = 0.0
    jam: float = 0.0
    placing_seed: int = 0
    later_seed: int = 0


def read_zone_sizes(options: Mapping[str, str], url: str) -> dict[str, float]:
    """Return the size of every perturbation of a zone from URL options; see `drivers.fake.perturbations.read_sizes`."""
    base = read_size(options, "perturb", 1.0, url)
    return {name: read_size(options, name, base, url) for name in ZONE_NAMES}


def draw_chances(seed: int, sizes: Mapping[str, float]) -> Chances:
    """Draw what chance does in the zone in one run.

    Args:
        seed: any whole number.
        sizes: size by name, in nominal spreads; a name left out has size 0.

    """
    rng = random.Random(f"zone {seed}")
    friction, restitution = rng.uniform(-1.0, 1.0), rng.uniform(-1.0, 1.0)
    placing_seed, later_seed = rng.getrandbits(64), rng.getrandbits(64)
    rough, grip = sizes.get("friction", 0.0), sizes.get("grip", 0.0)
    return Chances(
        JITTER_M * sizes.get("placement", 0.0),
        max(0.2, 1.0 + FRICTION * rough * friction), max(0.0, 1.0 + RESTITUTION * rough * restitution),
        min(0.9, SLIP * grip), min(0.9, SHAKE * grip), min(0.9, JAM * grip), placing_seed, later_seed,
    )  # fmt: skip
