"""Laps that could have been ridden, to compare with, and the table of all of them.

What was ridden: emulator.record.lap_times.
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from emulator.assembly.kept_laps import kept_laps
from emulator.assembly.kept_limits import limits_along
from emulator.assembly.session import Session
from emulator.lap.ideal_lap import IdealLap, bike_of, grip_along, planned_lap, sector_times
from emulator.record.lap_times import IDEAL, TARGET, LapTimes, ReferenceLap, Start
from emulator.road.line import Surface


def reference_laps(session: Session) -> tuple[list[ReferenceLap], str]:
    """Ideal laps of the session's vehicle and the lap of its target speed, and what could not be had.

    The vehicle with the robot on it and the steering torque of the rig's actuator to roll it with, at the
    grip of the road along the line, patches and all.
    """
    references, notes = [], []
    closed = session.line.closed

    def add(name: str, start: Start, lap: IdealLap) -> None:
        times = sector_times(session.line, lap, session.sector_ends)
        # an open line goes on behind its finish
        time_s = float(lap.time[-1]) if closed else sum(times)
        references.append(ReferenceLap(name, start, time_s, times, lap.error_s))

    try:
        if not closed:
            raise ValueError("an open line is ridden at a speed that is asked for, not for time")
        grip = grip_along(session.road, session.line)
        bike = bike_of(
            session.vehicle,
            limits_along(session.vehicle, grip_levels(session.road, grip)),
            steer_torque_Nm=session.rig.actuators.steering.limit_Nm,
        )
        flying, standing = kept_laps(session.line, bike, grip)
        add(IDEAL, "flying", flying)
        add(IDEAL, "standing", standing)
    except ValueError as why:
        notes.append(f"no ideal lap: {why}")
    try:
        add(TARGET, "flying", planned_lap(session.line))
    except ValueError as why:
        notes.append(f"no lap at target speed: {why}")
    return references, "; ".join(notes)


def grip_levels(road: Surface, along: NDArray[np.float64]) -> list[float]:
    """Grips [1] along a line that more is to be known of than what lies between two others.

    Those of the road and of its patches, as far as the line meets them, and the least and the greatest.
    """
    met = np.unique(along)
    levels = {float(met[0]), float(met[-1])}
    levels.update(float(grip) for grip in (road.base_grip, *road.grip) if grip in met)
    return sorted(level for level in levels if level > 0.0)


Row: TypeAlias = tuple[list[str], bool]


def lap_rows(times: LapTimes) -> tuple[list[str], list[Row]]:
    """The table for people: headings, then rows of cells, each with whether it stands out (the best lap).

    Laps first, then the laps to compare with; times in seconds, from a minute on as m:ss.
    """
    sectors = len(times.sector_ends_m)
    heads = ["lap", *(f"sector {k + 1}" for k in range(sectors)), "lap time", "behind ideal", ""]
    rows: list[Row] = []
    for lap in times.laps:
        ideal = times.ideal_of(lap)
        behind = f"{lap.time_s - ideal.time_s:+.3f}" if lap.time_s is not None and ideal else "–"
        remarks = [lap.note] if lap.note else []
        if lap.number == times.best:
            remarks.insert(0, "best")
        if lap.start == "standing":
            remarks.append("standing start")
        cells = [str(lap.number), *map(_shown, lap.sectors_s), _shown(lap.time_s), behind, "; ".join(remarks)]
        rows.append((cells, lap.number == times.best))
    for r in times.references:
        what = {"flying": "flying lap", "standing": "standing start"}[r.start]
        if r.error_s > 0.0:
            what += f"; ± {r.error_s:.2f} s"
        rows.append(([r.name, *map(_shown, r.sectors_s), _shown(r.time_s), "–", what], False))
    return heads, rows


def _shown(seconds: float | None) -> str:
    if seconds is None:
        return "–"
    thousandths = round(seconds * 1000)
    minutes, rest = divmod(thousandths, 60_000)
    return f"{minutes}:{rest / 1000:06.3f}" if minutes else f"{rest / 1000:.3f}"
