"""Surveyed points put in order: by time, without repeats and spikes, one lap of them, its ends joined.

Whatever is changed or left out is told in a sentence; what can't be put right is refused.

A lap that a receiver recorded does not come back to its start exactly: between both it has drifted. Sideways
of the line that gap would be a kink, so it is shared out along the lap, in proportion to the way: the compass
rule for the misclosure of a traverse (N. Bowditch, 1808; common practice in surveying).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import median_filter

from emulator.survey.points import FEWEST_POINTS, Array, Points

REPEATED_m = 0.01
"""A point that lies nearer to the one before is a repeat of it."""
SPIKE_SHARE = 0.02
"""Largest share of points that are spikes, and at least ``_SPIKES`` of them."""

_SPIKES = 3
_SPIKE_TIMES_MEDIAN = 8.0  # a spike stands out so many times further than points around it, by the median
_AROUND = 10  # neighbours to each side that count as around
_APART_m, _MOST_STRIDE = 1.0, 25  # neighbours lie so far apart, or so many points
_SAVED_TURNING = 0.5  # and without it the line turns that much less there
_TOLD = 5  # places that a sentence names
_SOME_WAY_m = 5.0  # the direction of travel is taken over so much


class Ordered(NamedTuple):
    """Points in riding order.

    points   those of the file that are used
    given    (n, 2) [m]  their east and north of the file's first point
    plane    (n, 2) [m]  the same after a gap between both ends was shared out
    closed   from the last point the line goes back to the first one
    remarks  sentences on what was done
    """

    points: Points
    given: Array
    plane: Array
    closed: bool
    remarks: tuple[str, ...]


def in_time(points: Points, plane: Array) -> tuple[Points, Array, list[str]]:
    """Sorted by time where all have one, without repeats of the point before."""
    remarks = []
    known = np.isfinite(points.time)
    if known.all() and (np.diff(points.time) < 0.0).any():
        order = np.argsort(points.time, kind="stable")
        count = int(np.count_nonzero(np.diff(points.time) < 0.0))
        remarks.append(f"the times go back {count} times: points are sorted by time")
        points, plane = points.taken(order), plane[order]
    elif known.any() and not known.all():
        remarks.append(f"{np.count_nonzero(~known)} points have no time: they stay in the order of the file")
    kept = [0]
    for k in range(1, len(plane)):
        if math.dist(plane[k], plane[kept[-1]]) >= REPEATED_m:
            kept.append(k)
    if repeated := len(plane) - len(kept):
        remarks.append(f"{repeated} points that repeat the one before are left out")
    return points.taken(np.array(kept)), plane[kept], remarks


def spikes(plane: Array, deviation_m: float) -> NDArray[np.int64]:
    """Indices of single points far beside the line through their neighbours, the worst first.

    A spike is more than three times the deviation away from the cubic through the two points before and the
    two behind it, eight times further than points around it are by the median, and a detour: without it the
    line turns less than half as much there. A tight corner of few points is no spike: it turns the same way
    with and without its apex. The first and the last points are none.
    """
    # Points that lie close say nothing of the direction: neighbours are those some way off.
    apart = float(np.median(np.hypot(*np.diff(plane, axis=0).T)))
    stride = int(np.clip(round(max(_APART_m, 2.0 * deviation_m) / apart), 1, _MOST_STRIDE))
    places = stride * np.array([-2, -1, 0, 1, 2])
    reach, most = 2 * stride, max(_SPIKES, int(SPIKE_SHARE * len(plane)))
    left = np.arange(len(plane))
    beside = np.zeros(len(plane))

    def look(first: int, end: int) -> None:
        rows = np.arange(max(first, reach), min(end, len(left) - reach))
        beside[rows] = _beside(plane[left[rows[:, None] + places]])

    look(0, len(left))
    usual = np.zeros(len(plane))
    usual[reach:-reach] = median_filter(beside[reach:-reach], size=2 * _AROUND * stride + 1, mode="mirror")
    allowed = np.maximum(3.0 * deviation_m, _SPIKE_TIMES_MEDIAN * usual)
    cleared = np.zeros(len(plane), np.bool_)
    found: list[int] = []
    while len(found) <= most:
        stands_out = np.where(cleared, 0.0, beside / allowed)
        worst = int(np.argmax(stands_out))
        if stands_out[worst] <= 1.0:
            break
        if not _is_detour(plane[left[worst + places]]):
            cleared[worst] = True
            continue
        found.append(int(left[worst]))
        left, beside, allowed, cleared = (np.delete(v, worst) for v in (left, beside, allowed, cleared))
        cleared[max(worst - reach, 0) : worst + reach] = False
        look(worst - reach, worst + reach)
    return np.array(found, np.int64)


def _beside(five: Array) -> Array:
    """How far the third of five points (k, 5, 2) lies from the line through the others [m].

    Between them that is a cubic; or straight, as a cubic through points of much noise leads anywhere.
    """
    corners = five[:, [0, 1, 3, 4]]
    chords = np.maximum(np.hypot(*np.moveaxis(np.diff(corners, axis=1), 2, 0)), 1e-6)
    u = np.concatenate([np.zeros((len(five), 1)), np.cumsum(chords, axis=1)], axis=1)
    at = np.linspace(u[:, 1], u[:, 2], 17, axis=1)
    curve = np.zeros((*at.shape, 2))
    for k in range(4):  # Lagrange's form
        weight = np.ones_like(at)
        for j in (j for j in range(4) if j != k):
            weight *= (at - u[:, j, None]) / (u[:, k, None] - u[:, j, None])
        curve += weight[..., None] * corners[:, k, None]
    part = np.linspace(0.0, 1.0, 17)[:, None]
    straight = (1.0 - part) * corners[:, 1, None] + part * corners[:, 2, None]
    away = np.concatenate([curve, straight], axis=1) - five[:, 2, None]
    return np.asarray(np.hypot(away[..., 0], away[..., 1]).min(axis=1))


def _is_detour(five: Array) -> bool:
    """Whether the line through five points (5, 2) turns much less without the third."""
    return _turning(five[[0, 1, 3, 4]]) < (1.0 - _SAVED_TURNING) * _turning(five)


def _turning(corners: Array) -> float:
    """Sum of the angles [rad] that a line through points turns by, either way."""
    steps = np.diff(corners, axis=0)
    return float(np.abs(_wrapped(np.diff(np.arctan2(steps[:, 1], steps[:, 0])))).sum())


def _wrapped(angle: Array) -> Array:
    return np.asarray((angle + math.pi) % (2.0 * math.pi) - math.pi)


def without_spikes(
    points: Points, plane: Array, deviation_m: float, *, refuse: bool
) -> tuple[Points, Array, list[str]]:
    """Without points far beside their neighbours. Raises ConfigError: to be refused, or too many."""
    found = spikes(plane, deviation_m)
    if not found.size:
        return points, plane, []
    if found.size > max(_SPIKES, int(SPIKE_SHARE * len(plane))):
        raise points.refused(
            f"here and at {found.size - 1} or more other points the line jumps aside and back; so many are "
            "no spikes: raise --deviation-m, or smooth the points before",
            int(found[0]),
        )
    if refuse:
        raise points.refused("a spike: this point lies far beside its neighbours", *found.tolist())
    where = ", ".join(str(int(points.lines[k])) for k in sorted(found)[:_TOLD])
    more = f" and {found.size - _TOLD} more" if found.size > _TOLD else ""
    remark = f"{found.size} spike{'s' if found.size > 1 else ''} left out: line {where}{more} of the file"
    kept = np.setdiff1d(np.arange(len(plane)), found)
    return points.taken(kept), plane[kept], [remark]


def one_lap(points: Points, plane: Array, close_m: float, deviation_m: float) -> Ordered | None:
    """The first lap, from the first point until the line is back at it; None if it never is.

    Back means within ``close_m`` of the first point, riding the same way; or ended as near before it as its
    points lie apart. What comes after is left out, a gap sideways of more than ``deviation_m`` shared out
    along the lap.
    """
    remarks = []
    back = _return(plane, close_m)
    if back is None:
        return None
    count = back.points
    # The last of them may lie on the first point or past it: the line must not go back.
    ahead = _heading(plane)
    while count > FEWEST_POINTS and float((plane[0] - plane[count - 1]) @ ahead) < 0.5 * REPEATED_m:
        count -= 1
    behind = len(plane) - count
    if behind > 1 or (behind and ends_apart(plane) >= REPEATED_m):
        remarks.append(f"the last {behind} points, past the end of the first lap, are left out")
    points, given, plane = points.taken(np.arange(count)), plane[:count], plane[:count]
    gap = math.hypot(*back.gap)
    if gap > deviation_m + back.unsure_m:
        steps = np.hypot(*np.diff(plane, axis=0).T)
        share = np.concatenate([[0.0], np.cumsum(steps)]) / steps.sum()
        plane = plane + share[:, None] * back.gap
        remarks.append(
            f"the lap's end lies {gap:.2f} m beside its start; that is shared out along the lap, so points "
            "are moved by up to as much"
        )
    return Ordered(points, given, plane, True, tuple(remarks))


def ends_apart(plane: Array) -> float:
    """How far the last point lies from the first one [m]."""
    return math.dist(plane[0], plane[-1])


class _Return(NamedTuple):
    """Where the first lap ends: the gap (2,) [m] from its end sideways to its start.

    points    how many it has, of which the last may lie past the start
    unsure_m  [m] how far the line may bow out between two points there
    """

    points: int
    gap: Array
    unsure_m: float


def _heading(plane: Array) -> Array:
    """Direction of travel (2,) at the first point: over some metres, so that noise does not turn it."""
    far = np.flatnonzero(np.hypot(*(plane - plane[0]).T) > _SOME_WAY_m)
    way = plane[far[0] if far.size else -1] - plane[0]
    return np.asarray(way / max(math.hypot(*way), 1e-9))


def _return(plane: Array, close_m: float) -> _Return | None:
    """Where the line comes back to its first point, if it does."""
    start, ahead = plane[0], _heading(plane)
    away = np.flatnonzero(np.hypot(*(plane - start).T) > 4.0 * close_m + 4.0 * _SOME_WAY_m)
    if not away.size:
        return None
    legs = np.diff(plane, axis=0)
    long = np.maximum(np.hypot(*legs.T), 1e-6)
    along = np.clip(np.einsum("ij,ij->i", start - plane[:-1], legs) / long**2, 0.0, 1.0)
    gaps = start - (plane[:-1] + along[:, None] * legs)
    near = np.hypot(*gaps.T)
    ways = _ways(plane, np.concatenate([[0.0], np.cumsum(long)]))
    passes = np.flatnonzero((near <= close_m) & (ways[:-1] @ ahead > 0.5) & (np.arange(len(near)) > away[0]))
    if passes.size:
        way = np.cumsum(long)
        first = passes[way[passes] <= way[passes[0]] + 4.0 * (close_m + _SOME_WAY_m)]
        k = int(first[np.argmin(near[first])])
        if k < len(legs) - 1 or along[k] < 1.0:  # else it ends before the start
            sideways = gaps[k] - ahead * float(gaps[k] @ ahead)
            return _Return(k + 2, sideways, _bow(float(long[k]), legs[k], legs[k - 1]))
    onward = start - plane[-1]
    last = legs[-1] / long[-1]
    reach = close_m + 1.5 * max(float(np.median(long[-20:])), float(long[-1]))
    if math.hypot(*onward) > reach or float(last @ ahead) <= 0.0 or float(onward @ ahead) < 0.0:
        return None
    # on an arc the chord halves the angle between the directions at its ends
    chord = (last + ahead) / math.hypot(*(last + ahead))
    sideways = onward - chord * float(onward @ chord)
    return _Return(len(plane), sideways, _bow(math.hypot(*onward), last, ahead))


def _ways(plane: Array, stations: Array) -> Array:
    """Directions of travel (n, 2): from some metres before each point to some behind it."""
    last = len(plane) - 1
    before = np.searchsorted(stations, stations - _SOME_WAY_m)
    behind = np.minimum(np.searchsorted(stations, stations + _SOME_WAY_m), last)
    ways = plane[behind] - plane[np.minimum(before, np.maximum(np.arange(last + 1) - 1, 0))]
    return np.asarray(ways / np.maximum(np.hypot(*ways.T), 1e-9)[:, None])


def _bow(chord_m: float, one: Array, other: Array) -> float:
    """How far a curve may bow out over its chord [m] that turns by the angle between two directions (2,).

    An arc does so by half of it; where the curvature changes it may be more.
    """
    turn = math.atan2(one[0] * other[1] - one[1] * other[0], float(one @ other))
    return abs(turn) * chord_m / 4.0
