"""Lines as tests make and measure them: from rows of a circuit file, with a speed, how near they come."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emulator.road.build_line import Segment, Straight, Turn, _closed_up
from emulator.road.line import Line


def segments_from_rows(rows: Sequence[Mapping[str, Any]]) -> tuple[Segment, ...]:
    """Rows of a circuit file (degrees, metres) as segments (radians)."""
    return tuple(
        Straight(float(row["straight_m"]), row.get("free", False))
        if "straight_m" in row
        else Turn(math.radians(row["turn_deg"]), float(row["radius_m"]), float(row.get("transition_m", 0.0)))
        for row in rows
    )


def free_lengths(segments: Sequence[Segment], blend_m: float = 0.0) -> tuple[float, ...]:
    """Lengths [m] the free straights of a closed circuit get, in order."""
    return tuple(s.length_m for s in _closed_up(segments, blend_m) if isinstance(s, Straight) and s.free)


def clearance(line: Line, apart_m: float = 100.0) -> float:
    """Least distance [m] between two places of the line that are more than ``apart_m`` of riding apart.

    Near 0 means that the line crosses itself; infinite where no two places are that far apart.
    """
    every = max(int(1.0 / (line.length / (line.station.size - 1))), 1)
    s, x, y = line.station[::every], line.x[::every], line.y[::every]
    least = math.inf
    for i in range(s.size):
        gap = np.abs(s - s[i])
        if line.closed:
            gap = np.minimum(gap, line.length - gap)
        far = gap > apart_m
        if far.any():
            least = min(least, float(np.hypot(x[far] - x[i], y[far] - y[i]).min()))
    return least


def with_speed(line: Line, speed: NDArray[np.float64]) -> Line:
    """The line with these target speeds (n+1,) [m/s]."""
    assert speed.shape == line.station.shape
    return line._replace(target_speed=np.ascontiguousarray(speed, np.float64))
