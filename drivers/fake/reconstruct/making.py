"""The whole way from a recording to a course that can be gone on on, or to a refusal that says why.

Rules: what is invented is said: bridges over what was not seen, stubs of branches, a finish where none was. The fit is
stated, and a bad one is refused; a course that does not fit is worse than none.
"""

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from attrs import evolve, frozen

from drivers.fake.backend import FakeBackend
from drivers.fake.course.course import Course
from drivers.fake.course.format import parse_course
from drivers.fake.reconstruct import features
from drivers.fake.reconstruct.checking import Misfit, misfit
from drivers.fake.reconstruct.drawing import Pen, drawn, strokes_of
from drivers.fake.reconstruct.features import Thing
from drivers.fake.reconstruct.fitting import end_direction
from drivers.fake.reconstruct.line import Repair, offsets, repair_of, width_of
from drivers.fake.reconstruct.paint import Spot, greens, reds
from drivers.fake.reconstruct.route import Stretch, Way, joined, stretches_of
from drivers.fake.reconstruct.tracking import LIT, Array, Track, samples_of, track_of
from drivers.fake.reconstruct.writing import LARGEST_M, STUB_M, Box, Found, Stub, board, text_of
from drivers.fake.resuming import TickPose
from robotcore.backend import Address
from robotcore.calibration import Calibration, Triple
from robotcore.decode import Decoder
from robotcore.errors import Faults, UserError
from robotcore.readings import Colour, Sample
from robotcore.recording.content import Recording
from robotcore.rig import Rig

WORST_RMS, WORST_OFF = 0.25, 0.06  #: a fit worse than this is refused
LEAST_LINE_M = 0.5
LEAST_ROUTE = 0.9  #: the route takes in at least this share of what is drawn
PAD_TICKS = 20  #: by then every sensor of the fake has read
MARKER_M = 0.025
BESIDE_M = 0.025  #: what lies so near a line is that line
TAIL_M = 0.04  #: the line goes on so far behind the finish
APART_M = 0.32  #: from middle to middle of two obstacles, else they are one: the course's rules want room between
AT_JUNCTION_M = 0.060  #: a branch begins so near the place at which the rules and the run part
JUNCTION_M = 0.075  #: a marker belongs to a junction so near


@frozen
class Remade:
    """A course made from a recording, poses of the run on it, and how well it fits."""

    course: Course
    poses: list[TickPose]
    fit: Misfit
    repair: Repair
    notes: list[str]
    data: dict[str, Any]
    gains: dict[str, Triple]


def remade(recording: Recording, rig: Rig, calibration: Calibration) -> Remade:
    """Return the course that a recording tells of.

    Raises:
        UserError: there is too little line, or the course that comes out cannot be driven or does not fit; says why.

    """
    where = f"{recording.path}: cannot be reconstructed"
    samples = samples_of(recording, rig, calibration)
    track, width_m, offset, repair = _seen(samples, rig)
    way = joined(track, stretches_of(track, offset))
    track = way.track
    if sum(stretch.length_m for stretch in way.stretches) < LEAST_LINE_M:
        raise UserError(f"{where}: less than {LEAST_LINE_M:g} m of line was followed; use a longer recording")
    found, notes = _found(track, rig, way, width_m)
    box = board(found, np.stack([track.x, track.y], axis=1))
    if max(box[2:]) > LARGEST_M:
        raise UserError(f"{where}: by the encoders it is {max(box[2:]):.1f} m long; {LARGEST_M:g} m is the most")
    course, text, left_out = _lawful(
        found, box, f"made from {recording.path.stem}"[:60].replace('"', "'"), notes, where
    )
    notes += left_out
    fit = misfit(track, course, box[:2])
    told = f"fit: darkness off by {fit.rms:.3f} rms, {100 * fit.off:.1f} % of {fit.readings} readings by over 0.5"
    if fit.rms > WORST_RMS or fit.off > WORST_OFF:
        raise UserError(f"{where}: {told}; at most {WORST_RMS:g} and {100 * WORST_OFF:g} % are gone on on")
    poses = [
        (int(tick), float(x) - box[0], float(y) - box[1], float(heading))
        for tick, x, y, heading in zip(track.ticks, track.x, track.y, track.heading, strict=True)
    ]
    notes = [told, *notes, f"straights lie at right angles to {repair.squareness:.2f} (1 is exact)"]
    data = {"fit_rms": fit.rms, "fit_off": fit.off, "course_toml": text, **repair_data(repair)}
    return Remade(course, poses, fit, repair, notes, data, _gains(rig, calibration, samples))


def _lawful(found: Found, box: Box, name: str, notes: list[str], where: str) -> tuple[Course, str, list[str]]:
    """Return the course, its text, and what had to be left out for the way driven to be the way by the field's rules.

    Branches that were seen and not driven are the least sure of what is found: a dark spot beside a bend is one too.
    Where the rules would send the robot otherwise than it went, they are at fault, as long as there are any.
    """
    stubs, told = list(found.stubs), list[str]()
    while True:
        text = text_of(found._replace(stubs=stubs), box, name, [*notes, *told])
        course, why, place = _driven_otherwise(text, found, box)
        if course is not None:
            return course, text, told
        wrong = [stub for stub in stubs if place is not None and _touches(stub, place)]
        if not wrong:
            raise UserError(f"{where}: {why}")
        stubs = [stub for stub in stubs if stub not in wrong]
        lost = len(found.stubs) - len(stubs)
        told = [f"{lost} of them are left out: by the field's rules the way would not go on as it was driven."]


def _touches(stub: Stub, place: tuple[float, float]) -> bool:
    """Tell whether a branch begins or ends at a place."""
    end = stub.x + STUB_M * math.cos(stub.heading), stub.y + STUB_M * math.sin(stub.heading)
    return min(math.dist(stub[:2], place), math.dist(end, place)) < AT_JUNCTION_M


def _driven_otherwise(text: str, found: Found, box: Box) -> tuple[Course | None, str, tuple[float, float] | None]:
    """Return the course, or else why its route is not the way that was driven and where it leaves it."""
    try:
        course = parse_course(text, "made")
    except Faults as error:
        spot = error.spots[0]
        place = None if spot is None else (box[0] + spot[0], box[1] + spot[1])
        return None, f"what comes out could not be driven ({error.faults[0]})", place
    drawn = np.array([point for pen in found.pens for point in pen.points]) - box[:2]
    drawn_m = sum(pen.length_m for pen in found.pens)
    if course.route.length_m >= LEAST_ROUTE * drawn_m:
        return course, "", None
    why = (
        f"by the field's rules the route on it is {course.route.length_m:.1f} m long, "
        f"the robot followed {drawn_m:.1f} m: a junction was misread"
    )
    points = np.array(course.route.points)
    on = [float(np.hypot(*(points - point).T).min()) < BESIDE_M for point in drawn]
    last = drawn[on.index(False) - 1] if False in on else drawn[-1]
    return None, why, (float(last[0]) + box[0], float(last[1]) + box[1])


def repair_data(repair: Repair) -> dict[str, float]:
    """Return what the tracks' slip was taken to be, for JSON."""
    return {"track_ratio": repair.ratio, "turn_loss": repair.loss, "squareness": repair.squareness}


def _seen(samples: Sequence[Sample], rig: Rig) -> tuple[Track, float, Array, Repair]:
    plain = track_of(samples, rig)
    repair = repair_of(plain, offsets(plain, width_of(plain)), rig)
    track = track_of(samples, rig, repair.ratio, repair.loss)
    width_m = width_of(track)
    return track, width_m, offsets(track, width_m), repair


_Place = tuple[tuple[float, float], Stretch | None]


class _Lines(NamedTuple):
    pens: list[Pen]
    points: Array  #: n by 3: x, y, direction


def _found(track: Track, rig: Rig, way: Way, width_m: float) -> tuple[Found, list[str]]:
    """Return everything that makes the course, and what to know about it."""
    notes = ["Made by machine from a recording: places by the encoders, so distances are the tracks', not the floor's."]
    start, first = _start(track, way)
    finish, told = _finish(track, way)
    notes += told
    strokes = strokes_of(way._replace(stretches=[first, *way.stretches[1:]]))
    strokes[-1].chains[-1] = _ended(strokes[-1].chains[-1], finish)
    pens = drawn(strokes, [stretch for stretch in way.stretches if stretch.join in ("gap", "branch")])
    lines = _Lines(pens, _directed(pens))
    stubs = _stubs(track, lines, width_m, way)
    markers, extra, told = _markers(track, way, stubs, width_m)
    notes += told
    things = [_on_line(thing, lines.points) for thing in (*_obstacles(track, rig, way), *features.relief(track))]
    stubs = [stub for stub in (*stubs, *extra) if not _is_drawn(stub, lines.points)]
    if stubs:
        notes.append(f"{len(stubs)} branches were not driven: drawn 100 mm long.")
    if way.guessed_m > 0.005:
        notes.append(f"{1000 * way.guessed_m:.0f} mm of line were not seen and are drawn as smooth curves.")
    return Found(start, width_m, pens, stubs, markers, finish, things), notes


def _start(track: Track, way: Way) -> tuple[Spot, Any]:
    """Return the start on the line, and the first stretch carried on backward to behind it."""
    first = way.stretches[0]
    x, y, heading = end_direction(first.points, False, 0.06)
    along = (track.x[0] - x) * math.cos(heading) + (track.y[0] - y) * math.sin(heading)
    back = min(along - 0.08, -0.08)
    lead = np.array([[x + back * math.cos(heading), y + back * math.sin(heading)]])
    start = Spot(x + along * math.cos(heading), y + along * math.sin(heading), heading)
    return start, evolve(first, points=np.concatenate([lead, first.points]))


def _finish(track: Track, way: Way) -> tuple[Spot, list[str]]:
    """Return the red strip: where red was last seen near the end of the line, else just behind the last of it."""
    last = way.stretches[-1]
    x, y, heading = end_direction(last.points, True, 0.06)
    for spot, _ in reversed(reds(track)):
        along = (spot.x - x) * math.cos(heading) + (spot.y - y) * math.sin(heading)
        left = (spot.y - y) * math.cos(heading) - (spot.x - x) * math.sin(heading)
        if -0.02 < along < 0.12 and abs(left) < 0.06:
            on = max(along, 0.005) + 0.006
            return Spot(x + on * math.cos(heading), y + on * math.sin(heading), heading), []
    note = "No red strip was seen at the end: one is put just behind the last of the line, which is invented."
    return Spot(x + 0.05 * math.cos(heading), y + 0.05 * math.sin(heading), heading), [note]


def _ended(chain: Array, finish: Spot) -> Array:
    """Let the last chain end a little behind the finish."""
    c, s = math.cos(finish.heading), math.sin(finish.heading)
    along = (chain[:, 0] - finish.x) * c + (chain[:, 1] - finish.y) * s
    kept = chain[~((along > -0.004) & (np.arange(len(chain)) > len(chain) - 40))]
    return np.concatenate([kept, [[finish.x + TAIL_M * c, finish.y + TAIL_M * s]]])


def _directed(pens: list[Pen]) -> Array:
    parts = []
    for pen in pens:
        points = np.array(pen.points)
        steps = np.gradient(points, axis=0)
        parts.append(np.column_stack([points, np.arctan2(steps[:, 1], steps[:, 0])]))
    return np.concatenate(parts)


def _stubs(track: Track, lines: _Lines, width_m: float, way: Way) -> list[Stub]:
    """Return branches that were seen beside the line and are not drawn."""
    meets = [stretch.meet for stretch in way.stretches if stretch.meet is not None]
    found = [Stub(*end[:2], end[2] + side * math.pi / 2) for end in way.turned for side in (1, -1)]
    for spot, side in features.arms(track, lines.points, width_m):
        x, y, heading = spot
        for meet in meets:
            if math.dist(meet, (x, y)) < 0.03:
                x, y = meet
        stub = Stub(x, y, heading + side * math.pi / 2)
        if not any(math.dist(stub[:2], other[:2]) < 0.05 and _alike(stub, other) for other in found):
            found.append(stub)
    return found


def _is_drawn(stub: Stub, lines: Array) -> bool:
    """Tell whether a branch lies on what is drawn already."""
    x, y = (at + 0.6 * STUB_M * way for at, way in ((stub.x, math.cos(stub.heading)), (stub.y, math.sin(stub.heading))))
    return float(np.hypot(lines[:, 0] - x, lines[:, 1] - y).min()) < BESIDE_M


def _alike(one: Stub, two: Stub) -> bool:
    return abs(math.remainder(one.heading - two.heading, math.tau)) < 0.8


def _markers(track: Track, way: Way, stubs: list[Stub], width_m: float) -> tuple[list[Spot], list[Stub], list[str]]:
    """Return markers put into the corner of the junction that they stand at, and branches that must be there."""
    places: list[_Place] = [(s.meet, s) for s in way.stretches if s.join in ("corner", "branch") and s.meet is not None]
    places += [((stub.x, stub.y), None) for stub in stubs]
    reach = 0.5 * (width_m + MARKER_M)
    markers = [_beside(end[:2], end.heading, -reach, side * reach) for end in way.turned for side in (1, -1)]
    extra: list[Stub] = []
    lost = 0
    for spot, first in greens(track):
        if any(math.dist(spot[:2], end[:2]) < JUNCTION_M for end in way.turned):
            continue
        near = _junction_of(spot, places)
        if near is None:
            lost += 1
            continue
        into = None if near[1] is None else near[1].into
        heading = _heading_into(track, near[0], first) if into is None else into
        dx, dy = spot.x - near[0][0], spot.y - near[0][1]
        along, left = dx * math.cos(heading) + dy * math.sin(heading), dy * math.cos(heading) - dx * math.sin(heading)
        a, b = math.copysign(reach, along), math.copysign(reach, left)
        marker = _beside(near[0], heading, a, b)
        if all(math.dist(marker[:2], other[:2]) > 0.02 for other in markers):
            markers.append(marker)
        if near[1] is not None and not any(math.dist(near[0], stub[:2]) < 0.03 for stub in [*stubs, *extra]):
            extra.append(Stub(*near[0], heading))
    return markers, extra, [f"{lost} patches of green stood at no junction and are left out."] if lost else []


def _junction_of(spot: Spot, places: Sequence[_Place]) -> _Place | None:
    """Return the nearest junction; one whose way was found by a marker goes before others; None where all are far."""
    near = [place for place in places if math.dist(place[0], spot[:2]) < JUNCTION_M]
    marked = [place for place in near if place[1] is not None and place[1].into is not None]
    return min(marked or near, key=lambda place: math.dist(place[0], spot[:2]), default=None)


def _beside(place: tuple[float, float], heading: float, along: float, left: float) -> Spot:
    c, s = math.cos(heading), math.sin(heading)
    return Spot(place[0] + along * c - left * s, place[1] + along * s + left * c, heading)


def _heading_into(track: Track, place: tuple[float, float], first: int) -> float:
    """Return the robot's heading when it first saw green here, to be taken as that of the line."""
    return float(np.median(track.heading[max(0, first - 20) : first + 1]))


def _obstacles(track: Track, rig: Rig, way: Way) -> list[Thing]:
    pairs = pairwise(way.stretches)
    found = [features.obstacle(track, rig, before, after) for before, after in pairs if after.join == "obstacle"]
    kept: list[Thing] = []
    for thing in found:  # who loses the line behind an obstacle goes round it twice
        if thing is not None and all(math.dist(thing.spot[:2], other.spot[:2]) > APART_M for other in kept):
            kept.append(thing)
    return kept


def _on_line(thing: Thing, lines: Array) -> Thing:
    """Put a thing onto the drawn line and along it; an obstacle that the line meets stays where it is."""
    spot = thing.spot
    along = np.cos(lines[:, 2] - spot.heading) > 0.7
    apart = np.hypot(lines[:, 0] - spot.x, lines[:, 1] - spot.y) + np.where(along, 0.0, 0.2)
    x, y, heading = (float(value) for value in lines[apart.argmin()])
    if thing.kind == "obstacle" and apart.min() < 0.03:
        return thing
    return thing._replace(spot=Spot(x, y, heading))


def _gains(rig: Rig, calibration: Calibration, samples: Sequence[Sample]) -> dict[str, Triple]:
    """Return by what each colour sensor of the fake must be more sensitive for its floor to read as the recorded one.

    That takes in the venue's light, the mount and the sensor itself. The forward sensor sees no floor: a white card
    shall read as the floor does on the average.
    """
    pad = FakeBackend(Address("fake", "pad", {}, "fake:pad"), rig, None, 0, {})
    decode = Decoder(rig, calibration)
    board = [decode(tick, pad.sense(tick)) for tick in range(PAD_TICKS)][-1]
    floors = {role: _floor_light([getattr(s, role) for s in samples]) for role in ("floor_left", "floor_right")}
    if board.front.valid:
        floors["front"] = 0.5 * (floors["floor_left"] + floors["floor_right"])
    return {role: _ratio(floor, getattr(board, role)) for role, floor in floors.items()}


def _floor_light(readings: Sequence[Colour]) -> Array:
    """Return red, green and blue of the floor: the median of what is bright; 1 where nothing is."""
    values = np.array([reading[:5] for reading in readings if reading.valid]).reshape(-1, 5)
    lit = values[values[:, 4] > LIT, :3]
    floor: Array = np.median(lit, axis=0) if len(lit) else np.ones(3)
    return floor


def _ratio(wanted: Array, given: Colour) -> Triple:
    red, green, blue = (float(np.clip(a / b, 0.05, 20.0)) for a, b in zip(wanted, given[:3], strict=True))
    return red, green, blue
