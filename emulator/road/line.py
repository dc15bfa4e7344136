"""The road: target line, where a point stands beside it, and the grip under a tyre.

World axes are ENU at the scenario's origin (x east, y north, z up); heading is measured from east,
anticlockwise; curvature and lateral offset are positive to the left. All of it is pure and free of
allocation, so the plant and the robot call the same functions.

Between two samples the line is a cubic Hermite curve through their positions and headings. It is
continuous in position and direction, hence so are station and offset of a moving point: there is no step
at a sample or at the lap end.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.core.compiled import jit


class Line(NamedTuple):
    """A target path sampled at equal steps of station; both ends are samples.

    station       (n+1,) [m]      0 to ``length`` in n equal steps
    x, y          (n+1,) [m]      east, north
    heading       (n+1,) [rad]    from east, anticlockwise, unwrapped
    curvature     (n+1,) [1/m]    d heading / d station, positive left
    dcurvature    (n+1,) [1/m^2]  d curvature / d station
    bank          (n+1,) [rad]    road bank, positive where its left side is the higher one
    slope         (n+1,) [rad]    road slope, positive uphill
    target_speed  (n+1,) [m/s]    zero until a speed profile is put in
    length        [m]             arc length
    closed        the last sample is the first one again, a whole turn of heading later
    """

    station: NDArray[np.float64]
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    heading: NDArray[np.float64]
    curvature: NDArray[np.float64]
    dcurvature: NDArray[np.float64]
    bank: NDArray[np.float64]
    slope: NDArray[np.float64]
    target_speed: NDArray[np.float64]
    length: float
    closed: bool


class Surface(NamedTuple):
    """Grip of the road: a base value and rectangular patches in station and offset.

    base_grip        [1]       friction coefficient where no patch is
    from_m, to_m     (k,) [m]  stations; on a closed line from > to means over the lap end
    left_m, right_m  (k,) [m]  lateral offsets of the patch's two sides, positive left, left >= right
    grip             (k,) [1]  friction coefficient everywhere inside the rectangle
    edge_m           (k,) [m]  outside the rectangle the patch fades out over this distance; 0 = a step

    Where patches overlap the last one wins.
    """

    base_grip: float
    from_m: NDArray[np.float64]
    to_m: NDArray[np.float64]
    left_m: NDArray[np.float64]
    right_m: NDArray[np.float64]
    grip: NDArray[np.float64]
    edge_m: NDArray[np.float64]


class Patch(NamedTuple):
    """One rectangle of other grip; fields as in ``Surface``."""

    from_m: float
    to_m: float
    left_m: float
    right_m: float
    grip: float
    edge_m: float


def surface(base_grip: float, patches: Sequence[Patch] = ()) -> Surface:
    """The surface the plant takes, from a base grip [1] and patches in rising priority.

    Raises ValueError naming the patch (counted from 0) if a number is not finite, a grip or edge is
    negative, or the left side lies right of the right side.
    """
    if not (math.isfinite(base_grip) and base_grip >= 0.0):
        raise ValueError(f"base grip: expected a number from 0 up, got {base_grip}")
    for number, patch in enumerate(patches):
        if not all(math.isfinite(value) for value in patch):
            raise ValueError(f"patch {number}: expected finite numbers, got {tuple(patch)}")
        if patch.grip < 0.0:
            raise ValueError(f"patch {number}: expected a grip from 0 up, got {patch.grip}")
        if patch.edge_m < 0.0:
            raise ValueError(f"patch {number}: expected an edge_m from 0 up, got {patch.edge_m}")
        if patch.left_m < patch.right_m:
            raise ValueError(
                f"patch {number}: offsets are positive to the left, so left_m must not be below right_m; "
                f"got left_m {patch.left_m}, right_m {patch.right_m}"
            )
    columns = np.array([tuple(p) for p in patches], np.float64).reshape(len(patches), 6).T
    from_m, to_m, left_m, right_m, grip, edge_m = (np.ascontiguousarray(column) for column in columns)
    return Surface(float(base_grip), from_m, to_m, left_m, right_m, grip, edge_m)


@jit
def folded(value: float, length: float) -> float:
    """``value % length`` of a length above 0, to the bit; what is within a length of 0 takes no division."""
    if 0.0 < value < length:
        return value
    if -length < value < 0.0:
        return value + length
    return value % length


@jit
def wrap_station(line: Line, station: float) -> float:
    """Station on the line: closed, folded into [0, length); open, held between 0 and length [m]."""
    if not line.closed:
        return min(max(station, 0.0), line.length)
    wrapped = folded(station, line.length)
    return 0.0 if wrapped >= line.length else wrapped


@jit
def continue_station(line: Line, station: float, previous: float) -> float:
    """``station`` with the whole laps added that bring it nearest to ``previous`` [m].

    Feed it each tick with its own last result and laps add up; riding backwards takes them off again.
    An open line has no laps: returns ``station``.
    """
    if not line.closed:
        return station
    return station + line.length * round((previous - station) / line.length)


@jit
def _ahead(line: Line, i: int, x: float, y: float) -> float:
    """How far (x, y) lies ahead of sample i along its heading [m]."""
    dx: float = x - line.x[i]
    dy: float = y - line.y[i]
    return dx * math.cos(line.heading[i]) + dy * math.sin(line.heading[i])


@jit
def _cubic(line: Line, i: int) -> tuple[float, float, float, float, float, float, float, float]:
    """Hermite curve from sample i to i + 1: coefficients by rising power of t in 0..1, of x then of y."""
    step = line.length / (line.station.size - 1)
    x0, y0, x1, y1 = line.x[i], line.y[i], line.x[i + 1], line.y[i + 1]
    u0, v0 = step * math.cos(line.heading[i]), step * math.sin(line.heading[i])
    u1, v1 = step * math.cos(line.heading[i + 1]), step * math.sin(line.heading[i + 1])
    # Cubic coefficients relative to the first sample, so that far from the origin no digits are lost.
    bx, by = 3.0 * (x1 - x0) - 2.0 * u0 - u1, 3.0 * (y1 - y0) - 2.0 * v0 - v1
    ax, ay = 2.0 * (x0 - x1) + u0 + u1, 2.0 * (y0 - y1) + v0 + v1
    return x0, u0, bx, ax, y0, v0, by, ay


@jit
def _on_curve(
    cubic: tuple[float, float, float, float, float, float, float, float], t: float
) -> tuple[float, float, float, float, float, float]:
    """Position, first and second derivative by t of a curve at t."""
    x0, u0, bx, ax, y0, v0, by, ay = cubic
    return (
        x0 + t * (u0 + t * (bx + t * ax)),
        y0 + t * (v0 + t * (by + t * ay)),
        u0 + t * (2.0 * bx + t * 3.0 * ax),
        v0 + t * (2.0 * by + t * 3.0 * ay),
        2.0 * bx + t * 6.0 * ax,
        2.0 * by + t * 6.0 * ay,
    )


@jit
def _nearest_sample(line: Line, x: float, y: float) -> int:
    """Index of the nearest interval start by a search over the whole line."""
    n = line.station.size - 1
    best = 0
    least = math.inf
    for i in range(n + 1):
        distance = (x - line.x[i]) ** 2 + (y - line.y[i]) ** 2
        if distance < least:
            least = distance
            best = i
    return min(best, n - 1)


@jit
def locate(line: Line, x: float, y: float, station_hint: float) -> tuple[float, float, int]:
    """Station and lateral offset of a point, by the foot of its perpendicular on the line.

    x, y          [m]  the point, ENU
    station_hint  [m]  where to start, usually the last result; any number of laps; NaN searches all

    Returns (station [m], offset [m] positive left, index of the interval the foot is in). The search
    walks from the hint along the line until the foot is found, so where the line passes near itself the
    branch of the hint is kept. Closed: station is in [0, length) and the walk goes over the lap end. Open:
    before the start and past the end the station stays at the end and the offset is taken from the line
    straight on.

    Accuracy, for an arc of 15 m radius sampled at 0.5 m: offset 1e-7 m, station 3e-5 m (at offsets up to
    0.8 of the radius). Continuous as long as the point is nearer to the line than its radius of curvature.
    Fails: never; NaN in x or y gives NaN station and offset and the index of the hint.
    """
    n = line.station.size - 1
    step = line.length / n
    if math.isnan(station_hint):
        i = _nearest_sample(line, x, y)
    else:
        i = min(int(wrap_station(line, station_hint) / step), n - 1)
    if math.isnan(x) or math.isnan(y):
        return math.nan, math.nan, i
    behind = _ahead(line, i, x, y)
    front = _ahead(line, i + 1, x, y)
    forward = front > 0.0
    if forward and behind < 0.0:
        # Past the centre of curvature both directions lead nearer: take the end that is nearer.
        forward = (x - line.x[i + 1]) ** 2 + (y - line.y[i + 1]) ** 2 < (x - line.x[i]) ** 2 + (
            y - line.y[i]
        ) ** 2
    for _ in range(n):
        if forward:
            if front <= 0.0:
                break
            if i == n - 1 and not line.closed:
                return line.length, _left_of(line, n, x, y), i
            i = i + 1 if i < n - 1 else 0
            behind = front
            front = _ahead(line, i + 1, x, y)
        else:
            if behind >= 0.0:
                break
            if i == 0 and not line.closed:
                return 0.0, _left_of(line, 0, x, y), i
            i = i - 1 if i > 0 else n - 1
            front = behind
            behind = _ahead(line, i, x, y)
    # Newton for (P - C) . C' = 0 from the secant of the two ends.
    t = behind / (behind - front) if behind > front else 0.5
    t = min(max(t, 0.0), 1.0)
    cubic = _cubic(line, i)
    for _ in range(8):
        cx, cy, dx, dy, ex, ey = _on_curve(cubic, t)
        value = (x - cx) * dx + (y - cy) * dy
        slope = (x - cx) * ex + (y - cy) * ey - dx * dx - dy * dy
        if slope >= 0.0:
            break
        change = value / slope
        t = min(max(t - change, 0.0), 1.0)
        if abs(change) < 1e-13:
            break
    cx, cy, dx, dy, ex, ey = _on_curve(cubic, t)
    offset = (dx * (y - cy) - dy * (x - cx)) / math.sqrt(dx * dx + dy * dy)
    return wrap_station(line, (i + t) * step), offset, i


@jit
def _left_of(line: Line, i: int, x: float, y: float) -> float:
    """How far (x, y) lies to the left of the tangent at sample i [m]."""
    dx: float = x - line.x[i]
    dy: float = y - line.y[i]
    return dy * math.cos(line.heading[i]) - dx * math.sin(line.heading[i])


@jit
def interval_of(line: Line, station: float) -> tuple[int, float, float]:
    """Interval of the line a station is in, the fraction of it, and its length [m]; see :func:`sample`."""
    n = line.station.size - 1
    step = line.length / n
    u = wrap_station(line, station) / step
    i = min(int(u), n - 1)
    return i, min(max(u - i, 0.0), 1.0), step


@jit
def sample(line: Line, station: float) -> tuple[float, float, float, float, float]:
    """The line at a station: (x [m], y [m], heading [rad], curvature [1/m], target speed [m/s]).

    Closed: any number of laps, also negative; the heading is that of the first lap. Open: held at the
    ends. Position, heading and curvature are cubic between samples and continuous in their first
    derivative; the target speed is that of constant acceleration between samples (linear in its square).
    """
    i, t, step = interval_of(line, station)
    x, y, _dx, _dy, _ex, _ey = _on_curve(_cubic(line, i), t)
    return x, y, _heading(line, i, t, step), _curvature(line, i, t, step), _speed(line, i, t)


@jit
def heading_at(line: Line, station: float) -> float:
    """Heading of :func:`sample` [rad]."""
    i, t, step = interval_of(line, station)
    return float(_heading(line, i, t, step))


@jit
def curvature_at(line: Line, station: float) -> float:
    """Curvature of :func:`sample` [1/m]."""
    i, t, step = interval_of(line, station)
    return float(_curvature(line, i, t, step))


@jit
def target_speed_at(line: Line, station: float) -> float:
    """Target speed of :func:`sample` [m/s]."""
    i, t, _step = interval_of(line, station)
    return float(_speed(line, i, t))


@jit
def _heading(line: Line, i: int, t: float, step: float) -> float:
    return hermite(line.heading[i], line.heading[i + 1], line.curvature[i], line.curvature[i + 1], step, t)


@jit
def _curvature(line: Line, i: int, t: float, step: float) -> float:
    return hermite(
        line.curvature[i], line.curvature[i + 1], line.dcurvature[i], line.dcurvature[i + 1], step, t
    )


@jit
def _speed(line: Line, i: int, t: float) -> float:
    v0, v1 = line.target_speed[i], line.target_speed[i + 1]
    return math.sqrt(v0 * v0 + t * (v1 * v1 - v0 * v0))


@jit
def hermite(f0: float, f1: float, d0: float, d1: float, step: float, t: float) -> float:
    """Cubic with values f0, f1 and slopes d0, d1 at the ends of a step, at the fraction t."""
    rise = f1 - f0
    d0 *= step
    d1 *= step
    return f0 + t * (d0 + t * (3.0 * rise - 2.0 * d0 - d1 + t * (d0 + d1 - 2.0 * rise)))


@jit
def _faded(distance: float, edge: float) -> float:
    """1 inside (distance 0), 0 from ``edge`` on, smoothstep between."""
    if distance <= 0.0:
        return 1.0
    if distance >= edge:
        return 0.0
    u = distance / edge
    return 1.0 - u * u * (3.0 - 2.0 * u)


@jit
def cover(
    line: Line,
    from_m: float,
    to_m: float,
    left_m: float,
    right_m: float,
    edge_m: float,
    station: float,
    offset: float,
) -> float:
    """How much of a patch lies at a place [m]: 1 in its rectangle, 0 from ``edge_m`` outside on."""
    if line.closed:
        # Distance past the patch's start, forward round the lap; span of a whole lap stays whole.
        past = folded(station - from_m, line.length)
        span = to_m - from_m
        if span < 0.0 or span > line.length:
            span = folded(span, line.length)
        along = 0.0 if past <= span else min(past - span, line.length - past)
    else:
        along = max(from_m - station, station - to_m, 0.0)
    across = max(right_m - offset, offset - left_m, 0.0)
    return float(_faded(along, edge_m) * _faded(across, edge_m))


@jit
def grip_at(road: Surface, line: Line, station: float, offset: float) -> float:
    """Friction coefficient of the road [1] at a station and lateral offset [m].

    Inside a patch's rectangle its grip holds; outside it fades into what lies below over ``edge_m``, along
    and across. Later patches lie on top of earlier ones. Continuous wherever every edge_m > 0, also over
    the lap end.
    """
    grip = road.base_grip
    for k in range(road.grip.size):
        weight = cover(
            line,
            road.from_m[k],
            road.to_m[k],
            road.left_m[k],
            road.right_m[k],
            road.edge_m[k],
            station,
            offset,
        )
        grip += weight * (road.grip[k] - grip)
    return grip
