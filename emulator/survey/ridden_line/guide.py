"""A line to lay laps beside, where no circuit is named: from the ride's own places.

Of a closed one the first lap that comes back to where it began, at speed and the same way round; of others
all that was ridden. It need not be near: what is ridden is measured from it and smoothed by itself.
"""

from __future__ import annotations

import math

import numpy as np

from emulator.config.scenario.circuit import Circuit
from emulator.road.build_line import LineError
from emulator.survey.fit import smooth_path
from emulator.survey.ridden_line.places import Array, Places, RiddenLineError

_WITHIN_m = 0.5
_CLOSE_m = 12.0  # so far apart two laps may cross the same station
_SAME_WAY_rad = 0.5
_LEAST_LAP_m = 150.0
_SPEED_SHARE = 0.5  # of the median speed: a lap begins at speed, not in a pit lane
_TRIED = 60
_MOST_POINTS = 6000


def own_line(
    places: Places, *, closed: bool | None, width_m: float, start: tuple[float, float] | None
) -> Circuit:
    """A circuit through the ride's places.

    closed  None: where the ride comes back
    start   east and north [m] of station 0 of a closed one; None: where the first whole lap begins
    Raises RiddenLineError.
    """
    plane = places.plane
    lap = None if closed is False else _first_lap(plane, places.time_s)
    if lap is None and closed:
        raise RiddenLineError(
            f"the ride does not come back to within {_CLOSE_m:g} m of where it was, the same way round",
            advice="take a log with a whole lap, or make an open line by --open",
        )
    if lap is not None:
        first, last, gap = lap
        plane = plane[first:last]
        # the gap between both ends is shared out along the lap
        plane = plane - np.linspace(0.0, 1.0, len(plane))[:, None] * gap
    plane = plane[:: max(1, math.ceil(len(plane) / _MOST_POINTS))]
    smooth = smooth_path(plane, closed=lap is not None, within_m=_WITHIN_m)
    begins = 0.0
    if lap is not None:
        begins = float(smooth.feet[0])
        if start is not None:
            drawn = smooth.spline(smooth.parameters)
            begins = float(smooth.stations[int(np.argmin(np.hypot(*(drawn - np.array(start)).T)))])
    points = smooth.nodes(begins, closed=lap is not None)
    try:
        return Circuit(
            kind="circuit",
            name="ridden",
            closed=lap is not None,
            width_m=width_m,
            points=tuple((x, y) for x, y in points.tolist()),
        )
    except (LineError, ValueError) as error:
        raise RiddenLineError(
            f"the ride gives no line: {error}", advice="name the circuit by --onto"
        ) from error


def _first_lap(plane: Array, time_s: Array) -> tuple[int, int, Array] | None:
    """First row of a lap, the row behind its last one, and what its ends are apart (2,); None: there is none.

    Where it begins is tried at even instants of the ride, the earliest that comes back is taken.
    """
    steps = np.diff(plane, axis=0)
    way = np.hypot(*steps.T)
    along = np.concatenate([[0.0], np.cumsum(way)])
    speed = way / np.maximum(np.diff(time_s), 1e-6)
    heading = np.arctan2(steps[:, 1], steps[:, 0])
    fast = np.flatnonzero(speed > _SPEED_SHARE * np.median(speed))
    for k in np.unique(fast[np.linspace(0, len(fast) - 1, _TRIED).astype(int)]).tolist():
        ahead = np.arange(k + 1, len(steps))
        ahead = ahead[along[ahead] - along[k] > _LEAST_LAP_m]
        near = np.hypot(*(plane[ahead] - plane[k]).T) < _CLOSE_m
        turned = np.abs((heading[ahead] - heading[k] + math.pi) % (2.0 * math.pi) - math.pi)
        back = ahead[near & (turned < _SAME_WAY_rad)]
        if not len(back):
            continue
        # of the rows that are near at that return, the nearest along the way
        once = back[back <= back[0] + np.searchsorted(along, along[back[0]] + 2.0 * _CLOSE_m) - back[0]]
        tangent = np.array([math.cos(heading[k]), math.sin(heading[k])])
        lengthways = (plane[once] - plane[k]) @ tangent
        last = int(once[int(np.argmin(np.abs(lengthways)))])
        gap: Array = plane[last] - plane[k]
        gap = gap - (gap @ tangent) * tangent
        if (plane[last] - plane[k]) @ tangent < 0.0:
            last += 1  # the row before the lap's start belongs to it
        return k, last, gap
    return None
