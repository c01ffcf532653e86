"""Dropping on the whole fake robot: what is in a hold gets out into the berth, and all of it."""

import pytest

from behaviours.zone.deposit import Visit, drop
from behaviours.zone.scene import Zone
from drivers.fake.zone.things import LEFT
from tests.zone_kit import hand_on, zone_text
from tests.zone_runner import Place, let

pytestmark = pytest.mark.slow

LEE = 3  #: the corner between right and far wall: south-east
LOADS = [["silver"], ["silver"] * 3, ["kit"] * 3, ["kit", "silver"] * 2]


@pytest.mark.parametrize("kinds", LOADS, ids="-".join)
@pytest.mark.parametrize(("seed", "farther_m"), [(1, 0.012), (4, 0.008), (3, 0.0), (2, -0.012)])
def test_all_that_is_in_a_hold_gets_out_into_the_berth(tmp_path, kinds, seed, farther_m):
    """Behind the flap lie those that came before: the next have no room at first.

    The corner's walls are so much farther than the chart says.
    """
    text = zone_text(*((kind, [650 + 60 * i, 800]) for i, kind in enumerate(kinds)))
    hand = hand_on(tmp_path, text, f"seed={seed}").go(0.1).put(1.3, 0.6, -10.0)
    things = hand.yard.things[: len(kinds)]
    assert hand.yard.sorter is not None
    for thing in things:
        thing.place = thing.hold = LEFT
        hand.yard.sorter.holds[LEFT].append(thing)

    async def run(z: Zone) -> bool:
        return await drop(z, Visit("left", "yellow", len(kinds)), LEE)

    zone, done = let(hand, Place(walls=(1.2 - farther_m, 0.55, 0.0, 0.35 - farther_m)), run, *kinds)
    assert hand.robot.judge is not None
    fates = {fate.name: fate for fate in hand.robot.judge.verdict().zone.objects}
    assert done
    assert [fates[thing.name].dropped for thing in things] == ["lee"] * len(kinds)
    assert (zone.load.holds["left"], zone.load.dropped) == ([], len(kinds))
    assert abs(hand.robot.world.joints["sorter"].angle) < 0.05  # and the hold is shut behind them
