"""From points in riding order to the points of a circuit file, on the smoothest line near them."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from scipy.interpolate import BSpline

from emulator.road.line import Line, locate
from emulator.survey.smoothest import Array, Knots, smoothest_path, smoothest_values

STEP_m = 4.0
"""Distance [m] between points of a circuit file; more where a line would have over ``MOST_STEPS``."""
MOST_STEPS = 2500
"""So many fit into a file with its elevation."""

_FEWEST_STEPS = 12
_PASSES = 4  # of solving and taking the path's own lengths as parameters
_INSIDE = 0.97  # of the distance allowed: for what the solution takes as linear
_HOPELESS = 2.0  # times the distance: where a pass comes no nearer, another one does not help
_FINE = 16  # looks to a knot step
_REACH = 4  # knot steps to each side that the foot of a point is looked for in
_HEIGHT_STEP_m, _MOST_HEIGHTS, _FEWEST_HEIGHTS = 20.0, 500, 8
_GUIDE_m = 1.0  # points nearer to each other say nothing of the direction


class SmoothPath(NamedTuple):
    """A smooth path with the feet of the points on it.

    spline      of a parameter, (x, y) [m]
    parameters  (m,)      from the path's start to its end
    stations    (m,) [m]  its length there
    feet        (n,) [m]  stations of the points
    misses      (n,) [m]  how far they are from it
    """

    spline: BSpline
    parameters: Array
    stations: Array
    feet: Array
    misses: Array

    @property
    def length(self) -> float:
        """From the first point to the last one, or once round [m]."""
        return float(self.stations[-1])

    def nodes(self, start_m: float, *, closed: bool) -> Array:
        """Evenly spaced places (k, 2) on the path, from a station on; to 0.1 mm, as a file has them."""
        steps = _steps(self.length)
        at = start_m + self.length * np.arange(steps if closed else steps + 1) / steps
        at = at % self.length if closed else np.clip(at, 0.0, self.length)
        places: Array = self.spline(np.interp(at, self.stations, self.parameters))
        return np.round(places, 4) + 0.0


def rough_length(plane: Array, *, closed: bool, within_m: float) -> float:
    """Length [m] of the line through points (n, 2) before it is smoothed; noise adds little."""
    return _guide(plane, closed, max(_GUIDE_m, 2.0 * within_m))[1]


def smooth_path(plane: Array, *, closed: bool, within_m: float) -> SmoothPath:
    """The smoothest path within a distance of points (n, 2) [m]; the nearest found where there is none."""
    at, length = _guide(plane, closed, max(_GUIDE_m, 2.0 * within_m))
    knots = Knots(_steps(length), closed)
    at *= knots.steps / length
    best: SmoothPath | None = None
    for _ in range(_PASSES):
        found = smoothest_path(knots, at, plane, _INSIDE * within_m)
        path = _measured(knots, found.coefficients, plane, at)
        # Of paths within the distance the last one counts, whose parameters are its lengths.
        if best is None or path.misses.max() < max(within_m, best.misses.max()):
            best = path
        if found.greatest > _HOPELESS * within_m:
            break
        at = path.feet * knots.steps / path.length
    assert best is not None
    return best


def smooth_heights(
    stations: Array, heights: Array, length_m: float, *, closed: bool, within_m: float
) -> tuple[Array, Array]:
    """Stations and heights (k,) [m] of the smoothest profile within a distance of heights (n,).

    Where there is none within, the nearest that was found.
    """
    count = int(np.clip(round(length_m / _HEIGHT_STEP_m), _FEWEST_HEIGHTS, _MOST_HEIGHTS))
    knots = Knots(count, closed)
    # joined by monotone cubics, a profile loses a little of its crests
    found = smoothest_values(knots, stations * count / length_m, heights, 0.9 * within_m)
    at = np.arange(count if closed else count + 1, dtype=np.float64)
    return at * length_m / count, np.asarray(knots.spline(found.coefficients)(at))


def offsets_from(line: Line, plane: Array, hints: Array) -> tuple[Array, Array]:
    """Stations of the feet and offsets to the left (n,) [m] of points beside a line, from near stations."""
    found = [locate(line, x, y, hint) for (x, y), hint in zip(plane.tolist(), hints.tolist(), strict=True)]
    return np.array([f[0] for f in found]), np.array([f[1] for f in found])


def _steps(length: float) -> int:
    return int(np.clip(round(length / STEP_m), _FEWEST_STEPS, MOST_STEPS))


def _guide(plane: Array, closed: bool, apart_m: float) -> tuple[Array, float]:
    """Lengths (n,) at the points along the line through those that lie apart, and its length [m].

    So points that a receiver took while it stood, or noise of points that lie close, add no length.
    """
    kept = [0]
    for k in range(1, len(plane)):
        if math.dist(plane[k], plane[kept[-1]]) >= apart_m:
            kept.append(k)
    if not closed:  # it ends with the last point, whatever that is apart from the one before
        kept = [*(kept[:-1] if len(kept) > 1 else kept), len(plane) - 1]
    corners = plane[[*kept, 0]] if closed else plane[kept]
    legs = np.diff(corners, axis=0)
    long = np.maximum(np.hypot(*legs.T), 1e-9)
    starts = np.concatenate([[0.0], np.cumsum(long)])
    leg = np.clip(np.searchsorted(kept, np.arange(len(plane)), side="right") - 1, 0, len(legs) - 1)
    along = np.einsum("ij,ij->i", plane - corners[leg], legs[leg]) / long[leg]
    return starts[leg] + np.clip(along, 0.0, long[leg]), float(starts[-1])


def _measured(knots: Knots, coefficients: Array, plane: Array, near: Array) -> SmoothPath:
    """A path with its lengths and the feet of the points, looked for around parameters (n,)."""
    spline = knots.spline(coefficients)
    parameters = np.linspace(0.0, knots.steps, knots.steps * _FINE + 1)
    drawn = spline(parameters)
    stations = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(drawn, axis=0).T))])
    feet = _feet(knots, spline, drawn, plane, near)
    misses = np.hypot(*(plane - spline(feet)).T)
    return SmoothPath(spline, parameters, stations, np.interp(feet, parameters, stations), misses)


def _feet(knots: Knots, spline: BSpline, drawn: Array, plane: Array, near: Array) -> Array:
    """Parameters (n,) of the nearest places of a path to points (n, 2)."""
    last = len(drawn) - 1
    around = np.arange(-_REACH * _FINE, _REACH * _FINE + 1)
    best = np.empty(len(plane), np.int64)
    for part in np.array_split(np.arange(len(plane)), len(plane) // 4000 + 1):
        looks = np.round(near[part] * _FINE).astype(np.int64)[:, None] + around
        looks = looks % last if knots.closed else np.clip(looks, 0, last)
        away = drawn[looks] - plane[part][:, None]
        nearest = np.argmin(np.einsum("ijk,ijk->ij", away, away), axis=1)
        best[part] = looks[np.arange(len(part)), nearest]
    at = best / _FINE
    first, second = spline.derivative(1), spline.derivative(2)
    for _ in range(3):  # Newton on the right angle, within one look
        inside = at % knots.steps if knots.closed else at
        away, way, bend = plane - spline(inside), first(inside), second(inside)
        falls = np.einsum("ij,ij->i", way, way) - np.einsum("ij,ij->i", away, bend)
        step = np.einsum("ij,ij->i", away, way) / np.where(falls > 0.0, falls, np.inf)
        at = np.clip(at + step, (best - 1) / _FINE, (best + 1) / _FINE)
        if not knots.closed:
            at = np.clip(at, 0.0, knots.steps)
    return at % knots.steps if knots.closed else at
