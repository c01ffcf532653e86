"""What became of the zone in a run, from the truth alone: objects, floor swept, walls touched, way in and out.

Rules: an object belongs in the berth that takes its kind, and is right where its middle lies in it on the floor;
whether it was carried or pushed there shows in `collected` and `hold`.
"""

from collections.abc import Iterable, Sequence

from attrs import frozen

from drivers.fake.zone.coverage import Cells, Pose, off_berths, reachable, swept
from drivers.fake.zone.layout import Zone
from drivers.fake.zone.things import FLOOR, Thing
from drivers.fake.zone.yard import Yard

OUTSIDE = "outside"


@frozen
class Fate:
    """What became of one object.

    `place` is where it is: a berth's name, "floor", "outside" (rolled out of the zone), "jaws", "left hold" or "right
    hold". `hold` is the hold it was last sorted into, "" for none; `dropped` where it lies after it slid out of a hold,
    "" before. `lost` counts falls from the jaws.
    """

    name: str
    kind: str
    place: str
    collected: bool
    hold: str
    dropped: str
    lost: int
    moved: bool
    right: bool
    wrong: bool  #: lies in a berth for other kinds


@frozen
class ZoneVerdict:
    """What became of the zone.

    `coverage` is the share of the reachable floor that the collector passed over, `coverage_off_berths` that of the
    floor outside the berths. Times are in seconds, None for never.
    """

    entered_s: float | None
    left_s: float | None
    objects: tuple[Fate, ...]
    coverage: float
    coverage_off_berths: float
    wall_touches: int

    @property
    def wrong_drops(self) -> int:
        """Return how many objects lie in berths of other kinds."""
        return sum(fate.wrong for fate in self.objects)

    @property
    def complete(self) -> bool:
        """Tell whether every object lies in its berth."""
        return all(fate.right for fate in self.objects)

    def lines(self) -> list[str]:
        """Return it in a few lines for people."""
        right = sum(fate.right for fate in self.objects)
        times = [
            "never entered" if self.entered_s is None else f"entered at {self.entered_s:.1f} s",
            "never left by the exit" if self.left_s is None else f"left at {self.left_s:.1f} s",
        ]
        where = ", ".join(f"{fate.name} {fate.place}" for fate in self.objects)
        return [
            f"zone: {', '.join(times)}, {100 * self.coverage:.0f} % of its floor swept, "
            f"walls touched {self.wall_touches} times",
            f"zone: {right} of {len(self.objects)} objects in their berths ({where})",
        ]


def score_zone(
    zone: Zone, yard: Yard | None, poses: Iterable[Pose], times: tuple[float | None, float | None], touches: int
) -> ZoneVerdict:
    """Return what became of the zone.

    Args:
        zone: the zone.
        yard: its objects as they are now; None where nobody kept them.
        poses: axle's middle x, y, heading over the run.
        times: when the robot came in, and when it left by the exit.
        touches: contacts with the zone's walls.

    """
    things: Sequence[Thing] = () if yard is None else yard.things
    released = set() if yard is None else {entry.name for entry in yard.diary.entries if entry.what == "released"}
    fates = tuple(_fate(zone, thing, thing.name in released) for thing in things)
    if yard is None:
        return ZoneVerdict(*times, fates, 0.0, 0.0, touches)
    can, done = reachable(zone, yard.body), swept(zone, yard.body, poses)
    off = can & off_berths(zone)
    return ZoneVerdict(*times, fates, _share(done, can), _share(done, off), touches)


def _share(done: Cells, of: Cells) -> float:
    return float((done & of).sum() / of.sum())


def _fate(zone: Zone, thing: Thing, released: bool) -> Fate:
    place, right, wrong = thing.place, False, False
    if place == FLOOR:
        berth = next((berth for berth in zone.berths if berth.holds(thing.x, thing.y)), None)
        if berth is not None:
            place, right = berth.name, thing.make.kind in berth.kinds
            wrong = not right
        elif not zone.inside(thing.x, thing.y):
            place = OUTSIDE
    dropped = place if released and thing.place == FLOOR else ""
    return Fate(
        thing.name, thing.make.kind, place, bool(thing.hold), thing.hold, dropped, thing.lost, thing.moved, right, wrong
    )
