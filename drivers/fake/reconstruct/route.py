"""From line points to the way the line runs: stretches that were followed, and how one leads to the next.

Rules: stretches come in the order in which they were driven. A stretch that lies on one already known is not drawn
again. What was not seen between two of them is told apart: a corner where their directions meet, a gap where the floor
was bright all the way, an obstacle where the robot drove round, and otherwise a bridge, which is a guess and counted.
"""

import math
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from attrs import define

from drivers.fake.reconstruct.fitting import SPACING_M, curve, end_direction, even, smooth
from drivers.fake.reconstruct.line import line_points
from drivers.fake.reconstruct.paint import Patches, Spot, greens
from drivers.fake.reconstruct.tracking import Array, Mask, Shift, Track, moved, smoothed

HOLE_M = 0.030  #: a stretch may lack so much
LEAST_M = 0.030  #: a stretch shorter than this is noise
TRIM = 2  #: points left out at both ends: there the line goes out of an eye's sight, or an arm comes into it
ON_IT_M = 0.045  #: so near a stretch already drawn, and along it, is the same line: no two run side by side so near
ROUND_M = 0.090  #: the same after turning round, until the way back is laid onto the way there
AGAIN_M = 0.08  #: a line driven again for so long tells how far the encoders have strayed meanwhile
CORNER = math.radians(28.0)
BACK = math.radians(150.0)
GAP_M = (0.095, 0.225)  #: between the last and the first sight of the line
LEVEL_RAD = 0.05  #: a body that leans more sees other light
STRAIGHT = 12  #: so many points are 60 mm
STRAIGHT_M = 0.0015  #: what a straight line of 50 mm may bow
IN_LINE = 0.07  #: a gap and the lines at its ends differ in direction by less (rad); the format wants 5 degrees
BETWEEN_M = 0.03  #: a robot that stays so near the smooth way on had the line between its eyes
OBSTACLE_M, LEAST_HITS = 0.30, 6  #: the side range says so near, so often, where the robot goes round something
BRIGHT = 0.2  #: an eye with less darkness sees floor
DETOUR_M = 0.07  #: an axle so far off the straight way between two stretches drove round something
MEET_M = 0.16  #: directions may meet so far before what was seen next,
MARKER_TO_LINE_M = 0.020  #: from a marker's middle to that of the line beside it
WOBBLE_M = 0.06
SKEW = math.radians(20.0)  #: a junction whose arms are less at right angles is taken for one that is
CONTRADICTS_M = 0.014  #: a marker that puts a junction elsewhere by more is believed
REACHED_M = 0.06  #: and so far behind what was seen last: a robot follows the line into a corner


@define
class Stretch:
    """A piece of line as followed: points (n by 2) in order, first and last tick, and how it is reached.

    `join` is "start", "smooth", "bridge", "corner", "gap", "obstacle" or "branch" (off a line already drawn); `meet`
    is where a corner or branch is, `into` the direction into a corner that has a marker.
    """

    points: Array
    first: int
    last: int
    join: str = "start"
    meet: tuple[float, float] | None = None
    into: float | None = None

    @property
    def length_m(self) -> float:
        """Its length."""
        return SPACING_M * (len(self.points) - 1)


class Way(NamedTuple):
    """All stretches in order, metres of bridges that had to be guessed, the run laid onto itself, and where it turned.

    `turned` are the junctions (with the direction into them) at which the robot turned round and went back.
    """

    track: Track
    stretches: list[Stretch]
    guessed_m: float
    turned: list[Spot]


def stretches_of(track: Track, offset: Array) -> list[Stretch]:
    """Return every stretch of line that was followed, in order of time."""
    seen = np.flatnonzero(np.isfinite(offset))
    if len(seen) < 3:
        return []
    x, y = line_points((track.x, track.y, track.heading), offset, track.left.ahead_m)
    gone, turned = np.diff(track.travel[seen]), np.abs(np.diff(track.heading[seen]))
    apart = np.hypot(np.diff(x[seen]), np.diff(y[seen]))
    travel = track.travel
    back = np.array([travel[a : b + 1].min() < travel[a] - 0.004 for a, b in pairwise(seen.tolist())])
    cuts = np.flatnonzero((gone > HOLE_M) | (apart > HOLE_M) | (turned > 0.5) | back) + 1
    found = []
    for ticks in np.split(seen, cuts):
        points = _thinned(track.travel[ticks], np.stack([x[ticks], y[ticks]], axis=1))
        if len(points) >= 3 + 2 * TRIM:
            chain = smooth(even(points))[TRIM:-TRIM]
            if SPACING_M * (len(chain) - 1) >= LEAST_M:
                found.append(Stretch(chain, int(ticks[0]), int(ticks[-1])))
    return found


def _thinned(travel: Array, points: Array) -> Array:
    """Return the median of the points of each `SPACING_M` of travel: noise and single wrong readings go."""
    bins = np.floor((travel - travel[0]) / SPACING_M).astype(int)
    return np.array([np.median(points[bins == i], axis=0) for i in np.unique(bins)])


def joined(track: Track, stretches: list[Stretch]) -> Way:
    """Say how each stretch is reached from the one before, leave out what is known, and lay what comes again onto it.

    Where a line is driven again the encoders' error since then shows: all that comes later is moved by it.
    """
    kept: list[Stretch] = []
    guessed = 0.0
    branch = False
    waiting = list(stretches)
    turned: list[Spot] = []
    marks = greens(track)
    while waiting:
        stretch = waiting.pop(0)
        again = _again([stretch, *waiting], kept, back_already=branch)
        if again is not None:
            shift = _shift(again, kept)
            track = moved(track, _half_turned(track, kept[-1], stretch), shift)
            stretch, *waiting = [_moved(one, shift) for one in (stretch, *waiting)]
            marks = greens(track)
            turned += _turned(kept[-1], stretch, marks)
            branch = True
        fresh = _fresh(stretch, _on_known(stretch.points, kept))
        if fresh is None:
            continue
        if branch:
            fresh.join, fresh.meet = "branch", _branch_point(fresh, kept)
            branch = False
        elif kept:
            guessed += _join(track, kept[-1], fresh, marks)
        if _is_wobble(kept, fresh):
            kept.pop()
        kept.append(fresh)
    return Way(track, kept, guessed, turned)


def _again(coming: list[Stretch], kept: list[Stretch], *, back_already: bool) -> "Array | None":
    """Return the points of a known line that is now driven again, with which all is laid onto it; None for a new one.

    One long piece is enough. Where the robot turned round, and was not yet laid onto the way that it came, many short
    ones do: with arms on both sides there may be nothing else. Its turn may have been misjudged: they lie farther off.
    """
    first = coming[0]
    known = _on_known(first.points, kept)
    if known.sum() * SPACING_M > AGAIN_M and _elsewhere(first, kept):
        return first.points[known]
    if back_already or not kept:
        return None
    parts: list[Array] = []
    for stretch in coming:
        on = _on_known(stretch.points, kept, ROUND_M)
        if on.mean() < 0.8 or not _is_backward(stretch.points, kept):
            break
        parts.append(stretch.points[on])
    return np.concatenate(parts) if parts else None


def _is_backward(points: Array, kept: list[Stretch]) -> bool:
    """Tell whether points run against the direction of the known line beside them."""
    lines = np.concatenate([stretch.points for stretch in kept])
    along = np.concatenate([np.gradient(stretch.points, axis=0) for stretch in kept])
    _, place = _nearest(points[[0, -1]], lines)
    return bool(((points[-1] - points[0]) @ along[place].T).max() < 0.0)


def _is_wobble(kept: list[Stretch], fresh: Stretch) -> bool:
    """Tell whether the last stretch is but the search for a line right before a marked junction: a short zigzag."""
    last = kept[-1] if len(kept) > 1 else None
    if last is None or fresh.into is None or last.meet is None or fresh.meet is None or last.join != "corner":
        return False
    return last.length_m < WOBBLE_M and math.dist(last.meet, fresh.meet) < 1.5 * WOBBLE_M


def _elsewhere(stretch: Stretch, kept: list[Stretch]) -> bool:
    """Tell whether a known stretch was not just the end of the last one driven once more."""
    apart, place = _nearest(stretch.points, kept[-1].points)
    forward = place[-1] >= place[0]
    return not (float(np.median(apart)) < ON_IT_M and forward)


def _half_turned(track: Track, before: Stretch, after: Stretch) -> int:
    """Return when the robot had turned by a right angle between two stretches, else the middle of that time."""
    off = np.abs(track.heading[_between(before, after)] - track.heading[before.last])
    far = np.flatnonzero(off > math.pi / 2)
    return before.last + int(far[0]) if len(far) else (before.last + after.first) // 2


def _turned(before: Stretch, again: Stretch, marks: Patches) -> list[Spot]:
    """Return the junction behind the green between two stretches, and let the first reach it; none without green."""
    x, y, heading = end_direction(before.points, True, 0.05)
    c, s = math.cos(heading), math.sin(heading)
    seen = [spot for spot, first in marks if before.last - 60 <= first <= again.first]
    ahead = [(spot.x - x) * c + (spot.y - y) * s for spot in seen]
    ahead = [along for along in ahead if -0.08 < along < 0.12]
    if not ahead:
        return []
    on = float(np.mean(ahead)) + MARKER_TO_LINE_M
    end = Spot(x + on * c, y + on * s, heading)
    kept = before.points[(before.points[:, 0] - end.x) * c + (before.points[:, 1] - end.y) * s < -0.005]
    before.points = even(np.concatenate([kept, [[end.x, end.y]]]))
    return [end]


def _shift(points: Array, kept: list[Stretch]) -> Shift:
    """Return the turn and move that lays points onto known lines: a few rounds of nearest points."""
    lines = np.concatenate([stretch.points for stretch in kept])
    z, onto = points[:, 0] + 1j * points[:, 1], lines[:, 0] + 1j * lines[:, 1]
    shift = Shift(1.0 + 0.0j, 0.0j)
    for _ in range(8):
        now = shift.turn * z + shift.move
        near = onto[np.abs(now[:, None] - onto[None, :]).argmin(axis=1)]
        a, b = z - z.mean(), near - near.mean()
        turn = complex((b * a.conj()).sum())
        turn = turn / abs(turn) if abs(turn) > 0.0 else 1.0 + 0.0j
        shift = Shift(turn, complex(near.mean() - turn * z.mean()))
    return shift


def _moved(stretch: Stretch, shift: Shift) -> Stretch:
    z = shift.turn * (stretch.points[:, 0] + 1j * stretch.points[:, 1]) + shift.move
    return Stretch(np.stack([z.real, z.imag], axis=1), stretch.first, stretch.last)


def _nearest(points: Array, chain: Array) -> tuple[Array, "np.ndarray[tuple[int, ...], np.dtype[np.int64]]"]:
    apart = np.hypot(points[:, 0, None] - chain[None, :, 0], points[:, 1, None] - chain[None, :, 1])
    return apart.min(axis=1), apart.argmin(axis=1)


def _on_known(points: Array, kept: list[Stretch], reach_m: float = ON_IT_M) -> Mask:
    """Tell which points lie on a stretch already known, along or against its direction."""
    on = np.zeros(len(points), dtype=bool)
    direction = np.gradient(points, axis=0)
    for chain in _chains(kept):
        apart, place = _nearest(points, chain)
        along = np.gradient(chain, axis=0)[place]
        cross = np.abs(direction[:, 0] * along[:, 1] - direction[:, 1] * along[:, 0])
        size = np.hypot(*direction.T) * np.hypot(*along.T) + 1e-12
        inside = (place > 0) & (place < len(chain) - 1)
        on |= (apart < reach_m) & (cross / size < 0.35) & inside
    result: Mask = on
    return result


def _chains(kept: list[Stretch]) -> list[Array]:
    """Return the known stretches, those that go on smoothly as one."""
    chains: list[list[Array]] = []
    for stretch in kept:
        if stretch.join in ("smooth", "bridge") and chains:
            chains[-1].append(stretch.points)
        else:
            chains.append([stretch.points])
    return [even(np.concatenate(chain)) for chain in chains]


def _fresh(stretch: Stretch, on: Mask) -> Stretch | None:
    """Return what of a stretch is not known yet: its end from where it is new; None where all is known."""
    known = np.flatnonzero(on)
    if not len(known) or (known[0] > 10 and len(known) < 8):  # at most it crosses what is known
        return stretch
    rest = stretch.points[known[-1] + 1 :]
    if SPACING_M * (len(rest) - 1) < LEAST_M:
        return None
    share = (known[-1] + 1) / len(stretch.points)
    return Stretch(rest, round(stretch.first + share * (stretch.last - stretch.first)), stretch.last)


def _branch_point(fresh: Stretch, kept: list[Stretch]) -> tuple[float, float] | None:
    """Return where a new stretch, carried on backward, meets what is known."""
    x, y, heading = end_direction(fresh.points, False, 0.05)
    best: tuple[float, tuple[float, float]] | None = None
    for chain in _chains(kept):
        d = chain - (x, y)
        along = d[:, 0] * math.cos(heading) + d[:, 1] * math.sin(heading)
        left = d[:, 1] * math.cos(heading) - d[:, 0] * math.sin(heading)
        for i in np.flatnonzero(np.diff(np.sign(left)) != 0):
            if -MEET_M < along[i] < 0.03 and (best is None or abs(along[i]) < best[0]):
                best = abs(float(along[i])), (float(chain[i, 0]), float(chain[i, 1]))
    return None if best is None else best[1]


def _join(track: Track, before: Stretch, after: Stretch, marks: Patches) -> float:
    """Set how `after` is reached from `before`; return metres of guessed line."""
    ax, ay, a = end_direction(before.points, True, 0.05)
    bx, by, b = end_direction(after.points, False, 0.05)
    turn = math.remainder(b - a, math.tau)
    along, left = _frame(bx - ax, by - ay, a)
    gap = GAP_M[0] < along < GAP_M[1] and abs(left) < IN_LINE * along and abs(turn - left / along) < IN_LINE
    if gap and _is_gap(track, before, after):
        after.join = "gap"
        return 0.0
    between = _driven(track, before, after, curve((ax, ay, a), (bx, by, b)))
    if between is not None:
        after.join, after.points = "smooth", np.concatenate([between, after.points])
        return 0.0
    marked = _by_marker((ax, ay, a), (bx, by, b), marks)
    if marked is None and _went_round(track, before, after):
        after.join = "obstacle"
        return math.hypot(along, left)
    meet = _meeting((ax, ay, a), (bx, by, b), before.points, marks)
    if marked is not None and (meet is None or math.dist(meet, marked) > CONTRADICTS_M):
        meet = marked
    if CORNER < abs(turn) < BACK and meet is not None:
        after.join, after.meet = "corner", meet
        after.into = None if marked is None else _into(a, b)
        return 0.0
    after.join = "smooth" if math.hypot(along, left) < 0.12 else "bridge"
    return math.hypot(along, left) if after.join == "bridge" else 0.0


def _aside(step: Array, place: Array) -> Array:
    """Return how far a place is beside a step of a way, as a vector across it."""
    along = (step[-1] - step[0]) / np.hypot(*(step[-1] - step[0]))
    off = place - step[0]
    across: Array = off - (off @ along) * along
    return across


def _is_gap(track: Track, before: Stretch, after: Stretch) -> bool:
    """Tell whether a level robot saw bright floor between two straight ends."""
    level = np.abs(smoothed(track.pitch)[_between(before, after)]).max() < LEVEL_RAD
    straight = all(_is_straight(part) for part in (before.points[-STRAIGHT:], after.points[:STRAIGHT]))
    straight = straight and min(len(before.points), len(after.points)) > 2 * STRAIGHT + 1
    return bool(level) and straight and _bright(track, before, after)


def _driven(track: Track, before: Stretch, after: Stretch, guess: Array) -> "Array | None":
    """Return the way of the eyes' middle between two stretches, where the line must have lain between the eyes.

    None where that cannot be: the robot backed up or stood, saw something else, or went round something (without a
    side range: went off the smooth way from end to end).
    """
    part = slice(before.last, after.first + 1)
    if part.stop - part.start < 8 or track.speed[part].min() < 0.02 or not _bright(track, before, after):
        return None
    x, y = line_points((track.x[part], track.y[part], track.heading[part]), np.zeros(1), track.left.ahead_m)
    points = even(_thinned(track.travel[part], np.stack([x, y], axis=1)))
    if len(points) < 4:
        return None
    share = np.linspace(0.0, 1.0, len(points))[:, None]
    first, last = _aside(points[:2], before.points[-1]), _aside(points[-2:], after.points[0])
    points = points + (1.0 - share) * first + share * last
    seen = track.range_m[part]
    clear = np.isfinite(track.range_m).any() and (seen < OBSTACLE_M).sum() < LEAST_HITS
    apart, _ = _nearest(points, guess)
    return points[1:-1] if clear or float(apart.max()) < BETWEEN_M else None


def _is_straight(points: Array) -> bool:
    """Tell whether points may be the straight line that a gap has before and after it."""
    heading = math.atan2(points[-1, 1] - points[0, 1], points[-1, 0] - points[0, 0])
    off = (points[:, 1] - points[0, 1]) * math.cos(heading) - (points[:, 0] - points[0, 0]) * math.sin(heading)
    return len(points) >= 10 and float(np.abs(off).max()) < STRAIGHT_M


def _frame(dx: Any, dy: Any, heading: float) -> tuple[Any, Any]:
    c, s = math.cos(heading), math.sin(heading)
    return dx * c + dy * s, dy * c - dx * s


def _meeting(
    one: tuple[float, float, float], two: tuple[float, float, float], chain: Array, marks: Patches
) -> tuple[float, float] | None:
    """Return where the way on from `one` meets the way back from `two`; None where that is far from either.

    A marker there makes it a junction, before which a robot may stop following. Where the robot followed the line past
    it (`chain` ends in `one`), it lies on what was followed.
    """
    (ax, ay, a), (bx, by, b) = one, two
    cross = math.sin(b - a)
    if abs(cross) < 0.2:
        return None
    on = ((bx - ax) * math.sin(b) - (by - ay) * math.cos(b)) / cross
    back = ((bx - ax) * math.sin(a) - (by - ay) * math.cos(a)) / cross  # positive: ahead of two's first point
    meet = ax + on * math.cos(a), ay + on * math.sin(a)
    marked = any(math.dist(meet, spot[:2]) < 0.05 for spot, _ in marks)
    low, high = (-MEET_M, MEET_M) if marked else (-REACHED_M, REACHED_M)
    if not (low < on < high and -0.04 < -back < MEET_M):
        return None
    return meet if on > 0.0 else _crossed((bx, by, b), chain) or meet


def _by_marker(
    one: tuple[float, float, float], two: tuple[float, float, float], marks: Patches
) -> tuple[float, float] | None:
    """Return where the way back from `two` passes the marker in the inner corner of a turn; None where there is none.

    A robot comes out of a junction straight, but may come to it on a piece of line too short to have a direction. So
    the marker has its say where it contradicts the meeting of both directions.
    """
    (ax, ay, a), (bx, by, b) = one, two
    side = math.copysign(1.0, math.sin(b - a))
    found: list[tuple[float, tuple[float, float]]] = []
    for spot, _ in marks:
        along, left = _frame(spot.x - bx, spot.y - by, b)
        on = along - MARKER_TO_LINE_M
        place = bx + on * math.cos(b), by + on * math.sin(b)
        ahead, beside = _frame(place[0] - ax, place[1] - ay, a)
        wrong = abs(left - side * MARKER_TO_LINE_M)
        if wrong < 0.03 and -MEET_M < on < 0.04 and -REACHED_M < ahead < MEET_M and abs(beside) < 0.06:
            found.append((wrong, place))
    return min(found)[1] if found else None


def _into(a: float, b: float) -> float:
    """Return the direction into a marked junction: as followed, where that is about square to the way out."""
    square = b - math.copysign(math.pi / 2, math.sin(b - a))
    return a if abs(math.remainder(a - square, math.tau)) < SKEW else square


def _crossed(end: tuple[float, float, float], chain: Array) -> tuple[float, float] | None:
    """Return where the way back from `end` last crosses a chain; None where it does not."""
    x, y, heading = end
    along, left = _frame(chain[:, 0] - x, chain[:, 1] - y, heading)
    for i in reversed(np.flatnonzero(np.diff(np.sign(left)) != 0).tolist()):
        if -MEET_M < along[i] < 0.04:
            share = left[i] / (left[i] - left[i + 1])
            at = chain[i] + share * (chain[i + 1] - chain[i])
            return float(at[0]), float(at[1])
    return None


def _between(before: Stretch, after: Stretch) -> slice:
    return slice(before.last, after.first + 1)


def _went_round(track: Track, before: Stretch, after: Stretch) -> bool:
    """Tell whether the axle left the straight way between two stretches, by driving and not by turning on the spot."""
    part = _between(before, after)
    (ax, ay), (bx, by) = before.points[-1], after.points[0]
    chord = math.hypot(bx - ax, by - ay)
    if chord < 0.12:
        return False
    off = np.abs((track.y[part] - ay) * (bx - ax) - (track.x[part] - ax) * (by - ay)) / chord
    return bool(off.max() > DETOUR_M)


def _bright(track: Track, before: Stretch, after: Stretch) -> bool:
    """Tell whether both eyes saw nothing but floor between two stretches, but for their ends."""
    part = _between(before, after)
    dark = np.fmax(track.left.dark[part], track.right.dark[part])
    forward = track.speed[part] > 0.02
    return bool(forward.any()) and float(np.mean(dark[forward] < BRIGHT)) > 0.7
