"""The laps of a ride: its places beside a line, cut at the line's start."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from emulator.road.line import Line, continue_station, locate
from emulator.survey.ridden_line.places import Array, Places, RiddenLineError

BEYOND_m = 60.0
"""So far before and behind a lap its places are taken with it: laps of a closed line run on."""
LEAST_BEYOND_m = 30.0
_GAP_m = 40.0
ASIDE_m = 25.0
"""Further from a line nobody rides it."""
_BACK_m = 50.0


class Lap(NamedTuple):
    """A whole lap, or a whole way along an open line.

    number    as the record has them, from 1; laps that are not whole count
    rows      (n,)      of the places, its own and those just before and behind
    stations  (n,) [m]  from the lap's start; below 0 and above the line's length just before and behind
    offsets   (n,) [m]  to the left
    """

    number: int
    rows: slice
    stations: Array
    offsets: Array


def beside(line: Line, places: Places) -> tuple[Array, Array]:
    """Stations, counted on over laps, and offsets (n,) [m] of places beside a line."""
    stations, offsets = np.empty((2, len(places.east)))
    at = before = np.nan
    for k, (x, y) in enumerate(zip(places.east.tolist(), places.north.tolist(), strict=True)):
        station, offset, _ = locate(line, x, y, at)
        at = station
        before = station if np.isnan(before) else continue_station(line, station, before)
        stations[k], offsets[k] = before, offset
    return stations, offsets


def whole_laps(line: Line, length_m: float, places: Places) -> tuple[list[Lap], list[str]]:
    """The laps that can be used, and sentences on those that cannot.

    length_m  of a lap, or of an open line to its finish [m]
    Raises RiddenLineError: the ride is elsewhere or goes against the line, or none is whole.
    """
    stations, offsets = beside(line, places)
    middle = float(np.median(np.abs(offsets)))
    if middle > ASIDE_m:
        raise RiddenLineError(
            f"the ride lies {middle:.0f} m beside the line, by the median of its places",
            advice="name the circuit that was ridden, with east and north from the map's origin",
        )
    if stations[-1] < stations[0] and np.median(np.diff(stations)) < 0.0:
        raise RiddenLineError(
            "the ride goes against the line",
            advice="reverse the line's points in its circuit file, or name another circuit",
        )
    laps: list[Lap] = []
    remarks: list[str] = []
    ways = _laps(stations, length_m) if line.closed else _ways(stations, length_m)
    for number, (rows, start) in enumerate(ways, 1):
        lap = Lap(number, rows, stations[rows] - start, offsets[rows])
        inside = (lap.stations >= 0.0) & (lap.stations < length_m)
        if not inside.any() or float(np.ptp(lap.stations[inside])) < LEAST_BEYOND_m:
            continue  # the neighbour's own start or end
        if why := _not_whole(lap, line, length_m):
            remarks.append(f"lap {number} is left out: {why}")
        else:
            laps.append(lap)
    if not laps:
        raise RiddenLineError(
            "no lap is whole: " + ("; ".join(remarks) or "the ride is too short"),
            advice=f"take a log from {LEAST_BEYOND_m:g} m before a lap to as far behind it; or name the "
            "circuit that was ridden by --onto",
        )
    return laps, remarks


def _laps(stations: Array, length_m: float) -> Iterator[tuple[slice, float]]:
    """Rows and first station of each lap, those just before and behind with them."""
    order = np.maximum.accumulate(stations)  # a bike that is pushed back is no new lap
    first, last = int(np.floor(order[0] / length_m)), int(np.floor(order[-1] / length_m))
    for lap in range(first, last + 1):
        start = lap * length_m
        from_row, to_row = np.searchsorted(order, (start - BEYOND_m, start + length_m + BEYOND_m))
        yield slice(int(from_row), int(to_row)), start


def _ways(stations: Array, length_m: float) -> Iterator[tuple[slice, float]]:
    """Rows of each way along an open line: it begins anew where the bike is far back all at once."""
    back = np.flatnonzero(np.diff(stations) < -_BACK_m) + 1
    for first, end in zip([0, *back.tolist()], [*back.tolist(), len(stations)], strict=True):
        inside = np.flatnonzero((stations[first:end] > 0.0) & (stations[first:end] < length_m))
        if len(inside):
            yield slice(first + int(inside[0]), first + int(inside[-1]) + 1), 0.0


def _not_whole(lap: Lap, line: Line, length_m: float) -> str:
    """Why a lap can't be used; empty: it can."""
    at = lap.stations
    if line.closed:
        if at[0] > 1.0 or at[-1] < length_m - 1.0:
            return f"it goes from station {max(at[0], 0.0):.0f} to {min(at[-1], length_m):.0f} m"
        if max(-at[0], 0.0) + max(at[-1] - length_m, 0.0) < LEAST_BEYOND_m:
            return f"less than {LEAST_BEYOND_m:g} m of road before and behind it are known"
    elif max(at[0], length_m - at[-1]) > _GAP_m:
        return f"it goes from station {at[0]:.0f} to {at[-1]:.0f} m"
    gap = float(np.diff(at).max(initial=0.0))
    if gap > _GAP_m:
        where = float(at[int(np.argmax(np.diff(at)))])
        return f"no place is known for {gap:.0f} m from station {where:.0f} m"
    if float(np.abs(lap.offsets).max()) > ASIDE_m:
        where = float(at[int(np.argmax(np.abs(lap.offsets)))])
        return f"it is {np.abs(lap.offsets).max():.0f} m beside the line at station {where:.0f} m"
    return ""
