"""Working the route out of what is painted, by the rules of the field.

Rules: follow the line; at a junction go where the markers before it say, straight on where there are none, and back
where they stand on both sides; markers after the junction are decoys; over a gap straight on; the red strip is the end.
Anything that leaves no way, or two, is a fault of the course.
"""

import math
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise

from attrs import define, evolve, field

from drivers.fake.course.geometry import Polyline, inside_convex, into_frame, segment_distance, wrap
from drivers.fake.course.graph import Arm, Net
from drivers.fake.course.route import Route, Spot
from drivers.fake.course.shapes import Bump, Marker, Pose, Ramp, Solid, Strip
from drivers.fake.zone.layout import Zone
from robotcore.checking import Checker

MARKER_REACH_M = 0.06
"""A marker belongs to a junction that is no farther than this from its middle."""

GAP_M = 0.2005
GATE_M, ASIDE_M = 0.080, 0.020
"""The line ends, and begins again, so far outside a zone's opening at most, and so far beside its middle."""

_STEP_M = 0.002
_TURNS = {"left": math.pi / 2, "right": -math.pi / 2, "none": 0.0}
_GO = {"left": "left", "right": "right", "none": "ahead", "both": "back"}


@define
class Scene:
    """What tracing needs to know of a course."""

    start: Pose
    line_width_m: float
    markers: Sequence[Marker]
    strips: Sequence[Strip]
    bumps: Sequence[Bump]
    ramps: Sequence[Ramp]
    obstacles: Sequence[Solid]
    zone: Zone | None = None


@define
class _Trail:
    points: list[tuple[float, float]] = field(factory=list)
    spots: list[Spot] = field(factory=list)
    s: float = 0.0
    zone: tuple[float, float] | None = None

    def extend(self, line: Polyline, low: float, high: float) -> None:
        inner = [point for point, s in zip(line.points, line.s, strict=True) if low < s < high]
        self.points += [line.at(low), *inner, line.at(high)]
        self.s += high - low

    def heading(self) -> float:
        return Polyline(self.points[-40:]).reversed().heading(0.008) + math.pi

    def jump(self, into: Pose, out: Pose, beyond: tuple[float, float]) -> None:
        """Go straight through a zone, from where the trail is over the middles of both openings to `beyond`."""
        way = [self.points[-1], (into.x, into.y), (out.x, out.y), beyond]
        before, through, after = (math.dist(a, b) for a, b in pairwise(way))
        self.points += way[1:3]
        self.zone = self.s + before, self.s + before + through
        self.s += before + through + after


def trace(net: Net, scene: Scene, checker: Checker) -> Route | None:
    """Return the route from the start to the red strip, or note a fault and return None."""
    begun = _begin(net, scene, checker)
    if begun is None:
        return None
    arm, low = begun
    trail = _Trail()
    seen: set[Arm] = set()
    finish = math.inf
    while True:
        line = net.walk(arm)
        finish = min(finish, trail.s - low + _finish(line, low, scene.strips))
        left = finish - trail.s + low
        if left <= line.length or (finish < math.inf and len(net.nodes[net.end(arm)].arms) != 2):
            trail.extend(line, low, min(left, line.length))
            return _complete(trail, scene)
        trail.extend(line, low, line.length)
        if arm in seen:
            checker.fault(
                "course",
                f"the route runs in a circle and comes by {_mm(trail.points[-1])} again; "
                "put a marker at a junction on its way, or a red strip",
            )
            return None
        seen.add(arm)
        onward = _onward(net, arm, trail, scene, checker)
        if onward is None:
            return None
        arm, low = onward, 0.0


def _mm(point: tuple[float, float]) -> str:
    return f"[{point[0] * 1000:.0f}, {point[1] * 1000:.0f}] mm"


def _begin(net: Net, scene: Scene, checker: Checker) -> tuple[Arm, float] | None:
    """Return the arm on which the start lies and how far along it."""
    start, best = scene.start, (math.inf, Arm(0, True), 0.0)
    on_line = False
    for index, edge in enumerate(net.edges):
        if edge.line.nearest(start.x, start.y)[1] > scene.line_width_m / 2:
            continue
        on_line = True
        for forward in (True, False):
            line = edge.line if forward else edge.back
            s, _ = line.nearest(start.x, start.y)
            if line.length - s > 0.005:
                off = abs(wrap(line.heading(s + 0.002) - start.heading))
                best = min(best, (off, Arm(index, forward), s), key=lambda entry: entry[0])
    if not on_line:
        checker.fault("start.at_mm", "is not on a line; put the start on one")
    elif best[0] > math.radians(30):
        checker.fault("start.heading_deg", "does not look along the line there; turn the start to within 30 degrees")
    else:
        return best[1], best[2]
    return None


def _finish(line: Polyline, low: float, strips: Iterable[Strip]) -> float:
    """Return where the middle of the first red strip on this line is (perhaps beyond the line's end), or infinity."""
    middles = [
        span[0] + strip.along_m / 2
        for strip in strips
        if strip.kind == "red"
        for span in spans_inside(line, strip_test(strip), (strip.x, strip.y), strip.across_m, low)[:1]
    ]
    return min(middles, default=math.inf)


def _onward(net: Net, arm: Arm, trail: _Trail, scene: Scene, checker: Checker) -> Arm | None:
    """Return the arm on which the route leaves the node that `arm` leads to."""
    index = net.end(arm)
    arms = net.nodes[index].arms
    came = Arm(arm.edge, not arm.forward)
    others = [other for other in arms if other != came]
    if len(arms) >= 3:
        return _at_junction(net, index, came, trail, scene, checker)
    if not others:
        if scene.zone is not None and trail.zone is None and _at_gate(net, index, trail.heading(), scene.zone):
            return _through_zone(net, trail, scene.zone, checker)
        return _over_gap(net, index, trail, checker)
    bend = wrap(net.leaving(others[0]) - trail.heading())
    if abs(bend) > math.radians(140):
        checker.fault("course", f"the line doubles back at {_mm(trail.points[-1])}; keep corners to 135 degrees")
        return None
    if abs(bend) > math.radians(20):
        x, y = trail.points[-1]
        trail.spots.append(Spot("corner", trail.s, trail.s, x, y, go="left" if bend > 0 else "right"))
    return others[0]


def _at_junction(net: Net, index: int, came: Arm, trail: _Trail, scene: Scene, checker: Checker) -> Arm | None:
    node, heading = net.nodes[index], trail.heading()
    marker, decoy = read_markers(net, index, heading, scene.markers)
    go = _GO[marker]
    trail.spots.append(Spot("junction", trail.s, trail.s, node.x, node.y, marker, decoy, go))
    if marker == "both":
        return came
    wanted = _TURNS[marker]
    offs = sorted((abs(wrap(net.leaving(arm) - heading - wanted)), i) for i, arm in enumerate(node.arms) if arm != came)
    spot = node.x, node.y
    if offs[0][0] > math.radians(60 if wanted else 45):
        lack = f"has no arm to the {marker} that its marker asks for" if wanted else "has no arm straight on"
        remedy = "put a marker before it on the side to turn to"
        checker.fault("course", f"the junction at {_mm(spot)} {lack}; {remedy}", spot)
        return None
    if len(offs) > 1 and offs[1][0] - offs[0][0] < math.radians(15):
        alike = f"has two arms alike to {go}; spread them by 15 degrees"
        checker.fault("course", f"the junction at {_mm(spot)} {alike}", spot)
        return None
    return node.arms[offs[0][1]]


def read_markers(net: Net, index: int, heading: float, markers: Iterable[Marker]) -> tuple[str, str]:
    """Return the sides ("left", "right", "both", "none") with a marker before, and after, a junction so approached."""
    node = net.nodes[index]
    before: set[str] = set()
    after: set[str] = set()
    for marker in markers:
        if junction_of(net, marker) == index:
            along, left = into_frame(marker.x, marker.y, (node.x, node.y), heading)
            (before if along < 0.0 else after).add("left" if left > 0.0 else "right")
    return _sides(before), _sides(after)


def _sides(sides: set[str]) -> str:
    return "both" if len(sides) == 2 else next(iter(sides), "none")


def junction_of(net: Net, marker: Marker) -> int | None:
    """Return the junction that a marker belongs to: the nearest within `MARKER_REACH_M`, or None."""
    near = [
        (math.hypot(node.x - marker.x, node.y - marker.y), index)
        for index, node in enumerate(net.nodes)
        if len(node.arms) >= 3
    ]
    away, index = min(near, default=(math.inf, 0))
    return index if away <= MARKER_REACH_M else None


def _at_gate(net: Net, index: int, heading: float, zone: Zone) -> bool:
    """Tell whether the line ends at the zone's entry."""
    gate, node = zone.gate("silver"), net.nodes[index]
    along, left = into_frame(node.x, node.y, (gate.x, gate.y), gate.heading)
    straight = abs(wrap(heading - gate.heading)) < math.radians(20)
    return -GATE_M <= along <= 0.002 and abs(left) <= ASIDE_M and straight


def _through_zone(net: Net, trail: _Trail, zone: Zone, checker: Checker) -> Arm | None:
    """Return the arm that begins at the zone's exit."""
    gate = zone.gate("green")
    for node in net.nodes:
        along, left = into_frame(node.x, node.y, (gate.x, gate.y), gate.heading)
        if len(node.arms) != 1 or not -0.002 <= along <= GATE_M or abs(left) > ASIDE_M:
            continue
        if abs(wrap(net.leaving(node.arms[0]) - gate.heading)) < math.radians(20):
            trail.jump(zone.gate("silver"), gate, (node.x, node.y))
            return node.arms[0]
    checker.fault(
        zone.opening("green").source,
        "has no line that begins there; start one within "
        f"{1000 * GATE_M:.0f} mm outside the opening's middle at {_mm((gate.x, gate.y))}",
    )
    return None


def _over_gap(net: Net, index: int, trail: _Trail, checker: Checker) -> Arm | None:
    """Return the arm that begins straight ahead beyond a gap."""
    node, heading = net.nodes[index], trail.heading()
    found: tuple[float, Arm] | None = None
    for other in net.nodes:
        along, left = into_frame(other.x, other.y, (node.x, node.y), heading)
        if len(other.arms) != 1 or not 0.0 < along <= GAP_M or abs(left) > 0.01 + 0.05 * along:
            continue
        turned = abs(wrap(net.leaving(other.arms[0]) - heading))
        if turned < math.radians(20) and (found is None or along < found[0]):
            found = along, other.arms[0]
    if found is None:
        checker.fault(
            "course",
            f"the route ends at {_mm((node.x, node.y))} with no red strip and no line straight "
            "ahead within 200 mm; lead the line on, or end it on a red strip",
            (node.x, node.y),
        )
        return None
    trail.spots.append(Spot("gap", trail.s, trail.s + found[0], node.x, node.y))
    trail.s += found[0]
    return found[1]


def _complete(trail: _Trail, scene: Scene) -> Route:
    line = Polyline(trail.points)
    spots = list(trail.spots)
    for i, bump in enumerate(scene.bumps):
        spots += _spots(
            "bump",
            i,
            line,
            bump_test(bump),
            ((bump.ax + bump.bx) / 2, (bump.ay + bump.by) / 2),
            math.hypot(bump.bx - bump.ax, bump.by - bump.ay) + bump.width_m,
        )
    for i, ramp in enumerate(scene.ramps):
        spots += _ramp_spots(i, ramp, line)
    for i, solid in enumerate(scene.obstacles):
        spots += _spots("obstacle", i, line, solid_test(solid), (solid.x, solid.y), 2 * solid.radius)
    for i, strip in enumerate(scene.strips):
        if strip.kind != "red":
            spots += _spots(strip.kind, i, line, strip_test(strip), (strip.x, strip.y), strip.across_m)
    x, y = line.points[-1]
    spots.append(Spot("finish", line.length, line.length, x, y))
    if trail.zone is not None:
        spots.append(Spot("zone", *trail.zone, *line.at(trail.zone[0])))
    return Route(line, tuple(sorted(spots, key=lambda spot: spot.s_m)), trail.zone)


def _ramp_spots(index: int, ramp: Ramp, line: Polyline) -> list[Spot]:
    middle = ramp.plates[len(ramp.plates) // 2]
    length = sum(plate.length_m for plate in ramp.plates) + middle.width_m
    areas = [plate.corners() for plate in ramp.plates]

    def inside(x: float, y: float) -> bool:
        return any(inside_convex(x, y, area) for area in areas)

    return _spots("ramp", index, line, inside, (middle.x, middle.y), 2 * length)


def _spots(
    kind: str,
    index: int,
    line: Polyline,
    inside: Callable[[float, float], bool],
    middle: tuple[float, float],
    size: float,
) -> list[Spot]:
    base = Spot(kind, 0.0, 0.0, 0.0, 0.0, index=index)
    return [
        evolve(base, s_m=low, end_m=high, x=line.at(low)[0], y=line.at(low)[1])
        for low, high in spans_inside(line, inside, middle, size)
    ]


def strip_test(strip: Strip) -> Callable[[float, float], bool]:
    """Return a test for being on the strip."""
    corners = strip.corners()
    return lambda x, y: inside_convex(x, y, corners)


def bump_test(bump: Bump) -> Callable[[float, float], bool]:
    """Return a test for being on the bump."""
    a, b, reach = (bump.ax, bump.ay), (bump.bx, bump.by), bump.width_m / 2
    return lambda x, y: segment_distance(x, y, a, b) <= reach


def solid_test(solid: Solid) -> Callable[[float, float], bool]:
    """Return a test for being inside the solid."""
    if solid.shape == "circle":
        return lambda x, y: math.hypot(x - solid.x, y - solid.y) <= solid.radius
    return lambda x, y: inside_convex(x, y, solid.corners)


def spans_inside(
    line: Polyline,
    inside: Callable[[float, float], bool],
    middle: tuple[float, float],
    size: float,
    low: float = 0.0,
) -> list[tuple[float, float]]:
    """Return the stretches of `line` from `low` on that lie inside something of `size` around `middle`.

    Stretches shorter than 2 mm may be missed; the ends of the others are right to a few micrometres.
    """
    spans: list[tuple[float, float]] = []
    last, s, begun = low, low, None
    while True:
        x, y = line.at(s)
        away = math.hypot(x - middle[0], y - middle[1]) - size
        within = away <= 0.0 and inside(x, y)
        if within and begun is None:
            begun = _edge(line, inside, last, s)
        elif not within and begun is not None:
            spans.append((begun, _edge(line, inside, s, last)))
            begun = None
        if s >= line.length:
            break
        last, s = s, min(line.length, s + max(_STEP_M, away))
    if begun is not None:
        spans.append((begun, line.length))
    return spans


def _edge(line: Polyline, inside: Callable[[float, float], bool], out: float, within: float) -> float:
    """Return where `line` enters, between an arc length outside and one inside."""
    for _ in range(10):
        middle = (out + within) / 2
        if inside(*line.at(middle)):
            within = middle
        else:
            out = middle
    return within
