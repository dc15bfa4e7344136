"""The course a scenario rides: the line of its circuit or its manoeuvre, and where the ride is complete."""

from __future__ import annotations

import copy
import math
from functools import lru_cache
from typing import NamedTuple

from emulator.config.scenario.circuit import Circuit, line_of_points, line_segments
from emulator.lap.ideal_lap import sector_ends
from emulator.road.build_line import Segment, build_line
from emulator.road.line import Line

STATION_STEP = 0.5
"""Distance [m] between samples of a line."""
BLEND = 12.0
"""Window [m] that makes the curvature's rate continuous, so that roll can follow."""
_AHEAD_s, _AHEAD_m = 1.0, 20.0  # an open line goes on behind its finish: nobody looks further ahead than that


class Course(NamedTuple):
    """A line with its road's shape; target speed, bank and slope are not on the line yet.

    sector_ends_m  [m]  stations, the last one the lap's length, of an open line its finish
    finish_m       [m]  station at which the ride of an open line is complete; None: closed, it has laps
    elevation      rising stations [m] and heights over the origin [m]
    banking        rising stations [m] and banks [rad], positive where the left side is the higher one
    """

    line: Line
    width_m: float
    sector_ends_m: tuple[float, ...]
    finish_m: float | None
    elevation: tuple[tuple[float, float], ...] = ()
    banking: tuple[tuple[float, float], ...] = ()

    @property
    def length_m(self) -> float:
        """Stations of the ride: a lap, or from the start of an open line to its finish [m]."""
        return self.line.length if self.finish_m is None else self.finish_m


def overrun(top_speed_m_s: float) -> float:
    """Length [m] of an open line behind its finish: more than a robot looks ahead at that speed."""
    return _AHEAD_s * top_speed_m_s + _AHEAD_m


def circuit_course(circuit: Circuit, top_speed_m_s: float) -> Course:
    """The course of a circuit that is ridden at a speed at most. Raises LineError."""
    elevation = tuple((p.station_m, p.height_m) for p in circuit.elevation)
    banking = tuple((p.station_m, math.radians(p.bank_deg)) for p in circuit.banking)
    behind = 0.0 if circuit.closed else overrun(top_speed_m_s)
    if circuit.points:
        line = line_of_points(circuit, STATION_STEP, behind)
    else:
        line = copy.deepcopy(_line_of(line_segments(circuit)))
    if not circuit.closed and elevation:
        elevation += ((line.length, elevation[-1][1]),)  # level behind the last height that is given
    length = line.length - behind
    return Course(
        line,
        circuit.width_m,
        sector_ends(length, circuit.sector_marks_m),
        None if circuit.closed else length,
        elevation,
        banking,
    )


@lru_cache(maxsize=4)  # of the same circuit a session asks twice, and so do many sessions of a process
def _line_of(segments: tuple[Segment, ...]) -> Line:
    """The line of a closed circuit; who takes it copies its arrays."""
    return build_line(segments, closed=True, ds_m=STATION_STEP, blend_m=BLEND)


def open_course(
    segments: tuple[Segment, ...],
    sector_ends_m: tuple[float, ...],
    *,
    width_m: float,
    bank_deg: float,
    slope_deg: float,
    blend_m: float = BLEND,
) -> Course:
    """The course along an open line, which has to go on for ``overrun`` behind the last sector's end."""
    line = build_line(segments, closed=False, ds_m=STATION_STEP, blend_m=blend_m)
    rise = line.length * math.tan(math.radians(slope_deg))
    return Course(
        line,
        width_m,
        sector_ends_m,
        sector_ends_m[-1],
        ((0.0, 0.0), (line.length, rise)) if slope_deg else (),
        ((0.0, math.radians(bank_deg)),) if bank_deg else (),
    )
