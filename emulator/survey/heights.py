"""The road's elevation from the heights of surveyed points."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emulator.config.scenario.circuit import Height
from emulator.road.iso8608 import along_lap
from emulator.road.line import Line
from emulator.survey.fit import smooth_heights
from emulator.survey.points import FEWEST_POINTS, Array, Points

MOST_m = 1000.0
"""Greatest height over or under station 0, as in a circuit file [m]."""
STEEP = 0.25
"""No road that is raced on is steeper (common practice, no source)."""


class Heights(NamedTuple):
    """Elevation of a road as a circuit file has it, and how near it is.

    given      (n,) [m]  heights of the points over station 0, NaN where there is none
    errors     (n,) [m]  the same less the road's
    elevation  (k,) [m]  of the road at the line's samples
    slope      (k,) [1]  of the road there
    """

    listed: tuple[Height, ...]
    given: Array
    errors: Array
    elevation: Array
    slope: Array
    remarks: tuple[str, ...]

    @property
    def worst(self) -> int:
        """The point whose height is furthest from the road."""
        return int(np.nanargmax(np.abs(self.errors)))


def road_heights(
    points: Points, stations: Array, line: Line, length_m: float, within_m: float
) -> Heights | str:
    """The smoothest elevation within a distance of the heights; a sentence where the points have too few.

    stations  (n,) [m] of the points on the line, which is ridden for ``length_m``

    Raises ConfigError where no elevation is as near, or there are heights that no circuit file takes.
    """
    known = np.isfinite(points.elevation)
    if np.count_nonzero(known) < max(FEWEST_POINTS, 0.5 * len(known)):
        few = "without heights" if not known.any() else f"only {np.count_nonzero(known)} points have a height"
        return f"{few}: the road is flat"
    at, raw = stations[known], points.elevation[known]
    remarks = []
    order = np.argsort(at, kind="stable")
    if line.closed and abs(rise := float(raw[order[0]] - raw[order[-1]])) > within_m:
        raw = raw + rise * at / length_m
        remarks.append(f"heights of both ends differ by {abs(rise):.2f} m; that is shared out along the lap")
    stated, values = smooth_heights(at, raw, length_m, closed=line.closed, within_m=within_m)
    zero = float(values[0])
    values = np.round(values - zero, 3) + 0.0
    given = np.full(len(known), np.nan)
    given[known] = raw - zero
    if np.abs(values).max() > MOST_m:
        raise points.refused(f"expected heights within {MOST_m:g} m, got {np.abs(values).max():.0f} m")
    if not line.closed:
        stated[-1] = np.floor(stated[-1] * 100.0 - 1.0) / 100.0  # a station of a file lies before its end
    listed = tuple(
        Height(station_m=round(float(s), 2), height_m=float(z)) for s, z in zip(stated, values, strict=True)
    )
    elevation, slope = along_lap(line, [h.station_m for h in listed], [h.height_m for h in listed])
    errors = given - np.interp(stations, line.station, elevation)
    found = Heights(listed, given, errors, elevation, slope, tuple(remarks))
    if abs(float(errors[found.worst])) > within_m:
        raise points.refused(
            f"no smooth road comes within {within_m:g} m of all heights; the nearest found is "
            f"{abs(float(errors[found.worst])):.2f} m off here: raise --elevation-deviation-m, correct the "
            "heights here, or leave all out by --flat",
            found.worst,
        )
    return found._replace(remarks=(*remarks, *_steep(line, slope)))


def _steep(line: Line, slope: NDArray[np.float64]) -> list[str]:
    k = int(np.argmax(np.abs(slope)))
    if abs(slope[k]) <= STEEP:
        return []
    return [
        f"at station {line.station[k]:.0f} m the slope is {100.0 * abs(slope[k]):.0f} %: look at the heights "
        "there, or raise --elevation-deviation-m"
    ]
